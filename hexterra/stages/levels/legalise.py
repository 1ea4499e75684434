"""Levels that can be built: the nearest ones with ramps on every side and water running down.

Takes `Levels` from `quantise` and, if watercourses are shown, `Watercourses` from `flow`; its
`LegalLevels` go on to `fit`, which chooses tiles. `constraints` contains the rules, `level_cost`
the cost and the proof.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, get_args

import numpy as np

from hexterra.arguments import checked
from hexterra.errors import BriefError, InfeasibleError
from hexterra.kernels.board.level_flow import RiseCost, raise_levels, tighten
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.levels.constraints import (
    Constraints,
    checked_cliffs,
    checked_limit,
    constrain,
    keep_banks,
    refuse,
    wrong_shape,
)
from hexterra.stages.levels.level_cost import Measure, Objective, objective
from hexterra.values import Value, freeze_arrays

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike, NDArray

    from hexterra.stages.levels.quantise import Levels
    from hexterra.stages.water.flow import Watercourses

#: Bounds lie within this many levels of 0.
MAX_BOUND: Final = 10_000


@dataclass(frozen=True, eq=False, repr=False)
class LegalLevels(Value):
    """Buildable levels and the proof that none are nearer to the target levels.

    Parameters
    ----------
    levels
        The target levels; n is its number of cells.
    water
        Watercourses that must run down, or None.
    level
        Level of each cell, (n,) int32.
    cliff
        Marked cliffs, (n, 6) bool, symmetric: no ramp limit across them.
    limit
        Most steps between the two cells of a side, (n, 6) int8, symmetric where cells adjoin.
    pins
        Cells whose level is fixed, and that level, in order of the cells.
    weight
        The cost of one step away, (n,) float64.
    measure
        "absolute": weight times distance; "square": weight times its square.
    lower, upper
        Range of all levels.
    cost, bound
        Cost of `level`, and the least cost that any legal levels can have, in weighted steps or
        squared steps, for positions and weights in fixed point (see `objective`).
    cost_units, bound_units
        The same as whole numbers, less what no level can avoid. They are equal.
    unit
        The cost of one unit, in weighted steps or squared steps.
    flow
        The proof, (n, 6) int64, in units: the dual value of each constraint. See
        `Objective.bound_units`.
    asked
        Levels within the limits that were asked for, where `fit` found tops for gentler limits
        only; else None. Then `bound` holds for these gentler limits, and `least_cost` for all.

    Raises
    ------
    ValueError
        If cost and bound differ: a programming error.
    """

    levels: Levels
    water: Watercourses | None
    level: NDArray[np.int32]
    cliff: NDArray[np.bool_]
    limit: NDArray[np.int8]
    pins: tuple[tuple[int, int], ...]
    weight: NDArray[np.float64]
    measure: Measure
    lower: int
    upper: int
    cost: float
    bound: float
    cost_units: int
    bound_units: int
    unit: float
    flow: NDArray[np.int64]
    asked: LegalLevels | None = None

    def __post_init__(self) -> None:
        n = self.levels.heights.lattice.n_cells
        freeze_arrays(
            self,
            ("level", np.int32, (n,)),
            ("cliff", np.bool_, (n, N_SIDES)),
            ("limit", np.int8, (n, N_SIDES)),
            ("weight", np.float64, (n,)),
            ("flow", np.int64, (n, N_SIDES)),
        )
        if self.cost_units != self.bound_units:
            raise ValueError(f"cost {self.cost_units} differs from its bound {self.bound_units}")

    @property
    def asked_limit(self) -> NDArray[np.int8]:
        """The limits that were asked for, (n, 6) int8; those of `limit` may be gentler."""
        return self.limit if self.asked is None else self.asked.limit

    @property
    def least_cost(self) -> float:
        """What no levels cost less than within the limits that were asked for.

        It is `cost`, unless there are no tops for the levels that cost so little.
        """
        return self.bound if self.asked is None else self.asked.bound

    @property
    def edit(self) -> NDArray[np.int32]:
        """How far each cell was moved from its target level, (n,) int32."""
        return self.level - self.levels.level


@checked
def legalise(
    levels: Levels,
    *,
    water: Watercourses | None = None,
    ramp_limit: int | NDArray[np.int8] = 1,
    cliffs: NDArray[np.bool_] | None = None,
    pins: Iterable[tuple[int, int]] = (),
    weight: ArrayLike | None = None,
    measure: Measure = "absolute",
    bounds: tuple[int, int] | None = None,
) -> LegalLevels:
    """Move levels as little as possible until everything can be built.

    The result is the exact minimum of the sum over cells of ``weight * abs(level - position)``, or
    of the squares, over whole levels where: across every side that is not a cliff levels differ by
    at most the limit; where water runs from one cell to the next, neither the next cell nor the
    two that flank the side between them stand above the first; cells of one lake stand at one
    level; dry ground beside a watercourse stands no lower than it, where it does not in nature and
    pins do not ask for it; levels keep to the bounds; pinned cells stand where they are pinned.

    Parameters
    ----------
    levels
        Target levels of n cells; distance is measured from their continuous `position`.
    water
        Watercourses that must run down.
    ramp_limit
        Most steps across a side, 1 or 2: one number, or (n, 6) with a number per side that is the
        same seen from both cells.
    cliffs
        Sides without limit, (n, 6) bool, the same seen from both cells; see `mark_cliffs`.
    pins
        Pairs (cell, level), each cell at most once unless they agree.
    weight
        What a step costs each cell, (n,), finite and not negative; 1 by default.
    measure
        "absolute" or "square".
    bounds
        Least and greatest level. By default from 0 to the highest target level or the highest
        pin, whichever is higher.

    Returns
    -------
    LegalLevels
        With ``cost_units == bound_units``, which proves the minimum. Legal target levels come back
        unchanged. Of equally good boards: take the target levels; halfway (rounded down) between
        the greatest legal board below them and the least above them is the start; go up to the
        lowest of the best boards at or above the start, then down to the highest of the best at
        or below that. So the choice does not depend on how cells are numbered.

    Raises
    ------
    BriefError
        If an argument has the wrong shape, is out of its range, is not symmetric, or names a cell
        that does not exist.
    InfeasibleError
        If no levels meet all rules; `facts["chain"]` are the cells that conflict, in order.

    Notes
    -----
    Method: Murota, Discrete Convex Analysis (SIAM, 2003), chapter 10; see
    `hexterra.kernels.board.level_flow`. Deterministic.
    """
    lattice = levels.heights.lattice
    n = lattice.n_cells
    pinned = _checked_pins(levels, pins)
    lower, upper = _checked_bounds(levels, bounds, pinned)
    weights = _checked_weight(weight, n)
    if measure not in get_args(Measure):
        raise BriefError(
            f"measure is {measure!r}; it must be one of: {', '.join(get_args(Measure))}",
            remedy="choose one of the measures named above",
            key="measure",
            value=measure,
        )
    limit = checked_limit(lattice, ramp_limit)
    cliff = checked_cliffs(lattice, cliffs)

    rules = constrain(lattice, limit, cliff, water)
    least = np.full(n, lower, dtype=np.int32)
    most = np.full(n, upper, dtype=np.int32)
    if pinned:
        cell, pin = np.array(pinned, dtype=np.int32).T
        least[cell] = most[cell] = pin
    target = objective(levels.position, weights, measure, lower, upper)
    try:
        with_banks = keep_banks(rules, cliff, water)
        start, rules = _start(levels, with_banks, least, most), with_banks
    except InfeasibleError:  # pins stand lower than a river: its banks give way
        start = _start(levels, rules, least, most)
    level, flow = _descend(rules, target, least, most, start)

    cost_units = int(target.units_of(level.astype(np.int64)).sum())
    bound_units = target.bound_units(least, most, rules.rise, flow)
    return LegalLevels(
        levels=levels,
        water=water,
        level=level,
        cliff=cliff,
        limit=limit,
        pins=pinned,
        weight=weights,
        measure=measure,
        lower=lower,
        upper=upper,
        cost=target.value_of(cost_units),
        bound=target.value_of(bound_units),
        cost_units=cost_units,
        bound_units=bound_units,
        unit=target.unit,
        flow=flow,
    )


def relegalise(
    legal: LegalLevels, *, limit: NDArray[np.int8], cliff: NDArray[np.bool_]
) -> LegalLevels:
    """Legalise the same levels again with other limits and cliffs; all else stays.

    Parameters
    ----------
    legal
        What `legalise` returned.
    limit, cliff
        As `ramp_limit` and `cliffs` of `legalise`.

    Raises
    ------
    BriefError, InfeasibleError
        As `legalise`.
    """
    return legalise(
        legal.levels,
        water=legal.water,
        ramp_limit=limit,
        cliffs=cliff,
        pins=legal.pins,
        weight=legal.weight,
        measure=legal.measure,
        bounds=(legal.lower, legal.upper),
    )


def _start(
    levels: Levels, rules: Constraints, least: NDArray[np.int32], most: NDArray[np.int32]
) -> NDArray[np.int32]:
    """Find a legal board that is near the target levels everywhere, or refuse.

    Halfway between the greatest legal board below the target levels and the least above them:
    the rounded mean of legal boards is legal, and where no pin or bound interferes no legal
    board is nearer at its worst cell.
    """
    lowest, highest = least, most
    via = np.full(len(least), -1, dtype=np.int32)
    if (least == most).any():  # without pins, any board at one level is legal
        highest = most.copy()
        tighten(rules.slots, highest, via)
        if (highest < least).any():
            raise refuse(rules, via, least, most, highest)
        lowest = -least
        tighten(rules.slots_upside_down, lowest, via)
        np.negative(lowest, out=lowest)
    below = np.clip(levels.level, least, most)
    above = -below
    tighten(rules.slots, below, via)
    tighten(rules.slots_upside_down, above, via)
    return np.clip((below - above) >> 1, lowest, highest)


def _descend(
    rules: Constraints,
    target: Objective,
    least: NDArray[np.int32],
    most: NDArray[np.int32],
    start: NDArray[np.int32],
) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Go up, then down, to a best board; return it and the flow, (n, 6), that proves it."""
    level = start.copy()
    flow = np.zeros(len(rules.slots.to), dtype=np.int64)
    inflow = np.zeros(len(level), dtype=np.int64)
    cost = RiseCost(target.weight, target.target, target.step, target.cap, most)
    raise_levels(rules.slots, cost, level, flow, inflow)
    # Down is up on the board turned upside down: levels, flows and ranges change sign.
    level, flow, inflow = -level, -flow, -inflow
    cost = cost._replace(target=-target.target, top=-least)
    raise_levels(rules.slots_upside_down, cost, level, flow, inflow)
    by_side = np.zeros(rules.rise.shape, dtype=np.int64)
    by_side[rules.is_slot] = -flow
    return -level, by_side


