"""Heights to levels: choose the thresholds between layers.

Takes `Heights` from `gather`; its `Levels` go on to `legalise`, which makes them buildable.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, get_args

import numpy as np

from hexterra.arguments import checked
from hexterra.errors import BriefError
from hexterra.kernels.board.natural_breaks import natural_breaks
from hexterra.values import Value, freeze_arrays

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from hexterra.stages.sampling.gather import Heights
    from hexterra.stages.water.standing import StandingWater

Method = Literal["even", "quantile", "natural breaks", "given"]

MAX_CLASSES: Final = 64  # for the methods that count levels
MAX_LEVELS: Final = 1000


@dataclass(frozen=True, eq=False, repr=False)
class Levels(Value):
    """Target levels, not yet buildable.

    Parameters
    ----------
    heights
        What they were made from; n is its number of cells.
    datum_m
        Ground height that level 0 stands for, in metres.
    metres_per_step
        Ground height that one step stands for, in metres.
    thresholds_m
        Heights between the levels, (k,) float64, ascending, in metres. A level is the number of
        thresholds not above the height.
    position
        Continuous level, (n,) float64: piecewise linear in the height (under a lake or the sea, of
        the water: see `at_water_level`), with threshold j at
        ``j + 0.5`` and one level per `metres_per_step` outside the thresholds. Always
        ``level == clip(floor(position + 0.5), 0, k)``.
    level
        Target level, (n,) int32, 0 to k.
    """

    heights: Heights
    datum_m: float
    metres_per_step: float
    thresholds_m: NDArray[np.float64]
    position: NDArray[np.float64]
    level: NDArray[np.int32]

    def __post_init__(self) -> None:
        n = self.heights.lattice.n_cells
        freeze_arrays(
            self,
            ("thresholds_m", np.float64, (None,)),
            ("position", np.float64, (n,)),
            ("level", np.int32, (n,)),
        )


@checked
def quantise(
    heights: Heights,
    *,
    method: Method = "even",
    metres_per_step: float,
    datum_m: float | None = None,
    n_levels: int | None = None,
    thresholds_m: Sequence[float] | NDArray[np.float64] | None = None,
) -> Levels:
    """Choose thresholds and give every cell the level its mean height falls in.

    Parameters
    ----------
    heights
        The ground; cell means are used.
    method
        "even": thresholds at ``datum_m + (j + 1/2) * metres_per_step``, so a level is a rounded
        height. "quantile": as equal numbers of cells per level as equal heights permit. "natural
        breaks": the least sum of squared distances to the mean of the level, exactly (Fisher,
        1958; see `natural_breaks`). "given": `thresholds_m`.
    metres_per_step
        Ground height of one step, in metres, greater than 0.
    datum_m
        Ground height of level 0, in metres. With "even", lower cells get level 0. By default the
        lowest cell mean rounded to a whole number of steps from 0 m: that cell then has level 0,
        and levels of neighbouring boards with equal `metres_per_step` differ by a whole number.
    n_levels
        How many levels "quantile" and "natural breaks" make, 1 to 64, and at most as many as there
        are different heights.
    thresholds_m
        Thresholds of "given", ascending, in metres; a height equal to a threshold is above it.

    Returns
    -------
    Levels
        See there. A computed threshold lies halfway between the heights that it parts.

    Raises
    ------
    BriefError
        If a value is out of its range, is missing for the method or belongs to another, or there
        would be more than 1000 levels.
    """
    _check_method(method, n_levels, thresholds_m)
    _check_finite("metres_per_step", metres_per_step)
    if metres_per_step <= 0.0:
        raise BriefError(
            f"metres_per_step is {metres_per_step!r} m; it must be greater than 0 m",
            remedy="give the ground height of one step in metres, as 20",
            key="metres_per_step",
            value=metres_per_step,
        )
    mean_m = heights.mean_m
    if datum_m is None:
        datum_m = math.floor(float(mean_m.min()) / metres_per_step + 0.5) * metres_per_step
    _check_finite("datum_m", datum_m)

    if n_levels is not None:
        chosen_m = _counted(mean_m, method, n_levels)
    elif thresholds_m is not None:
        chosen_m = _given(thresholds_m)
    else:
        chosen_m = _even(mean_m, datum_m, metres_per_step)
    level = np.searchsorted(chosen_m, mean_m, side="right").astype(np.int32)
    position = _position(mean_m, chosen_m, level, datum_m, metres_per_step)
    return Levels(heights, float(datum_m), float(metres_per_step), chosen_m, position, level)


def _position(
    mean_m: NDArray[np.float64],
    thresholds_m: NDArray[np.float64],
    level: NDArray[np.int32],
    datum_m: float,
    metres_per_step: float,
) -> NDArray[np.float64]:
    """Interpolate the continuous level; see `Levels`."""
    k = len(thresholds_m)
    if k == 0:
        return (mean_m - datum_m) / metres_per_step
    position = np.interp(mean_m, thresholds_m, np.arange(k) + 0.5)
    below, above = thresholds_m[0] - mean_m, mean_m - thresholds_m[-1]
    position -= np.maximum(below, 0.0) / metres_per_step
    position += np.maximum(above, 0.0) / metres_per_step
    # Rounding must not carry a height across the threshold that it was compared with.
    at_least = np.where(level > 0, level - 0.5, -np.inf)
    below_that = np.where(level < k, np.nextafter(level + 1.0, -np.inf) - 0.5, np.inf)
    return np.clip(position, at_least, below_that).astype(np.float64)


def _even(
    mean_m: NDArray[np.float64], datum_m: float, metres_per_step: float
) -> NDArray[np.float64]:
    """Place thresholds at odd half steps above the datum, up to the highest cell."""
    top_m = float(mean_m.max())
    n_steps = max(0.0, (top_m - datum_m) / metres_per_step)
    if n_steps + 1.0 > MAX_LEVELS:
        raise BriefError(
            f"metres_per_step = {metres_per_step:g} m makes {n_steps + 1.0:,.0f} levels from the"
            f" datum at {datum_m:g} m to the highest cell at {top_m:g} m;"
            f" at most {MAX_LEVELS} are allowed",
            remedy="set metres_per_step to at least"
            f" {(top_m - datum_m) / (MAX_LEVELS - 1):.3g} m, or raise datum_m",
            key="metres_per_step",
            value=metres_per_step,
            n_levels=n_steps + 1.0,
        )
    middle = np.arange(math.ceil(n_steps) + 1, dtype=np.float64) + 0.5
    candidate_m = datum_m + middle * metres_per_step
    return candidate_m[candidate_m <= top_m]


def _given(thresholds_m: Sequence[float] | NDArray[np.float64]) -> NDArray[np.float64]:
    """Check the thresholds that the user lists."""
    listed = np.array(thresholds_m, dtype=np.float64)
    if listed.ndim != 1 or not 1 <= len(listed) < MAX_LEVELS:
        raise BriefError(
            f"thresholds_m has shape {listed.shape}; it must list 1 to {MAX_LEVELS - 1} heights",
            remedy="list the heights between the levels in metres, lowest first",
            key="thresholds_m",
            value=thresholds_m,
        )
    is_wrong = ~np.isfinite(listed)
    is_wrong[1:] |= ~(listed[1:] > listed[:-1])
    if is_wrong.any():
        place = int(is_wrong.argmax())
        raise BriefError(
            f"thresholds_m must be finite and ascending, but number {place + 1} is"
            f" {listed[place]:g} m" + (f" after {listed[place - 1]:g} m" if place else ""),
            remedy="list the heights between the levels in metres, lowest first, each once",
            key="thresholds_m",
            value=float(listed[place]),
            place=place,
        )
    return listed


def _counted(mean_m: NDArray[np.float64], method: Method, n_levels: int) -> NDArray[np.float64]:
    """Place ``n_levels - 1`` thresholds by the heights' distribution."""
    distinct_m, count = np.unique(mean_m, return_counts=True)
    most = min(MAX_CLASSES, len(distinct_m))
    if not 1 <= n_levels <= most:
        why = "the cells have no more different heights" if most < MAX_CLASSES else "that is a lot"
        raise BriefError(
            f"n_levels is {n_levels}; it must be from 1 to {most}, for {why}",
            remedy=f"choose n_levels from 1 to {most}",
            key="n_levels",
            value=n_levels,
            most=most,
        )
    if method == "quantile":
        cut = _quantile_cuts(count, n_levels)
    else:
        centred = distinct_m - mean_m.mean()  # small numbers keep their squares exact for longer
        sums = [
            np.concatenate([[0.0], np.cumsum(part, dtype=np.float64)])
            for part in (count, count * centred, count * centred**2)
        ]
        cut = natural_breaks(sums[0], sums[1], sums[2], n_levels)
    below_m, above_m = distinct_m[cut - 1], distinct_m[cut]
    halfway_m = below_m + (above_m - below_m) / 2.0
    return np.where(halfway_m > below_m, halfway_m, above_m).astype(np.float64)


