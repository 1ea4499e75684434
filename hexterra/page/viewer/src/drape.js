// The board seen from straight above on a canvas: the flat map, the print, and the cloth that the
// relief wears. What lies on the ground is drawn here only, in the colours of the map of a plan.
import { clipped, sidesOf } from "./data.js";

export const LAYERS = ["water", "roads", "cover", "cliffs", "outlines", "names"];
const DASHES = [[], [0.14, 0.05], [0.05, 0.05], [0.14, 0.04, 0.04, 0.04]];
const MOST_PIXELS = 4096;
const AT_ONCE = 32; // faces to a path

// Colour of a height, in steps, as [r, g, b]; lightness grows with height.
export function tint(board, steps) {
  const stops = board.head.palette.tints;
  const share = Math.min(Math.max(steps / Math.max(board.top, 1), 0), 1) * (stops.length - 1);
  const low = Math.min(Math.floor(share), stops.length - 2);
  return stops[low].map((from, k) => Math.round(from + (stops[low + 1][k] - from) * (share - low)));
}

export const rgb = (colour) => `rgb(${colour.join(" ")})`;

// Draw a board on a canvas of its own.
export function drape(board, shown, pixelsPerCell = 96) {
  const canvas = document.createElement("canvas");
  const [width, depth] = board.head.size_mm;
  const scale = Math.min(pixelsPerCell / board.flats, MOST_PIXELS / Math.max(width, depth));
  canvas.width = Math.ceil(width * scale);
  canvas.height = Math.ceil(depth * scale);
  redrape(canvas, board, shown);
  return canvas;
}

export function redrape(canvas, board, shown) {
  const pen = canvas.getContext("2d", { willReadFrequently: true }); // the relief reads it
  const scale = canvas.width / board.head.size_mm[0];
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.clearRect(0, 0, canvas.width, canvas.height);
  pen.setTransform(scale, 0, 0, -scale, 0, canvas.height);
  pen.lineCap = pen.lineJoin = "round";
  tops(pen, board);
  if (shown.has("water")) wash(pen, board);
  if (shown.has("cover")) signs(pen, board);
  if (shown.has("water")) water(pen, board);
  if (shown.has("roads")) board.head.road_kinds.forEach((_, kind) => roads(pen, board, kind));
  if (shown.has("outlines")) outlines(pen, board);
  if (shown.has("cliffs")) cliffs(pen, board);
  if (shown.has("names")) words(pen, board, scale);
}

export function trace(pen, board, cell, ring = board.offset) {
  const [x, y] = board.centre(cell);
  clipped(ring, board.kept(cell)).forEach(([dx, dy], k) => {
    if (k) pen.lineTo(x + dx, y + dy);
    else pen.moveTo(x + dx, y + dy);
  });
  pen.closePath();
}

// Trace faces, [cell, ring] each, and draw them: some at once, as long paths are slow.
function traced(pen, board, faces, draw) {
  for (let k = 0; k < faces.length; k += AT_ONCE) {
    pen.beginPath();
    for (const [cell, ring] of faces.slice(k, k + AT_ONCE)) trace(pen, board, cell, ring);
    draw();
  }
}

function tops(pen, board) {
  const grouped = new Map();
  for (let cell = 0; cell < board.n; cell++) {
    for (const facet of board.facets(cell)) {
      const steps = facet.reduce((sum, corner) => sum + board.corner(cell, corner), 0);
      const colour = rgb(tint(board, steps / facet.length));
      if (!grouped.has(colour)) grouped.set(colour, []);
      grouped.get(colour).push([cell, facet.map((corner) => board.offset[corner])]);
    }
  }
  pen.lineWidth = 0.012 * board.flats; // closes the hairlines between neighbours
  for (const [colour, faces] of grouped) {
    pen.fillStyle = pen.strokeStyle = colour;
    traced(pen, board, faces, () => {
      pen.fill();
      pen.stroke();
    });
  }
}

function outlines(pen, board) {
  const { ink } = board.head.palette;
  pen.strokeStyle = ink;
  pen.globalAlpha = 0.55;
  pen.lineWidth = 0.012 * board.flats;
  const cells = board.labels.map((_, cell) => cell);
  traced(
    pen,
    board,
    cells.map((cell) => [cell, board.offset]),
    () => pen.stroke(),
  );
  pen.globalAlpha = 0.3;
  const bent = cells
    .filter((cell) => board.facets(cell).length > 1)
    .flatMap((cell) =>
      board.facets(cell).map((facet) => [cell, facet.map((corner) => board.offset[corner])]),
    );
  traced(pen, board, bent, () => pen.stroke());
  pen.globalAlpha = 1;
}

