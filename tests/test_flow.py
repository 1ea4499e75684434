"""Watercourses: worked by hand, against plain twins, a published library, and laws."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import h3
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hexterra.errors import BriefError
from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.lattice.lattice import Lattice
from hexterra.stages.sampling.gather import Heights
from hexterra.stages.water.flow import (
    WaterKind,
    flow,
)
from tests.level_ground import heights_of
from tests.plain import flow as plain
from tests.water_laws import check_laws, fractal

# Cells of `flower()`: the middle one, and its neighbours across sides 0 to 5.
MIDDLE = 3
PETALS = (4, 6, 5, 2, 0, 1)


def board(columns: int, rows: int, facing: Any = "points") -> Board:
    """Make a board of whole cells on invented ground."""
    return Board(columns, rows, 100.0, facing, "whole", 5000.0, 9.0, 46.0)


def flower() -> Board:
    """Make a board of one cell and its six neighbours."""
    whole = board(3, 3)
    return whole.only(np.isin(np.arange(9), [0, 1, 3, 4, 5, 6, 7]))


def flower_heights(middle: float, petals: tuple[float, ...]) -> Heights:
    """Make the heights of a flower, its petals in order of the sides of the middle cell."""
    mean = np.empty(7)
    mean[MIDDLE] = middle
    mean[list(PETALS)] = petals
    return heights_of(flower(), mean)


@st.composite
def grounds(draw: st.DrawFn, least: int = 0, most: int = 9) -> Heights:
    """Draw a small board of either facing, some cells left out, whole heights with many ties."""
    lattice: Lattice = board(
        draw(st.integers(2, 7)), draw(st.integers(2, 7)), draw(st.sampled_from(["points", "flats"]))
    )
    n = lattice.n_cells
    left_out = draw(st.sets(st.integers(0, n - 1), max_size=n // 4))
    lattice = lattice.only(~np.isin(np.arange(n), list(left_out)))
    n = lattice.n_cells
    mean = draw(st.lists(st.integers(least, most), min_size=n, max_size=n))
    return heights_of(lattice, mean)


# By hand ---------------------------------------------------------------------------------------


def test_a_flower_with_one_low_petal_drains_through_it() -> None:
    """Of six petals round a hill of 6 m, those beside the outlet run to it, the rest downhill."""
    water = flow(flower_heights(6.0, (1.0, 2.0, 3.0, 4.0, 5.0, 2.5)), threshold_m2=1.0)
    # Petal 1 and 5 and the middle adjoin petal 0; 2 runs to 1, 3 to 2, 4 to 5: each the lowest.
    receiver = dict(zip(PETALS, water.receiver[list(PETALS)].tolist(), strict=True))
    assert receiver == {4: 4, 6: 4, 5: 6, 2: 5, 0: 1, 1: 4}
    assert water.receiver[MIDDLE] == PETALS[0]
    assert water.receiver_side[MIDDLE] == 0
    cell_m2 = water.heights.lattice.area_m2[0]
    np.testing.assert_allclose(
        water.catchment_m2[[MIDDLE, *PETALS]] / cell_m2, [1, 7, 3, 2, 1, 1, 2], rtol=1e-15
    )
    assert water.kind[[MIDDLE, *PETALS]].tolist() == [
        WaterKind.SPRING, WaterKind.MOUTH, WaterKind.REACH, WaterKind.REACH,
        WaterKind.SPRING, WaterKind.SPRING, WaterKind.REACH,
    ]  # fmt: skip
    assert np.flatnonzero(water.ports[PETALS[0]]).tolist() == [2, 3, 4]
    assert water.notes == ()
    check_laws(water)


def test_a_depression_fills_to_its_lowest_pass() -> None:
    """A hole in a flower fills to the lowest petal, which is its outlet."""
    water = flow(flower_heights(-7.5, (9.0, 5.0, 6.0, 4.0, 8.0, 7.0)), threshold_m2=1e12)
    assert water.filled_m[MIDDLE] == 4.0
    assert water.receiver[MIDDLE] == PETALS[3]
    assert (water.filled_m[list(PETALS)] == [9.0, 5.0, 6.0, 4.0, 8.0, 7.0]).all()
    # Every other petal runs to the lake: as high as the outlet, and of lower ground.
    assert (water.receiver[[PETALS[s] for s in (0, 1, 2, 4, 5)]] == MIDDLE).all()


def test_a_deep_depression_keeps_its_pool_where_asked() -> None:
    """The hole keeps its water if it is deeper than the pool depth, and only then."""
    heights = flower_heights(0.0, (10.0, 11.0, 12.0, 13.0, 14.0, 15.0))
    filled = flow(heights, threshold_m2=1.0, pool_depth_m=10.0)
    assert (filled.kind != WaterKind.POOL).all()
    assert filled.filled_m[MIDDLE] == 10.0
    kept = flow(heights, threshold_m2=1.0, pool_depth_m=9.9)
    assert kept.filled_m[MIDDLE] == 0.0
    assert kept.kind[MIDDLE] == WaterKind.POOL
    assert kept.outflow[MIDDLE] == -1
    # Six inflows, room for three. Petal 5 (15 m) turns to 0 (10 m), the largest of its hosts
    # with room; then 4 to 3, as 5 is gone; then 2 to 1.
    assert kept.receiver[list(PETALS)].tolist() == [
        MIDDLE, MIDDLE, PETALS[1], MIDDLE, PETALS[3], PETALS[0],
    ]  # fmt: skip
    assert np.flatnonzero(kept.ports[MIDDLE]).tolist() == [0, 1, 3]
    assert len(kept.notes) == 3
    check_laws(kept)


def test_a_third_inflow_is_turned_into_its_neighbour() -> None:
    """Of three equal inflows at sides 2, 3, 4 the last flooded turns into the one beside it."""
    water = flow(flower_heights(5.0, (1.0, 10.0, 20.0, 30.0, 40.0, 50.0)), threshold_m2=1.0)
    assert water.receiver[PETALS[4]] == PETALS[3]
    assert water.receiver[PETALS[3]] == MIDDLE
    assert np.flatnonzero(water.ports[MIDDLE]).tolist() == [0, 2, 3]
    assert water.kind[MIDDLE] == WaterKind.CONFLUENCE
    assert water.kind[PETALS[3]] == WaterKind.REACH
    cell_m2 = water.heights.lattice.area_m2[0]
    assert water.catchment_m2[PETALS[3]] == 2 * cell_m2
    label = water.heights.lattice.labels
    assert water.notes == (
        f"The watercourse from {label[PETALS[4]]} runs to {label[PETALS[3]]} instead of"
        f" {label[MIDDLE]}, which has 3 inflows and room for 2.",
    )
    check_laws(water)


def test_a_third_inflow_that_cannot_turn_is_dropped_with_all_above_it() -> None:
    """Where the main inflow lies highest, nothing can turn into it, and the smallest goes."""
    wide = board(5, 3)
    # The flower in the middle of the board, one cell beyond its petal 3, one beyond its petal 4.
    middle = 7
    petals = wide.neighbours[middle]
    beyond_3 = wide.neighbours[petals[3], 3]
    chosen = np.sort([middle, *petals, beyond_3])
    lattice = wide.only(np.isin(np.arange(15), chosen))
    place = {int(cell): k for k, cell in enumerate(chosen)}
    mean = np.empty(8)
    mean[[place[int(c)] for c in (middle, *petals, beyond_3)]] = (
        5.0, 1.0, 10.0, 20.0, 40.0, 30.0, 50.0, 100.0,
    )  # fmt: skip
    water = flow(heights_of(lattice, mean), threshold_m2=1.0)
    at = [place[int(c)] for c in petals]
    assert water.kind[at[4]] == WaterKind.DRY
    assert water.receiver[at[4]] == place[middle]  # its water still runs there
    assert water.kind[place[middle]] == WaterKind.CONFLUENCE
    assert water.kind[at[3]] == WaterKind.REACH
    assert len(water.notes) == 1
    assert lattice.labels[at[4]] in water.notes[0]
    assert "(1 cell, " in water.notes[0]
    check_laws(water)


def test_ties_go_to_lower_water_then_lower_ground_then_lower_number() -> None:
    """A hill among equal petals runs to the lowest number; lower ground under water wins."""
    level = flow(flower_heights(2.0, (1.0,) * 6), threshold_m2=1.0)
    assert level.receiver[MIDDLE] == min(PETALS)
    # Two holes, both filled to the rim of the board; the hill between them runs to the deeper.
    lattice = board(7, 3)
    mean = np.full(21, 5.0)
    row = 7
    mean[[row + 1, row + 2, row + 3, row + 4, row + 5]] = (3.0, 4.0, 9.0, 2.0, 3.0)
    water = flow(heights_of(lattice, mean), threshold_m2=1.0)
    assert (water.filled_m[[row + 1, row + 2, row + 4, row + 5]] == 5.0).all()
    assert water.receiver[row + 3] == row + 4


def test_flat_ground_drains_by_the_shortest_way() -> None:
    """On level ground no cell runs further than its distance from the rim."""
    lattice = board(9, 9)
    water = flow(heights_of(lattice, np.full(81, 3.0)), threshold_m2=1e12)
    assert (water.receiver == np.arange(81))[lattice.is_rim].all()
    assert not water.is_watercourse.any()
    check_laws(water)


def test_water_leaves_beside_cells_that_are_left_out() -> None:
    """A cell left out in the middle of a bowl is a hole that all of it drains into."""
    whole = board(7, 7)
    hole = 3 * 7 + 3
    lattice = whole.only(np.arange(49) != hole)
    distance = np.hypot(*(whole.centre_mm - whole.centre_mm[hole]).T)
    water = flow(heights_of(lattice, np.delete(distance, hole)), threshold_m2=1.0)
    np.testing.assert_array_equal(water.filled_m, water.heights.mean_m)
    sinks = np.flatnonzero(water.receiver == np.arange(48))
    beside = np.delete((whole.neighbours == hole).any(axis=1), hole)
    assert beside[sinks].all()
    assert water.catchment_m2[sinks].sum() == pytest.approx(lattice.area_m2.sum())
    check_laws(water)


def test_a_lone_wet_cell_is_no_watercourse() -> None:
    """An outlet that nothing runs into has no port, however low the threshold."""
    lattice = board(3, 3)
    lone = lattice.only(np.arange(9) == 4)
    water = flow(heights_of(lone, [7.0]), threshold_m2=1e-9)
    assert not water.is_watercourse.any()
    assert water.kind.tolist() == [WaterKind.DRY]
    check_laws(water)


def test_a_threshold_of_whole_cells_takes_in_their_sum() -> None:
    """A threshold of k times the cell area is met by k cells, however their sum is rounded."""
    lattice = board(12, 3)
    column = np.tile(np.arange(12.0), 3)
    mean = column + np.repeat([50.0, 0.0, 50.0], 12)  # a trough that runs down to the left
    for k in (3, 6, 7, 11):
        water = flow(heights_of(lattice, mean), threshold_m2=k * float(lattice.area_m2[0]))
        n_cells = np.rint(water.catchment_m2 / lattice.area_m2[0])
        np.testing.assert_array_equal(water.is_watercourse, n_cells >= k)


def test_no_watercourse_follows_a_straight_edge() -> None:
    """Ground that falls along the front edge sends no water over the sides that the edge cuts."""
    for facing in ("points", "flats"):
        lattice = replace(board(9, 7, facing), edges="straight")
        for axis in (0, 1):
            water = flow(heights_of(lattice, -lattice.centre_mm[:, axis]), threshold_m2=1.0)
            runs = np.flatnonzero(water.outflow >= 0)
            assert len(runs) > 20
            here, there = lattice.kept[runs], lattice.kept[water.receiver[runs]]
            assert not ((here != 0) & (here == there)).any()


# Twins and laws --------------------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=150)
@given(heights=grounds())
def test_the_flood_equals_its_plain_twin(heights: Heights) -> None:
    """Fill, receivers and order are those of a plain heap, ties and left-out cells included."""
    lattice = heights.lattice
    neighbours = lattice.neighbours.tolist()
    mean = heights.mean_m.tolist()
    sources = np.flatnonzero(lattice.is_rim).tolist()
    filled, parent, visited = plain.flood(mean, neighbours, sources)
    water = flow(heights, threshold_m2=1e12)
    assert water.filled_m.tolist() == filled
    assert water.order[::-1].tolist() == visited
    assert water.receiver.tolist() == plain.receivers(mean, neighbours, filled, parent)


def test_a_large_flood_equals_its_plain_twin() -> None:
    """The same holds for 10,000 cells, which need several words of the kernel's bit set."""
    lattice = board(125, 80)
    heights = heights_of(lattice, np.round(fractal(80, 125, seed=3).ravel()) - 400.0)
    neighbours = lattice.neighbours.tolist()
    mean = heights.mean_m.tolist()
    sources = np.flatnonzero(lattice.is_rim).tolist()
    filled, parent, visited = plain.flood(mean, neighbours, sources)
    water = flow(heights, threshold_m2=1e12)
    assert water.filled_m.tolist() == filled
    assert water.order[::-1].tolist() == visited
    assert water.receiver.tolist() == plain.receivers(mean, neighbours, filled, parent)


