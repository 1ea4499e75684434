"""Surveys, proposed boards and the scale that fits: against geodesics and by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from affine import Affine
from numpy.typing import NDArray
from pyproj import Geod, Transformer

from hexterra import errors
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.lattice.board import Board
from hexterra.place.proposal import propose
from hexterra.place.scales import fit_scale, middle
from hexterra.place.survey import Survey, survey
from hexterra.rounding import round_up

UTM = "EPSG:32616"


def ground(
    heights: NDArray[Any], pixel_m: float = 10.0, *, affine: Affine | None = None, **choices: Any
) -> Elevation:
    """Lay heights on UTM zone 16N, their middle at the central meridian, 36 degrees north or so."""
    rows, columns = heights.shape
    west, north = 500_000.0 - columns * pixel_m / 2.0, 4_000_000.0 + rows * pixel_m / 2.0
    place = Affine(pixel_m, 0.0, west, 0.0, -pixel_m, north) if affine is None else affine
    return read_elevation(heights, crs=UTM, affine=place, vertical_unit="m", **choices)


def hexagons_in_pixels(board: Board, elevation: Elevation) -> NDArray[np.float64]:
    """Carry the corners of all whole hexagons to pixel coordinates, by PROJ alone."""
    to_raster = Transformer.from_crs(board.crs, elevation.crs, always_xy=True)
    x, y = to_raster.transform(board.corner_xy[:, 0], board.corner_xy[:, 1])
    inverse = ~elevation.affine
    a, b, c, d, e, f = tuple(inverse)[:6]
    return np.column_stack([a * x + b * y + c, d * x + e * y + f])


def is_round(value: float) -> bool:
    """Tell whether a number has at most three digits before its zeros, the last of them 0 or 5."""
    digits = value / 10.0 ** (math.floor(math.log10(value) + 1e-9) - 2)
    return abs(digits / 5.0 - round(digits / 5.0)) < 1e-9


# Survey ----------------------------------------------------------------------------------------


def test_heights_next_to_zero_have_no_sign() -> None:
    """What rounds to zero is written as zero, and thousands are separated by commas."""
    told = survey(ground(np.array([[-0.04, -0.02], [-0.04, -0.02]]))).describe()
    assert "heights  0.0 to 0.0 m, mean 0.0 m" in told
    told = survey(ground(np.array([[-1200.0, 0.0], [2400.0, 0.0]]))).describe()
    assert "heights  -1,200.0 to 2,400.0 m, mean 300.0 m" in told


def test_heights_and_voids_are_counted_by_hand() -> None:
    """A grid of six pixels, two of them void: the figures follow on paper."""
    heights = np.array([[10.0, 20.0, np.nan], [30.0, -9.0, np.inf]])
    found = survey(ground(heights, nodata=-9.0))
    assert (found.min_m, found.mean_m, found.max_m) == (10.0, 20.0, 30.0)
    assert (found.n_void, found.n_nan, found.n_infinite) == (3, 1, 1)
    assert found.void_share == 0.5
    assert "NaN" in found.describe()


def test_blocks_hold_means_and_shares() -> None:
    """300 columns make blocks of 2 x 2 pixels; each holds its own mean and usable share."""
    heights = np.arange(7 * 300, dtype=np.float32).reshape(7, 300)
    heights[0, 1] = heights[6, 299] = np.nan
    found = survey(ground(heights))
    assert found.block == 2
    assert found.block_mean_m.shape == (4, 150)
    assert found.block_mean_m[0, 0] == pytest.approx((0 + 300 + 301) / 3)
    assert found.block_usable[0, 0] == 0.75
    assert found.block_mean_m[3, 149] == heights[6, 298]
    assert found.block_usable[3, 149] == 0.5
    assert found.mean_m == pytest.approx(np.nanmean(heights.astype(np.float64)))


def test_bands_do_not_change_what_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut into many small bands, a survey finds the same as in one piece."""
    random = np.random.Generator(np.random.PCG64(5))
    heights = random.normal(200.0, 50.0, (333, 271))
    heights[random.random(heights.shape) < 0.1] = np.nan
    elevation = ground(heights)
    one = survey(elevation)
    monkeypatch.setattr("hexterra.place.survey._BAND_PIXELS", 1000)
    many = survey(elevation)
    assert (many.min_m, many.max_m, many.n_void) == (one.min_m, one.max_m, one.n_void)
    assert many.mean_m == pytest.approx(one.mean_m, rel=1e-14)
    np.testing.assert_array_equal(many.block_usable, one.block_usable)
    np.testing.assert_allclose(many.block_mean_m, one.block_mean_m, rtol=1e-13)


