"""Does every top stand for the ground under it and the residual of its row."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from hexterra.verification.check_tiles import is_cuttable, is_plane
from hexterra.verification.rebuilt_board import RebuiltBoard
from hexterra.verification.table_rows import Steps
from hexterra.verification.verdict import Finding

#: Mean height of a whole top by the number of raised corners in one run, in rises: a corner raises
#: a cone over a sixth of the hexagon, two a wedge over a half of it, and what is left of the height
#: when corners are raised is what is taken when they are lowered.
MEAN_OF_RUN: Final = {1: 1 / 18, 2: 2 / 9, 3: 1 / 2, 4: 7 / 9, 5: 17 / 18}
#: Mean height of two wedges that rise to opposite sides.
MEAN_OF_SADDLE: Final = 4 / 9
#: Ground, residual and thresholds are printed with three decimals each, metres of a step with six.
ROUNDED_M: Final = 2e-3


def check_residuals(board: RebuiltBoard, steps: Steps) -> Iterator[Finding]:
    """See that ground and residual add up to the height that the mean of the whole top stands for.

    Tops that no straight cut leaves are found elsewhere.
    """
    for tile in board.tiles:
        if min(tile.corners) != tile.level or not is_cuttable(tile.rises):
            continue
        built_m = _ground_m(steps, tile.level + _mean_rise(tile.rises))
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