function water(pen, board) {
  const { palette } = board.head;
  const { width, outflow } = board.of;
  const f = board.flats;
  const courses = [];
  for (let cell = 0; cell < board.n; cell++) {
    const ports = [0, 1, 2, 3, 4, 5].filter((side) => width[6 * cell + side] > 0);
    const out = outflow[cell];
    for (const side of ports) {
      if (side === out && ports.length > 1) continue; // every inflow is drawn through to it
      const through = out >= 0 && side !== out ? board.port(cell, out) : null;
      courses.push([board.port(cell, side), board.middle(cell), through, width[6 * cell + side]]);
    }
  }
  for (const [colour, more] of [
    ["#ffffff", 0.03],
    [palette.water, 0],
  ]) {
    pen.strokeStyle = colour;
    for (const [from, by, through, size] of courses) {
      pen.lineWidth = (0.07 * (1 + 0.4 * (size - 1)) + more) * f;
      pen.beginPath();
      pen.moveTo(...from);
      if (through) pen.quadraticCurveTo(...by, ...through);
      else pen.lineTo(...by);
      pen.stroke();
    }
  }
  ends(pen, board);
}

// Where water rises, comes in, leaves and stays.
function ends(pen, board) {
  const f = board.flats;
  for (let cell = 0; cell < board.n; cell++) {
    const kind = board.head.water_kinds[board.of.water[cell]];
    if (!["spring", "mouth", "pool", "entry"].includes(kind)) continue;
    pen.beginPath();
    pen.arc(...board.middle(cell), 0.13 * f, 0, 2 * Math.PI);
    pen.fillStyle = kind === "pool" ? board.head.palette.water : "#ffffff";
    pen.strokeStyle = board.head.palette.water;
    pen.lineWidth = 0.035 * f;
    pen.fill();
    pen.stroke();
  }
}

function roads(pen, board, kind) {
  const f = board.flats;
  const { ink } = board.head.palette;
  const pieces = [];
  for (let cell = 0; cell < board.n; cell++) {
    const place = kind * board.n + cell;
    const ends = sidesOf(board.of.roads[place]).map((side) => board.port(cell, side));
    const exit = board.of.exits[place];
    if (exit >= 0) ends.push(exit === 6 ? board.centre(cell) : board.port(cell, exit));
    const by = board.middle(cell);
    if (ends.length === 2) pieces.push([ends[0], by, ends[1]]);
    else for (const end of ends) pieces.push([end, by, null]);
  }
  for (const [colour, wide, dashes] of [
    [ink, 0.085, []],
    ["#ffffff", 0.053, DASHES[kind % 4]],
  ]) {
    pen.strokeStyle = colour;
    pen.lineWidth = wide * f;
    pen.lineCap = dashes.length ? "butt" : "round";
    pen.setLineDash(dashes.map((part) => part * f));
    pen.beginPath();
    for (const [from, by, to] of pieces) {
      pen.moveTo(...from);
      if (to) pen.quadraticCurveTo(...by, ...to);
      else pen.lineTo(...by);
    }
    pen.stroke();
  }
  pen.setLineDash([]);
  pen.lineCap = "round";
  if (kind === 0) passages(pen, board);
}

// Fords as dots, bridges as bars beside the road.
function passages(pen, board) {
  const f = board.flats;
  pen.fillStyle = pen.strokeStyle = board.head.palette.ink;
  for (let cell = 0; cell < board.n; cell++) {
    const how = board.of.over_water[cell];
    if (!how) continue;
    const [x, y] = board.middle(cell);
    if (how === 2) pen.fillRect(x - 0.14 * f, y - 0.05 * f, 0.28 * f, 0.1 * f);
    else {
      for (const dx of [-0.1, 0, 0.1]) {
        pen.beginPath();
        pen.arc(x + dx * f, y, 0.03 * f, 0, 2 * Math.PI);
        pen.fill();
      }
    }
  }
}

