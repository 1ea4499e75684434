"""Lines of sight: by hand, against a slow twin, and by the laws that they keep."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.typing import ArrayLike, NDArray

from hexterra.fidelity.intervisibility import (
    NEAR_CELLS,
    Sightings,
    draw_pairs,
    intervisibility,
    middles_mm,
)
from hexterra.kernels.compiled import frozen
from hexterra.kernels.raster.sight_lines import UNKNOWN, trace_sight_lines
from hexterra.lattice.board import Board
from tests.gdal_viewshed import find_gdal, viewshed
from tests.plain.sight import sees
from tests.small_plans import small_ground

#: Heights in whole metres: rounding is then far below what is taken for touching.
GROUND = arrays.arrays(np.int64, (7, 9), elements=st.integers(0, 20)).map(lambda z: z * 1.0)
PLACE = st.tuples(st.integers(2, 34).map(lambda x: x / 4), st.integers(2, 26).map(lambda y: y / 4))
HEIGHT = st.integers(0, 12).map(lambda m: m / 2)
#: Eye and target: where they are, and how high.
ENDS, HIGH = st.tuples(PLACE, PLACE), st.tuples(HEIGHT, HEIGHT)
Ends = tuple[tuple[float, float], tuple[float, float]]
High = tuple[float, float]
LAWS = settings(derandomize=True, deadline=None, max_examples=200)


def sight(
    height_m: ArrayLike, ends: ArrayLike, eye_m: float, target_m: float, lines: Any = ((0, 1),)
) -> list[int]:
    """Trace lines between ends, by columns and rows."""
    pairs = np.array(lines, np.int32)
    seen = np.empty(len(pairs), np.int8)
    height = np.array(height_m, np.float64, order="C")
    xy = np.array(ends, np.float64, order="C")
    trace_sight_lines(frozen(height), frozen(xy), frozen(pairs), eye_m, target_m, seen)
    return seen.tolist()


def profile(*height_m: float) -> NDArray[np.float64]:
    """Give a strip of ground with the same profile in all its three rows."""
    return np.tile(np.array(height_m), (3, 1))


@pytest.mark.parametrize(
    ("heights", "eye_m", "target_m", "expected"),
    [
        ((0, 0, 0, 0, 0), 1.7, 1.7, 1),  # flat ground
        ((0, 0, 0, 0, 0), 0.0, 0.0, 1),  # flat ground, from the ground
        ((0, 0, 2, 0, 0), 1.7, 1.7, 0),  # a ridge between, higher than both
        ((0, 0, 2, 0, 0), 3.9, 0.0, 0),  # the line passes the ridge at 3.9 / 2 = 1.95
        ((0, 0, 2, 0, 0), 4.0, 0.0, 1),  # it touches the ridge
        ((0, 0, 2, 0, 0), 4.1, 0.0, 1),  # it clears the ridge
        ((0, 3, 0, 0, 0), 4.0, 0.0, 1),  # a quarter of the way: the line is at exactly 3
        ((0, 3.1, 0, 0, 0), 4.0, 0.0, 0),
        ((0, 0, 0, 1.1, 0), 4.0, 0.0, 0),  # three quarters of the way: at exactly 1
        ((0, 0, 0, 1.0, 0), 4.0, 0.0, 1),
        ((9, 5, 4, 5, 9), 0.0, 0.0, 1),  # across a valley
        ((0, 1, 2, 3, 4), 0.0, 0.0, 1),  # up a slope that rises evenly
        ((0, 1, 3, 3, 4), 0.0, 0.0, 0),  # a slope that bulges
    ],
)
def test_profiles_by_hand(
    heights: tuple[float, ...], eye_m: float, target_m: float, expected: int
) -> None:
    """From the middle of the first pixel of a profile to that of the last; to touch is to see."""
    ends = [(0.5, 1.5), (4.5, 1.5)]
    assert sight(profile(*heights), ends, eye_m, target_m) == [expected]
    assert sight(profile(*heights).T, np.array(ends)[:, ::-1], eye_m, target_m) == [expected]


def test_a_ridge_is_met_between_pixels() -> None:
    """A diagonal meets a ridge where four pixels do, at the mean of the four."""
    ground = np.zeros((4, 4))
    ground[1:3, 1:3] = 4.0  # the line from corner to corner passes (1, 1) and (2, 2)
    assert sight(ground, [(0.5, 0.5), (3.5, 3.5)], 3.9, 3.9) == [0]
    assert sight(ground, [(0.5, 0.5), (3.5, 3.5)], 4.0, 4.0) == [1]


def test_voids() -> None:
    """Nothing stands in the way in a void, and of a line that ends in one nothing is known."""
    ground = profile(0.0, 0.0, 9.0, 0.0, 0.0)
    ends = [(0.5, 1.5), (4.5, 1.5)]
    assert sight(ground, ends, 1.0, 1.0) == [0]
    ground[:, 2] = np.nan
    assert sight(ground, ends, 1.0, 1.0) == [1]
    ground[:, 4] = np.nan
    assert sight(ground, ends, 1.0, 1.0, [(0, 1), (1, 0)]) == [UNKNOWN, UNKNOWN]


@given(GROUND, ENDS, HIGH)
@LAWS
def test_lines_agree_with_a_slow_twin(ground: NDArray[np.float64], ends: Ends, high: High) -> None:
    """SciPy's bilinear interpolation along the whole line gives the same answer."""
    assert sight(ground, ends, *high) == [int(sees(ground, *ends, *high))]


