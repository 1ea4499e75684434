// A packed plan -> a Board: the words and typed arrays of the plan, and what geometry needs of them.
// Lengths are millimetres on the bench, x to the right and y away from the front edge; heights of
// tops are steps above level 0. Sides and corners run 0 to 5 counter-clockwise.

const KINDS = {
  float32: Float32Array,
  int8: Int8Array,
  int16: Int16Array,
  uint8: Uint8Array,
  uint16: Uint16Array,
};
const FORMAT = 1;

export async function unpack(text) {
  const bytes = Uint8Array.from(atob(text.trim()), (letter) => letter.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  const buffer = await new Response(stream).arrayBuffer();
  const start = 4 + new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, start - 4)));
  if (header.format !== FORMAT) throw new Error(`a plan of format ${header.format} cannot be read`);
  const arrays = {};
  for (const [name, [kind, offset, ...shape]] of Object.entries(header.arrays)) {
    const size = shape.reduce((product, length) => product * length, 1);
    arrays[name] = new KINDS[kind](buffer, start + offset, size);
  }
  const digest = new Uint8Array(await hash(buffer.slice(start))); // whatever the plan is called
  const id = [...digest.subarray(0, 8)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return new Board(header, arrays, id);
}

// Names what is kept about a plan in the browser; not every page from disk has crypto.subtle.
async function hash(buffer) {
  if (globalThis.crypto?.subtle) return crypto.subtle.digest("SHA-256", buffer);
  let state = 0xcbf29ce484222325n;
  for (const byte of new Uint8Array(buffer)) {
    state = BigInt.asUintN(64, (state ^ BigInt(byte)) * 0x100000001b3n);
  }
  const out = new DataView(new ArrayBuffer(8));
  out.setBigUint64(0, state);
  return out.buffer;
}

export class Board {
  constructor(header, arrays, id) {
    Object.assign(this, { head: header, id, of: arrays });
    this.labels = header.labels.split(" ");
    this.n = this.labels.length;
    this.flats = header.across_flats_mm;
    this.top = header.level_m.length - 1;
    this.numberOf = new Map(this.labels.map((label, cell) => [label, cell]));
    const radius = this.flats / Math.sqrt(3);
    this.offset = [0, 1, 2, 3, 4, 5].map((corner) => {
      const angle = ((header.corner0_deg + 60 * corner) * Math.PI) / 180;
      return [radius * Math.cos(angle), radius * Math.sin(angle)];
    });
    this.planes = header.shapes.map((shape) => shape.facets.map((f) => this.#plane(shape, f)));
    this.buckets = new Map();
    for (let cell = 0; cell < this.n; cell++) {
      const key = this.#bucket(...this.centre(cell));
      if (!this.buckets.has(key)) this.buckets.set(key, []);
      this.buckets.get(key).push(cell);
    }
    this.neighbours = this.#neighbours();
  }

  centre(cell) {
    return [this.of.centre_mm[2 * cell], this.of.centre_mm[2 * cell + 1]];
  }

  // Which half or quarter a straight edge leaves: the sign of x and of y that stays, 0 for both.
  kept(cell) {
    return [this.of.kept[2 * cell], this.of.kept[2 * cell + 1]];
  }

  // Middle of what the board keeps of a cell.
  middle(cell) {
    const [x, y] = this.centre(cell);
    const [keptX, keptY] = this.kept(cell);
    const reach = (axis) => Math.max(...this.offset.map((point) => point[axis]));
    return [x + (keptX * reach(0)) / 2, y + (keptY * reach(1)) / 2];
  }

  // Middle of a side of the whole hexagon.
  port(cell, side) {
    const [x, y] = this.centre(cell);
    const [one, two] = [this.offset[side], this.offset[(side + 1) % 6]];
    return [x + (one[0] + two[0]) / 2, y + (one[1] + two[1]) / 2];
  }

  corner(cell, corner) {
    return this.of.level[cell] + this.head.shapes[this.of.shape[cell]].rises[corner % 6];
  }

  facets(cell) {
    return this.head.shapes[this.of.shape[cell]].facets;
  }

  piece(cell) {
    return this.head.pieces[this.of.piece[cell]];
  }

  stack(cell) {
    return this.head.stacks_mm[this.of.level[cell]];
  }

  footing(cell) {
    return this.head.pieces[this.of.footing[cell]] ?? null;
  }

  // Ground height that a built height stands for, in metres.
  metres(steps) {
    const table = this.head.level_m;
    if (table.length < 2) return table[0];
    const low = Math.min(Math.max(Math.floor(steps), 0), table.length - 2);
    return table[low] + (steps - low) * (table[low + 1] - table[low]);
  }

  // Height above the table, in millimetres.
  millimetres(steps) {
    return this.head.base_mm + steps * this.head.step_mm;
  }

  cellAt(x, y) {
    const near = this.#near(x, y);
    const half = this.flats / 2 + 1e-6 * this.flats;
    if (near < 0) return -1;
    const [cx, cy] = this.centre(near);
    const [keptX, keptY] = this.kept(near);
    const [dx, dy] = [x - cx, y - cy];
    if (keptX * dx < -1e-3 || keptY * dy < -1e-3) return -1;
    for (let side = 0; side < 6; side++) {
      const [px, py] = this.port(near, side);
      if (((px - cx) * dx + (py - cy) * dy) / (this.flats / 2) > half) return -1;
    }
    return near;
  }

  // Height of the built top of a cell at a point, in steps.
  heightAt(cell, x, y) {
    const [cx, cy] = this.centre(cell);
    const [dx, dy] = [x - cx, y - cy];
    const facets = this.facets(cell);
    const planes = this.planes[this.of.shape[cell]];
    let best = 0;
    let deepest = -Infinity;
    for (let number = 0; number < facets.length && facets.length > 1; number++) {
      const depth = this.#depth(facets[number], dx, dy);
      if (depth > deepest) [deepest, best] = [depth, number];
    }
    const [a, b, c] = planes[best];
    return this.of.level[cell] + a * dx + b * dy + c;
  }

  // How far inside a convex facet a point lies.
  #depth(facet, x, y) {
    let least = Infinity;
    for (let k = 0; k < facet.length; k++) {
      const [ax, ay] = this.offset[facet[k]];
      const [bx, by] = this.offset[facet[(k + 1) % facet.length]];
      const length = Math.hypot(bx - ax, by - ay);
      least = Math.min(least, ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) / length);
    }
    return least;
  }

