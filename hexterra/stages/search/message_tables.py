"""The labels that cells may take and the messages between them: tables for the message kernels.

Part of `refine`. A field covers a whole board, or some of its cells while the others stay fixed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.board.message_sweeps import (
    Labels,
    Messages,
    MessageTables,
    SideStates,
    choose,
    sweep,
)
from hexterra.kernels.board.partial_boards import search_partial_boards
from hexterra.kernels.board.tile_costs import INFEASIBLE_SUM, BoardSides
from hexterra.kernels.compiled import frozen
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.search.candidates import Choices, faces_between, price_faces

#: Relative error of what one cell or side adds to a bound: a few thousand roundings.
_ROUNDING: Final = 1e-12


@dataclass
class MessageField:
    """The remaining labels and the messages of n cells; changed in place by its methods.

    Parameters
    ----------
    tables
        The labels and messages, as the kernels take them.
    along_water
        The share of a watercourse cell's outgoing messages that goes along the water, 0 to 1.
    greatest
        The largest size of a message sent down and up, prohibitions left out, (2,).
    share
        The share of a cell's outgoing messages that goes across each side, (n, 6) float64.
    part
        What the sides of each cell to cells of higher numbers, and the cell itself, added to the
        bound in the last sweep, (n, 7) float64.
    """

    tables: MessageTables
    along_water: float
    greatest: NDArray[np.float64]
    share: NDArray[np.float64] = field(init=False)
    part: NDArray[np.float64] = field(init=False)

    def __post_init__(self) -> None:
        self.part = np.zeros((len(self.labels.n_left), N_SIDES + 1))
        self.share = _shares(self.sides, self.along_water)

    @property
    def sides(self) -> BoardSides:
        """The sides of the cells."""
        return self.tables.sides

    @property
    def labels(self) -> Labels:
        """The remaining labels, and their prices."""
        return self.tables.labels

    @property
    def messages(self) -> Messages:
        """The incoming messages."""
        return self.tables.messages

    @property
    def margin(self) -> float:
        """By how much rounding may change a bound."""
        n = len(self.labels.n_left)
        return _ROUNDING * (N_SIDES + 1) * n * float(self.greatest.max() + 1.0)

    def place_of(
        self,
        cell: NDArray[np.intp] | int,
        side: NDArray[np.intp] | int,
        first: NDArray[np.int32] | int,
        second: NDArray[np.int32] | int,
    ) -> NDArray[np.int64]:
        """Return the places of incoming messages about sides with these corner heights."""
        lowest, n_heights, start, _ = self.messages
        width, max_rise = self.tables.states.width, self.tables.states.max_rise
        state = (first - lowest[cell]) * width + second - first + max_rise
        return start[cell] + side * n_heights[cell] * width + state

    def measure(self) -> None:
        """Update `greatest` after messages were written by anything but a sweep."""
        size = np.abs(self.messages.value)
        self.greatest = np.full(2, size.max(initial=0.0, where=size < INFEASIBLE_SUM))

    def sweep(self, is_up: bool, slack: float) -> float:
        """Pass messages once; return a lower bound that is exact to within `margin`.

        Labels that are worse than the best of their cell by more than `slack` are removed.
        """
        bound, self.greatest[int(is_up)] = sweep(
            int(is_up), slack, self.tables, self.share, self.part
        )
        return bound

    def choose(self, order: NDArray[np.int32]) -> NDArray[np.int32]:
        """Return the board, (n, 6) corners, that the messages suggest if cells choose in turn."""
        corners = np.empty((len(order), N_SIDES), dtype=np.int32)
        choose(order, self.tables, corners)
        return corners

    def search_partial_boards(
        self, most: float, n_kept: int
    ) -> tuple[NDArray[np.int32], bool] | None:
        """Return the cheapest board that costs no more than `most`, and whether that is proven.

        The last sweep must have been up. Boards are built cell by cell, in descending order, and
        the `n_kept` most promising partial boards are extended: the result is proven if none had
        to be dropped. None if no board that was completed costs at most `most`.
        """
        n = len(self.labels.n_left)
        order = np.arange(n, dtype=np.int32)[::-1].copy()
        part = self.part.sum(axis=1)
        open_bound = np.cumsum(part) - part  # of the cells that are not decided yet
        corners = np.empty((n, N_SIDES), dtype=np.int32)
        limit = most + self.margin - open_bound[::-1]
        dropped = search_partial_boards(order, limit, n_kept, self.tables, corners)
        return None if dropped < 0 else (corners, dropped == 0)

    def excess(
        self, corners: NDArray[np.int32], top: NDArray[np.float64], face: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return by how much the cost of a board exceeds the bound in each cell, (n,).

        The sum is the difference between its cost and the bound. The last sweep must have been up.

        Parameters
        ----------
        corners, top, face
            The board, (n, 6); what its tops cost, (n,); and its faces, (n, 6), each counted in the
            cell of the lower number.
        """
        neighbours, back = self.sides.neighbours, self.sides.back
        cell, side = np.arange(len(corners))[:, None], np.arange(N_SIDES)
        place = self.place_of(cell, side, corners, np.roll(corners, -1, axis=1))
        incoming = self.messages.value[place]
        more = face - incoming - incoming[neighbours, back]
        more = np.where(_is_ahead(neighbours), more, 0.0)
        return top + incoming.sum(axis=1) + more.sum(axis=1) - self.part.sum(axis=1)

    def fix_others(self, cells: NDArray[np.intp], corners: NDArray[np.int32]) -> MessageField:
        """Return a field of some cells, ascending; all others are fixed at `corners`, (n, 6).

        The prices then contain the faces towards the fixed cells.
        """
        cut = _SubField(self, cells)
        neighbours, back, fixed, per_step, falls = self.sides
        rises, width = self.tables.states.rises, self.tables.states.width
        price, oriented = self.labels.price[cut.label_index], self.labels.oriented[cut.label_index]
        base = self.messages.lowest[cut.cell] + self.labels.offset[cut.label_index] // width
        for s in range(N_SIDES):
            at = np.flatnonzero(cut.is_rim[cut.number, s])
            c, p = cut.cell[at], oriented[at]
            other, u = neighbours[c, s], back[c, s]
            first = base[at] + rises[p, s] - corners[other, (u + 1) % N_SIDES]
            second = base[at] + rises[p, (s + 1) % N_SIDES] - corners[other, u]
            faces = faces_between(first, second, falls[c, s])
            price[at] += price_faces(*faces, fixed[c, s], per_step[c, s])
        return self._sub_field(cut, price, self.along_water)

    def extract(self, cells: NDArray[np.intp], along_water: float) -> tuple[MessageField, float]:
        """Return a field of some cells, ascending, and what all others add to its bound.

        The prices then contain the messages from the other cells, less what these cells sent
        to others of higher numbers in the last sweep, which must have been up.
        """
        cut = _SubField(self, cells)
        labels, messages, states = self.labels, self.messages, self.tables.states
        price = labels.price[cut.label_index]
        n_states = (messages.n_heights * states.width)[cut.cell]
        total = price - self.part[cut.cell, -1]
        for s in range(N_SIDES):
            place = messages.start[cut.cell] + s * n_states + labels.offset[cut.label_index]
            place += states.codes[labels.oriented[cut.label_index], s]
            is_shared = self.sides.neighbours[cut.cell, s] >= 0
            incoming = np.where(is_shared, messages.value[place], 0.0)
            total += incoming
            price += np.where(cut.is_rim[cut.number, s], incoming, 0.0)
        is_sent = cut.is_rim & _is_ahead(self.sides.neighbours)[cells]
        price -= (self.share[cells] * is_sent).sum(axis=1)[cut.number] * total
        rest = float(self.part.sum() - self.part[cells].sum())
        rest += float(self.part[cells, :N_SIDES][is_sent].sum())
        return self._sub_field(cut, price, along_water), rest

    def merge(self, cells: NDArray[np.intp], field: MessageField) -> None:
        """Copy back the messages between cells from a field that was extracted for them."""
        cut = _SubField(self, cells)
        value = field.messages.value[cut.is_inner]
        self.messages.value[cut.message_index[cut.is_inner]] = value

    def _sub_field(
        self, cut: _SubField, price: NDArray[np.float64], along_water: float
    ) -> MessageField:
        sides, labels, messages = self.sides, self.labels, self.messages
        at = cut.cells
        n_left, n_heights = labels.n_left[at], messages.n_heights[at]
        # Read-only as those of a board are: kernels are compiled once.
        tables = MessageTables(
            sides=BoardSides(
                neighbours=frozen(cut.inner),
                back=frozen(sides.back[at]),
                fixed=frozen(sides.fixed[at]),
                per_step=frozen(sides.per_step[at]),
                falls=frozen(sides.falls[at]),
            ),
            states=self.tables.states,
            labels=Labels(
                first=frozen(_starts(n_left)),
                n_left=n_left,
                price=price,
                oriented=labels.oriented[cut.label_index],
                offset=labels.offset[cut.label_index],
            ),
            messages=Messages(
                lowest=frozen(messages.lowest[at]),
                n_heights=n_heights,
                start=_starts(n_heights.astype(np.int64) * (self.tables.states.width * N_SIDES)),
                value=np.where(cut.is_inner, messages.value[cut.message_index], 0.0),
            ),
        )
        return MessageField(tables, along_water, self.greatest.copy())


