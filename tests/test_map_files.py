"""Files of maps through a whole plan, as a user meets them: good ones, and bad ones answered.

The raster is 4 x 3 km of UTM zone 31 N; the board lies in its middle.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from pyproj import Transformer

from tests.command_line import run, write_raster
from tests.vector_files import ROAD, UTM, WOOD, X, Y, write

BOW = shapely.Polygon(
    [(X - 500.0, Y - 500.0), (X + 500.0, Y + 500.0), (X + 500.0, Y - 500.0), (X - 500.0, Y + 500.0)]
)


def in_degrees(shape: Any) -> Any:
    """Carry a geometry to longitude and latitude."""
    to_degrees: Any = Transformer.from_crs(UTM, "EPSG:4326", always_xy=True)
    return shapely.transform(shape, to_degrees.transform, interleaved=False)


@pytest.fixture(scope="module")
def slope(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give ground that falls to the north-east."""
    row, column = np.mgrid[0:75, 0:100]
    height = (4.0 * row - 2.0 * column + 300.0).astype(np.float32)
    transform = Affine(40.0, 0.0, 500_000.0, 0.0, -40.0, 5_000_000.0)
    folder = tmp_path_factory.mktemp("ground")
    return write_raster(folder / "slope.tif", height, transform=transform)


def plan(slope: Path, folder: Path, **asked: str) -> tuple[int, str]:
    """Plan 6 x 5 cells with a map; give the exit code and all that was said, without line ends."""
    settings = {"board.columns": "6", "board.rows": "5", "fit.effort": '"instant"'} | {
        key.replace("__", "."): value for key, value in asked.items()
    }
    words = [word for key, value in settings.items() for word in ("--set", f"{key}={value}")]
    result = run("plan", slope, "--out", folder / "plan", *words)
    return result.exit_code, " ".join(result.output.split())


# Files that work --------------------------------------------------------------------------------


def test_a_sunken_kind_that_no_road_is_of_is_told(slope: Path, tmp_path: Path) -> None:
    """A slip of the pen would else leave the road lying on the tops, without a word."""
    road = write(tmp_path / "road.gpkg", [ROAD], crs=UTM, geometry_type="LineString")
    asked = {"roads__file": f'"{road}"', "roads__kind": '"track"'}
    code, said = plan(slope, tmp_path, **asked, roads__sunken='["trak"]')
    assert code == 0, said
    assert "roads.sunken names 'trak', and no line on the board is of that kind" in said
    assert "they are 'track'" in said
    assert "roads.sunken names" not in plan(slope, tmp_path, **asked, roads__sunken='["track"]')[1]


@pytest.mark.parametrize("suffix", [".gpkg", ".geojson", ".shp"])
def test_every_format_gives_the_same_plan(suffix: str, slope: Path, tmp_path: Path) -> None:
    """A road and a wood from each format lie in the same cells as from the others."""
    is_json = suffix == ".geojson"
    crs = "EPSG:4326" if is_json else UTM
    found: list[str] = []
    for name, kind in (("mine", suffix), ("other", ".gpkg")):
        folder = tmp_path / name
        folder.mkdir()
        shapes = [in_degrees(shape) if kind == ".geojson" else shape for shape in (ROAD, WOOD)]
        held = crs if name == "mine" else UTM
        road = write(folder / f"road{kind}", shapes[:1], crs=held, geometry_type="LineString")
        wood = write(folder / f"wood{kind}", shapes[1:], crs=held, geometry_type="Polygon")
        code, said = plan(
            slope, folder, roads__file=f'"{road}"', roads__kind='"road"',
            areas__file=f'"{wood}"', areas__kind='"wood"',
        )  # fmt: skip
        assert code == 0, said
        found.append((folder / "plan" / "tiles.csv").read_text(encoding="utf-8"))
        assert run("verify", folder / "plan").exit_code == 0
    assert "road" in found[0]
    assert "wood" in found[0]
    if not is_json:  # degrees are rounded, and so may be the fourth decimal of a share
        assert found[0] == found[1]
    without_share = [[line.rsplit(",", 1)[0] for line in text.splitlines()] for text in found]
    assert without_share[0] == without_share[1]