def test_extent_is_geodesic(jacksboro: Elevation) -> None:
    """The sample's extent is what pyproj's geodesics say, a parallel being longer than its chord.

    Source: Karney (2013), Algorithms for geodesics, Journal of Geodesy 87, 43-55, in PROJ.
    """
    found = survey(jacksboro)
    west, south, east, north = jacksboro.bounds
    lat = (south + north) / 2.0
    geod = Geod(ellps="WGS84")
    _, _, across_m = geod.inv(west, lat, east, lat)
    _, _, along_m = geod.inv((west + east) / 2.0, south, (west + east) / 2.0, north)
    assert found.width_km == pytest.approx(across_m / 1000.0, rel=1e-6)
    assert found.depth_km == pytest.approx(along_m / 1000.0, rel=1e-9)
    assert (found.min_m, found.max_m, found.n_void) == (236.0, 1076.0, 0)
    assert found.pixel_m[1] == pytest.approx(along_m / 344, rel=1e-9)


def test_a_raster_round_the_world_is_as_long_as_the_equator() -> None:
    """The middle row of a world raster is the equator: 40 075.017 km (WGS 84 semi-major axis)."""
    world = read_elevation(
        np.random.Generator(np.random.PCG64(1)).random((180, 360)),
        crs="EPSG:4326",
        affine=Affine(1.0, 0.0, -180.0, 0.0, -1.0, 90.0),
        vertical_unit="m",
    )
    assert survey(world).width_km == pytest.approx(2 * math.pi * 6378.137, rel=1e-9)


@pytest.mark.parametrize(("height", "word"), [(-32768.0, "nodata"), (12.5, "same")])
def test_odd_heights_are_noted(height: float, word: str) -> None:
    """A forgotten nodata value, or ground without relief, is pointed out."""
    heights = np.full((5, 5), 12.5)
    heights[0, 0] = height
    assert any(word in note for note in survey(ground(heights)).notes)


def test_a_raster_without_heights_cannot_be_surveyed(tmp_path: Any) -> None:
    """A file of voids only is found out by the survey."""
    import rasterio

    path = tmp_path / "void.tif"
    profile: dict[str, Any] = {
        "driver": "GTiff",
        "height": 4,
        "width": 4,
        "count": 1,
        "dtype": "float32",
    }
    place = Affine(10.0, 0.0, 5e5, 0.0, -10.0, 4e6)
    with rasterio.open(path, "w", crs=UTM, transform=place, nodata=-1, **profile) as dataset:
        dataset.write(np.full((1, 4, 4), -1.0, dtype=np.float32))
    elevation = read_elevation(path, vertical_unit="m")
    with pytest.raises(errors.NoHeightsError) as caught:
        survey(elevation)
    assert caught.value.remedy


# The scale that fits ---------------------------------------------------------------------------


@pytest.mark.parametrize("facing", ["points", "flats"])
@pytest.mark.parametrize("edges", ["straight", "whole"])
@pytest.mark.parametrize("bearing_deg", [0.0, 25.0, 90.0])
def test_the_fitting_scale_fits_and_the_next_does_not(
    facing: Any, edges: Any, bearing_deg: float
) -> None:
    """At the found scale every whole hexagon lies on the raster; at the next round one, not all."""
    elevation = ground(np.zeros((400, 500)))
    shape: dict[str, Any] = {"columns": 12, "rows": 9, "facing": facing, "edges": edges}
    scale = fit_scale(elevation, **shape, bearing_deg=bearing_deg)
    assert is_round(scale)
    lon_deg, lat_deg = middle(elevation)
    place: dict[str, Any] = {"lon_deg": lon_deg, "lat_deg": lat_deg, "bearing_deg": bearing_deg}
    fits = []
    larger = round_up(1.000_001 * scale)
    for tried in (scale, larger):
        board = Board(across_flats_mm=100.0, scale=tried, **shape, **place)
        pixel = hexagons_in_pixels(board, elevation)
        fits.append(bool(((pixel >= -1e-6) & (pixel <= [500 + 1e-6, 400 + 1e-6])).all()))
    assert fits == [True, False]


