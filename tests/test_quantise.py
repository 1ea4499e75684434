"""Levels from heights: worked by hand, against a published library and every split, and laws."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import jenkspy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from hexterra.errors import BriefError
from hexterra.lattice.board import Board
from hexterra.stages.levels.quantise import Levels, quantise
from hexterra.stages.sampling.gather import Heights
from tests.level_ground import heights_of
from tests.plain import levels as plain


def row_of(mean_m: ArrayLike) -> Heights:
    """Make heights of as many cells as there are means, level within each cell."""
    n = np.size(mean_m)
    whole = Board(max(2, n), 2, 100.0, "points", "straight", 5000.0, 9.0, 46.0)
    return heights_of(whole.only(np.arange(whole.n_cells) < n), mean_m)


def classes_of(levels: Levels) -> list[list[float]]:
    """Gather the cell means of each level."""
    mean = levels.heights.mean_m
    return [sorted(mean[levels.level == level]) for level in range(len(levels.thresholds_m) + 1)]


def check_laws(levels: Levels) -> None:
    """Check all that is promised of levels, whatever the heights and the method."""
    k = len(levels.thresholds_m)
    mean = levels.heights.mean_m
    np.testing.assert_array_equal(levels.level, (mean[:, None] >= levels.thresholds_m).sum(axis=1))
    rounded = np.clip(np.floor(levels.position + 0.5), 0, k)
    np.testing.assert_array_equal(levels.level, rounded)
    order = np.argsort(mean, kind="stable")
    assert (np.diff(levels.position[order]) >= 0.0).all()
    assert (np.diff(levels.thresholds_m) > 0.0).all()


heights_m = st.lists(st.floats(-500.0, 500.0), min_size=1, max_size=40)


def test_even_by_hand() -> None:
    """With 10 m steps from 0 m the thresholds are 5, 15 and 25 m, and a level rounds the height."""
    levels = quantise(row_of([3.0, 10.0, 14.9, 15.0, 25.0, 31.0]), metres_per_step=10.0)
    assert levels.datum_m == 0.0
    np.testing.assert_array_equal(levels.thresholds_m, [5.0, 15.0, 25.0])
    np.testing.assert_array_equal(levels.level, [0, 1, 1, 2, 3, 3])
    np.testing.assert_allclose(levels.position, [0.3, 1.0, 1.49, 1.5, 2.5, 3.1], rtol=1e-15)


def test_the_datum_is_the_whole_step_nearest_the_lowest_cell() -> None:
    """Below sea level, too: -7 m with 5 m steps gives -5 m, and the lowest cell level 0."""
    levels = quantise(row_of([-7.0, 4.0]), metres_per_step=5.0)
    assert levels.datum_m == -5.0
    np.testing.assert_array_equal(levels.level, [0, 2])  # -0.4 and 1.8 steps above it


@settings(derandomize=True, deadline=None)
@given(st.integers(-400, 400), st.integers(-400, 400), st.integers(-400, 400))
def test_neighbouring_boards_agree(low: int, shared: int, other: int) -> None:
    """A height that two boards share stands at the same ground height on both."""
    one = quantise(row_of([shared, low]), metres_per_step=8.0)
    two = quantise(row_of([shared, other]), metres_per_step=8.0)
    assert one.datum_m + 8.0 * one.level[0] == two.datum_m + 8.0 * two.level[0]


def test_cells_below_a_given_datum_get_level_0() -> None:
    """A datum of 100 m leaves the cells at 40 m and 104 m on level 0, the lower one far below."""
    levels = quantise(row_of([40.0, 104.0, 121.0]), metres_per_step=10.0, datum_m=100.0)
    np.testing.assert_array_equal(levels.level, [0, 0, 2])
    np.testing.assert_allclose(levels.position, [-6.0, 0.4, 2.1], rtol=1e-12)


def test_a_board_below_its_datum_has_one_level() -> None:
    """If every cell lies below the first threshold there is no threshold at all."""
    levels = quantise(row_of([40.0, 60.0]), metres_per_step=10.0, datum_m=100.0)
    assert len(levels.thresholds_m) == 0
    np.testing.assert_array_equal(levels.level, [0, 0])
    np.testing.assert_array_equal(levels.position, [-6.0, -4.0])


def test_given_thresholds_by_hand() -> None:
    """Between thresholds the position runs evenly; outside them it gains one level per step."""
    levels = quantise(
        row_of([0.0, 20.0, 30.0, 60.0, 80.0]),
        method="given",
        metres_per_step=10.0,
        thresholds_m=[20.0, 60.0],
    )
    np.testing.assert_array_equal(levels.level, [0, 1, 1, 2, 2])
    np.testing.assert_array_equal(levels.position, [-1.5, 0.5, 0.75, 1.5, 3.5])


def test_quantile_by_hand() -> None:
    """Eight different heights make four levels of two cells, parted halfway."""
    levels = quantise(
        row_of([8.0, 1.0, 2.0, 4.0, 3.0, 7.0, 5.0, 6.0]),
        method="quantile",
        metres_per_step=1.0,
        n_levels=4,
    )
    np.testing.assert_array_equal(levels.thresholds_m, [2.5, 4.5, 6.5])
    np.testing.assert_array_equal(levels.level, [3, 0, 0, 1, 1, 3, 2, 2])


def test_quantile_keeps_equal_heights_together() -> None:
    """Five cells at 1 m cannot be parted, and every level still gets a cell."""
    levels = quantise(
        row_of([1.0, 1.0, 1.0, 1.0, 1.0, 2.0, 3.0]),
        method="quantile",
        metres_per_step=1.0,
        n_levels=3,
    )
    np.testing.assert_array_equal(levels.level, [0, 0, 0, 0, 0, 1, 2])


def test_natural_breaks_by_hand() -> None:
    """Three clumps of heights become three levels."""
    levels = quantise(
        row_of([10.0, 1.0, 2.0, 20.0, 3.0, 11.0]),
        method="natural breaks",
        metres_per_step=1.0,
        n_levels=3,
    )
    np.testing.assert_array_equal(levels.thresholds_m, [6.5, 15.5])
    np.testing.assert_array_equal(levels.level, [1, 0, 0, 2, 0, 1])


def test_of_equally_good_breaks_the_lowest_wins() -> None:
    """Heights 0, 1, 2 part equally well at 0.5 and at 1.5."""
    levels = quantise(
        row_of([0.0, 1.0, 2.0]), method="natural breaks", metres_per_step=1.0, n_levels=2
    )
    np.testing.assert_array_equal(levels.thresholds_m, [0.5])


@settings(derandomize=True, deadline=None)
@given(st.lists(st.integers(-30, 30), min_size=1, max_size=10), st.data())
def test_natural_breaks_equal_the_best_of_all_splits(
    values: list[int], data: st.DataObject
) -> None:
    """No split of the sorted heights has a smaller sum of squares (Fisher, JASA 53, 1958)."""
    n_levels = data.draw(st.integers(1, len(set(values))))
    levels = quantise(
        row_of(values), method="natural breaks", metres_per_step=1.0, n_levels=n_levels
    )
    best = plain.natural_breaks([float(value) for value in values], n_levels)
    assert plain.squares(classes_of(levels)) == pytest.approx(best, rel=1e-9, abs=1e-9)
    assert all(classes_of(levels))


@pytest.mark.parametrize(("n_cells", "n_levels"), [(50, 2), (200, 5), (999, 12)])
def test_natural_breaks_equal_jenkspy(n_cells: int, n_levels: int) -> None:
    """An independent implementation of the same optimum finds the same classes (jenkspy 0.4)."""
    mean = np.random.default_rng(n_cells).gamma(2.0, 60.0, n_cells)
    levels = quantise(
        row_of(mean), method="natural breaks", metres_per_step=10.0, n_levels=n_levels
    )
    upper = jenkspy.jenks_breaks(mean.tolist(), n_classes=n_levels)[1:]
    assert [members[-1] for members in classes_of(levels)] == upper


def test_neighbouring_floats_are_parted() -> None:
    """Where no number lies halfway, the threshold is the upper of the two heights."""
    low = 100.0
    high = float(np.nextafter(low, np.inf))
    levels = quantise(row_of([low, high]), method="quantile", metres_per_step=1.0, n_levels=2)
    np.testing.assert_array_equal(levels.level, [0, 1])


@settings(derandomize=True, deadline=None)
@given(heights_m, st.floats(1.0, 200.0), st.data())
def test_laws_of_every_method(mean: list[float], step_m: float, data: st.DataObject) -> None:
    """Levels count thresholds, round positions, and never fall as heights rise."""
    heights = row_of(mean)
    n_levels = data.draw(st.integers(1, min(64, len(set(mean)))))
    datum_m = data.draw(st.none() | st.floats(-500.0, 500.0))
    check_laws(quantise(heights, metres_per_step=step_m, datum_m=datum_m))
    for method in ("quantile", "natural breaks"):
        levels = quantise(heights, method=method, metres_per_step=step_m, n_levels=n_levels)
        check_laws(levels)
        assert len(np.unique(levels.level)) == n_levels
    given_m = sorted(set(data.draw(heights_m)))
    check_laws(quantise(heights, method="given", metres_per_step=step_m, thresholds_m=given_m))


def test_quantile_is_even_where_heights_differ() -> None:
    """With 97 different heights and 8 levels no two levels differ by more than one cell."""
    mean = np.random.default_rng(3).permutation(97).astype(float)
    levels = quantise(row_of(mean), method="quantile", metres_per_step=1.0, n_levels=8)
    sizes = [len(members) for members in classes_of(levels)]
    assert max(sizes) - min(sizes) <= 1


def test_even_levels_lie_a_step_apart() -> None:
    """Thresholds of the even method are one step apart."""
    levels = quantise(row_of([0.0, 700.0]), metres_per_step=25.0)
    assert {b - a for a, b in pairwise(levels.thresholds_m)} == {25.0}


@pytest.mark.parametrize(
    ("key", "spec"),
    [
        ("method", {"method": "odd"}),
        ("metres_per_step", {"metres_per_step": 0.0}),
        ("metres_per_step", {"metres_per_step": -5.0}),
        ("metres_per_step", {"metres_per_step": float("nan")}),
        ("metres_per_step", {"metres_per_step": float("inf")}),
        ("metres_per_step", {"metres_per_step": 0.001}),
        ("datum_m", {"datum_m": float("inf")}),
        ("n_levels", {"n_levels": 4}),
        ("n_levels", {"method": "quantile"}),
        ("n_levels", {"method": "quantile", "n_levels": 0}),
        ("n_levels", {"method": "natural breaks", "n_levels": 4}),
        ("thresholds_m", {"thresholds_m": [1.0]}),
        ("thresholds_m", {"method": "given"}),
        ("thresholds_m", {"method": "given", "thresholds_m": []}),
        ("thresholds_m", {"method": "given", "thresholds_m": [[1.0], [2.0]]}),
        ("thresholds_m", {"method": "given", "thresholds_m": [1.0, 1.0]}),
        ("thresholds_m", {"method": "given", "thresholds_m": [2.0, 1.0]}),
        ("thresholds_m", {"method": "given", "thresholds_m": [float("nan")]}),
        ("thresholds_m", {"method": "given", "thresholds_m": [1.0, float("nan"), 3.0]}),
        ("thresholds_m", {"method": "given", "thresholds_m": np.arange(1000.0)}),
    ],
)
def test_what_is_refused(key: str, spec: dict[str, Any]) -> None:
    """Each wrong value is refused by the name of its key, with a remedy."""
    wrong: dict[str, Any] = {"metres_per_step": 10.0, **spec}
    with pytest.raises(BriefError, match=key) as caught:
        quantise(row_of([5.0, 10.0, 30.0]), **wrong)
    assert caught.value.facts["key"] == key
    assert caught.value.remedy


def test_too_many_levels_are_refused() -> None:
    """More than 64 counted levels are refused even if the heights would do."""
    with pytest.raises(BriefError, match="from 1 to 64"):
        quantise(row_of(np.arange(80.0)), method="quantile", metres_per_step=1.0, n_levels=65)
    with pytest.raises(BriefError, match=r"at least 1 m") as caught:
        quantise(row_of([0.0, 999.0]), metres_per_step=0.5)
    assert caught.value.facts["n_levels"] == 1999.0
    assert quantise(row_of([0.0, 999.0]), metres_per_step=1.0).level.max() == 999
