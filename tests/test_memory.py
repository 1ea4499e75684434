"""`hexterra.memory`: what is free, and that work which needs more is refused before it begins."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import psutil
import pytest
import rasterio
from affine import Affine

from hexterra import memory
from hexterra.elevation.elevation import read_elevation
from hexterra.elevation.invention import invent
from hexterra.errors import TooLittleMemoryError
from hexterra.memory import ask_for, free_bytes
from hexterra.stages.drainage.drain import bytes_to_drain
from hexterra.stages.drainage.streams import bytes_for_waters

UTM = Affine(25.0, 0.0, 500_000.0, 0.0, -25.0, 4_500_000.0)
#: Runs the command line with a limit on the address space, `sys.argv[1]` bytes above what is used.
LIMITED = """
import resource, sys, psutil
from hexterra.cli import main
import numpy, rasterio, numba, psutil
import hexterra.stages.drainage.band_drain, hexterra.outputs.hydrography
room = int(sys.argv.pop(1))
used = psutil.Process().memory_info().vms
resource.setrlimit(resource.RLIMIT_AS, (used + room, resource.RLIM_INFINITY))
main()
"""
#: Runs the command line and tells its peak of memory.
MEASURED = """
import pathlib, re, sys
from hexterra.cli import main
main(sys.argv[1:], standalone_mode=False)
status = pathlib.Path("/proc/self/status").read_text()
print("peak", int(re.search(r"VmHWM:\\s+(\\d+)", status)[1]) * 1024, file=sys.stderr)
"""


def write_ground(path: Path, n: int, dtype: str = "float32") -> Path:
    """Write rough sloping ground of n x n pixels."""
    random = np.random.default_rng(4)
    heights = np.linspace(0.0, 300.0, n)[:, None] + random.normal(0.0, 3.0, (n, n))
    with rasterio.open(
        path, "w", driver="GTiff", height=n, width=n, count=1, dtype=dtype, crs="EPSG:32616",
        transform=UTM, tiled=True,
    ) as raster:  # fmt: skip
        raster.write(heights.astype(dtype), 1)
        raster.set_band_unit(1, "m")
    return path


def run(code: str, *words: object) -> subprocess.CompletedProcess[str]:
    """Run code with arguments in a process of its own."""
    command = [sys.executable, "-c", code, *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_what_is_free_is_at_most_what_the_machine_has() -> None:
    """Some memory is free, and no more than is there."""
    assert 0 < free_bytes() <= psutil.virtual_memory().total


def test_a_control_group_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is left of the limit of the group is what is free; a group without limit says "max"."""
    limit, used = tmp_path / "limit", tmp_path / "used"
    monkeypatch.setattr(memory, "_CGROUPS", ((str(limit), str(used)),))
    used.write_text("400\n")
    limit.write_text("1000\n")
    assert free_bytes() == 600
    limit.write_text("max\n")
    assert free_bytes() > 1_000_000


def test_work_that_needs_more_is_refused() -> None:
    """The message has both numbers and the remedy."""
    ask_for(1.0, "little", remedy="none")
    with pytest.raises(
        TooLittleMemoryError, match=r"much needs about 1,000,000,000\.0 GB"
    ) as caught:
        ask_for(1e18, "much", remedy="do less")
    assert caught.value.remedy == "do less"
    assert caught.value.facts["needed_bytes"] == 10**18


@pytest.mark.skipif(sys.platform == "win32", reason="no such limits there")
def test_limits_of_the_process_count(tmp_path: Path) -> None:
    """With too little left of `ulimit -v`, drain says so before it begins; nothing is written."""
    ground = write_ground(tmp_path / "ground.tif", 5000, "int16")
    refused = run(LIMITED, 400_000_000, "drain", ground, "--out", tmp_path / "out")
    assert refused.returncode == 60, refused.stderr
    assert "by bands" in refused.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["ground.tif"]


@pytest.mark.skipif(sys.platform != "linux", reason="where Linux tells the peak")
@pytest.mark.parametrize("dtype", ["float32", "float64"])
def test_the_estimate_covers_the_peak(dtype: str, tmp_path: Path) -> None:
    """A drain takes no more memory than was asked for, and not far less."""
    peaks: list[int] = []
    for n in (300, 3000):
        ground = write_ground(tmp_path / f"{n}.tif", n, dtype)
        done = run(MEASURED, "drain", ground, "--out", tmp_path / f"{n}")
        assert done.returncode == 0, done.stderr
        peaks.append(int(done.stderr.split("peak")[-1]))
    raster = read_elevation(ground)
    estimate = bytes_to_drain(raster, 3000**2)
    estimate += bytes_for_waters(raster, threshold_km2=None, has_lakes=False)
    assert 0.3 * estimate < peaks[1] - peaks[0] < estimate


def test_more_streams_and_lakes_take_more() -> None:
    """The estimate grows as the threshold falls, until each pixel is a stream, and with lakes."""
    ground = invent(1, rows=100, columns=100, pixel_m=10.0)
    every = bytes_for_waters(ground, threshold_km2=1e-6, has_lakes=False)
    few = bytes_for_waters(ground, threshold_km2=1.0, has_lakes=False)
    assert every == 90 * 100 * 100 > few > 0
    assert bytes_for_waters(ground, threshold_km2=1.0, has_lakes=True) == few + 20 * 100 * 100
