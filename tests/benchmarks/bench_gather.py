"""How fast gather is, against np.sum of the same array and exactextract on the same polygons.

Every ratio is of best times, measured in alternation in one run. The passes over the pixels are
timed by themselves: projecting corners through PROJ and reading files are not theirs.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, NamedTuple

import numpy as np
import pytest
import shapely
from affine import Affine
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from numpy.typing import NDArray

from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.lattice.lattice import Lattice
from hexterra.stages.sampling import raster_passes
from hexterra.stages.sampling.gather import gather
from hexterra.stages.sampling.outlines import Outlines, PixelWeights, outline_cells

ROUNDS = 7


def ground(n: int, dtype: type) -> NDArray[Any]:
    """Give n x n heights with hills of all sizes: noise with a falling spectrum."""
    spectrum = np.fft.rfft2(np.random.default_rng(0).standard_normal((n, n), dtype=np.float32))
    wave = np.hypot(np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n)).astype(np.float32)
    wave[0, 0] = 1.0
    spectrum /= wave**1.7
    spectrum[0, 0] = 0.0
    heights = np.fft.irfft2(spectrum, s=(n, n))
    return (200.0 + 1500.0 * (heights - heights.min()) / np.ptp(heights)).astype(dtype)


def board(columns: int, rows: int) -> Board:
    """Give a board of whole hexagons."""
    return Board(
        columns=columns,
        rows=rows,
        across_flats_mm=30.0,
        facing="points",
        edges="whole",
        scale=20_000.0,
        lon_deg=9.1,
        lat_deg=47.0,
    )


def under(lattice: Board, heights: NDArray[Any]) -> Elevation:
    """Lay the board over 98 % of the array, in the board's own frame."""
    n = len(heights)
    pixel_m = max(lattice.size_mm) * 20.0 / (0.98 * n)
    affine = Affine(pixel_m, 0.0, -n / 2 * pixel_m, 0.0, -pixel_m, n / 2 * pixel_m)
    return read_elevation(heights, crs=lattice.crs, affine=affine, vertical_unit="m")


class Cost(NamedTuple):
    """Best wall time and best processor time (of all threads) of a call, in seconds."""

    wall: float
    cpu: float

    def __str__(self) -> str:
        return f"{self.wall * 1e3:.1f} ms ({self.cpu * 1e3:.1f} ms of processor)"

    def over(self, other: Cost, scale: float = 1.0) -> str:
        """Tell the ratios of both times; only the second stands a busy machine."""
        wall, cpu = scale * self.wall / other.wall, scale * self.cpu / other.cpu
        return f"{wall:.3g} x (processor {cpu:.3g} x)"


def best(calls: dict[str, Callable[[], object]], rounds: int = ROUNDS) -> dict[str, Cost]:
    """Best times of each call, taking turns; the first turn warms up."""
    walls: dict[str, list[float]] = {name: [] for name in calls}
    cpus: dict[str, list[float]] = {name: [] for name in calls}
    for _ in range(rounds + 1):
        for name, call in calls.items():
            wall, cpu = time.perf_counter(), time.process_time()
            call()
            walls[name].append(time.perf_counter() - wall)
            cpus[name].append(time.process_time() - cpu)
    return {name: Cost(min(walls[name][1:]), min(cpus[name][1:])) for name in calls}


def passes(raster: Elevation, lattice: Lattice) -> tuple[Callable[[], object], Outlines]:
    """Give the compiled pass over pixels in memory, all on: sums, areas, extremes, counts."""
    outlines = outline_cells(raster, lattice)
    assert outlines is not None
    source = raster_passes.Ground(raster, PixelWeights(raster), outlines.period)
    window = raster_passes._window(source, outlines)
    assert window is not None
    bands = list(source.bands(window))
    stripes = [
        raster_passes._Stripe(cells, outlines, source, bands[0].height.dtype)
        for cells in raster_passes._split(outlines.ring_xy)
    ]
    pool = ThreadPoolExecutor(2)

    def add(stripe: Any) -> None:
        for band in bands:
            stripe.add(band, window[2])

    return lambda: list(pool.map(add, stripes)), outlines


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_100k_cells_against_np_sum(dtype: type) -> None:
    """100,000 cells on 8000 x 8000 pixels: mean, coverage, min and max against one plain sum."""
    heights, lattice = ground(8000, dtype), board(296, 340)
    raster = under(lattice, heights)
    run, _ = passes(raster, lattice)
    times = best({"sum": lambda: np.sum(heights), "pass": run})
    whole = best({"gather": lambda: gather(raster, lattice)}, rounds=2)["gather"]
    print(
        f"\n{lattice.n_cells:,} cells on 8000 x 8000 {np.dtype(dtype).name}: np.sum"
        f" {times['sum']}; pass {times['pass']} = {times['pass'].over(times['sum'])};"
        f" gather with projection and corners {whole}"
    )


