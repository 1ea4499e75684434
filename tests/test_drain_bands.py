"""Draining by bands of rows: the answer in one piece, bit for bit."""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.errors import BriefError, NoHeightsError
from hexterra.stages.drainage.band_drain import drain_by_bands
from hexterra.stages.drainage.drain import Drainage, drain
from tests.raster_grids import PIXEL_M2, on_grid, rough, small_board, valley

LAKES: Any = {"lake_depth_m": 2.0, "lake_area_m2": 12 * PIXEL_M2}


def with_voids() -> NDArray[np.float64]:
    """Lay rough ground with voids in it and on its rim."""
    heights = rough(90, seed=4, slope=1.4).astype(np.float64)
    heights[40:60, 30:50] = np.nan
    heights[7, 8] = np.nan
    heights[0, 3:9] = np.nan
    return heights


def laid(heights: Any) -> Elevation:
    """Lay heights on the grid, voids and all."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return on_grid(heights)


def assert_same(by_bands: Drainage, whole: Drainage) -> None:
    """Compare two drainages array by array, and then as values."""
    for name in ("surface_m", "is_lake", "direction", "catchment_m2"):
        assert np.array_equal(getattr(by_bands, name), getattr(whole, name)), name
    assert by_bands.same_as(whole)


@pytest.mark.parametrize("band_rows", [4, 7, 50, 1000])
@pytest.mark.parametrize(
    "heights",
    [
        rough(123, seed=5, slope=1.5),
        np.round(rough(100, seed=8, slope=1.2) / 30.0),
        rough(60, seed=1, slope=0.0),
        with_voids(),
    ],
    ids=["rough", "whole metres", "noise", "voids"],
)
@pytest.mark.parametrize(
    "keywords",
    [{"depressions": "fill"}, {}, LAKES, {"depressions": "fill", **LAKES}],
    ids=["fill", "breach", "breach and lakes", "fill and lakes"],
)
def test_bands_change_no_bit(heights: Any, band_rows: int, keywords: Any, tmp_path: Path) -> None:
    """By bands of any number of rows the answer is that in one piece, bit for bit."""
    elevation = laid(heights)
    by_bands = drain_by_bands(elevation, tmp_path, band_rows=band_rows, **keywords)
    assert_same(by_bands, drain(elevation, **keywords))


@st.composite
def grounds(draw: st.DrawFn) -> NDArray[np.float64]:
    """Draw heights of few values, with voids: full of flats, ties, long lakes and thin dams."""
    shape = draw(st.tuples(st.integers(3, 30), st.integers(3, 14)))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    heights = rng.integers(0, draw(st.integers(1, 12)), shape).astype(np.float64)
    heights[rng.random(shape) < draw(st.sampled_from([0.0, 0.0, 0.05, 0.3]))] = np.nan
    heights[1, 1] = 1.0  # some ground there must be
    return heights


@given(
    heights=grounds(),
    band_rows=st.integers(4, 12),
    length=st.integers(0, 25),
    depth_m=st.integers(0, 12),
    least=st.none() | st.tuples(st.integers(1, 6), st.integers(1, 30)),
    sea_level_m=st.sampled_from([None, None, 0.0]),
    depressions=st.sampled_from(["breach then fill", "breach then fill", "fill"]),
)
@settings(derandomize=True, deadline=None, max_examples=300)
def test_no_rule_lets_bands_change_a_bit(
    heights: Any,
    band_rows: int,
    length: int,
    depth_m: int,
    least: tuple[int, int] | None,
    sea_level_m: float | None,
    depressions: Any,
) -> None:
    """Whatever the ground, the bands and the rules, nothing differs."""
    elevation = laid(heights)
    keywords: Any = {
        "depressions": depressions,
        "breach_length_pixels": length,
        "breach_depth_m": depth_m,
        "sea_level_m": sea_level_m,
    }
    if least is not None:
        keywords |= {"lake_depth_m": least[0], "lake_area_m2": least[1] * PIXEL_M2}
    whole = drain(elevation, **keywords)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        by_bands = drain_by_bands(elevation, folder, band_rows=band_rows, **keywords)
        assert_same(by_bands, whole)


def test_a_lake_that_winds_through_all_bands_is_one(tmp_path: Path) -> None:
    """A lake in there-and-back reaches is kept for its size as a whole, wherever bands end."""
    heights = np.full((41, 23), 9.0)
    heights[1:-1:4, 2:-2] = 5.0
    heights[3:-1:4, 2:-2] = 5.0
    heights[2:-1:4, -3] = 5.0
    heights[4:-1:4, 2] = 5.0
    n_wet = int((heights == 5.0).sum())
    for n_pixels in (n_wet, n_wet + 1):
        drained = drain_by_bands(
            on_grid(heights),
            tmp_path,
            band_rows=5,
            lake_depth_m=4.0,
            lake_area_m2=n_pixels * PIXEL_M2,
            depressions="fill",
        )
        assert np.array_equal(drained.is_lake, (heights == 5.0) & (n_pixels == n_wet))


@pytest.mark.parametrize(
    "affine",
    [
        Affine(0.01, 0.0, 10.0, 0.0, -0.01, 61.0),
        Affine(0.008, 0.005, 10.0, 0.005, -0.008, 61.0),
    ],
    ids=["north up", "turned"],
)
def test_bands_agree_where_pixels_differ_in_area(affine: Affine, tmp_path: Path) -> None:
    """On rasters in degrees, upright and turned, no area of a lake or catchment differs."""
    elevation = read_elevation(
        rough(70, seed=1, slope=1.5), crs="EPSG:4326", affine=affine, vertical_unit="m"
    )
    keywords: Any = {"lake_depth_m": 2.0, "lake_area_m2": 2e7}
    whole = drain(elevation, **keywords)
    assert whole.is_lake.any()
    assert_same(drain_by_bands(elevation, tmp_path, band_rows=9, **keywords), whole)


def test_bands_agree_on_real_ground(jacksboro: Elevation, tmp_path: Path) -> None:
    """On real ground in degrees, in whole metres, the bands change nothing either."""
    keywords: Any = {"sea_level_m": 320.0, "lake_depth_m": 3.0, "lake_area_m2": 1e4}
    whole = drain(jacksboro, **keywords)
    assert_same(drain_by_bands(jacksboro, tmp_path, band_rows=64, **keywords), whole)


@pytest.mark.parametrize("surroundings_m", [None, 100.0, 700.0])
@pytest.mark.parametrize("heights", [valley(100), valley(100)[:, ::-1].T, rough(100, seed=2)])
def test_bands_find_the_same_window(
    heights: Any, surroundings_m: float | None, tmp_path: Path
) -> None:
    """Around a board the window grows by bands to just what it is in one piece."""
    elevation = on_grid(np.ascontiguousarray(heights))
    keywords: Any = {"around": small_board(), "surroundings_m": surroundings_m}
    whole = drain(elevation, **keywords)
    by_bands = drain_by_bands(elevation, tmp_path, band_rows=11, **keywords)
    assert by_bands.window == whole.window
    assert by_bands.is_complete == whole.is_complete
    assert_same(by_bands, whole)


def test_only_the_answer_is_left_in_the_folder(tmp_path: Path) -> None:
    """Of the files, those that the answer is mapped from stay."""
    drained = drain_by_bands(on_grid(rough(30, seed=1)), tmp_path, band_rows=8)
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "catchment_m2.raw",
        "direction.raw",
        "is_lake.raw",
        "surface_m.raw",
    ]
    assert isinstance(drained.surface_m.base, np.memmap)


def test_bands_of_no_ground_are_refused(tmp_path: Path) -> None:
    """A raster all under the sea cannot be drained by bands."""
    with pytest.raises(NoHeightsError, match="usable ground"):
        drain_by_bands(on_grid(np.ones((9, 9))), tmp_path, sea_level_m=90.0)


def test_bands_that_are_too_thin_are_refused(tmp_path: Path) -> None:
    """Bands of fewer than four rows are refused."""
    with pytest.raises(BriefError, match="band_rows"):
        drain_by_bands(on_grid(np.ones((9, 9))), tmp_path, band_rows=3)


def test_bands_refuse_what_one_piece_refuses(tmp_path: Path) -> None:
    """The limits are checked alike."""
    with pytest.raises(BriefError, match="least area of a lake"):
        drain_by_bands(on_grid(np.ones((9, 9))), tmp_path, lake_depth_m=1.0)
