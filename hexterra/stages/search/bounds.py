"""Choices -> a lower bound on any board, and good boards: the driver of the message kernels.

`refine` sweeps until cost and bound are close to each other; the exact search skips what the
sweeps have ruled out.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.board.local_moves import PieceStock, PlacedTiles, improve
from hexterra.kernels.board.tile_costs import INFEASIBLE_SUM
from hexterra.stages.search.candidates import ALL, Choices
from hexterra.stages.search.message_passing import MessagePassing
from hexterra.stages.search.message_tables import message_field
from hexterra.stages.search.prices import FORBIDDEN

#: Rounds of local moves; most boards need fewer than ten.
MOST_ROUNDS: Final = 50
#: The share of a watercourse cell's outgoing messages that goes along the water.
ALONG_WATER: Final = 0.85


class Search:
    """The best board found so far among choices, and the greatest bound; both only improve.

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
        if owned is None:  # all tiles count as one kind, which has no price
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
        self.field = message_field(choices, ALONG_WATER)
        self.passing = MessagePassing(self.field)
        self.kind_price = np.zeros(len(self.stock.owned))

    def price(self, corners: NDArray[np.int32]) -> float:
        """Return what a board costs, pieces that are not owned included."""
        total = self.choices.price_board(corners)
        if self.stock.new_price > 0.0 and total < INFEASIBLE_SUM:
            n_new = int(np.maximum(self.n_used(corners) - self.stock.owned, 0).sum())
            total += self.stock.new_price * n_new
        return total

    def n_used(self, corners: NDArray[np.int32]) -> NDArray[np.int64]:
        """Count the tiles of each kind on a board, (n_kinds,) int64."""
        kind = self.kinds(corners)
        return np.bincount(kind, minlength=len(self.stock.owned)).astype(np.int64)

    def try_candidate(self, corners: NDArray[np.int32]) -> None:
        """Improve a board by local moves, and keep the result if it is the best so far."""
        choices = self.choices
        is_best = corners is self.corners  # every move from it is an improvement
        corners = np.array(corners)
        label = choices.labels(corners)
        if (label < 0).any() or (choices.top_prices(corners) >= INFEASIBLE_SUM).any():
            return
        placed = PlacedTiles(label, corners, self.n_used(corners))
        improve(MOST_ROUNDS, choices.sides, choices.candidates, self.stock, placed)
        for board in (
            (corners,) if is_best else (corners, improved_patchwise(choices, self.corners, corners))
        ):
            cost = self.price(board)
            if cost < self.cost:
                self.cost, self.corners = cost, board

    def sweep(self, is_up: bool) -> None:
        """Pass messages once, raise the bound, and drop labels that no better board has."""
        self.raise_bound(self.passing.sweep(is_up, self.cost))

    def round(self) -> None:
        """Pass messages down and up; the same for the bound."""
        self.raise_bound(self.passing.round(self.cost))

    def raise_bound(self, bound: float) -> None:
        """Keep a bound if it is the greatest, but no more than the best cost."""
        self.bound = max(self.bound, min(bound, self.cost))

    def set_multipliers(self, per_step: NDArray[np.float64]) -> None:
        """Restart the messages from a multiplier on each side, (n, 6), a price per step.

        Any messages prove a bound; multipliers close to those of the best board prove a good one
        from the first sweep on.
        """
        messages, states = self.field.messages, self.field.tables.states
        messages.value[:] = 0.0
        climb = np.arange(states.width) - states.max_rise
        for cell, side in np.argwhere(per_step != 0.0).tolist():
            height = np.arange(messages.n_heights[cell])[:, None] + 0.5 * climb
            begin = messages.start[cell] + side * height.size
            messages.value[begin : begin + height.size] = (per_step[cell, side] * height).ravel()
        self.passing.restart()

    def set_kind_prices(self, kind_price: NDArray[np.float64]) -> None:
        """Set a price on every tile of each kind, (n_kinds,), in place of that of new pieces."""
        choices, labels = self.choices, self.field.labels
        more = (kind_price - self.kind_price)[self.stock.kind_of]
        cell_setting = np.repeat(choices.settings.setting, np.diff(choices.first))
        labels.price[:] += more[cell_setting, labels.oriented]
        self.kind_price = kind_price
        # New pieces cost no less than all tiles at these prices, less the owned ones at the same.
        self.passing.rest = -float(kind_price @ self.stock.owned)
        self.passing.restart()

    def price_around(self, cells: NDArray[np.intp], corners: NDArray[np.int32]) -> float:
        """Return what the tiles of some cells, ascending, and all their faces cost on a board.

        Pieces count with the prices of their kinds.
        """
        charges = float(self.kind_price[self.kinds(corners, cells)].sum())
        return self.choices.price_around(cells, corners) + charges

    def kinds(
        self, corners: NDArray[np.int32], cells: NDArray[np.intp] | slice = ALL
    ) -> NDArray[np.int32]:
        """Return the number of the kind of each tile of a board, or of some of its cells."""
        oriented = self.choices.labels(corners, cells) % self.choices.n_oriented
        return self.stock.kind_of[self.choices.settings.setting[cells], oriented]

    def breaks_rules(self, corners: NDArray[np.int32]) -> bool:
        """Tell whether a board breaks a rule."""
        top, face = self.choices.top_prices(corners), self.choices.face_prices(corners)
        return bool(max(top.max(), face.max(initial=0.0)) >= FORBIDDEN)

    def excess(self, corners: NDArray[np.int32]) -> NDArray[np.float64]:
        """Return by how much the cost of a board exceeds the bound in each cell, (n,).

        Pieces count with the prices of their kinds. The last sweep must have been up.
        """
        choices, lattice = self.choices, self.choices.tiles.lattice
        face = np.zeros(lattice.neighbours.shape)
        face[tuple(lattice.seams.T)] = choices.face_prices(corners)
        # Tiles to start from need not be in the catalogue of the choices.
        is_known = choices.labels(corners) >= 0
        known = np.where(is_known[:, None], corners, choices.lowest[:, None])
        charges = self.kind_price[self.kinds(known)]
        return self.field.excess(known, choices.top_prices(corners) + charges, face)

    def propose(self) -> None:
        """Try the board that the messages suggest.

        Watercourse cells choose first, from the mouth upstream: messages from upstream then rule
        out every tile that would stop the water.
        """
        self.proposed = self.field.choose(self._order)
        self.try_candidate(self.proposed)


def improved_patchwise(
    choices: Choices, corners: NDArray[np.int32], other: NDArray[np.int32]
) -> NDArray[np.int32]:
    """Return a board with those patches of another that make it cheaper.

    A patch is a connected set of cells whose tiles differ; what it saves depends on no other.
    """
    lattice = choices.tiles.lattice
    differs = (other != corners).any(axis=1)
    cell, side = lattice.seams.T
    across = lattice.neighbours[cell, side]
    patch = lattice.patches(differs)
    extra = choices.top_prices(other) - choices.top_prices(corners)
    more = np.bincount(patch, weights=extra)
    extra = choices.face_prices(other) - choices.face_prices(corners)
    owner = np.where(differs[cell], patch[cell], patch[across])
    more += np.bincount(owner, weights=extra, minlength=len(more))
    takes = differs & (more < 0.0)[patch]
    return np.where(takes[:, None], other, corners)
