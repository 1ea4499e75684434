// What mouse, finger and keyboard do on the board.

const STILL = 6; // pixels that a finger may move and still click

export function listen(app, stage, status) {
  let down = null;
  let asked = false;
  stage.addEventListener("pointerdown", (event) => {
    down =
      event.target.tagName === "CANVAS" && event.isPrimary ? [event.clientX, event.clientY] : null;
  });
  stage.addEventListener("pointerup", (event) => {
    if (!down || Math.hypot(event.clientX - down[0], event.clientY - down[1]) > STILL) return;
    down = null;
    app.choose(app.view.pick(event.clientX, event.clientY));
  });
  stage.addEventListener("pointermove", (event) => {
    if (asked || event.buttons || event.target.tagName !== "CANVAS") return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      const cell = app.view.pick(event.clientX, event.clientY);
      status.textContent = cell < 0 ? "" : cellWords(app.board, cell);
    });
  });
  app.on("choose", () => {
    status.textContent = app.chosen < 0 ? "" : cellWords(app.board, app.chosen);
  });
  stage.addEventListener("pointerleave", () => {
    status.textContent = "";
  });
  stage.addEventListener("keydown", (event) => {
    if (event.target !== stage && event.target.tagName !== "CANVAS") return;
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const act = keyed(app, event);
    if (!act) return;
    event.preventDefault();
    act();
  });
}

function keyed(app, { key, shiftKey }) {
  const turns = {
    ArrowLeft: [-0.13, 1],
    ArrowRight: [0.13, 1],
    ArrowUp: [0, 1.15],
    ArrowDown: [0, 0.87],
  };
  const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
  if (shiftKey && turns[key]) return () => app.view.nudge(...turns[key]);
  if (steps[key]) return () => app.choose(next(app, ...steps[key]));
  return {
    "+": () => app.view.nudge(0, 1.2),
    "=": () => app.view.nudge(0, 1.2),
    "-": () => app.view.nudge(0, 1 / 1.2),
    Home: () => app.view.home(),
    Escape: () => {
      app.waiting = null;
      if (app.piece >= 0) app.filter(-1);
      app.choose(-1);
    },
    n: () => app.step(app.row + 1),
    b: () => app.swap(),
  }[key];
}

// The cell beside the chosen one; the first if none is chosen.
function next(app, columns, rows) {
  const { board, chosen } = app;
  if (chosen < 0) return 0;
  const [column, row] = [board.of.column[chosen] + columns, board.of.row[chosen] + rows];
  const cell = board.labels.findIndex(
    (_, k) => board.of.column[k] === column && board.of.row[k] === row,
  );
  return cell < 0 ? chosen : cell;
}

function cellWords(board, cell) {
  const { head, of } = board;
  const words = [
    `Cell ${board.labels[cell]}`,
    `level ${of.level[cell]}`,
    head.patterns[of.pattern[cell]],
  ];
  if (of.water[cell]) words.push(head.water_kinds[of.water[cell]]);
  if (of.cover[cell] >= 0) words.push(head.cover_kinds[of.cover[cell]]);
  return words.join(" · ");
}
