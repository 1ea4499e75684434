// How the board is shown, its key, and what was said of the plan.
import { button, el, field, tick } from "./dom.js";
import { LAYERS, rgb, sign, tint } from "./drape.js";

const WORDS = {
  water: "Water",
  roads: "Roads",
  cover: "Woods and other ground",
  cliffs: "Cliffs",
  outlines: "Outlines",
  names: "Names and levels",
};

export function viewPanel(app) {
  const taller = el("input", {
    type: "range",
    min: 1,
    max: 5,
    step: 0.5,
    oninput: () => {
      app.taller = Number(taller.value);
      app.view.stretch(app.taller);
      said();
    },
  });
  const apart = el("input", {
    type: "range",
    min: 0,
    max: 1,
    step: 0.02,
    value: 0,
    oninput: () => {
      app.apart = Number(apart.value);
      app.view.explode(app.apart);
    },
  });
  const times = el("span", { class: "times" });
  const kind = button("", () => app.use(app.kind === "relief" ? "flat" : "relief"));
  const key = el("div", { class: "key" });
  const solid = el(
    "div",
    {},
    field("Heights drawn taller", taller),
    times,
    field("Take the layers apart", apart),
  );
  const said = () => {
    times.textContent = `${app.taller} times as tall as built`;
  };
  const body = el(
    "div",
    {},
    el("h2", { text: "View" }),
    el(
      "div",
      { class: "actions" },
      kind,
      button("Whole view", () => app.view.home()),
      button("From above", () => app.view.look(0, 0.02)),
      button("Print the map", () => print()),
    ),
    solid,
    el(
      "fieldset",
      {},
      el("legend", { text: "Shown on the board" }),
      ...LAYERS.map((name) => tick(WORDS[name], true, (on) => app.layer(name, on))),
    ),
    el("h3", { text: "Key" }),
    key,
    el("h3", { text: "Keys" }),
    el("p", {
      text: "With the board in focus: arrows move from cell to cell, with Shift they turn the board; + and − zoom, Home shows all, Escape clears, N lays the next row, B swaps compared plans.",
    }),
  );
  app.on("open view", () => {
    kind.textContent = app.kind === "relief" ? "Flat map" : "Relief";
    kind.hidden = !app.views.relief;
    solid.hidden = app.kind !== "relief";
    taller.value = app.taller;
    said();
    key.replaceChildren(...keyOf(app.board));
  });
  return { name: "View", body };
}

// Levels with their ground heights, and what lines and signs mean.
export function keyOf(board) {
  const { head } = board;
  const levels = head.level_m.map((metres, level) => {
    const swatch = el("span", { class: "swatch" });
    swatch.style.backgroundColor = rgb(tint(board, level));
    return el("li", {}, swatch, el("span", { text: `${level}: ${metres.toFixed(0)} m` }));
  });
  const kinds = head.cover_kinds.map((name, kind) => {
    const canvas = el("canvas", { width: 36, height: 28, class: "swatch" });
    const pen = canvas.getContext("2d");
    pen.fillStyle = rgb(tint(board, board.top));
    pen.fillRect(0, 0, 36, 28);
    pen.setTransform(1, 0, 0, -1, 0, 28);
    sign(pen, board, kind, 18, 14, 8);
    return el("li", {}, canvas, el("span", { text: name }));
  });
  const lines = [
    ["water", "water"],
    ["cliff", "cliff"],
    ["ink", head.road_kinds.join(", ")],
  ];
  const strokes = lines
    .filter(([, words]) => words)
    .map(([colour, words]) => {
      const swatch = el("span", { class: `swatch line ${colour}` });
      if (colour !== "ink") swatch.style.backgroundColor = head.palette[colour];
      return el("li", {}, swatch, el("span", { text: words }));
    });
  return [el("ul", { class: "levels" }, ...levels), el("ul", {}, ...strokes, ...kinds)];
}

export function aboutPanel(app) {
  const body = el("div");
  app.on("open", () => {
    const { head } = app.board;
    body.replaceChildren(
      el("h2", { text: head.title }),
      el(
        "dl",
        {},
        ...Object.entries(head.facts).flatMap(([name, words]) => [
          el("dt", { text: name }),
          el("dd", { text: words }),
        ]),
      ),
      head.notes.length ? el("h3", { text: "Assumed, and to note" }) : "",
      el("ul", { class: "notes" }, ...head.notes.map((text) => el("li", { text }))),
    );
  });
  return { name: "About", body };
}
