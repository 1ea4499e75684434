// What is shown: which plan, which cell, what of it. Panels change it here and hear of changes.
import { drape, LAYERS } from "./drape.js";
import { Flat } from "./flat.js";
import { Relief } from "./scene.js";
import { groundAt, seenFrom } from "./section.js";
import { CHANGED, CHOSEN, FAINT, HIDDEN, LIKE, NEAR, NEXT, PLAIN, UNSEEN } from "./states.js";
import { Ticks } from "./ticks.js";

function hasWebGL() {
  const context = document.createElement("canvas").getContext("webgl2");
  context?.getExtension("WEBGL_lose_context")?.loseContext();
  return Boolean(context);
}

export class App extends EventTarget {
  constructor(plans, stage) {
    super();
    Object.assign(this, { plans, stage, number: 0, chosen: -1, piece: -1, row: -1, eye: -1 });
    this.against = -1; // number of the plan that is compared
    this.marksChanges = true;
    this.shown = new Set(LAYERS);
    this.taller = 1;
    this.apart = 0;
    this.waiting = null; // takes the next cell that is clicked
    const canvasOf = (board) => drape(board, this.shown);
    this.views = {};
    if (hasWebGL()) this.views.relief = new Relief(this.#holder("relief"), canvasOf);
    this.views.flat = new Flat(this.#holder("flat"), canvasOf);
    this.kind = this.views.relief ? "relief" : "flat";
  }

  get board() {
    return this.plans[this.number];
  }

  get view() {
    return this.views[this.kind];
  }

  // Plans of the same board, cell by cell.
  get rivals() {
    const same = (one, two) =>
      one.head.labels === two.head.labels &&
      one.flats === two.flats &&
      one.head.facing === two.head.facing;
    return this.plans.flatMap((plan, k) =>
      k !== this.number && same(plan, this.board) ? [k] : [],
    );
  }

  open(number, { keepView = false } = {}) {
    const stays = keepView ? this.chosen : -1;
    if (!keepView) this.against = -1;
    Object.assign(this, { number, chosen: stays, piece: -1, eye: -1 });
    if (!keepView) this.row = -1;
    this.ticks = new Ticks(this.board.id);
    this.eyes = this.board.head.eye_m;
    const [width, depth] = this.board.head.size_mm;
    if (!keepView) {
      const relief = Math.max(1, this.board.top * this.board.head.step_mm);
      const wanted = (0.1 * Math.max(width, depth)) / relief;
      this.taller = Math.min(5, Math.max(1, Math.round(2 * wanted) / 2));
    }
    this.#showBoard(keepView);
    this.tell("open");
  }

  use(kind) {
    if (!this.views[kind] || kind === this.kind) return;
    this.kind = kind;
    this.#showBoard(false);
    this.tell("view");
  }

  choose(cell) {
    if (this.waiting) {
      const take = this.waiting;
      this.waiting = null;
      take(cell);
      return;
    }
    this.chosen = cell;
    if (this.eye >= 0) this.look(cell);
    this.repaint();
    this.tell("choose");
  }

  filter(piece) {
    this.piece = piece;
    this.repaint();
    this.tell("filter");
  }

  // Shade what is not seen from a cell, by eyes so high above its top; -1 for no cell.
  look(eye, eyes = this.eyes) {
    Object.assign(this, { eye, eyes });
    this.seen = eye < 0 ? null : seenFrom(this.board, eye, eyes);
    this.repaint();
    this.tell("look");
  }

  step(row) {
    this.row = Math.min(Math.max(row, -1), this.board.head.rows - 1);
    this.repaint();
    this.tell("step");
  }

  compare(against) {
    this.against = against;
    this.repaint();
    this.tell("compare");
  }

  swap() {
    if (this.against < 0) return;
    const against = this.number;
    this.open(this.against, { keepView: true });
    this.compare(against);
  }

  layer(name, on) {
    if (on) this.shown.add(name);
    else this.shown.delete(name);
    this.view.redrape(this.shown);
  }

  // Cells in which a piece stands, or on which a job of finishing is done.
  usersOf(number) {
    const { board } = this;
    const piece = board.head.pieces[number];
    const tests = {
      tile: (cell) => board.of.piece[cell] === number,
      footing: (cell) => board.of.footing[cell] === number,
      spacer: (cell) =>
        board.piece(cell).part === piece.part && board.stack(cell).includes(piece.thickness_mm),
      finish: (cell) => this.#jobsOf(cell).includes(piece.piece),
    };
    return board.labels.flatMap((_, cell) => (tests[piece.kind](cell) ? [cell] : []));
  }

  // Jobs of finishing in a cell, by the names that the schedule gives them.
  #jobsOf(cell) {
    const { head, of, n } = this.board;
    const jobs = [head.cover_kinds[of.cover[cell]]];
    head.road_kinds.forEach((kind, k) => {
      const ports = of.roads[k * n + cell];
      if (ports & of.sunken[cell]) jobs.push(`${kind}, sunken`);
      if (ports & ~of.sunken[cell]) jobs.push(`${kind}, laid on top`);
    });
    const widest = Math.max(...of.width.subarray(6 * cell, 6 * cell + 6));
    const how = ["", "ford", "bridge"][of.over_water[cell]];
    if (how) jobs.push(`${how}, water of width ${widest}`);
    return jobs;
  }

  // Ground height at a point of the board, in steps; null beside it.
  groundAt(x, y) {
    return groundAt(this.board, x, y);
  }

  // Cells that another plan builds in another way.
  changes() {
    if (this.against < 0) return [];
    const [one, two] = [this.board, this.plans[this.against]];
    return one.labels.flatMap((_, cell) => {
      const what = [];
      if (one.of.level[cell] !== two.of.level[cell]) what.push("level");
      if (one.piece(cell).piece !== two.piece(cell).piece) what.push("piece");
      else if (one.of.turn[cell] !== two.of.turn[cell]) what.push("turn");
      if (one.stack(cell).join() !== two.stack(cell).join()) what.push("stack");
      return what.length ? [{ cell, what }] : [];
    });
  }

  repaint() {
    this.view.paint(this.states());
  }

  states() {
    const { board } = this;
    const states = new Uint8Array(board.n).fill(PLAIN);
    if (this.against >= 0 && this.marksChanges) {
      for (const { cell } of this.changes()) states[cell] = CHANGED;
    }
    if (this.piece >= 0) {
      states.fill(FAINT);
      for (const cell of this.usersOf(this.piece)) states[cell] = LIKE;
    } else if (this.eye >= 0 && this.row < 0) {
      this.seen.forEach((sees, cell) => {
        if (!sees) states[cell] = UNSEEN;
      });
    } else if (this.chosen >= 0 && this.row < 0) {
      const beside = this.neighboursOf(this.chosen);
      for (let cell = 0; cell < board.n; cell++) {
        if (board.of.piece[cell] !== board.of.piece[this.chosen]) continue;
        states[cell] = beside.includes(cell) ? NEAR : LIKE;
      }
    }
    if (this.row >= 0) {
      for (let cell = 0; cell < board.n; cell++) {
        if (board.of.row[cell] > this.row) states[cell] = HIDDEN;
        else if (board.of.row[cell] === this.row) states[cell] = NEXT;
      }
    }
    if (this.chosen >= 0 && states[this.chosen] !== HIDDEN) states[this.chosen] = CHOSEN;
    return states;
  }

  neighboursOf(cell) {
    return [...this.board.neighbours.subarray(6 * cell, 6 * cell + 6)].filter(
      (other) => other >= 0,
    );
  }

  tell(name) {
    this.dispatchEvent(new Event(name));
    this.dispatchEvent(new Event("change"));
  }

  on(names, act) {
    for (const name of names.split(" ")) this.addEventListener(name, act);
  }

  #holder(name) {
    const holder = document.createElement("div");
    holder.className = `holder ${name}-holder`;
    this.stage.append(holder);
    return holder;
  }

  #showBoard(keepView) {
    for (const [kind, view] of Object.entries(this.views)) {
      const holder = view.canvas.parentElement;
      holder.hidden = kind !== this.kind;
      if (!holder.hidden) view.fit(holder);
    }
    const { view } = this;
    view.taller = this.taller;
    view.show(this.board, { keepView });
    view.explode(this.apart);
    this.repaint();
  }
}
