"""The rules between levels of neighbouring cells, and the message when they cannot be met.

Part of `legalise`. Every rule is a *difference constraint*: cell u may stand at most so many
levels above its neighbour v. Ramps set a limit both ways; falling water sets limit 0 one way.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Final, cast

import numpy as np

from hexterra.errors import BriefError, InfeasibleError
from hexterra.kernels.board.level_flow import Slots
from hexterra.lattice.hexagon import N_SIDES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.lattice.lattice import Lattice
    from hexterra.stages.water.flow import Watercourses

#: Means no limit at all. No level comes near it.
NO_LIMIT: Final = 2**30

MAX_RAMP: Final = 2
_MAX_NAMED: Final = 12  # links of a chain that a message spells out


@dataclass(frozen=True, eq=False, repr=False)
class Constraints:
    """The rules, as far as each cell may stand above each neighbour.

    Parameters
    ----------
    lattice
        The n cells.
    rise
        How far each cell may stand above each neighbour, (n, 6) int32, not negative; `NO_LIMIT`
        at cliffs and where no cell adjoins.
    """

    lattice: Lattice
    rise: NDArray[np.int32]

    @cached_property
    def is_slot(self) -> NDArray[np.bool_]:
        """Sides with a cell across, (n, 6) bool; in order, they are the slots of the kernels."""
        return self.lattice.neighbours >= 0

    @cached_property
    def slots(self) -> Slots:
        """The rules for the kernels."""
        first = np.zeros(len(self.rise) + 1, dtype=np.int32)
        np.cumsum(self.is_slot.sum(axis=1), out=first[1:])
        to = self.lattice.neighbours[self.is_slot]
        slot = np.cumsum(self.is_slot.ravel(), dtype=np.int32) - np.int32(1)
        twin = slot[to * np.int32(N_SIDES) + self.lattice.back_sides[self.is_slot]]
        bound = self.rise[self.is_slot]
        return Slots(first, to, twin, bound, bound[twin])

    @cached_property
    def slots_upside_down(self) -> Slots:
        """The same rules for a board turned upside down: each applies to its slot's twin."""
        return self.slots._replace(bound=self.slots.back, back=self.slots.bound)


def constrain(
    lattice: Lattice,
    limit: NDArray[np.int8],
    cliff: NDArray[np.bool_],
    water: Watercourses | None,
) -> Constraints:
    """Turn ramp limits, cliffs and falling water into difference constraints.

    Where water runs from w across a side to d, d and the two neighbours of w beside that side may
    not stand above w, cliffs or not. With corners as high as their highest cell, both corners of
    the side then stand exactly at w's level, so the built bed never rises downstream. Cells of one
    lake, or of the sea, stand at one level.
    """
    rise = np.full((lattice.n_cells, N_SIDES), NO_LIMIT, dtype=np.int32)
    np.copyto(rise, limit, where=(lattice.neighbours >= 0) & ~cliff)
    if water is not None:
        cell = np.flatnonzero(water.outflow >= 0)
        out = water.outflow[cell].astype(np.int64)
        n_sides = _n_sides(lattice)[cell]
        for side in ((out - 1) % n_sides, out, (out + 1) % n_sides):
            lower = lattice.neighbours[cell, side]
            adjoins = lower >= 0
            rise[lower[adjoins], lattice.back_sides[cell, side][adjoins]] = 0
        if water.standing is not None:
            rise[water.standing.joins] = 0
    return Constraints(lattice, rise)


def keep_banks(
    rules: Constraints, cliff: NDArray[np.bool_], water: Watercourses | None
) -> Constraints:
    """Add that a valley keeps its banks, but for cliffs.

    Dry ground beside a watercourse that is no lower than the cell through which it runs may not be
    built lower.
    """
    if water is None:
        return rules
    there, mean_m = water.heights.lattice.neighbours, water.heights.mean_m
    is_wet = water.is_watercourse
    beside = (there >= 0) & is_wet[:, None] & ~is_wet[there]
    is_bank = beside & (mean_m[there] >= mean_m[:, None])
    return Constraints(rules.lattice, np.where(is_bank & ~cliff, 0, rules.rise).astype(np.int32))


def _n_sides(lattice: Lattice) -> NDArray[np.int64]:
    """Sides of each cell: 5 for a pentagon, whose sixth corner repeats its first."""
    is_pentagon = lattice.corner_of[:, 5] == lattice.corner_of[:, 0]
    return np.where(is_pentagon, N_SIDES - 1, N_SIDES)


