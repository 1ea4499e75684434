"""The cost of levels, in whole numbers, and the proof that it is the least.

Part of `legalise`. All arithmetic is int64, so that "optimal" means equal, not nearly equal. The
bound is computed here in NumPy from the flow that the kernel hands back; nothing else of the
kernel's work is trusted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from hexterra.errors import BriefError
from hexterra.stages.levels.constraints import NO_LIMIT

if TYPE_CHECKING:
    from numpy.typing import NDArray

Measure = Literal["absolute", "square"]

#: With n cells, weights W, S units per step and levels and positions within `span` of 0, no cost,
#: flow or partial sum exceeds 8 * n * W * S * span**power: less than 2**60.
_FREE_BITS: Final = 57
_MOST_FRACTION_BITS: Final = 20
_LEAST_FRACTION_BITS: Final = 6
_MOST_WEIGHT_BITS: Final = 20
_NO_CAP: Final = 2**62


@dataclass(frozen=True, eq=False, repr=False)
class Objective:
    """Convex cost of each cell on whole levels, in fixed point.

    With P the `target`, S the `step`, W the `weight` and x the level, a cell costs
    ``W * abs(x * S - P)`` (absolute), or ``W * (S * (x - q)**2 - 2 * (x - q) * (P - q * S))``
    with q the whole level nearest to the target (square, less what no level can avoid). Either
    way one more level costs ``W * clip((2 * x + 1) * S - 2 * P, -cap, cap)``.
    """

    measure: Measure
    target: NDArray[np.int64]
    weight: NDArray[np.int64]
    step: int
    weight_unit: float

    @property
    def cap(self) -> int:
        """Steepest slope for one unit of weight."""
        return self.step if self.measure == "absolute" else _NO_CAP

    @property
    def unit(self) -> float:
        """The size of one unit of cost or flow, in weighted steps or squared steps."""
        return self.weight_unit / self.step

    def units_of(self, level: NDArray[np.int64]) -> NDArray[np.int64]:
        """Cost of each cell at a level, (n,) int64, in units."""
        if self.measure == "absolute":
            return self.weight * np.abs(level * self.step - self.target)
        nearest = self._nearest
        rest = self.target - nearest * self.step
        away = level - nearest
        return self.weight * (self.step * away * away - 2 * away * rest)

    def value_of(self, units: int) -> float:
        """Turn units into weighted or squared steps, plus the part that no level can avoid."""
        value = units * self.unit
        if self.measure == "square":
            rest = (self.target - self._nearest * self.step) / self.step
            value += float((self.weight * self.weight_unit * rest**2).sum())
        return value

    @property
    def _nearest(self) -> NDArray[np.int64]:
        return (2 * self.target + self.step) // (2 * self.step)

    def bound_units(
        self,
        lower: NDArray[np.int32],
        upper: NDArray[np.int32],
        rise: NDArray[np.int32],
        flow: NDArray[np.int64],
    ) -> int:
        """Lowest cost that the multipliers `flow` leave possible, in units.

        Weak duality: for any multipliers y >= 0 of the constraints ``x_u - x_v <= rise``, no
        feasible levels cost less than the sum over cells of the least of
        ``cost(x) + x * (sum of y out - sum of y in)`` over the cell's range, less the sum of
        ``y * rise``. A cell's least lies where its slope changes sign, or at an end of its range.

        Parameters
        ----------
        lower, upper
            Range of each cell, (n,) int32.
        rise
            Constraints, (n, 6) int32; see `Constraints`.
        flow
            Net multipliers, (n, 6) int64: y is its positive part.

        Raises
        ------
        ValueError
            If a multiplier stands where there is no constraint: a programming error.
        """
        pressed = np.maximum(flow, 0)
        if pressed[rise == NO_LIMIT].any():
            raise ValueError("a flow runs across a side that has no constraint")
        push = flow.sum(axis=1)  # antisymmetric: out less in
        if self.measure == "absolute":
            low = self.target // self.step
        else:
            slope = np.maximum(2 * self.weight * self.step, 1)
            low = -((push - self.weight * (2 * self.target - self.step)) // slope)
        least = np.full(len(push), 2**62)
        for candidate in (low, low + 1, lower.astype(np.int64), upper.astype(np.int64)):
            level = np.clip(candidate, lower, upper)
            np.minimum(least, self.units_of(level) + level * push, out=least)
        return int(least.sum()) - int((pressed * rise)[pressed > 0].sum())


def objective(
    position: NDArray[np.float64],
    weight: NDArray[np.float64],
    measure: Measure,
    lower: int,
    upper: int,
) -> Objective:
    """Round positions and weights to fixed point, as finely as int64 sums allow.

    Positions keep up to 20 binary places and weights up to 20 bits, fewer only on boards so large
    or tall that sums could overflow; equal weights are exact and need none, and a positive weight
    never rounds to 0.

    Raises
    ------
    BriefError
        If target levels are so far outside the bounds that sums could overflow.
    """
    farthest = float(np.abs(position).max(initial=0.0))
    span = 2.0 + max(abs(lower), abs(upper), farthest)
    power = 1 if measure == "absolute" else 2  # of the span, in sums
    free_bits = _FREE_BITS - int(np.ceil(np.log2(max(len(position), 2)) + power * np.log2(span)))
    heaviest = float(weight.max(initial=0.0))
    is_even = heaviest == float(weight.min(initial=heaviest))
    weight_bits = 0 if is_even else min(_MOST_WEIGHT_BITS, free_bits // 2)
    fraction_bits = min(_MOST_FRACTION_BITS, free_bits - weight_bits)
    if fraction_bits < _LEAST_FRACTION_BITS:
        raise BriefError(
            f"the target of a cell is {farthest:,.0f} steps from level 0, too far for an exact sum",
            remedy="choose larger metres_per_step or a datum nearer to the ground",
            key="metres_per_step",
            value=farthest,
        )
    step = 2**fraction_bits
    if is_even:
        unit, whole = heaviest, np.full(len(weight), int(heaviest > 0.0))
    else:  # a power of two, so that whole numbers and binary fractions stay as they are
        unit = float(np.exp2(np.ceil(np.log2(heaviest)) - weight_bits))
        whole = np.maximum(np.rint(weight / unit), weight > 0.0).astype(np.int64)
    target = np.rint(position * step).astype(np.int64)
    return Objective(measure, target, whole, step, unit)
