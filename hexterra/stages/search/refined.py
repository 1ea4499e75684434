"""A board with its best tiles: what they cost, and how much less any board could cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from hexterra.stages.search.prices import Prices
from hexterra.stages.search.stock_prices import StockUse
from hexterra.stages.tiles.fit import Tiles
from hexterra.values import Value

SearchEffort = Literal["instant", "bounded", "proven"]


Stopped = Literal["", "interrupted", "time"]


@dataclass(frozen=True, eq=False, repr=False)
class Refined(Value):
    """A board, its cost, and a lower bound on the cost of any board among the choices.

    Parameters
    ----------
    tiles
        The board. Its notes tell which cells have a step face off the marked cliffs.
    prices
        The price of each fault.
    effort
        How thorough the search was.
    start_cost, cost, bound
        Cost of the tiles to start from (infinite if they are not allowed) and of `tiles`, and a
        lower bound on that of any board among the same choices.
    breakdown
        What each fault costs in all; the amounts add up to `cost`.
    stopped
        "interrupted" or "time" if the search was cut short, else "".
    stock
        How the owned pieces are used; None if no stock was given.
    spent_on_kinds
        How much less the board cost before kinds of tile were spared; see `Prices.fewer_kinds`.
    least_kinds
        A number of kinds that no board goes below; 0 if none were spared.
    """

    tiles: Tiles
    prices: Prices
    effort: SearchEffort
    start_cost: float
    cost: float
    bound: float
    breakdown: tuple[tuple[str, float], ...]
    stopped: Stopped
    stock: StockUse | None = None
    spent_on_kinds: float = 0.0
    least_kinds: int = 0

    @property
    def gap(self) -> float:
        """The share of its cost that a better board could save at most, kinds of tile set aside."""
        least = self.cost - self.spent_on_kinds
        return (least - self.bound) / least if least > 0.0 else 0.0
