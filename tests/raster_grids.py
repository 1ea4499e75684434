"""Grids of invented heights for the tests of what is found on pixels."""

from __future__ import annotations

from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import NDArray

from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.lattice.board import Board

PIXEL_M = 30.0
PIXEL_M2 = PIXEL_M**2


def on_grid(heights: Any) -> Elevation:
    """Lay heights on a grid of 30 m pixels in UTM zone 16 north."""
    return read_elevation(
        np.asarray(heights),
        crs="EPSG:32616",
        affine=Affine(PIXEL_M, 0.0, 500_000.0, 0.0, -PIXEL_M, 4_000_000.0),
        vertical_unit="m",
        name="grid",
    )


def rough(n: int, seed: int, slope: float = 2.0) -> NDArray[np.float32]:
    """Invent n x n heights whose spectrum falls with the power `slope` of the wave number."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft2(rng.standard_normal((n, n)))
    wave = np.hypot(np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n)[None])
    wave[0, 0] = 1.0
    heights = np.fft.irfft2(spectrum / wave**slope, s=(n, n))
    return ((heights - heights.min()) * 500.0 / np.ptp(heights)).astype(np.float32)


def small_board() -> Board:
    """Lay a board of 6 x 6 cells of 150 m around the middle of a 100 x 100 grid."""
    from pyproj import Transformer

    lon, lat = Transformer.from_crs("EPSG:32616", "EPSG:4326", always_xy=True).transform(
        500_000.0 + 50 * PIXEL_M, 4_000_000.0 - 60 * PIXEL_M
    )
    return Board(6, 6, 30.0, "points", "straight", 5000.0, lon, lat)


def valley(n: int) -> NDArray[np.float32]:
    """Lay n x n heights that fall to the south and toward the middle column."""
    row, column = np.mgrid[:n, :n]
    return (2.0 * (n - row) + 3.0 * abs(column - n // 2)).astype(np.float32)
