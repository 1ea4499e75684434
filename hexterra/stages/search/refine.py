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
from typing import Final, get_args

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.catalogue.catalogue import Catalogue
from hexterra.errors import BriefError, InfeasibleError
from hexterra.kernels.board.tile_costs import INFEASIBLE_SUM
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.search.bounds import Search
from hexterra.stages.search.candidates import Choices, choose_among, count_labels, ground_terms
from hexterra.stages.search.exact_search import prove
from hexterra.stages.search.few_kinds import least_kinds, spare_kinds
from hexterra.stages.search.frontier_search import search_frontier
from hexterra.stages.search.local_search import WIDE_WINDOWS, WINDOWS, Review, repair
from hexterra.stages.search.open_region import pass_messages, raise_bound_where_open
from hexterra.stages.search.prices import DEFAULT_PRICES, FORBIDDEN, Prices
from hexterra.stages.search.refined import Refined, SearchEffort, Stopped
from hexterra.stages.search.stock_prices import (
    StockUse,
    adjust_prices,
    count_owned,
    count_tile_kinds,
    start_prices,
    stock_use,
)
from hexterra.stages.tiles.fit import Tiles, find_crossings, note_faces
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
    is_too_large = reach is None and count_labels(tiles, catalogue) > MOST_LABELS
    choices = choose_among(
        tiles, prices, catalogue=catalogue, reach=1 if is_too_large else reach,
        closed=closed, frozen=frozen, edge_profile=profile, joint=joints,
    )  # fmt: skip
    without_stock, stopped = None, ""
    end = None if time_limit_s is None else time.monotonic() + time_limit_s
    if stock is not None:
        without_stock = Search(choices)
        stopped = _run(without_stock, "bounded" if effort == "proven" else effort, end)
    owned = None if stock is None else count_owned(choices.settings.kinds, stock)
    search = Search(choices, owned, prices.new_piece if stock is not None else 0.0)
    start_cost = search.cost
    if without_stock is not None:
        search.try_candidate(without_stock.corners)
    stopped = stopped or _run(search, effort, end)
    spent = 0.0
    if stock is None and effort != "instant" and not stopped and prices.fewer_kinds > 0.0:
        spent = _spare(search, prices, closed, frozen, profile, joints)
    refined = finish(search, prices, effort, start_cost, stopped, stock)
    return replace(
        refined,
        spent_on_kinds=spent,
        least_kinds=least_kinds(choices.settings) if spent else 0,
        bound=0.0 if is_too_large else refined.bound,
    )


def _spare(
    search: Search,
    prices: Prices,
    closed: NDArray[np.bool_] | None,
    frozen: NDArray[np.bool_] | None,
    edge_profile: tuple[tuple[int, int], ...],
    joint: tuple[tuple[int, int], ...],
) -> float:
    """Take a board of fewer kinds for the best one; return how much more it costs.

    Tiles are looked for within a step of those of the best board.
    """
    if search.breaks_rules(search.corners):
        return 0.0
    near = choose_among(
        build(search.choices, search.corners), prices, reach=1, closed=closed, frozen=frozen,
        edge_profile=edge_profile, joint=joint,
    )  # fmt: skip
    before = search.cost
    search.corners = spare_kinds(near, search.corners, prices.fewer_kinds)
    search.cost = search.price(search.corners)
    return search.cost - before


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
