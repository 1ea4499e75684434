"""`hexterra.plan.overlay`: water, roads and cover of raster and maps, laid on one board."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from hexterra.brief.brief import Brief
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.errors import HexterraError
from hexterra.inputs.maps import read_maps
from hexterra.lattice.board import Board
from hexterra.place.siting import site_board
from hexterra.plan.overlay import Overlay, drape
from hexterra.stages.sampling.gather import gather
from hexterra.stages.water.flow import WaterKind
from tests.seeded_plans import write_map

CRS = "EPSG:32631"
X, Y = 500_000.0, 4_500_000.0
#: Of a board of 8 x 7 whole cells, 500 m across flats, around (X, Y): row 4 lies in the middle.
BOARD: dict[str, Any] = {"columns": 8, "rows": 7, "edges": "whole", "scale": 5000.0}
CELL_KM2 = 0.5**2 * np.sqrt(3.0) / 2.0
RIGHT, LEFT = 0, 3  # with points to the front


def valley(pixel_m: float = 50.0) -> Elevation:
    """Lay a straight valley along y = Y, which falls to the right by 1 in 100."""
    n_rows, n_columns = round(4000.0 / pixel_m), round(5200.0 / pixel_m)
    row, column = np.mgrid[0:n_rows, 0:n_columns] + 0.5
    x, y = (column - n_columns / 2) * pixel_m, (n_rows / 2 - row) * pixel_m
    affine = Affine(
        pixel_m, 0.0, X - n_columns / 2 * pixel_m, 0.0, -pixel_m, Y + n_rows / 2 * pixel_m
    )
    height = (300.0 + 0.1 * np.abs(y) - 0.01 * x).astype(np.float32)
    return read_elevation(height, crs=CRS, affine=affine, vertical_unit="m")


def laid(ground: Elevation | None = None, **asked: Any) -> Overlay:
    """Lay over the board what a brief asks for."""
    ground = ground or valley()
    water = {"threshold_km2": 3.0 * CELL_KM2} | asked.pop("water", {})
    brief = Brief.model_validate({"board": BOARD, "water": water, **asked})
    board = site_board(ground, brief).board
    return drape(ground, gather(ground, board), brief, read_maps(brief, board))


def lines(folder: Path, **drawn: Any) -> dict[str, Any]:
    """Write lines by kind; give the keys of a brief that name them."""
    shapes = [shapely.LineString([(X + x, Y + y) for x, y in line]) for line in drawn.values()]
    file = write_map(folder / "lines.gpkg", shapes, list(drawn), CRS, "LineString")
    return {"file": str(file), "kind_field": "kind"}


def areas(folder: Path, **drawn: Any) -> dict[str, Any]:
    """Write boxes (west, south, east, north) by kind; give the keys of a brief that name them."""
    shapes = [shapely.box(X + w, Y + s, X + e, Y + n) for w, s, e, n in drawn.values()]
    file = write_map(folder / "areas.gpkg", shapes, list(drawn), CRS, "Polygon")
    return {"file": str(file), "kind_field": "kind"}


def row(overlay: Overlay, number: int) -> np.ndarray:
    """Give the cells of a row, from left to right."""
    board = overlay.lattice
    return np.array([board.labels.index(f"{letter}{number}") for letter in "ABCDEFGH"])


# Water of the raster ----------------------------------------------------------------------------


def test_no_water_is_asked_for() -> None:
    """Then nothing is wide, upright or assumed of it."""
    overlay = laid(water={"show": False})
    assert overlay.water is None
    assert overlay.routing is None
    assert not overlay.width.any()
    assert not overlay.upright.any()
    assert overlay.named == ()
    assert not overlay.road_sides.any()


@pytest.mark.parametrize("follow", ["pixels", "cell means"])
def test_water_runs_down_the_valley(follow: str) -> None:
    """Along row 4 from left to right and off the board, however it is followed."""
    overlay = laid(drainage={"follow": follow})
    assert overlay.water is not None
    cells = row(overlay, 4)
    assert (overlay.water.outflow[cells[2:-1]] == RIGHT).all()
    assert overlay.water.kind[cells[-1]] == WaterKind.MOUTH
    assert (overlay.routing is not None) == (follow == "pixels")


@pytest.mark.parametrize(
    ("pixel_m", "said"),
    [
        (50.0, 'drainage.follow = "pixels" (a cell is 10 pixels across)'),
        (
            400.0,
            'drainage.follow = "cell means" (a cell is only 1.2 pixels across, and narrower valleys'
            " are lost)",
        ),
    ],
)
def test_what_water_follows_is_settled_by_the_pixels(pixel_m: float, said: str) -> None:
    """500 m across flats are ten pixels of 50 m, enough, and little more than one of 400 m."""
    overlay = laid(valley(pixel_m))
    assert said in overlay.assumed
    assert (overlay.routing is not None) == (pixel_m == 50.0)


def test_what_is_asked_for_is_not_assumed() -> None:
    """A brief that says what water follows hears nothing of it."""
    overlay = laid(drainage={"follow": "pixels"})
    assert not any("drainage" in said for said in overlay.assumed)


def test_fine_rasters_are_averaged() -> None:
    """500 m across in pixels of 20 m are 25; asked for 10 across, three are averaged into one."""
    overlay = laid(valley(20.0), drainage={"pixels_across": 10})
    assert overlay.routing is not None
    assert overlay.routing.pixels_averaged == 3
    assert any("3 x 3 pixels averaged into one" in said for said in overlay.assumed)


def test_pools_need_cell_means() -> None:
    """A pool depth speaks of hollows between cells."""
    assert laid(water={"pool_depth_m": 5.0}).routing is None


def test_water_is_wider_by_its_catchment() -> None:
    """A class for each limit reached; the catchments are those of the watercourses."""
    limits = [20.0 * CELL_KM2, 40.0 * CELL_KM2]
    overlay = laid(water={"wider_from_km2": limits})
    assert overlay.water is not None
    km2 = overlay.water.catchment_m2 / 1e6
    expected = np.where(
        overlay.water.is_watercourse, 1 + (km2 >= limits[0]) + (km2 >= limits[1]), 0
    )
    assert overlay.width.tolist() == expected.tolist()
    assert set(overlay.width.tolist()) == {0, 1, 2, 3}
    assert (np.diff(overlay.width[row(overlay, 4)]) >= 0).all()


def test_upright_banks_are_of_all_water() -> None:
    """If the brief asks for them."""
    overlay = laid(water={"banks": "upright"})
    assert overlay.water is not None
    assert overlay.upright.tolist() == overlay.water.is_watercourse.tolist()
    assert not laid().upright.any()


def test_ground_that_ends_where_water_comes_from_is_noted() -> None:
    """Half a kilometre around the board the valley comes from farther away."""
    overlay = laid(drainage={"surroundings_km": 0.2})
    assert overlay.routing is not None
    assert not overlay.routing.is_complete
    (note,) = [note for note in overlay.notes if "beyond" in note]
    assert "drainage.surroundings_km = 0.2 ends" in note


def test_hollows_are_lakes_where_they_are_asked_for() -> None:
    """A round hollow in the middle of the slope, 600 m wide, is a lake as large as it is."""
    ground = valley()
    height = ground.read(0, ground.shape[0], 0, ground.shape[1])[0].copy()
    n_rows, n_columns = ground.shape
    r, c = np.mgrid[0:n_rows, 0:n_columns] + 0.5
    x, y = (c - n_columns / 2) * 50.0, (n_rows / 2 - r) * 50.0
    height[np.hypot(x, y - 866.0) < 300.0] -= 60.0
    held = read_elevation(height, crs=CRS, affine=ground.affine, vertical_unit="m")
    asked = {"lake_depth_m": 5.0, "lake_area_km2": 0.05, "depressions": "fill"}
    overlay = laid(held, drainage={**asked, "surroundings_km": 0.2})
    assert overlay.cover is not None
    assert overlay.cover.kinds == ("lake",)
    lake_m2 = overlay.cover.share[:, 0] * overlay.cover.area_m2
    assert lake_m2.sum() == pytest.approx(np.pi * 300.0**2, rel=0.1)
    middle = lake_m2 @ overlay.lattice.centre_xy / lake_m2.sum()
    assert middle == pytest.approx([0.0, 866.0], abs=60.0)
    assert laid(held, drainage={"depressions": "fill"}, water={"standing": False}).cover is None


# Rivers of a map --------------------------------------------------------------------------------


@pytest.mark.parametrize(("runs", "way"), [("as drawn", LEFT), ("downhill", RIGHT)])
def test_rivers_of_a_map_go_before_computed_ones(runs: str, way: int, tmp_path: Path) -> None:
    """A river drawn along row 2, from right to left, runs there though the valley does not."""
    south = -2.0 * 500.0 * np.sqrt(0.75)
    asked = lines(tmp_path, river=[(1900.0, south), (-1900.0, south)])
    overlay = laid(rivers={**asked, "runs": runs})
    assert overlay.water is not None
    assert overlay.rivers is not None
    cells = row(overlay, 2)
    assert (overlay.water.outflow[cells[1:-1]] == way).all()
    assert overlay.water.ports[cells[1:-1]][:, [LEFT, RIGHT]].all()
    bare = laid().water
    assert bare is not None
    assert not bare.ports[cells][:, [LEFT, RIGHT]].any()


def test_canals_have_upright_banks(tmp_path: Path) -> None:
    """Of the rivers of a map those of the kinds that are named, where water runs."""
    south, north = (sign * 2.0 * 500.0 * np.sqrt(0.75) for sign in (-1.0, 1.0))
    asked = lines(
        tmp_path,
        river=[(-1900.0, south), (1900.0, south)],
        canal=[(-1900.0, north), (1900.0, north)],
    )
    overlay = laid(rivers={**asked, "upright": ["canal"]})
    assert overlay.upright[row(overlay, 6)[1:-1]].all()
    assert not overlay.upright[row(overlay, 2)].any()
    assert not overlay.upright[row(overlay, 4)].any()


# Roads ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wider_from", "bridge_from", "how"),
    [([], 2, "ford"), ([0.5 * CELL_KM2], 2, "bridge"), ([0.5 * CELL_KM2], 3, "ford")],
)
def test_roads_ford_narrow_water_and_bridge_wide(
    wider_from: list[float], bridge_from: int, how: str, tmp_path: Path
) -> None:
    """A road straight over the valley crosses its river once."""
    roads = lines(tmp_path, road=[(500.0, -1700.0), (500.0, 1700.0)])
    overlay = laid(
        water={"wider_from_km2": wider_from}, roads={**roads, "bridge_from": bridge_from}
    )
    assert overlay.roads is not None
    [crossing] = overlay.roads.crossings
    assert crossing.how == how
    assert overlay.lattice.labels[crossing.cell].endswith("4")
    assert crossing.width == 1 + len(wider_from)
    assert overlay.road_sides.tolist() == overlay.roads.any_ports.tolist()


def test_roads_without_water_cross_none(tmp_path: Path) -> None:
    """If the brief shows none there is nothing to ford."""
    roads = lines(tmp_path, road=[(500.0, -1700.0), (500.0, 1700.0)])
    overlay = laid(water={"show": False}, roads=roads)
    assert overlay.roads is not None
    assert overlay.roads.crossings == ()


def test_names_are_those_of_rivers_and_roads(tmp_path: Path) -> None:
    """Rivers first; here the field of kinds serves for names."""
    river = lines(tmp_path, Brook=[(-1900.0, 0.0), (1900.0, 0.0)])
    (tmp_path / "roads").mkdir()
    road = lines(tmp_path / "roads", Lane=[(500.0, -1700.0), (500.0, 1700.0)])
    overlay = laid(rivers={**river, "name_field": "kind"}, roads={**road, "name_field": "kind"})
    assert [way.name for way in overlay.named] == ["Brook", "Lane"]
    assert [way.name for way in laid(rivers=river).named] == []


# Cover ------------------------------------------------------------------------------------------


def write_classes(path: Path, left: int, right: int) -> Path:
    """Write a raster of classes, one to the left of the middle and one to the right."""
    classes = np.full((400, 520), right, dtype=np.uint8)
    classes[:, :260] = left
    affine = Affine(10.0, 0.0, X - 2600.0, 0.0, -10.0, Y + 2000.0)
    with rasterio.open(
        path, "w", driver="GTiff", height=400, width=520, count=1, dtype="uint8", crs=CRS,
        transform=affine,
    ) as dataset:  # fmt: skip
        dataset.write(classes, 1)
    return path


def test_areas_go_before_classes(tmp_path: Path) -> None:
    """A wood over the front half of the board, and a raster of heath to the left under it."""
    wood = areas(tmp_path, wood=(-3000.0, -3000.0, 3000.0, 0.0))
    file = write_classes(tmp_path / "classes.tif", 7, 9)
    overlay = laid(areas=wood, land_cover={"file": str(file), "classes": {"7": "heath"}})
    cover = overlay.cover
    assert cover is not None
    assert cover.kinds == ("wood", "heath")
    board = overlay.lattice
    front, back = board.row < 3, board.row > 3
    left, right = board.column < 3, board.column > 4
    assert (cover.given[front] == 0).all()
    assert (cover.given[back & left] == 1).all()
    assert (cover.given[back & right] == -1).all()
    # the board is even about its middle but for rows that are shifted by half a cell
    share_m2 = cover.share * cover.area_m2[:, None]
    assert share_m2[:, 0].sum() / cover.area_m2.sum() == pytest.approx(0.5, abs=1e-3)


def test_classes_alone(tmp_path: Path) -> None:
    """A raster of classes does without a vector file."""
    file = write_classes(tmp_path / "classes.tif", 7, 9)
    overlay = laid(land_cover={"file": str(file), "classes": {"7": "heath", "9": "heath"}})
    assert overlay.cover is not None
    np.testing.assert_allclose(overlay.cover.share[:, 0], 1.0, rtol=1e-9)


def test_least_share_decides(tmp_path: Path) -> None:
    """A strip of 45 % of each cell of a row makes them of its kind only if that is enough.

    The upright sides of the cells are 289 m high, so a strip of 195 m takes all of their width.
    """
    high_m = 500.0 * np.sqrt(3.0) / 2.0  # of a cell's area to its width
    strip = areas(tmp_path, meadow=(-3000.0, -0.225 * high_m, 3000.0, 0.225 * high_m))
    held, none = laid(areas={**strip, "least_share": 0.4}).cover, laid(areas=strip).cover
    assert held is not None
    assert none is not None
    middle = np.flatnonzero(laid().lattice.row == 3)
    np.testing.assert_allclose(held.share[middle, 0], 0.45, rtol=1e-3)
    assert (held.given[middle] == 0).all()
    assert (none.given[middle] == -1).all()


def test_notes_of_files_are_kept(tmp_path: Path) -> None:
    """Kinds that were left out are told."""
    woods = areas(tmp_path, wood=(-900.0, -900.0, 900.0, 900.0), bog=(0.0, 0.0, 90.0, 90.0))
    overlay = laid(areas={**woods, "kinds": {"wood": "trees"}})
    assert overlay.cover is not None
    assert overlay.cover.kinds == ("trees",)
    assert any("'bog'" in note for note in overlay.notes)


# The value --------------------------------------------------------------------------------------


def test_it_does_not_depend_on_levels() -> None:
    """Steps and thresholds leave the overlay as it is, so that it need not be made again."""
    assert laid(heights={"metres_per_step": 5.0}).same_as(laid(heights={"metres_per_step": 40.0}))


@pytest.mark.parametrize("name", ["width", "upright"])
def test_tables_of_another_length_are_refused(name: str) -> None:
    """Each has an entry for each cell."""
    board = Board(3, 3, 100.0, "points", "whole", 5000.0, 9.0, 46.0)
    tables: dict[str, Any] = {"width": np.zeros(9, np.int8), "upright": np.zeros(9, np.bool_)}
    tables[name] = tables[name][1:]
    with pytest.raises((ValueError, HexterraError), match=name):
        Overlay(board, None, **tables)
