// Several plans on one page: an overview of them, and two of one board compared.
import { button, el, field, plural, tick } from "./dom.js";
import { cellButtons } from "./cell_panel.js";
import { drape } from "./drape.js";

const SMALL = new Set(["water", "cliffs"]);

export function plansPanel(app) {
  const cards = app.plans.map((board, number) => {
    const picture = drape(board, SMALL, Math.min(14, (320 / board.head.size_mm[0]) * board.flats));
    picture.setAttribute("role", "img");
    picture.setAttribute("aria-label", `Map of ${board.head.name}`);
    const open = button("", () => app.open(number));
    return {
      open,
      card: el(
        "li",
        { class: "card" },
        picture,
        el("h3", { text: board.head.name }),
        el("p", { text: board.head.title }),
        el("p", { text: board.head.facts.table }),
        el("p", { text: board.head.facts.pieces }),
        open,
      ),
    };
  });
  app.on("open", () => {
    cards.forEach(({ card, open }, k) => {
      const isShown = k === app.number;
      card.classList.toggle("current", isShown);
      open.setAttribute("aria-pressed", String(isShown));
      open.textContent = `${isShown ? "Shown" : "Show"}: ${app.plans[k].head.name}`;
    });
  });
  return {
    name: "Plans",
    body: el(
      "div",
      {},
      el("h2", { text: plural(app.plans.length, "plan") }),
      el("ul", { class: "cards" }, ...cards.map(({ card }) => card)),
    ),
  };
}

export function comparePanel(app) {
  const select = el("select", { onchange: () => app.compare(Number(select.value)) });
  const result = el("div");
  const swap = button("Swap A and B", () => app.swap(), { class: "main" });
  const marks = tick("Mark cells that differ", true, (on) => {
    app.marksChanges = on;
    app.repaint();
  });
  const none = el("p", { text: "No other plan here is of the same board." });
  const some = el(
    "div",
    {},
    field("Compare with", select),
    el("div", { class: "actions" }, swap),
    marks,
    result,
  );
  app.on("open compare", () => {
    const { rivals } = app;
    none.hidden = rivals.length > 0;
    some.hidden = !rivals.length;
    select.replaceChildren(
      el("option", { value: -1, text: "nothing" }),
      ...rivals.map((k) => el("option", { value: k, text: app.plans[k].head.name })),
    );
    select.value = String(app.against);
    swap.hidden = app.against < 0;
    result.replaceChildren(...(app.against < 0 ? [] : differences(app)));
  });
  return { name: "Compare", body: el("div", {}, none, some) };
}

function differences(app) {
  const found = app.changes();
  const counts = ["level", "piece", "turn", "stack"].map((what) => {
    const n = found.filter((change) => change.what.includes(what)).length;
    return el("li", { text: `${what}: ${plural(n, "cell")}` });
  });
  return [
    el(
      "p",
      { class: "pair-names" },
      el("strong", { text: `A, on the board: ${app.board.head.name}` }),
      el("br"),
      el("span", { text: `B: ${app.plans[app.against].head.name}` }),
    ),
    el("p", {
      text: `${plural(found.length, "cell")} of ${app.board.n.toLocaleString("en")} differ.`,
    }),
    el("ul", {}, ...counts),
    cellButtons(
      app,
      found.map(({ cell }) => cell),
      200,
    ),
  ];
}