@given(GROUND, ENDS, HIGH)
@LAWS
def test_whom_i_see_sees_me(ground: NDArray[np.float64], ends: Ends, high: High) -> None:
    """With eye and target exchanged, a line is as free as before."""
    assert sight(ground, ends, *high) == sight(ground, ends[::-1], *high[::-1])
    one, other = sight(ground, ends, high[0], high[0], [(0, 1), (1, 0)])
    assert one == other


@given(GROUND, ENDS, HIGH, st.integers(-3, 3), st.integers(-3, 3))
@LAWS
def test_tilting_and_scaling_change_no_line(
    ground: NDArray[np.float64], ends: Ends, high: High, x_m: int, y_m: int
) -> None:
    """A plane added to the ground, or all heights doubled, hide and show nothing."""
    before = sight(ground, ends, *high)
    row, column = np.indices(ground.shape)
    assert sight(ground + x_m * column + y_m * row, ends, *high) == before
    assert sight(2.0 * ground, ends, 2.0 * high[0], 2.0 * high[1]) == before


@given(GROUND, ENDS, HEIGHT)
@LAWS
def test_higher_eyes_see_no_less(ground: NDArray[np.float64], ends: Ends, eye_m: float) -> None:
    """What is seen from below is seen from above too."""
    assert sight(ground, ends, eye_m, 0.0) <= sight(ground, ends, eye_m + 3.0, 0.0)


@pytest.mark.skipif(find_gdal() is None, reason="this rasterio does not bring GDAL as a library")
@pytest.mark.parametrize("place", [(48, 64), (30, 20), (80, 100)])
@pytest.mark.parametrize("eye_m", [1.7, 50.0])
def test_lines_agree_with_the_viewshed_of_gdal(
    place: tuple[int, int], eye_m: float, tmp_path: Path
) -> None:
    """From an eye to all pixels of invented ground, as by the GDAL library.

    GDAL hands horizons on from pixel to pixel (Wang, Robinson and White, Generating viewsheds
    without using sightlines, Photogrammetric Engineering and Remote Sensing 66, 2000): that is
    exact along the row and the column of the eye, and an approximation elsewhere.
    """
    rows, columns = 96, 128
    ground = small_ground().read(0, rows, 0, columns)[0]
    gdal: Any = find_gdal()
    expected = viewshed(gdal, tmp_path, ground, place, eye_m, 1.7)
    ends = [(column + 0.5, row + 0.5) for row in range(rows) for column in range(columns)]
    lines = [(place[0] * columns + place[1], target) for target in range(rows * columns)]
    found = np.array(sight(ground, ends, eye_m, 1.7, lines)).reshape(rows, columns) == 1
    assert found[place[0]].tolist() == expected[place[0]].tolist()
    assert found[:, place[1]].tolist() == expected[:, place[1]].tolist()
    assert (found == expected).mean() > 0.97
    assert (found & expected).sum() > 0.9 * (found | expected).sum()


