"""Reading heights: every kind of source, and every way in which one can be wrong."""

from __future__ import annotations

import multiprocessing
import pickle
import shutil
import threading
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import rasterio.shutil
import xarray
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from rasterio.crs import CRS
from rasterio.enums import ColorInterp
from rasterio.env import get_gdal_config
from rasterio.errors import NotGeoreferencedWarning

from hexterra import errors
from hexterra.elevation import raster_files
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.elevation.pixels import Window

UTM = "EPSG:32616"
NORTH_UP = Affine(30.0, 0.0, 500_000.0, 0.0, -30.0, 4_000_000.0)
DEGREES = Affine(0.01, 0.0, -84.0, 0.0, -0.01, 36.0)


def ramp(rows: int = 12, columns: int = 17, dtype: str = "float32") -> NDArray[Any]:
    """Heights that are all different and whole: 100, 101, ... along the rows."""
    return (100 + np.arange(rows * columns).reshape(rows, columns)).astype(dtype)


def write(path: Path, heights: NDArray[Any], *, unit: str = "m", **profile: Any) -> Path:
    """Write a raster with rasterio; the profile may override anything."""
    tags = profile.pop("tags", {})
    mask = profile.pop("mask", None)
    scale, offset = profile.pop("scale", 1.0), profile.pop("offset", 0.0)
    chosen: dict[str, Any] = {
        "driver": "GTiff",
        "crs": UTM,
        "transform": NORTH_UP,
        "count": 1,
    } | profile
    rows, columns = heights.shape
    with rasterio.open(
        path, "w", height=rows, width=columns, dtype=heights.dtype, **chosen
    ) as dataset:
        for band in range(1, chosen["count"] + 1):
            dataset.write(heights, band)
        if unit:
            dataset.set_band_unit(1, unit)
        if (scale, offset) != (1.0, 0.0):
            dataset.scales, dataset.offsets = (scale,), (offset,)
        if mask is not None:
            dataset.write_mask(mask)
        dataset.update_tags(**tags)
    return path


def whole(elevation: Elevation) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """Read every pixel."""
    return elevation.read(0, elevation.shape[0], 0, elevation.shape[1])


# What comes out --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "profile",
    [
        {},
        {"tiled": True, "blockxsize": 16, "blockysize": 16, "compress": "deflate"},
        {"driver": "COG", "compress": "deflate"},
        {"compress": "lzw", "predictor": 3, "interleave": "band"},
    ],
    ids=["strips", "tiles", "COG", "compressed"],
)
def test_geotiff_of_every_layout_reads_the_same(tmp_path: Path, profile: dict[str, Any]) -> None:
    """Strips, tiles, COG and compression change nothing in the heights, the frame or the unit."""
    elevation = read_elevation(write(tmp_path / "a.tif", ramp(40, 50), **profile))
    heights, usable = whole(elevation)
    np.testing.assert_array_equal(heights, ramp(40, 50))
    assert usable is None
    assert heights.dtype == np.float32
    assert elevation.shape == (40, 50)
    assert elevation.affine == NORTH_UP
    assert elevation.metres_per_unit == 1.0
    assert elevation.bounds == (500_000.0, 4_000_000.0 - 1200.0, 501_500.0, 4_000_000.0)
    assert elevation.pixel_size == (30.0, 30.0)
    assert not elevation.is_geographic
    assert elevation.name == "a"


def test_esri_ascii_grid_with_prj_reads(tmp_path: Path) -> None:
    """An ASCII grid takes its place from its header and its CRS from the .prj beside it."""
    rows = "\n".join(" ".join(str(v) for v in row) for row in ramp(3, 4, "int32"))
    header = "ncols 4\nnrows 3\nxllcorner 500000\nyllcorner 4000000\ncellsize 30\n"
    path = tmp_path / "grid.asc"
    path.write_text(f"{header}NODATA_value 104\n{rows}\n")
    crs = CRS.from_string(UTM)
    path.with_suffix(".prj").write_text(crs.to_wkt(version="WKT1_ESRI"))
    elevation = read_elevation(path, vertical_unit="m")
    heights, usable = whole(elevation)
    assert elevation.affine == Affine(30.0, 0.0, 500_000.0, 0.0, -30.0, 4_000_090.0)
    assert usable is not None
    assert not usable[1, 0]
    assert usable.sum() == 11
    assert heights[1, 0] == 0.0
    assert heights[2, 3] == 111.0


def test_esri_ascii_grid_registered_at_centres_reads_the_same(tmp_path: Path) -> None:
    """``xllcenter`` half a pixel further in is the same grid as ``xllcorner``."""
    found = []
    for kind, at in (("corner", 500_000), ("center", 500_015)):
        path = tmp_path / f"{kind}.asc"
        lines = f"xll{kind} {at}\nyll{kind} {at}\ncellsize 30\n1 2\n3 4\n"
        path.write_text(f"ncols 2\nnrows 2\n{lines}")
        found.append(read_elevation(path, crs=UTM, vertical_unit="m").affine)
    assert found[0] == found[1]


def test_srtm_hgt_reads(tmp_path: Path) -> None:
    """A raw .hgt tile: big-endian int16, 1201 x 1201 points, placed by its name, void -32768.

    Source: NASA, SRTM Collection User Guide (2015), section 3: the tile's name is the position of
    the *centre* of its lower left sample, and neighbouring tiles share their outermost samples.
    """
    heights = (np.arange(1201 * 1201) % 3000).reshape(1201, 1201).astype(">i2")
    heights[7, 9] = -32768
    path = tmp_path / "N36W085.hgt"
    heights.tofile(path)
    elevation = read_elevation(path, vertical_unit="m")
    read, usable = whole(elevation)
    assert usable is not None
    assert usable.sum() == 1201 * 1201 - 1
    assert not usable[7, 9]
    heights[7, 9] = 0
    np.testing.assert_array_equal(read, heights)
    lower_left = np.array([[-85.0, 36.0]])
    np.testing.assert_allclose(elevation.to_pixel(lower_left), [[0.5, 1200.5]], atol=1e-9)