class _SubField:
    """Where the labels and messages of some cells, ascending, are in the tables of a field.

    ``inner`` is the number of the selected cell across each side, (m, 6), or -1; ``is_rim`` marks
    sides to cells that are not selected. ``label_index`` points at the labels, which belong to the
    cells ``cell``, or ``number`` among those selected. ``message_index`` points at the incoming
    messages; ``is_inner`` tells which of them come from selected cells.
    """

    def __init__(self, field: MessageField, cells: NDArray[np.intp]) -> None:
        neighbours = field.sides.neighbours[cells]
        local = np.full(len(field.labels.n_left), -1, dtype=np.int32)
        local[cells] = np.arange(len(cells))
        self.cells = cells
        self.inner = np.where(neighbours >= 0, local[neighbours], -1).astype(np.int32)
        self.is_rim = (neighbours >= 0) & (self.inner < 0)
        count = field.labels.n_left[cells]
        self.label_index = _ranges(field.labels.first[cells], count)
        self.number = np.repeat(np.arange(len(cells)), count)
        self.cell = cells[self.number]
        n_states = field.messages.n_heights[cells].astype(np.int64) * field.tables.states.width
        self.message_index = _ranges(field.messages.start[cells], N_SIDES * n_states)
        self.is_inner = np.repeat((self.inner >= 0).ravel(), np.repeat(n_states, N_SIDES))


