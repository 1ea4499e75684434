"""Summits, valley floors, slopes and the way down: by hand and by their laws."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.typing import ArrayLike, NDArray

from hexterra.fidelity.landforms import (
    compare_slopes,
    drainage_agreement,
    find_floors,
    find_summits,
    prominence_m,
)
from hexterra.lattice.board import Board
from hexterra.stages.water.flow import flow
from tests.level_ground import heights_of

ROW = Board(9, 2, 100.0, "points", "whole", 10_000.0, 9.0, 46.0).only(np.arange(18) < 9)
HEX = Board(5, 5, 100.0, "points", "whole", 10_000.0, 9.0, 46.0)
MIDDLE = 12  # C3, with six neighbours off the rim
GROUND = arrays.arrays(np.int64, 25, elements=st.integers(0, 9)).map(lambda z: z * 1.0)
LAWS = settings(derandomize=True, deadline=None, max_examples=100)


def array(*values: float) -> NDArray[np.float64]:
    """Make an array of floats."""
    return np.array(values, np.float64)


def hill(height_m: float, around_m: float = 0.0) -> NDArray[np.float64]:
    """Raise the middle of a level board, and the six cells around it."""
    ground = np.zeros(25)
    ground[HEX.neighbours[MIDDLE]] = around_m
    ground[MIDDLE] = height_m
    return ground


def test_prominence_by_hand() -> None:
    """Along a row of cells, each summit ends where it meets a higher one; of two equals the later.

    From 7, the way to 9 leads down to 3; from the last 7 to the first, down to 6; from 9, the
    highest, all descent there is counts: to 1.
    """
    found = prominence_m(ROW, array(1, 9, 3, 7, 6, 7, 2, 4, 4))
    assert found.tolist() == [0, 8, 0, 4, 0, 1, 0, 2, 0]


def plain_prominence(height_m: NDArray[np.float64]) -> list[float]:
    """Find prominences slowly: lower the water until a summit's island holds higher ground."""
    n = len(height_m)
    rank = {cell: k for k, cell in enumerate(sorted(range(n), key=lambda c: (-height_m[c], c)))}
    found = []
    for cell in range(n):
        levels = sorted({z for z in height_m.tolist() if z <= height_m[cell]}, reverse=True)
        prominence = height_m[cell] - min(levels)
        for level in levels:
            island, waiting = {cell}, [cell]
            while waiting:
                for j in HEX.neighbours[waiting.pop()].tolist():
                    if j >= 0 and j not in island and height_m[j] >= level:
                        island.add(j)
                        waiting.append(j)
            if min(rank[j] for j in island) < rank[cell]:
                prominence = height_m[cell] - level
                break
        found.append(float(prominence))
    return found


@given(GROUND)
@LAWS
def test_prominence_agrees_with_a_slow_twin(ground: NDArray[np.float64]) -> None:
    """Flooding the ground to each height in turn gives the same, for every cell."""
    assert prominence_m(HEX, ground).tolist() == plain_prominence(ground)


def test_a_summit_flattened() -> None:
    """A summit 30 m above its surroundings is built 10 m above them: it changes by -20 m."""
    found = find_summits(HEX, hill(30.0), hill(10.0), 15.0)
    assert (found.n, found.n_lost) == (1, 0)
    assert (found.mean_ground_m, found.mean_built_m, found.change_m) == (30.0, 10.0, -20.0)


def test_a_summit_lost() -> None:
    """A summit that one cell beside it is built as high as is not shown."""
    built = hill(10.0)
    built[HEX.neighbours[MIDDLE, 2]] = 10.0
    found = find_summits(HEX, hill(30.0), built, 15.0)
    assert (found.n, found.n_lost) == (1, 1)
    assert found.mean_built_m == pytest.approx(10.0 * 5 / 6)


@pytest.mark.parametrize("ground", [hill(15.0), hill(30.0, 20.0), -hill(30.0)])
def test_no_summit(ground: NDArray[np.float64]) -> None:
    """What rises no more than asked, or stands on the rim, is no summit to compare."""
    found = find_summits(HEX, ground, ground, 30.0)
    assert (found.n, found.n_lost, found.change_m) == (0, 0, 0.0)


