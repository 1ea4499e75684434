"""`hexterra.outputs` and `hexterra.plan.tables`: what is written, and that it is written whole."""

from __future__ import annotations

import csv
import itertools
import json
import os
import re
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import Geod, Transformer
from shapely import MultiPoint, Point, Polygon
from shapely.geometry import shape

from hexterra.brief.brief import Brief, read_brief
from hexterra.catalogue.tops import facets
from hexterra.csvfile import csv_text, fixed
from hexterra.drawing.board_map import map_svg
from hexterra.errors import OutputError
from hexterra.fidelity.built_surface import (
    MAX_ACROSS,
    NODATA,
    SurfaceGrid,
    built_m,
    nearest_cell,
)
from hexterra.lattice.board import Board
from hexterra.outputs.document import plan_document, plan_json
from hexterra.outputs.folder import write_folder
from hexterra.outputs.geojson import PLACES, cells_geojson
from hexterra.outputs.plan_files import write_plan
from hexterra.outputs.plan_schema import plan_schema
from hexterra.outputs.single_file import write_file
from hexterra.outputs.surface import write_surface
from hexterra.plan.pipeline import make_plan
from hexterra.plan.tables import cell_lonlat
from hexterra.verification.verify import verify
from tests.small_plans import small_ground, small_plan

BOTH = pytest.mark.parametrize("facing", ["points", "flats"])
OUTLINES = pytest.mark.parametrize("edges", ["straight", "whole"])


# Tables ----------------------------------------------------------------------------------------


def test_first_cells_by_hand() -> None:
    """On 100 mm tiles, points to the front: A1 at (50, 0), B1 at (150, 0), A2 at (0, 86.603)."""
    tiles: Any = small_plan().tiles.set_index("cell")
    # row 1 is shifted by half of 100 mm; rows are 100 * sqrt(3) / 2 = 86.603 mm apart
    assert tiles.loc["A1", ["x_mm", "y_mm", "column", "row"]].tolist() == [50.0, 0.0, 1, 1]
    assert tiles.loc["B1", "x_mm"] == pytest.approx(150.0)
    assert tiles.loc["A2", ["x_mm", "y_mm"]].tolist() == pytest.approx([0.0, 86.6025], abs=1e-4)
    assert tiles.loc["A1", "part"] == "side-cut half"
    assert tiles.loc["A2", "part"] == "corner-cut half"
    assert tiles.loc["L1", "part"] == "quarter"  # 11.5 * 100 mm is the right edge
    assert tiles.loc["A9", "part"] == "side-cut half"


@BOTH
def test_corners_repeat_from_pattern_and_turn(facing: Any) -> None:
    """``corners[s] == level + rises[(s - turn) % 6]``, read from the table's text alone."""
    plan = small_plan(facing)
    rises: Any = plan.schedule.drop_duplicates("pattern").set_index("pattern")["rises"]
    row: Any
    for row in plan.tiles.itertuples():
        digits = [int(digit) for digit in str(rises[row.pattern])]
        expected = [row.level + digits[(side - row.turn) % 6] for side in range(6)]
        assert [int(word) for word in row.corners.split()] == expected


def test_positions_on_the_globe() -> None:
    """Neighbours in a row lie a cell's width of ground apart on the ellipsoid, along the bearing.

    Oracle: geodesics of pyproj (Karney, 2013, J. Geodesy 87, 43-55).
    """
    plan = small_plan(bearing_deg=30.0)
    lon, lat = cell_lonlat(plan.board)
    azimuth, _, length_m = Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])
    assert length_m == pytest.approx(plan.board.across_flats_m, rel=1e-5)
    assert azimuth == pytest.approx(120.0, abs=0.05)  # to the right of a bearing of 30 degrees


def test_csv_is_fixed_text() -> None:
    """Lines end in LF, fractions have their decimals, and equal tables give equal text."""
    text = csv_text(small_plan().tiles)
    assert "\r" not in text
    assert text == csv_text(small_plan().tiles)
    rows = list(csv.DictReader(text.splitlines()))
    assert len(rows) == 108
    assert all(re.fullmatch(r"-?\d+\.\d{3}", row["x_mm"]) for row in rows)
    assert all(re.fullmatch(r"-?\d+\.\d{7}", row["lon"]) for row in rows)
    assert all(re.fullmatch(r"[0-5]?", row["outflow"]) for row in rows)
    assert any(row["outflow"] for row in rows)


