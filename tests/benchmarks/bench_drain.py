"""Draining and upscaling beside pyflwdir, richdem and TopoToolbox, on one thread."""

from __future__ import annotations

import resource
import subprocess
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from affine import Affine
from matplotlib import cbook
from pyproj import Transformer

from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.lattice.board import Board
from hexterra.stages.drainage.drain import Drainage, drain, fill
from hexterra.stages.water.route import RoutingReport, carry
from tests.silence_output import silence_output

PIXEL_M = 30.0
AFFINE = Affine(PIXEL_M, 0.0, 500_000.0, 0.0, -PIXEL_M, 4_000_000.0)


def rough(n: int, slope: float = 2.0) -> Any:
    """Invent n x n heights whose spectrum falls with the power `slope` of the wave number."""
    rng = np.random.default_rng(1)
    spectrum = np.fft.rfft2(rng.standard_normal((n, n)).astype(np.float32))
    wave = np.hypot(np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n)[None])
    wave[0, 0] = 1.0
    heights = np.fft.irfft2(spectrum / wave**slope, s=(n, n))
    return ((heights - heights.min()) * 800.0 / np.ptp(heights)).astype(np.float32)


def on_grid(heights: Any) -> Elevation:
    """Lay heights on a grid of 30 m pixels."""
    return read_elevation(heights, crs="EPSG:32616", affine=AFFINE, vertical_unit="m")


def cpu_s(work: Callable[[], Any]) -> float:
    """Time one call by the processor time of this thread, which other processes disturb less."""
    start = time.thread_time()
    work()
    return time.thread_time() - start


def best_of(rounds: int, **work: Callable[[], Any]) -> dict[str, float]:
    """Time calls in alternation, and keep the best of each."""
    seconds = dict.fromkeys(work, np.inf)
    for _ in range(rounds):
        for name, call in work.items():
            seconds[name] = min(seconds[name], cpu_s(call))
    return seconds


def references(heights: Any) -> dict[str, Callable[[], Any]]:
    """Give the whole job, and filling alone, as each reference library does them."""
    import pyflwdir
    import richdem
    import topotoolbox

    def by_pyflwdir() -> Any:
        pixels = pyflwdir.from_dem(heights, nodata=-9999.0, transform=AFFINE)
        return pixels.upstream_area("m2")

    def by_richdem() -> Any:
        raster = richdem.rdarray(heights, no_data=-9999.0)
        filled = richdem.FillDepressions(raster, epsilon=True)
        return richdem.FlowAccumulation(filled, method="D8")

    def grid() -> Any:
        raster = topotoolbox.GridObject()
        raster.z, raster.cellsize, raster.transform = heights, PIXEL_M, AFFINE
        return raster

    return {
        "pyflwdir": by_pyflwdir,
        "richdem": by_richdem,
        "topotoolbox": lambda: topotoolbox.FlowObject(grid()).flow_accumulation(),
        "topotoolbox fill": lambda: grid().fillsinks(),
    }


@pytest.mark.parametrize("slope", [2.0])
def test_drain_beside_references(benchmark: Any, slope: float) -> None:
    """Fill, directions and accumulation of 4000 x 4000 pixels, and the fill alone."""
    heights = rough(4000, slope)
    elevation = on_grid(heights)
    drain(on_grid(heights[:50, :50]))
    with silence_output():
        for call in references(np.ascontiguousarray(heights[:50, :50])).values():
            call()
        seconds = best_of(
            2,
            ours=lambda: drain(elevation, depressions="fill"),
            fill=lambda: fill(heights),
            **references(heights),
        )
        again = best_of(
            2, ours=lambda: drain(elevation, depressions="fill"), fill=lambda: fill(heights)
        )
    ours = min(seconds["ours"], again["ours"])
    alone = min(seconds["fill"], again["fill"])
    ratios = {
        name: seconds[name] / (alone if name.endswith("fill") else ours)
        for name in ("pyflwdir", "richdem", "topotoolbox", "topotoolbox fill")
    }
    print(
        f"\ndrain 4000 x 4000: {ours / heights.size * 1e9:.1f} ns/pixel, fill alone"
        f" {alone / heights.size * 1e9:.1f}; times as fast as "
        + ", ".join(f"{name} {ratio:.1f}" for name, ratio in ratios.items())
    )
    benchmark.extra_info.update(ratios)
    benchmark.pedantic(drain, (elevation,), {"depressions": "fill"}, rounds=1)