def test_heights_of_a_map_are_dropped_and_told(slope: Path, tmp_path: Path) -> None:
    """A line in three dimensions is a line, and the plan says what it did with its heights."""
    line = shapely.LineString([(X - 1000.0, Y - 200.0, 5.0), (X + 1000.0, Y + 300.0, 7.0)])
    file = write(tmp_path / "road.gpkg", [line], crs=UTM)
    code, said = plan(slope, tmp_path, roads__file=f'"{file}"', roads__kind='"road"')
    assert code == 0
    assert "Heights (or measures) of coordinates are not used" in said


def test_a_given_crs_is_used_for_a_file_without_one(slope: Path, tmp_path: Path) -> None:
    """The remedy that the refusal names is one."""
    file = write(tmp_path / "road.shp", [ROAD], crs=None, geometry_type="LineString")
    asked = {"roads__file": f'"{file}"', "roads__kind": '"road"'}
    code, said = plan(slope, tmp_path, **asked)
    assert code == 13
    assert "'road.shp' does not state its coordinate reference system" in said
    assert "in the brief the key crs for a map" in said
    code, said = plan(slope, tmp_path, **asked, roads__crs=f'"{UTM}"')
    assert code == 0, said


# Files that do not ------------------------------------------------------------------------------

BAD: dict[str, tuple[str, dict[str, Any], int, tuple[str, ...]]] = {
    "metres in GeoJSON": (
        "x.geojson", {"shapes": [ROAD]}, 13, ("look like metres of a projected CRS", "RFC 7946"),
    ),
    "degrees labelled as metres": (
        "x.gpkg", {"shapes": [in_degrees(ROAD)], "crs": UTM}, 13, ("these are degrees",),
    ),
    "the zone of another place": (
        "x.gpkg", {"shapes": [ROAD], "crs": "EPSG:32633"}, 19,
        ("nothing of 'x.gpkg' lies on the board", "lie in longitude 15."),
    ),
    "no features, GeoPackage": (
        "x.gpkg", {"shapes": [], "crs": UTM, "geometry_type": "LineString"}, 19,
        ("'x.gpkg' holds no lines",),
    ),
    "no features, GeoJSON": (
        "x.geojson", {"shapes": [], "geometry_type": "LineString"}, 19,
        ("'x.geojson' holds no lines",),
    ),
    "no features, Shapefile": (
        "x.shp", {"shapes": [], "crs": UTM, "geometry_type": "LineString"}, 19,
        ("'x.shp' holds no lines",),
    ),
    "lines and areas": (
        "x.gpkg", {"shapes": [ROAD, WOOD], "crs": UTM}, 19,
        ("holds areas (1) and lines (1) where only lines can be used", "kind_field and kinds"),
    ),
    "areas only": (
        "x.gpkg", {"shapes": [WOOD], "crs": UTM}, 19, ("holds areas (1) where only lines",),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_bad_lines(case: str, slope: Path, tmp_path: Path) -> None:
    """A file of roads that cannot be used ends the plan with its code, a remedy, and no folder."""
    name, what, code, expected = BAD[case]
    file = write(tmp_path / name, **what)
    found, said = plan(slope, tmp_path, roads__file=f'"{file}"', roads__kind='"road"')
    assert found == code, said
    for words in expected:
        assert words in said
    assert "To fix it:" in said
    assert not (tmp_path / "plan").exists()


@pytest.mark.parametrize(
    ("shape", "crs", "expected"),
    [
        (BOW, UTM, f"the outline of feature 1 of 'x.gpkg' is broken: Self-intersection at {X:.0f}"),
        (
            shapely.Polygon([(179.0, 45.0), (-179.0, 45.0), (-179.0, 46.0), (179.0, 46.0)]),
            "EPSG:4326",
            "jumps from longitude 179.0000 to -179.0000 degrees",
        ),
        (ROAD, UTM, "holds lines (1) where only areas can be used"),
    ],
)
def test_bad_areas(shape: Any, crs: str, expected: str, slope: Path, tmp_path: Path) -> None:
    """So does a file of areas: self-crossing, over the antimeridian, or of lines."""
    file = write(tmp_path / "x.gpkg", [shape], crs=crs)
    code, said = plan(slope, tmp_path, areas__file=f'"{file}"', areas__kind='"wood"')
    assert code == 19, said
    assert expected in said
    assert "To fix it:" in said
    assert not (tmp_path / "plan").exists()


def test_kinds_that_are_not_there(slope: Path, tmp_path: Path) -> None:
    """A misspelt kind is answered by those there are, not by where they lie."""
    file = write(tmp_path / "x.gpkg", [ROAD], crs=UTM, fields={"class": ["lane"]})
    code, said = plan(
        slope, tmp_path, roads__file=f'"{file}"', roads__kind_field='"class"',
        roads__kinds='{lene = "lane"}',
    )  # fmt: skip
    assert code == 19
    assert "holds no lines whose 'class' is one of 'lene'; there it is 'lane'" in said


@pytest.mark.parametrize(
    ("file", "code", "expected"),
    [
        ("absent.gpkg", 11, "there is no file"),
        ("text.gpkg", 19, "cannot be read as lines or areas"),
    ],
)
def test_files_that_are_none(
    file: str, code: int, expected: str, slope: Path, tmp_path: Path
) -> None:
    """A missing file and a text are told apart."""
    (tmp_path / "text.gpkg").write_text("no roads here", encoding="utf-8")
    found, said = plan(slope, tmp_path, roads__file=f'"{tmp_path / file}"', roads__kind='"road"')
    assert found == code
    assert expected in said


# Land cover -------------------------------------------------------------------------------------


def write_classes(path: Path, **changes: Any) -> Path:
    """Write classes in pixels of 100 m: 1 to the left of the middle, 2 to the right."""
    classes = np.full((30, 40), 2, dtype=np.uint8)
    classes[:, :20] = 1
    profile: dict[str, Any] = {
        "driver": "GTiff", "height": 30, "width": 40, "count": 1, "dtype": "uint8", "crs": UTM,
        "transform": Affine(100.0, 0.0, 500_000.0, 0.0, -100.0, 5_000_000.0),
    } | changes  # fmt: skip
    with rasterio.open(path, "w", **profile) as dataset:
        dataset.write(classes, 1)
    return path


def test_land_cover_is_shared_by_area(slope: Path, tmp_path: Path) -> None:
    """Whole cells to the left of the middle are all wood, and those to the right have none."""
    file = write_classes(tmp_path / "classes.tif")
    code, said = plan(
        slope, tmp_path, land_cover__file=f'"{file}"', land_cover__classes='{1 = "wood"}'
    )
    assert code == 0, said
    with (tmp_path / "plan" / "tiles.csv").open(encoding="utf-8", newline="") as table:
        held = list(csv.DictReader(table))
    x_mm = sorted({float(row["x_mm"]) for row in held})
    middle_mm = (x_mm[0] + x_mm[-1]) / 2.0
    for row in held:
        off_mm = float(row["x_mm"]) - middle_mm
        if abs(off_mm) > 60.0:  # of 100 mm across flats, and the grid turned by less than 10 mm
            assert (row["cover"], row["cover_share"]) == (
                ("wood", "1.0000") if off_mm < 0 else ("", "")
            )
    assert run("verify", tmp_path / "plan").exit_code == 0


def test_classes_that_are_nowhere_are_told(slope: Path, tmp_path: Path) -> None:
    """A class that no pixel has is no mistake, but is noted."""
    file = write_classes(tmp_path / "classes.tif")
    code, said = plan(
        slope, tmp_path, land_cover__file=f'"{file}"', land_cover__classes='{9 = "moss"}'
    )
    assert code == 0
    assert "No cell has any moss in 'classes'." in said


@pytest.mark.parametrize(
    ("changes", "setting", "code", "expected"),
    [
        ({"crs": None}, {}, 13, "in the brief the key crs for a map"),
        (
            {"transform": Affine(100.0, 0.0, 700_000.0, 0.0, -100.0, 5_000_000.0)},
            {},
            17,
            "the board lies off the raster 'classes'",
        ),
        ({}, {"land_cover__band": "3"}, 12, "no band 3"),
    ],
)
def test_bad_land_cover(
    changes: dict[str, Any],
    setting: dict[str, str],
    code: int,
    expected: str,
    slope: Path,
    tmp_path: Path,
) -> None:
    """A raster of classes that cannot be used ends the plan, too."""
    file = write_classes(tmp_path / "classes.tif", **changes)
    found, said = plan(
        slope, tmp_path, land_cover__file=f'"{file}"', land_cover__classes='{1 = "wood"}', **setting
    )
    assert found == code, said
    assert expected in said
    assert not (tmp_path / "plan").exists()