def by_exactextract(
    rings: NDArray[np.float64], heights: NDArray[Any], sample: NDArray[np.int64]
) -> Cost:
    """Time exactextract for the mean of the sampled polygons, by the faster of its strategies."""
    n = len(heights)
    upward = np.stack([rings[..., 0], n - rings[..., 1]], axis=-1)[sample]
    polygons: Any = shapely.polygons(upward)
    features = [
        {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(polygon)}
        for polygon in polygons
    ]
    source = NumPyRasterSource(heights, xmin=0, ymin=0, xmax=n, ymax=n)

    def run(strategy: str) -> Callable[[], object]:
        return lambda: exact_extract(source, features, ["mean"], strategy=strategy)

    names = ("feature-sequential", "raster-sequential")
    return min(best({name: run(name) for name in names}, rounds=2).values())


def test_10k_cells_against_exactextract() -> None:
    """10,000 cells on 4000 x 4000 pixels, exactextract on every tenth row of cells."""
    heights, lattice = ground(4000, np.float32), board(94, 108)
    raster = under(lattice, heights)
    run, outlines = passes(raster, lattice)
    ours = best({"pass": run, "gather": lambda: gather(raster, lattice)})
    sample = np.flatnonzero(lattice.row % 10 == 0)
    theirs, scale = (
        by_exactextract(outlines.ring_xy, heights, sample),
        lattice.n_cells / len(sample),
    )
    print(
        f"\n{lattice.n_cells:,} cells on 4000 x 4000 float32: pass {ours['pass']}, gather"
        f" {ours['gather']}; exactextract's fastest strategy on {len(sample):,} of them {theirs};"
        f" for all, {theirs.over(ours['pass'], scale)} the pass,"
        f" {theirs.over(ours['gather'], scale)} gather"
    )


def test_h3_cells_against_exactextract() -> None:
    """H3 cells on 4000 x 4000 geographic pixels, exactextract on a tenth of them."""
    heights = ground(4000, np.float32)
    degrees = 1.0 / 3600.0
    affine = Affine(degrees, 0.0, 9.0, 0.0, -degrees, 47.0)
    raster = read_elevation(heights, crs="EPSG:4326", affine=affine, vertical_unit="m")
    lattice = Globe.covering(shapely.box(9.02, 45.91, 10.09, 46.98), 8)
    run, outlines = passes(raster, lattice)
    ours = best({"pass": run})["pass"]
    sample = np.arange(0, lattice.n_cells, 10)
    theirs, scale = (
        by_exactextract(outlines.ring_xy, heights, sample),
        lattice.n_cells / len(sample),
    )
    print(
        f"\n{lattice.n_cells:,} H3 cells on 4000 x 4000 float32: pass {ours}; exactextract's"
        f" fastest strategy on {len(sample):,} of them {theirs}; for all,"
        f" {theirs.over(ours, scale)} the pass"
    )


def test_600_cells() -> None:
    """One table of 600 cells on 4000 x 4000 pixels in memory, by the public call."""
    heights, lattice = ground(4000, np.float32), board(24, 25)
    raster = under(lattice, heights)
    usable = np.random.default_rng(0).random(heights.shape) > 0.001
    masked = under(lattice, np.ma.masked_array(heights, ~usable))
    times = best(
        {
            "plain": lambda: gather(raster, lattice),
            "masked": lambda: gather(masked, lattice),
            "median": lambda: gather(raster, lattice, quantiles=(0.5,)),
        }
    )
    print(
        f"\n600 cells on 4000 x 4000 float32: gather {times['plain']}; with voids in every row"
        f" {times['masked']}; with the median {times['median']}"
    )