  #plane(shape, facet) {
    const [p, q, r] = facet.slice(0, 3).map((corner) => this.offset[corner]);
    const [h, i, j] = facet.slice(0, 3).map((corner) => shape.rises[corner]);
    const twice = (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]);
    const a = ((i - h) * (r[1] - p[1]) - (j - h) * (q[1] - p[1])) / twice;
    const b = ((j - h) * (q[0] - p[0]) - (i - h) * (r[0] - p[0])) / twice;
    return [a, b, h - a * p[0] - b * p[1]];
  }

  #bucket(x, y) {
    return Math.floor(x / this.flats + 4) * 65536 + Math.floor(y / this.flats + 4);
  }

  #near(x, y) {
    let best = -1;
    let least = Infinity;
    for (const dx of [-1, 0, 1]) {
      for (const dy of [-1, 0, 1]) {
        const key = this.#bucket(x + dx * this.flats, y + dy * this.flats);
        for (const cell of this.buckets.get(key) ?? []) {
          const [cx, cy] = this.centre(cell);
          const far = (x - cx) ** 2 + (y - cy) ** 2;
          if (far < least) [least, best] = [far, cell];
        }
      }
    }
    return best;
  }

  #neighbours() {
    const found = new Int32Array(6 * this.n).fill(-1);
    for (let cell = 0; cell < this.n; cell++) {
      const [x, y] = this.centre(cell);
      for (let side = 0; side < 6; side++) {
        const [px, py] = this.port(cell, side);
        const [tx, ty] = [2 * px - x, 2 * py - y];
        const other = this.#near(tx, ty);
        if (other < 0) continue;
        const [ox, oy] = this.centre(other);
        if (Math.hypot(ox - tx, oy - ty) < 0.1 * this.flats) found[6 * cell + side] = other;
      }
    }
    return found;
  }
}

// Keep of a convex ring of points around a hexagon's middle what lies on the kept side of its cuts;
// points are [x, y, ...] and all coordinates are carried along.
export function clipped(ring, kept) {
  let points = ring;
  for (const axis of [0, 1]) {
    const sign = kept[axis];
    if (!sign) continue;
    points = points.flatMap((here, k) => {
      const there = points[(k + 1) % points.length];
      const [h, t] = [sign * here[axis], sign * there[axis]];
      const out = h > -1e-6 ? [here] : [];
      if (Math.min(h, t) < -1e-6 && Math.max(h, t) > 1e-6) {
        out.push(here.map((value, i) => value + ((there[i] - value) * h) / (h - t)));
      }
      return out;
    });
  }
  return points;
}

// Which sides of a cell are marked in a byte.
export function sidesOf(bits) {
  return [0, 1, 2, 3, 4, 5].filter((side) => (bits >> side) & 1);
}
