// Triangles of the board: its skin as it stands, and every layer of its stacks as blocks.
// Each vertex has a place in millimetres, a normal, a colour (its fourth channel says whether the
// drape lies on it) and the number of its cell.
import { clipped } from "./data.js";
import { tint } from "./drape.js";

class Triangles {
  constructor() {
    this.places = [];
    this.normals = [];
    this.colours = [];
    this.cells = [];
  }

  // A planar convex polygon, counter-clockwise from outside.
  add(ring, colour, draped, cell) {
    if (ring.length < 3) return;
    const [a, b, c] = [ring[0], ring[1], ring[ring.length - 1]];
    const [u, v] = [b, c].map((point) => point.map((value, k) => value - a[k]));
    const normal = [
      u[1] * v[2] - u[2] * v[1],
      u[2] * v[0] - u[0] * v[2],
      u[0] * v[1] - u[1] * v[0],
    ];
    const length = Math.hypot(...normal) || 1;
    for (let k = 1; k < ring.length - 1; k++) {
      for (const point of [ring[0], ring[k], ring[k + 1]]) {
        // Neighbours round a shared point alike, so that no gap opens between them.
        this.places.push(...point.map((value) => Math.round(value * 128) / 128));
        this.normals.push(...normal.map((value) => Math.round((127 * value) / length)));
        this.colours.push(...colour, draped ? 255 : 0);
        this.cells.push(cell);
      }
    }
  }

  // The wall from a line down to another: where it begins and ends no lower.
  wall(from, to, lowFrom, lowTo, colour, cell) {
    if (from[2] <= lowFrom + 1e-6 && to[2] <= lowTo + 1e-6) return;
    const ring = [];
    if (from[2] >= lowFrom) ring.push([from[0], from[1], lowFrom]);
    if (to[2] >= lowTo) ring.push([to[0], to[1], lowTo]);
    if (to[2] > lowTo) ring.push(to);
    if (from[2] > lowFrom) ring.push(from);
    this.add(ring, colour, false, cell);
  }

  done() {
    return {
      places: new Float32Array(this.places),
      normals: new Int8Array(this.normals),
      colours: new Uint8Array(this.colours),
      cells: new Float32Array(this.cells),
    };
  }
}

const RIM = [176, 168, 146];
const SPACER = [
  [214, 196, 160],
  [196, 176, 138],
];
const FOOTING = [120, 112, 104];
const bytes = (hex) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));

const lifted = (ring, [x, y]) => ring.map(([dx, dy, z]) => [x + dx, y + dy, z]);

// Facets of a top around its cell's centre, in millimetres, as the board keeps them.
function tops(board, cell) {
  return board.facets(cell).map((facet) => {
    const ring = facet.map((corner) => [
      ...board.offset[corner],
      board.millimetres(board.corner(cell, corner)),
    ]);
    return clipped(ring, board.kept(cell));
  });
}

// Sides of a cell as the board keeps them: [side, start, end] with heights, around the centre.
function sides(board, cell) {
  const kept = board.kept(cell);
  return [0, 1, 2, 3, 4, 5].flatMap((side) => {
    const ends = [side, side + 1].map((corner) => {
      const [x, y] = board.offset[corner % 6];
      return [x, y, board.millimetres(board.corner(cell, corner)), corner - side];
    });
    const shown = segment(ends, kept);
    return shown ? [[side, ...shown]] : [];
  });
}

// Keep of a line what lies on the kept side of the cuts; all coordinates are carried along.
function segment(ends, kept) {
  let [from, to] = ends;
  for (const axis of [0, 1]) {
    if (!kept[axis]) continue;
    const [h, t] = [kept[axis] * from[axis], kept[axis] * to[axis]];
    if (h < 1e-6 && t < 1e-6) return null;
    const middle = from.map((value, k) => value + ((to[k] - value) * h) / (h - t));
    if (h < -1e-6) from = middle;
    else if (t < -1e-6) to = middle;
  }
  return [from, to];
}

// Edges of a ring that lie on a cut of the cell.
function cutEdges(ring, kept) {
  return ring.flatMap((here, k) => {
    const there = ring[(k + 1) % ring.length];
    const onCut = [0, 1].some(
      (a) => kept[a] && Math.abs(here[a]) < 1e-3 && Math.abs(there[a]) < 1e-3,
    );
    return onCut ? [[here, there]] : [];
  });
}