def _quantile_cuts(count: NDArray[np.int64], n_levels: int) -> NDArray[np.int64]:
    """Index of the distinct height that starts each level but the lowest.

    Each cut goes where the number of cells below it is nearest to its share (the lower of two
    equally near), but leaves a height for every level.
    """
    below = np.cumsum(count)
    cut = np.empty(n_levels - 1, dtype=np.int64)
    least = 1
    for j in range(n_levels - 1):
        most = len(count) - (n_levels - 1 - j)
        target = below[-1] * (j + 1) / n_levels
        reach = np.abs(below[least - 1 : most] - target)
        cut[j] = least + int(reach.argmin())
        least = int(cut[j]) + 1
    return cut


def at_water_level(levels: Levels, standing: StandingWater | None) -> Levels:
    """Want cells under standing water at the height of its surface, not at that of their ground."""
    if standing is None:
        return levels
    height_m = levels.heights.mean_m.copy()
    under = standing.is_under
    height_m[under] = standing.height_m[standing.body[under]]
    thresholds_m = levels.thresholds_m
    level = np.searchsorted(thresholds_m, height_m, side="right").astype(np.int32)
    position = _position(height_m, thresholds_m, level, levels.datum_m, levels.metres_per_step)
    return replace(levels, position=position, level=level)


def _check_method(
    method: str,
    n_levels: int | None,
    thresholds_m: Sequence[float] | NDArray[np.float64] | None,
) -> None:
    """Refuse unknown methods, and values that are missing or belong to another method."""
    if method not in get_args(Method):
        allowed = ", ".join(get_args(Method))
        raise BriefError(
            f"method is {method!r}; it must be one of: {allowed}",
            remedy="choose one of the methods named above",
            key="method",
            value=method,
        )
    for key, value, methods in (
        ("n_levels", n_levels, ("quantile", "natural breaks")),
        ("thresholds_m", thresholds_m, ("given",)),
    ):
        if (value is not None) != (method in methods):
            verb = "needs" if value is None else "has no use for"
            raise BriefError(
                f"method {method!r} {verb} {key}, which belongs to {' and '.join(methods)}",
                remedy=f"give {key}" if value is None else f"leave {key} out",
                key=key,
                value=value,
                method=method,
            )


def _check_finite(key: str, value: float) -> None:
    """Refuse what is not a finite number of metres."""
    if not math.isfinite(value):
        raise BriefError(
            f"{key} is {value!r} m; it must be a finite number of metres",
            remedy=f"give {key} in metres, as 20",
            key=key,
            value=value,
        )
