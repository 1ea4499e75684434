// The chosen cell: its stack from the table up, its piece and turn, and where the piece is again.
import { clipped } from "./data.js";
import { button, el, field, plural, svg, table } from "./dom.js";
import { rgb, tint } from "./drape.js";

export function cellPanel(app) {
  const body = el("div", { class: "cell-panel" });
  app.on("open choose look", () => {
    const hadFocus = body.contains(document.activeElement);
    body.replaceChildren(...content(app));
    if (hadFocus) body.firstElementChild.focus(); // what had it is gone
  });
  return { name: "Cell", body };
}

function content(app) {
  const { board, chosen } = app;
  if (chosen < 0) {
    return [
      el("p", {
        text: "Click a cell, or type its name above, to see its stack and its piece.",
        tabindex: -1,
      }),
    ];
  }
  const piece = board.piece(chosen);
  const footing = board.footing(chosen);
  const stack = board.stack(chosen);
  const layers = [
    ["tile", piece.piece, piece.thickness_mm],
    ...stack.map((mm) => ["spacer", piece.part, mm]).reverse(),
    ...(footing ? [["footing", footing.piece, footing.thickness_mm]] : []),
  ];
  const beside = app.neighboursOf(chosen).filter((cell) => board.piece(cell) === piece);
  const users = app.usersOf(board.of.piece[chosen]);
  return [
    el("h2", { text: `Cell ${board.labels[chosen]}`, tabindex: -1 }),
    facts(app, chosen),
    table(
      ["Layer", "Piece", "mm"],
      layers.map(([kind, name, mm]) => [kind, name, mm.toFixed(1)]),
      "Stack, from the top down",
    ),
    el(
      "div",
      { class: "turn" },
      hexagon(board, chosen),
      el("strong", { text: turnWords(board, chosen) }),
    ),
    el(
      "div",
      { class: "actions" },
      button("Show only this piece", () => app.filter(board.of.piece[chosen])),
      app.eye < 0
        ? button("What is seen from here", () => app.look(chosen))
        : button("Stop shading what is unseen", () => app.look(-1)),
      button("Clear", () => app.choose(-1)),
    ),
    ...(app.eye < 0 ? [] : seen(app)),
    el("h3", { text: "Neighbours of the same piece" }),
    beside.length ? cellButtons(app, beside) : el("p", { text: "None." }),
    el("h3", { text: `The same piece: ${plural(users.length, "cell")}` }),
    cellButtons(app, users),
  ];
}

function turnWords(board, cell) {
  const turn = board.of.turn[cell];
  if (!turn) return "Not turned.";
  return `Turned by ${plural(turn, "side")} counter-clockwise (${60 * turn}°).`;
}

// The tile as it lies, the front edge below: facets, heights of its corners over its lowest one, and
// a wedge at corner 0 of its pattern.
function hexagon(board, cell) {
  const size = 100 / board.flats;
  const kept = board.kept(cell);
  const rises = board.offset.map((_, corner) => board.corner(cell, corner) - board.of.level[cell]);
  const at = ([x, y], share = 1) => [share * size * x, -share * size * y];
  const ring = (points) => points.map((point) => point.join(" ")).join(", ");
  const facets = board.facets(cell).map((facet) => {
    const mean = facet.reduce((sum, corner) => sum + rises[corner], 0) / facet.length;
    const points = clipped(
      facet.map((corner) => board.offset[corner]),
      kept,
    ).map((point) => at(point));
    const fill = rgb(tint(board, board.of.level[cell] + mean));
    return svg("polygon", { points: ring(points), fill, class: "facet" });
  });
  const numbers = board.offset.flatMap((point, corner) => {
    if (point.some((along, axis) => kept[axis] * along < -1e-3)) return [];
    const [x, y] = at(point, 0.62);
    return [svg("text", { x, y: y + 5, "text-anchor": "middle", text: rises[corner] })];
  });
  const [x, y] = board.offset[board.of.turn[cell]];
  const wedge = [
    at([x, y], 0.98),
    at([x - 0.1 * y, y + 0.1 * x], 0.76),
    at([x + 0.1 * y, y - 0.1 * x], 0.76),
  ];
  const isWhole = !kept[0] && !kept[1];
  return svg(
    "svg",
    {
      viewBox: "-62 -62 124 124",
      role: "img",
      "aria-label": `Heights of corners 0 to 5: ${rises.join(" ")}`,
    },
    ...facets,
    ...numbers,
    isWhole && Math.max(...rises) ? svg("polygon", { points: ring(wedge), class: "wedge" }) : null,
  );
}

function facts(app, cell) {
  const { board } = app;
  const { head, of } = board;
  const ways = head.ways.filter((way) => way.cells.includes(cell)).map((way) => way.name);
  const rows = [
    ["Level", `${of.level[cell]}, ground at ${of.ground_m[cell].toFixed(0)} m`],
    ["Pattern", head.patterns[of.pattern[cell]]],
    [
      "Water",
      of.water[cell]
        ? [head.water_kinds[of.water[cell]], head.crossings[of.crossing[cell]]]
            .filter(Boolean)
            .join(", ")
        : "",
    ],
    ["Roads", head.road_kinds.filter((_, k) => of.roads[k * board.n + cell]).join(", ")],
    ["Ground", head.cover_kinds[of.cover[cell]] ?? ""],
    ["Names", [...new Set(ways)].join(", ")],
  ].filter(([, words]) => words);
  return el(
    "dl",
    {},
    ...rows.flatMap(([name, words]) => [el("dt", { text: name }), el("dd", { text: words })]),
  );
}

function seen(app) {
  const n = app.seen.reduce((sum, sees) => sum + sees, 0);
  const input = el("input", {
    type: "number",
    min: 0,
    step: "any",
    value: app.eyes,
    inputmode: "decimal",
    onchange: () => app.look(app.eye, Math.max(0, Number(input.value) || 0)),
  });
  return [
    field("Height of the eyes above the top, in metres of ground", input),
    el("p", {
      text:
        `They see ${plural(n, "cell")} of ${app.board.n.toLocaleString("en")}: what stands` +
        ` ${app.board.head.target_m} m tall in the middle. The others are shaded.`,
    }),
  ];
}

export function cellButtons(app, cells, most = 60) {
  const shown = cells
    .slice(0, most)
    .map((cell) => button(app.board.labels[cell], () => app.choose(cell), { class: "small" }));
  const rest = cells.length - most;
  return el(
    "div",
    { class: "cells" },
    ...shown,
    rest > 0 ? el("span", { text: `and ${rest} more` }) : null,
  );
}
