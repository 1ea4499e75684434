// Elements made from words. Text is only ever set as text: nothing of a plan is read as markup.

export function el(tag, given = {}, ...children) {
  return filled(document.createElement(tag), given, children);
}

export function svg(tag, given = {}, ...children) {
  return filled(document.createElementNS("http://www.w3.org/2000/svg", tag), given, children);
}

function filled(element, given, children) {
  for (const [name, value] of Object.entries(given)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "text") element.textContent = value;
    else if (name === "value" || name === "checked") element[name] = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

export const button = (text, onclick, given = {}) =>
  el("button", { type: "button", text, onclick, ...given });

export function field(label, input) {
  return el("label", { class: "field" }, el("span", { text: label }), input);
}

export function tick(label, checked, onchange) {
  const input = el("input", { type: "checkbox", checked, onchange: () => onchange(input.checked) });
  return el("label", { class: "tick" }, input, el("span", { text: label }));
}

// A table of rows of words; a head with names.
export function table(heads, rows, caption) {
  return el(
    "table",
    {},
    caption ? el("caption", { text: caption }) : null,
    el("thead", {}, el("tr", {}, ...heads.map((text) => el("th", { scope: "col", text })))),
    el("tbody", {}, ...rows.map((row) => el("tr", {}, ...row.map(cell)))),
  );
}

function cell(value) {
  return value instanceof Node ? el("td", {}, value) : el("td", { text: String(value) });
}

export function plural(n, noun) {
  return `${n.toLocaleString("en")} ${noun}${n === 1 ? "" : "s"}`;
}
