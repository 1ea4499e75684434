"""Carrying the raster's water onto hexagons: adjacent, without circles, true to the pixels."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

import numpy as np
import pyflwdir
import pytest
from affine import Affine
from matplotlib import cbook
from pyflwdir.upscale import upscale_error
from pyproj import Transformer
from shapely import Point, Polygon

from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.errors import BriefError, CoverageError
from hexterra.kernels.raster import cell_outlets, cell_pixels
from hexterra.lattice.board import Board
from hexterra.lattice.hexagon import Facing
from hexterra.stages.drainage.drain import Drainage, drain
from hexterra.stages.sampling.gather import gather
from hexterra.stages.sampling.pixel_geometry import pixel_steps
from hexterra.stages.water.flow import Watercourses, WaterKind
from hexterra.stages.water.route import RoutingReport, _corners_in_pixels, carry, route
from tests.plain import drain as plain
from tests.raster_grids import PIXEL_M, on_grid, rough, valley


def board_on(
    elevation: Elevation, cell_m: float, cells: int, facing: Facing = "points", bearing: float = 0.0
) -> Board:
    """Lay a board of cells x cells around the middle of a raster.

    Its edges are ragged: water may cross every side (a straight edge closes the sides it cuts).
    """
    x0, y0, x1, y1 = elevation.bounds
    to_wgs84 = Transformer.from_crs(elevation.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_wgs84.transform((x0 + x1) / 2.0, (y0 + y1) / 2.0)
    return Board(cells, cells, 30.0, facing, "whole", cell_m / 0.03, lon, lat, bearing)


def check_tree(carried: RoutingReport | Watercourses, lattice: Any) -> None:
    """Check that receivers are neighbours across the named side and come later in the order."""
    here = np.arange(lattice.n_cells)
    runs_on = carried.receiver != here
    side = carried.receiver_side
    assert np.array_equal(side >= 0, runs_on)
    assert np.array_equal(
        lattice.neighbours[here[runs_on], side[runs_on]], carried.receiver[runs_on]
    )
    place = np.empty(lattice.n_cells, dtype=int)
    place[carried.order] = here
    assert sorted(carried.order.tolist()) == here.tolist()
    assert (place[carried.receiver[runs_on]] > place[runs_on]).all()


CASES = [(10, "points", 0.0), (10, "flats", 25.0), (25, "points", 40.0), (50, "flats", 0.0)]


@pytest.fixture(scope="module")
def rugged() -> Drainage:
    """Drain 1500 x 1500 invented pixels."""
    return drain(on_grid(rough(1500, seed=41, slope=1.7)))


@pytest.mark.parametrize(("pixels", "facing", "bearing"), CASES)
def test_invented_ground_is_carried_truly(
    rugged: Drainage, pixels: int, facing: Facing, bearing: float
) -> None:
    """At cells of 10, 25 and 50 pixels at most 2 % of the receivers are wrong, rivers near."""
    lattice = board_on(rugged.elevation, pixels * PIXEL_M, 1000 // pixels, facing, bearing)
    carried = carry(rugged, lattice)
    check_tree(carried, lattice)
    assert carried.share_wrong <= 0.02
    assert not carried.mean_displacement_cells >= 0.5  # NaN where the board has no such river


@pytest.mark.parametrize(("pixels", "facing", "bearing"), CASES)
def test_real_ground_is_carried_truly(
    jacksboro: Elevation, pixels: int, facing: Facing, bearing: float
) -> None:
    """The same on the Jacksboro fault, whose pixels are about 85 m."""
    lattice = board_on(jacksboro, pixels * 85.0, 220 // pixels, facing, bearing)
    carried = carry(drain(jacksboro, around=lattice), lattice)
    check_tree(carried, lattice)
    assert carried.share_wrong <= 0.02
    assert not carried.mean_displacement_cells >= 0.5


@pytest.mark.parametrize("edges", ["whole", "straight"])
@pytest.mark.parametrize(("pixels", "facing", "bearing"), [(4, "points", 20.0), (10, "flats", 0.0)])
def test_a_real_coast_is_carried_truly(
    pixels: int, facing: Facing, bearing: float, edges: Literal["whole", "straight"]
) -> None:
    """The same on the coast of British Columbia, islands and all.

    Source: the sample data of the matplotlib package (topobathy.npz), heights and depths of
    91 x 120 pixels of about 2.4 km.
    """
    with np.load(cbook.get_sample_data("topobathy.npz", asfileobj=False)) as sample:
        lon, lat, heights = sample["longitude"] - 360.0, sample["latitude"], sample["topo"]
    dx, dy = np.ptp(lon) / (len(lon) - 1), np.ptp(lat) / (len(lat) - 1)
    affine = Affine(dx, 0.0, lon.min() - dx / 2, 0.0, -dy, lat.max() + dy / 2)
    north_first = np.ascontiguousarray(heights[np.argsort(-lat)])
    coast = read_elevation(north_first, crs="EPSG:4326", affine=affine, vertical_unit="m")
    lattice = board_on(coast, pixels * 2430.0, 65 // pixels, facing, bearing)
    lattice = replace(lattice, edges=edges)
    carried = carry(drain(coast, sea_level_m=0.0), lattice)
    check_tree(carried, lattice)
    assert carried.share_wrong <= 0.02


def test_wrong_means_what_the_definition_says(rugged: Drainage) -> None:
    """Following pixels from outlet to outlet finds just the cells that are called wrong.

    The definition is that of Eilander et al., "A hydrography upscaling method for scale-invariant
    parametrization of distributed hydrological models", HESS 25, 2021: the first outlet pixel
    downstream of a cell's outlet lies in the cell it runs to.
    """
    lattice = board_on(rugged.elevation, 9.0 * PIXEL_M, 60)
    carried = carry(rugged, lattice)
    outlet_at = {
        (int(row), int(column)): cell
        for cell, (row, column) in enumerate(
            zip(carried.outlet_row, carried.outlet_column, strict=True)
        )
    }
    assert carried.is_wrong.any()
    for (row, column), cell in outlet_at.items():
        found = plain.next_outlet(rugged.direction, outlet_at, row, column)
        if carried.receiver[cell] != cell and not carried.is_wrong[cell]:
            assert found == carried.receiver[cell]
        elif found is not None and carried.is_wrong[cell] and not lattice.is_rim[found]:
            assert found not in lattice.water_neighbours[cell]


def test_errors_equal_pyflwdir(rugged: Drainage) -> None:
    """By pyflwdir's measure the same receivers are right, where water stays on the board."""
    lattice = board_on(rugged.elevation, 12.0 * PIXEL_M, 45)
    carried = carry(rugged, lattice)
    pixels: Any = pyflwdir.from_array(rugged.direction, ftype="d8")
    outlet = (carried.outlet_row * 1500 + carried.outlet_column).astype(pixels.idxs_ds.dtype)
    receiver = carried.receiver.astype(pixels.idxs_ds.dtype)
    is_right, _ = upscale_error(outlet, receiver, pixels.idxs_ds, mv=pixels._mv)
    runs_on = carried.receiver != np.arange(lattice.n_cells)
    assert np.array_equal(is_right[runs_on] == 1, ~carried.is_wrong[runs_on])