def test_vrt_reads_and_its_digest_sees_its_parts(tmp_path: Path) -> None:
    """A virtual raster reads like its part, and changes its digest when the part changes."""
    part, path = write(tmp_path / "part.tif", ramp()), tmp_path / "all.vrt"
    rasterio.shutil.copy(part, path, driver="VRT")
    elevation = read_elevation(path)
    np.testing.assert_array_equal(whole(elevation)[0], ramp())
    digest = elevation.digest
    write(part, ramp() + 1)
    again = read_elevation(path)
    np.testing.assert_array_equal(whole(again)[0], ramp() + 1)
    assert again.digest != digest


@pytest.mark.parametrize(
    "affine",
    [
        Affine(20.0, 5.0, 5e5, 7.0, -30.0, 4e6),
        Affine(30.0, 0.0, 5e5, 0.0, 30.0, 4e6),
        Affine(0.0, 30.0, 5e5, 30.0, 0.0, 4e6),
    ],
    ids=["sheared and turned", "south up", "transposed"],
)
def test_any_affine_is_kept(tmp_path: Path, affine: Affine) -> None:
    """Turned, sheared and south-up grids keep their affine, and points find their pixels."""
    elevation = read_elevation(write(tmp_path / "a.tif", ramp(), transform=affine))
    assert elevation.affine == affine
    a, b, c, d, e, f = tuple(affine)[:6]
    pixel = np.array([[3.25, 4.5], [0.0, 11.0]])
    xy = np.column_stack(
        [
            a * pixel[:, 0] + b * pixel[:, 1] + c,
            d * pixel[:, 0] + e * pixel[:, 1] + f,
        ]
    )
    np.testing.assert_allclose(elevation.to_pixel(xy), pixel, atol=1e-8)


@pytest.mark.parametrize(
    ("stored", "read"),
    [
        ("uint8", "float32"),
        ("int16", "float32"),
        ("uint16", "float32"),
        ("float32", "float32"),
        ("int32", "float64"),
        ("float64", "float64"),
    ],
)
def test_heights_come_in_the_smallest_exact_dtype(tmp_path: Path, stored: str, read: str) -> None:
    """What float32 holds exactly is read as float32, from files and arrays alike."""
    heights = ramp(5, 6).astype(stored)
    from_file = read_elevation(write(tmp_path / "a.tif", heights))
    from_array = read_elevation(heights, crs=UTM, affine=NORTH_UP, vertical_unit="m")
    for elevation in (from_file, from_array):
        found, _ = whole(elevation)
        assert found.dtype == read
        np.testing.assert_array_equal(found, heights)


def test_scale_and_offset_are_applied_but_not_to_voids(tmp_path: Path) -> None:
    """Decimetres from a datum of 50 m: 123 is 62.3 m; a void stays 0.0."""
    stored = np.array([[123, -1], [0, 10]], dtype=np.int16)
    path = write(tmp_path / "a.tif", stored, scale=0.1, offset=50.0, nodata=-1)
    heights, usable = whole(read_elevation(path))
    assert heights.dtype == np.float64
    np.testing.assert_allclose(heights, [[62.3, 0.0], [50.0, 51.0]], rtol=1e-15)
    np.testing.assert_array_equal(usable, [[True, False], [True, True]])


@pytest.mark.parametrize(
    ("unit", "metres"),
    [("ft", 0.3048), ("US survey foot", 1200.0 / 3937.0), ("metre", 1.0)],
)
def test_feet_become_metres(tmp_path: Path, unit: str, metres: float) -> None:
    """The unit in the file decides: 1000 ft are 304.8 m (NIST SP 811, 2008, appendix B.6)."""
    stored = np.full((2, 3), 1000.0, dtype=np.float32)
    elevation = read_elevation(write(tmp_path / "a.tif", stored, unit=unit))
    np.testing.assert_allclose(whole(elevation)[0], 1000.0 * metres, rtol=1e-15)
    assert elevation.metres_per_unit == metres


def test_vertical_unit_comes_from_a_compound_crs(tmp_path: Path) -> None:
    """NAVD88 height in US survey feet (EPSG:6360) says the unit; only the map part is kept."""
    path = write(tmp_path / "a.tif", ramp(), unit="", crs="EPSG:26916+6360")
    elevation = read_elevation(path)
    assert elevation.metres_per_unit == pytest.approx(1200.0 / 3937.0, rel=1e-9)
    assert "VERT" not in elevation.crs


@pytest.mark.parametrize("nodata", [-9999.0, float("nan"), -3.4028234663852886e38, 0.1])
def test_nodata_becomes_a_mask(tmp_path: Path, nodata: float) -> None:
    """The void number of a file, NaN, the float32 limit or an inexact one, is never a height."""
    heights = ramp()
    heights[2, 3] = nodata
    found, usable = whole(read_elevation(write(tmp_path / "a.tif", heights, nodata=nodata)))
    assert usable is not None
    assert found[2, 3] == 0.0
    assert not usable[2, 3]
    assert usable.sum() == usable.size - 1


def test_a_nodata_number_can_be_given(tmp_path: Path) -> None:
    """A given void number counts beside the one in the file."""
    path = write(tmp_path / "a.tif", ramp(), nodata=100.0)
    _, usable = whole(read_elevation(path, nodata=102))
    assert usable is not None
    np.testing.assert_array_equal(np.argwhere(~usable), [[0, 0], [0, 2]])


def test_nan_and_infinity_are_voids_and_counted(tmp_path: Path) -> None:
    """Undeclared NaN and infinities are masked; the reader counts each kind."""
    heights = ramp()
    heights[0, 0], heights[1, 1], heights[1, 2], heights[3, 3] = np.nan, np.inf, -np.inf, -9999
    elevation = read_elevation(write(tmp_path / "a.tif", heights, nodata=-9999))
    pixels = elevation.read_pixels(Window(0, 12, 0, 17))
    assert (pixels.n_nan, pixels.n_infinite) == (1, 2)
    assert pixels.usable is not None
    assert (~pixels.usable).sum() == 4
    assert np.isfinite(pixels.height_m).all()


