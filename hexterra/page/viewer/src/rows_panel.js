// Assembly, row by row from the front: what stands in each cell of the row, from the table up.
import { button, el, field, table, tick } from "./dom.js";

export function rowsPanel(app) {
  const slider = el("input", {
    type: "range",
    min: 0,
    step: 1,
    value: 0,
    oninput: () => app.step(slider.value - 1),
  });
  const said = el("h2", { "aria-live": "polite" });
  const list = el("div", {
    class: "scrolled",
    tabindex: 0,
    role: "region",
    "aria-label": "Cells of the row",
  });
  const body = el(
    "div",
    {},
    said,
    field("Rows that stand", slider),
    el(
      "div",
      { class: "actions" },
      button("Back", () => app.step(app.row - 1)),
      button("Next row", () => app.step(app.row + 1), { class: "main" }),
      button("Whole board", () => app.step(-1)),
    ),
    list,
  );
  app.on("open step", () => {
    const { board, row } = app;
    slider.max = board.head.rows;
    slider.value = row + 1;
    said.textContent = row < 0 ? "Assembly" : `Row ${row + 1} of ${board.head.rows}`;
    list.replaceChildren(...(row < 0 ? [hint()] : rowContent(app, row)));
  });
  let stood = -1; // the row to come back to
  return {
    name: "Rows",
    body,
    shown: () => app.step(stood),
    left: () => {
      stood = app.row;
      app.step(-1);
    },
  };
}

const hint = () =>
  el("p", { text: "Begin with Next row: the board grows from its front edge, row by row." });

function rowContent(app, row) {
  const { board } = app;
  const cells = board.labels.flatMap((_, cell) => (board.of.row[cell] === row ? [cell] : []));
  return [
    tick("This row is laid", app.ticks.has(`row ${row + 1}`), (on) =>
      app.ticks.set(`row ${row + 1}`, on),
    ),
    table(
      ["Cell", "Footing", "Spacers, lowest first", "Tile", "Turn"],
      cells.map((cell) => [
        button(board.labels[cell], () => app.choose(cell), { class: "small" }),
        board.footing(cell)?.piece ?? "",
        board.stack(cell).join(" + "),
        board.piece(cell).piece,
        board.of.turn[cell],
      ]),
    ),
  ];
}
