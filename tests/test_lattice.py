"""Hexagons and boards: areas, tables, the bench and the ground under it."""

from __future__ import annotations

import math
import pickle
from collections import Counter
from dataclasses import replace

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon, union_all

from hexterra.errors import BoardError
from hexterra.lattice import hexagon
from hexterra.lattice.board import EARTH_RADIUS_M, MAX_CELLS, Board, Edges
from hexterra.lattice.hexagon import Facing

FACINGS: tuple[Facing, ...] = ("points", "flats")
EDGES: tuple[Edges, ...] = ("straight", "whole")
WGS84 = pyproj.Geod(ellps="WGS84")


def board(
    columns: int = 6, rows: int = 5, facing: Facing = "points", edges: Edges = "straight",
    bearing_deg: float = 0.0,
) -> Board:  # fmt: skip
    """Make a board of invented ground."""
    return Board(columns, rows, 100.0, facing, edges, 25_000.0, 9.0, 46.0, bearing_deg)


boards = st.builds(
    board, st.integers(2, 9), st.integers(2, 9), st.sampled_from(FACINGS), st.sampled_from(EDGES)
)


@st.composite
def ragged_boards(draw: st.DrawFn) -> Board:
    """Draw a board from which cells are left out."""
    whole = draw(boards)
    n = whole.n_cells
    return whole.only(
        ~np.isin(np.arange(n), list(draw(st.sets(st.integers(0, n - 1), max_size=n))))
    )


# The hexagon -----------------------------------------------------------------------------------


@pytest.mark.parametrize("facing", FACINGS)
def test_a_hexagon_has_its_area_and_width(facing: Facing) -> None:
    """The outline of a hexagon 100 mm across flats has equal sides and the area of its formula."""
    corners = hexagon.corner_offsets(100.0, facing)
    assert Polygon(corners).area == pytest.approx(hexagon.area(100.0), rel=1e-12)
    assert Polygon(corners).exterior.is_ccw
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    np.testing.assert_allclose(sides, hexagon.side_length(100.0), rtol=1e-12)
    across_flats = np.ptp(corners[:, 0 if facing == "points" else 1])
    assert across_flats == pytest.approx(100.0, rel=1e-12)


@pytest.mark.parametrize("facing", FACINGS)
@pytest.mark.parametrize(
    ("kept_x", "kept_y", "share"), [(0, 0, 1.0), (1, 0, 0.5), (0, -1, 0.5), (-1, 1, 0.25)]
)
def test_a_part_tile_has_its_share_of_the_area(
    facing: Facing, kept_x: int, kept_y: int, share: float
) -> None:
    """A half has half the area of the hexagon, a quarter a quarter, on the kept side only."""
    outline = hexagon.part_outline(100.0, facing, kept_x, kept_y)
    assert Polygon(outline).area == pytest.approx(share * hexagon.area(100.0), rel=1e-12)
    assert Polygon(outline).exterior.is_ccw
    assert (kept_x * outline[:, 0] >= -1e-9).all()
    assert (kept_y * outline[:, 1] >= -1e-9).all()


@pytest.mark.parametrize(
    ("facing", "kept", "name", "n_vertices"),
    [
        ("points", (0, 0), "whole", 6),
        ("points", (1, 0), "corner-cut half", 4),
        ("points", (0, 1), "side-cut half", 5),
        ("flats", (1, 0), "side-cut half", 5),
        ("flats", (0, -1), "corner-cut half", 4),
        ("flats", (-1, -1), "quarter", 4),
        ("points", (1, 1), "quarter", 4),
    ],
)
def test_part_tiles_are_named_by_their_cut(
    facing: Facing, kept: tuple[int, int], name: str, n_vertices: int
) -> None:
    """A cut through two corners leaves a trapezoid, one through two sides a pentagon."""
    if name.endswith("half") or name == "whole":
        outline = hexagon.part_outline(100.0, facing, *kept)
        expected = {"whole": 6, "corner-cut half": 4, "side-cut half": 5}[name]
        assert expected == n_vertices == len(outline)
    assert hexagon.part_name(facing, *kept) == name


