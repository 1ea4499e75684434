"""Vector files: written by pyogrio, read back, and every way a file can be wrong."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from hexterra.errors import CrsError, FileMissingError, VectorError
from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.vectors.features import Features, read_areas, read_lines
from tests.vector_files import write

LON, LAT = 9.0, 46.0


def write_geojson(path: Path, *geometries: object) -> Path:
    """Write bare GeoJSON by hand."""
    features = [
        {"type": "Feature", "properties": {}, "geometry": geometry} for geometry in geometries
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


ROAD = shapely.LineString([(LON, LAT), (LON + 0.01, LAT + 0.01)])
LANE = shapely.LineString([(LON, LAT), (LON - 0.01, LAT)])
WOOD = shapely.box(LON, LAT, LON + 0.01, LAT + 0.01)


@pytest.mark.parametrize("suffix", [".gpkg", ".geojson", ".shp"])
def test_lines_come_back_from_each_format(tmp_path: Path, suffix: str) -> None:
    """What was written is read: geometry, kinds, names, numbers in the file, and CRS."""
    path = write(
        tmp_path / f"map{suffix}",
        [ROAD, LANE],
        fields={"class": ["road", "lane"], "label": ["Broad Way", None]},
        geometry_type="LineString",
    )
    features = read_lines(path, kind_field="class", name_field="label")
    assert features.form == "lines"
    assert features.kind == ("road", "lane")
    assert features.name == ("Broad Way", "")
    assert features.n_features == len(set(features.number)) == 2
    assert "WGS 84" in features.crs
    assert features.notes == ()
    assert all(shapely.equals_exact(features.geometries(), [ROAD, LANE], tolerance=1e-9))
    assert features.title(0) == "road 'Broad Way'"


def test_kinds_select_and_rename(tmp_path: Path) -> None:
    """Only the values asked for are taken, under new names, and the rest is counted."""
    path = write(tmp_path / "map.gpkg", [ROAD, LANE, ROAD], fields={"c": ["A", "B", None]})
    features = read_lines(path, kind_field="c", kinds={"A": "road"})
    assert features.kind == ("road",)
    assert "2 of the features" in features.notes[0]
    assert "'B'" in features.notes[0]
    everything = read_lines(path, kind_field="c")
    assert everything.kind == ("A", "B")


def test_projected_areas_keep_their_frame(tmp_path: Path) -> None:
    """Areas in metres stay in their own CRS."""
    path = write(tmp_path / "woods.gpkg", [shapely.box(5e5, 5e6, 6e5, 5.1e6)], crs="EPSG:32632")
    features = read_areas(path, kind="wood")
    assert "UTM zone 32N" in features.crs
    assert features.geometries()[0].area == pytest.approx(1e10)


def test_same_content_has_the_same_digest(tmp_path: Path) -> None:
    """Reading twice gives the same value; another kind gives another."""
    path = write(tmp_path / "map.gpkg", [ROAD])
    assert read_lines(path, kind="road").same_as(read_lines(path, kind="road"))
    assert not read_lines(path, kind="road").same_as(read_lines(path, kind="lane"))


def test_heights_of_coordinates_are_dropped_and_noted(tmp_path: Path) -> None:
    """Three-dimensional lines come back flat."""
    path = write(tmp_path / "map.geojson", [shapely.LineString([(9, 46, 5), (9.1, 46, 7)])])
    features = read_lines(path, kind="road")
    assert not shapely.has_z(features.geometries()).any()
    assert shapely.get_coordinates(features.geometries()).tolist() == [[9, 46], [9.1, 46]]
    assert "not used; 1 of the features" in features.notes[0]


def test_features_without_geometry_are_left_out_and_noted(tmp_path: Path) -> None:
    """A null geometry is no line, and no reason to refuse the others."""
    path = write(tmp_path / "map.gpkg", [None, ROAD], geometry_type="LineString")
    features = read_lines(path, kind="road")
    assert features.n_features == 1
    assert "1 of the features" in features.notes[0]


def test_only_what_is_around_the_board_is_read(tmp_path: Path) -> None:
    """Features elsewhere are passed over, broken ones among them."""
    broken = shapely.Polygon([(100, 0), (101, 1), (101, 0), (100, 1)])
    path = write(tmp_path / "map.gpkg", [broken, WOOD], geometry_type="Polygon")
    board = Board(4, 4, 50.0, "points", "straight", 20_000.0, LON, LAT)
    features = read_areas(path, kind="wood", around=board)
    assert features.n_features == 1
    assert shapely.equals(features.geometries()[0], WOOD)
    with pytest.raises(VectorError, match="broken"):
        read_areas(path, kind="wood")


def test_both_sides_of_the_antimeridian_are_around_a_board_on_it(tmp_path: Path) -> None:
    """A line cut at the antimeridian, as RFC 7946 section 3.1.9 asks for, is read whole."""
    halves = shapely.MultiLineString([[(179.9, 5), (180, 5)], [(-180, 5), (-179.9, 5)]])
    west = shapely.LineString([(-179.99, 5), (-179.9, 5.01)])
    path = write(tmp_path / "map.geojson", [halves, west, ROAD])
    board = Board(8, 8, 50.0, "points", "straight", 20_000.0, 180.0, 5.0)
    assert read_lines(path, kind="road", around=board).n_features == 2
    globe = Globe.covering((179.9, 4.9, -179.9, 5.1), 6)
    assert read_lines(path, kind="road", around=globe).n_features == 2


def test_missing_file(tmp_path: Path) -> None:
    """A file that is not there is missing."""
    with pytest.raises(FileMissingError, match=r"nowhere\.gpkg"):
        read_lines(tmp_path / "nowhere.gpkg", kind="road")


@pytest.mark.parametrize(
    ("name", "content"),
    [("map.gpkg", b"no database"), ("map.geojson", b'{"type": "FeatureCollection", "feat')],
)
def test_not_a_vector_file(tmp_path: Path, name: str, content: bytes) -> None:
    """Other and damaged files are refused by name."""
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(VectorError, match="cannot be read as lines or areas"):
        read_lines(path, kind="road")


def test_raster_is_no_vector_file(jacksboro_file: Path) -> None:
    """An elevation raster holds no lines."""
    with pytest.raises(VectorError, match="cannot be read as lines or areas"):
        read_lines(jacksboro_file, kind="road")


def test_table_without_geometry(tmp_path: Path) -> None:
    """A table has rows, but no place."""
    path = tmp_path / "table.csv"
    path.write_text("a,b\n1,2\n")
    with pytest.raises(VectorError, match="tables, but no lines or areas"):
        read_lines(path, kind="road", trust_sources=True)


@pytest.mark.parametrize("suffix", [".gpkg", ".shp"])
def test_file_without_crs(tmp_path: Path, suffix: str) -> None:
    """A CRS is never guessed, and is taken when it is given."""
    path = write(tmp_path / f"map{suffix}", [ROAD], crs=None, geometry_type="LineString")
    with pytest.raises(CrsError, match="does not state"):
        read_lines(path, kind="road")
    assert "WGS 84" in read_lines(path, kind="road", crs="EPSG:4326").crs


def test_given_crs_contradicts_the_file(tmp_path: Path) -> None:
    """GeoJSON is in WGS 84 degrees (RFC 7946, section 4), whatever is said of it."""
    path = write(tmp_path / "map.geojson", [ROAD])
    with pytest.raises(CrsError, match="was given"):
        read_lines(path, kind="road", crs="EPSG:32632")


def test_metres_in_geojson(tmp_path: Path) -> None:
    """Metres in a file of degrees are told apart from degrees."""
    line = {"type": "LineString", "coordinates": [[500_000, 5_000_000], [500_100, 5_000_000]]}
    path = write_geojson(tmp_path / "map.geojson", line)
    with pytest.raises(CrsError, match="look like metres"):
        read_lines(path, kind="road")


def test_degrees_labelled_as_metres(tmp_path: Path) -> None:
    """Degrees in a file of metres would all lie at the origin, where the CRS is not used."""
    path = write(tmp_path / "map.gpkg", [ROAD], crs="EPSG:32632")
    with pytest.raises(CrsError, match="these are degrees"):
        read_lines(path, kind="road")


def test_crs_without_a_place(tmp_path: Path) -> None:
    """A local engineering frame has no place on a map."""
    local = 'ENGCRS["site",EDATUM["site"],CS[Cartesian,2],AXIS["x",east],AXIS["y",north],LENGTHUNIT["metre",1]]'  # noqa: E501
    path = write(tmp_path / "map.gpkg", [ROAD], crs=None)
    with pytest.raises(CrsError, match="no place on a map"):
        read_lines(path, kind="road", crs=local)


def test_no_features_at_all(tmp_path: Path) -> None:
    """An empty file is said to be empty."""
    path = write_geojson(tmp_path / "map.geojson")
    with pytest.raises(VectorError, match="holds no lines"):
        read_lines(path, kind="road")


def test_no_features_of_the_kinds(tmp_path: Path) -> None:
    """A file without any of the kinds asked for is said to be without them."""
    path = write(tmp_path / "map.gpkg", [ROAD], fields={"c": ["A"]})
    with pytest.raises(VectorError, match="whose 'c' is one of 'Z'"):
        read_lines(path, kind_field="c", kinds={"Z": "road"})


def test_nothing_around_the_board(tmp_path: Path) -> None:
    """Both places are named in degrees."""
    path = write(tmp_path / "map.gpkg", [ROAD])
    board = Board(4, 4, 50.0, "points", "straight", 20_000.0, 20.0, 10.0)
    with pytest.raises(VectorError, match=r"longitude 9\.0000 to 9\.0100") as caught:
        read_lines(path, kind="road", around=board)
    assert "longitude 19.9" in str(caught.value)


def test_mixed_types(tmp_path: Path) -> None:
    """Lines and areas in one file are counted, and can be told apart by their kinds."""
    path = write(tmp_path / "map.gpkg", [ROAD, WOOD, WOOD], fields={"c": ["r", "w", "w"]})
    with pytest.raises(VectorError, match=r"areas \(2\) and lines \(1\)"):
        read_lines(path, kind_field="c")
    assert read_lines(path, kind_field="c", kinds={"r": "road"}).n_features == 1
    assert read_areas(path, kind_field="c", kinds={"w": "wood"}).n_features == 2


@pytest.mark.parametrize(
    "shape", [shapely.Point(9, 46), shapely.GeometryCollection([ROAD, WOOD]), WOOD]
)
def test_other_shapes_than_lines(tmp_path: Path, shape: object) -> None:
    """Points, areas and collections are no lines."""
    path = write(tmp_path / "map.gpkg", [shape])
    with pytest.raises(VectorError, match="where only lines can be used"):
        read_lines(path, kind="road")


def test_self_crossing_outline(tmp_path: Path) -> None:
    """A bow tie is refused with the place where it crosses: (9.5, 46.5) by symmetry."""
    bow = shapely.Polygon([(9, 46), (10, 47), (10, 46), (9, 47)])
    path = write(tmp_path / "map.gpkg", [WOOD, bow])
    with pytest.raises(VectorError, match=r"at 9\.5 46\.5") as caught:
        read_areas(path, kind="wood")
    assert caught.value.facts["features"] == (2,)


def test_self_crossing_line_is_a_line(tmp_path: Path) -> None:
    """A road may cross itself."""
    loop = shapely.LineString([(9, 46), (9.1, 46.1), (9.1, 46), (9, 46.1)])
    assert read_lines(write(tmp_path / "map.gpkg", [loop]), kind="road").n_features == 1


def test_outline_of_two_points(tmp_path: Path) -> None:
    """A ring that is too short to be one is refused by its number."""
    ring = {"type": "Polygon", "coordinates": [[[9, 46], [10, 46], [9, 46]]]}
    path = write_geojson(tmp_path / "map.geojson", ring)
    with pytest.raises(VectorError, match="feature 0"):
        read_areas(path, kind="wood")


@pytest.mark.filterwarnings("ignore:invalid value encountered")
def test_coordinates_that_are_no_numbers(tmp_path: Path) -> None:
    """NaN has no place."""
    nan = shapely.LineString([(9, 46), (9.1, np.nan)])
    path = write(tmp_path / "map.gpkg", [ROAD, nan], geometry_type="LineString")
    with pytest.raises(VectorError, match=r"feature 2 .* no number"):
        read_lines(path, kind="road")


@pytest.mark.parametrize("shape", ["lines", "areas"])
def test_jump_across_the_antimeridian(tmp_path: Path, shape: str) -> None:
    """A piece from 179 to -179 degrees is refused, whichever way round was meant."""
    points = [(179.0, 5.0), (-179.0, 5.0), (-179.0, 6.0)]
    held = shapely.LineString(points) if shape == "lines" else shapely.Polygon(points)
    path = write(tmp_path / "map.geojson", [held])
    read = read_lines if shape == "lines" else read_areas
    with pytest.raises(VectorError, match=r"from longitude 179\.0000 to -179\.0000"):
        read(path, kind="road")


def test_several_layers(tmp_path: Path) -> None:
    """Which layer to read must be said, and be one there is."""
    path = write(tmp_path / "map.gpkg", [ROAD], layer="roads")
    write(path, [LANE], layer="lanes", append=True)
    with pytest.raises(VectorError, match="'roads', 'lanes'"):
        read_lines(path, kind="road")
    with pytest.raises(VectorError, match="no layer 'rivers'"):
        read_lines(path, kind="road", layer="rivers")
    assert shapely.equals(read_lines(path, kind="lane", layer="lanes").geometries()[0], LANE)


def test_unknown_field(tmp_path: Path) -> None:
    """A field that is not there is answered with those that are."""
    path = write(tmp_path / "map.gpkg", [ROAD], fields={"class": ["road"]})
    with pytest.raises(VectorError, match="its fields are 'class'"):
        read_lines(path, kind="road", name_field="label")


@pytest.mark.parametrize("said", [{}, {"kind": "road", "kind_field": "c"}])
def test_kind_must_be_said_once(tmp_path: Path, said: dict[str, Any]) -> None:
    """What features are is said for all, or by a field, not both."""
    path = write(tmp_path / "map.gpkg", [ROAD], fields={"c": ["road"]})
    with pytest.raises(VectorError, match="in one way"):
        read_lines(path, **said)


def test_features_have_columns_of_one_length() -> None:
    """A programming error, not a user's."""
    with pytest.raises(ValueError, match="lengths"):
        Features("lines", "EPSG:4326", ("road",), (), (1,), (b"",))
