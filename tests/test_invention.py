"""Invented ground: the same for the same seed, believable, and drained to its rim."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from rasterio.errors import RasterioError
from skimage.morphology import reconstruction

from hexterra import errors
from hexterra.elevation.elevation import Elevation, read_elevation, write_elevation
from hexterra.elevation.invention import invent

SAMPLE = Path(__file__).parents[1] / "sample_data" / "imbleth.tif"
SMALL = {"rows": 96, "columns": 128}


def heights_of(elevation: Elevation) -> NDArray[Any]:
    """Read every height; invented ground has no voids."""
    heights, usable = elevation.read(0, elevation.shape[0], 0, elevation.shape[1])
    assert usable is None
    return heights


def filled_by_reconstruction(heights: NDArray[Any]) -> NDArray[np.float64]:
    """Fill hollows as scikit-image does: erosion by reconstruction from the rim, 8 neighbours."""
    seed = np.full(heights.shape, heights.max(), dtype=np.float64)
    for rim in (np.s_[0], np.s_[-1], np.s_[:, 0], np.s_[:, -1]):
        seed[rim] = heights[rim]
    return reconstruction(seed, heights.astype(np.float64), method="erosion")


def test_the_same_seed_gives_the_same_land() -> None:
    """Twice the same arguments give equal digests; another seed gives another land."""
    assert invent(4, **SMALL).digest == invent(4, **SMALL).digest
    assert invent(4, **SMALL).digest != invent(5, **SMALL).digest


def test_another_process_invents_the_same_land() -> None:
    """Nothing depends on the process: hash seeds, import order or global random state."""
    code = "import hexterra as hx; print(hx.invent(4, rows=96, columns=128).digest)"
    there = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert there.stdout.strip() == invent(4, **SMALL).digest


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_sizes_are_as_asked(seed: int) -> None:
    """Rows, columns, pixel size and relief are met exactly; heights are whole decimetres."""
    elevation = invent(seed, rows=50, columns=77, pixel_m=10.0, relief_m=250.0, base_m=-20.0)
    heights = heights_of(elevation)
    assert heights.shape == (50, 77)
    assert heights.dtype == np.float32
    assert elevation.pixel_size == (10.0, 10.0)
    assert (heights.min(), heights.max()) == (-20.0, 230.0)
    np.testing.assert_allclose(heights * 10, np.round(heights * 10), atol=1e-3)


@pytest.mark.parametrize(("rows", "columns"), [(32, 32), (53, 53), (54, 54), (32, 64)])
def test_the_smallest_land_is_land_too(rows: int, columns: int) -> None:
    """Where the margin that is eroded beyond the raster is thinnest."""
    land = invent(0, rows=rows, columns=columns)
    assert land.shape == (rows, columns)
    assert np.ptp(heights_of(land)) == pytest.approx(400.0, abs=0.1)


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_every_pixel_drains_to_the_rim(seed: int) -> None:
    """No pixel lies in a hollow: filling as scikit-image does changes nothing."""
    heights = heights_of(invent(seed, **SMALL))
    np.testing.assert_array_equal(filled_by_reconstruction(heights), heights)


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_there_is_a_flat_lake_away_from_the_rim(seed: int) -> None:
    """Some level patch of about 1 % of the land (a lake) lies wholly inside."""
    from scipy import ndimage

    heights = heights_of(invent(seed, **SMALL))
    values, counts = np.unique(heights, return_counts=True)
    level = values[counts.argmax()]
    labels: Any = ndimage.label(heights == level)
    patches, n_patches = labels
    sizes = ndimage.sum_labels(np.ones_like(heights), patches, np.arange(1, n_patches + 1))
    lake = patches == 1 + sizes.argmax()
    assert lake.sum() > 0.008 * heights.size
    assert lake[1:-1, 1:-1].sum() == lake.sum()


def test_land_is_smooth_ground_and_not_noise() -> None:
    """Neighbouring pixels are alike: their differences are small against the relief.

    Independent heights of equal spread would differ by 1.41 standard deviations (root mean
    square); slopes on real ground at this pixel size are a small part of that.
    """
    heights = heights_of(invent(6, rows=200, columns=200, pixel_m=25.0, relief_m=400.0))
    steps = np.concatenate([np.diff(heights, axis=0).ravel(), np.diff(heights, axis=1).ravel()])
    assert np.sqrt(np.mean(steps**2)) < 0.2 * heights.std()


def test_it_lies_on_open_ocean() -> None:
    """The invented place is in the North Pacific, in a UTM zone that covers it."""
    elevation = invent(1, **SMALL)
    crs = CRS(elevation.crs)
    assert crs.is_projected
    to_wgs84 = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    x0, y0, x1, y1 = elevation.bounds
    lon, lat = to_wgs84.transform((x0 + x1) / 2, (y0 + y1) / 2)
    assert (round(lon), round(lat)) == (-135, 30)


@pytest.mark.parametrize(
    "wrong",
    [
        {"seed": -1},
        {"rows": 31},
        {"columns": 5000},
        {"pixel_m": 0.0},
        {"relief_m": float("nan")},
        {"base_m": 1e6},
    ],
)
def test_sizes_out_of_range_are_refused(wrong: dict[str, float]) -> None:
    """Each size has a range; the error names the size, its value and the range."""
    arguments: dict[str, Any] = {"seed": 1} | SMALL | wrong
    with pytest.raises(errors.InputError) as caught:
        invent(arguments.pop("seed"), **arguments)
    (name,) = wrong
    assert name in caught.value.problem
    assert caught.value.remedy


# Writing ---------------------------------------------------------------------------------------


def test_what_is_written_reads_back(tmp_path: Path) -> None:
    """Heights, voids, frame and unit survive a file, and the same land gives the same bytes."""
    land = heights_of(invent(2, **SMALL)).copy()
    land[10:20, 5:9] = np.nan
    first = invent(2, **SMALL)
    elevation = read_elevation(land, crs=first.crs, affine=first.affine, vertical_unit="m")
    for name in ("a.tif", "b.tif"):
        write_elevation(elevation, tmp_path / name)
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()
    again = read_elevation(tmp_path / "a.tif")
    assert (again.affine, again.crs) == (elevation.affine, elevation.crs)
    for found, wanted in zip(again.read(0, 96, 0, 128), elevation.read(0, 96, 0, 128), strict=True):
        np.testing.assert_array_equal(found, wanted)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.tif", "b.tif"]


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("none/a.tif", "No such file or directory"),
        ("folder", "Is a directory"),
        ("file/a.tif", "Not a directory"),
    ],
)
def test_a_file_that_cannot_be_written_leaves_nothing(name: str, why: str, tmp_path: Path) -> None:
    """The file that was asked for is named, with the reason and a remedy; nothing is touched."""
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("mine")
    with pytest.raises(errors.OutputError) as caught:
        write_elevation(invent(2, **SMALL), tmp_path / name)
    assert str(caught.value).startswith(f"{str(tmp_path / name)!r} cannot be written: {why}\n")
    assert caught.value.remedy
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "folder"]
    assert (tmp_path / "file").read_text() == "mine"


def test_a_write_that_fails_half_way_names_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What GDAL says of the unfinished file is said of the one that was asked for."""

    def refuse(path: Path, *_: object, **__: object) -> None:
        raise RasterioError(f"{path}: disk is full")

    monkeypatch.setattr("hexterra.elevation.geotiff.rasterio.open", refuse)
    out = tmp_path / "a.tif"
    with pytest.raises(errors.OutputError) as caught:
        write_elevation(invent(2, **SMALL), out)
    assert str(caught.value).startswith(f"{str(out)!r} cannot be written: {out}: disk is full\n")
    assert list(tmp_path.iterdir()) == []


def test_the_sample_is_what_its_command_gives() -> None:
    """sample_data/imbleth.tif is `hexterra invent --seed 2 --columns 500`, to a centimetre."""
    sample, again = (
        read_elevation(SAMPLE),
        invent(2, rows=360, columns=500, pixel_m=25.0, relief_m=400.0),
    )
    assert SAMPLE.stat().st_size < 1_000_000
    assert sample.affine == again.affine
    np.testing.assert_allclose(heights_of(sample), heights_of(again), rtol=0, atol=0.01)
