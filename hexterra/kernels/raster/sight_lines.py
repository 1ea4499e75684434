"""Lines of sight over heights on a pixel grid.

Called by `hexterra.fidelity.intervisibility`, which guarantees that every end lies on the grid.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import helper, kernel

#: A line that ground touches is not cut off; rounding must not make it so.
GRAZING_M: Final = 1e-6

UNKNOWN: Final = -1


@helper
def _height_at(height_m: NDArray[np.float64], column: float, row: float) -> float:
    """Interpolate between the four nearest pixel centres; NaN if one of them is."""
    n_rows, n_columns = height_m.shape
    x = min(max(column - 0.5, 0.0), n_columns - 1.0)
    y = min(max(row - 0.5, 0.0), n_rows - 1.0)
    c0, r0 = int(x), int(y)
    c1, r1 = min(c0 + 1, n_columns - 1), min(r0 + 1, n_rows - 1)
    x, y = x - c0, y - r0
    upper = height_m[r0, c0] + x * (height_m[r0, c1] - height_m[r0, c0])
    lower = height_m[r1, c0] + x * (height_m[r1, c1] - height_m[r1, c0])
    return upper + y * (lower - upper)


@kernel
def trace_sight_lines(
    height_m: NDArray[np.float64],
    end_xy: NDArray[np.float64],
    line: NDArray[np.int32],
    eye_m: float,
    target_m: float,
    seen: NDArray[np.int8],
) -> None:
    """Tell of each line whether its eye sees its target: 1, 0, or `UNKNOWN` if an end is NaN.

    `end_xy` holds columns and rows of places, `line` the places of eye and target of each line.
    Heights are looked at in equal steps of at most a pixel along the longer axis. Where they are
    NaN, nothing is in the way. Steps start at the end farther left, so that a line gives the same
    answer from both.
    """
    for i in range(len(line)):
        eye, target = line[i, 0], line[i, 1]
        x, y = end_xy[eye, 0], end_xy[eye, 1]
        dx, dy = end_xy[target, 0] - x, end_xy[target, 1] - y
        start = _height_at(height_m, x, y) + eye_m
        rise = _height_at(height_m, end_xy[target, 0], end_xy[target, 1]) + target_m - start
        if dx < 0.0 or (dx == 0.0 and dy < 0.0):
            x, y, start = end_xy[target, 0], end_xy[target, 1], start + rise
            dx, dy, rise = -dx, -dy, -rise
        if np.isnan(rise):
            seen[i] = UNKNOWN
            continue
        n_steps = int(np.ceil(max(abs(dx), abs(dy))))
        seen[i] = 1
        for step in range(1, n_steps):
            t = step / n_steps
            if _height_at(height_m, x + t * dx, y + t * dy) > start + t * rise + GRAZING_M:
                seen[i] = 0
                break
