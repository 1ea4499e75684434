"""Tiles -> Refined: the best tiles that can be found, and how much less any board could cost.

It comes after `fit`, which is quick and legal but works on levels alone. `candidates` lists what
may be built and what it costs; `bounds` keeps the best board and the bound. `message_passing`
raises the bound, and `open_region` does so only where it is still open; `local_search` improves
boards region by region; `frontier_search`, with the messages of `linear_relaxation`, and
`exact_search` finish the proof.
"""

from __future__ import annotations

import time
from collections.abc import Generator, Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import pairwise
from typing import Final, get_args

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.catalogue.catalogue import Catalogue
from hexterra.errors import BriefError
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.search.bounds import Search
from hexterra.stages.search.candidates import Choices, choose_among, count_labels
from hexterra.stages.search.exact_search import prove
from hexterra.stages.search.few_kinds import least_kinds, spare_kinds
from hexterra.stages.search.frontier_search import search_frontier
from hexterra.stages.search.local_search import WIDE_WINDOWS, WINDOWS, Review, repair
from hexterra.stages.search.open_region import pass_messages, raise_bound_where_open
from hexterra.stages.search.prices import DEFAULT_PRICES, Prices
from hexterra.stages.search.refined import Refined, SearchEffort, Stopped, build, finish
from hexterra.stages.search.stock_prices import (
    adjust_prices,
    count_owned,
    start_prices,
)
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.tiles.tile_kinds import TileKind

#: Boards proposed at first, and rounds on the whole board before each.
N_PROPOSALS: Final = 4
ROUNDS_PER_PROPOSAL: Final = 3
#: Labels of all levels that there is room for, at about 40 bytes each.
MOST_LABELS: Final = 30_000_000
#: The gap at which the search ends.
TARGET_GAP: Final[dict[SearchEffort, float]] = {"bounded": 5e-4, "proven": 0.0}
#: How often rounds on open cells are repeated; on large boards less often, the more cells it has.
MOST_TIMES: Final[dict[SearchEffort, int]] = {"bounded": 6, "proven": 20}
LEAST_TIMES: Final = 2
MOST_CELLS: Final = 20_000
#: "proven" goes on to the exact search once sweeps leave at most this share of the labels
#: undecided, or reduce the gap to no less than this share of it.
FEW_LABELS: Final = 0.02
SLOW_GAP_RATIO: Final = 0.98
#: With a greater gap, wide windows are worth their time to repair a board that breaks rules.
FAR_GAP: Final = 0.02
#: The prices of pieces converge slowly; they change with every other round. The best board is
#: reviewed now and then.
MOST_ROUNDS_WITH_STOCK: Final = 320
ROUNDS_PER_PRICE_CHANGE: Final = 2
ROUNDS_PER_REVIEW: Final = 40
MOST_REACH: Final = 100


