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

from hexterra.kernels.board.local_moves import improve
from hexterra.kernels.board.tile_costs import TOO_MUCH
from hexterra.stages.search.candidates import ALL, Choices
from hexterra.stages.search.message_passing import Passing
from hexterra.stages.search.message_tables import field_of
from hexterra.stages.search.prices import FORBIDDEN

#: Rounds of local moves; most boards need fewer than ten.
MOST_ROUNDS: Final = 50
#: What share of all that a watercourse cell has to tell goes along the water.
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
        # Without a stock all tiles count as one kind, of which nothing depends.
        self.owned = np.zeros(1, dtype=np.int64) if owned is None else owned
        self.kind_of = (
            np.zeros_like(settings.is_allowed, dtype=np.int32)
            if owned is None
            else settings.kind_of
        )
        self.new_price = new_price
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
        self.kind_price = np.zeros(len(self.owned))

    def price(self, corners: NDArray[np.int32]) -> float:
        """Return what a board costs, pieces that are not owned included."""
        total = self.choices.price_board(corners)
        if self.new_price > 0.0 and total < TOO_MUCH:
            total += self.new_price * int(np.maximum(self.n_used(corners) - self.owned, 0).sum())
        return total

    def n_used(self, corners: NDArray[np.int32]) -> NDArray[np.int64]:
        """Count the tiles of each kind on a board, (n_kinds,) int64."""
        settings = self.choices.settings
        row = self.choices.labels(corners) % self.choices.n_rows
        kind = self.kind_of[settings.setting, row]
        return np.bincount(kind, minlength=len(self.owned)).astype(np.int64)

    def offer(self, corners: NDArray[np.int32]) -> None:
        """Improve a board by local moves, and keep what is better than the best so far."""
        choices, settings = self.choices, self.choices.settings
        is_best = corners is self.corners  # every move from it is for the better
        corners = np.array(corners)
        held = choices.labels(corners)
        if (held < 0).any() or (choices.top_prices(corners) >= TOO_MUCH).any():
            return
        improve(
            MOST_ROUNDS, *choices.sides, choices.lowest, choices.first, choices.price,
            settings.rises, choices.row_of_code, settings.setting, self.kind_of, self.owned,
            self.new_price, self.n_used(corners), held, corners,
        )  # fmt: skip
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

    def set_multipliers(self, per_step: NDArray[np.float64]) -> None:
        """Start the messages again with a multiplier on each side, (n, 6), a price per step.

        Any messages prove a bound; pressures close to what the best board exerts on its water
        prove a good one from the beginning.
        """
        field = self.field
        field.message[:] = 0.0
        climb = np.arange(field.width) - field.max_rise
        for cell, side in np.argwhere(per_step != 0.0).tolist():
            height = np.arange(field.n_heights[cell])[:, None] + 0.5 * climb
            begin = field.start[cell] + side * height.size
            field.message[begin : begin + height.size] = (per_step[cell, side] * height).ravel()
        self.passing.restart()

    def charge(self, kind_price: NDArray[np.float64]) -> None:
        """Charge every tile of each kind so much, (n_kinds,), instead of what pieces cost."""
        choices, settings = self.choices, self.choices.settings
        more = (kind_price - self.kind_price)[self.kind_of]
        n_labels = np.diff(choices.first)
        cell_setting = np.repeat(settings.setting, n_labels)
        self.field.price += more[cell_setting, self.field.row]
        self.kind_price = kind_price
        # A board's pieces cost no less than this much each, less that much for all those owned.
        self.passing.rest = -float(kind_price @ self.owned)
        self.passing.restart()

    def price_around(self, cells: NDArray[np.intp], corners: NDArray[np.int32]) -> float:
        """Return what the tiles of some cells, ascending, and all their faces cost on a board.

        Pieces count with what their kinds are charged.
        """
        charges = float(self._charges(cells, corners).sum())
        return self.choices.price_around(cells, corners) + charges

    def _charges(
        self, cells: NDArray[np.intp] | slice, corners: NDArray[np.int32]
    ) -> NDArray[np.float64]:
        settings = self.choices.settings
        row = self.choices.labels(corners, cells) % self.choices.n_rows
        return self.kind_price[self.kind_of[settings.setting[cells], row]]

    def is_broken(self, corners: NDArray[np.int32]) -> bool:
        """Tell whether a board breaks a rule."""
        top, face = self.choices.top_prices(corners), self.choices.face_prices(corners)
        return bool(max(top.max(), face.max(initial=0.0)) >= FORBIDDEN)

    def excess(self, corners: NDArray[np.int32]) -> NDArray[np.float64]:
        """Return by how much a board costs more in each cell than the bound allows for, (n,).

        Pieces count with what their kinds are charged. The last sweep must have been up.
        """
        choices, lattice = self.choices, self.choices.tiles.lattice
        face = np.zeros(lattice.neighbours.shape)
        face[tuple(lattice.seams.T)] = choices.face_prices(corners)
        # A start that another catalogue knows nothing of is told nothing either.
        is_known = choices.labels(corners) >= 0
        known = np.where(is_known[:, None], corners, choices.lowest[:, None])
        return self.field.excess(
            known, choices.top_prices(corners) + self._charges(ALL, known), face
        )

    def propose(self) -> None:
        """Offer the board that the messages suggest.

        Water is chosen first, from its end upward: what it hears from upstream then rules out
        every tile from which it could not run on.
        """
        self.proposed = self.field.choose(self._order)
        self.offer(self.proposed)


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