@pytest.mark.parametrize(
    ("value", "text"), [(-0.0004, "0.000"), (-0.0, "0.000"), (-0.0006, "-0.001"), (2.5, "2.500")]
)
def test_zero_has_no_sign(value: float, text: str) -> None:
    """What rounds to zero is written without a minus."""
    assert fixed(value, 3) == text


def test_schedule_has_a_row_per_piece() -> None:
    """Names are unique, and tiles are as many as cells."""
    needed = small_plan().schedule
    assert needed["piece"].is_unique
    assert needed.loc[needed["kind"] == "tile", "count"].sum() == 108
    assert list(dict.fromkeys(needed["kind"])) == ["tile", "spacer", "footing"]


# The document ----------------------------------------------------------------------------------


def test_schema_is_a_schema() -> None:
    """The schema itself follows JSON Schema, draft 2020-12 (checked by the jsonschema library)."""
    jsonschema.Draft202012Validator.check_schema(plan_schema())


@BOTH
@OUTLINES
def test_document_follows_its_schema(facing: Any, edges: Any) -> None:
    """The document of any board is valid against its schema, as written and read again."""
    text = plan_json(small_plan(facing, edges), ("plan.json",))
    document = json.loads(text)
    jsonschema.Draft202012Validator(plan_schema()).validate(document)
    assert document == json.loads(
        json.dumps(plan_document(small_plan(facing, edges), ["plan.json"]))
    )
    assert (document["format"], document["version"]) == ("hexterra plan", 4)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("version",), 1),
        (("cells", 0, "turn"), 6),
        (("cells", 0, "part"), "third"),
        (("cells", 0, "corners"), [0] * 5),
        (("schedule", 0, "count"), 0),
        (("board", "facing"), "edges"),
        (("evidence", "legalise", "n_edited"), -1),
        (("colour",), "green"),
    ],
)
def test_schema_refuses(path: tuple[Any, ...], value: Any) -> None:
    """A document with a wrong value or an unknown key is not valid."""
    document = plan_document(small_plan())
    place: Any = document
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(plan_schema()).validate(document)


def test_dry_plan_follows_the_schema() -> None:
    """Without water there are no ports, no outflows and no evidence of flow."""
    brief = Brief.model_validate(
        {
            "board": {"columns": 6, "rows": 5, "x": 500_000.0, "y": 3_320_000.0},
            "water": {"show": False},
        }
    )
    plan = make_plan(small_ground(), brief)
    dry = plan_document(plan)
    jsonschema.Draft202012Validator(plan_schema()).validate(dry)
    assert dry["evidence"]["flow"] is None
    assert all(cell["outflow"] is None and not cell["ports"] for cell in dry["cells"])
    assert "watercourse" not in map_svg(plan)


def test_document_holds_no_folder(tmp_path: Path) -> None:
    """The same brief and files in two folders give the same document."""
    documents: list[str] = []
    for name in ("one", "two"):
        folder = tmp_path / name
        folder.mkdir()
        default = resources.files("hexterra.catalogue").joinpath("default.toml").read_bytes()
        (folder / "mine.toml").write_bytes(default)
        (folder / "stock.csv").write_text(csv_text(small_plan().schedule), encoding="utf-8")
        (folder / "brief.toml").write_text(
            'catalogue = "mine.toml"\nboard = { columns = 4, rows = 3 }\n'
            'stock = { owned = "stock.csv" }\n'
        )
        plan = make_plan(small_ground(), read_brief(folder / "brief.toml"))
        documents.append(plan_json(plan))
    asked = json.loads(documents[0])["brief"]
    assert (asked["catalogue"], asked["stock"]["owned"]) == ("mine.toml", "stock.csv")
    assert documents[0] == documents[1]