@checked
def refine(
    tiles: Tiles,
    *,
    prices: Prices = DEFAULT_PRICES,
    effort: SearchEffort = "bounded",
    time_limit_s: float | None = None,
    catalogue: Catalogue | None = None,
    reach: int | None = None,
    closed: NDArray[np.bool_] | None = None,
    frozen: NDArray[np.bool_] | None = None,
    edge_profile: Iterable[tuple[int, int]] = (),
    joint: Iterable[tuple[int, int]] = (),
    stock: Mapping[TileKind, int] | None = None,
) -> Refined:
    """Search for the tiles that cost least by `prices`, and prove how far from optimal they are.

    The tiles of all cells are chosen together: their misfit to the ground, the slopes on which
    nothing stands, the work of cutting, and the step faces where tops do not meet are weighed
    against each other. "instant" improves the start by local moves; "bounded" passes messages
    until cost and bound are close; "proven" closes the gap by an exact search over what is left.

    Parameters
    ----------
    tiles
        A legal board, from `fit`. The search starts from it, so the result never costs more, but
        for what `prices` allow for fewer kinds of tile.
    prices
        What each fault costs; see `PRESETS`.
    effort
        "instant", "bounded" or "proven".
    time_limit_s
        Seconds after which the best board so far is returned. None searches to the end.
    catalogue
        What can be cut, if that is not the catalogue of `tiles`.
    reach
        How many steps a tile may stand beyond both the ground and its start, at least 0. By
        default all levels are open to it; on boards so large that it would take gigabytes, those
        one step beyond are searched, and `bound` is 0.
    closed
        Sides where the two tops must meet, (n, 6) bool, symmetric: as where a road crosses, or
        where no face can be cut. Marked cliffs are not exempt.
    frozen
        Cells that keep their tile, (n,) bool.
    edge_profile
        Lattice corners and the height in steps that all tiles must have there, as along a rim
        that is to be level.
    joint
        Lattice corners and the height in steps that the tops of a neighbouring board have there.
        Missing them costs twice as much as a step face.
    stock
        Pieces owned of each kind. Tiles beyond them cost ``prices.new_piece`` each. The search
        starts from the board found without regard to the stock.

    Returns
    -------
    Refined
        Every tile is in the catalogue; levels keep to bounds and pins; every side that water
        crosses is level in both its cells; where water leaves a cell that side stands at the
        cell's `level`, and no higher in the next cell. Sides where tops do not meet are listed in
        ``tiles.cliff``. No board among the choices costs less than `bound`, roundings included.
        Interrupting the search (Ctrl-C) returns the best board so far. Without a time limit the
        result depends on nothing but the arguments.

    Raises
    ------
    BriefError
        If an argument is out of its range.
    InfeasibleError
        If no board was found that keeps to all rules: closed sides, edge profile, frozen cells,
        pins.

    Notes
    -----
    A round of sweeps is linear in the number of cells and labels.
    """
    _check(tiles, effort, reach, time_limit_s, closed, frozen)
    profile, joints = tuple(edge_profile), tuple(joint)

    def near(start: Tiles, within: int | None) -> Choices:
        return choose_among(
            start, prices, catalogue=catalogue, reach=within, closed=closed, frozen=frozen,
            edge_profile=profile, joint=joints,
        )  # fmt: skip

    is_too_large = reach is None and count_labels(tiles, catalogue) > MOST_LABELS
    choices = near(tiles, 1 if is_too_large else reach)
    stopped: Stopped = ""
    end = None if time_limit_s is None else time.monotonic() + time_limit_s
    owned, new_price, earlier = None, 0.0, list[Search]()
    if stock is not None:
        owned, new_price = count_owned(choices.settings.kinds, stock), prices.new_piece
        # Prices of pieces settle sooner among few labels, and best from a board without them.
        few = choices if reach is not None else near(tiles, 1)
        earlier = [Search(few), Search(few, owned, new_price)]
    search = Search(choices, owned, new_price)
    start_cost = search.cost
    for one, onward in pairwise([*earlier, search]):
        stopped = stopped or _run(one, "bounded" if effort == "proven" else effort, end)
        onward.try_candidate(one.corners)
    stopped = stopped or _run(search, effort, end)
    best_cost, share = search.cost, prices.fewer_kinds if stock is None and not stopped else 0.0
    if share > 0.0 and effort != "instant" and not search.breaks_rules(search.corners):
        search.corners = spare_kinds(near(build(choices, search.corners), 1), search.corners, share)
        search.cost = search.price(search.corners)
    spent = search.cost - best_cost
    refined = finish(search, prices, effort, start_cost, stopped, stock)
    return replace(
        refined,
        spent_on_kinds=spent,
        least_kinds=least_kinds(choices.settings) if spent else 0,
        bound=0.0 if is_too_large else refined.bound,
    )


def _run(search: Search, effort: SearchEffort, end: float | None) -> Stopped:
    """Search to the end, until the clock shows `end`, or until interrupted; return which it was."""
    try:
        for _ in _rounds(search, effort, end):
            if end is not None and time.monotonic() > end:
                return "time"
    except KeyboardInterrupt:
        return "interrupted"
    return ""


def _rounds(search: Search, effort: SearchEffort, end: float | None) -> Iterator[None]:
    """Do what the effort asks for, pausing wherever the search may be stopped."""
    search.try_candidate(search.corners)
    yield
    if effort == "instant":
        search.sweep(False)
        return
    _start_messages(search)
    has_stock = search.stock.new_price > 0.0
    approach = _search_with_stock if has_stock else _search_without_stock
    if (yield from approach(search, effort)) or effort == "bounded":
        return
    if has_stock or not (yield from search_frontier(search, end)):
        prove(search, end)


