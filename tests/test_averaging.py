"""`hexterra.elevation.averaging`: blocks are the means of their pixels, on the same ground."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pyproj import CRS
from scipy import ndimage

from hexterra.elevation import averaging
from hexterra.elevation.averaging import average
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.elevation.pixels import Window

AFFINE = Affine(30.0, 0.0, 500_000.0, 0.0, -20.0, 4_000_000.0)


def elevation(heights: Any, **more: Any) -> Elevation:
    """Make an elevation of an array, in UTM."""
    return read_elevation(
        np.asarray(heights), crs="EPSG:32631", affine=AFFINE, vertical_unit="m", **more
    )


def whole(held: Elevation) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Read all of an elevation: heights, and which are usable."""
    pixels = held.read_pixels(Window(0, held.shape[0], 0, held.shape[1]))
    usable = np.ones(held.shape, np.bool_) if pixels.usable is None else pixels.usable
    return pixels.height_m, usable


def test_blocks_worked_by_hand() -> None:
    """Four blocks of 2 x 2: (1+2+5+6)/4 = 3.5, and so on."""
    fine = elevation(np.arange(1.0, 17.0, dtype=np.float32).reshape(4, 4))
    height, usable = whole(average(fine, 2))
    assert height.tolist() == [[3.5, 5.5], [11.5, 13.5]]
    assert usable.all()


def test_blocks_over_the_rim_are_means_of_what_they_have() -> None:
    """Of 3 x 3 pixels the block at the right holds two, that below two: just half, and usable.

    The one in the corner holds one of four pixels, fewer than half, and is a void.
    """
    height, usable = whole(average(elevation(np.arange(9.0, dtype=np.float32).reshape(3, 3)), 2))
    assert usable.tolist() == [[True, True], [True, False]]
    assert height[usable].tolist() == [2.0, 3.5, 6.5]


def test_a_block_with_half_its_pixels_is_usable_and_with_fewer_a_void() -> None:
    """Voids do not count in the mean."""
    nan = np.nan
    held = np.array([[nan, 4.0, nan, nan], [nan, 8.0, nan, 8.0]], dtype=np.float32)
    height, usable = whole(average(elevation(held), 2))
    assert usable.tolist() == [[True, False]]
    assert height[0, 0] == 6.0


def test_the_ground_stays_in_its_place() -> None:
    """The corner stays, pixels grow, and what reaches over the rim is whole pixels."""
    coarse = average(elevation(np.zeros((7, 10), dtype=np.float32)), 3)
    assert coarse.shape == (3, 4)
    assert coarse.affine == Affine(90.0, 0.0, 500_000.0, 0.0, -60.0, 4_000_000.0)
    assert CRS(coarse.crs) == CRS("EPSG:32631")


def test_one_to_one_is_the_raster_itself() -> None:
    """There is nothing to average."""
    fine = elevation(np.zeros((4, 5), dtype=np.float32))
    assert average(fine, 1) is fine


def test_heights_that_fill_their_dtype_do_not_overflow() -> None:
    """Sums are of float64, whatever the pixels are stored as."""
    height, _ = whole(average(elevation(np.full((8, 8), 32_000, dtype=np.int16)), 8))
    assert height.tolist() == [[32_000]]


@settings(max_examples=60)
@given(
    seed=st.integers(0, 2**32 - 1),
    rows=st.integers(2, 23),
    columns=st.integers(2, 23),
    factor=st.integers(2, 7),
    share=st.sampled_from([0.0, 0.3, 0.7]),
)
def test_means_are_those_of_scipy(
    seed: int, rows: int, columns: int, factor: int, share: float
) -> None:
    """Oracle: `scipy.ndimage.mean` over labels, one for each block."""
    rng = np.random.default_rng(seed)
    held = rng.uniform(-100.0, 3000.0, (rows, columns)).astype(np.float32)
    is_void = rng.random((rows, columns)) < share
    is_void[0, 0] = False
    height, usable = whole(average(elevation(np.where(is_void, np.nan, held)), factor))
    row, column = np.indices(held.shape) // factor
    label = row * height.shape[1] + column
    number = np.bincount(label[~is_void], minlength=height.size).reshape(height.shape)
    assert (usable == (2 * number >= factor**2)).all()
    every = np.arange(height.size)[usable.ravel()]
    means = ndimage.mean(held[~is_void].astype(np.float64), label[~is_void], every)
    np.testing.assert_allclose(height[usable], means, rtol=1e-6)  # of float32


def test_windows_and_strips_agree_with_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever window is asked for, and however many pixels are read at once."""
    rng = np.random.default_rng(4)
    held = rng.uniform(0.0, 900.0, (37, 41)).astype(np.float32)
    held[rng.random(held.shape) < 0.4] = np.nan
    coarse = average(elevation(held), 4)
    height, usable = whole(coarse)
    monkeypatch.setattr(averaging, "_STRIP_PIXELS", 50)
    for row0, row1, column0, column1 in ((0, 10, 0, 11), (3, 9, 2, 11), (9, 10, 10, 11)):
        pixels = coarse.read_pixels(Window(row0, row1, column0, column1))
        part = np.s_[row0:row1, column0:column1]
        found = np.ones(pixels.height_m.shape, np.bool_) if pixels.usable is None else pixels.usable
        assert (found == usable[part]).all()
        assert (pixels.height_m[found] == height[part][found]).all()


def test_averaging_twice_is_averaging_at_once() -> None:
    """Of whole blocks without voids, means of means are means."""
    held = np.random.default_rng(2).integers(0, 4096, (24, 36)).astype(np.float32)
    twice, _ = whole(average(average(elevation(held), 2), 3))
    once, _ = whole(average(elevation(held), 6))
    np.testing.assert_allclose(twice, once, rtol=1e-6)