@settings(derandomize=True, deadline=None, max_examples=200)
@given(
    heights=grounds(),
    n_cells=st.integers(1, 6),
    pool_depth_m=st.none() | st.integers(1, 6).map(float),
)
def test_the_laws_hold(heights: Heights, n_cells: int, pool_depth_m: float | None) -> None:
    """Whatever the ground, all promises hold; a threshold of one cell crowds every place."""
    threshold_m2 = n_cells * float(heights.lattice.area_m2[0])
    check_laws(flow(heights, threshold_m2=threshold_m2, pool_depth_m=pool_depth_m))


def test_the_laws_hold_where_watercourses_crowd() -> None:
    """On rough ground with every cell wet, hundreds of cells are repaired, and all laws hold."""
    lattice = board(60, 40)
    heights = heights_of(lattice, fractal(40, 60, seed=5).ravel())
    water = flow(heights, threshold_m2=1.0, pool_depth_m=20.0)
    assert any("instead of" in note for note in water.notes)
    assert any("left out" in note for note in water.notes)
    assert (water.kind == WaterKind.POOL).any()
    check_laws(water)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(heights=grounds())
def test_only_the_order_of_heights_matters(heights: Heights) -> None:
    """A strictly rising map of the heights moves the water level along and nothing else."""
    curved = replace(heights, mean_m=heights.mean_m**3 - 100.0)
    cell_m2 = float(heights.lattice.area_m2[0])
    one, other = (flow(h, threshold_m2=2 * cell_m2) for h in (heights, curved))
    np.testing.assert_array_equal(other.filled_m, one.filled_m**3 - 100.0)
    np.testing.assert_array_equal(other.receiver, one.receiver)
    np.testing.assert_array_equal(other.kind, one.kind)
    assert other.notes == one.notes


