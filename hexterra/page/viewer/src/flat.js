// The board as a flat map that is moved and zoomed: stands in where there is no WebGL.
import { redrape, trace } from "./drape.js";
import { HIDDEN, STATES } from "./states.js";

export class Flat {
  constructor(holder, canvasOf) {
    this.canvas = document.createElement("canvas");
    this.canvas.className = "flat";
    holder.append(this.canvas);
    this.drapeOf = canvasOf;
    this.pen = this.canvas.getContext("2d");
    this.fingers = new Map();
    this.canvas.addEventListener("pointerdown", (event) => this.#down(event));
    this.canvas.addEventListener("pointermove", (event) => this.#move(event));
    for (const name of ["pointerup", "pointercancel"]) {
      this.canvas.addEventListener(name, (event) => this.fingers.delete(event.pointerId));
    }
    this.canvas.addEventListener(
      "wheel",
      (event) => {
        event.preventDefault();
        this.zoomAt(event.offsetX, event.offsetY, Math.exp(-event.deltaY / 500));
      },
      { passive: false },
    );
    new ResizeObserver(() => this.fit(holder)).observe(holder);
  }

  show(board, { keepView = false } = {}) {
    this.board = board;
    this.cloth = this.drapeOf(board);
    this.states = new Uint8Array(board.n);
    this.line = null;
    if (!keepView) this.home();
    this.draw();
  }

  paint(states) {
    this.states = states;
    this.draw();
  }

  redrape(shown) {
    redrape(this.cloth, this.board, shown);
    this.draw();
  }

  trace(points) {
    this.line = points;
    this.draw();
  }

  // A flat map has no height and no layers to take apart.
  stretch() {}
  explode() {}

  home() {
    const [width, depth] = this.board.head.size_mm;
    const { clientWidth: w, clientHeight: h } = this.canvas;
    this.scale = 0.94 * Math.min(w / width, h / depth) || 1;
    this.left = (w - this.scale * width) / 2;
    this.top = (h - this.scale * depth) / 2;
    this.draw();
  }

  look() {
    this.home();
  }

  nudge(_, zoom) {
    this.zoomAt(this.canvas.clientWidth / 2, this.canvas.clientHeight / 2, zoom);
  }

  zoomAt(x, y, zoom) {
    this.scale *= zoom;
    this.left = x - (x - this.left) * zoom;
    this.top = y - (y - this.top) * zoom;
    this.draw();
  }

  pick(x, y) {
    const box = this.canvas.getBoundingClientRect();
    const depth = this.board.head.size_mm[1];
    const cell = this.board.cellAt(
      (x - box.left - this.left) / this.scale,
      depth - (y - box.top - this.top) / this.scale,
    );
    return cell >= 0 && this.states[cell] === HIDDEN ? -1 : cell;
  }

  where(cell) {
    const [x, y] = this.board.middle(cell);
    const box = this.canvas.getBoundingClientRect();
    const depth = this.board.head.size_mm[1];
    return [box.left + this.left + x * this.scale, box.top + this.top + (depth - y) * this.scale];
  }

  fit(holder) {
    const { clientWidth: width, clientHeight: height } = holder;
    if (!width || !height) return;
    this.ratio = Math.min(devicePixelRatio, 2);
    this.canvas.width = width * this.ratio;
    this.canvas.height = height * this.ratio;
    if (this.board) this.home();
  }

  draw() {
    if (this.asked || !this.board) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      this.#draw();
    });
  }

  #draw() {
    const { pen, board, scale, ratio = 1 } = this;
    const [width, depth] = board.head.size_mm;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    pen.drawImage(this.cloth, this.left, this.top, width * scale, depth * scale);
    pen.setTransform(
      ratio * scale,
      0,
      0,
      -ratio * scale,
      ratio * this.left,
      ratio * (this.top + depth * scale),
    );
    STATES.forEach(({ look: [r, g, b, share] }, state) => {
      if (!share && state !== HIDDEN) return;
      pen.beginPath();
      for (let cell = 0; cell < board.n; cell++) {
        if (this.states[cell] === state) trace(pen, board, cell);
      }
      const hides = state === HIDDEN;
      pen.globalCompositeOperation = hides ? "destination-out" : "source-over";
      pen.fillStyle = `rgb(${255 * r} ${255 * g} ${255 * b} / ${hides ? 0.85 : share})`;
      pen.fill();
    });
    pen.globalCompositeOperation = "source-over";
    if (!this.line) return;
    pen.strokeStyle = "#b3261e";
    pen.lineWidth = 2.5 / scale;
    pen.beginPath();
    this.line.forEach(([x, y], k) => pen[k ? "lineTo" : "moveTo"](x, y));
    pen.stroke();
  }

  #down(event) {
    this.canvas.setPointerCapture(event.pointerId);
    this.fingers.set(event.pointerId, [event.offsetX, event.offsetY]);
  }

  #move(event) {
    const before = this.fingers.get(event.pointerId);
    if (!before) return;
    const now = [event.offsetX, event.offsetY];
    const other = [...this.fingers].find(([id]) => id !== event.pointerId)?.[1];
    if (other) {
      const far = (point) => Math.hypot(point[0] - other[0], point[1] - other[1]) || 1;
      this.zoomAt(...other, far(now) / far(before));
    } else {
      this.left += now[0] - before[0];
      this.top += now[1] - before[1];
      this.draw();
    }
    this.fingers.set(event.pointerId, now);
  }
}
