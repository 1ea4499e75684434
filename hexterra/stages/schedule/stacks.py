"""Stacks of spacers: part of `schedule`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import BriefError, StockError

_UM_PER_MM: Final = 1000


def compose_stacks(
    level: NDArray[np.int32], labels: Sequence[str], step_mm: float, stock_mm: Sequence[float]
) -> tuple[tuple[float, ...], ...]:
    """Compose the stack of every level in use from the fewest stocked spacers.

    Parameters
    ----------
    level
        Level of each cell, (n,) int32.
    labels
        Name of each cell, for messages.
    step_mm
        Height of one step, in millimetres.
    stock_mm
        Thicknesses of spacers that can be cut, in millimetres, in any order.

    Returns
    -------
    tuple[tuple[float, ...], ...]
        By level from 0 to the highest: thicknesses in millimetres, thickest first, that add up
        to ``level * step_mm`` exactly in whole micrometres; of equally many, the thickest first.
        Empty for a level that no cell has.

    Raises
    ------
    BriefError
        If `step_mm` is not above 0 or not a whole number of micrometres.
    StockError
        If a stocked thickness is not above 0 or not a whole number of micrometres, none is given,
        or a level cannot be composed.
    """
    step_um = _micrometres(step_mm)
    if step_um <= 0:
        raise BriefError(
            f"a step is {step_mm!r} mm; it must be above 0 and a whole number of micrometres",
            remedy="round step_mm to three decimals",
            step_mm=step_mm,
        )
    stock_um = sorted({_micrometres(thickness) for thickness in stock_mm}, reverse=True)
    if not stock_um or stock_um[-1] <= 0:
        raise StockError(
            f"the stocked thicknesses are {list(stock_mm)!r} mm; each must be above 0 and a whole"
            " number of micrometres, and there must be one",
            remedy="list what you stock, rounded to three decimals, as 7.5, 15, 30",
            stock_mm=tuple(stock_mm),
        )
    levels = np.unique(level).tolist()
    composed = _compose([number * step_um for number in levels], stock_um)
    stacks: list[tuple[float, ...]] = [()] * (max(levels, default=-1) + 1)
    for number in levels:
        stack_um = composed.get(number * step_um)
        if stack_um is None:
            cell = labels[int(np.flatnonzero(level == number)[0])]
            listed = ", ".join(f"{thickness / _UM_PER_MM:g}" for thickness in stock_um)
            raise StockError(
                f"level {number} (cell {cell} and others like it) needs {number * step_mm:g} mm of"
                f" spacers, which {listed} mm do not add up to",
                remedy=f"stock spacers of {step_mm:g} mm, of which every level can be made, or"
                " choose a step that your spacers are multiples of",
                level=number,
                height_mm=number * step_mm,
                stock_mm=tuple(thickness / _UM_PER_MM for thickness in stock_um),
            )
        stacks[number] = tuple(thickness / _UM_PER_MM for thickness in stack_um)
    return tuple(stacks)


def _micrometres(length_mm: float) -> int:
    """Return a length in whole micrometres; 0 if it is none, or not finite."""
    if not math.isfinite(length_mm):
        return 0
    length_um = round(length_mm * _UM_PER_MM)
    return length_um if abs(length_um - length_mm * _UM_PER_MM) < 1e-6 * _UM_PER_MM else 0


def _compose(heights_um: Iterable[int], stock_um: list[int]) -> dict[int, tuple[int, ...]]:
    """Return the fewest blocks for each height that has any, thickest first.

    `stock_um` descends. Breadth first over all sums up to the greatest height, counted in the
    greatest common divisor of the stock.
    """
    unit = math.gcd(*stock_um)
    wanted = {height for height in heights_um if height >= 0 and height % unit == 0}
    blocks = [thickness // unit for thickness in stock_um]
    fewest = np.full(max(wanted, default=0) // unit + 1, -1, dtype=np.int32)
    fewest[0] = 0
    edge = np.zeros(1, dtype=np.int64)
    n_blocks = 0
    while len(edge):
        n_blocks += 1
        sums = np.unique((edge[:, None] + np.array(blocks)).ravel())
        sums = sums[sums < len(fewest)]
        edge = sums[fewest[sums] < 0]
        fewest[edge] = n_blocks
    composed: dict[int, tuple[int, ...]] = {}
    for height in wanted:
        left = height // unit
        if fewest[left] < 0:
            continue
        stack: list[int] = []
        while left:
            # A block that leaves one fewer for the rest; the thickest such is never followed by
            # a thicker one, which could have been taken first.
            block = next(b for b in blocks if b <= left and fewest[left - b] == fewest[left] - 1)
            stack.append(block * unit)
            left -= block
        composed[height] = tuple(stack)
    return composed