def test_water_across_a_cut_side_ends_at_a_mouth(rugged: Drainage) -> None:
    """On straight-edged boards, a cell whose water goes on beyond the edge is a mouth at the rim.

    No tile can be crossed at a side that the edge cuts in half, so the river leaves the table and
    comes back to the next cell with all its water.
    """
    lattice = replace(board_on(rugged.elevation, 10.0 * PIXEL_M, 90), edges="straight")
    carried = carry(rugged, lattice)
    check_tree(carried, lattice)
    places = zip(carried.outlet_row.tolist(), carried.outlet_column.tolist(), strict=True)
    outlet_at = {place: cell for cell, place in enumerate(places)}
    n_ended = 0
    for cell in np.flatnonzero((carried.receiver == np.arange(lattice.n_cells)) & lattice.is_rim):
        row, column = int(carried.outlet_row[cell]), int(carried.outlet_column[cell])
        met = plain.next_outlet(rugged.direction, outlet_at, row, column)
        is_cut = met in lattice.neighbours[cell] and met not in lattice.water_neighbours[cell]
        if is_cut and not carried.is_wrong[cell]:
            n_ended += 1
            assert carried.catchment_m2[met] >= carried.outlet_m2[cell] * 0.99
    assert n_ended > 0
    assert carried.share_wrong <= 0.02


