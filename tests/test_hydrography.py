"""The waters of a raster as files: rasters, a GeoPackage, and the command that writes them."""

from __future__ import annotations

import inspect
import json
import math
import sqlite3
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pyflwdir
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine
from click.testing import CliRunner, Result
from numpy.typing import NDArray
from pyogrio.errors import DataSourceError
from rasterio.transform import xy

from hexterra import cli
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.errors import OutputError
from hexterra.outputs.hydrography import summarise, write_hydrography
from hexterra.stages.drainage.band_drain import drain_by_bands
from hexterra.stages.drainage.drain import OUTLET, VOID, Drainage, drain, stream_order
from hexterra.stages.drainage.lakes import lakes
from hexterra.stages.drainage.streams import Streams, label_stretches, streams
from tests.raster_grids import rough

SAMPLE = Path(__file__).parent.parent / "sample_data" / "imbleth.tif"
UTM = Affine(30.0, 0.0, 500_000.0, 0.0, -30.0, 4_000_000.0)
PIXEL_KM2 = 0.0009
FILES = [
    "filled.tif", "directions.tif", "accumulation.tif", "order.tif", "streams.gpkg",
    "drainage.json",
]  # fmt: skip


def ground(n: int = 120, affine: Affine = UTM, crs: str = "EPSG:32616") -> Elevation:
    """Lay rough ground with a hole in it on a grid."""
    heights = rough(n, seed=7)
    heights[30:42, 50:61] = np.nan
    return read_elevation(heights, crs=crs, affine=affine, vertical_unit="m", name="rough")


def waters(elevation: Elevation, n_pixels: int = 40) -> Streams:
    """Drain with lakes, and find the streams of so many pixels."""
    drained = drain(elevation, lake_depth_m=1.0, lake_area_m2=0.0)
    return streams(
        drained, threshold_m2=n_pixels * drained.catchment_m2[drained.catchment_m2 > 0].min()
    )


def write(found: Streams, directory: Path, **keywords: Any) -> list[str]:
    """Write streams, and the lakes beside them."""
    return list(write_hydrography(found, lakes(found.drainage), directory, **keywords))


@pytest.fixture(scope="module")
def found() -> Streams:
    """Waters of rough ground."""
    return waters(ground())