@pytest.mark.parametrize(("facing", "columns", "rows"), [("points", 12, 9), ("flats", 9, 12)])
@settings(derandomize=True, deadline=None, max_examples=25)
@given(seed=st.integers(0, 10**6))
def test_a_mirrored_board_has_the_mirrored_watercourses(
    facing: str, columns: int, rows: int, seed: int
) -> None:
    """Where no two heights tie, mirroring the ground mirrors receivers, ports and kinds."""
    lattice = board(columns, rows, facing)
    mean = np.random.default_rng(seed).permutation(lattice.n_cells).astype(float)
    # The mirror that keeps shifted rows (points) or columns (flats) shifted, and its sides.
    axis, sides = (0, -np.arange(6) % 6) if facing == "points" else (1, (2 - np.arange(6)) % 6)
    to = np.flip(np.arange(lattice.n_cells).reshape(rows, columns), axis).ravel()
    threshold_m2 = 2 * float(lattice.area_m2[0])
    one = flow(heights_of(lattice, mean), threshold_m2=threshold_m2, pool_depth_m=30.0)
    other = flow(heights_of(lattice, mean[to]), threshold_m2=threshold_m2, pool_depth_m=30.0)
    np.testing.assert_array_equal(other.filled_m, one.filled_m[to])
    np.testing.assert_array_equal(to[other.receiver], one.receiver[to])
    np.testing.assert_array_equal(other.catchment_m2, one.catchment_m2[to])
    np.testing.assert_array_equal(other.ports, one.ports[to][:, sides])
    np.testing.assert_array_equal(other.kind, one.kind[to])