def _search_without_stock(search: Search, effort: SearchEffort) -> Generator[None, None, bool]:
    """Bring cost and bound together; return whether they are close enough."""
    for _ in range(N_PROPOSALS):
        yield from pass_messages(search, search.passing, ROUNDS_PER_PROPOSAL)
        search.propose()
        yield
    review, gap = Review(search), np.inf
    most = max(LEAST_TIMES, min(MOST_TIMES[effort], MOST_CELLS // len(search.corners)))
    for number in range(most + 1):
        if number > 0:
            yield from raise_bound_where_open(search)
            search.propose()
            yield
        if search.breaks_rules(search.proposed):
            is_far = search.cost - search.bound > FAR_GAP * search.cost
            yield from repair(search, search.proposed, WIDE_WINDOWS if is_far else WINDOWS)
        yield from review.improve()
        gap, last_gap = search.cost - search.bound, gap
        if gap <= TARGET_GAP[effort] * search.cost:
            return True
        undecided = float((search.field.labels.n_left - 1).sum()) / len(search.choices.price)
        if effort == "proven" and (gap > SLOW_GAP_RATIO * last_gap or undecided < FEW_LABELS):
            break
    return False


def _search_with_stock(search: Search, effort: SearchEffort) -> Generator[None, None, bool]:
    """Do the same while the prices of pieces are adjusted."""
    start_prices(search)
    for number in range(1, MOST_ROUNDS_WITH_STOCK + 1):
        search.round()
        yield
        if number % ROUNDS_PER_PRICE_CHANGE:
            continue
        search.propose()
        yield
        if search.cost - search.bound <= TARGET_GAP[effort] * search.cost:
            return True
        if number % ROUNDS_PER_REVIEW == 0:
            yield from Review(search).improve()
        adjust_prices(search, number // ROUNDS_PER_PRICE_CHANGE)
    return False


def _start_messages(search: Search) -> None:
    """Start from the dual values that prove the levels optimal, at the scale that proves most.

    There the cost of a cell per step of height is its weight; here it is the price of both mean and
    corners being off. Where corners and mean differ in direction, a smaller scale proves more.
    """
    legal = search.choices.tiles.legal
    if legal.cost_units == 0 or not search.choices.falls.any():
        return
    unit = legal.cost / legal.cost_units
    multiplier = np.where(search.choices.falls != 0, legal.flow * unit, 0.0)
    proven: list[tuple[float, float]] = []
    for scale in (2.0, 1.5, 1.0, 0.0):
        search.set_multipliers(scale * multiplier)
        search.round()
        proven.append((search.passing.bound, scale))
    search.set_multipliers(max(proven)[1] * multiplier)


def _check(
    tiles: Tiles,
    effort: str,
    reach: int | None,
    time_limit_s: float | None,
    closed: NDArray[np.bool_] | None,
    frozen: NDArray[np.bool_] | None,
) -> None:
    """Refuse arguments out of range."""
    lattice = tiles.lattice
    if effort not in get_args(SearchEffort):
        raise BriefError(
            f"effort is {effort!r}; it must be one of: {', '.join(get_args(SearchEffort))}",
            remedy="choose one of the efforts named above",
            key="effort",
            value=effort,
        )
    if reach is not None and not 0 <= reach <= MOST_REACH:
        raise BriefError(
            f"reach is {reach!r} steps; it must be from 0 to {MOST_REACH}",
            remedy="choose a reach in that range; 1 is enough for most boards",
            key="reach",
            value=reach,
        )
    if time_limit_s is not None and not time_limit_s > 0.0:
        raise BriefError(
            f"time_limit_s is {time_limit_s!r} s; it must be greater than 0 s",
            remedy="give the seconds to spend, or None for as many as it takes",
            key="time_limit_s",
            value=time_limit_s,
        )
    n = lattice.n_cells
    for name, given, shape in (("closed", closed, (n, N_SIDES)), ("frozen", frozen, (n,))):
        if given is not None and (given.shape != shape or given.dtype != np.bool_):
            raise BriefError(
                f"{name} is {given.dtype} of shape {given.shape}; it must be bool of {shape}",
                remedy=f"give {name} as one truth value for each cell"
                + (" and side" if len(shape) > 1 else ""),
                key=name,
                shape=given.shape,
            )