@pytest.fixture(scope="module")
def folder(found: Streams, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder they are written to."""
    directory = tmp_path_factory.mktemp("waters") / "out"
    assert write(found, directory, settings={"depressions": "fill"}) == FILES
    return directory


def layer(path: Path, name: str) -> tuple[dict[str, list[Any]], NDArray[Any]]:
    """Read a layer with SQLite alone: columns, and geometries.

    OGC GeoPackage Encoding Standard 1.3, 2.1.3: a geometry is "GP", version, flags, srs_id, an
    envelope of a length that the flags tell, and well-known binary.
    """
    with sqlite3.connect(path) as connection:
        cursor = connection.execute(f'SELECT * FROM "{name}" ORDER BY fid')
        names = [column[0] for column in cursor.description]
        columns = dict(zip(names, map(list, zip(*cursor, strict=True)), strict=True))
    connection.close()
    shapes: list[bytes] = []
    for blob in columns.pop("geom"):
        magic, _, flags = struct.unpack_from("<2sBB", blob)
        assert magic == b"GP"
        n_envelope = {0: 0, 1: 4, 2: 6, 3: 6, 4: 8}[flags >> 1 & 7]
        shapes.append(blob[8 + 8 * n_envelope :])
    return columns, shapely.from_wkb(shapes)


# ---------------------------------------------------------------- rasters


def test_rasters_lie_on_the_pixels_of_the_ground(found: Streams, folder: Path) -> None:
    """Each has the place and reference system of the ground, and what was computed in it."""
    drained = found.drainage
    is_void = drained.direction == VOID
    assert is_void.sum() == 12 * 11
    wanted = {
        "filled.tif": ("float32", math.nan, "surface without depressions, m", "m"),
        "directions.tif": ("uint8", VOID, "flow direction, D8", None),
        "accumulation.tif": ("float64", math.nan, "catchment, m2", "m2"),
        "order.tif": ("uint8", 0, "stream order, Strahler", None),
    }
    stored: dict[str, NDArray[Any]] = {}
    for name, (dtype, nodata, description, unit) in wanted.items():
        with rasterio.open(folder / name) as raster:
            assert (raster.transform, raster.crs.to_epsg()) == (UTM, 32616)
            assert raster.dtypes == (dtype,)
            np.testing.assert_equal(raster.nodata, nodata)
            assert raster.descriptions == (description,)
            assert raster.units == (unit,)
            assert raster.profile["tiled"]
            assert raster.profile["compress"] == "deflate"
            stored[name] = raster.read(1)
    assert np.array_equal(np.isnan(stored["filled.tif"]), is_void)
    assert np.array_equal(stored["filled.tif"][~is_void], drained.surface_m[~is_void])
    assert np.array_equal(stored["directions.tif"], drained.direction)
    assert np.array_equal(np.isnan(stored["accumulation.tif"]), is_void)
    assert np.array_equal(stored["accumulation.tif"][~is_void], drained.catchment_m2[~is_void])
    order = stream_order(drained, threshold_m2=found.threshold_m2)
    assert np.array_equal(stored["order.tif"], order)


def test_pyflwdir_reads_the_directions(found: Streams, folder: Path) -> None:
    """Codes, outlets and voids are commonly written ones: pyflwdir counts the same pixels."""
    with rasterio.open(folder / "directions.tif") as raster:
        direction = raster.read(1)
    assert set(np.unique(direction)) == {0, 1, 2, 4, 8, 16, 32, 64, 128, 247}
    pixels = pyflwdir.from_array(direction, ftype="d8")
    counts = pixels.upstream_area("cell")
    is_ground = found.drainage.direction != VOID
    assert np.array_equal(counts > 0, is_ground)
    assert np.array_equal(counts[is_ground] * 900.0, found.drainage.catchment_m2[is_ground])


# ---------------------------------------------------------------- the GeoPackage


def test_geopackage_is_one(folder: Path) -> None:
    """Its header and contents are those of the standard, read without GDAL.

    OGC GeoPackage Encoding Standard 1.3: 1.1.1.1.1 (application_id "GPKG"), 1.1.3 (gpkg_contents).
    """
    path = folder / "streams.gpkg"
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA application_id").fetchone()[0] == 0x47504B47
        contents = connection.execute(
            "SELECT table_name, data_type, srs_id, last_change FROM gpkg_contents ORDER BY rowid"
        ).fetchall()
        kinds = dict(
            connection.execute("SELECT table_name, geometry_type_name FROM gpkg_geometry_columns")
        )
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
    day = "2000-01-01T00:00:00.000Z"
    names = ["streams", "subcatchments", "catchments", "lakes"]
    assert contents == [(name, "features", 32616, day) for name in names]
    assert kinds == dict.fromkeys(names, "MULTIPOLYGON") | {"streams": "LINESTRING"}


def test_streams_layer(found: Streams, folder: Path) -> None:
    """Lines run through pixel centres, and the columns are those of the stretches."""
    columns, lines = layer(folder / "streams.gpkg", "streams")
    assert columns["id"] == columns["fid"] == list(range(1, found.n_stretches + 1))
    assert columns["downstream_id"] == [
        None if below < 0 else below + 1 for below in found.downstream.tolist()
    ]
    assert None in columns["downstream_id"]
    assert columns["strahler_order"] == found.order.tolist()
    assert columns["catchment_km2"] == (found.catchment_m2 / 1e6).tolist()
    assert columns["from_height_m"] == found.from_height_m.tolist()
    assert columns["to_height_m"] == found.to_height_m.tolist()
    for line, length_m in zip(lines, columns["length_m"], strict=True):
        assert line.length == pytest.approx(length_m, rel=1e-12)
    row, column = found.points.T
    x, y = xy(UTM, row, column)
    assert np.array_equal(shapely.get_coordinates(lines), np.column_stack([x, y]))


def test_lines_join(folder: Path) -> None:
    """Each line ends where the one downstream begins, and following them ends."""
    columns, lines = layer(folder / "streams.gpkg", "streams")
    below = dict(zip(columns["id"], columns["downstream_id"], strict=True))
    of = dict(zip(columns["id"], lines, strict=True))
    for start in below:
        seen = {start}
        here = start
        while (there := below[here]) is not None:
            assert there not in seen
            assert of[here].coords[-1] == of[there].coords[0]
            seen.add(there)
            here = there


def test_catchments_cover_the_ground_once(found: Streams, folder: Path) -> None:
    """A polygon per outlet, as large as it says, all together the ground without its hole."""
    columns, outlines = layer(folder / "streams.gpkg", "catchments")
    n_outlets = np.count_nonzero(found.drainage.direction == OUTLET)
    assert columns["id"] == list(range(1, n_outlets + 1))
    assert shapely.is_valid(outlines).all()
    assert np.allclose(shapely.area(outlines) / 1e6, columns["catchment_km2"], rtol=1e-12)
    assert sum(columns["catchment_km2"]) == pytest.approx((120**2 - 12 * 11) * PIXEL_KM2)
    hole = shapely.box(501_500.0, 3_998_740.0, 501_830.0, 3_999_100.0)
    whole = shapely.box(500_000.0, 3_996_400.0, 503_600.0, 4_000_000.0)
    assert shapely.union_all(outlines).equals(whole - hole)


def test_subcatchments_add_up_to_catchments(found: Streams, folder: Path) -> None:
    """A polygon per stretch; with those above it, it is the catchment of the stretch."""
    columns, outlines = layer(folder / "streams.gpkg", "subcatchments")
    assert shapely.is_valid(outlines).all()
    assert np.allclose(shapely.area(outlines) / 1e6, columns["own_km2"], rtol=1e-12)
    total_km2 = dict(zip(columns["id"], columns["own_km2"], strict=True))
    below = dict(zip(columns["id"], columns["downstream_id"], strict=True))
    for start in below:
        here = start
        while (here := below[here]) is not None:
            total_km2[here] += columns["own_km2"][start - 1]
    assert list(total_km2.values()) == pytest.approx(columns["catchment_km2"])
    lines = layer(folder / "streams.gpkg", "streams")[1]
    for line, outline, last, start in zip(
        lines, outlines, found.last_own, found.point_start[:-1], strict=True
    ):
        own = shapely.points(line.coords[: last - start + 1])
        assert shapely.contains(outline, own).all()
    assert np.unique(label_stretches(found)).tolist() == [0, *columns["id"]]


def test_lakes_layer(found: Streams, folder: Path) -> None:
    """A polygon per lake, as large as it says, at the height of its water."""
    columns, outlines = layer(folder / "streams.gpkg", "lakes")
    assert len(outlines) == summarise(found, lakes(found.drainage)).n_lakes > 5
    assert shapely.is_valid(outlines).all()
    assert np.allclose(shapely.area(outlines) / 1e6, columns["area_km2"], rtol=1e-12)
    n_pixels = np.count_nonzero(found.drainage.is_lake)
    assert sum(columns["area_km2"]) == pytest.approx(n_pixels * PIXEL_KM2)


def test_outer_rings_run_counter_clockwise(folder: Path) -> None:
    """As OGC 06-103r4 (Simple feature access, 6.1.11.1) has it seen from the top."""
    for name in ("subcatchments", "catchments", "lakes"):
        parts = shapely.get_parts(layer(folder / "streams.gpkg", name)[1])
        assert shapely.is_ccw(shapely.get_exterior_ring(parts)).all()


def test_turned_rasters_have_turned_lines(tmp_path: Path) -> None:
    """On a raster turned by 30 degrees, points lie at its pixel centres."""
    affine = Affine.translation(500_000.0, 4_000_000.0) @ Affine.rotation(30.0) @ Affine.scale(30.0)
    found = waters(ground(60, affine))
    write(found, tmp_path / "out")
    _, lines = layer(tmp_path / "out" / "streams.gpkg", "streams")
    row, column = found.points.T
    x, y = xy(affine, row, column)
    assert np.allclose(shapely.get_coordinates(lines), np.column_stack([x, y]), rtol=0, atol=1e-6)
    with rasterio.open(tmp_path / "out" / "filled.tif") as raster:
        assert raster.transform.almost_equals(affine)


def test_geographic_waters_stay_geographic(tmp_path: Path) -> None:
    """Longitude comes first, and areas are those on the ground."""
    affine = Affine(0.001, 0.0, 10.0, 0.0, -0.001, 60.0)
    found = waters(ground(60, affine, "EPSG:4326"))
    write(found, tmp_path / "out")
    columns, outlines = layer(tmp_path / "out" / "streams.gpkg", "catchments")
    assert shapely.total_bounds(outlines).tolist() == pytest.approx([10.0, 59.94, 10.06, 60.0])
    assert sum(columns["catchment_km2"]) == pytest.approx(
        summarise(found, lakes(found.drainage)).ground_km2
    )
    info = pyogrio.read_info(tmp_path / "out" / "streams.gpkg", layer="streams")
    assert info["crs"] == "EPSG:4326"


def test_waters_without_streams_or_lakes(tmp_path: Path) -> None:
    """Layers of streams are there and empty, and there is no layer of lakes."""
    found = streams(drain(ground(60)), threshold_m2=1e12)
    write(found, tmp_path / "out")
    listed = pyogrio.list_layers(tmp_path / "out" / "streams.gpkg")[:, 0].tolist()
    assert listed == ["streams", "subcatchments", "catchments"]
    assert pyogrio.read_info(tmp_path / "out" / "streams.gpkg", layer="streams")["features"] == 0


# ---------------------------------------------------------------- the folder


def contents(directory: Path) -> dict[str, bytes]:
    """Bytes of all files of a folder."""
    return {path.name: path.read_bytes() for path in sorted(directory.iterdir())}


def test_equal_waters_give_equal_bytes(found: Streams, folder: Path, tmp_path: Path) -> None:
    """Written again, later, every byte is the same; GDAL has its own date again."""
    write(found, tmp_path / "out", settings={"depressions": "fill"})
    assert contents(tmp_path / "out") == contents(folder)
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None


def test_document_lists_files_settings_and_numbers(found: Streams, folder: Path) -> None:
    """What was drained how, and what came out, stays with the files."""
    document = json.loads((folder / "drainage.json").read_text())
    assert document["files"] == FILES == [path.name for path in map(Path, FILES)]
    assert document["settings"] == {"depressions": "fill"}
    assert document["summary"] == summarise(found, lakes(found.drainage))._asdict()
    assert document["summary"]["n_pixels"] == 120**2 - 12 * 11
    assert document["summary"]["ground_km2"] == pytest.approx((120**2 - 12 * 11) * PIXEL_KM2)


def test_earlier_waters_are_replaced_and_nothing_else(tmp_path: Path) -> None:
    """A second run takes the place of the first when asked to; a file of the user's stays."""
    out = tmp_path / "out"
    write(waters(ground(60)), out)
    (out / "mine.txt").write_text("mine")
    with pytest.raises(OutputError, match="another drainage"):
        write(waters(ground(50)), out)
    write(waters(ground(50)), out, replace=True)
    assert (out / "mine.txt").read_text() == "mine"
    with rasterio.open(out / "order.tif") as raster:
        assert raster.shape == (50, 50)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_failing_write_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If GDAL cannot write the GeoPackage, no folder appears, and the file is named."""

    def refuse(*_: object) -> None:
        raise DataSourceError("disk is full")

    monkeypatch.setattr("hexterra.outputs.hydrography.write_layers", refuse)
    with pytest.raises(OutputError, match=r"streams\.gpkg.*disk is full") as caught:
        write(waters(ground(60)), tmp_path / "out")
    assert str(caught.value.facts["path"]).endswith("streams.gpkg")
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------- the command


def run(*words: object) -> Result:
    """Run `hexterra drain` with these words; a traceback fails the test."""
    result = CliRunner().invoke(cli.main, ["drain", *map(str, words)], catch_exceptions=False)
    assert "Traceback" not in result.output
    return result


def write_raster(path: Path, *, unit: str | None = "m", **changes: Any) -> Path:
    """Write rough ground of 80 x 80 pixels, voids in a corner, as a GeoTIFF."""
    heights = rough(80, seed=2)
    heights[:9, :9] = -1.0
    profile: dict[str, Any] = {
        "driver": "GTiff", "height": 80, "width": 80, "count": 1, "dtype": "float32",
        "crs": "EPSG:32616", "transform": UTM, "nodata": -1.0,
    }  # fmt: skip
    with rasterio.open(path, "w", **{**profile, **changes}) as raster:
        raster.write(heights, 1)
        if unit is not None:
            raster.units = (unit,)
    return path


def test_drain_the_sample(tmp_path: Path) -> None:
    """The files are there, and the numbers are told: 500 x 360 pixels of 625 m2 are 112.5 km2.

    1/1000 of that is 0.1125 km2; 0.1 and 0.125 are round, and 0.125 is nearer by ratio.
    """
    result = run(SAMPLE, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(FILES)
    for said in ("180,000 pixels, 112.5 km2", "1,716", "0.125 km2", "flood", *FILES):
        assert said in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_options_reach_the_stage(tmp_path: Path) -> None:
    """What is asked for is what `drain` and `streams` give with it."""
    path = write_raster(tmp_path / "ground.tif")
    asked = (
        "--depressions", "breach then fill", "--breach-length-pixels", 5, "--breach-depth-m", 2,
        "--lake-depth-m", 3, "--lake-area-km2", 0.004, "--sea-level-m", 100,
        "--threshold-km2", 0.05,
    )  # fmt: skip
    assert run(path, *asked, "--out", tmp_path / "one").exit_code == 0
    drained = drain(
        read_elevation(path), breach_length_pixels=5, breach_depth_m=2.0, lake_depth_m=3.0,
        lake_area_m2=4000.0, sea_level_m=100.0,
    )  # fmt: skip
    assert drained.is_lake.any()
    write(streams(drained, threshold_m2=50_000.0), tmp_path / "two")
    one, two = contents(tmp_path / "one"), contents(tmp_path / "two")
    settings = json.loads(one.pop("drainage.json"))["settings"]
    two.pop("drainage.json")
    assert one == two
    assert settings["lake_area_m2"] == 4000.0
    assert settings["sea_level_m"] == 100.0


def test_defaults_are_those_of_the_stage() -> None:
    """An option left out is the same as a keyword left out."""
    options = cli.main.commands["drain"].make_context("drain", ["ground.tif"]).params
    for name, keyword in inspect.signature(drain).parameters.items():
        if name in options:
            assert options[name] == keyword.default, name
    assert options["lake_area_km2"] is None
    assert inspect.signature(drain).parameters["lake_area_m2"].default is None


@pytest.mark.parametrize(
    "options",
    [
        ("--depressions", "fill"),
        (),
        ("--lake-depth-m", "2", "--lake-area-km2", "0.004", "--sea-level-m", "100"),
    ],
    ids=["fill", "breach", "breach, lakes and sea"],
)
def test_what_does_not_fit_into_memory_is_drained_by_bands(
    options: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The answer is the same to the byte, and what was kept on disk meanwhile is gone."""
    calls: list[Path] = []

    def watched(elevation: Elevation, folder: Path, **keywords: Any) -> Drainage:
        calls.append(folder)
        return drain_by_bands(elevation, folder, band_rows=7, **keywords)

    monkeypatch.setattr("hexterra.stages.drainage.band_drain.drain_by_bands", watched)
    path = write_raster(tmp_path / "ground.tif")
    assert run(path, *options, "--out", tmp_path / "whole").exit_code == 0
    assert not calls
    short_of_memory(monkeypatch)
    assert run(path, *options, "--out", tmp_path / "bands").exit_code == 0
    assert len(calls) == 1
    assert contents(tmp_path / "whole") == contents(tmp_path / "bands")
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["bands", "ground.tif", "whole"]


def short_of_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let there be memory for bands, but not for the small raster of these tests in one piece."""
    monkeypatch.setattr("hexterra.memory.free_bytes", lambda: 50_000_000)
    monkeypatch.setattr("hexterra.commands.ground_commands._BANDS_BYTES", 0)


def test_no_room_for_bands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nothing can be kept beside the output, that is an error of output."""

    def refuse(**_: object) -> None:
        raise OSError(28, "No space left on device")

    path = write_raster(tmp_path / "ground.tif")
    short_of_memory(monkeypatch)
    monkeypatch.setattr("tempfile.TemporaryDirectory", refuse)
    result = run(path, "--depressions", "fill", "--out", tmp_path / "out")
    assert result.exit_code == 40
    assert "No space left" in result.output


def test_bad_rasters(tmp_path: Path) -> None:
    """A file that is missing or may be in feet ends with its own code and a remedy."""
    feet = Affine(100.0, 0.0, 3.1e6, 0.0, -100.0, 1e7)
    unitless = write_raster(tmp_path / "feet.tif", unit=None, crs="EPSG:2277", transform=feet)
    for path, code, said in (
        (tmp_path / "missing.tif", 11, "missing.tif"),
        (unitless, 14, "--vertical-unit"),
    ):
        result = run(path, "--out", tmp_path / "out")
        assert (result.exit_code, said in result.output) == (code, True), result.output
        assert "To fix it:" in result.output
        assert not (tmp_path / "out").exists()
    assert run(unitless, "--vertical-unit", "m", "--out", tmp_path / "out").exit_code == 0


@pytest.mark.parametrize(
    ("options", "code", "said"),
    [
        (("--threshold-km2", "0"), 20, "threshold_km2"),
        (("--threshold-km2", "nan"), 20, "threshold_km2"),
        (("--lake-depth-m", "2"), 20, "least area of a lake"),
        (("--breach-depth-m", "-1"), 20, "breach_depth_m"),
        (("--breach-length-pixels", "100000"), 20, "breach_length_pixels"),
        (("--sea-level-m", "9000"), 15, "usable"),
        (("--band", "2"), 12, "band"),
        (("--depressions", "melt"), 2, "melt"),
        (("--threshold-km2", "much"), 2, "much"),
    ],
)
def test_bad_options(options: tuple[str, str], code: int, said: str, tmp_path: Path) -> None:
    """Each is answered by name, and no folder appears."""
    path = write_raster(tmp_path / "ground.tif")
    result = run(path, *options, "--out", tmp_path / "out")
    assert result.exit_code == code, result.output
    assert said in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["ground.tif"]


def test_a_folder_in_the_way(tmp_path: Path) -> None:
    """A file, or a folder of other things, a plan among them, is left as it is."""
    path = write_raster(tmp_path / "ground.tif")
    (tmp_path / "file").write_text("mine")
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan" / "plan.json").write_text('{"format": "hexterra plan", "files": []}')
    for name, said in (("file", "is a file"), ("plan", "holds no earlier drainage")):
        result = run(path, "--out", tmp_path / name)
        assert result.exit_code == 40
        assert said in result.output
        assert "draining" not in result.output
    assert (tmp_path / "file").read_text() == "mine"
    assert [path.name for path in (tmp_path / "plan").iterdir()] == ["plan.json"]
