"""A board with its best tiles: what they cost, and how much less any board could cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import InfeasibleError
from hexterra.kernels.board.tile_costs import INFEASIBLE_SUM
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.search.bounds import Search
from hexterra.stages.search.candidates import Choices, ground_terms
from hexterra.stages.search.prices import FORBIDDEN, Prices
from hexterra.stages.search.stock_prices import StockUse, count_tile_kinds, stock_use
from hexterra.stages.tiles.fit import Tiles, find_crossings, note_faces
from hexterra.stages.tiles.tile_kinds import TileKind
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


def finish(
    search: Search,
    prices: Prices,
    effort: SearchEffort,
    start_cost: float,
    stopped: Stopped,
    stock: Mapping[TileKind, int] | None,
) -> Refined:
    """Return the result of a search as a value."""
    choices = search.choices
    if bad := _broken(choices, search.corners):
        raise _refusal(bad)
    tiles = build(choices, search.corners)
    use = None if stock is None else stock_use(count_tile_kinds(tiles), stock)
    return Refined(
        tiles=tiles,
        prices=prices,
        effort=effort,
        start_cost=start_cost if start_cost < INFEASIBLE_SUM else float("inf"),
        cost=search.cost,
        bound=min(max(search.bound, 0.0), search.cost),
        breakdown=break_down(choices, search.corners, prices, search.stock.new_price, use),
        stopped=stopped,
        stock=use,
    )


def build(choices: Choices, corners: NDArray[np.int32]) -> Tiles:
    """Return a board of choices as `Tiles`."""
    settings, start = choices.settings, choices.tiles
    oriented = choices.labels(corners) % choices.n_oriented
    lattice = start.lattice
    cell, side = lattice.seams[choices.faces(corners)[0] > 0.0].T
    cliff = np.zeros((lattice.n_cells, N_SIDES), dtype=bool)
    cliff[cell, side] = True
    cliff[lattice.neighbours[cell, side], lattice.back_sides[cell, side]] = True
    crossing, crossing_turn = find_crossings(start.legal, settings.catalogue)
    return replace(
        start,
        catalogue=settings.catalogue,
        corners=corners,
        level=corners.min(axis=1),
        pattern=settings.pattern[oriented],
        turn=settings.turn[oriented],
        crossing=crossing,
        crossing_turn=crossing_turn,
        cliff=cliff,
        notes=note_faces(start.legal, cliff),
    )


def break_down(
    choices: Choices,
    corners: NDArray[np.int32],
    prices: Prices,
    new_price: float,
    use: StockUse | None,
) -> tuple[tuple[str, float], ...]:
    """Return the total cost of each fault of a board."""
    settings = choices.settings
    oriented = choices.labels(corners) % choices.n_oriented
    position, corner_position, mean_weight, corner_weight = ground_terms(choices.tiles, prices)
    mean = corners.min(axis=1) + settings.mean_rise[settings.setting, oriented]
    amounts = [
        ("mean height", float((mean_weight * np.abs(mean - position)).sum())),
        ("corner heights", float((corner_weight * np.abs(corners - corner_position)).sum())),
    ]
    terms = ((name, term[settings.setting, oriented]) for name, term in settings.terms)
    amounts += [(name, float(term.sum())) for name, term in terms]
    amounts.append(("step faces", float(choices.face_prices(corners).sum())))
    if choices.joint:
        amounts.append(("joint", choices.joint_price(corners)))
    if use is not None:
        amounts.append(("new pieces", new_price * sum(n for _, n in use.to_cut)))
    return tuple(amounts)


def _broken(choices: Choices, corners: NDArray[np.int32]) -> tuple[str, ...]:
    """Name the cells where a board breaks a rule."""
    lattice = choices.tiles.lattice
    bad = set(np.flatnonzero(choices.top_prices(corners) >= FORBIDDEN).tolist())
    bad |= set(lattice.seams[choices.face_prices(corners) >= FORBIDDEN, 0].tolist())
    return tuple(lattice.labels[cell] for cell in sorted(bad))


def _refusal(names: tuple[str, ...]) -> InfeasibleError:
    return InfeasibleError(
        "no board was found that keeps all pins, kept tiles and heights along the rim, closes the"
        " sides where tops must meet and lets water run down; rules are broken at"
        f" {', '.join(names[:12])}" + (f" and {len(names) - 12} more" if len(names) > 12 else ""),
        remedy="move or drop pins there, free kept cells, mark a cliff between two of these cells,"
        " or let the rim change height there",
        cells=names,
    )