@settings(derandomize=True, deadline=None, max_examples=60)
@given(seed=st.integers(0, 10**6), depth=st.integers(1, 60))
def test_pools_are_the_pits_that_last(seed: int, depth: int) -> None:
    """Sinks inside the board are exactly the pits whose persistence exceeds the pool depth."""
    lattice = board(9, 9)
    mean = np.random.default_rng(seed).permutation(81).astype(float)
    water = flow(heights_of(lattice, mean), threshold_m2=1.0, pool_depth_m=float(depth))
    sinks = set(np.flatnonzero((water.receiver == np.arange(81)) & ~lattice.is_rim).tolist())
    outlets = np.flatnonzero(lattice.is_rim).tolist()
    assert sinks == plain.lasting_pits(mean.tolist(), lattice.neighbours.tolist(), outlets, depth)
    assert (water.filled_m - mean <= depth).all()


def test_flow_is_repeatable_and_its_arrays_are_read_only() -> None:
    """Equal input gives an equal digest, and no array can be written."""
    heights = heights_of(board(30, 20), fractal(20, 30, seed=1).ravel())
    one, other = (flow(heights, threshold_m2=1e6) for _ in range(2))
    assert one.same_as(other)
    with pytest.raises(ValueError, match="read-only"):
        one.receiver[0] = 1


