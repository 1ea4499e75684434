"""H3 cells as a lattice: against H3's own functions, its published tables, and geometry."""

from __future__ import annotations

import pickle
import subprocess
import sys
import time
from typing import Any

import h3
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapely import MultiPolygon, Point, Polygon, box

from hexterra.errors import BoardError
from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.lattice.lattice import Lattice

# H3 documentation, "Tables of cell statistics across resolutions", h3geo.org/docs/core-library/
# restable: number of cells, and average hexagon area in km2. Values from memory.
CELLS_AT_RESOLUTION = {0: 122, 1: 842, 2: 5_882, 3: 41_162}
AVERAGE_HEXAGON_KM2 = {
    0: 4_357_449.416078383,
    1: 609_788.441794133,
    2: 86_801.780398997,
    3: 12_393.434655088,
}
N_PENTAGONS = 12

# The mean radius of WGS 84, on which H3 computes areas, in km: H3 documentation, "cellAreaRads2".
# Value from memory.
H3_RADIUS_KM = 6_371.007180918475


def integers(labels: list[str]) -> NDArray[np.uint64]:
    """Turn H3 index strings into integers."""
    return np.array([h3.str_to_int(label) for label in labels], dtype=np.uint64)


def all_but_the_poles(resolution: int) -> Globe:
    """Make the globe of all cells of a resolution but the two that hold the poles."""
    labels = {
        label for base in h3.get_res0_cells() for label in h3.cell_to_children(base, resolution)
    }
    labels -= {h3.latlng_to_cell(lat, 0.0, resolution) for lat in (90.0, -90.0)}
    return Globe(integers(sorted(labels)))


def disk(lat_deg: float, lon_deg: float, resolution: int, k: int = 3) -> Globe:
    """Make the globe of the cells up to k steps from the one at a point."""
    return Globe(integers(h3.grid_disk(h3.latlng_to_cell(lat_deg, lon_deg, resolution), k)))


def check_tables(globe: Globe) -> None:
    """Check neighbours, corners and outlines of any globe against H3's own functions."""
    neighbours, back, corner_of = globe.neighbours, globe.back_sides, globe.corner_of
    position = {label: k for k, label in enumerate(globe.labels)}
    for cell, label in enumerate(globe.labels):
        ring = [other for other in h3.grid_disk(label, 1) if other != label]
        present = sorted(position[other] for other in ring if other in position)
        around = neighbours[cell]
        assert sorted(around[around >= 0].tolist()) == present
        if h3.is_pentagon(label):
            assert corner_of[cell, 5] == corner_of[cell, 0]
            assert around[5] == -1
        assert globe.is_rim[cell] == (len(present) < len(ring))
    cells, sides = np.nonzero(neighbours >= 0)
    others, backs = neighbours[cells, sides], back[cells, sides]
    np.testing.assert_array_equal(neighbours[others, backs], cells)
    np.testing.assert_array_equal(
        corner_of[cells, sides], corner_of[others, np.roll(np.arange(6), -1)[backs]]
    )
    np.testing.assert_array_equal(
        corner_of[cells, np.roll(np.arange(6), -1)[sides]], corner_of[others, backs]
    )
    # Corners lie on the outlines, counter-clockwise in the same order.
    for cell in range(globe.n_cells):
        ring = globe.rings_xy[cell]
        polygon = Polygon(ring)
        assert polygon.is_valid
        assert polygon.exterior.is_ccw
        assert polygon.contains(Point(globe.centre_xy[cell]))
        corners = globe.corner_xy[corner_of[cell]]
        away = (ring[None] - corners[:, None] + [180.0, 0.0]) % [360.0, 1e9] - [180.0, 0.0]
        away[..., 1] = ring[None, :, 1] - corners[:, None, 1]
        distance = np.hypot(away[..., 0], away[..., 1])
        assert (distance.min(axis=1) < 1e-9).all()
        place = distance.argmin(axis=1)[: len(set(corner_of[cell].tolist()))]
        turned = np.roll(place, -int(place.argmin()))
        assert (np.diff(turned) > 0).all()


