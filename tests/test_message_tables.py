"""`hexterra.stages.search.message_tables`: messages on a board, a part of it, a window."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hexterra.stages.search.exact_search import options_of
from hexterra.stages.search.message_passing import MessagePassing
from hexterra.stages.search.prices import Prices
from hexterra.stages.search.refine import refine
from tests.invented_boards import searched
from tests.plain.boards import least_of_all, model_of

laws = settings(derandomize=True, deadline=None, max_examples=30)


@laws
@given(
    seed=st.integers(0, 10_000),
    n_rounds=st.integers(1, 6),
    cells=st.sets(st.integers(0, 4), min_size=1, max_size=4),
    along_water=st.floats(0.05, 1.0),
)
def test_what_a_part_proves_holds_for_the_board(
    seed: int, n_rounds: int, cells: set[int], along_water: float
) -> None:
    """Whatever part is open, no board costs less than it and the rest prove (brute force)."""
    search = searched(2, 2, seed, n_rounds)
    least = least_of_all(model_of(search.choices.tiles, Prices(), reach=1))
    within = np.array(sorted(c for c in cells if c < len(search.corners)) or [0])
    field, rest = search.field.extract(within, along_water)
    passing = MessagePassing(field, rest - search.field.margin)
    for _ in range(8):
        assert passing.round(np.inf) <= least
        assert passing.leap(np.inf) <= least
    search.field.merge(within, field)
    search.passing.restart()
    search.round()
    assert search.passing.bound <= least


@laws
@given(seed=st.integers(0, 10_000), n_rounds=st.integers(1, 6))
def test_excess_adds_up_to_the_gap(seed: int, n_rounds: int) -> None:
    """No cell costs less than the bound allows for; together they cost what the gap is."""
    search = searched(6, 5, seed, n_rounds)
    corners = search.field.choose(np.arange(len(search.corners), dtype=np.int32))
    cost = search.choices.price_board(corners)
    if cost < 1e6:
        excess = search.excess(corners)
        assert excess.min() > -1e-9
        assert excess.sum() == pytest.approx(cost - search.passing.bound, abs=1e-6)


@laws
@given(seed=st.integers(0, 10_000), cells=st.sets(st.integers(0, 8), min_size=1, max_size=4))
def test_a_window_is_solved_with_the_rest_as_it_is(seed: int, cells: set[int]) -> None:
    """The best of all boards that differ in some cells only is found (brute force)."""
    search = searched(3, 3, seed, 2)
    choices, corners = search.choices, search.corners
    within = np.array(sorted(c for c in cells if c < len(corners)) or [0])
    model = model_of(choices.tiles, Prices(), reach=1)
    held = [
        labels if cell in within else [held for held in labels if held[0] == tuple(corners[cell])]
        for cell, labels in enumerate(model.labels)
    ]
    least = least_of_all(replace(model, labels=held))
    part = search.field.fix_others(within, corners)
    part.sweep(False, np.inf)
    part.sweep(True, np.inf)
    found = part.search_partial_boards(np.inf, 50_000)
    assert found is not None
    board = corners.copy()
    board[within] = found[0]
    assert found[1]
    assert choices.price_board(board) == pytest.approx(least, abs=1e-9)
    saved = choices.price_around(within, corners) - choices.price_around(within, board)
    assert saved == pytest.approx(choices.price_board(corners) - least, abs=1e-9)


@laws
@given(
    seed=st.integers(0, 10_000),
    n_rounds=st.integers(0, 5),
    ways=st.lists(st.sampled_from(["up", "down", "leap"]), min_size=3, max_size=12),
)
def test_no_order_of_sweeps_drops_a_label_of_the_best_board(
    seed: int, n_rounds: int, ways: list[str]
) -> None:
    """The best board, which is known from the start, is still there in the end."""
    search = searched(6, 5, seed, 0)
    search.try_candidate(refine(search.choices.tiles, effort="proven").tiles.corners)
    for _ in range(n_rounds):
        search.round()
    for way in ways:
        if way == "leap":
            search.raise_bound(search.passing.leap(search.cost))
        else:
            search.sweep(way == "up")
    options = options_of(search)
    for cell, corners in enumerate(search.corners.tolist()):
        assert corners in [option.corners for option in options[cell]]


@pytest.mark.parametrize("along_water", [0.3, 0.85])
def test_cells_share_out_no_more_than_all(along_water: float) -> None:
    """Ahead and behind each cell tells all at most, and along the water what it is asked to."""
    field = replace(searched(8, 8, 3, 1).field, along_water=along_water)
    share, (neighbours, *_, falls) = field.share, field.sides
    ahead = neighbours > np.arange(len(share))[:, None]
    behind = (neighbours >= 0) & ~ahead
    for way in (ahead, behind):
        assert np.where(way, share, 0.0).sum(axis=1).max() < 1.0 + 1e-12
    crossed = (falls != 0).sum(axis=1)
    runs_through = (crossed == 2) & ((falls != 0) & ahead).any(axis=1)
    runs_through &= ((falls != 0) & behind).any(axis=1)
    assert runs_through.any()
    assert share[(falls != 0) & runs_through[:, None]] == pytest.approx(along_water)
