"""Choices -> a lower bound on any board, and good boards: the driver of the message kernels.

`refine` sweeps until cost and bound are near enough to each other; what its sweeps rule out need
not be looked at by the exact search.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from hexterra.kernels.board.local_moves import PieceStock, PlacedTiles, improve
from hexterra.kernels.board.tile_costs import INFEASIBLE_SUM
from hexterra.stages.search.candidates import ALL, Choices
from hexterra.stages.search.message_passing import Passing
from hexterra.stages.search.message_tables import field_of
from hexterra.stages.search.prices import FORBIDDEN

#: Rounds of local moves; most boards need fewer than ten.
MOST_ROUNDS: Final = 50
#: What share of all that a watercourse cell passes on goes along the water.
ALONG_WATER: Final = 0.85


class Search:
    """The best board found so far among choices, and the greatest bound; both only get better.

    Parameters
    ----------
    choices
        Tiles and prices; n is the number of cells.
    owned, new_price
        Pieces owned of each kind, (n_kinds,) int64, and what each tile costs beyond them.
    """

    def __init__(
        self,
        choices: Choices,
        owned: NDArray[np.int64] | None = None,
        new_price: float = 0.0,
    ) -> None:
        lattice = choices.tiles.lattice
        settings = choices.settings
        self.choices = choices
        if owned is None:  # all tiles count as one kind, of which nothing depends
            kind_of = np.zeros_like(settings.is_allowed, dtype=np.int32)
            self.stock = PieceStock(kind_of, np.zeros(1, dtype=np.int64), new_price)
        else:
            self.stock = PieceStock(settings.kind_of, owned, new_price)
        self.corners = np.array(choices.tiles.corners)
        self.cost = self.price(self.corners)
        self.proposed = self.corners
        self.bound = -np.inf
        water = choices.tiles.legal.water
        self._order = np.arange(lattice.n_cells, dtype=np.int32)
        if water is not None:
            upward = water.order[::-1]
            is_wet = water.is_watercourse
            self._order = np.concatenate([upward[is_wet[upward]], self._order[~is_wet]])
        self.field = field_of(choices, ALONG_WATER)
        self.passing = Passing(self.field)
        self.multipliers = np.zeros(len(self.stock.owned))

    def price(self, corners: NDArray[np.int32]) -> float:
        """Return what a board costs, pieces that are not owned included."""
        total = self.choices.price_board(corners)
        if self.stock.new_price > 0.0 and total < INFEASIBLE_SUM:
            n_new = int(np.maximum(self.n_used(corners) - self.stock.owned, 0).sum())
            total += self.stock.new_price * n_new
        return total

    def n_used(self, corners: NDArray[np.int32]) -> NDArray[np.int64]:
        """Count the tiles of each kind on a board, (n_kinds,) int64."""
        kind = self._kinds(corners, ALL)
        return np.bincount(kind, minlength=len(self.stock.owned)).astype(np.int64)

    def try_candidate(self, corners: NDArray[np.int32]) -> None:
        """Improve a board by local moves, and take from it what improves the best so far."""
        choices = self.choices
        is_best = corners is self.corners  # every move from it makes it cheaper
        corners = np.array(corners)
        label = choices.labels(corners)
        if (label < 0).any() or (choices.top_prices(corners) >= INFEASIBLE_SUM).any():
            return
        board = PlacedTiles(label, corners, self.n_used(corners))
        improve(MOST_ROUNDS, choices.sides, choices.candidates, self.stock, board)
        for board in (corners,) if is_best else (corners, patched(choices, self.corners, corners)):
            cost = self.price(board)
            if cost < self.cost:
                self.cost, self.corners = cost, board

    def sweep(self, is_up: bool) -> None:
        """Pass messages once, raise the bound, and drop labels that no better board has."""
        self.prove(self.passing.sweep(is_up, self.cost))

    def round(self) -> None:
        """Pass messages down and up; the same for the bound."""
        self.prove(self.passing.round(self.cost))

    def prove(self, bound: float) -> None:
        """Take note of a bound. By rounding it may exceed the best cost, which is a bound then."""
        self.bound = max(self.bound, min(bound, self.cost))

    def seed_messages(self, per_step: NDArray[np.float64]) -> None:
        """Start again from messages that rise with the height, (n, 6) in price per step of it.

        Any messages prove a bound; those close to what the best board presses its water with
        prove a good one from the beginning.
        """
        messages, states = self.field.messages, self.field.tables.states
        messages.value[:] = 0.0
        climb = np.arange(states.width) - states.max_rise
        for cell, side in np.argwhere(per_step != 0.0).tolist():
            height = np.arange(messages.n_heights[cell])[:, None] + 0.5 * climb
            begin = messages.start[cell] + side * height.size
            messages.value[begin : begin + height.size] = (per_step[cell, side] * height).ravel()
        self.passing.restart()

    def set_multipliers(self, multipliers: NDArray[np.float64]) -> None:
        """Add the multiplier of its kind, (n_kinds,), to every tile's price, for the stock's sake.

        They stand for what pieces beyond those owned cost.
        """
        choices, labels = self.choices, self.field.labels
        more = (multipliers - self.multipliers)[self.stock.kind_of]
        cell_setting = np.repeat(choices.settings.setting, np.diff(choices.first))
        labels.price[:] += more[cell_setting, labels.oriented]
        self.multipliers = multipliers
        # A board's pieces cost no less than this much each, less that much for all those owned.
        self.passing.rest = -float(multipliers @ self.stock.owned)
        self.passing.restart()

    def price_around(self, cells: NDArray[np.intp], corners: NDArray[np.int32]) -> float:
        """Return what the tiles of some cells, ascending, and all their faces cost on a board.

        Pieces count with the multipliers of their kinds.
        """
        for_stock = float(self.multipliers[self._kinds(corners, cells)].sum())
        return self.choices.price_around(cells, corners) + for_stock

    def _kinds(
        self, corners: NDArray[np.int32], cells: NDArray[np.intp] | slice
    ) -> NDArray[np.int32]:
        oriented = self.choices.labels(corners, cells) % self.choices.n_oriented
        return self.stock.kind_of[self.choices.settings.setting[cells], oriented]

    def is_broken(self, corners: NDArray[np.int32]) -> bool:
        """Tell whether a board breaks a rule."""
        top, face = self.choices.top_prices(corners), self.choices.face_prices(corners)
        return bool(max(top.max(), face.max(initial=0.0)) >= FORBIDDEN)

    def excess(self, corners: NDArray[np.int32]) -> NDArray[np.float64]:
        """Return by how much a board costs more in each cell than the bound allows for, (n,).

        Pieces count with the multipliers of their kinds. The last sweep must have been up.
        """
        choices, lattice = self.choices, self.choices.tiles.lattice
        face = np.zeros(lattice.neighbours.shape)
        face[tuple(lattice.seams.T)] = choices.face_prices(corners)
        # There are no messages about tiles of a start that are not in the catalogue.
        is_known = choices.labels(corners) >= 0
        known = np.where(is_known[:, None], corners, choices.lowest[:, None])
        for_stock = self.multipliers[self._kinds(known, ALL)]
        return self.field.excess(known, choices.top_prices(corners) + for_stock, face)

    def propose(self) -> None:
        """Try the board that the messages suggest.

        Water is chosen first, from its end upward: the messages from upstream then rule out every
        tile from which it could not run on.
        """
        self.proposed = self.field.choose(self._order)
        self.try_candidate(self.proposed)


def patched(
    choices: Choices, corners: NDArray[np.int32], other: NDArray[np.int32]
) -> NDArray[np.int32]:
    """Return a board with those patches of another that make it cheaper.

    A patch is a connected set of cells whose tiles differ; what it saves depends on no other.
    """
    lattice = choices.tiles.lattice
    n = lattice.n_cells
    differs = (other != corners).any(axis=1)
    cell, side = lattice.seams.T
    across = lattice.neighbours[cell, side]
    joined = differs[cell] & differs[across]
    link = (np.ones(np.count_nonzero(joined), np.int8), (cell[joined], across[joined]))
    _, patch = connected_components(coo_array(link, shape=(n, n)), directed=False)
    dearer = choices.top_prices(other) - choices.top_prices(corners)
    more = np.bincount(patch, weights=dearer)
    dearer = choices.face_prices(other) - choices.face_prices(corners)
    owner = np.where(differs[cell], patch[cell], patch[across])
    more += np.bincount(owner, weights=dearer, minlength=len(more))
    takes = differs & (more < 0.0)[patch]
    return np.where(takes[:, None], other, corners)