def test_document_agrees_with_the_tables() -> None:
    """Cells and counts are those of the tables."""
    plan = small_plan()
    document = plan_document(plan)
    assert [cell["cell"] for cell in document["cells"]] == plan.tiles["cell"].tolist()
    for cell, corners in zip(document["cells"], plan.tiles["corners"], strict=True):
        assert " ".join(map(str, cell["corners"])) == corners
        assert cell["level"] == min(cell["corners"])
    counts = {piece["piece"]: piece["count"] for piece in document["schedule"]}
    assert counts == plan.schedule.set_index("piece")["count"].to_dict()
    legal = document["evidence"]["legalise"]
    assert legal["cost"] == legal["bound"]
    assert legal["n_edited"] == sum(
        cell["legal_level"] != cell["wanted_level"] for cell in document["cells"]
    )


# Geodata ---------------------------------------------------------------------------------------


def outlines(board: Board, rows: Any = None) -> list[dict[str, Any]]:
    """Write a board as GeoJSON and read its features again."""
    if rows is None:
        rows = small_plan().tiles.iloc[: board.n_cells].reset_index(drop=True)
    return json.loads(cells_geojson(board, rows))["features"]


def rings(feature: dict[str, Any]) -> list[list[list[float]]]:
    """Return all rings of a feature."""
    geometry = feature["geometry"]
    if geometry["type"] == "Polygon":
        return geometry["coordinates"]
    return [ring for polygon in geometry["coordinates"] for ring in polygon]


def ground_area_m2(features: list[dict[str, Any]]) -> float:
    """Sum the areas of rings on the ellipsoid; counter-clockwise rings count as positive."""
    geod = Geod(ellps="WGS84")
    total = 0.0
    for ring in itertools.chain.from_iterable(map(rings, features)):
        total += geod.polygon_area_perimeter(*np.array(ring).T)[0]
    return total


@BOTH
@OUTLINES
def test_rings_are_closed_and_right_handed(facing: Any, edges: Any) -> None:
    """Rings follow RFC 7946, section 3.1.6: closed, at least 4 positions, counter-clockwise."""
    plan = small_plan(facing, edges)
    features = outlines(plan.board, plan.tiles)
    assert [f["properties"]["cell"] for f in features] == list(plan.board.labels)
    assert all(set(f["properties"]) == set(plan.tiles) - set(PLACES) for f in features)
    for feature in features:
        (ring,) = rings(feature)
        assert ring[0] == ring[-1]
        assert len(ring) >= 4
        outline: Any = shape(feature["geometry"])
        assert outline.exterior.is_ccw
        assert all(round(number, 7) == number for point in ring for number in point)


@BOTH
def test_outlines_fill_the_board(facing: Any) -> None:
    """Part tiles and whole ones together cover the rectangle of ground, and no more.

    Oracle: areas on the ellipsoid by pyproj (Karney, 2013).
    """
    board = small_plan(facing).board
    width, depth = (length * board.scale / 1000.0 for length in board.size_mm)
    total = ground_area_m2(outlines(board, small_plan(facing).tiles))
    assert total == pytest.approx(width * depth, rel=1e-4)


@pytest.mark.parametrize(("lon", "lat"), [(180.0, 10.0), (-179.999, -40.0), (179.99, 70.0)])
def test_outlines_are_cut_at_the_antimeridian(lon: float, lat: float) -> None:
    """Across the 180th meridian outlines become MultiPolygons (RFC 7946, section 3.1.9)."""
    board = Board(9, 7, 100.0, "points", "straight", 25_000.0, lon, lat, 20.0)
    features = outlines(board)
    kinds = {f["geometry"]["type"] for f in features}
    assert kinds == {"Polygon", "MultiPolygon"}
    for feature in features:
        for ring in rings(feature):
            lons = [point[0] for point in ring]
            assert min(lons) >= -180.0
            assert max(lons) <= 180.0
            assert max(lons) - min(lons) < 1.0
            assert Polygon(ring).exterior.is_ccw
        if feature["geometry"]["type"] == "MultiPolygon":
            ends = [{p[0] for p in ring if abs(p[0]) == 180.0} for ring in rings(feature)]
            assert sorted(map(tuple, ends)) == [(-180.0,), (180.0,)]
    width, depth = (length * 25.0 for length in board.size_mm)
    assert ground_area_m2(features) == pytest.approx(width * depth, rel=1e-3)