# Against the published table -------------------------------------------------------------------


@pytest.mark.parametrize("resolution", [0, 1, 2])
def test_the_globe_has_the_published_number_of_cells_and_pentagons(resolution: int) -> None:
    """All cells but the polar two are there, twelve of them pentagons, and each has its sides."""
    globe = all_but_the_poles(resolution)
    assert globe.n_cells == CELLS_AT_RESOLUTION[resolution] - 2
    assert globe.resolution == resolution
    is_pentagon = globe.corner_of[:, 5] == globe.corner_of[:, 0]
    assert is_pentagon.sum() == N_PENTAGONS
    # The cells around each pole, six each, miss one neighbour; nobody else does.
    assert (globe.neighbours < 0).sum() == N_PENTAGONS + 12
    assert globe.is_rim.sum() == 12
    # Euler: V - E + F = 2 on the sphere; the two polar cells are faces without sides of their own.
    n_sides = len(globe.seams) + 12
    assert globe.n_corners - n_sides + globe.n_cells + 2 == 2


@pytest.mark.parametrize("resolution", [0, 1, 2, 3])
def test_areas_add_up_to_the_earth_and_average_as_published(resolution: int) -> None:
    """Areas sum to the sphere's, and the hexagons' mean is the table's."""
    globe = all_but_the_poles(resolution)
    poles = [h3.latlng_to_cell(lat, 0.0, resolution) for lat in (90.0, -90.0)]
    polar_km2 = [h3.cell_area(label, "km^2") for label in poles]
    area_km2 = globe.area_m2 / 1e6
    sphere_km2 = 4.0 * np.pi * H3_RADIUS_KM**2
    assert area_km2.sum() + sum(polar_km2) == pytest.approx(sphere_km2, rel=1e-9)
    is_pentagon = globe.corner_of[:, 5] == globe.corner_of[:, 0]
    mean_km2 = (area_km2[~is_pentagon].sum() + sum(polar_km2)) / (
        CELLS_AT_RESOLUTION[resolution] - N_PENTAGONS
    )
    assert mean_km2 == pytest.approx(AVERAGE_HEXAGON_KM2[resolution], rel=1e-6)


# Tables ----------------------------------------------------------------------------------------


def test_tables_hold_all_over_the_globe() -> None:
    """Neighbours, corners and outlines agree with H3 for the whole of resolution 1."""
    globe = all_but_the_poles(1)
    # Outlines of cells beside a pole are not simple in longitude and latitude; those stay out.
    check_tables(globe.only(np.abs(globe.centre_xy[:, 1]) < 75.0))


@pytest.mark.parametrize("resolution", [2, 3, 6, 7])
def test_tables_hold_around_a_pentagon(resolution: int) -> None:
    """The patch around a pentagon has five neighbours in the middle and twists nowhere."""
    pentagon = sorted(h3.get_pentagons(resolution))[4]
    globe = Globe(integers(h3.grid_disk(pentagon, 3)))
    check_tables(globe)
    middle = int(np.searchsorted(globe.cells, np.uint64(h3.str_to_int(pentagon))))
    assert (globe.neighbours[middle] >= 0).tolist() == [True] * 5 + [False]
    assert not globe.is_rim[middle]


def test_odd_resolutions_bend_at_the_edges_of_the_icosahedron() -> None:
    """A cell of odd resolution across an icosahedron edge has more than six vertices."""
    globe = all_but_the_poles(1)
    count = [len(h3.cell_to_boundary(label)) for label in globe.labels]
    assert globe.rings_xy.shape == (globe.n_cells, max(count), 2)
    assert max(count) == 10  # pentagons: five corners and five edges
    for cell, k in enumerate(count):
        assert len(np.unique(globe.rings_xy[cell], axis=0)) == k
        assert (globe.rings_xy[cell, k - 1 :] == globe.rings_xy[cell, k - 1]).all()
    even = disk(46.0, 9.0, 6)
    assert even.rings_xy.shape[1] == 6


