"""Does every top stand for the ground under it and the residual of its row."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely

from hexterra.verification.board_outline import Outline
from hexterra.verification.check_tiles import is_cuttable, is_plane
from hexterra.verification.rebuilt_board import RebuiltBoard
from hexterra.verification.table_rows import Steps, Tile
from hexterra.verification.verdict import Finding

#: Mean height of a whole top by the number of raised corners in one run, in rises: a corner raises
#: a cone over a sixth of the hexagon, two a wedge over a half of it, and what is left of the height
#: when corners are raised is what is taken when they are lowered.
MEAN_OF_RUN: Final = {1: 1 / 18, 2: 2 / 9, 3: 1 / 2, 4: 7 / 9, 5: 17 / 18}
#: Mean height of two wedges that rise to opposite sides.
MEAN_OF_SADDLE: Final = 4 / 9
#: Ground, residual and thresholds are printed with three decimals each, metres of a step with six.
ROUNDED_M: Final = 2e-3


def check_residuals(board: RebuiltBoard, outline: Outline, steps: Steps) -> Iterator[Finding]:
    """See that ground and residual add up to the height that the mean of a top stands for.

    Of a top that an edge of the board cuts, the mean is that of the part which is kept.

    Tops that no straight cut leaves are found elsewhere.
    """
    for tile, (kept_x, kept_y) in zip(board.tiles, outline.kept.tolist(), strict=True):
        if min(tile.corners) != tile.level or not is_cuttable(tile.rises):
            continue
        built_m = _ground_m(steps, tile.level + _mean_of_part(board, tile, kept_x, kept_y))
        wanted_m = built_m - tile.height_m
        if abs(tile.residual_m - wanted_m) > ROUNDED_M:
            yield Finding(tile.cell, -1, "residual",
                          f"{wanted_m:.3f} m, from the ground at {tile.height_m:.3f} m to the top"
                          f" at {built_m:.3f} m", f"{tile.residual_m:.3f} m")  # fmt: skip


def _mean_rise(rises: tuple[int, ...]) -> float:
    """Mean height of a top that straight cuts leave, above its lowest corner."""
    if is_plane(rises):
        return sum(rises) / 6.0
    n_runs = sum(rises[k] > 0 and rises[k - 1] == 0 for k in range(6))
    n_raised = sum(rise > 0 for rise in rises)
    return max(rises) * (MEAN_OF_RUN[n_raised] if n_runs == 1 else MEAN_OF_SADDLE)


def _mean_of_part(board: RebuiltBoard, tile: Tile, kept_x: int, kept_y: int) -> float:
    """Mean height of what is kept of a top, above the lowest corner of the whole.

    A run of raised corners leaves a height that depends on the way along one line alone: level,
    then straight up, then level. It is integrated over the part between the ends of the slope.
    """
    if not kept_x and not kept_y:
        return _mean_rise(tile.rises)
    rises = tuple(height - tile.level for height in tile.corners)
    angle = np.radians(board.corner0_deg + 60.0 * np.arange(6))
    corner = np.column_stack((np.cos(angle), np.sin(angle)))
    side = shapely.box(-2 if kept_x <= 0 else 0, -2 if kept_y <= 0 else 0,
                       2 if kept_x >= 0 else 0, 2 if kept_y >= 0 else 0)  # fmt: skip
    part = shapely.intersection(shapely.Polygon(corner), side)
    if is_plane(rises):
        slope = np.linalg.lstsq(np.column_stack((corner, np.ones(6))), np.array(rises), rcond=None)[
            0
        ]
        return float(slope @ (part.centroid.x, part.centroid.y, 1.0))
    starts = [k for k in range(6) if rises[k] > 0 and rises[k - 1] == 0]
    total = 0.0
    for first in starts:
        run = next(n for n in range(1, 7) if rises[(first + n) % 6] == 0)
        middle = np.radians(board.corner0_deg + 60.0 * first + 30.0 * (run - 1))
        along = corner @ (np.cos(middle), np.sin(middle))
        low, high = along[(first - 1) % 6], along[first]
        for start, end, climb in ((low, high, 1.0), (high, 2.0, 0.0)):
            strip = _strip(middle, start, end)
            found = shapely.intersection(part, strip)
            if found.area > 0.0:
                at = np.dot((found.centroid.x, found.centroid.y), (np.cos(middle), np.sin(middle)))
                share = 1.0 if not climb else (at - low) / (high - low)
                total += max(rises) * share * found.area
    return total / part.area


def _strip(angle: float, start: float, end: float) -> shapely.Polygon:
    """Give the strip between two distances from the middle along a way, wider than a tile."""
    ahead = np.array((np.cos(angle), np.sin(angle)))
    beside = np.array((-ahead[1], ahead[0])) * 2.0
    return shapely.Polygon(
        [start * ahead - beside, end * ahead - beside, end * ahead + beside, start * ahead + beside]
    )


def _ground_m(steps: Steps, level: float) -> float:
    """Ground height that a built height stands for.

    It runs straight from threshold to threshold, and by `metres_per_step` beyond them.
    """
    n = len(steps.thresholds_m)
    if not n:
        return steps.datum_m + level * steps.metres_per_step
    between = min(max(level, 0.5), n - 0.5)
    ground_m = float(np.interp(between, np.arange(n) + 0.5, steps.thresholds_m))
    return ground_m + (level - between) * steps.metres_per_step
