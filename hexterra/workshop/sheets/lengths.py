"""Lengths to bars: what is sawn from stock of one section, as few bars as first fit finds."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from hexterra.values import Value

_NEAR_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Lengths(Value):
    """Lengths on bars.

    Parameters
    ----------
    stock_mm, kerf_mm
        Length of a bar, and what a cut takes away.
    bars
        What is sawn from each bar, from its end.
    """

    stock_mm: float
    kerf_mm: float
    bars: tuple[tuple[float, ...], ...]

    @property
    def n_bars(self) -> int:
        """Bars needed."""
        return len(self.bars)

    @property
    def n_lengths(self) -> int:
        """Lengths sawn from them."""
        return sum(len(bar) for bar in self.bars)

    @property
    def total_mm(self) -> float:
        """All lengths together."""
        return math.fsum(length for bar in self.bars for length in bar)

    @property
    def n_cuts(self) -> int:
        """Cuts: one past each length, unless the bar ends there."""
        used = [math.fsum(bar) + (len(bar) - 1) * self.kerf_mm for bar in self.bars]
        n_flush = sum(abs(each - self.stock_mm) < _NEAR_MM for each in used)
        return self.n_lengths - n_flush


def equal_parts(length_mm: float, stock_mm: float) -> tuple[float, ...]:
    """Part what is longer than a bar into the fewest equal lengths."""
    n_parts = max(math.ceil(length_mm / stock_mm - 1e-9), 1)
    return (length_mm / n_parts,) * n_parts


def cut_lengths(lengths_mm: Iterable[float], stock_mm: float, kerf_mm: float) -> Lengths:
    """Saw lengths, none of them longer than a bar, from bars: the longest first, first fit.

    Notes
    -----
    First-fit decreasing takes at most 11/9 of the fewest bars and 6/9 of a bar more (Dósa, 2007,
    "The tight bound of first fit decreasing bin-packing algorithm", ESCAPE 2007, LNCS 4614).
    """
    bars: list[list[float]] = []
    used_mm: list[float] = []
    for length_mm in sorted(lengths_mm, reverse=True):
        room = stock_mm - length_mm + _NEAR_MM
        number = next((n for n, used in enumerate(used_mm) if used <= room), len(bars))
        if number == len(bars):
            bars.append([])
            used_mm.append(0.0)
        bars[number].append(length_mm)
        used_mm[number] += length_mm + kerf_mm
    return Lengths(stock_mm, kerf_mm, tuple(tuple(bar) for bar in bars))
