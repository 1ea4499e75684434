"""What cells may hold and what they hear from each other: the tables that message kernels work on.

Part of `refine`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels import messages as kernels
from hexterra.kernels.labels import TOO_MUCH
from hexterra.kernels.layers import decide
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.choices import Choices, Sides

#: Relative error of one cell's or side's part of a bound: a few thousand roundings.
_ROUNDING: Final = 1e-12


@dataclass
class Field:
    """Labels still in the running and messages of n cells; changed in place by its methods.

    Parameters
    ----------
    sides, rises, codes, max_rise, lowest, n_heights
        As in `hexterra.kernels.messages`.
    first, count, price, row, offset
        The labels still in the running, and their prices.
    start, message
        What cells hear across their sides.
    part
        What each cell added to the bound in the last sweep, (n,) float64.
    """

    sides: Sides
    rises: NDArray[np.int32]
    codes: NDArray[np.int32]
    max_rise: int
    lowest: NDArray[np.int32]
    n_heights: NDArray[np.int32]
    first: NDArray[np.int64]
    count: NDArray[np.int32]
    price: NDArray[np.float64]
    row: NDArray[np.int16]
    offset: NDArray[np.int32]
    start: NDArray[np.int64]
    message: NDArray[np.float64]

    def __post_init__(self) -> None:
        n = len(self.lowest)
        neighbours = self.sides[0]
        ahead = neighbours > np.arange(n)[:, None]
        n_ahead = ahead.sum(axis=1)
        n_behind = (neighbours >= 0).sum(axis=1) - n_ahead
        self._share = 1.0 / np.maximum(1, np.maximum(n_ahead, n_behind))
        self.part = np.zeros(n)

    @property
    def width(self) -> int:
        """How many states there are for each height of a side's first corner."""
        return 2 * self.max_rise + 1

    @property
    def margin(self) -> float:
        """How far rounding may carry a bound."""
        told = self.message
        greatest = float(np.max(told, initial=0.0, where=told < TOO_MUCH))
        return _ROUNDING * (N_SIDES + 1) * len(self.count) * (greatest + 1.0)

    def sweep(self, is_up: bool, slack: float) -> float:
        """Pass messages once; return a lower bound, give or take `margin`.

        Labels go that are worse than the best of their cell by more than `slack`.
        """
        return kernels.sweep(
            int(is_up), slack, *self.sides, self._share, self.codes, self.max_rise, self.lowest,
            self.n_heights, self.first, self.count, self.price, self.row, self.offset, self.start,
            self.message, self.part,
        )  # fmt: skip

    def choose(self, order: NDArray[np.int32]) -> NDArray[np.int32]:
        """Return the board, (n, 6) corners, that the messages suggest if cells choose in turn."""
        corners = np.empty((len(self.count), N_SIDES), dtype=np.int32)
        kernels.choose(
            order, *self.sides, self.rises, self.codes, self.width, self.lowest, self.n_heights,
            self.first, self.count, self.price, self.row, self.offset, self.start, self.message,
            corners,
        )  # fmt: skip
        return corners

    def decide(self, most: float, n_most: int) -> tuple[NDArray[np.int32], bool] | None:
        """Return the cheapest board that costs no more than `most`, and whether it is proven so.

        The last sweep must have been up. Cells choose in descending order, and of the beginnings of
        a board the `n_most` that promise most go on: it is proven if there was room for all. None
        if none of those that go on ends within `most`.
        """
        n = len(self.count)
        order = np.arange(n, dtype=np.int32)[::-1].copy()
        still = np.cumsum(self.part) - self.part  # the bound of what is not decided yet
        corners = np.empty((n, N_SIDES), dtype=np.int32)
        dropped = decide(
            order, n_most, most + self.margin - still[::-1], *self.sides, self.rises, self.codes,
            self.max_rise, self.lowest, self.n_heights, self.first, self.count, self.price,
            self.row, self.offset, self.start, self.message, corners,
        )  # fmt: skip
        return None if dropped < 0 else (corners, dropped == 0)


def field_of(choices: Choices) -> Field:
    """Return the field of a board on which nothing has been heard yet."""
    rises = choices.settings.rises
    max_rise = int(rises.max())
    width = 2 * max_rise + 1
    climb = np.roll(rises, -1, axis=1) - rises
    n_heights = (choices.n_bases + max_rise).astype(np.int32)
    count = (choices.n_bases * choices.n_rows).astype(np.int32)
    number = np.arange(len(choices.price)) - np.repeat(choices.first[:-1], count)
    start = _starts(n_heights.astype(np.int64) * (width * N_SIDES))
    return Field(
        sides=choices.sides,
        rises=rises,
        codes=(rises * width + climb + max_rise).astype(np.int32),
        max_rise=max_rise,
        lowest=choices.lowest,
        n_heights=n_heights,
        first=choices.first,
        count=count,
        price=choices.price.copy(),
        row=(number % choices.n_rows).astype(np.int16),
        offset=(number // choices.n_rows * width).astype(np.int32),
        start=start,
        message=np.zeros(start[-1]),
    )


def _starts(length: NDArray[np.signedinteger]) -> NDArray[np.int64]:
    """Return where each of consecutive stretches begins, and the last one ends."""
    starts = np.zeros(len(length) + 1, dtype=np.int64)
    np.cumsum(length, out=starts[1:])
    return starts
