"""Marked cliffs: by rise, by name, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from hexterra.errors import BriefError
from hexterra.lattice.board import Board
from hexterra.stages.levels.cliffs import mark_cliffs
from hexterra.stages.levels.quantise import Levels, quantise
from tests.level_ground import heights_of


def row_of(mean_m: list[float]) -> Levels:
    """Make a single row of cells, with 1 m steps above 0 m."""
    n = len(mean_m)
    whole = Board(n, 2, 100.0, "points", "straight", 5000.0, 9.0, 46.0)
    lattice = whole.only(np.arange(whole.n_cells) < n)
    return quantise(heights_of(lattice, mean_m), metres_per_step=1.0, datum_m=0.0)


def marked_pairs(levels: Levels, is_cliff: np.ndarray) -> set[tuple[int, int]]:
    """List the marked sides as ordered pairs of cells."""
    neighbours = levels.heights.lattice.neighbours
    return {(int(c), int(neighbours[c, s])) for c, s in np.argwhere(is_cliff)}


def test_a_rise_of_exactly_the_limit_is_a_cliff() -> None:
    """Rises of 2.5, 3 and 4 steps in a row: the last two are cliffs from 3 steps on."""
    levels = row_of([0.0, 2.5, 5.5, 1.5])
    is_cliff = mark_cliffs(levels, rise_steps=3.0)
    assert marked_pairs(levels, is_cliff) == {(1, 2), (2, 1), (2, 3), (3, 2)}


def test_named_pairs_are_cliffs_from_both_sides() -> None:
    """A pair is marked on level ground, too, and whichever cell comes first."""
    levels = row_of([0.0, 0.0, 0.0])
    is_cliff = mark_cliffs(levels, pairs=[(2, 1)])
    assert marked_pairs(levels, is_cliff) == {(1, 2), (2, 1)}


def test_nothing_is_marked_unasked() -> None:
    """Without a rule or a pair there are no cliffs, however steep the ground."""
    assert not mark_cliffs(row_of([0.0, 50.0])).any()


@pytest.mark.parametrize("rise", [0.0, -1.0, float("nan"), float("inf")])
def test_a_senseless_rise_is_refused(rise: float) -> None:
    """The rise must be a number of steps above 0."""
    with pytest.raises(BriefError, match="rise_steps"):
        mark_cliffs(row_of([0.0, 1.0]), rise_steps=rise)


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        ((0, 2), "between the cells A1 and C1, which do not adjoin"),
        ((1, 1), "between the cells B1 and B1"),
        ((0, 7), "number 7, but cells are numbered 0 to 2"),
        ((-1, 0), "number -1"),
    ],
)
def test_a_pair_that_shares_no_side_is_refused(pair: tuple[int, int], said: str) -> None:
    """The message names both cells."""
    with pytest.raises(BriefError, match=said) as caught:
        mark_cliffs(row_of([0.0, 0.0, 0.0]), pairs=[pair])
    assert caught.value.facts["value"] == pair
