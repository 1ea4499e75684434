"""`hexterra.stages.search.local_search` and `open_region`: searching parts of a board again."""

from __future__ import annotations

import numpy as np
import pytest

from hexterra.stages.search.bounds import Search
from hexterra.stages.search.candidates import choose_among
from hexterra.stages.search.local_search import WIDE_WINDOWS, Review, repair
from hexterra.stages.search.open_region import pass_messages, raise_bound_where_open
from hexterra.stages.search.prices import DEFAULT_PRICES, FORBIDDEN
from hexterra.stages.search.refine import refine
from tests.invented_boards import invented_board

PLAIN = DEFAULT_PRICES


def passed_on(columns: int, rows: int, *, closed: bool = False, ramp_limit: int = 1) -> Search:
    """Search a rough board for some rounds, and propose what the messages say."""
    tiles = invented_board(3, columns, rows, is_rough=True, ramp_limit=ramp_limit)
    shut = ~tiles.cliff if closed else None
    search = Search(choose_among(tiles, PLAIN, closed=shut))
    search.try_candidate(search.corners)
    for _ in pass_messages(search, search.passing, 12):
        pass
    search.propose()
    return search


def test_a_spoiled_place_is_put_right() -> None:
    """Where a good board was raised by a step in a few cells, it is as good again."""
    search = passed_on(12, 10)
    best, least = search.corners, search.cost
    lattice = search.choices.tiles.lattice
    highest = search.choices.lowest + search.choices.n_bases
    cell = int(np.flatnonzero((best.max(axis=1) < highest - 1) & ~lattice.is_rim)[7])
    spoiled = best.copy()
    spoiled[lattice.around(cell, 1)] += 1
    spoiled = np.where((search.choices.labels(spoiled) >= 0)[:, None], spoiled, best)
    search.corners, search.cost = spoiled, search.price(spoiled)
    assert search.cost > least + 1.0
    for _ in Review(search).improve():
        pass
    assert search.cost <= least + 1e-9


def test_what_is_settled_is_not_searched_again() -> None:
    """A review of a board that it has gone over finds nothing to do."""
    search = passed_on(30, 20)
    review = Review(search)
    n_windows = [sum(1 for _ in review.improve()) for _ in range(4)]
    assert n_windows[0] > 0 == n_windows[-1]


def test_a_board_that_breaks_rules_is_repaired() -> None:
    """With all sides closed, what is proposed leaves some open; repaired, none is."""
    search = passed_on(16, 12, closed=True, ramp_limit=2)
    assert search.breaks_rules(search.proposed)
    search.cost = np.inf
    for _ in repair(search, search.proposed, WIDE_WINDOWS):
        pass
    assert not search.breaks_rules(search.corners)
    assert search.choices.face_prices(search.corners).max() < FORBIDDEN


def test_rounds_where_it_is_open_prove_more() -> None:
    """The bound rises, stays below the cost of any board, and the whole board proves it as well."""
    search = passed_on(60, 40)
    for _ in Review(search).improve():
        pass
    lattice = search.choices.tiles.lattice
    is_open = lattice.spread(search.excess(search.corners) > 0.02, 4)
    assert 0 < is_open.mean() < 0.6
    bound = search.bound
    for _ in raise_bound_where_open(search):
        pass
    assert bound < search.passing.bound <= search.bound <= search.cost
    assert search.bound <= refine(search.choices.tiles, prices=PLAIN, reach=1).cost


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_closed_rough_boards_come_near_their_bound(seed: int) -> None:
    """Where every side is closed and ramps rise two steps, the gap is a few percent at most."""
    tiles = invented_board(seed, 20, 15, is_rough=True, ramp_limit=2)
    refined = refine(tiles, closed=~tiles.cliff)
    assert refined.tiles.cliff.sum() == 0
    assert refined.gap < 0.03