def test_drain_scales(benchmark: Any) -> None:
    """Cost per pixel at 4000 x 4000 and at 8000 x 8000, with and without the system's part.

    The system's part is that of giving out fresh memory. On a virtual machine it may cost many
    times as much at one moment as at another, and more for the larger raster.
    """
    whole: dict[int, float] = {}
    own: dict[int, float] = {}
    elevations = {n: on_grid(rough(n)) for n in (4000, 8000)}
    for _ in range(2):
        for n, elevation in elevations.items():
            before = resource.getrusage(resource.RUSAGE_THREAD)
            drain(elevation, depressions="fill")
            after = resource.getrusage(resource.RUSAGE_THREAD)
            user_s = after.ru_utime - before.ru_utime
            own[n] = min(own.get(n, np.inf), user_s / n**2)
            all_s = user_s + after.ru_stime - before.ru_stime
            whole[n] = min(whole.get(n, np.inf), all_s / n**2)
    ratio, own_ratio = whole[8000] / whole[4000], own[8000] / own[4000]
    print(
        f"\nns/pixel at 8000 x 8000 per that at 4000 x 4000: {ratio:.2f},"
        f" without the system's part {own_ratio:.2f} ({own[8000] * 1e9:.1f} ns/pixel)"
    )
    benchmark.extra_info.update(ratio=ratio, own_ratio=own_ratio)
    benchmark.pedantic(drain, (elevations[4000],), {"depressions": "fill"}, rounds=1)


MEMORY = """
import resource, sys
import numpy as np
sys.path[:0] = [{here!r}, {root!r}]
from bench_drain import on_grid, rough
from hexterra.stages.drain import drain
heights = rough(4000)
heights.flags.writeable = False
elevation = on_grid(heights)
drain(on_grid(heights[:50, :50]), depressions={how!r})
with open("/proc/self/clear_refs", "w") as clear:
    clear.write("5")  # forget the peak of making the heights
def status(name):
    with open("/proc/self/status") as lines:
        return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(name))
before = status("VmRSS")
drain(elevation, depressions={how!r})
print((status("VmHWM") - before) / heights.size)
"""


@pytest.mark.parametrize("how", ["fill", "breach then fill"])
def test_drain_memory(benchmark: Any, how: str) -> None:
    """Peak memory per pixel beyond the input, from the kernel's own record (Linux)."""
    here = Path(__file__).parent
    program = MEMORY.format(here=str(here), root=str(here.parents[1]), how=how)
    said = benchmark.pedantic(
        subprocess.run,
        ([sys.executable, "-c", program],),
        {"capture_output": True, "text": True, "check": True},
        rounds=1,
    )
    print(f"\npeak memory, {how}: {float(said.stdout):.1f} bytes per pixel beyond the input")
    benchmark.extra_info["bytes_per_pixel"] = float(said.stdout)


def lattice_on(
    pixels: float, n: int, pixel_m: float = PIXEL_M, middle: tuple[float, float] | None = None
) -> Board:
    """Cover n x n pixels, save for a rim, with cells that are `pixels` pixels wide.

    The middle is in degrees; by default it is that of `on_grid`.
    """
    cells = int(n / pixels) - 2
    if middle is None:
        x, y = 500_000.0 + n / 2 * PIXEL_M, 4_000_000.0 - n / 2 * PIXEL_M
        middle = Transformer.from_crs("EPSG:32616", "EPSG:4326", always_xy=True).transform(x, y)
    scale = pixels * pixel_m / 0.03
    return Board(cells, int(cells / 0.866), 30.0, "points", "straight", scale, *middle)