def test_kappa_by_hand() -> None:
    """50 pairs, of which 20 are seen on both and 15 on neither, 5 and 10 on one: 0.4.

    The numbers are those of a textbook example of Cohen's kappa, from memory: agreement is
    35 / 50 = 0.7, chance alone 0.5 * 0.6 + 0.5 * 0.4 = 0.5, and (0.7 - 0.5) / (1 - 0.5) = 0.4.
    """
    seen = Sightings(20, 5, 10, 15)
    assert seen.n_pairs == 50
    assert seen.agreement == pytest.approx(0.7)
    assert seen.kappa == pytest.approx(0.4)


def test_kappa_at_its_ends() -> None:
    """It is 1 in full agreement, 0 as by chance, -1 in full and even disagreement."""
    assert Sightings(3, 0, 0, 5).kappa == 1.0
    assert Sightings(4, 2, 2, 1).kappa == 0.0
    assert Sightings(0, 6, 6, 0).kappa == -1.0
    assert [Sightings(*all_alike).kappa for all_alike in ((9, 0, 0, 0), (0, 0, 0, 9))] == [1.0, 1.0]
    assert Sightings(0, 0, 9, 0).kappa == 0.0
    none = Sightings(0, 0, 0, 0)
    assert (none.agreement, none.kappa) == (1.0, 1.0)


@given(st.tuples(*[st.integers(0, 99)] * 4))
@LAWS
def test_kappa_is_agreement_beyond_chance(counts: tuple[int, int, int, int]) -> None:
    """It follows from agreement and the chance of both margins, as Cohen (1960) defines it."""
    seen = Sightings(*counts)
    assume(seen.n_pairs)
    table = np.array([[counts[0], counts[1]], [counts[2], counts[3]]]) / seen.n_pairs
    chance = float(table.sum(axis=0) @ table.sum(axis=1))
    assume(chance < 1.0)
    assert seen.kappa == pytest.approx((seen.agreement - chance) / (1.0 - chance))


def board(columns: int, rows: int) -> Board:
    """Lay out a board with part tiles."""
    return Board(columns, rows, 50.0, "points", "straight", 10_000.0, 9.0, 46.0)


def test_all_pairs_of_a_small_board() -> None:
    """Up to as many pairs as may be looked at, each is taken once; near ones are those in reach."""
    lattice = board(12, 3)
    overall, near = draw_pairs(lattice, 36 * 35, 1)
    assert {tuple(pair) for pair in overall.tolist()} == {
        (i, j) for i in range(36) for j in range(36) if i != j
    }
    assert len(overall) == 36 * 35
    # along a row of cells, at most eight places on; the first row is counted by hand
    first = [tuple(pair) for pair in near.tolist() if max(pair) < 12]
    assert len(first) == 2 * sum(12 - apart for apart in range(1, NEAR_CELLS + 1))


