"""`hexterra.stages.search.frontier_search`: all boards that may be the best, cell by cell."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hexterra.stages.search.exact_search import relax
from hexterra.stages.search.prices import Prices
from hexterra.stages.search.refine import refine
from tests.board_laws import check_built
from tests.invented_boards import SMALL, invented_board, searched
from tests.plain.boards import least_by_program, least_of_all, model_of


@settings(derandomize=True, deadline=None, max_examples=30)
@given(seed=st.integers(0, 10_000), n_rounds=st.integers(1, 12))
def test_the_best_board_is_found_and_proven(seed: int, n_rounds: int) -> None:
    """Whatever the messages, it costs what the cheapest of all boards does (brute force)."""
    search = searched(2, 2, seed, n_rounds)
    least = least_of_all(model_of(search.choices.tiles, Prices(), reach=1))
    found = search.field.search_partial_boards(least + 2.0, 20_000)
    assert found is not None
    corners, is_proven = found
    assert is_proven
    assert search.choices.price_board(corners) == pytest.approx(least, abs=1e-9)
    assert search.field.search_partial_boards(least - 1e-6, 20_000) is None


@settings(derandomize=True, deadline=None, max_examples=30)
@given(seed=st.integers(0, 10_000), n_kept=st.integers(1, 200))
def test_without_room_for_all_nothing_is_proven_wrongly(seed: int, n_kept: int) -> None:
    """With room for few partial boards a board comes back, if at all, that costs no less."""
    search = searched(4, 4, seed, 3)
    least = refine(search.choices.tiles, effort="proven", reach=1).cost
    found = search.field.search_partial_boards(least + 1.0, n_kept)
    if found is not None:
        cost = search.choices.price_board(found[0])
        assert least - 1e-9 <= cost <= least + 1.0
        assert not found[1] or cost == pytest.approx(least, abs=1e-9)


@pytest.mark.parametrize("seed", [1, 5])
def test_it_agrees_with_highs_on_all_labels(seed: int) -> None:
    """On 64 rough cells, where sweeps alone prove little, the optimum is that of HiGHS."""
    tiles = invented_board(seed, 8, 6, is_rough=True, catalogue=SMALL)
    refined = refine(tiles, effort="proven")
    check_built(refined.tiles)
    assert refined.cost == pytest.approx(least_by_program(model_of(tiles, Prices())), abs=1e-6)
    assert refined.gap < 1e-9


@pytest.mark.parametrize("seed", [2, 3])
def test_the_best_messages_prove_what_the_relaxation_does(seed: int) -> None:
    """Where sweeps end below it, the bound is that of HiGHS on shares of labels."""
    search = searched(8, 4, seed, 60)
    bound = least_by_program(model_of(search.choices.tiles, Prices(), reach=1), whole=False)
    assert search.passing.bound < bound - 0.1
    relax(search, None)
    assert search.passing.bound == pytest.approx(bound, abs=1e-5)


@pytest.mark.parametrize("seed", [2, 6])
def test_hard_boards_are_proven(seed: int) -> None:
    """Where sweeps prove 8 % less than there is, and where the best messages end the search."""
    tiles = invented_board(seed, is_rough=True, catalogue=SMALL)
    refined = refine(tiles, effort="proven")
    check_built(refined.tiles)
    assert refined.gap < 1e-9


def test_the_search_is_the_same_every_time() -> None:
    """Ties are settled by the order of cells and labels."""
    boards = [refine(invented_board(4, is_rough=True, catalogue=SMALL), effort="proven")
              for _ in range(2)]  # fmt: skip
    assert np.array_equal(boards[0].tiles.corners, boards[1].tiles.corners)
