"""Owned pieces: the price of each kind of tile that makes the search use the stock.

Part of `refine`. A tile beyond those owned costs ``Prices.new_piece``; it is the board as a whole
that pays, not one cell. For the bound, every tile of a kind gets a price between 0 and that
instead, and the owned ones are credited with it: for any such prices no board costs less.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.stages.search.bounds import Search
from hexterra.stages.search.cell_settings import settings_of
from hexterra.stages.search.prices import Prices
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.tiles.tile_kinds import TileKind
from hexterra.values import Value

#: Step length of the prices of kinds, as a share of the gap; how fast it shrinks; and how far a
#: price moves at most.
FIRST_STEP: Final = 2.0
STEP_DECAY: Final = 0.4
LONGEST_STEP: Final = 0.5


@dataclass(frozen=True, eq=False, repr=False)
class StockUse(Value):
    """What becomes of the owned pieces: kinds of tile and how many of each.

    Parameters
    ----------
    used
        Owned and on the board.
    to_cut
        On the board and not owned.
    unused
        Owned and not on the board.
    """

    used: tuple[tuple[TileKind, int], ...]
    to_cut: tuple[tuple[TileKind, int], ...]
    unused: tuple[tuple[TileKind, int], ...]

    @property
    def n_to_cut(self) -> int:
        """How many tiles are still to be cut."""
        return sum(count for _, count in self.to_cut)


def count_tile_kinds(tiles: Tiles) -> Counter[TileKind]:
    """Count the tiles of a board by their kind."""
    settings = settings_of(tiles, Prices(), tiles.catalogue)
    oriented = settings.oriented_of(tiles.pattern, tiles.turn)
    kinds = settings.kind_of[settings.setting, oriented]
    counts = np.bincount(kinds, minlength=len(settings.kinds)).tolist()
    return Counter({kind: n for kind, n in zip(settings.kinds, counts, strict=True) if n})


def count_owned(kinds: tuple[TileKind, ...], stock: Mapping[TileKind, int]) -> NDArray[np.int64]:
    """Return how many pieces of each kind are owned, (n_kinds,) int64."""
    return np.array([stock.get(kind, 0) for kind in kinds], dtype=np.int64)


def stock_use(needed: Mapping[TileKind, int], stock: Mapping[TileKind, int]) -> StockUse:
    """Compare the tiles that a board needs, by kind, with a stock."""
    rows = [(kind, needed.get(kind, 0), stock.get(kind, 0)) for kind in sorted({*needed, *stock})]
    return StockUse(
        used=tuple((kind, min(n, m)) for kind, n, m in rows if min(n, m) > 0),
        to_cut=tuple((kind, n - m) for kind, n, m in rows if n > m),
        unused=tuple((kind, m - n) for kind, n, m in rows if m > n),
    )


def start_prices(search: Search) -> None:
    """Set a price on kinds that are not owned, or of which the best board so far has too many."""
    owned, new_price = search.stock.owned, search.stock.new_price
    excess = search.n_used(search.corners) > owned
    search.set_kind_prices(np.where(excess | (owned == 0), new_price, 0.0))


def adjust_prices(search: Search, number: int) -> None:
    """Raise the price of kinds of which the last proposed board has too many, lower the others.

    A subgradient step that would take the bound to the cost if it rose so all the way (Polyak, USSR
    Computational Mathematics and Mathematical Physics 9(3), 1969), shorter each time: `number`
    counts them from 1.
    """
    price, owned, new_price = search.kind_price, search.stock.owned, search.stock.new_price
    excess = search.n_used(search.proposed) - owned
    way = np.clip(excess / np.maximum(owned, 1), -1.0, 1.0)
    can_move = np.where(way > 0.0, price < new_price, price > 0.0) & (owned > 0)
    way = np.where(can_move, way, 0.0)
    slope = float(way @ excess)
    if slope > 0.0:
        step = FIRST_STEP / number**STEP_DECAY * (search.cost - search.passing.bound) / slope
        search.set_kind_prices(np.clip(price + min(step, LONGEST_STEP) * way, 0.0, new_price))