const SIGNS = {
  tuft: [-0.6, 0, 0.6].map((dx) => [
    [0.4 * dx, -1],
    [1.3 * dx, 1],
  ]),
  square: [
    [
      [-0.8, -0.8],
      [0.8, -0.8],
      [0.8, 0.8],
      [-0.8, 0.8],
      [-0.8, -0.8],
    ],
  ],
  furrows: [-0.8, 0, 0.8].map((dy) => [
    [-1, dy],
    [1, dy],
  ]),
  ring: [
    Array.from({ length: 13 }, (_, k) => [
      0.85 * Math.cos((k * Math.PI) / 6),
      0.85 * Math.sin((k * Math.PI) / 6),
    ]),
  ],
  triangle: [
    [
      [-1, -0.9],
      [1, -0.9],
      [0, 1],
      [-1, -0.9],
    ],
  ],
  cross: [
    [
      [-1, -1],
      [1, 1],
    ],
    [
      [-1, 1],
      [1, -1],
    ],
  ],
  dots: [
    [-0.7, -0.6],
    [0.7, -0.6],
    [0, 0.6],
  ].map((point) => [point, point]),
};

// The sign of a kind of cover, `r` to each side of a point.
export function sign(pen, board, kind, x, y, r) {
  const name = board.head.signs[kind % board.head.signs.length];
  pen.strokeStyle = pen.fillStyle = board.head.palette.ink;
  pen.lineWidth = (name === "dots" ? 0.6 : 0.22) * r;
  pen.beginPath();
  for (const line of SIGNS[name]) {
    line.forEach(([dx, dy], k) => pen[k ? "lineTo" : "moveTo"](x + dx * r, y + dy * r));
  }
  if (name === "square") pen.fill();
  else pen.stroke();
}

// Lakes and the sea.
function wash(pen, board) {
  const faces = [];
  for (let cell = 0; cell < board.n; cell++) {
    const kind = board.head.cover_kinds[board.of.cover[cell]];
    if (board.head.standing_kinds.includes(kind)) faces.push([cell, board.offset]);
  }
  pen.fillStyle = board.head.palette.wash;
  traced(pen, board, faces, () => pen.fill());
}

function signs(pen, board) {
  const f = board.flats;
  const beside = board.offset
    .map(([x, y]) => [x, y])
    .filter(([x, y]) => Math.abs(x) > 0.6 * Math.hypot(x, y));
  for (let cell = 0; cell < board.n; cell++) {
    if (board.of.cover[cell] < 0) continue;
    const [x, y] = board.centre(cell);
    const [keptX, keptY] = board.kept(cell);
    for (const [dx, dy] of beside) {
      if (keptX * dx < 0 || keptY * dy < 0) continue;
      const share = (0.37 * f) / Math.hypot(dx, dy);
      sign(pen, board, board.of.cover[cell], x + share * dx, y + share * dy, 0.055 * f);
    }
  }
}

function cliffs(pen, board) {
  pen.strokeStyle = board.head.palette.cliff;
  pen.lineWidth = 0.05 * board.flats;
  pen.beginPath();
  for (let cell = 0; cell < board.n; cell++) {
    for (const side of sidesOf(board.of.cliff[cell])) {
      const other = board.neighbours[6 * cell + side];
      if (other < cell && other >= 0) continue;
      const [x, y] = board.centre(cell);
      const [one, two] = [board.offset[side], board.offset[(side + 1) % 6]];
      pen.moveTo(x + one[0], y + one[1]);
      pen.lineTo(x + two[0], y + two[1]);
    }
  }
  pen.stroke();
}

function words(pen, board, scale) {
  const f = board.flats;
  pen.save();
  pen.textAlign = "center";
  pen.textBaseline = "middle";
  pen.fillStyle = board.head.palette.ink;
  pen.strokeStyle = "#ffffff";
  const write = (text, x, y, size, weight, halo) => {
    pen.setTransform(1, 0, 0, 1, x * scale, pen.canvas.height - y * scale);
    pen.font = `${weight} ${size * f * scale}px system-ui, sans-serif`;
    pen.lineWidth = halo * f * scale;
    if (halo) pen.strokeText(text, 0, 0);
    pen.fillText(text, 0, 0);
  };
  for (let cell = 0; cell < board.n; cell++) {
    const [x, y] = board.middle(cell);
    const part = board.kept(cell)[1] ? 0.6 : 1;
    const busy = board.of.water[cell] ? 0.03 : 0;
    write(String(board.of.level[cell]), x, y + 0.07 * f * part, 0.2 * part, "bold", busy);
    write(board.labels[cell], x, y - 0.13 * f * part, (0.13 * (part + 1)) / 2, "normal", busy);
  }
  const named = new Map();
  for (const way of board.head.ways) {
    if ((named.get(way.name)?.length ?? 0) < way.cells.length) named.set(way.name, way.cells);
  }
  for (const [name, cells] of named) {
    const [x, y] = board.middle(cells[Math.floor(cells.length / 2)]);
    write(name, x, y + 0.3 * f, 0.17, "italic", 0.05);
  }
  pen.restore();
}