@pytest.mark.parametrize("lat", [90.0, -90.0])
def test_outline_around_a_pole(lat: float) -> None:
    """The cell that holds the pole reaches it, and covers every meridian."""
    board = Board(5, 5, 100.0, "points", "whole", 25_000.0, 10.0, lat, 0.0)
    features = outlines(board)
    middle = features[board.labels.index("C3")]
    points = np.array([point for ring in rings(middle) for point in ring])
    assert (points[:, 0].min(), points[:, 0].max()) == (-180.0, 180.0)
    assert (np.abs(points[:, 1]) == 90.0).any()


# The surface -----------------------------------------------------------------------------------


@BOTH
@OUTLINES
def test_nearest_cell_is_the_hexagon_around_a_point(facing: Any, edges: Any) -> None:
    """Points belong to the tile whose outline holds them (shapely), and to none off the board."""
    board = Board(5, 4, 60.0, facing, edges, 1000.0, 0.0, 0.0)
    rng = np.random.default_rng(7)
    points = rng.uniform(-20.0, np.array(board.size_mm) + 20.0, (500, 2))
    found = nearest_cell(board, points)
    shapes = [Polygon(board.outline_mm(cell)) for cell in range(board.n_cells)]
    for point, cell in zip(points, found.tolist(), strict=True):
        holders = [n for n, outline in enumerate(shapes) if outline.contains(Point(point))]
        assert holders == ([cell] if cell >= 0 else [])


def test_cells_left_out_have_no_surface() -> None:
    """A place that is not filled belongs to no cell."""
    board = Board(5, 4, 60.0, "points", "straight", 1000.0, 0.0, 0.0)
    hole = board.centre_mm[7:8].copy()
    assert nearest_cell(board, hole).tolist() == [7]
    assert nearest_cell(board.only(np.arange(20) != 7), hole).tolist() == [-1]


@BOTH
def test_surface_is_the_top_at_every_point(facing: Any) -> None:
    """Heights equal the plane through the facet that shapely finds around the point."""
    plan = small_plan(facing)
    board, tiles = plan.board, plan.fitted
    rng = np.random.default_rng(11)
    points = rng.uniform(0.0, np.array(board.size_mm), (400, 2))
    heights = built_m(tiles, board, points)
    for point, height in zip(points, heights.tolist(), strict=True):
        cell = int(np.hypot(*(board.centre_mm - point).T).argmin())
        corner = board.corner_mm[board.corner_of[cell]]
        rises = tiles.corners[cell] - tiles.level[cell]
        around = [
            list(facet)
            for facet in facets(rises.tolist())
            if MultiPoint(corner[list(facet)]).convex_hull.buffer(1e-9).contains(Point(point))
        ]
        matrix = np.column_stack([corner[around[0]], np.ones(len(around[0]))])
        plane = np.linalg.lstsq(matrix, tiles.corners[cell][around[0]], rcond=None)[0]
        step = float(np.array([*point, 1.0]) @ plane)
        # thresholds lie 20 m apart, so a step is 20 m from the datum at level 0
        assert height == pytest.approx(plan.levels.datum_m + 20.0 * step, abs=1e-3)


@pytest.mark.parametrize("crs", ["EPSG:32608", "EPSG:4326", "EPSG:3857"])
def test_projecting_between_nodes_is_exact_to_a_thousandth_of_a_pixel(crs: str) -> None:
    """Interpolated bench positions agree with pyproj at every pixel of a block."""
    board = small_plan(bearing_deg=17.0).board
    pixel = 0.0001 if crs == "EPSG:4326" else 10.0
    to_crs = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    x0, y0 = to_crs.transform(board.lon_deg - 0.2, board.lat_deg + 0.2)
    grid = SurfaceGrid(board, Affine(pixel, 0.0, x0, 0.0, -pixel, y0), crs)
    rows = slice(0, min(grid.height, 200))
    found = grid.bench_mm(rows.start, rows.stop)
    column, row = np.meshgrid(np.arange(grid.width) + 0.5, np.arange(rows.stop) + 0.5)
    x = grid.affine.a * column + grid.affine.c
    y = grid.affine.e * row + grid.affine.f
    east, north = Transformer.from_crs(crs, board.crs, always_xy=True).transform(x, y)
    exact = board.ground_m_to_bench_mm(np.column_stack([east.ravel(), north.ravel()]))
    error = np.abs(found.reshape(-1, 2) - exact).max()
    pixel_mm = np.hypot(*(found[0, 1] - found[0, 0]))
    assert error < 1e-3 * pixel_mm


