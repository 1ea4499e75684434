// All pieces to make, as a table that is sorted, searched, shown on the board and ticked off.
import { button, el, field, plural } from "./dom.js";

const COLUMNS = [
  { name: "Done", of: (row) => (row.done ? 1 : 0) },
  { name: "Kind", of: (row) => row.kind },
  { name: "Piece", of: (row) => row.piece },
  { name: "mm", of: (row) => row.thickness_mm ?? 0 },
  { name: "Count", of: (row) => row.count },
];

export function piecesPanel(app) {
  let sorted = null;
  let falling = false;
  const words = el("input", { type: "search", oninput: draw, "aria-label": "Find a piece" });
  const said = el("p", { class: "progress", role: "status" });
  const showing = el("div", { class: "showing" });
  const heads = COLUMNS.map((column, k) =>
    el(
      "th",
      { scope: "col" },
      button(column.name, () => sort(k)),
    ),
  );
  const rows = el("tbody");
  const body = el(
    "div",
    {},
    el("h2", { text: "Pieces" }),
    field("Find a piece", words),
    showing,
    said,
    el(
      "div",
      { class: "scrolled", tabindex: 0, role: "region", "aria-label": "Table of pieces" },
      el("table", { class: "pieces" }, el("thead", {}, el("tr", {}, ...heads)), rows),
    ),
    el("h3", { text: "Tables to keep" }),
    el(
      "div",
      { class: "actions" },
      ...["tiles.csv", "schedule.csv", "stock.csv"].map((name) => download(app, name)),
    ),
  );

  function sort(column) {
    falling = sorted === column && !falling;
    sorted = column;
    draw();
  }

  function list() {
    const found = app.board.head.pieces.map((piece, number) => ({
      ...piece,
      number,
      done: app.ticks.has(piece.kind + " " + piece.piece),
    }));
    const wanted = words.value.trim().toLowerCase();
    const kept = found.filter((row) => `${row.kind} ${row.piece}`.toLowerCase().includes(wanted));
    if (sorted === null) return kept;
    const { of } = COLUMNS[sorted];
    const sign = falling ? -1 : 1;
    return kept.sort((a, b) => {
      const [x, y] = [of(a), of(b)];
      return (
        sign * (typeof x === "string" ? x.localeCompare(y, "en") : x - y) || a.number - b.number
      );
    });
  }

  function draw() {
    heads.forEach((head, k) => {
      head.setAttribute("aria-sort", k !== sorted ? "none" : falling ? "descending" : "ascending");
    });
    const focused = document.activeElement?.dataset.piece;
    rows.replaceChildren(...list().map(line));
    if (focused) rows.querySelector(`[data-piece="${focused}"]`)?.focus();
    progress();
    const piece = app.board.head.pieces[app.piece];
    showing.replaceChildren(
      ...(piece
        ? [
            el("span", { text: `On the board: ${piece.piece}` }),
            button("Show all", () => app.filter(-1)),
          ]
        : []),
    );
  }

  function line(row) {
    const box = el("input", {
      type: "checkbox",
      checked: row.done,
      "aria-label": `Done: ${row.kind} ${row.piece}`,
      onchange: () => {
        app.ticks.set(row.kind + " " + row.piece, box.checked);
        progress();
      },
    });
    const isShown = app.piece === row.number;
    return el(
      "tr",
      { class: isShown ? "current" : null },
      el("td", {}, el("label", { class: "box" }, box)),
      el("td", { text: row.kind }),
      el(
        "td",
        {},
        button(row.piece, () => app.filter(isShown ? -1 : row.number), {
          class: "link",
          "aria-pressed": String(isShown),
          title: "Show on the board",
          "data-piece": row.number,
        }),
      ),
      el("td", {
        class: "number",
        text: row.thickness_mm === undefined ? "" : row.thickness_mm.toFixed(1),
      }),
      el("td", { class: "number", text: row.count }),
    );
  }

  function progress() {
    const { pieces } = app.board.head;
    const done = pieces.filter((piece) => app.ticks.has(piece.kind + " " + piece.piece));
    const kept = app.ticks.kept ? "" : " This browser does not keep ticks when the page is closed.";
    said.textContent = `${done.length} of ${plural(pieces.length, "line")} done.${kept}`;
  }

  app.on("open filter", draw);
  return { name: "Pieces", body };
}

function download(app, name) {
  const made = button(name, () => {
    const link = el("a", {
      download: name,
      href: URL.createObjectURL(new Blob([app.board.of[name]], { type: "text/csv" })),
    });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  });
  app.on("open", () => {
    made.hidden = !app.board.of[name];
  });
  return made;
}