@pytest.mark.parametrize("resolution", [1, 4, 5])
def test_outlines_do_not_jump_at_the_antimeridian(resolution: int) -> None:
    """Cells at longitude 180 have whole outlines, and tables that hold across it."""
    globe = disk(-16.5, 180.0, resolution, k=2)
    assert (globe.corner_xy[:, 0] < 0).any()
    assert (globe.corner_xy[:, 0] > 0).any()
    assert np.abs(globe.corner_xy[:, 0]).max() <= 180.0
    assert np.abs(globe.rings_xy[..., 0]).max() > 180.0
    assert np.ptp(globe.rings_xy[..., 0], axis=1).max() < 60.0
    check_tables(globe)


@settings(derandomize=True, deadline=None, max_examples=25)
@given(
    lat_deg=st.floats(-80.0, 80.0),
    lon_deg=st.floats(-180.0, 180.0),
    resolution=st.integers(4, 13),
    keep=st.integers(0, 2**32 - 1),
)
def test_tables_hold_anywhere_with_cells_left_out(
    lat_deg: float, lon_deg: float, resolution: int, keep: int
) -> None:
    """Anywhere on the globe, with gaps, the tables agree with H3."""
    globe = disk(lat_deg, lon_deg, resolution, k=2)
    present = np.random.default_rng(keep).random(globe.n_cells) < 0.8
    present[0] = True
    check_tables(globe.only(present))


def test_cells_keep_their_h3_facts() -> None:
    """Labels, centres and areas are H3's, cells ascend and repeats are dropped."""
    labels = h3.grid_disk(h3.latlng_to_cell(46.0, 9.0, 7), 1)
    globe = Globe(integers([*labels, *labels[::-1]]))
    assert globe.labels == tuple(sorted(labels))
    assert (np.diff(globe.cells.astype(np.int64)) > 0).all()
    for cell, label in enumerate(globe.labels):
        lat, lon = h3.cell_to_latlng(label)
        assert globe.centre_xy[cell].tolist() == [lon, lat]
        assert globe.area_m2[cell] == h3.cell_area(label, "m^2")
    assert not globe.has_straight_sides
    assert globe.crs == "OGC:CRS84"


def test_a_globe_is_a_value() -> None:
    """It survives pickling, its tables are read-only, and its digest tells cells apart."""
    globe = disk(46.0, 9.0, 7)
    copy = pickle.loads(pickle.dumps(globe))
    assert isinstance(copy, Globe)
    assert copy.same_as(globe)
    assert not copy.same_as(globe.only(np.arange(globe.n_cells) > 0))
    for table in (
        globe.cells, globe.neighbours, globe.back_sides, globe.corner_of, globe.corner_xy,
        globe.centre_xy, globe.rings_xy, globe.area_m2, copy.cells,
    ):  # fmt: skip
        assert not table.flags.writeable