def test_drawn_pairs() -> None:
    """Draws repeat with the seed, pair different cells, and find near ones as often as others."""
    lattice = board(30, 24)
    overall, near = draw_pairs(lattice, 40_000, 5)
    assert len(overall) == len(near) == 40_000
    assert (draw_pairs(lattice, 40_000, 5)[1] == near).all()
    assert (draw_pairs(lattice, 40_000, 6)[1] != near).any()
    for pairs in (overall, near):
        assert (pairs[:, 0] != pairs[:, 1]).all()
    away_mm = lattice.centre_mm[near[:, 1]] - lattice.centre_mm[near[:, 0]]
    apart = np.hypot(*away_mm.T) / lattice.across_flats_mm
    assert apart.max() <= NEAR_CELLS + 1e-6
    # Around observers far from the rim, a ring holds as many pairs as it has cells.
    is_inner = np.abs(lattice.centre_mm[near[:, 0]] - np.array(lattice.size_mm) / 2).max(1) < 150
    share = (apart[is_inner] < 4.5).mean()
    middle = lattice.centre_mm[lattice.n_cells // 2 + 15]
    cells = np.hypot(*(lattice.centre_mm - middle).T) / lattice.across_flats_mm
    wanted = ((cells > 0) & (cells < 4.5)).sum() / (
        (cells > 0) & (cells <= NEAR_CELLS + 1e-6)
    ).sum()
    assert share == pytest.approx(wanted, abs=0.03)


def test_a_board_with_few_cells_left_has_few_near_pairs() -> None:
    """Cells that are all out of reach of each other make no near pair, and no endless search."""
    whole = board(120, 100)
    apart = whole.only((whole.column % 10 == 0) & (whole.row % 10 == 0))
    overall, near = draw_pairs(apart, 100, 1)
    assert (len(overall), len(near)) == (100, 0)


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_eyes_stand_on_the_board(facing: Any) -> None:
    """The middle of a part tile lies within it; of a half that is 2/9 of a long diagonal away.

    By hand: the half of a hexagon of side 1 above a long diagonal is a trapezium of sides 2 and 1
    and height sqrt(3) / 2, whose centroid lies (2 + 2 * 1) / (3 * (2 + 1)) = 4/9 of its height up.
    """
    lattice = Board(4, 4, 60.0, facing, "straight", 10_000.0, 9.0, 46.0)
    middle = middles_mm(lattice)
    assert ((middle > 0.0) & (middle < np.array(lattice.size_mm))).all()
    side_mm = 60.0 / np.sqrt(3.0)
    up_mm = 4 / 9 * side_mm * np.sqrt(3.0) / 2
    halves = [n for n, part in enumerate(lattice.parts) if part == "corner-cut half"]
    moved = np.abs(middle - lattice.centre_mm)[halves].max(axis=1)
    assert moved == pytest.approx(np.full(len(halves), up_mm)) or moved == pytest.approx(0.0)


def test_the_same_surface_twice_agrees() -> None:
    """Whatever the surface, it agrees with itself in full; a wall hides two halves."""

    class Pixels:
        """One pixel to a millimetre of the board."""

        def to_pixel(self, bench_mm: NDArray[np.float64]) -> NDArray[np.float64]:
            return bench_mm

    lattice = board(6, 4)
    width, depth = (int(np.ceil(length)) for length in lattice.size_mm)
    rough = np.random.default_rng(3).uniform(0.0, 5.0, (depth, width))
    wall = np.zeros((depth, width))
    wall[:, width // 2 + 8] = 50.0
    rules: Any = {"eye_m": 1.7, "target_m": 0.5, "n_pairs": 10_000, "seed": 1}
    grid: Any = Pixels()
    same = intervisibility(lattice, grid, rough, rough.copy(), **rules)
    assert same.overall.n_pairs == 24 * 23
    assert same.overall.kappa == same.near.kappa == same.overall.agreement == 1.0
    hidden = intervisibility(lattice, grid, wall, np.zeros_like(wall), **rules).overall
    left = int((middles_mm(lattice)[:, 0] < width // 2 + 8).sum())
    assert hidden.on_board_only == 2 * left * (24 - left)
    assert (hidden.on_ground_only, hidden.on_neither) == (0, 0)