def test_hollows_are_valley_floors_where_no_water_is_shown() -> None:
    """A hollow 30 m deep is built level: it is lost, and changes by -30 m."""
    kept = find_floors(HEX, -hill(30.0), -hill(40.0), 15.0, None)
    assert (kept.n, kept.n_lost, kept.change_m) == (1, 0, 10.0)
    lost = find_floors(HEX, -hill(30.0), np.zeros(25), 15.0, None)
    assert (lost.n, lost.n_lost, lost.change_m) == (1, 1, -30.0)


def valley(floor_m: float = 0.0) -> NDArray[np.float64]:
    """Fold a valley along the third row, which falls to the left."""
    return np.abs(HEX.row - 2) * 10.0 + HEX.column + np.where(HEX.row == 2, floor_m, 0.0)


def test_watercourses_are_valley_floors() -> None:
    """Of a watercourse along a row of five, the three cells off the rim are compared."""
    ground = valley()
    water = flow(heights_of(HEX, ground), threshold_m2=2.5 * float(HEX.area_m2[0]))
    assert water.is_watercourse[HEX.row == 2].sum() >= 3
    kept = find_floors(HEX, ground, ground, 15.0, water)
    assert (kept.n, kept.n_lost, kept.change_m) == (3, 0, 0.0)
    lost = find_floors(HEX, ground, valley(50.0), 15.0, water)
    assert (lost.n, lost.n_lost) == (3, 3)


@pytest.mark.parametrize(
    ("rise_steps", "kind"),
    [(0.4, 0), (0.6, 1), (1.0, 1), (1.4, 1), (1.6, 2), (2.0, 2), (2.4, 2), (2.6, 3), (9.0, 3)],
)
def test_slopes_by_hand(rise_steps: float, kind: int) -> None:
    """On 20 m steps, a cell that rises above level ground makes itself and six others as steep."""
    ground = hill(20.0 * rise_steps)
    found = compare_slopes(HEX, ground, np.zeros(25), 20.0)
    expected = np.zeros((4, 4), int)
    expected[0, 0] += 18
    expected[kind, 0] += 7
    assert np.array(found.n_cells).tolist() == expected.tolist()
    assert found.share_same == pytest.approx(1.0 if kind == 0 else 18 / 25)


def agreement(ground: ArrayLike, built: ArrayLike, threshold_m2: float = 1e12) -> float:
    """Compare the way down on the row of cells, by default without a watercourse."""
    water = flow(heights_of(ROW, ground), threshold_m2=threshold_m2)
    return drainage_agreement(water, np.array(built, np.float64))


def test_drainage_by_hand() -> None:
    """Water cannot run up, and need not run to one of two cells built alike.

    All nine cells of one row lie on the rim, where water leaves the lattice unless it can run on.
    """
    falls = array(9, 8, 7, 6, 5, 4, 3, 2, 1)
    assert agreement(falls, falls) == 1.0
    assert agreement(falls, np.zeros(9)) == 1.0  # built level, it may run either way
    assert agreement(falls, -falls) == 0.0
    step = array(1, 1, 1, 2, 1, 1, 1, 1, 1)  # C1 would run up, D1 may run on, E1 and the rest too
    assert agreement(falls, step) == pytest.approx(7 / 8)


def test_watercourses_run_along_their_channels() -> None:
    """Of eight cells built to fall the other way, those with a watercourse agree all the same."""
    falls = array(9, 8, 7, 6, 5, 4, 3, 2, 1)
    threshold_m2 = 5.5 * float(ROW.area_m2[0])  # from the sixth cell on; the ninth is the outlet
    assert agreement(falls, -falls, threshold_m2) == pytest.approx(3 / 8)


@given(GROUND)
@LAWS
def test_true_boards_are_true(ground: NDArray[np.float64]) -> None:
    """Ground built as it is keeps its summits, floors and slopes, and without hollows its water."""
    summits = find_summits(HEX, ground, ground, 1.5)
    floors = find_floors(HEX, ground, ground, 1.5, None)
    assert (summits.change_m, floors.change_m, floors.n_lost) == (0.0, 0.0, 0)
    assert compare_slopes(HEX, ground, ground, 2.0).share_same == 1.0
    apart = ground + np.arange(25) / 100.0
    assert find_summits(HEX, apart, apart, 1.5).n_lost == 0
    water: Any = flow(heights_of(HEX, apart), threshold_m2=1e12)  # no tributary is turned
    if (water.filled_m == apart).all():
        assert drainage_agreement(water, apart) == 1.0
