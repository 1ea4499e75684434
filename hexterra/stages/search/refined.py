"""A board with its best tiles: what they cost, and how much better any could be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from hexterra.stages.search.prices import Prices
from hexterra.stages.search.stock_prices import (
    StockUse,
)
from hexterra.stages.tiles.fit import Tiles
from hexterra.values import Value

Effort = Literal["instant", "bounded", "proven"]


Stopped = Literal["", "interrupted", "time"]


@dataclass(frozen=True, eq=False, repr=False)
class Refined(Value):
    """A board, its cost, and what no board among the choices can cost less than.

    Parameters
    ----------
    tiles
        The board. Its notes tell which cells have a step face off the marked cliffs.
    prices
        What its faults cost.
    effort
        How hard was looked for it.
    start_cost, cost, bound
        Cost of the tiles to start from (infinite if they are not allowed) and of `tiles`, and a
        lower bound on that of any board among the same choices.
    breakdown
        What each fault costs in all; the amounts add up to `cost`.
    stopped
        "interrupted" or "time" if the search was cut short, else "".
    stock
        How the owned pieces are used; None if no stock was given.
    """

    tiles: Tiles
    prices: Prices
    effort: Effort
    start_cost: float
    cost: float
    bound: float
    breakdown: tuple[tuple[str, float], ...]
    stopped: Stopped
    stock: StockUse | None = None

    @property
    def gap(self) -> float:
        """By what share of its cost the board could be better at most."""
        return (self.cost - self.bound) / self.cost if self.cost > 0.0 else 0.0