def test_right_cells_drain_what_their_outlets_drain(rugged: Drainage) -> None:
    """Above any wrong cell, the catchment is the raster's at the outlet."""
    lattice = board_on(rugged.elevation, 15.0 * PIXEL_M, 30)
    carried = carry(rugged, lattice)
    below_wrong = carried.is_wrong.copy()
    for cell in carried.order:
        below_wrong[carried.receiver[cell]] |= below_wrong[cell]
    places = zip(carried.outlet_row.tolist(), carried.outlet_column.tolist(), strict=True)
    outlet_at = {place: cell for cell, place in enumerate(places)}
    for cell in np.flatnonzero(carried.is_wrong):  # their water is missing where it really runs
        row, column = carried.outlet_row[cell], carried.outlet_column[cell]
        met = plain.next_outlet(rugged.direction, outlet_at, int(row), int(column))
        while met is not None and not below_wrong[met]:
            below_wrong[met] = True
            met = None if carried.receiver[met] == met else int(carried.receiver[met])
    assert (~below_wrong).mean() > 0.5
    assert carried.catchment_m2[~below_wrong] == pytest.approx(carried.outlet_m2[~below_wrong])
    at_outlet = rugged.catchment_m2[carried.outlet_row, carried.outlet_column]
    assert np.array_equal(carried.outlet_m2, at_outlet)


def test_a_river_enters_the_board_with_the_water_of_the_ground_above() -> None:
    """Where the valley's river comes in, the cell drains more than all cells of the board."""
    elevation = on_grid(valley(160))
    lattice = board_on(elevation, 8.0 * PIXEL_M, 7)
    carried = carry(drain(elevation, around=lattice), lattice)
    top = lattice.row == lattice.row.max()
    assert carried.catchment_m2[top].max() > lattice.area_m2.sum()


def test_a_sloping_plane_drains_to_the_front() -> None:
    """On a plane no cell that is right runs to a row farther up."""
    row = np.mgrid[:200, :200][0]
    elevation = on_grid(200.0 - row + 0.0)
    lattice = board_on(elevation, 10.0 * PIXEL_M, 12)
    carried = carry(drain(elevation), lattice)
    check_tree(carried, lattice)
    inside = ~lattice.is_rim & ~carried.is_wrong
    receiver = carried.receiver[inside]
    assert (lattice.row[receiver] <= lattice.row[inside]).all()


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_pixels_belong_to_the_cell_that_holds_their_centre(facing: Facing) -> None:
    """Every pixel goes to the hexagon that shapely says contains its centre."""
    lattice = Board(5, 5, 30.0, facing, "whole", 1000.0, 0.0, 0.0)
    ring_xy = lattice.rings_xy / 3.7 + 20.0
    cell_at = np.full((40, 40), -1, dtype=np.int32)
    corner_of = np.arange(ring_xy[..., 0].size, dtype=np.int32).reshape(ring_xy.shape[:2])
    corners = cell_pixels.CellCorners(ring_xy.reshape(-1, 2), corner_of)
    cell_pixels.cells_of_pixels(corners, 40, cell_at.ravel())
    polygons = [Polygon(ring) for ring in ring_xy]
    for row, column in np.ndindex(40, 40):
        centre = Point(column + 0.5, row + 0.5)
        holding = [cell for cell, polygon in enumerate(polygons) if polygon.contains(centre)]
        assert cell_at[row, column] == (holding[0] if holding else -1)


def test_exits_are_those_of_the_definition() -> None:
    """In two batches, large and small, the kernels find and follow the exits that a twin finds."""
    drained = drain(on_grid(rough(110, seed=3)))
    lattice = board_on(drained.elevation, 10.0 * PIXEL_M, 8, "flats", 20.0)
    n, shape = lattice.n_cells, drained.direction.shape
    corners = _corners_in_pixels(drained, lattice)
    cell_at = np.full(shape, -1, dtype=np.int32)
    cell_pixels.cells_of_pixels(corners, shape[1], cell_at.ravel())
    known = cell_at.copy()
    code, area = drained.direction.ravel(), drained.catchment_m2.ravel()
    pixels = cell_pixels.DrainedPixels(shape[1], cell_at.ravel(), code, area, pixel_steps(shape[1]))
    cells = np.zeros(n, dtype=cell_outlets.CELL)
    cells["outlet"] = cells["first"] = -1
    table, places = np.empty(0, dtype=cell_outlets.EXIT), np.empty(0, dtype=np.int64)
    exits = cell_outlets.ExitTables(table, cells, lattice.neighbours)
    room = np.empty(1, dtype=cell_outlets.FOUND)
    least_m2 = 9.0 * PIXEL_M**2
    every = np.arange(n, dtype=np.int32)
    for batch in range(2):
        if batch == 0:
            found = cell_pixels.find_exits(pixels, n, least_m2, room)
        else:
            found = cell_pixels.find_smaller_exits(
                every, corners, pixels, exits, 0.0, least_m2, room
            )
        table = np.concatenate([table, np.zeros(len(found), dtype=cell_outlets.EXIT)])
        exits = exits._replace(exits=table)
        cell_pixels.add_exits(found, pixels, exits)
        places = np.concatenate([places, found["pixel"]])
        ways = {
            divmod(int(at), shape[1]): divmod(int(places[then]), shape[1]) if then >= 0 else None
            for at, then in zip(places, table["then"], strict=True)
        }
        least = 0.0 if batch else least_m2
        assert ways == plain.exits(drained.direction, known, drained.catchment_m2, least)
        assert np.array_equal(table["cell"], known.ravel()[places])
        above = np.bincount(table["then"][table["then"] >= 0], minlength=len(table))
        assert np.array_equal(table["above"] >= 0, above > 0)
    for cell in range(n):
        assert table["is_outlet"][table["cell"] == cell].sum() == (cells["outlet"][cell] >= 0)


