// A section along a line: built tops against the ground, and who sees whom along lines.

// Built height along a line, as [distance mm, steps] at every point where it may bend, with both
// heights at step faces; `null` heights lie off the board.
export function builtProfile(board, [x0, y0], [x1, y1], spacing = board.flats / 24) {
  const length = Math.hypot(x1 - x0, y1 - y0);
  const n = Math.max(2, Math.ceil(length / spacing));
  const found = [];
  let earlier = -1;
  for (let k = 0; k <= n; k++) {
    const at = Math.min(Math.max(k / n, 1e-6), 1 - 1e-6);
    const [x, y] = [x0 + at * (x1 - x0), y0 + at * (y1 - y0)];
    const cell = board.cellAt(x, y);
    const away = (k / n) * length;
    if (k && cell !== earlier && cell >= 0 && earlier >= 0) {
      found.push([away, board.heightAt(earlier, x, y), earlier]);
    }
    found.push([away, cell < 0 ? null : board.heightAt(cell, x, y), cell]);
    earlier = cell;
  }
  return found;
}

// Ground height in steps at a point: linear between the means of the three nearest cells.
export function groundAt(board, x, y) {
  const cell = board.cellAt(x, y);
  if (cell < 0) return null;
  const [cx, cy] = board.centre(cell);
  const [dx, dy] = [x - cx, y - cy];
  const middle = board.of.ground[cell];
  const angle = Math.atan2(dy, dx) - (board.head.corner0_deg * Math.PI) / 180;
  const turned = ((angle * 3) / Math.PI + 12 - 0.5) % 6; // from the middle of side 0, in sixths
  const sides = [Math.floor(turned) % 6, (Math.floor(turned) + 1) % 6];
  const cells = sides.map((side) => board.neighbours[6 * cell + side]);
  const [p, q] = sides.map((side) => {
    const [px, py] = board.port(cell, side);
    return [2 * (px - cx), 2 * (py - cy)];
  });
  const twice = p[0] * q[1] - q[0] * p[1];
  const shares = [(dx * q[1] - q[0] * dy) / twice, (p[0] * dy - dx * p[1]) / twice];
  return cells.reduce((sum, other, k) => {
    const height = other < 0 ? middle : board.of.ground[other];
    return sum + shares[k] * (height - middle);
  }, middle);
}

// Ground along a line, at the points of its built profile.
export function groundProfile(board, [x0, y0], [x1, y1], built) {
  const length = built.at(-1)[0];
  return built.map(([away]) => {
    const at = Math.min(Math.max(away / length, 1e-6), 1 - 1e-6);
    return [away, groundAt(board, x0 + at * (x1 - x0), y0 + at * (y1 - y0))];
  });
}

// Which cells eyes in the middle of a cell, so many metres of ground above its top, see over the
// built tops, as a byte for each.
export function seenFrom(board, cell, eyes = board.head.eye_m) {
  const seen = new Uint8Array(board.n);
  const height = (at, x, y) => board.metres(board.heightAt(at, x, y));
  const [x0, y0] = board.middle(cell);
  const eye = height(cell, x0, y0) + eyes;
  const spacing = board.flats / 8;
  for (let other = 0; other < board.n; other++) {
    const [x1, y1] = board.middle(other);
    const n = Math.ceil(Math.hypot(x1 - x0, y1 - y0) / spacing);
    const rise = height(other, x1, y1) + board.head.target_m - eye;
    let clear = true;
    for (let k = 1; k < n && clear; k++) {
      const [x, y] = [x0 + ((x1 - x0) * k) / n, y0 + ((y1 - y0) * k) / n];
      const under = board.cellAt(x, y);
      clear = under < 0 || height(under, x, y) <= eye + (rise * k) / n + 1e-9;
    }
    seen[other] = clear ? 1 : 0;
  }
  return seen;
}
