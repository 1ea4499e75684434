// A section along a line between two cells: the built tops as an area, the ground as a line.
import { button, el, field, svg } from "./dom.js";
import { builtProfile, groundProfile } from "./section.js";

const [WIDE, TALL, LEFT, FOOT] = [420, 250, 52, 34];

export function sectionPanel(app) {
  let isShown = false;
  const [from, to] = ["From cell", "To cell"].map((label) =>
    el("input", {
      type: "text",
      "aria-label": label,
      autocapitalize: "characters",
      onchange: draw,
    }),
  );
  const said = el("p", { role: "status" });
  const plot = el("div", { class: "plot" });
  const body = el(
    "div",
    {},
    el("div", { class: "pair" }, field("From cell", from), field("To cell", to)),
    el(
      "div",
      { class: "actions" },
      button("Draw", draw, { class: "main" }),
      button("Pick two cells on the board", pick),
      button("Along the row", () => along("row")),
      button("Along the column", () => along("column")),
    ),
    said,
    plot,
  );

  function pick() {
    said.textContent = "Click the cell where the line begins.";
    app.waiting = (first) => {
      if (first < 0) return pick();
      from.value = app.board.labels[first];
      said.textContent = `From ${from.value}: click the cell where it ends.`;
      app.waiting = (last) => {
        if (last < 0) return pick();
        to.value = app.board.labels[last];
        return draw();
      };
    };
  }

  function along(what) {
    const { board } = app;
    const own = app.chosen >= 0 ? app.chosen : Math.floor(board.n / 2);
    const line = board.labels.flatMap((_, cell) =>
      board.of[what][cell] === board.of[what][own] ? [cell] : [],
    );
    from.value = board.labels[line[0]];
    to.value = board.labels[line.at(-1)];
    draw();
  }

  function draw() {
    const { board } = app;
    const ends = [from, to].map((input) => board.numberOf.get(input.value.trim().toUpperCase()));
    const wrong = [from, to].find((_, k) => ends[k] === undefined);
    if (wrong || ends[0] === ends[1]) {
      said.textContent = wrong
        ? `There is no cell ${wrong.value.trim() || "without a name"}: cells run from ${board.labels[0]} to ${board.labels.at(-1)}.`
        : "Name two different cells.";
      plot.replaceChildren();
      app.view.trace(null);
      return;
    }
    const points = ends.map((cell) => board.middle(cell));
    const built = builtProfile(board, ...points);
    const ground = groundProfile(board, ...points, built);
    plot.replaceChildren(figure(board, built, ground));
    said.textContent = gapWords(board, built, ground);
    const length = built.at(-1)[0];
    if (!isShown) return;
    app.view.trace(
      built.map(([away, steps]) => [
        points[0][0] + (away / length) * (points[1][0] - points[0][0]),
        points[0][1] + (away / length) * (points[1][1] - points[0][1]),
        board.millimetres(steps ?? 0) + 1,
      ]),
    );
  }

  app.on("open", () => {
    if (!app.board.numberOf.has(from.value)) along("row");
    else draw();
  });
  function show(on) {
    isShown = on;
    if (on) draw();
    else app.view.trace(null);
  }
  return { name: "Section", body, shown: () => show(true), left: () => show(false) };
}

function gapWords(board, built, ground) {
  let [gap, where] = [0, built[0][2]];
  built.forEach(([, steps, cell], k) => {
    const under = ground[k][1];
    if (steps === null || under === null || Math.abs(steps - under) <= Math.abs(gap)) return;
    [gap, where] = [steps - under, cell];
  });
  return (
    `Built and ground differ most at ${board.labels[where]}: ${Math.abs(gap * board.head.step_mm).toFixed(1)} mm` +
    ` too ${gap > 0 ? "high" : "low"}. The ground is drawn through the means of the cells.`
  );
}

function figure(board, built, ground) {
  const length = built.at(-1)[0];
  const heights = [...built, ...ground].map(([, steps]) => steps).filter((steps) => steps !== null);
  const [low, high] = [Math.min(0, ...heights), Math.max(1, ...heights)];
  const x = (away) => LEFT + (away / length) * (WIDE - LEFT - 12);
  const y = (steps) => 14 + ((high - steps) / (high - low)) * (TALL - FOOT - 14);
  const path = (points) =>
    points.map(([a, s], k) => `${k ? "L" : "M"}${x(a).toFixed(1)} ${y(s).toFixed(1)}`).join("");
  const tops = built.filter(([, steps]) => steps !== null);
  const every = Math.ceil((high - low) / 6);
  const grid = [];
  for (let level = Math.ceil(low); level <= high; level += every) {
    grid.push(
      svg("line", { x1: LEFT, x2: WIDE - 12, y1: y(level), y2: y(level), class: "grid" }),
      svg("text", {
        x: LEFT - 6,
        y: y(level) + 4,
        "text-anchor": "end",
        text: `${board.metres(level).toFixed(0)} m`,
      }),
    );
  }
  const marks = [];
  let last = -1;
  for (const [away, , cell] of built) {
    if (cell >= 0 && cell !== last && (marks.length === 0 || x(away) - marks.at(-1)[0] > 44))
      marks.push([x(away), board.labels[cell]]);
    last = cell;
  }
  return svg(
    "svg",
    { viewBox: `0 0 ${WIDE} ${TALL}`, role: "img", "aria-label": "Section: built tops and ground" },
    ...grid,
    svg("path", {
      d: `${path(tops)}L${x(tops.at(-1)[0])} ${y(low)}L${x(tops[0][0])} ${y(low)}Z`,
      class: "built",
    }),
    svg("path", { d: path(ground.filter(([, steps]) => steps !== null)), class: "ground" }),
    ...marks.map(([at, label]) => svg("text", { x: at, y: TALL - 16, text: label })),
    svg("rect", { x: LEFT + 6, y: 2, width: 14, height: 8, class: "built" }),
    svg("text", { x: LEFT + 25, y: 11, text: "built" }),
    svg("line", { x1: LEFT + 66, x2: LEFT + 84, y1: 7, y2: 7, class: "ground" }),
    svg("text", { x: LEFT + 89, y: 11, text: "ground" }),
  );
}