# The board on the bench ------------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=40)
@given(lattice=boards)
def test_part_tiles_fill_the_board_without_overlap(lattice: Board) -> None:
    """With straight edges the tiles fill the rectangle to 1e-9; else they are whole hexagons."""
    outlines = [Polygon(lattice.outline_mm(cell)) for cell in range(lattice.n_cells)]
    area = sum(outline.area for outline in outlines)
    # Nudged by 1e-9 of a tile, tiles that meet along a line count as joined.
    covered = union_all(outlines, grid_size=1e-7)
    assert covered.area == pytest.approx(area, rel=1e-9)
    width, depth = lattice.size_mm
    x_least, y_least, x_most, y_most = covered.bounds
    assert (x_least, y_least) == pytest.approx((0.0, 0.0), abs=1e-6)
    assert (x_most, y_most) == pytest.approx((width, depth), abs=1e-6)
    if lattice.edges == "straight":
        assert area == pytest.approx(width * depth, rel=1e-9)
    else:
        assert area == pytest.approx(lattice.n_cells * hexagon.area(100.0), rel=1e-9)
        assert set(lattice.parts) == {"whole"}


def test_a_small_board_is_cut_as_worked_by_hand() -> None:
    """Of 3 x 3 cells with points to the front, worked out on paper, one stays whole."""
    lattice = board(3, 3)
    # Rows 1 and 3 are shifted right: their last cell is halved by the right edge. Row 2 starts on
    # the left edge. Rows 1 and 3 lie on the front and back edges.
    assert Counter(lattice.parts) == {
        "side-cut half": 4,  # rows 1 and 3, columns 1 and 2
        "quarter": 2,  # rows 1 and 3, column 3
        "corner-cut half": 1,  # row 2, column 1
        "whole": 2,  # row 2, columns 2 and 3
    }
    # 2.5 widths along; 2 row spacings of 1.5 sides away from the front edge.
    assert lattice.size_mm == pytest.approx((250.0, 3.0 * 100.0 / math.sqrt(3.0)))
    assert lattice.labels == ("A1", "B1", "C1", "A2", "B2", "C2", "A3", "B3", "C3")
    assert board(30, 2).labels[25:28] == ("Z1", "AA1", "AB1")


@pytest.mark.parametrize("facing", FACINGS)
def test_cells_lie_at_their_corners_and_the_front_left_is_the_origin(facing: Facing) -> None:
    """Corners from the lattice table are the hexagon's own around each centre."""
    lattice = board(facing=facing, edges="whole")
    offsets = lattice.corner_mm[lattice.corner_of] - lattice.centre_mm[:, None]
    expected = np.broadcast_to(hexagon.corner_offsets(100.0, facing), offsets.shape)
    np.testing.assert_allclose(offsets, expected, atol=1e-9)
    np.testing.assert_allclose(lattice.corner_mm.min(axis=0), 0.0, atol=1e-9)
    np.testing.assert_allclose(lattice.corner_mm.max(axis=0), lattice.size_mm, rtol=1e-12)


# Tables ----------------------------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=60)
@given(lattice=ragged_boards())
def test_tables_agree_with_each_other_and_with_geometry(lattice: Board) -> None:
    """Neighbours are mutual, share two corners, and are exactly the cells one width away."""
    n = lattice.n_cells
    neighbours, back = lattice.neighbours, lattice.back_sides
    corner_of = lattice.corner_of
    for cell in range(n):
        for side in range(6):
            other = neighbours[cell, side]
            if other < 0:
                assert back[cell, side] == -1
                continue
            assert back[cell, side] == (side + 3) % 6
            assert neighbours[other, back[cell, side]] == cell
            assert corner_of[cell, side] == corner_of[other, (side + 4) % 6]
            assert corner_of[cell, (side + 1) % 6] == corner_of[other, (side + 3) % 6]
    centre = lattice.centre_mm
    apart = np.linalg.norm(centre[:, None] - centre[None], axis=2)
    near = [set(np.flatnonzero(row).tolist()) for row in np.isclose(apart, 100.0)]
    assert near == [set(row[row >= 0].tolist()) for row in neighbours]
    np.testing.assert_array_equal(lattice.is_rim, [len(around) < 6 for around in near])

    assert len(lattice.seams) == sum(map(len, near)) // 2
    for cell, side in lattice.seams:
        assert cell < neighbours[cell, side]
    holders: list[list[int]] = [[] for _ in range(lattice.n_corners)]
    for cell in range(n):
        for corner in corner_of[cell]:
            holders[corner].append(cell)
    expected = [held + [-1] * (3 - len(held)) for held in holders]
    assert lattice.corner_cells.tolist() == expected
    assert not n or (lattice.corner_cells[:, 0] >= 0).all()


