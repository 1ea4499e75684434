"""Ways: worked by hand on small boards, and laws on any board and the globe."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hexterra.errors import BoardError, BriefError, VectorError
from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.lattice.lattice import Lattice
from hexterra.stages.mapping.local_frame import place_cells
from hexterra.stages.mapping.way import WaterCrossing, Way, WayShape
from hexterra.stages.mapping.ways import Ways, shapes, ways
from hexterra.stages.sampling.gather import Heights
from hexterra.stages.water.flow import WaterKind, flow
from tests.level_ground import heights_of
from tests.map_lines import board, features, names, through


def only(result: Ways) -> Way:
    """Return the only way."""
    (way,) = result.ways
    return way


def steps_apart(lattice: Lattice, start: int) -> NDArray[np.int64]:
    """Count the steps from one cell to every other, breadth first."""
    steps = np.full(lattice.n_cells, -1)
    steps[start] = 0
    front = [start]
    while front:
        ahead = []
        for cell in front:
            for other in lattice.neighbours[cell]:
                if other >= 0 and steps[other] < 0:
                    steps[other] = steps[cell] + 1
                    ahead.append(int(other))
        front = ahead
    return steps


def check_laws(result: Ways) -> None:
    """Check what holds of all ways: steps adjoin, ports match them on both sides."""
    lattice = result.lattice
    expected = np.zeros_like(result.ports)
    for way in result.ways:
        kind = result.kinds.index(way.kind)
        for (a, b), side in zip(pairwise(way.cells), way.sides, strict=True):
            assert lattice.water_neighbours[a, side] == b
            expected[kind, a, side] = True
            expected[kind, b, lattice.back_sides[a, side]] = True
    np.testing.assert_array_equal(result.ports, expected)
    np.testing.assert_array_equal(result.shape, shapes(result.any_ports))


# Known answers ----------------------------------------------------------------------------------


def test_a_line_along_a_row_takes_the_row() -> None:
    """A line through the centres of a row crosses its cells by sides 0 and 3."""
    lattice = board(5, 3)
    result = ways(features([through(lattice, "A2", "E2")], lattice), lattice)
    way = only(result)
    assert names(lattice, way.cells.tolist()) == "A2 B2 C2 D2 E2"
    assert way.sides.tolist() == [0, 0, 0, 0]
    assert way.offset_cells == pytest.approx(0.0, abs=1e-9)
    assert (way.from_edge, way.to_edge) == (False, False)
    ends = lattice.labels.index("A2"), lattice.labels.index("E2")
    assert result.shape[list(ends)].tolist() == [WayShape.END, WayShape.END]
    assert np.bincount(result.shape).tolist() == [10, 2, 3]
    assert not result.leaves.any()


def test_a_line_across_the_board_leaves_it_at_both_ends() -> None:
    """The way goes on beyond the first and last cell."""
    lattice = board(5, 3)
    y = lattice.centre_xy[lattice.labels.index("A2"), 1]
    line = shapely.LineString([(-1e5, y), (1e5, y)])
    result = ways(features([line], lattice), lattice)
    way = only(result)
    assert names(lattice, way.cells.tolist()) == "A2 B2 C2 D2 E2"
    assert way.from_edge
    assert way.to_edge
    assert names(lattice, np.flatnonzero(result.leaves).tolist()) == "A2 E2"


def test_a_slight_wiggle_makes_no_zigzag() -> None:
    """A line that swings by a third of a cell to both sides of a row still takes the row."""
    lattice = board(9, 5)
    x = np.linspace(lattice.centre_xy[18, 0], lattice.centre_xy[26, 0], 200)
    y = lattice.centre_xy[18, 1] + 170.0 * np.sin(x / 300.0)
    way = only(ways(features([shapely.LineString(np.column_stack([x, y]))], lattice), lattice))
    assert names(lattice, way.cells.tolist()) == "A3 B3 C3 D3 E3 F3 G3 H3 I3"


def test_a_hairpin_is_not_cut_short() -> None:
    """A line out along one row and back two rows on visits the far end, though ends are near."""
    lattice = board(8, 5)
    line = through(lattice, "A2", "G2", "G4", "A4")
    way = only(ways(features([line], lattice), lattice))
    assert names(lattice, way.cells.tolist()) == "A2 B2 C2 D2 E2 F2 G2 G3 G4 F4 E4 D4 C4 B4 A4"


def test_a_line_that_leaves_and_comes_back_is_two_ways() -> None:
    """What lies beyond the board is no part of the board."""
    lattice = board(5, 3)
    (x0, y0), (x1, y1) = lattice.centre_xy[[5, 9]] + (60.0, 0.0)
    line = shapely.LineString([(x0, y0), (x0, y0 + 9e3), (x1, y1 + 9e3), (x1, y1)])
    result = ways(features([line], lattice), lattice)
    assert [names(lattice, way.cells.tolist()) for way in result.ways] == ["A2 A3", "E3 E2"]
    assert [(way.from_edge, way.to_edge) for way in result.ways] == [(False, True), (True, False)]


def test_lines_of_one_name_are_joined() -> None:
    """A river in three pieces, drawn out of order, is one way; another name is another."""
    lattice = board(6, 2)
    pieces = [through(lattice, *ends) for ends in (("C1", "E1"), ("A1", "C1"), ("E1", "F1"))]
    joined = ways(features(pieces, lattice, names=["Ash"] * 3), lattice)
    assert names(lattice, only(joined).cells.tolist()) == "A1 B1 C1 D1 E1 F1"
    apart = ways(features(pieces, lattice, names=["Ash", "Elm", "Oak"]), lattice)
    assert [way.name for way in apart.ways] == ["Ash", "Elm", "Oak"]
    assert apart.shape.tolist() == joined.shape.tolist()


def test_a_line_in_one_cell_crosses_nothing() -> None:
    """A short lane has a cell and no ports."""
    lattice = board(3, 3)
    x, y = lattice.centre_xy[4]
    result = ways(features([shapely.LineString([(x, y), (x + 50, y)])], lattice), lattice)
    assert only(result).cells.tolist() == [4]
    assert not result.ports.any()


def test_a_line_along_a_side_is_one_way() -> None:
    """From H7 to J8, along the side of I7 and I8: either leads there in two steps."""
    lattice = board(18, 14)
    way = only(ways(features([through(lattice, "H7", "J8")], lattice), lattice))
    assert names(lattice, way.cells.tolist()) in ("H7 I7 J8", "H7 I8 J8")
    assert (way.from_edge, way.to_edge) == (False, False)


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_lines_that_meet_on_a_corner_meet_in_a_cell(facing: str) -> None:
    """Whichever way they leave it, and whether it is their start or their end."""
    lattice = board(5, 5, facing)
    for corner in lattice.rings_xy[12]:
        out = [shapely.LineString([corner, centre]) for centre in lattice.centre_xy]
        result = ways(features([*out, *shapely.reverse(out)], lattice), lattice)
        at_corner = [way.cells[0 if way.number <= 25 else -1] for way in result.ways]
        assert len(at_corner) == 50
        assert len(set(at_corner)) == 1
        assert not result.leaves.any()


@pytest.mark.parametrize("inwards_m", [0.0, 20.0])
def test_along_a_straight_edge_no_cut_side_is_crossed(inwards_m: float) -> None:
    """Between two half cells of the front edge the way goes by the whole cell behind them."""
    lattice = board(5, 4, edges="straight")
    y = lattice.centre_xy[0, 1] + inwards_m
    line = shapely.LineString([(lattice.centre_xy[1, 0], y), (lattice.centre_xy[2, 0], y)])
    way = only(ways(features([line], lattice), lattice))
    assert names(lattice, way.cells.tolist()) == "B1 C2 C1"


@pytest.mark.parametrize(
    ("sides", "shape"),
    [
        ((), WayShape.NONE),
        ((4,), WayShape.END),
        ((1, 4), WayShape.STRAIGHT),
        ((0, 2), WayShape.WIDE_BEND),
        ((1, 5), WayShape.WIDE_BEND),
        ((0, 5), WayShape.TIGHT_BEND),
        ((2, 3), WayShape.TIGHT_BEND),
        ((0, 2, 4), WayShape.JUNCTION),
        ((0, 1, 2, 3, 4, 5), WayShape.JUNCTION),
    ],
)
def test_shapes_of_ports(sides: tuple[int, ...], shape: WayShape) -> None:
    """Shapes by the sides between two ports, once or several round."""
    ports = np.zeros((1, 6), dtype=bool)
    ports[0, list(sides)] = True
    assert shapes(ports).tolist() == [shape]


def test_a_full_cell_cuts_the_shorter_way() -> None:
    """Two roads that cross need four sides; with room for three, the shorter one is cut."""
    lattice = board(7, 5)
    long, short = through(lattice, "A3", "G3"), through(lattice, "D1", "D3", "D5")
    result = ways(features([short, long], lattice, names=["Low", "High"]), lattice, most_ports=3)
    assert [way.name for way in result.ways] == ["High", "Low", "Low"]
    assert result.any_ports.sum(axis=1).max() == 3
    (note,) = result.notes
    assert "road 'Low' is cut between" in note
    assert "D3" in note
    check_laws(result)
    assert ways(features([short, long], lattice), lattice, most_ports=4).notes == ()


# Water ------------------------------------------------------------------------------------------


def valley() -> Heights:
    """Make a valley along the middle row of 7 x 5 cells, falling to the right."""
    lattice = board(7, 5)
    row, column = lattice.row.astype(float), lattice.column.astype(float)
    return heights_of(lattice, 100.0 * np.abs(row - 2.0) - 10.0 * column + 100.0)


def test_a_road_over_a_river_is_a_ford_or_a_bridge() -> None:
    """Where it crosses, once; as its width class says."""
    heights = valley()
    lattice = heights.lattice
    water = flow(heights, threshold_m2=4.0 * lattice.area_m2[0])
    road = features([through(lattice, "D1", "D3", "D5")], lattice)
    crossed = ways(road, lattice, water=water).crossings
    cell = lattice.labels.index("D3")
    assert crossed == (WaterCrossing(cell, "ford", 1, 1),)
    width = np.where(water.is_watercourse, 2, 0).astype(np.int8)
    (bridge,) = ways(road, lattice, water=water, width=width).crossings
    assert (bridge.how, bridge.width) == ("bridge", 2)
    (ford,) = ways(road, lattice, water=water, width=width, bridge_from=3).crossings
    assert ford.how == "ford"


def test_a_road_beside_a_river_keeps_out_of_its_bed() -> None:
    """A road drawn along the river takes a row beside it, and crosses nothing."""
    heights = valley()
    lattice = heights.lattice
    water = flow(heights, threshold_m2=4.0 * lattice.area_m2[0])
    (x0, y), (x1, _) = lattice.centre_xy[[14, 20]]
    road = features([shapely.LineString([(x0, y + 150.0), (x1, y + 150.0)])], lattice)
    result = ways(road, lattice, water=water)
    shared = result.any_ports & water.ports
    assert not shared.any()
    assert result.notes == ()


def test_a_side_that_road_and_river_share_is_noted() -> None:
    """On a board of one row there is no other way."""
    lattice = board(4, 2).only(np.arange(8) < 4)
    water = flow(heights_of(lattice, [4.0, 3.0, 2.0, 1.0]), threshold_m2=1.0)
    shared = water.ports.any()
    result = ways(features([through(lattice, "A1", "D1")], lattice), lattice, water=water)
    assert shared == bool(result.notes)
    assert all("cross the same side" in note for note in result.notes)
    assert len(result.notes) == int((result.any_ports & water.ports).sum()) // 2


def test_a_road_along_the_edge_crosses_the_mouth() -> None:
    """The water at a mouth runs off the board, so the road past it needs a bridge or ford."""
    heights = valley()
    lattice = heights.lattice
    water = flow(heights, threshold_m2=4.0 * lattice.area_m2[0])
    road = features([through(lattice, "G2", "G3", "G4")], lattice)
    crossings = ways(road, lattice, water=water).crossings
    assert [names(lattice, [crossing.cell]) for crossing in crossings] == ["G3"]


def test_a_road_along_the_edge_crosses_what_comes_in() -> None:
    """Water that comes onto the board in A3, opposite to where it leaves, is forded there."""
    heights = valley()
    lattice = heights.lattice
    water = flow(heights, threshold_m2=3.0 * lattice.area_m2[0])
    first = lattice.labels.index("A3")
    assert water.ports[first].nonzero()[0].tolist() == [0]
    road = features([through(lattice, "A2", "A3", "A4")], lattice)
    assert ways(road, lattice, water=water).crossings == ()  # it rises in A3
    kind = water.kind.copy()
    kind[first] = WaterKind.ENTRY
    comes_in = replace(water, kind=kind)
    crossings = ways(road, lattice, water=comes_in).crossings
    assert [names(lattice, [crossing.cell]) for crossing in crossings] == ["A3"]


@pytest.mark.parametrize(("beyond", "n_crossings"), [(False, 0), (True, 1)])
def test_a_road_that_leaves_at_a_mouth(beyond: bool, n_crossings: int) -> None:
    """It comes from G5 down to the mouth in G3; if it goes on over the edge, it crosses the water.

    Water runs through G3 from side 3 to the open side 0. The road comes by side 2, on one bank,
    and leaves by side 5, the open one farthest from it, on the other.
    """
    heights = valley()
    lattice = heights.lattice
    water = flow(heights, threshold_m2=4.0 * lattice.area_m2[0])
    line = through(lattice, "G5", "G4", "G3")
    if beyond:
        x, y = lattice.centre_xy[lattice.labels.index("G3")]
        line = shapely.LineString([*line.coords, (x + 600.0, y - 200.0)])
    result = ways(features([line], lattice), lattice, water=water)
    mouth = lattice.labels.index("G3")
    assert result.any_ports[mouth].nonzero()[0].tolist() == [2]
    assert bool(result.leaves[mouth]) == beyond
    assert [crossing.cell for crossing in result.crossings] == [mouth] * n_crossings


# Laws -------------------------------------------------------------------------------------------

POINTS = st.lists(
    st.tuples(st.floats(-3500.0, 3500.0), st.floats(-3500.0, 3500.0)), min_size=2, max_size=12
).filter(lambda points: shapely.LineString(points).length > 1.0)


@given(POINTS, st.sampled_from(["points", "flats"]), st.sampled_from(["whole", "straight"]),
       st.sampled_from([0.9, 1.3, 2.0]))  # fmt: skip
@settings(derandomize=True, deadline=None, max_examples=100)
def test_ways_follow_any_line(
    points: list[tuple[float, float]], facing: str, edges: str, tolerance: float
) -> None:
    """Cells adjoin, lie within tolerance of the line, and leave no point of it on the board out."""
    lattice = board(10, 9, facing, edges)
    line = shapely.LineString(points)
    ground = shapely.union_all(place_cells(lattice).outlines)
    inside = shapely.intersection(line, ground)
    if inside.length < 100.0:
        return
    result = ways(features([line], lattice), lattice, tolerance_cells=tolerance)
    check_laws(result)
    assert result.notes == ()
    radius = tolerance * lattice.across_flats_m + 1e-6
    cells = np.unique(np.concatenate([way.cells for way in result.ways]))
    centres = shapely.points(lattice.centre_xy[cells])
    assert shapely.distance(centres, line).max() <= radius
    near = shapely.union_all(shapely.buffer(centres, radius * 1.01, quad_segs=64))
    left_out = shapely.difference(inside, near)
    assert left_out.length <= 2 * 0.05 * lattice.across_flats_m * len(points)


@given(st.integers(0, 251), st.integers(0, 251), st.sampled_from(["points", "flats"]))
@settings(derandomize=True, deadline=None, max_examples=150)
def test_a_straight_line_takes_as_few_cells_as_can_be(a: int, b: int, facing: str) -> None:
    """Between two centres, a way has the least number of steps, counted breadth first."""
    lattice = board(18, 14, facing)
    if a == b:
        return
    line = shapely.LineString(lattice.centre_xy[[a, b]])
    way = only(ways(features([line], lattice), lattice))
    assert way.cells[[0, -1]].tolist() == [a, b]
    assert len(way.sides) == steps_apart(lattice, a)[b]


def marks(lattice: Lattice) -> NDArray[np.float64]:
    """Return the centres, corners and middles of sides of what is kept of cells, (m, 2)."""
    place = place_cells(lattice)
    rings = place.ring_xy
    middles = (rings + np.roll(rings, -1, axis=1)) / 2.0
    return np.concatenate([place.centre_xy, rings.reshape(-1, 2), middles.reshape(-1, 2)])


@given(st.integers(0, 545), st.integers(0, 545), st.sampled_from(["points", "flats"]),
       st.sampled_from(["whole", "straight"]))  # fmt: skip
@settings(derandomize=True, deadline=None, max_examples=150)
def test_no_straight_line_falls_apart(a: int, b: int, facing: str, edges: str) -> None:
    """Through corners, along sides and edges: one way, of as few steps as can be.

    Along a straight edge it may take more: the cells behind the edge are each within tolerance of
    too short a stretch of the line for a way to go on from one to the next.
    """
    lattice = board(7, 6, facing, edges)
    line = shapely.LineString(marks(lattice)[[a, b]])
    ground = shapely.union_all(shapely.buffer(place_cells(lattice).outlines, 0.01))
    if line.length < 1.0 or not ground.covers(line):
        return
    result = ways(features([line], lattice), lattice)
    check_laws(result)
    way = only(result)
    assert result.notes == ()
    assert (way.from_edge, way.to_edge) == (False, False)
    if edges == "whole":
        assert len(way.sides) == steps_apart(lattice, int(way.cells[0]))[way.cells[-1]]


@given(st.integers(0, 2**32 - 1))
@settings(derandomize=True, deadline=None, max_examples=40)
def test_no_cell_has_more_ports_than_there_is_room_for(seed: int) -> None:
    """However many ways cross, none is lost without a note."""
    rng = np.random.default_rng(seed)
    lattice = board(8, 7)
    lines = [shapely.LineString(rng.uniform(-2500, 2500, (4, 2))) for _ in range(8)]
    result = ways(features(lines, lattice), lattice, most_ports=3)
    check_laws(result)
    assert result.any_ports.sum(axis=1).max() <= 3
    free = ways(features(lines, lattice), lattice)
    assert {way.number for way in free.ways} >= {way.number for way in result.ways}
    is_cut = bool((free.any_ports & ~result.any_ports).any())
    assert is_cut <= bool(result.notes)


def test_turning_a_line_round_turns_the_way_round() -> None:
    """Drawn the other way, the same cells are crossed (no two paths here cost the same)."""
    lattice = board(9, 7)
    points = [(-1700.0, -1100.0), (-300.0, 130.0), (900.0, 260.0), (1700.0, 1210.0)]
    there = only(ways(features([shapely.LineString(points)], lattice), lattice))
    back = only(ways(features([shapely.LineString(points[::-1])], lattice), lattice))
    assert there.cells.tolist() == back.cells[::-1].tolist()


def test_lines_in_degrees_are_carried_to_the_board() -> None:
    """The meridian through the middle of a board, which points north, is its middle column."""
    lattice = Board(5, 6, 100.0, "flats", "whole", 5000.0, 9.0, 46.0)
    line = shapely.LineString([(9.0, 45.0), (9.0, 47.0)])
    way = only(ways(features([line], "OGC:CRS84"), lattice))
    assert names(lattice, way.cells.tolist()) == "C1 C2 C3 C4 C5 C6"


def test_ways_on_the_globe() -> None:
    """On H3 cells, pentagons among them, ways follow lines as on a board."""
    lattice = Globe.covering((9.0, 64.0, 12.0, 65.4), 5)
    is_pentagon = lattice.corner_of[:, 0] == lattice.corner_of[:, -1]
    assert is_pentagon.sum() == 1
    middle = lattice.centre_xy[is_pentagon][0]
    line = shapely.LineString(middle + np.array([(-0.9, -0.3), (0.0, 0.0), (0.7, 0.4)]))
    result = ways(features([line], "OGC:CRS84"), lattice)
    check_laws(result)
    way = only(result)
    assert len(set(way.cells.tolist())) == len(way.cells)
    assert way.offset_cells < 0.5
    assert is_pentagon[way.cells].any()


def test_ways_across_the_antimeridian() -> None:
    """A line cut at the antimeridian goes on in the next cell, on boards and on the globe."""
    halves = shapely.MultiLineString(
        [[(179.965, 5.0), (180.0, 5.0)], [(-180.0, 5.0), (-179.98, 5.0)]]
    )
    flat = Board(9, 7, 50.0, "points", "whole", 20_000.0, 180.0, 5.0)
    globe = Globe.covering((179.9, 4.95, -179.9, 5.05), 7)
    for lattice in (flat, globe):
        result = ways(features([halves], "OGC:CRS84"), lattice)
        check_laws(result)
        first, second = result.ways
        assert first.cells[-1] in {int(second.cells[0]), *lattice.neighbours[second.cells[0]]}
        assert (first.from_edge, second.to_edge) == (False, False)


# Errors -----------------------------------------------------------------------------------------


def test_areas_are_no_ways() -> None:
    """Ways are lines."""
    lattice = board(3, 3)
    with pytest.raises(VectorError, match="read as areas"):
        ways(features([shapely.box(0, 0, 1, 1)], lattice), lattice)


def test_nothing_on_the_board() -> None:
    """Lines elsewhere are answered with both places."""
    lattice = board(3, 3)
    line = shapely.LineString([(1.0, 1.0), (2.0, 2.0)])
    with pytest.raises(VectorError, match="nothing of 'map' lies on the board"):
        ways(features([line], "OGC:CRS84"), lattice)


@pytest.mark.parametrize("tolerance", [0.5, 3.1, float("nan")])
def test_tolerance_out_of_range(tolerance: float) -> None:
    """A tolerance has a range."""
    lattice = board(3, 3)
    with pytest.raises(BriefError, match="tolerance_cells"):
        ways(features([through(lattice, "A1", "C1")], lattice), lattice, tolerance_cells=tolerance)


@pytest.mark.parametrize("ports", [1, 7])
def test_ports_out_of_range(ports: int) -> None:
    """A tile has six sides."""
    lattice = board(3, 3)
    with pytest.raises(BriefError, match="most_ports"):
        ways(features([through(lattice, "A1", "C1")], lattice), lattice, most_ports=ports)


def test_a_gap_between_cells_is_noted() -> None:
    """Where cells touch only in what a straight edge cuts, and nothing is behind, no way leads."""
    whole = board(5, 4, edges="straight")
    lattice = whole.only(np.isin(np.arange(20), [1, 2]))
    y = lattice.centre_xy[0, 1] + 20.0
    line = shapely.LineString([(x, y) for x in lattice.centre_xy[:, 0]])
    result = ways(features([line], lattice), lattice)
    assert result.ways == ()
    assert "are not connected" in result.notes[0]


def test_cells_on_both_sides_of_the_globe() -> None:
    """No frame is true for all the globe at once."""
    globe = Globe.covering((-170.0, -60.0, 170.0, 60.0), 1)
    line = shapely.LineString([(0.0, 0.0), (1.0, 1.0)])
    with pytest.raises(BoardError, match="85 degrees"):
        ways(features([line], "OGC:CRS84"), globe)