@BOTH
def test_surface_raster(facing: Any, tmp_path: Path) -> None:
    """The raster lies on the input's grid lines and covers the board and nothing else."""
    plan = small_plan(facing, bearing_deg=25.0)
    path, again = tmp_path / "surface.tif", tmp_path / "again.tif"
    for target in (path, again):
        write_surface(target, plan.fitted, plan.board, plan.elevation.affine, plan.elevation.crs)
    assert path.read_bytes() == again.read_bytes()
    with rasterio.open(path) as raster:
        heights, affine = raster.read(1), raster.transform
        assert raster.crs.to_epsg() == 32608
        assert raster.units == ("m",)
        assert raster.nodata == NODATA
    given = small_ground().affine
    column, row = ((affine.c - given.c) / given.a, (affine.f - given.f) / given.e)
    assert (column, row) == (round(column), round(row))
    assert affine.a % given.a == 0
    assert plan.board.across_flats_m / affine.a <= MAX_ACROSS
    on_board = heights != NODATA
    width, depth = (length * plan.board.scale / 1000.0 for length in plan.board.size_mm)
    assert on_board.sum() * affine.a**2 == pytest.approx(width * depth, rel=0.02)
    corners = plan.fitted.corners
    low, high = (plan.levels.datum_m + 20.0 * c for c in (corners.min(), corners.max()))
    assert heights[on_board].min() >= low - 1e-3
    assert heights[on_board].max() <= high + 1e-3
    # the top's mean over whole cells is what the tiles say they stand for on average
    whole = np.array(plan.board.parts) == "whole"
    assert heights[on_board].mean() == pytest.approx(plan.fitted.built_m[whole].mean(), rel=0.05)


def test_surface_of_fine_pixels_is_thinned(tmp_path: Path) -> None:
    """Where the input has hundreds of pixels to a cell, the surface takes every so many-th."""
    plan = small_plan()
    fine = Affine(1.0, 0.0, 480_000.0, 0.0, -1.0, 3_340_000.0)
    grid = SurfaceGrid(plan.board, fine, "EPSG:32608")
    assert grid.affine.a == np.ceil(plan.board.across_flats_m / MAX_ACROSS)
    assert (grid.affine.c - fine.c) % grid.affine.a == 0
    assert (fine.f - grid.affine.f) % grid.affine.a == 0


def test_surface_across_the_antimeridian() -> None:
    """A geographic raster that runs on past 180 degrees keeps its longitudes."""
    board = Board(9, 7, 100.0, "points", "straight", 25_000.0, 180.0, 10.0)
    grid = SurfaceGrid(board, Affine(0.001, 0.0, 179.5, 0.0, -0.001, 10.5), "EPSG:4326")
    assert grid.width < 400
    assert 179.5 < grid.affine.c < 180.0
    bench = grid.bench_mm(0, grid.height)
    pixel_mm = bench[0, 1, 0] - bench[0, 0, 0]
    assert bench[..., 0].min() < pixel_mm
    assert bench[..., 0].max() > board.size_mm[0] - pixel_mm


# The folder ------------------------------------------------------------------------------------


def put(text: str) -> Any:
    """Return a writer of this text."""
    return lambda path: path.write_text(text, encoding="utf-8")


def document(*files: str) -> str:
    """Return a document that lists these files."""
    return json.dumps({"format": "hexterra plan", "version": 1, "files": files})