def test_leaving_cells_out_keeps_the_others_where_they_are() -> None:
    """Cells keep centre, label and part; corners nobody touches are gone."""
    whole = board()
    present = np.arange(whole.n_cells) % 3 > 0
    rest = whole.only(present)
    np.testing.assert_array_equal(rest.centre_mm, whole.centre_mm[present])
    np.testing.assert_array_equal(rest.kept, whole.kept[present])
    assert rest.labels == tuple(np.array(whole.labels)[present])
    np.testing.assert_allclose(rest.rings_xy, whole.rings_xy[present])
    assert rest.size_mm == whole.size_mm
    assert set(np.unique(rest.corner_of)) == set(range(rest.n_corners))


def test_a_board_survives_pickling_and_its_digest_tells_boards_apart() -> None:
    """A copy from a pickle is the same value, read-only; any other field gives another digest."""
    lattice = board()
    copy = pickle.loads(pickle.dumps(lattice))
    assert copy.same_as(lattice)
    assert not copy.places.flags.writeable
    changed = [
        replace(lattice, bearing_deg=1.0),
        replace(lattice, facing="flats"),
        replace(lattice, edges="whole"),
        replace(lattice, scale=25_001.0),
        lattice.only(np.arange(lattice.n_cells) != 7),
    ]
    assert len({b.digest for b in [lattice, *changed]}) == 6
    for table in (lattice.neighbours, lattice.back_sides, lattice.corner_of, lattice.corner_cells):
        assert not table.flags.writeable


# The ground ------------------------------------------------------------------------------------


@pytest.mark.parametrize("facing", FACINGS)
@pytest.mark.parametrize("bearing_deg", [0.0, 37.0, -120.0])
def test_ground_lengths_and_bearings_are_true(facing: Facing, bearing_deg: float) -> None:
    """Neighbours lie one cell apart on the ellipsoid to 0.1 %, and "away" along the bearing.

    Geodesics by pyproj.Geod (Karney, Algorithms for geodesics, Journal of Geodesy 87, 2013).
    """
    lattice = board(20, 20, facing, bearing_deg=bearing_deg)
    to_lonlat = pyproj.Transformer.from_crs(lattice.crs, "OGC:CRS84", always_xy=True)
    lon, lat = to_lonlat.transform(*lattice.centre_xy.T)
    cell, side = lattice.seams.T
    other = lattice.neighbours[cell, side]
    _, _, length_m = WGS84.inv(lon[cell], lat[cell], lon[other], lat[other])
    np.testing.assert_allclose(length_m, lattice.across_flats_m, rtol=1e-3)

    middle = np.array(lattice.size_mm) / 2.0
    bench = middle + np.array([(0.0, 0.0), (0.0, 200.0), (200.0, 0.0)])
    lon, lat = to_lonlat.transform(*lattice.bench_mm_to_ground_m(bench).T)
    assert (lon[0], lat[0]) == pytest.approx((9.0, 46.0), abs=1e-9)
    away_deg, _, away_m = WGS84.inv(lon[0], lat[0], lon[1], lat[1])
    right_deg, _, _ = WGS84.inv(lon[0], lat[0], lon[2], lat[2])
    # 200 mm at 1:25 000 are 5 km.
    assert away_m == pytest.approx(5000.0, rel=1e-3)
    assert (away_deg - bearing_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.1)
    assert (right_deg - away_deg) % 360.0 == pytest.approx(90.0, abs=0.1)


def test_bench_and_ground_are_inverse() -> None:
    """Bench points carried to the ground and back are where they were."""
    lattice = board(bearing_deg=25.0)
    back = lattice.ground_m_to_bench_mm(lattice.bench_mm_to_ground_m(lattice.corner_mm))
    np.testing.assert_allclose(back, lattice.corner_mm, atol=1e-9)


@pytest.mark.parametrize("facing", FACINGS)
def test_ground_areas_are_true(facing: Facing) -> None:
    """The area of each cell is that of its outline on the ellipsoid to one part in a million."""
    lattice = board(4, 4, facing, bearing_deg=10.0)
    to_lonlat = pyproj.Transformer.from_crs(lattice.crs, "OGC:CRS84", always_xy=True)
    for cell, ring in enumerate(lattice.rings_xy):
        lon, lat = to_lonlat.transform(*ring.T)
        area_m2, _ = WGS84.polygon_area_perimeter(lon, lat)
        assert area_m2 == pytest.approx(lattice.area_m2[cell], rel=1e-6)