def _checked_pins(levels: Levels, pins: Iterable[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Sort pins by cell; refuse unknown cells and contradictions."""
    n = levels.heights.lattice.n_cells
    level_of: dict[int, int] = {}
    for cell, level in pins:
        if not 0 <= cell < n:
            raise BriefError(
                f"a pin names cell number {cell}; the board's cells are numbered 0 to {n - 1}",
                remedy="pin a cell that the board has",
                key="pins",
                value=cell,
            )
        if level_of.setdefault(int(cell), int(level)) != level:
            label = levels.heights.lattice.labels[cell]
            raise BriefError(
                f"the cell {label} is pinned twice, to level {level_of[cell]} and to level {level}",
                remedy=f"pin {label} once",
                key="pins",
                value=(level_of[cell], level),
                cell=cell,
            )
    return tuple(sorted(level_of.items()))


def _checked_bounds(
    levels: Levels, bounds: tuple[int, int] | None, pins: tuple[tuple[int, int], ...]
) -> tuple[int, int]:
    """Check the range of levels; refuse an impossible one and pins outside it."""
    highest = max((level for _, level in pins), default=0)
    lower, upper = bounds or (0, max(len(levels.thresholds_m), min(highest, MAX_BOUND)))
    if not -MAX_BOUND <= lower <= upper <= MAX_BOUND:
        raise BriefError(
            f"bounds are level {lower} to level {upper}; they must ascend, and lie from"
            f" {-MAX_BOUND} to {MAX_BOUND}",
            remedy="give the least level, then the greatest",
            key="bounds",
            value=(lower, upper),
        )
    for cell, level in pins:
        if not lower <= level <= upper:
            label = levels.heights.lattice.labels[cell]
            raise BriefError(
                f"the cell {label} is pinned to level {level}; levels must be from {lower}"
                f" to {upper}",
                remedy=f"pin {label} within that range",
                key="pins",
                value=level,
                cell=cell,
            )
    return int(lower), int(upper)


def _checked_weight(weight: ArrayLike | None, n: int) -> NDArray[np.float64]:
    """Check the weights; refuse a wrong length, negative and non-finite ones."""
    if weight is None:
        return np.ones(n)
    weights = np.array(weight, dtype=np.float64)
    if weights.shape != (n,):
        raise wrong_shape("weight", weights.shape, f"({n},): one weight per cell")
    is_wrong = ~((weights >= 0.0) & np.isfinite(weights))
    if is_wrong.any():
        cell = int(is_wrong.argmax())
        raise BriefError(
            f"weight of cell number {cell} is {weights[cell]}; it must be finite and not negative",
            remedy="give 0 for a cell that may move freely, and more for one that should stay",
            key="weight",
            value=float(weights[cell]),
            cell=cell,
        )
    return weights