@pytest.mark.parametrize("internal", [True, False])
def test_dataset_masks_are_honoured(tmp_path: Path, internal: bool) -> None:
    """A mask inside the file or beside it (.msk) makes voids, together with nodata."""
    mask = np.full((12, 17), 255, dtype=np.uint8)
    mask[4, 5:8] = 0
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=internal):
        path = write(tmp_path / "a.tif", ramp(), mask=mask, nodata=100.0)
    assert path.with_suffix(".tif.msk").exists() != internal
    _, usable = whole(read_elevation(path))
    mask[0, 0] = 0
    np.testing.assert_array_equal(usable, mask > 0)


def test_an_alpha_band_is_a_mask(tmp_path: Path) -> None:
    """One band of heights and an alpha band need no band number; alpha 0 is a void."""
    path = tmp_path / "a.tif"
    alpha = np.full((12, 17), 255, dtype=np.uint8)
    alpha[3, 3] = 0
    profile: dict[str, Any] = {
        "driver": "GTiff",
        "height": 12,
        "width": 17,
        "count": 2,
        "dtype": "uint8",
    }
    with rasterio.open(path, "w", crs=UTM, transform=NORTH_UP, **profile) as dataset:
        dataset.write(ramp(dtype="uint8"), 1)
        dataset.write(alpha, 2)
        dataset.colorinterp = (ColorInterp.gray, ColorInterp.alpha)
    heights, usable = whole(read_elevation(path, vertical_unit="m"))
    np.testing.assert_array_equal(usable, alpha > 0)
    assert heights[0, 1] == 101.0


def test_point_registration_of_a_file_is_the_same_ground(tmp_path: Path) -> None:
    """A GeoTIFF of points and one of areas, written for the same affine, are the same grid.

    GDAL stores the tie point half a pixel further in for points, so bytes differ and places agree.
    """
    area = read_elevation(write(tmp_path / "a.tif", ramp(), tags={"AREA_OR_POINT": "Area"}))
    point = read_elevation(write(tmp_path / "p.tif", ramp(), tags={"AREA_OR_POINT": "Point"}))
    assert area.affine == point.affine == NORTH_UP
    assert area.digest != point.digest


def test_point_registration_of_an_array_moves_half_a_pixel() -> None:
    """The affine of points carries whole numbers to centres, also where it is turned."""
    turned = Affine(20.0, 5.0, 5e5, 7.0, -30.0, 4e6)
    elevation = read_elevation(
        ramp(), crs=UTM, affine=turned, vertical_unit="m", registration="point"
    )
    np.testing.assert_allclose(elevation.to_pixel(np.array([[5e5, 4e6]])), [[0.5, 0.5]], atol=1e-9)


def test_masked_arrays_keep_their_mask() -> None:
    """A masked pixel is void, whatever number lies under the mask."""
    heights = np.ma.masked_equal(ramp(dtype="int16"), 105)
    found, usable = whole(read_elevation(heights, crs=UTM, affine=NORTH_UP, vertical_unit="m"))
    assert usable is not None
    np.testing.assert_array_equal(np.argwhere(~usable), [[0, 5]])
    assert found[0, 5] == 0.0


def test_arrays_are_copied_not_frozen() -> None:
    """Changing the array afterwards changes nothing, and the caller may go on writing to it."""
    heights = ramp()
    elevation = read_elevation(heights, crs=UTM, affine=NORTH_UP, vertical_unit="m")
    heights[:] = -1.0
    np.testing.assert_array_equal(whole(elevation)[0], ramp())


def test_whole_rows_of_a_clean_array_are_not_copied() -> None:
    """Two reads share memory, unless there is a void or another dtype to deal with."""
    clean, void, whole_numbers = ramp(), ramp(), ramp(dtype="int16")
    void[3, 4] = np.nan
    for heights, shares in ((clean, True), (void, False), (whole_numbers, False)):
        elevation = read_elevation(heights, crs=UTM, affine=NORTH_UP, vertical_unit="m")
        reads = [elevation.read(2, 9, 0, 17)[0] for _ in range(2)]
        assert np.shares_memory(reads[0], reads[1]) == shares
        assert not any(read.flags.writeable for read in reads)
        assert np.array_equal(reads[0][0], heights[2])


def test_big_endian_arrays_read() -> None:
    """Byte order is no part of a height."""
    elevation = read_elevation(
        ramp(dtype=">i2"), crs=UTM, affine=NORTH_UP, vertical_unit="m", name="swapped"
    )
    np.testing.assert_array_equal(whole(elevation)[0], ramp())
    assert elevation.name == "swapped"


@pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning:rioxarray")
@pytest.mark.parametrize("with_accessor", [True, False])
def test_data_array_coordinates_are_centres(tmp_path: Path, with_accessor: bool) -> None:
    """A DataArray, opened by rioxarray or made by hand, is the same grid as its file."""
    path = write(tmp_path / "a.tif", ramp(dtype="int16"), nodata=103)
    if with_accessor:
        import rioxarray

        data = rioxarray.open_rasterio(path)
        assert isinstance(data, xarray.DataArray)
        data.attrs["units"] = "m"
    else:
        data = xarray.DataArray(
            ramp(dtype="int16").T,
            dims=("x", "y"),
            coords={
                "x": 500_015.0 + 30.0 * np.arange(17),
                "y": 3_999_985.0 - 30.0 * np.arange(12),
                "spatial_ref": xarray.DataArray(
                    0, attrs={"crs_wkt": CRS.from_string(UTM).to_wkt()}
                ),
            },
            attrs={"units": "m", "_FillValue": 103},
        )
    elevation, from_file = read_elevation(data), read_elevation(path)
    np.testing.assert_allclose(tuple(elevation.affine), tuple(from_file.affine), rtol=0, atol=1e-9)
    for found, wanted in zip(whole(elevation), whole(from_file), strict=True):
        np.testing.assert_array_equal(found, wanted)