def test_the_largest_board_is_still_true_to_a_tenth_of_a_percent() -> None:
    """At the greatest reach allowed, lengths away from the middle are off by 0.1 %.

    The limit is set for a sphere; the ellipsoid may add a tenth of it.
    """
    reach_m = 0.99 * math.sqrt(8e-3) * EARTH_RADIUS_M
    scale = reach_m * 1000.0 / (float(np.hypot(*board().size_mm)) / 2.0)
    lattice = replace(board(), scale=scale)
    to_lonlat = pyproj.Transformer.from_crs(lattice.crs, "OGC:CRS84", always_xy=True)
    size = np.array(lattice.size_mm)
    ground = lattice.bench_mm_to_ground_m(np.array([size * 0.9999, size]))
    lon, lat = to_lonlat.transform(*ground.T)
    _, _, true_m = WGS84.inv(lon[0], lat[0], lon[1], lat[1])
    assert np.linalg.norm(ground[1] - ground[0]) == pytest.approx(true_m, rel=1.1e-3)
    with pytest.raises(BoardError, match="plane frame"):
        replace(board(), scale=scale * 1.02)


def test_the_ground_projection_meets_its_published_worked_example() -> None:
    """PROJ's Lambert azimuthal equal-area meets the example for ETRS89 / LAEA Europe.

    Source: IOGP Guidance Note 7-2, Lambert azimuthal equal-area (EPSG method 9820):
    50 N, 5 E lies at easting 3962799.45 m, northing 2999718.85 m. Values from memory.
    """
    laea_europe = pyproj.CRS.from_proj4(
        "+proj=laea +lat_0=52 +lon_0=10 +x_0=4321000 +y_0=3210000 +ellps=GRS80 +units=m"
    )
    to_laea = pyproj.Transformer.from_crs("OGC:CRS84", laea_europe, always_xy=True)
    assert to_laea.transform(5.0, 50.0) == pytest.approx((3962799.45, 2999718.85), abs=0.01)
    # The board's own frame is that projection, without the false origin.
    lattice = replace(board(), lon_deg=10.0, lat_deg=52.0)
    to_board = pyproj.Transformer.from_crs("OGC:CRS84", lattice.crs, always_xy=True)
    x, y = to_board.transform(5.0, 50.0)
    assert (x + 4321000.0, y + 3210000.0) == pytest.approx((3962799.45, 2999718.85), abs=0.01)


# Errors ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("columns", 1),
        ("columns", 20_001),
        ("rows", 0),
        ("rows", 20_001),
        ("across_flats_mm", 4.9),
        ("across_flats_mm", float("nan")),
        ("across_flats_mm", float("inf")),
        ("scale", 0.5),
        ("scale", -25_000.0),
        ("scale", 2e9),
        ("lon_deg", 180.5),
        ("lon_deg", float("nan")),
        ("lat_deg", -91.0),
        ("bearing_deg", 361.0),
    ],
)
def test_sizes_out_of_range_are_refused_by_name(name: str, value: float) -> None:
    """Each size beyond its limits is refused, with the name and the value as facts."""
    with pytest.raises(BoardError, match=name) as caught:
        replace(board(), **{name: value})
    assert caught.value.facts["name"] == name
    assert caught.value.remedy


def test_too_many_cells_are_refused() -> None:
    """More places than a plan can hold are refused before any table is made."""
    with pytest.raises(BoardError, match=f"{MAX_CELLS:,}") as caught:
        board(2_001, 1_000)
    assert caught.value.facts == {"columns": 2_001, "rows": 1_000}


def test_more_ground_than_a_plane_can_show_is_refused() -> None:
    """A board of a continent is refused, with its reach."""
    with pytest.raises(BoardError, match="plane frame") as caught:
        replace(board(40, 40), scale=1e6)
    assert float(str(caught.value.facts["reach_m"])) > 5e5


def test_cells_around_one_are_counted() -> None:
    """Inside a board there are 1 + 3 n (n + 1) cells at most n steps away (hand count)."""
    board = Board(11, 11, 100.0, "points", "whole", 2500.0, 9.0, 46.0)
    middle = 5 * 11 + 5
    for n_steps in range(5):
        cells = board.around(middle, n_steps)
        assert len(cells) == 1 + 3 * n_steps * (n_steps + 1)
        alone = np.arange(board.n_cells) == middle
        assert np.array_equal(np.flatnonzero(board.spread(alone, n_steps)), cells)
