"""What cells may hold and what they hear from each other: the tables that message kernels work on.

Part of `refine`. A field is of a whole board, or of some of its cells while the others stay.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.board import message_sweeps as kernels
from hexterra.kernels.board.partial_boards import decide
from hexterra.kernels.board.tile_costs import TOO_MUCH
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.search.candidates import Choices, Sides, faces_between, price_faces

#: Relative error of one cell's or side's part of a bound: a few thousand roundings.
_ROUNDING: Final = 1e-12


@dataclass
class Field:
    """Labels still in the running and messages of n cells; changed in place by its methods.

    Parameters
    ----------
    sides, rises, codes, max_rise, lowest, n_heights
        As in `hexterra.kernels.board.message_sweeps`.
    first, count, price, row, offset
        The labels still in the running, and their prices.
    start, message
        What cells hear across their sides.
    along_water
        What share of all that a watercourse cell has to tell goes along the water, 0 to 1.
    share
        What share of all that a cell has to tell goes across each side, (n, 6) float64.
    part
        What each cell's sides ahead and the cell itself added to the bound in the last sweep,
        (n, 7) float64.
    greatest
        No message told down or up, prohibitions left out, is greater in size than this, (2,).
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
    along_water: float
    greatest: NDArray[np.float64]

    def __post_init__(self) -> None:
        self.part = np.zeros((len(self.lowest), N_SIDES + 1))
        self.share = _shares(self.sides, self.along_water)

    @property
    def width(self) -> int:
        """How many states there are for each height of a side's first corner."""
        return 2 * self.max_rise + 1

    @property
    def margin(self) -> float:
        """How far rounding may carry a bound."""
        return _ROUNDING * (N_SIDES + 1) * len(self.count) * float(self.greatest.max() + 1.0)

    def measure(self) -> None:
        """Take note of messages that were not written by sweeps."""
        size = np.abs(self.message)
        self.greatest = np.full(2, size.max(initial=0.0, where=size < TOO_MUCH))

    def sweep(self, is_up: bool, slack: float) -> float:
        """Pass messages once; return a lower bound, give or take `margin`.

        Labels go that are worse than the best of their cell by more than `slack`.
        """
        bound, self.greatest[int(is_up)] = kernels.sweep(
            int(is_up), slack, *self.sides, self.share, self.codes, self.max_rise, self.lowest,
            self.n_heights, self.first, self.count, self.price, self.row, self.offset, self.start,
            self.message, self.part,
        )  # fmt: skip
        return bound

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
        part = self.part.sum(axis=1)
        still = np.cumsum(part) - part  # the bound of what is not decided yet
        corners = np.empty((n, N_SIDES), dtype=np.int32)
        dropped = decide(
            order, n_most, most + self.margin - still[::-1], *self.sides, self.rises, self.codes,
            self.max_rise, self.lowest, self.n_heights, self.first, self.count, self.price,
            self.row, self.offset, self.start, self.message, corners,
        )  # fmt: skip
        return None if dropped < 0 else (corners, dropped == 0)

    def excess(
        self, corners: NDArray[np.int32], top: NDArray[np.float64], face: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return by how much a board costs more in each cell than the bound allows for, (n,).

        In all that is the difference between its cost and the bound. The last sweep must have been
        up.

        Parameters
        ----------
        corners, top, face
            The board, (n, 6); what its tops cost, (n,); and its faces, (n, 6), each counted in the
            cell of the lower number.
        """
        neighbours, back = self.sides[:2]
        n_states = (self.n_heights * self.width)[:, None]
        climb = np.roll(corners, -1, axis=1) - corners
        state = (corners - self.lowest[:, None]) * self.width + climb + self.max_rise
        incoming = self.message[self.start[:-1, None] + np.arange(N_SIDES) * n_states + state]
        more = np.where(_is_ahead(neighbours), face - incoming - incoming[neighbours, back], 0.0)
        return top + incoming.sum(axis=1) + more.sum(axis=1) - self.part.sum(axis=1)

    def within(self, cells: NDArray[np.intp], corners: NDArray[np.int32]) -> Field:
        """Return a field of some cells, ascending, while all others hold these `corners`, (n, 6).

        What the others ask for their faces is in the prices then.
        """
        cut = _Cut(self, cells)
        neighbours, back, fixed, per_step, falls = self.sides
        price = self.price[cut.held]
        row, base = self.row[cut.held], self.lowest[cut.cell] + self.offset[cut.held] // self.width
        for s in range(N_SIDES):
            at = np.flatnonzero(cut.is_rim[cut.number, s])
            c, r = cut.cell[at], row[at]
            other, u = neighbours[c, s], back[c, s]
            first = base[at] + self.rises[r, s] - corners[other, (u + 1) % N_SIDES]
            second = base[at] + self.rises[r, (s + 1) % N_SIDES] - corners[other, u]
            faces = faces_between(first, second, falls[c, s])
            price[at] += price_faces(*faces, fixed[c, s], per_step[c, s])
        return self._cut_out(cut, price, self.along_water)

    def open(self, cells: NDArray[np.intp], along_water: float) -> tuple[Field, float]:
        """Return a field of some cells, ascending, and what all others add to its bound.

        What the others have told goes into the prices, less what they have been promised: the share
        of each cell that was told ahead in the last sweep, which must have been up.
        """
        cut = _Cut(self, cells)
        row, offset, price = self.row[cut.held], self.offset[cut.held], self.price[cut.held]
        n_states = (self.n_heights * self.width)[cut.cell]
        total = price - self.part[cut.cell, -1]
        for s in range(N_SIDES):
            place = self.start[cut.cell] + s * n_states + offset + self.codes[row, s]
            told = np.where(self.sides[0][cut.cell, s] >= 0, self.message[place], 0.0)
            total += told
            price += np.where(cut.is_rim[cut.number, s], told, 0.0)
        is_promised = cut.is_rim & _is_ahead(self.sides[0])[cells]
        price -= (self.share[cells] * is_promised).sum(axis=1)[cut.number] * total
        rest = float(self.part.sum() - self.part[cells].sum())
        rest += float(self.part[cells, :N_SIDES][is_promised].sum())
        return self._cut_out(cut, price, along_water), rest

    def close(self, cells: NDArray[np.intp], field: Field) -> None:
        """Take over what cells tell each other in a field of them."""
        cut = _Cut(self, cells)
        self.message[cut.told[cut.is_told]] = field.message[cut.is_told]

    def _cut_out(self, cut: _Cut, price: NDArray[np.float64], along_water: float) -> Field:
        _, back, fixed, per_step, falls = self.sides
        count, n_heights = self.count[cut.cells], self.n_heights[cut.cells]
        lowest, first = self.lowest[cut.cells], _starts(count)
        at = cut.cells
        sides = cut.inner, back[at], fixed[at], per_step[at], falls[at]
        for table in (*sides, lowest, first):  # as those of a board are: kernels are compiled once
            table.flags.writeable = False
        return Field(
            sides=sides,
            rises=self.rises,
            codes=self.codes,
            max_rise=self.max_rise,
            lowest=lowest,
            n_heights=n_heights,
            first=first,
            count=count,
            price=price,
            row=self.row[cut.held],
            offset=self.offset[cut.held],
            start=_starts(n_heights.astype(np.int64) * (self.width * N_SIDES)),
            message=np.where(cut.is_told, self.message[cut.told], 0.0),
            along_water=along_water,
            greatest=self.greatest.copy(),
        )


class _Cut:
    """Where in the tables of a field some of its cells, ascending, are found.

    ``inner`` and ``is_rim`` tell which sides, (m, 6), lead to which of these cells, and which to
    others; ``held``, ``number`` and ``cell`` where their labels are, and whose; ``told`` and
    ``is_told`` where what they hear is, and whether one of them told it.
    """

    def __init__(self, field: Field, cells: NDArray[np.intp]) -> None:
        neighbours = field.sides[0][cells]
        local = np.full(len(field.count), -1, dtype=np.int32)
        local[cells] = np.arange(len(cells))
        self.cells = cells
        self.inner = np.where(neighbours >= 0, local[neighbours], -1).astype(np.int32)
        self.is_rim = (neighbours >= 0) & (self.inner < 0)
        count = field.count[cells]
        self.held = _ranges(field.first[cells], count)
        self.number = np.repeat(np.arange(len(cells)), count)
        self.cell = cells[self.number]
        n_states = field.n_heights[cells].astype(np.int64) * field.width
        self.told = _ranges(field.start[cells], N_SIDES * n_states)
        self.is_told = np.repeat((self.inner >= 0).ravel(), np.repeat(n_states, N_SIDES))


def field_of(choices: Choices, along_water: float) -> Field:
    """Return the field of a board on which nothing has been incoming yet."""
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
        along_water=along_water,
        greatest=np.zeros(2),
    )


def _starts(length: NDArray[np.signedinteger]) -> NDArray[np.int64]:
    """Return where each of consecutive stretches begins, and the last one ends."""
    starts = np.zeros(len(length) + 1, dtype=np.int64)
    np.cumsum(length, out=starts[1:])
    return starts


def _ranges(first: NDArray[np.int64], length: NDArray[np.signedinteger]) -> NDArray[np.int64]:
    """Return the numbers of stretches that begin at `first` and are so long, one after another."""
    starts = _starts(length)
    return np.arange(starts[-1]) + np.repeat(first - starts[:-1], length)


def _is_ahead(neighbours: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Tell which sides lead to a cell of a higher number, (n, 6)."""
    return neighbours > np.arange(len(neighbours))[:, None]


def _shares(sides: Sides, along_water: float) -> NDArray[np.float64]:
    """Return what share of all that a cell has to tell goes across each side, (n, 6).

    The board is covered by chains of cells whose numbers ascend, and each cell shares itself out
    among those that run through it, so that the bound does not fall from sweep to sweep
    (Kolmogorov's condition on monotonic chains). Chains that follow water get `along_water`: where
    it falls, levels far up and down depend on each other, and shared out evenly, what they tell
    would wear off with each cell.
    """
    neighbours, falls = sides[0], sides[-1]
    ahead, is_wet = _is_ahead(neighbours), falls != 0

    def n_chains(way: NDArray[np.bool_]) -> NDArray[np.intp]:
        return np.maximum((way & ahead).sum(axis=1), (way & ~ahead).sum(axis=1))

    n_wet, n_dry = n_chains(is_wet), n_chains((neighbours >= 0) & ~is_wet)
    wet = np.where(n_dry == 0, 1.0, np.where(n_wet == 0, 0.0, along_water))
    share_wet, share_dry = wet / np.maximum(n_wet, 1), (1.0 - wet) / np.maximum(n_dry, 1)
    return np.where(is_wet, share_wet[:, None], share_dry[:, None])