def content(folder: Path) -> dict[str, str]:
    """Read all files of a folder."""
    return {path.name: path.read_text(encoding="utf-8") for path in sorted(folder.iterdir())}


def fail(path: Path) -> None:
    """Write half a file and fail as a full disk does."""
    path.write_text("half", encoding="utf-8")
    raise OSError(28, "No space left on device")


def test_new_folder_is_made_with_its_parents(tmp_path: Path) -> None:
    """A folder that does not exist is made."""
    write_folder(tmp_path / "a" / "b", {"one": put("1"), "plan.json": put(document())})
    assert content(tmp_path / "a" / "b") == {"one": "1", "plan.json": document()}
    assert [path.name for path in (tmp_path / "a").iterdir()] == ["b"]


def test_empty_folder_is_filled(tmp_path: Path) -> None:
    """An empty folder is no obstacle."""
    (tmp_path / "plan").mkdir()
    write_folder(tmp_path / "plan", {"one": put("1")})
    assert content(tmp_path / "plan") == {"one": "1"}


def test_earlier_plan_is_replaced_and_foreign_files_stay(tmp_path: Path) -> None:
    """Files of the earlier plan go, also those the new one lacks; all others stay."""
    target = tmp_path / "plan"
    files = ("old", "one", "plan.json")
    write_folder(target, {"old": put("0"), "one": put("0"), "plan.json": put(document(*files))})
    (target / "notes.txt").write_text("mine", encoding="utf-8")
    inode = (target / "notes.txt").stat().st_ino
    write_folder(target, {"one": put("1"), "plan.json": put(document("one"))})
    assert content(target) == {"notes.txt": "mine", "one": "1", "plan.json": document("one")}
    assert (target / "notes.txt").stat().st_ino == inode
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize("earlier", [True, False])
def test_failure_leaves_everything_as_it_was(
    error: BaseException, earlier: bool, tmp_path: Path
) -> None:
    """A full disk or an interruption changes nothing and leaves nothing."""
    target = tmp_path / "plan"
    if earlier:
        write_folder(target, {"one": put("0"), "plan.json": put(document("one"))})
    before = content(target) if earlier else {}

    def stop(path: Path) -> None:
        path.write_text("half", encoding="utf-8")
        raise error

    wanted = OutputError if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(wanted):
        write_folder(target, {"one": put("1"), "two": stop, "plan.json": put(document())})
    assert [path.name for path in tmp_path.iterdir()] == (["plan"] if earlier else [])
    if earlier:
        assert content(target) == before


def test_failure_removes_parents_that_it_made(tmp_path: Path) -> None:
    """Parents made for a folder that could not be written are removed again."""
    with pytest.raises(OutputError, match="No space left"):
        write_folder(tmp_path / "a" / "b" / "c", {"one": fail})
    assert list(tmp_path.iterdir()) == []


def test_folder_of_something_else_is_refused(tmp_path: Path) -> None:
    """A folder that is neither empty nor a plan is not written into."""
    (tmp_path / "thesis.doc").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"holds no earlier plan.*thesis\.doc") as caught:
        write_folder(tmp_path, {"one": put("1")})
    assert "empty output folder" in caught.value.remedy
    assert content(tmp_path) == {"thesis.doc": "mine"}


@pytest.mark.parametrize("text", ["{", "[]", '{"format": "other"}'])
def test_foreign_document_is_no_plan(text: str, tmp_path: Path) -> None:
    """Only our own plan.json marks a folder as a plan."""
    (tmp_path / "plan.json").write_text(text, encoding="utf-8")
    with pytest.raises(OutputError, match="holds no earlier plan"):
        write_folder(tmp_path, {"plan.json": put(document())})


def test_foreign_file_in_the_way(tmp_path: Path) -> None:
    """A file the earlier plan does not list is not overwritten."""
    target = tmp_path / "plan"
    write_folder(target, {"plan.json": put(document())})
    (target / "map.png").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"map\.png is in the way"):
        write_folder(target, {"map.png": put("1"), "plan.json": put(document())})
    assert content(target)["map.png"] == "mine"