def test_data_arrays_in_latitude_and_longitude_read() -> None:
    """South-up latitudes, a leading axis of one, and a CRS given beside it are all understood."""
    data = xarray.DataArray(
        ramp(3, 4)[None],
        dims=("time", "lat", "lon"),
        coords={"lat": [0.0, 1.0, 2.0], "lon": [10.0, 11.0, 12.0, 13.0]},
        name="height",
    )
    elevation = read_elevation(data, crs=4326, vertical_unit="m")
    assert elevation.bounds == (9.5, -0.5, 13.5, 2.5)
    np.testing.assert_allclose(elevation.to_pixel(np.array([[9.5, -0.5]])), [[0.0, 0.0]])
    np.testing.assert_array_equal(whole(elevation)[0], ramp(3, 4))
    assert elevation.name == "height"


def test_a_raster_in_a_zip_archive_reads(tmp_path: Path) -> None:
    """GDAL's own way to name a file in an archive works, and its digest is of the archive."""
    path = write(tmp_path / "a.tif", ramp())
    digests = []
    for level in (1, 9):
        with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED, True, level) as archive:
            archive.write(path, "a.tif")
        elevation = read_elevation(f"/vsizip/{tmp_path}/a.zip/a.tif")
        np.testing.assert_array_equal(whole(elevation)[0], ramp())
        digests.append(elevation.digest)
    assert digests[0] != digests[1]


def test_windows_agree_with_the_whole(tmp_path: Path) -> None:
    """Any window holds what the whole raster holds there; arrays are contiguous and read-only."""
    heights = ramp(70, 90)
    heights[10:20, 30:60] = -1.0
    profile: dict[str, Any] = {"nodata": -1.0, "tiled": True, "blockxsize": 32, "blockysize": 32}
    elevation = read_elevation(write(tmp_path / "a.tif", heights, **profile))
    all_heights, all_usable = whole(elevation)
    assert all_usable is not None

    @settings(derandomize=True, deadline=None, max_examples=60)
    @given(
        st.tuples(st.integers(0, 70), st.integers(0, 70)).filter(lambda ends: ends[0] != ends[1]),
        st.tuples(st.integers(0, 90), st.integers(0, 90)).filter(lambda ends: ends[0] != ends[1]),
    )
    def check(rows: tuple[int, int], columns: tuple[int, int]) -> None:
        (row0, row1), (column0, column1) = sorted(rows), sorted(columns)
        part, usable = elevation.read(row0, row1, column0, column1)
        np.testing.assert_array_equal(part, all_heights[row0:row1, column0:column1])
        wanted = all_usable[row0:row1, column0:column1]
        if usable is None:
            assert wanted.all()
        else:
            np.testing.assert_array_equal(usable, wanted)
            assert not usable.flags.writeable
        assert part.flags.c_contiguous
        assert not part.flags.writeable

    check()


@pytest.mark.parametrize("window", [(0, 13, 0, 1), (-1, 2, 0, 1), (3, 3, 0, 1), (0, 1, 5, 18)])
def test_a_window_outside_the_raster_is_a_programming_error(
    window: tuple[int, int, int, int],
) -> None:
    """Windows past the raster or without pixels are refused with a plain ValueError."""
    elevation = read_elevation(ramp(), crs=UTM, affine=NORTH_UP, vertical_unit="m")
    with pytest.raises(ValueError, match="not within") as caught:
        elevation.read(*window)
    assert not isinstance(caught.value, errors.HexterraError)


def test_longitudes_are_found_across_whole_turns() -> None:
    """Longitude 275.5 is -84.5: both find the same pixel."""
    elevation = read_elevation(
        ramp(), crs="EPSG:4326", affine=Affine(0.1, 0, -85, 0, -0.1, 36), vertical_unit="m"
    )
    assert elevation.is_geographic
    found = elevation.to_pixel(np.array([[-84.5, 35.5], [275.5, 35.5]]))
    np.testing.assert_allclose(found, [[5.0, 5.0], [5.0, 5.0]], atol=1e-9)


# One value, many places ------------------------------------------------------------------------


def test_an_elevation_travels_by_pickle(tmp_path: Path) -> None:
    """Sent to another process, a file elevation reads the same and has the same digest."""
    elevation = read_elevation(write(tmp_path / "a.tif", ramp()))
    whole(elevation)  # the dataset is open here by now
    again = pickle.loads(pickle.dumps(elevation))
    np.testing.assert_array_equal(whole(again)[0], ramp())
    assert again.digest == elevation.digest
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        there = pool.apply(whole, (elevation,))
    np.testing.assert_array_equal(there[0], ramp())