# On the globe ----------------------------------------------------------------------------------


def test_water_flows_round_a_pentagon() -> None:
    """A bowl around a pentagon drains to it through five sides, its sixth is none."""
    pentagon = sorted(h3.get_pentagons(5))[3]
    disk = np.array([h3.str_to_int(cell) for cell in h3.grid_disk(pentagon, 4)], dtype=np.uint64)
    globe = Globe(disk)
    middle = int(np.searchsorted(globe.cells, h3.str_to_int(pentagon)))
    ring = [h3.grid_distance(pentagon, label) for label in globe.labels]
    water = flow(heights_of(globe, ring), threshold_m2=1.0, pool_depth_m=3.5)
    assert water.kind[middle] == WaterKind.POOL
    assert water.catchment_m2[middle] == pytest.approx(globe.area_m2.sum(), rel=1e-12)
    assert not water.ports[middle, 5]
    check_laws(water)
    check_laws(flow(heights_of(globe, ring), threshold_m2=1.0))
    rough = np.random.default_rng(8).permutation(globe.n_cells)
    check_laws(flow(heights_of(globe, rough), threshold_m2=1.0))


def test_water_crosses_the_antimeridian() -> None:
    """Ground that falls to the east carries a watercourse from 179 E to 179 W."""
    globe = Globe.covering((178.5, -17.5, -178.5, -16.5), 5)
    east_deg = globe.centre_xy[:, 0] % 360.0
    water = flow(heights_of(globe, 1000.0 - 100.0 * east_deg), threshold_m2=3e8)
    runs = np.flatnonzero(water.outflow >= 0)
    crossing = (globe.centre_xy[runs, 0] > 0) & (globe.centre_xy[water.receiver[runs], 0] < 0)
    assert crossing.any()
    check_laws(water)


# Against a library -----------------------------------------------------------------------------

#: landlab rounds the positions of its nodes to a fraction of a metre; far apart it does no harm.
LANDLAB_STRETCH = 2.0**20


def landlab_order(rows: int, columns: int) -> NDArray[np.int64]:
    """Cells of `board(columns, rows)` in the order of landlab's nodes: rows mirrored."""
    return np.arange(rows * columns).reshape(rows, columns)[:, ::-1].ravel()


def hex_grid(lattice: Board, mean_m: NDArray[np.float64]) -> object:
    """Make landlab's hexagonal grid of the same cells (landlab 2, Hobley et al., 2017)."""
    from landlab import HexModelGrid

    grid = HexModelGrid(
        (lattice.rows, lattice.columns),
        spacing=lattice.across_flats_m * LANDLAB_STRETCH,
        node_layout="rect",
        orientation="horizontal",
    )
    to = landlab_order(lattice.rows, lattice.columns)
    grid.add_field("topographic__elevation", mean_m[to].copy(), at="node")
    # The two are the same lattice: neighbours agree as sets.
    number = np.argsort(to)
    ours = np.where(lattice.neighbours < 0, -1, number[lattice.neighbours])[to]
    np.testing.assert_array_equal(
        np.sort(ours, axis=1), np.sort(grid.adjacent_nodes_at_node, axis=1)
    )
    return grid