// The board as it stands: tops, step faces, and its rim.
export function skin(board) {
  const out = new Triangles();
  const { cliff, water } = board.head.palette;
  const foot = Math.max(0, board.head.base_mm - board.head.step_mm); // a slim rim
  for (let cell = 0; cell < board.n; cell++) {
    const centre = board.centre(cell);
    for (const ring of tops(board, cell)) {
      out.add(lifted(ring, centre), [255, 255, 255], true, cell);
      for (const edge of cutEdges(ring, board.kept(cell))) {
        out.wall(...lifted(edge, centre), foot, foot, RIM, cell);
      }
    }
    for (const [side, from, to] of sides(board, cell)) {
      const other = board.neighbours[6 * cell + side];
      const ends = lifted([from, to], centre);
      if (other < 0) {
        out.wall(...ends, foot, foot, RIM, cell);
        continue;
      }
      const [high, low] = [4, 3].map((k) => board.millimetres(board.corner(other, side + k)));
      const [lowFrom, lowTo] = [from[3], to[3]].map((share) => high + share * (low - high));
      out.wall(...ends, lowFrom, lowTo, bytes(cliff), cell);
      fall(out, board, cell, side, ends, lowFrom, lowTo, bytes(water));
    }
  }
  return out.done();
}

// Water that falls over a step face, a little in front of it.
function fall(out, board, cell, side, [from, to], lowFrom, lowTo, colour) {
  const size = board.of.width[6 * cell + side];
  if (!size || from[2] <= lowFrom + 1e-6 || to[2] <= lowTo + 1e-6) return;
  const half =
    (0.035 * (1 + 0.4 * (size - 1)) * board.flats) / Math.hypot(to[0] - from[0], to[1] - from[1]);
  const at = (share) => from.map((value, k) => value + share * (to[k] - value));
  const [left, right] = [at(0.5 - half), at(0.5 + half)];
  const out2 = [((to[1] - from[1]) * 0.4) / board.flats, (-(to[0] - from[0]) * 0.4) / board.flats];
  for (const end of [left, right]) [end[0], end[1]] = [end[0] + out2[0], end[1] + out2[1]];
  const foot = (lowFrom + lowTo) / 2;
  out.wall([left[0], left[1], left[2]], [right[0], right[1], right[2]], foot, foot, colour, cell);
}

// Every block of the stacks: footings first, then spacers by their place, then tiles.
export function layers(board) {
  const most = Math.max(0, ...board.head.stacks_mm.map((stack) => stack.length));
  const found = Array.from({ length: most + 2 }, () => new Triangles());
  for (let cell = 0; cell < board.n; cell++) {
    const footing = board.footing(cell)?.thickness_mm ?? 0;
    let low = 0;
    if (footing) block(found[0], board, cell, 0, footing, FOOTING);
    low = footing;
    board.stack(cell).forEach((mm, place) => {
      block(found[1 + place], board, cell, low, low + mm, SPACER[place % 2]);
      low += mm;
    });
    tile(found[most + 1], board, cell, low);
  }
  return found.map((triangles) => triangles.done());
}

function block(out, board, cell, low, high, colour) {
  const centre = board.centre(cell);
  const ring = clipped(
    board.offset.map(([x, y]) => [x, y, high]),
    board.kept(cell),
  );
  const top = lifted(ring, centre);
  out.add(top, colour, false, cell);
  top.forEach((here, k) => {
    out.wall(
      here,
      top[(k + 1) % top.length],
      low,
      low,
      colour.map((v) => 0.86 * v),
      cell,
    );
  });
}

function tile(out, board, cell, low) {
  const centre = board.centre(cell);
  const colour = tint(board, board.of.level[cell]);
  const walls = colour.map((value) => 0.86 * value);
  for (const ring of tops(board, cell)) {
    out.add(lifted(ring, centre), [255, 255, 255], true, cell);
    for (const edge of cutEdges(ring, board.kept(cell))) {
      out.wall(...lifted(edge, centre), low, low, walls, cell);
    }
  }
  for (const [, from, to] of sides(board, cell)) {
    out.wall(...lifted([from, to], centre), low, low, walls, cell);
  }
}