def test_a_board_needs_no_h3() -> None:
    """H3 and shapely are loaded only when a globe is made."""
    program = (
        "import sys, hexterra.lattice.board as b;"
        " b.Board(3, 3, 100., 'points', 'straight', 1e4, 9., 46.)"
        ".neighbours; sys.exit('h3' in sys.modules or 'shapely' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


# Covering --------------------------------------------------------------------------------------


def test_centres_decide_which_cells_cover() -> None:
    """Of all cells around, exactly those are taken whose centre lies in the bounds."""
    west, south, east, north = 8.9, 45.9, 9.2, 46.1
    globe = Globe.covering((west, south, east, north), 7)
    candidates = disk(46.0, 9.05, 7, k=20)
    lon, lat = candidates.centre_xy.T
    inside = (west < lon) & (lon < east) & (south < lat) & (lat < north)
    assert 0 < inside.sum() < candidates.n_cells
    np.testing.assert_array_equal(globe.cells, candidates.cells[inside])


def test_overlap_takes_every_cell_that_touches() -> None:
    """With overlap exactly those cells are taken whose outline meets the polygon."""
    triangle = Polygon([(8.9, 45.9), (9.2, 45.95), (9.0, 46.1)])
    globe = Globe.covering(triangle, 7, rule="overlap")
    candidates = disk(46.0, 9.05, 7, k=20)
    meets = np.array([Polygon(ring).intersects(triangle) for ring in candidates.rings_xy])
    np.testing.assert_array_equal(globe.cells, candidates.cells[meets])
    tiny = box(9.0, 46.0, 9.0001, 46.0001)
    assert Globe.covering(tiny, 3, rule="overlap").labels == (h3.latlng_to_cell(46.0, 9.0, 3),)


@settings(derandomize=True, deadline=None, max_examples=15)
@given(split=st.floats(8.95, 9.15))
def test_areas_that_share_an_edge_share_no_cell(split: float) -> None:
    """Two halves of a box take each cell of the box exactly once."""
    halves = [Globe.covering(b, 8).cells for b in (
        (8.9, 45.9, split, 46.1), (split, 45.9, 9.2, 46.1),
    )]  # fmt: skip
    whole = Globe.covering((8.9, 45.9, 9.2, 46.1), 8)
    together = np.sort(np.concatenate(halves))
    np.testing.assert_array_equal(together, whole.cells)


@pytest.mark.parametrize("rule", ["centre", "overlap"])
def test_bounds_may_cross_the_antimeridian(rule: Any) -> None:
    """West of 179 to east of -179 is two degrees wide, not 358."""
    globe = Globe.covering((179.0, -17.0, -179.0, -16.0), 5, rule=rule)
    assert (np.abs(globe.centre_xy[:, 0]) > 178.8).all()
    candidates = disk(-16.5, 180.0, 5, k=25)
    lon = candidates.centre_xy[:, 0] % 360.0
    lat = candidates.centre_xy[:, 1]
    inside = (lon > 179.0) & (lon < 181.0) & (lat > -17.0) & (lat < -16.0)
    if rule == "centre":
        np.testing.assert_array_equal(globe.cells, candidates.cells[inside])
    else:
        assert set(globe.cells.tolist()) > set(candidates.cells[inside].tolist())


def test_a_belt_around_the_earth_is_covered() -> None:
    """Bounds of 360 degrees take every cell of their latitudes."""
    belt = Globe.covering((-180.0, -30.0, 180.0, 30.0), 2)
    everywhere = all_but_the_poles(2)
    np.testing.assert_array_equal(
        belt.cells, everywhere.cells[np.abs(everywhere.centre_xy[:, 1]) < 30.0]
    )


def test_polygons_geojson_and_features_cover_alike() -> None:
    """One area in four spellings, and one with a hole, give the cells expected."""
    area = box(8.9, 45.9, 9.2, 46.1)
    expected = Globe.covering((8.9, 45.9, 9.2, 46.1), 7)
    geojson = area.__geo_interface__
    feature = {"type": "Feature", "properties": {}, "geometry": geojson}
    for spelling in (area, MultiPolygon([area]), geojson, feature):
        assert Globe.covering(spelling, 7).same_as(expected)
    hole = box(9.0, 45.95, 9.1, 46.05)
    ring = Globe.covering(area - hole, 7)
    inner = Globe.covering(hole, 7)
    np.testing.assert_array_equal(
        np.sort(np.concatenate([ring.cells, inner.cells])), expected.cells
    )


# Errors ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("resolution", [-1, 16, 5.0, True, "7", None])
def test_a_resolution_that_is_none_is_refused(resolution: object) -> None:
    """Resolutions are whole numbers from 0 to 15."""
    with pytest.raises(BoardError, match="resolution") as caught:
        Globe.covering((8.9, 45.9, 9.2, 46.1), resolution)  # type: ignore[arg-type]
    assert caught.value.facts["resolution"] == resolution


@pytest.mark.parametrize(
    "area",
    [
        (9.0, 46.0, 9.0, 47.0),
        (9.0, 47.0, 10.0, 46.0),
        (9.0, 46.0, 181.0, 47.0),
        (9.0, -91.0, 10.0, 47.0),
        (9.0, float("nan"), 10.0, 47.0),
        (9.0, 46.0, 10.0),
        "9,46,10,47",
        None,
        7,
        Point(9.0, 46.0),
        Polygon(),
        Polygon([(9, 46), (10, 47), (10, 46), (9, 47)]),
        box(170.0, 46.0, 190.0, 47.0),
        {"type": "Polygon"},
        {"type": "Circle", "coordinates": [9.0, 46.0]},
        {"type": "Feature", "geometry": None},
    ],
)
def test_an_area_that_is_none_is_refused(area: object) -> None:
    """Bounds and outlines must be areas within the degrees of the globe."""
    with pytest.raises(BoardError, match="the area to cover") as caught:
        Globe.covering(area, 5)
    assert caught.value.facts["area"]


def test_an_unknown_rule_is_refused() -> None:
    """There are two rules."""
    with pytest.raises(BoardError, match="middle"):
        Globe.covering((8.9, 45.9, 9.2, 46.1), 5, rule="middle")  # type: ignore[arg-type]


def test_absurd_numbers_of_cells_are_refused_at_once() -> None:
    """The world at the finest resolution is refused by an estimate, as is a long thin sliver."""
    start = time.perf_counter()
    with pytest.raises(BoardError, match="resolution 15") as caught:
        Globe.covering((-180.0, -90.0, 180.0, 90.0), 15)
    # The published table has 569,707,381,193,162 cells of resolution 15. Value from memory.
    assert caught.value.facts["n_cells"] == pytest.approx(569_707_381_193_162, rel=0.01)
    sliver = box(0.0, 0.0, 90.0, 1e-6)
    with pytest.raises(BoardError, match="at most"):
        Globe.covering(sliver, 15, rule="overlap")
    assert time.perf_counter() - start < 5.0


def test_an_area_between_centres_is_refused() -> None:
    """An area that holds no centre gives an error that names the other rule."""
    with pytest.raises(BoardError, match="centre") as caught:
        Globe.covering(box(9.0, 46.0, 9.0001, 46.0001), 3)
    assert "overlap" in caught.value.remedy


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        ([], "at least one"),
        ([0], "not H3 cells"),
        ([-1], "whole numbers"),
        (["nonsense"], "whole numbers"),
        ([h3.str_to_int(h3.cell_to_vertexes(h3.latlng_to_cell(46.0, 9.0, 5))[0])], "not H3 cells"),
        ([h3.str_to_int(h3.latlng_to_cell(46.0, 9.0, r)) for r in (5, 6)], "mix resolutions 5, 6"),
        ([h3.str_to_int(h3.latlng_to_cell(90.0, 0.0, 5))], "pole"),
        ([h3.str_to_int(h3.latlng_to_cell(-90.0, 0.0, 2))], "pole"),
    ],
)
def test_cells_that_make_no_lattice_are_refused(cells: list[object], message: str) -> None:
    """No cells, other indexes, mixed resolutions and cells at a pole are refused."""
    with pytest.raises(BoardError, match=message):
        Globe(cells)  # type: ignore[arg-type]


def test_a_board_and_a_globe_are_both_lattices() -> None:
    """Stages see the same interface."""
    assert issubclass(Board, Lattice)
    assert issubclass(Globe, Lattice)