def refuse(
    constraints: Constraints,
    via: NDArray[np.int32],
    lower: NDArray[np.int32],
    upper: NDArray[np.int32],
    most: NDArray[np.int32],
) -> InfeasibleError:
    """Explain why no levels meet the constraints: name the chain of cells that conflict.

    Parameters
    ----------
    constraints
        The rules.
    via
        Which neighbour lowered each cell last, (n,) int32; see
        `hexterra.kernels.board.level_flow.tighten`.
    lower, upper
        Range of each cell by itself, (n,) int32.
    most
        The highest level of each cell that its neighbours allow, (n,) int32, somewhere below
        `lower`.
    """
    chain = [int((lower - most).argmax())]
    while most[chain[-1]] < upper[chain[-1]]:
        chain.append(int(via[chain[-1]]))
    labels = constraints.lattice.labels
    first, last = chain[0], chain[-1]
    links = [_link(constraints, labels, one, other) for one, other in pairwise(chain)]
    if len(links) > _MAX_NAMED:
        half = _MAX_NAMED // 2
        links[half:-half] = [f"and so on through {len(links) - 2 * half} more cells"]
    lowest_rule = "is pinned to" if lower[last] == upper[last] else "can be no higher than"
    highest_rule = "is pinned to" if lower[first] == upper[first] else "must be no lower than"
    return InfeasibleError(
        f"the cell {labels[first]} {highest_rule} level {lower[first]}, but {labels[last]}"
        f" {lowest_rule} level {upper[last]}, and between them " + "; ".join(links) + ":"
        f" {labels[first]} can be at level {most[first]} at most",
        remedy=f"move the pin of {labels[first]} or {labels[last]}, mark a cliff between them,"
        " raise the ramp limit, or let the water run elsewhere",
        chain=tuple(chain),
        labels=tuple(labels[cell] for cell in chain),
        excess=int(lower[first] - most[first]),
    )


def _link(constraints: Constraints, labels: tuple[str, ...], one: int, other: int) -> str:
    """Say how far `one` may stand above its neighbour `other`, and why."""
    side = constraints.lattice.neighbours[one] == other
    rise = int(constraints.rise[one][side].min())
    if rise == 0:
        return f"{labels[one]} may not be above {labels[other]}, where water runs down"
    steps = "1 step" if rise == 1 else f"{rise} steps"
    return f"{labels[one]} may be {steps} above {labels[other]}"


def checked_limit(lattice: Lattice, ramp_limit: int | NDArray[np.int8]) -> NDArray[np.int8]:
    """Spread the limit over all sides; refuse wrong shapes, other limits and asymmetric ones."""
    shape = lattice.neighbours.shape
    given = np.asarray(ramp_limit)
    if given.ndim == 0:
        given = np.full(shape, given)
    if given.shape != shape:
        raise wrong_shape("ramp_limit", given.shape, f"one number, or {shape}: one per side")
    if not ((given >= 1) & (given <= MAX_RAMP)).all():
        worst = given[(given < 1) | (given > MAX_RAMP)][0]
        raise BriefError(
            f"ramp_limit is {worst} steps; it must be 1 or {MAX_RAMP}",
            remedy="choose 1 for gentle ramps only, or 2 to allow steep ones",
            key="ramp_limit",
            value=int(worst),
        )
    limit = given.astype(np.int8)
    _check_symmetric("ramp_limit", lattice, limit)
    return limit


def checked_cliffs(lattice: Lattice, cliffs: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    """Check the cliffs; refuse wrong shapes and asymmetric ones."""
    shape = lattice.neighbours.shape
    if cliffs is None:
        return np.zeros(shape, dtype=np.bool_)
    is_cliff = np.array(cliffs, dtype=np.bool_)
    if is_cliff.shape != shape:
        raise wrong_shape("cliffs", is_cliff.shape, f"{shape}: one mark per side")
    _check_symmetric("cliffs", lattice, is_cliff)
    return is_cliff


def _check_symmetric(
    key: str, lattice: Lattice, by_side: NDArray[np.int8] | NDArray[np.bool_]
) -> None:
    """Refuse a side that differs seen from its two cells."""
    across = by_side[lattice.neighbours, lattice.back_sides]
    differs = (across != by_side) & (lattice.neighbours >= 0)
    if differs.any():
        cell, side = (int(number) for number in np.argwhere(differs)[0])
        names = lattice.labels[cell], lattice.labels[int(lattice.neighbours[cell, side])]
        seen = cast("tuple[object, object]", (by_side[cell, side], across[cell, side]))
        raise BriefError(
            f"{key} between the cells {names[0]} and {names[1]} is {seen[0]} seen from"
            f" {names[0]} and {seen[1]} seen from {names[1]}; it must be the same",
            remedy="give both cells the same value across the side they share",
            key=key,
            value=seen,
        )


def wrong_shape(key: str, got: tuple[int, ...], expected: str) -> BriefError:
    """Explain that an argument has another shape than the cells need."""
    return BriefError(
        f"{key} has shape {got}; it must be {expected}",
        remedy=f"give {key} in that shape",
        key=key,
        value=got,
    )