def test_a_scale_worked_by_hand() -> None:
    """Two columns and two rows, 100 mm, whole, points to the front: 250 mm x 202.07 mm.

    That is 2 x 100 + 50 wide and (3 x 2 + 1) x 100 / sqrt(3) / 2 deep. On 5 km x 5 km of ground
    1:20 000 would just do (5000 m / 0.25 m), were the map true to the ground: at the middle of a
    UTM zone the map shrinks ground by 0.9996, so 5000 m of map are 5002 m of ground, and it fits.
    """
    elevation = ground(np.zeros((500, 500)))
    assert fit_scale(elevation, columns=2, rows=2, edges="whole") == 20_000.0
    smaller = ground(np.zeros((500, 499)))
    assert fit_scale(smaller, columns=2, rows=2, edges="whole") < 20_000.0


def test_a_board_off_the_middle_is_smaller() -> None:
    """Near the raster's west edge only a quarter of the ground can be shown."""
    elevation = ground(np.zeros((400, 400)))
    to_wgs84 = Transformer.from_crs(UTM, "EPSG:4326", always_xy=True)
    lon_deg, lat_deg = to_wgs84.transform(500_000.0 - 1600.0, 4_000_000.0)
    shape: dict[str, Any] = {"columns": 8, "rows": 8}
    assert fit_scale(elevation, **shape, lon_deg=lon_deg, lat_deg=lat_deg) < fit_scale(
        elevation, **shape
    )


def test_a_collar_of_voids_counts_as_the_rim() -> None:
    """A raster with a wide void collar takes the board that its inner part alone would take."""
    heights = np.full((600, 600), np.nan)
    heights[150:450, 150:450] = 5.0
    inner = ground(np.zeros((300, 300)))
    shape: dict[str, Any] = {"columns": 10, "rows": 10}
    assert fit_scale(ground(heights), **shape) == fit_scale(inner, **shape)


def test_a_speck_of_voids_does_not_shrink_the_board() -> None:
    """One void pixel in the middle leaves the scale as it is."""
    heights = np.zeros((600, 600))
    speck = heights.copy()
    speck[300, 300] = np.nan
    shape: dict[str, Any] = {"columns": 10, "rows": 10}
    assert fit_scale(ground(speck), **shape) == fit_scale(ground(heights), **shape)


def test_voids_all_over_leave_the_largest_board() -> None:
    """Where no scale has enough usable pixels, the geometry alone decides."""
    heights = np.full((200, 200), np.nan)
    heights[::2, ::3] = 1.0  # a sixth
    shape: dict[str, Any] = {"columns": 10, "rows": 10}
    assert fit_scale(ground(heights), **shape) == fit_scale(ground(np.zeros((200, 200))), **shape)


def test_rasters_across_the_antimeridian_take_boards() -> None:
    """A geographic raster from 179.5 to 180.5 degrees takes as much as one from 19.5 to 20.5."""
    scales = []
    for west in (179.5, 19.5):
        elevation = read_elevation(
            np.zeros((600, 600)),
            crs="EPSG:4326",
            affine=Affine(1 / 600, 0.0, west, 0.0, -1 / 600, 40.0),
            vertical_unit="m",
        )
        scales.append(fit_scale(elevation, columns=12, rows=12))
    assert scales[0] == scales[1]


def test_turned_and_south_up_rasters_take_boards() -> None:
    """Turning a square raster with the board, or flipping it, leaves the scale as it is."""
    plain = ground(np.zeros((300, 300)))
    cos, sin = 10.0 * math.cos(math.radians(30.0)), 10.0 * math.sin(math.radians(30.0))
    # Rows run along bearing 210 degrees, columns along 120: the raster turned 30 degrees clockwise.
    x0, y0 = 500_000.0 - 150.0 * (cos - sin), 4_000_000.0 + 150.0 * (sin + cos)
    turned = ground(np.zeros((300, 300)), affine=Affine(cos, -sin, x0, -sin, -cos, y0))
    flipped = ground(
        np.zeros((300, 300)), affine=Affine(10.0, 0.0, 498_500.0, 0.0, 10.0, 3_998_500.0)
    )
    shape: dict[str, Any] = {"columns": 9, "rows": 9}
    assert fit_scale(turned, **shape, bearing_deg=30.0) == fit_scale(plain, **shape)
    assert fit_scale(flipped, **shape) == fit_scale(plain, **shape)