# ---------------------------------------------------------------- watercourses


@pytest.mark.parametrize(("pixels", "facing", "bearing"), CASES[:3])
def test_watercourses_can_be_built(
    rugged: Drainage, pixels: int, facing: Facing, bearing: float
) -> None:
    """At most three ports, symmetric; water level never rises; all flow on to a mouth."""
    lattice = board_on(rugged.elevation, pixels * PIXEL_M, 1000 // pixels, facing, bearing)
    lattice = replace(lattice, edges="straight")
    heights = gather(rugged.elevation, lattice)
    water = route(rugged, heights, threshold_m2=4.0 * lattice.area_m2[0])
    check_tree(water, lattice)
    assert water.is_watercourse.any()
    assert water.ports.sum(axis=1).max() <= 3
    assert (water.filled_m[water.receiver] <= water.filled_m).all()
    assert (water.filled_m >= heights.mean_m).all()
    for cell, side in np.argwhere(water.ports):
        assert water.ports[lattice.neighbours[cell, side], lattice.back_sides[cell, side]]
    wet = np.flatnonzero(water.is_watercourse)
    assert water.is_watercourse[water.receiver[wet]].all()
    assert np.array_equal(water.kind != WaterKind.DRY, water.is_watercourse)
    runs_on = water.receiver[wet] != wet
    assert np.array_equal(water.outflow[wet] >= 0, runs_on)
    n_inflows = water.ports[wet].sum(axis=1) - runs_on
    springs = wet[(n_inflows == 0) & runs_on]
    cell_m2 = float(lattice.area_m2[0])
    comes_in = lattice.is_rim[springs] & (water.catchment_m2[springs] >= 5.0 * cell_m2)
    expected = np.where(comes_in, WaterKind.ENTRY, WaterKind.SPRING)
    fed = np.bincount(water.receiver[~water.is_watercourse], minlength=lattice.n_cells)
    alone = fed[springs] == 0  # no dry cell drains to it either: all but its own comes from beyond
    assert alone.any()
    assert np.array_equal(water.kind[springs][alone], expected[alone])
    assert (water.kind[wet[(n_inflows == 2) & runs_on]] == WaterKind.CONFLUENCE).all()


def test_same_ground_same_water(rugged: Drainage) -> None:
    """Routing twice gives the same value, by its digest."""
    lattice = board_on(rugged.elevation, 20.0 * PIXEL_M, 20)
    assert carry(rugged, lattice).same_as(carry(rugged, lattice))


# ---------------------------------------------------------------- errors


@pytest.mark.parametrize("threshold_m2", [0.0, -1.0, float("nan"), float("inf")])
def test_a_threshold_must_be_positive(rugged: Drainage, threshold_m2: float) -> None:
    """A threshold that is no finite number above 0 is refused."""
    heights = gather(rugged.elevation, board_on(rugged.elevation, 600.0, 4))
    with pytest.raises(BriefError, match="threshold_m2"):
        route(rugged, heights, threshold_m2=threshold_m2)


def test_a_board_beside_the_drained_ground_is_refused() -> None:
    """A lattice that no drained pixel lies under cannot be routed."""
    drained = drain(on_grid(rough(60, seed=1)))
    with pytest.raises(CoverageError, match="no cell of the lattice"):
        carry(drained, Board(4, 4, 30.0, "points", "whole", 1000.0, 10.0, 50.0))