def message_field(choices: Choices, along_water: float) -> MessageField:
    """Return the field of a board, with all messages zero."""
    rises = choices.settings.rises
    max_rise = int(rises.max())
    width = 2 * max_rise + 1
    climb = np.roll(rises, -1, axis=1) - rises
    n_heights = (choices.n_bases + max_rise).astype(np.int32)
    count = (choices.n_bases * choices.n_oriented).astype(np.int32)
    number = np.arange(len(choices.price)) - np.repeat(choices.first[:-1], count)
    start = _starts(n_heights.astype(np.int64) * (width * N_SIDES))
    tables = MessageTables(
        sides=choices.sides,
        states=SideStates(rises, (rises * width + climb + max_rise).astype(np.int32), max_rise),
        labels=Labels(
            first=choices.first,
            n_left=count,
            price=choices.price.copy(),
            oriented=(number % choices.n_oriented).astype(np.int16),
            offset=(number // choices.n_oriented * width).astype(np.int32),
        ),
        messages=Messages(choices.lowest, n_heights, start, np.zeros(start[-1])),
    )
    return MessageField(tables, along_water, np.zeros(2))


def _starts(length: NDArray[np.signedinteger]) -> NDArray[np.int64]:
    """Return where each of consecutive ranges of these lengths begins, and the last one ends."""
    starts = np.zeros(len(length) + 1, dtype=np.int64)
    np.cumsum(length, out=starts[1:])
    return starts


def _ranges(first: NDArray[np.int64], length: NDArray[np.signedinteger]) -> NDArray[np.int64]:
    """Return the numbers in ranges that begin at `first`, one range after another."""
    starts = _starts(length)
    return np.arange(starts[-1]) + np.repeat(first - starts[:-1], length)


def _is_ahead(neighbours: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Tell which sides lead to a cell of a higher number, (n, 6)."""
    return neighbours > np.arange(len(neighbours))[:, None]


def _shares(sides: BoardSides, along_water: float) -> NDArray[np.float64]:
    """Return the share of a cell's outgoing messages that goes across each side, (n, 6).

    The board is covered by chains of cells whose numbers ascend, and each cell shares itself out
    among those that run through it, so that the bound does not fall from sweep to sweep
    (Kolmogorov's condition on monotonic chains). Chains that follow water get `along_water`: levels
    far upstream and downstream depend on each other, and with even shares their messages would
    fade with each cell.
    """
    neighbours, falls = sides.neighbours, sides.falls
    ahead, is_wet = _is_ahead(neighbours), falls != 0

    def n_chains(way: NDArray[np.bool_]) -> NDArray[np.intp]:
        return np.maximum((way & ahead).sum(axis=1), (way & ~ahead).sum(axis=1))

    n_wet, n_dry = n_chains(is_wet), n_chains((neighbours >= 0) & ~is_wet)
    wet = np.where(n_dry == 0, 1.0, np.where(n_wet == 0, 0.0, along_water))
    share_wet, share_dry = wet / np.maximum(n_wet, 1), (1.0 - wet) / np.maximum(n_dry, 1)
    return np.where(is_wet, share_wet[:, None], share_dry[:, None])