def test_a_middle_off_the_raster_is_refused() -> None:
    """A board whose middle lies elsewhere says where the raster would have it."""
    with pytest.raises(errors.CoverageError, match="lies off") as caught:
        fit_scale(ground(np.zeros((50, 50))), columns=4, rows=4, lon_deg=10.0, lat_deg=36.0)
    assert caught.value.remedy


@pytest.mark.parametrize("shape", [(2, 2), (2, 4000)])
def test_rasters_too_small_or_thin_are_refused(shape: tuple[int, int]) -> None:
    """Cells finer than half a pixel show nothing that was measured."""
    with pytest.raises(errors.CoverageError, match="no board") as caught:
        fit_scale(ground(np.zeros(shape)), columns=24, rows=16)
    assert caught.value.remedy
    assert caught.value.facts["columns"] == 24


def test_impossible_boards_are_refused() -> None:
    """Sizes out of the board's own range are told apart from a raster that is too small."""
    with pytest.raises(errors.BoardError):
        fit_scale(ground(np.zeros((50, 50))), columns=1, rows=4)


# Proposals -------------------------------------------------------------------------------------


def test_proposals_suit_the_real_ground(jacksboro: Elevation) -> None:
    """On the Jacksboro sample all boards fit, are round, and take eight to twelve steps."""
    proposals = propose(jacksboro)
    assert isinstance(proposals.survey, Survey)
    assert len(proposals.boards) == 3
    scales = [board.scale for board in proposals.boards]
    assert scales == sorted(scales, reverse=True)
    lon_deg, lat_deg = middle(jacksboro)
    for found in proposals.boards:
        assert is_round(found.scale)
        assert is_round(found.metres_per_step)
        assert 8.0 <= found.n_steps <= 12.5
        board = Board(
            found.columns, found.rows, 100.0, "points", "straight", found.scale, lon_deg, lat_deg
        )
        pixel = hexagons_in_pixels(board, jacksboro)
        assert (pixel >= 0).all()
        assert (pixel <= [403, 344]).all()
        true_mm = found.metres_per_step * 1000.0 / found.scale
        assert found.exaggeration == pytest.approx(7.5 / true_mm)
        assert f"1:{found.scale:,.0f}" in proposals.describe()


@pytest.mark.parametrize(("rows", "columns"), [(300, 300), (200, 500), (500, 200), (100, 1000)])
def test_boards_take_the_shape_of_the_raster(rows: int, columns: int) -> None:
    """Boards are as wide for their depth as the raster, at most three times, in 384 cells or so."""
    heights = np.add.outer(np.arange(rows), np.arange(columns)).astype(np.float64)
    board = propose(ground(heights)).boards[0]
    wanted = min(max(columns / rows, 1 / 3), 3)
    assert board.size_mm[0] / board.size_mm[1] == pytest.approx(wanted, rel=0.12)
    assert 340 <= board.columns * board.rows <= 430


def test_relief_is_that_of_the_ground_under_the_board() -> None:
    """On a plane that rises 1 m per pixel the relief is the depth of the board in pixels.

    To within a cell or so: the estimate works on blocks of pixels.
    """
    heights = np.repeat(np.arange(500.0)[:, None], 500, axis=1)
    for board in propose(ground(heights)).boards:
        depth_pixels = board.ground_km[1] * 1000.0 / 10.0
        cell_pixels = math.sqrt(board.pixels_per_cell)
        assert abs(board.relief_m - depth_pixels) < 1.5 * cell_pixels + 2.0


def test_pixels_per_cell_worked_by_hand() -> None:
    """At 1:10 000 a 100 mm cell is 1 km across flats, 866 025 m2: 8660 pixels of 10 m."""
    elevation = ground(np.add.outer(np.arange(2500.0), np.arange(2500.0)))
    for board in propose(elevation).boards:
        wanted = 8660.254 * (board.scale / 10_000.0) ** 2
        assert board.pixels_per_cell == pytest.approx(wanted, rel=2e-3)


def test_flat_ground_still_gets_proposals() -> None:
    """Without relief there are no steps to count, and a step is true to scale."""
    for board in propose(ground(np.full((200, 200), 7.0))).boards:
        assert (board.relief_m, board.n_steps) == (0.0, 0.0)
        assert board.exaggeration == pytest.approx(1.0)


def test_a_raster_too_small_for_any_board_is_refused() -> None:
    """Two by two pixels cannot carry 384 cells."""
    with pytest.raises(errors.CoverageError):
        propose(ground(np.array([[1.0, 2.0], [3.0, 4.0]])))