def jacksboro() -> Elevation:
    """Give the Jacksboro fault, SRTM at 3 arc-seconds, from the sample data of matplotlib."""
    with np.load(cbook.get_sample_data("jacksboro_fault_dem.npz", asfileobj=False)) as sample:
        heights = sample["elevation"]
        west, east = float(sample["xmin"]), float(sample["xmax"])
        south, north = sorted((float(sample["ymin"]), float(sample["ymax"])))
    rows, columns = heights.shape
    affine = Affine((east - west) / columns, 0.0, west, 0.0, (south - north) / rows, north)
    return read_elevation(heights, crs="EPSG:4326", affine=affine, vertical_unit="m")


def share_wrong_by_pyflwdir(carried: RoutingReport, pixels: Any) -> float:
    """Share of the cells whose water runs on that pyflwdir's measure calls wrong."""
    from pyflwdir.upscale import upscale_error

    runs_on = carried.receiver != np.arange(carried.lattice.n_cells)
    at = carried.outlet_row * pixels.shape[1] + carried.outlet_column
    outlet = np.where(carried.outlet_row >= 0, at, pixels._mv).astype(pixels.idxs_ds.dtype)
    receiver = carried.receiver.astype(pixels.idxs_ds.dtype)
    is_right, _ = upscale_error(outlet, receiver, pixels.idxs_ds, mv=pixels._mv)
    return float((is_right[runs_on] == 0).mean())


@pytest.mark.parametrize("ground", ["invented 1.4", "invented 1.7", "invented 2.0", "Jacksboro"])
def test_carry_beside_iterated_upscaling(benchmark: Any, ground: str) -> None:
    """Hexagons beside pyflwdir's iterated method on squares: time, and errors by its measure.

    Invented ground has 2400 x 2400 pixels and a spectrum that falls with the power named; 2.0 is
    smoother than land commonly is, and full of lakes.
    """
    import pyflwdir

    if ground == "Jacksboro":
        elevation, n, middle, pixel_m = jacksboro(), 330, (-84.2458, 36.5896), 83.0
    else:
        n, pixel_m = 2400, PIXEL_M
        elevation, middle = on_grid(rough(n, float(ground.split()[1]))), None
    drained: Drainage = drain(elevation)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pixels = pyflwdir.from_array(drained.direction, ftype="d8", cache=True)
        area = pixels.upstream_area("cell")
        for width in (10, 25, 50):
            lattice = lattice_on(width, n, pixel_m, middle)
            lattice.neighbours, lattice.corner_of, lattice.corner_xy, lattice.centre_xy  # noqa: B018
            kept: dict[str, Any] = {}

            def ours(lattice: Board = lattice, kept: dict[str, Any] = kept) -> None:
                kept["ours"] = carry(drained, lattice)

            def theirs(width: int = width, kept: dict[str, Any] = kept) -> None:
                kept["theirs"] = pixels.upscale(width, method="ihu", uparea=area)

            ours(), theirs()  # compile, and warm the caches
            seconds = best_of(6, ours=ours, theirs=theirs)
            is_right = pixels.upscale_error(*kept["theirs"])
            wrong = float((is_right == 0).sum() / (is_right != 255).sum())
            carried = kept["ours"]
            measured = share_wrong_by_pyflwdir(carried, pixels)
            n_drained = drained.direction.size
            ratio = seconds["theirs"] / seconds["ours"]
            print(
                f"\n{ground}, {width}-pixel cells ({lattice.n_cells}): {ratio:.1f} times as fast as"
                f" pyflwdir ({seconds['ours'] * 1e3:.1f} ms,"
                f" {seconds['ours'] / n_drained * 1e9:.1f} ns/pixel; {seconds['theirs'] * 1e3:.1f}"
                f" ms); wrong {carried.share_wrong:.2%}, by pyflwdir's measure {measured:.2%},"
                f" pyflwdir on squares {wrong:.2%}; displaced by"
                f" {carried.mean_displacement_cells:.2f} cells"
            )
            benchmark.extra_info[f"{width} pixels"] = {
                "wrong": carried.share_wrong,
                "wrong by pyflwdir's measure": measured,
                "wrong on squares": wrong,
                "ratio": ratio,
            }
    benchmark.pedantic(carry, (drained, lattice), rounds=1)