def test_file_instead_of_a_folder(tmp_path: Path) -> None:
    """A file is no folder."""
    (tmp_path / "plan").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="is a file, not a folder"):
        write_folder(tmp_path / "plan", {"one": put("1")})


def test_list_of_files_cannot_reach_outside(tmp_path: Path) -> None:
    """Names with folders in an earlier plan's list are not followed."""
    (tmp_path / "mine").write_text("mine", encoding="utf-8")
    target = tmp_path / "plan"
    write_folder(target, {"plan.json": put(document("../mine"))})
    write_folder(target, {"plan.json": put(document())})
    assert (tmp_path / "mine").read_text(encoding="utf-8") == "mine"
    with pytest.raises(ValueError, match="plain file name"):
        write_folder(target, {"../mine": put("theirs")})


def test_folder_that_cannot_be_made(tmp_path: Path) -> None:
    """Where a parent is a file, the error names the path and the way out."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot be written to") as caught:
        write_folder(tmp_path / "file" / "plan", {"one": put("1")})
    assert caught.value.facts["path"] == str(tmp_path / "file" / "plan")
    assert "another output folder" in caught.value.remedy


def test_one_file_is_written_whole_or_not(tmp_path: Path) -> None:
    """A single file replaces another, and failing leaves nothing."""
    write_file(tmp_path / "brief.toml", b"old")
    write_file(tmp_path / "brief.toml", b"new")
    assert content(tmp_path) == {"brief.toml": "new"}
    with pytest.raises(OutputError, match="cannot be written"):
        write_file(tmp_path / "missing" / "brief.toml", b"new")
    assert content(tmp_path) == {"brief.toml": "new"}


# The whole -------------------------------------------------------------------------------------


@BOTH
def test_written_plan(facing: Any, tmp_path: Path) -> None:
    """Two runs give the same bytes, readable by all, listed by the document, and sound."""
    plan = small_plan(facing, columns=5, rows=4)
    told: list[str] = []
    names = write_plan(plan, tmp_path / "one", progress=told.append)
    assert write_plan(plan, tmp_path / "other") == names
    assert told == [f"writing {name}" for name in names]
    for name in names:
        one, other = (tmp_path / folder / name for folder in ("one", "other"))
        assert one.read_bytes() == other.read_bytes(), name
        assert os.access(one, os.R_OK)
    listed = json.loads((tmp_path / "one" / "plan.json").read_text(encoding="utf-8"))["files"]
    assert listed == sorted(listed, key=names.index) == list(names)
    assert sorted(path.name for path in (tmp_path / "one").iterdir()) == sorted(names)
    verdict = verify(tmp_path / "one")
    assert verdict.agrees, verdict.describe()
    assert write_plan(plan, tmp_path / "one") == names  # over the earlier one


def test_folders_below_come_and_go_with_their_files(tmp_path: Path) -> None:
    """Files in a folder below are replaced like others; a foreign file there stays."""
    target = tmp_path / "plan"
    document = '{"format": "hexterra plan", "files": ["mesh/one.stl", "mesh/two.stl", "plan.json"]}'
    write_folder(
        target,
        {
            "mesh/one.stl": lambda path: _write(path, "1"),
            "mesh/two.stl": lambda path: _write(path, "2"),
            "plan.json": lambda path: _write(path, document),
        },
    )
    assert (target / "mesh" / "two.stl").read_text() == "2"
    (target / "mesh" / "mine.txt").write_text("mine")
    bare = '{"format": "hexterra plan", "files": ["plan.json"]}'
    write_folder(target, {"plan.json": lambda path: _write(path, bare)})
    assert [path.name for path in (target / "mesh").iterdir()] == ["mine.txt"]
    (target / "mesh" / "mine.txt").unlink()
    (target / "mesh").rmdir()
    write_folder(target, {"mesh/one.stl": lambda path: _write(path, "3"),
                          "plan.json": lambda path: _write(path, document)})  # fmt: skip
    write_folder(target, {"plan.json": lambda path: _write(path, bare)})
    assert [path.name for path in target.iterdir()] == ["plan.json"]
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


def _write(path: Path, text: str) -> None:
    path.write_text(text)