def test_threads_read_side_by_side(tmp_path: Path) -> None:
    """Four threads reading different bands of rows at once all read what is there."""
    heights = ramp(400, 300)
    profile: dict[str, Any] = {
        "tiled": True,
        "blockxsize": 64,
        "blockysize": 64,
        "compress": "deflate",
    }
    elevation = read_elevation(write(tmp_path / "a.tif", heights, **profile))
    wrong: list[int] = []

    def read(first: int) -> None:
        for row in range(first, 400, 4):
            if not np.array_equal(elevation.read(row, row + 1, 0, 300)[0][0], heights[row]):
                wrong.append(row)

    threads = [threading.Thread(target=read, args=(first,)) for first in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_reading_bounds_the_cache_of_blocks_and_puts_it_back(tmp_path: Path) -> None:
    """While small blocks are read, GDAL may keep 16 MiB of them; afterwards as much as before."""
    usual = get_gdal_config("GDAL_CACHEMAX")
    elevation = read_elevation(write(tmp_path / "a.tif", ramp(200, 300)))
    source: Any = elevation.source
    with raster_files._opened_bounded(source._access, Window(0, 9, 0, 9)):
        assert get_gdal_config("GDAL_CACHEMAX") == 2**24
    threads = [threading.Thread(target=whole, args=(elevation,)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert get_gdal_config("GDAL_CACHEMAX") == usual > 2**24


def test_the_digest_is_of_the_content_not_the_path(tmp_path: Path) -> None:
    """A copy elsewhere has the same digest; other heights, units or voids have others."""
    path = write(tmp_path / "a.tif", ramp())
    (tmp_path / "elsewhere").mkdir()
    copy = shutil.copy(path, tmp_path / "elsewhere" / "b.tif")
    elevation = read_elevation(path)
    assert read_elevation(copy).digest == elevation.digest
    assert elevation.same_as(read_elevation(copy, name="other"))
    others = [
        read_elevation(write(tmp_path / "c.tif", ramp() + 1)),
        read_elevation(path, nodata=105),
        read_elevation(write(tmp_path / "d.tif", ramp(), unit="ft")),
    ]
    digests = {elevation.digest, *(other.digest for other in others)}
    assert len(digests) == 4


def test_array_digests_depend_on_every_part() -> None:
    """Heights, place and mask enter the digest of an array elevation; its name does not."""
    plain: dict[str, Any] = {"crs": UTM, "affine": NORTH_UP, "vertical_unit": "m"}
    others: list[dict[str, Any]] = [
        {**plain, "affine": Affine(31.0, 0, 5e5, 0, -30, 4e6)},
        {**plain, "vertical_unit": "ft"},
        {**plain, "crs": "EPSG:32617"},
    ]
    elevations = [
        read_elevation(ramp(), **plain),
        read_elevation(ramp() + 1, **plain),
        read_elevation(np.ma.masked_equal(ramp(), 105), **plain),
        *(read_elevation(ramp(), **other) for other in others),
    ]
    assert len({elevation.digest for elevation in elevations}) == len(elevations)
    assert read_elevation(ramp(), **plain, name="x").digest == elevations[0].digest


def test_the_real_ground_reads_the_same_from_array_and_file(
    jacksboro: Elevation, jacksboro_file: Path
) -> None:
    """The Jacksboro sample spans 236 to 1076 m, from the array as from a GeoTIFF of it."""
    from_file = read_elevation(jacksboro_file)
    heights, usable = whole(from_file)
    np.testing.assert_array_equal(heights, whole(jacksboro)[0])
    assert usable is None
    assert (heights.min(), heights.max()) == (236.0, 1076.0)
    np.testing.assert_allclose(from_file.pixel_size, (1 / 1200, 1 / 1200), rtol=1e-9)


# Several files ---------------------------------------------------------------------------------


def test_a_mosaic_equals_one_array(tmp_path: Path) -> None:
    """Four overlapping tiles read like the raster they were cut from, in any window."""
    heights = ramp(40, 60)
    paths = []
    for number, (row, column) in enumerate([(0, 0), (0, 25), (15, 0), (15, 25)]):
        part = heights[row : row + 25, column : column + 35]
        at = Affine(30.0, 0.0, 5e5 + 30 * column, 0.0, -30.0, 4e6 - 30 * row)
        paths.append(write(tmp_path / f"{number}.tif", part, transform=at))
    elevation = read_elevation(paths[::-1])
    assert elevation.shape == (40, 60)
    assert elevation.affine == NORTH_UP
    found, usable = whole(elevation)
    np.testing.assert_array_equal(found, heights)
    assert usable is None
    np.testing.assert_array_equal(elevation.read(10, 30, 20, 40)[0], heights[10:30, 20:40])
    assert found.dtype == np.float32
    assert pickle.loads(pickle.dumps(elevation)).digest == elevation.digest


def test_the_first_usable_pixel_of_a_mosaic_wins(tmp_path: Path) -> None:
    """Voids of the first tile are filled by the second; where both are void, so is the mosaic."""
    first, second = np.full((3, 4), 10.0), np.full((3, 4), 20.0)
    first[0, :2] = -1.0
    second[0, 0] = -1.0
    paths = [
        write(tmp_path / "a.tif", first, nodata=-1),
        write(tmp_path / "b.tif", second, nodata=-1),
    ]
    heights, usable = whole(read_elevation(paths))
    wanted = np.full((3, 4), 10.0)
    wanted[0, :2] = 0.0, 20.0
    np.testing.assert_array_equal(heights, wanted)
    assert usable is not None
    np.testing.assert_array_equal(np.argwhere(~usable), [[0, 0]])


def test_a_gap_between_tiles_is_void(tmp_path: Path) -> None:
    """Tiles that do not touch leave voids between them, and a window inside one has no mask."""
    far = Affine(30.0, 0.0, 5e5 + 300.0, 0.0, -30.0, 4e6)
    paths = [
        write(tmp_path / "a.tif", ramp(4, 4)),
        write(tmp_path / "b.tif", ramp(4, 4, "int16"), transform=far),
    ]
    elevation = read_elevation(paths)
    assert elevation.shape == (4, 14)
    _, usable = whole(elevation)
    assert usable is not None
    assert usable[:, 4:10].sum() == 0
    assert usable.sum() == 32
    assert elevation.read(0, 4, 10, 14)[1] is None


def test_tiles_join_across_the_antimeridian(tmp_path: Path) -> None:
    """A tile east of 180 degrees continues one west of it, in either order."""
    west = Affine(0.25, 0.0, 178.0, 0.0, -0.25, 10.0)
    east = Affine(0.25, 0.0, -180.0, 0.0, -0.25, 10.0)
    left, right = ramp(4, 8), ramp(4, 6) + 500
    paths = [
        write(tmp_path / "w.tif", left, transform=west, crs="EPSG:4326"),
        write(tmp_path / "e.tif", right, transform=east, crs="EPSG:4326"),
    ]
    for order in (paths, paths[::-1]):
        elevation = read_elevation(order)
        assert elevation.shape == (4, 14)
        np.testing.assert_array_equal(whole(elevation)[0], np.hstack([left, right]))
        point = np.array([[-179.875, 9.875]])
        np.testing.assert_allclose(elevation.to_pixel(point), [[8.5, 0.5]], atol=1e-9)


def test_tiles_of_both_longitude_customs_join(tmp_path: Path) -> None:
    """A tile at 275 to 277 degrees east lies beside one at -87 to -85."""
    a = Affine(0.25, 0.0, -87.0, 0.0, -0.25, 10.0)
    b = Affine(0.25, 0.0, 275.0, 0.0, -0.25, 10.0)
    paths = [
        write(tmp_path / "a.tif", ramp(4, 8), transform=a, crs="EPSG:4326"),
        write(tmp_path / "b.tif", ramp(4, 8), transform=b, crs="EPSG:4326"),
    ]
    elevation = read_elevation(paths)
    assert elevation.shape == (4, 16)
    np.testing.assert_array_equal(whole(elevation)[0], np.hstack([ramp(4, 8), ramp(4, 8)]))


# What is refused -------------------------------------------------------------------------------


def refused(kind: type[errors.InputError], source: Any, **choices: Any) -> errors.InputError:
    """Read something that must be refused with exactly this error, and check its remedy."""
    with pytest.raises(errors.InputError) as caught:
        read_elevation(source, **choices)
    assert type(caught.value) is kind
    assert caught.value.remedy
    return caught.value


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    """A path without a file names the path."""
    error = refused(errors.FileMissingError, tmp_path / "none.tif", vertical_unit="m")
    assert "none.tif" in error.problem
    assert error.facts["path"] == str(tmp_path / "none.tif")


def test_a_file_that_vanishes_later_is_named(tmp_path: Path) -> None:
    """A file deleted after it was described is missing when it is read."""
    path = write(tmp_path / "a.tif", ramp())
    elevation = read_elevation(path)
    path.unlink()
    with pytest.raises(errors.FileMissingError, match=r"a\.tif.* is gone"):
        pickle.loads(pickle.dumps(elevation)).read(0, 1, 0, 1)


def test_a_folder_is_refused(tmp_path: Path) -> None:
    """A folder is not a raster."""
    assert "folder" in refused(errors.NotElevationError, tmp_path).problem


def test_a_text_file_is_refused(tmp_path: Path) -> None:
    """A file of another kind is no raster."""
    path = tmp_path / "notes.txt"
    path.write_text("no heights here")
    refused(errors.NotElevationError, path)


def test_a_vector_file_is_refused(tmp_path: Path) -> None:
    """A vector file is called one."""
    path = tmp_path / "rivers.geojson"
    path.write_text('{"type": "FeatureCollection", "features": []}')
    assert "lines" in refused(errors.NotElevationError, path).problem


def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    """A file cut short fails where it is read, with its name and the rows."""
    path = write(tmp_path / "a.tif", ramp(300, 300), compress="deflate")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(errors.NotElevationError, match=r"a\.tif") as caught:
        whole(read_elevation(path))
    assert caught.value.remedy


def test_several_bands_need_a_choice(tmp_path: Path) -> None:
    """Three bands are refused until one is chosen; a band that is not there stays refused."""
    path = write(tmp_path / "a.tif", ramp(), count=3)
    assert refused(errors.NotElevationError, path, vertical_unit="m").facts["bands"] == (1, 2, 3)
    refused(errors.NotElevationError, path, vertical_unit="m", band=4)
    assert read_elevation(path, vertical_unit="m", band=2).shape == (12, 17)


@pytest.mark.parametrize("dtype", ["complex64", "complex128"])
def test_complex_pixels_are_refused(tmp_path: Path, dtype: str) -> None:
    """Complex numbers are no heights, in a file or an array."""
    heights = ramp().astype(dtype)
    refused(errors.NotElevationError, write(tmp_path / "a.tif", heights))
    refused(errors.NotElevationError, heights, crs=UTM, affine=NORTH_UP, vertical_unit="m")


@pytest.mark.parametrize("array", [np.zeros((3, 4, 5)), np.zeros(7), np.zeros((4, 4), dtype=bool)])
def test_arrays_that_are_no_grid_of_numbers_are_refused(array: NDArray[Any]) -> None:
    """Three dimensions, one, or logical values are not heights."""
    refused(errors.NotElevationError, array, crs=UTM, affine=NORTH_UP, vertical_unit="m")


@pytest.mark.parametrize("source", [None, 7, [], ["a.tif", 3]])
def test_sources_of_no_known_kind_are_refused(source: Any) -> None:
    """Only paths, arrays and DataArrays are sources."""
    refused(errors.NotElevationError, source)


def test_a_missing_crs_is_refused(tmp_path: Path) -> None:
    """A file without CRS needs one; given one, it reads."""
    path = write(tmp_path / "a.tif", ramp(), crs=None)
    assert "--crs" in refused(errors.CrsError, path).remedy
    assert read_elevation(path, crs=UTM).shape == (12, 17)
    refused(errors.CrsError, ramp(), affine=NORTH_UP, vertical_unit="m")


def test_an_unreadable_crs_is_refused() -> None:
    """Text that is no CRS is refused with the text."""
    error = refused(errors.CrsError, ramp(), crs="EPSG:no", affine=NORTH_UP, vertical_unit="m")
    assert "EPSG:no" in error.problem


def test_a_contradicted_crs_is_refused(tmp_path: Path) -> None:
    """A CRS beside the one in the file must equal it."""
    path = write(tmp_path / "a.tif", ramp())
    refused(errors.CrsError, path, crs="EPSG:32617")
    assert read_elevation(path, crs=UTM).shape == (12, 17)


def test_an_engineering_crs_is_refused() -> None:
    """A site grid without a place on Earth cannot carry a board."""
    site = (
        'ENGCRS["site",EDATUM["peg"],CS[Cartesian,2],AXIS["x",east],AXIS["y",north],'
        'LENGTHUNIT["metre",1]]'
    )
    error = refused(errors.CrsError, ramp(), crs=site, affine=NORTH_UP, vertical_unit="m")
    assert "site" in error.problem


def test_a_crs_that_does_not_reach_the_raster_is_refused() -> None:
    """Coordinates from which nothing can be carried back to the globe are refused."""
    far = Affine(30.0, 0.0, 1e9, 0.0, -30.0, 1e9)
    laea = "+proj=laea +lat_0=0 +lon_0=0 +datum=WGS84"
    refused(errors.CrsError, ramp(), crs=laea, affine=far, vertical_unit="m")


def test_metres_labelled_as_degrees_are_refused() -> None:
    """UTM coordinates under EPSG:4326 are caught by their size."""
    error = refused(errors.CrsError, ramp(), crs="EPSG:4326", affine=NORTH_UP, vertical_unit="m")
    assert "metres" in error.problem


def test_global_rasters_may_overhang_the_poles_by_half_a_pixel() -> None:
    """A world grid registered at points reaches past 90 degrees by half a pixel, and is fine."""
    world = Affine(0.5, 0.0, -180.0, 0.0, -0.5, 90.0)
    elevation = read_elevation(
        np.zeros((361, 720)),
        crs="EPSG:4326",
        affine=world,
        vertical_unit="m",
        registration="point",
    )
    assert elevation.bounds == (-180.25, -90.25, 179.75, 90.25)


@pytest.mark.parametrize("pixel_deg", [1.0 / 1200.0, 0.25])
def test_degrees_labelled_as_metres_are_refused(pixel_deg: float) -> None:
    """Degrees under a UTM label are caught by pixels too small or a place far off the zone."""
    affine = Affine(pixel_deg, 0.0, -84.0, 0.0, -pixel_deg, 36.0)
    error = refused(errors.CrsError, ramp(), crs=UTM, affine=affine, vertical_unit="m")
    assert "degrees" in error.problem


def test_small_local_grids_are_not_mistaken_for_degrees() -> None:
    """A survey in 5 cm pixels around the origin of its own projection is ground."""
    local = "+proj=tmerc +lat_0=36 +lon_0=-84 +datum=WGS84"
    affine = Affine(0.05, 0.0, -10.0, 0.0, -0.05, 10.0)
    assert read_elevation(ramp(), crs=local, affine=affine, vertical_unit="m").shape == (12, 17)


@pytest.mark.parametrize(("crs", "affine"), [(UTM, NORTH_UP), ("EPSG:4326", DEGREES)])
def test_metres_are_assumed_on_grids_of_metres_and_degrees(
    crs: str, affine: Affine, tmp_path: Path
) -> None:
    """What was assumed travels with the value, and changes neither heights nor digest."""
    path = write(tmp_path / "a.tif", ramp(), unit="", crs=crs, transform=affine)
    source: Any
    choices: dict[str, Any]
    for source, choices in ((path, {}), (ramp(), {"crs": crs, "affine": affine})):
        elevation = read_elevation(source, **choices)
        said = read_elevation(source, **choices, vertical_unit="m")
        assert said.assumed == ()
        assert [words[:17] for words in elevation.assumed] == ["vertical unit = m"]
        assert "--vertical-unit ft" in elevation.assumed[0]
        assert elevation.same_as(said)
        assert pickle.loads(pickle.dumps(elevation)).assumed == elevation.assumed


def test_a_mosaic_says_once_what_was_assumed(tmp_path: Path) -> None:
    """Of two files one does not state its unit."""
    paths = [write(tmp_path / f"{unit}.tif", ramp(), unit=unit) for unit in ("m", "")]
    assert len(read_elevation(paths).assumed) == 1


@pytest.mark.parametrize(
    ("crs", "affine"),
    [("EPSG:2277", Affine(100.0, 0.0, 3.1e6, 0.0, -100.0, 1e7)), ("EPSG:4807", DEGREES)],
    ids=["feet", "grads"],
)
def test_on_other_grids_the_vertical_unit_must_be_said(
    crs: str, affine: Affine, tmp_path: Path
) -> None:
    """Where the map is in feet, heights may be too; the remedy names both ways to say it."""
    path = write(tmp_path / "a.tif", ramp(), unit="", crs=crs, transform=affine)
    error = refused(errors.VerticalUnitError, path)
    assert 'vertical_unit="m"' in error.remedy
    assert "--vertical-unit m" in error.remedy
    assert read_elevation(path, vertical_unit="ft").assumed == ()
    refused(errors.VerticalUnitError, ramp(), crs=crs, affine=affine)


@pytest.mark.parametrize(
    ("affine", "said"),
    [
        (DEGREES, "fit degrees: probably --crs EPSG:4326"),
        (NORTH_UP, "x 500,000 to 500,510, y 3,999,640 to 4,000,000) fit a projected CRS"),
        (Affine(2.0, 0.0, 1000.0, 0.0, -2.0, 3000.0), "fit a local grid"),
    ],
)
def test_all_that_is_missing_is_said_at_once(affine: Affine, said: str, tmp_path: Path) -> None:
    """One message for a missing CRS and unit, with what the numbers of the raster fit."""
    path = write(tmp_path / "a.tif", ramp(), unit="", crs=None, transform=affine)
    error = refused(errors.CrsError, path)
    assert "metres or feet" in error.problem
    assert said in error.remedy
    assert "--vertical-unit ft" in error.remedy
    assert "metres or feet" not in refused(errors.CrsError, path, vertical_unit="m").problem


def test_a_raster_without_any_georeference_is_told_how_to_get_one(tmp_path: Path) -> None:
    """The world file that the remedy describes is one: GDAL places the raster by it."""
    path = tmp_path / "a.png"
    with pytest.warns(NotGeoreferencedWarning):
        write(path, ramp(dtype="uint16"), driver="PNG", unit="", crs=None, transform=None)
    error = refused(errors.CrsError, path)
    assert "nor where its pixels are" in error.problem
    assert "world file" in error.remedy
    assert "--crs" in error.remedy
    (tmp_path / "a.wld").write_text("30\n0\n0\n-30\n500015\n3999985\n")
    assert read_elevation(path, crs=UTM).affine == NORTH_UP


def test_a_contradicted_vertical_unit_is_refused(tmp_path: Path) -> None:
    """Metres given for a file in feet are refused; saying feet again is fine."""
    path = write(tmp_path / "a.tif", ramp(), unit="ft")
    error = refused(errors.VerticalUnitError, path, vertical_unit="m")
    assert "ft" in error.problem
    assert read_elevation(path, vertical_unit="feet").metres_per_unit == 0.3048


def test_a_band_unit_that_contradicts_the_vertical_axis_is_refused(tmp_path: Path) -> None:
    """A band in metres under a height axis in US survey feet (EPSG:6360) contradicts itself."""
    path = write(tmp_path / "a.tif", ramp(), unit="m", crs="EPSG:26916+6360")
    refused(errors.VerticalUnitError, path)


def test_an_unknown_vertical_unit_is_refused(tmp_path: Path) -> None:
    """Unknown units are refused where given; where a file states one, the user's word counts."""
    path = write(tmp_path / "a.tif", ramp(), unit="fathom")
    assert "fathom" in refused(errors.VerticalUnitError, path).problem
    refused(errors.VerticalUnitError, write(tmp_path / "b.tif", ramp()), vertical_unit="smoot")
    with pytest.warns(errors.HexterraWarning, match="fathom"):
        assert read_elevation(path, vertical_unit="m").metres_per_unit == 1.0


@pytest.mark.parametrize(
    "affine",
    [
        Affine(0.0, 0.0, 5e5, 0.0, -30.0, 4e6),
        Affine(30.0, 60.0, 5e5, 10.0, 20.0, 4e6),
        Affine(30.0, 0.0, float("nan"), 0.0, -30.0, 4e6),
    ],
    ids=["zero", "one line", "NaN"],
)
def test_an_affine_without_area_is_refused(affine: Affine) -> None:
    """Pixel size zero, rows along columns, or a term that is no number."""
    refused(errors.NotElevationError, ramp(), crs=UTM, affine=affine, vertical_unit="m")


def test_a_missing_affine_is_refused(tmp_path: Path) -> None:
    """An array, or a file without georeference, needs an affine; a placed file needs none."""
    refused(errors.NotElevationError, ramp(), crs=UTM, vertical_unit="m")
    path = tmp_path / "bare.tif"
    with pytest.warns(NotGeoreferencedWarning):
        write(path, ramp(), transform=Affine.identity(), crs=None)
    refused(errors.NotElevationError, path, crs=UTM)
    assert read_elevation(path, crs=UTM, affine=NORTH_UP).affine == NORTH_UP
    refused(errors.NotElevationError, write(tmp_path / "a.tif", ramp()), affine=NORTH_UP)


@pytest.mark.parametrize("shape", [(1, 1), (1, 9), (9, 1)])
def test_too_few_pixels_are_refused(tmp_path: Path, shape: tuple[int, int]) -> None:
    """One pixel, row or column is no ground."""
    refused(errors.NoHeightsError, write(tmp_path / "a.tif", np.ones(shape)))
    refused(errors.NoHeightsError, np.ones(shape), crs=UTM, affine=NORTH_UP, vertical_unit="m")


@pytest.mark.parametrize(
    "array", [np.full((3, 3), np.nan), np.full((3, 3), -9.0), np.ma.masked_all((3, 3))]
)
def test_an_array_without_a_usable_height_is_refused(array: NDArray[Any]) -> None:
    """NaN, nodata or masks everywhere leave nothing to build."""
    refused(errors.NoHeightsError, array, crs=UTM, affine=NORTH_UP, vertical_unit="m", nodata=-9.0)


def test_rasters_off_each_others_grid_are_refused(tmp_path: Path) -> None:
    """A shift of a tenth of a pixel, another pixel size or another CRS cannot be joined."""
    first = write(tmp_path / "a.tif", ramp())
    shifted = Affine(30.0, 0.0, 5e5 + 303.0, 0.0, -30.0, 4e6)
    coarser = Affine(30.01, 0.0, 5e5, 0.0, -30.0, 4e6)
    second = write(tmp_path / "b.tif", ramp(), transform=shifted)
    error = refused(errors.GridMismatchError, [first, second])
    assert error.facts["off_pixels"] == pytest.approx(0.1)
    third = write(tmp_path / "c.tif", ramp(), transform=coarser)
    refused(errors.GridMismatchError, [first, third])
    fourth = write(tmp_path / "d.tif", ramp(), crs="EPSG:32617")
    refused(errors.GridMismatchError, [first, fourth])


def test_choices_that_mean_nothing_for_a_source_are_refused(tmp_path: Path) -> None:
    """A registration for a file and a band for an array are refused, not ignored."""
    refused(errors.InputError, write(tmp_path / "a.tif", ramp()), registration="point")
    place = {"crs": UTM, "affine": NORTH_UP, "vertical_unit": "m"}
    refused(errors.InputError, ramp(), band=1, **place)
    refused(errors.InputError, ramp(), registration="middle", **place)


def test_data_arrays_that_are_no_grid_are_refused() -> None:
    """Uneven coordinates, unknown dimensions or one pixel along an axis are refused."""
    place = {"crs": UTM, "vertical_unit": "m"}
    uneven = xarray.DataArray(
        ramp(3, 3), dims=("y", "x"), coords={"y": [2.0, 1.0, 0.0], "x": [0.0, 1.0, 5.0]}
    )
    refused(errors.NotElevationError, uneven, **place)
    refused(errors.NotElevationError, xarray.DataArray(ramp(), dims=("a", "b")), **place)
    thin = xarray.DataArray(ramp(3, 1), dims=("y", "x"), coords={"y": [2.0, 1.0, 0.0], "x": [0.0]})
    refused(errors.NoHeightsError, thin, **place)