def route_with_landlab(
    lattice: Board, mean_m: NDArray[np.float64], **choices: str
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Return landlab's receivers, catchments and depths of water, in the order of our cells."""
    from landlab.components import FlowAccumulator

    grid: Any = hex_grid(lattice, mean_m)
    FlowAccumulator(grid, flow_director="FlowDirectorSteepest", **choices).run_one_step()
    back = np.argsort(landlab_order(lattice.rows, lattice.columns))
    receiver = landlab_order(lattice.rows, lattice.columns)[grid.at_node["flow__receiver_node"]]
    depth = grid.at_node["depression__depth"][back] if choices else np.zeros(lattice.n_cells)
    return receiver[back], grid.at_node["drainage_area"][back] / LANDLAB_STRETCH**2, depth


def falling_ground(lattice: Board, seed: int) -> NDArray[np.float64]:
    """Make whole heights without a tie or depression, the rim far below all else.

    Each cell lies above the one that a flood of rough ground reached it from. The rim lies low
    because landlab lets no water back in from there.
    """
    rough = fractal(lattice.rows, lattice.columns, seed).ravel()
    sources = np.flatnonzero(lattice.is_rim).tolist()
    _, _, visited = plain.flood(rough.tolist(), lattice.neighbours.tolist(), sources)
    mean = np.empty(lattice.n_cells)
    mean[visited] = np.arange(lattice.n_cells)
    mean[lattice.is_rim] -= lattice.n_cells
    return mean


def test_the_fill_is_bit_equal_to_landlab() -> None:
    """The water level equals landlab's SinkFillerBarnes in every bit."""
    from landlab.components import SinkFillerBarnes

    lattice = board(60, 40)
    mean = fractal(40, 60, seed=2).ravel()
    water = flow(heights_of(lattice, mean), threshold_m2=1e6)
    grid: Any = hex_grid(lattice, mean)
    SinkFillerBarnes(grid, method="Steepest", fill_flat=True).run_one_step()
    theirs = grid.at_node["topographic__elevation"]
    assert (water.filled_m > mean).any()
    np.testing.assert_array_equal(water.filled_m[landlab_order(40, 60)], theirs)


def test_catchments_equal_landlab_on_ground_without_depressions() -> None:
    """Every inner cell has the receiver and the catchment of landlab's steepest descent."""
    lattice = board(60, 40)
    mean = falling_ground(lattice, seed=4)
    water = flow(heights_of(lattice, mean), threshold_m2=1e12)
    np.testing.assert_array_equal(water.filled_m, mean)
    receiver, catchment_m2, _ = route_with_landlab(lattice, mean)
    inner = ~lattice.is_rim
    np.testing.assert_array_equal(water.receiver[inner], receiver[inner])
    np.testing.assert_allclose(water.catchment_m2[inner], catchment_m2[inner], rtol=1e-12)


def test_catchments_through_pits_equal_landlab() -> None:
    """Water runs through pits of one cell, wide apart, as landlab's depression router says.

    Each pit lies a quarter metre below its lowest neighbour, on ground of whole metres. In deeper
    water the rules differ: landlab goes by the ground under it, we by its surface.
    """
    lattice = board(60, 40)
    mean = falling_ground(lattice, seed=6)
    is_free = ~lattice.is_rim
    is_free[lattice.neighbours[lattice.is_rim]] = False  # no rim cell may run into a pit
    n_pits = 0
    for cell in np.random.default_rng(6).permutation(lattice.n_cells):
        around = lattice.neighbours[cell]
        if is_free[cell]:
            mean[cell] = mean[around].min() - 0.25
            is_free[lattice.neighbours[around]] = False
            n_pits += 1
    water = flow(heights_of(lattice, mean), threshold_m2=1e12)
    assert (water.filled_m > mean).sum() == n_pits > 100
    _, catchment_m2, depth_m = route_with_landlab(
        lattice, mean, depression_finder="DepressionFinderAndRouter"
    )
    inner = ~lattice.is_rim
    np.testing.assert_array_equal(water.filled_m - mean, depth_m)
    np.testing.assert_allclose(water.catchment_m2[inner], catchment_m2[inner], rtol=1e-12)


def test_lakes_are_as_deep_as_those_of_landlab() -> None:
    """On rough ground the depth of water equals that of landlab's depression router."""
    lattice = board(40, 30)
    mean = fractal(30, 40, seed=7).ravel()
    water = flow(heights_of(lattice, mean), threshold_m2=1e12)
    _, _, depth_m = route_with_landlab(lattice, mean, depression_finder="DepressionFinderAndRouter")
    assert (depth_m > 0.0).any()
    np.testing.assert_array_equal(water.filled_m - mean, depth_m)


# Errors ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf")])
@pytest.mark.parametrize("name", ["threshold_m2", "pool_depth_m"])
def test_sizes_must_be_positive(name: str, value: float) -> None:
    """A threshold or pool depth that is not a finite number above 0 is refused by name."""
    heights = flower_heights(1.0, (2.0,) * 6)
    asked: dict[str, Any] = {"threshold_m2": 1.0} | {name: value}
    with pytest.raises(BriefError, match=name) as caught:
        flow(heights, **asked)
    assert caught.value.facts["name"] == name
