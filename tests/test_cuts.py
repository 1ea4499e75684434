"""`hexterra.stages.tiles.cuts`: widths, banks, ways off the board and sunken roads."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hexterra.catalogue.catalogue import Catalogue
from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.errors import HexterraError
from hexterra.lattice.board import Board
from hexterra.stages.mapping.ways import ways
from hexterra.stages.tiles.cuts import Cuts, cuts, exit_sides
from hexterra.stages.water.flow import Watercourses, WaterKind, flow
from tests.level_ground import heights_of
from tests.map_lines import board, features, through

BOTH = pytest.mark.parametrize("facing", ["points", "flats"])
DEFAULT = load_catalogue()


def valley(columns: int = 7, rows: int = 5, **more: str) -> Watercourses:
    """Let water run to the right along the middle row, from A3 to the last cell and off."""
    lattice = board(columns, rows, **more)
    row, column = lattice.row.astype(float), lattice.column.astype(float)
    mean_m = 100.0 * np.abs(row - rows // 2) - 10.0 * column + 100.0
    return flow(heights_of(lattice, mean_m), threshold_m2=4.0 * float(lattice.area_m2[0]))


def at(lattice: Board, label: str) -> int:
    """Find a cell by its name."""
    return lattice.labels.index(label)


def mid_side(lattice: Board, cell: int, side: int) -> NDArray[np.float64]:
    """Give the middle of a side on the bench, seen from the centre of its cell."""
    angle = math.radians(lattice.corner0_deg + 30.0 + 60.0 * side)
    return np.array([math.cos(angle), math.sin(angle)])


# Water ------------------------------------------------------------------------------------------


def test_dry_board_has_nothing_cut() -> None:
    """Without water and roads every table is empty."""
    lattice = board(3, 3)
    found = cuts(lattice, DEFAULT)
    assert not found.width.any()
    assert not found.upright.any()
    assert not found.road.any()
    assert (found.leaves == -1).all()
    assert (found.road_leaves == -1).all()
    assert found.notes == ()


def test_a_side_is_as_wide_as_where_its_water_comes_from() -> None:
    """Of class 1 down to D3 and 2 from E3 on, only what leaves E3 and later is of class 2."""
    water = valley()
    lattice = water.heights.lattice
    assert isinstance(lattice, Board)
    width = np.where(water.is_watercourse, 1, 0).astype(np.int8)
    wide = [at(lattice, f"{letter}3") for letter in "EFG"]
    width[wide] = 2
    found = cuts(lattice, DEFAULT, water, width=width)
    # with points to the front, side 0 looks to the right and side 3 to the left
    right = 0
    assert found.width[at(lattice, "C3"), right] == 1
    assert found.width[at(lattice, "D3"), right] == found.width[at(lattice, "E3"), 3] == 1
    assert found.width[at(lattice, "E3"), right] == found.width[at(lattice, "F3"), 3] == 2
    assert (found.width[~water.ports & (np.arange(6) != found.leaves[:, None])] == 0).all()


def test_water_runs_off_straight_on() -> None:
    """At the end of the valley the open side opposite to the last port is taken, G3's side 0."""
    water = valley()
    lattice = water.heights.lattice
    assert isinstance(lattice, Board)
    mouth = at(lattice, "G3")
    assert water.kind[mouth] == WaterKind.MOUTH
    assert water.ports[mouth].nonzero()[0].tolist() == [3]
    found = cuts(lattice, DEFAULT, water)
    assert found.leaves[mouth] == 0
    assert found.width[mouth].tolist() == [1, 0, 0, 1, 0, 0]
    assert (
        np.flatnonzero(found.leaves >= 0).tolist()
        == np.flatnonzero(np.isin(water.kind, (WaterKind.MOUTH, WaterKind.ENTRY))).tolist()
    )


def test_tiles_that_the_edge_cuts_have_no_side_to_run_off_by() -> None:
    """Their water runs through the cut."""
    water = valley(edges="straight")
    lattice = water.heights.lattice
    assert isinstance(lattice, Board)
    found = cuts(lattice, DEFAULT, water)
    is_cut = (lattice.kept != 0).any(axis=1)
    assert (water.kind[is_cut] == WaterKind.MOUTH).any()
    assert (found.leaves[is_cut] == -1).all()


def test_a_mouth_is_as_wide_as_the_widest_that_reaches_it() -> None:
    """Though the cell itself be of a lower class: water never narrows."""
    water = valley()
    lattice = water.heights.lattice
    assert isinstance(lattice, Board)
    width = water.is_watercourse.astype(np.int8)
    width[at(lattice, "F3")] = 3
    found = cuts(lattice, DEFAULT, water, width=width)
    assert found.width[at(lattice, "G3")].tolist() == [3, 0, 0, 3, 0, 0]


def test_banks_stand_upright_where_their_water_comes_from_does() -> None:
    """One cell with upright banks has them on the side it runs out by, and that of the next."""
    water = valley()
    lattice = water.heights.lattice
    assert isinstance(lattice, Board)
    upright = np.zeros(lattice.n_cells, np.bool_)
    upright[[at(lattice, "D3"), at(lattice, "G3")]] = True
    found = cuts(lattice, DEFAULT, water, upright=upright)
    expected = {("D3", 0), ("E3", 3), ("G3", 0)}
    sides = np.argwhere(found.upright).tolist()
    assert {(lattice.labels[cell], side) for cell, side in sides} == expected


@settings(max_examples=40)
@given(
    seed=st.integers(0, 2**32 - 1),
    facing=st.sampled_from(["points", "flats"]),
    edges=st.sampled_from(["straight", "whole"]),
)
def test_both_tiles_of_a_side_agree(seed: int, facing: str, edges: str) -> None:
    """On any ground widths and banks are alike on both tiles, and water has a width where it is."""
    rng = np.random.default_rng(seed)
    lattice = board(7, 6, facing, edges)
    water = flow(
        heights_of(lattice, rng.uniform(0.0, 100.0, lattice.n_cells)),
        threshold_m2=3.0 * float(lattice.area_m2[0]),
    )
    width = np.where(water.is_watercourse, rng.integers(1, 4, lattice.n_cells), 0).astype(np.int8)
    upright = water.is_watercourse & (rng.random(lattice.n_cells) < 0.5)
    found = cuts(lattice, DEFAULT, water, width=width, upright=upright)
    for cell, side in np.argwhere(lattice.neighbours >= 0).tolist():
        other, back = lattice.neighbours[cell, side], lattice.back_sides[cell, side]
        assert found.width[cell, side] == found.width[other, back]
        assert found.upright[cell, side] == found.upright[other, back]
        assert (found.width[cell, side] > 0) == water.ports[cell, side]
    for cell in np.flatnonzero(found.leaves >= 0).tolist():
        assert lattice.neighbours[cell, found.leaves[cell]] < 0
        assert not (lattice.kept[cell] != 0).any()
        assert found.width[cell, found.leaves[cell]] == max(found.width[cell].max(), width[cell])
    assert not (found.upright & (found.width == 0)).any()


# Ways off the board -----------------------------------------------------------------------------


@BOTH
def test_the_way_out_is_the_farthest_round_from_all_ports(facing: str) -> None:
    """Oracle: the middle of the side least near to the middles of the ports, by plain geometry."""
    lattice = board(4, 4, facing)
    ports = np.zeros((lattice.n_cells, 6), np.bool_)
    inner = lattice.neighbours >= 0
    ports[np.arange(lattice.n_cells), inner.argmax(axis=1)] = True
    goes_off = np.ones(lattice.n_cells, np.bool_)
    found = exit_sides(lattice, goes_off, ports, ~ports)
    for cell, side in enumerate(found.tolist()):
        open_sides = np.flatnonzero(lattice.neighbours[cell] < 0).tolist()
        if not open_sides:
            assert side == -1
            continue
        port = mid_side(lattice, cell, int(ports[cell].argmax()))
        apart = {s: float(np.linalg.norm(mid_side(lattice, cell, s) - port)) for s in open_sides}
        assert apart[side] == pytest.approx(max(apart.values()))
        assert side == min(s for s in apart if apart[s] > max(apart.values()) - 1e-9)


def test_only_free_sides_are_taken() -> None:
    """With its only open sides taken, nothing is left to run off by."""
    lattice = board(3, 3)
    nothing = np.zeros((9, 6), np.bool_)
    everywhere = np.ones(9, np.bool_)
    assert (exit_sides(lattice, everywhere, nothing, nothing) == -1).all()
    nobody = np.zeros(9, np.bool_)
    assert (exit_sides(lattice, nobody, nothing, ~nothing) == -1).all()


# Sunken roads -----------------------------------------------------------------------------------


def test_a_sunken_road_runs_along_its_cells_and_off_the_board() -> None:
    """Along the row A2 to D2, with both ends beyond: side 0 of each but the last, and its back."""
    lattice = board(4, 3)
    west, east = lattice.centre_xy[at(lattice, "A2")], lattice.centre_xy[at(lattice, "D2")]
    far = 2.0 * (east - west)
    road = features([shapely.LineString([west - far, east + far])], lattice, kinds=["holloway"])
    found = cuts(lattice, DEFAULT, roads=ways(road, lattice), sunken=["holloway"])
    cells = [at(lattice, f"{letter}2") for letter in "ABCD"]
    assert found.road[cells].astype(int).tolist() == [
        [1, 0, 0, 0, 0, 0],
        [1, 0, 0, 1, 0, 0],
        [1, 0, 0, 1, 0, 0],
        [0, 0, 0, 1, 0, 0],
    ]
    assert found.road.sum() == 6
    assert found.road_leaves[cells].tolist() == [3, -1, -1, 0]


def test_only_the_kinds_that_are_sunken_are_cut() -> None:
    """Others are laid on top."""
    lattice = board(4, 3)
    lines = [through(lattice, "A1", "D1"), through(lattice, "A3", "D3")]
    roads = ways(features(lines, lattice, kinds=["holloway", "road"]), lattice)
    found = cuts(lattice, DEFAULT, roads=roads, sunken=["holloway"])
    assert {lattice.labels[cell][-1] for cell in np.flatnonzero(found.road.any(axis=1))} == {"1"}
    assert not cuts(lattice, DEFAULT, roads=roads).road.any()
    assert not cuts(lattice, DEFAULT, roads=roads, sunken=["canal"]).road.any()


def test_a_sunken_road_stops_at_water() -> None:
    """Where it fords the river it is laid on top; on dry ground it is cut."""
    water = valley()
    lattice = water.heights.lattice
    assert isinstance(lattice, Board)
    road = features([through(lattice, "D1", "D3", "D5")], lattice, kinds=["holloway"])
    roads = ways(road, lattice, water=water)
    found = cuts(lattice, DEFAULT, water, roads=roads, sunken=["holloway"])
    assert roads.any_ports[at(lattice, "D3")].any()
    assert not found.road[at(lattice, "D3")].any()
    assert found.road[at(lattice, "D1")].any()
    assert not (found.road.any(axis=1) & water.is_watercourse).any()


def test_a_road_that_no_piece_joins_is_laid_on_top_and_noted() -> None:
    """A catalogue without forks has none cut where two sunken roads meet, at C3."""
    lattice = board(5, 5)
    lines = [through(lattice, "A3", "E3"), through(lattice, "C3", "C5")]
    roads = ways(features(lines, lattice, kinds=["holloway", "holloway"]), lattice)
    few = Catalogue(
        DEFAULT.patterns,
        DEFAULT.crossings,
        tuple(road for road in DEFAULT.roads if road.name in ("straight", "wide bend", "tight bend",
                                                              "end")),
    )  # fmt: skip
    fork = at(lattice, "C3")
    assert cuts(lattice, DEFAULT, roads=roads, sunken=["holloway"]).road[fork].sum() == 3
    found = cuts(lattice, few, roads=roads, sunken=["holloway"])
    assert not found.road[fork].any()
    (note,) = found.notes
    assert note.startswith("The sunken road in C3 joins the sides 0 ")
    assert found.road[at(lattice, "B3")].any()


# The value --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["width", "upright", "leaves", "road", "road_leaves"])
def test_tables_of_another_length_are_refused(name: str) -> None:
    """Each table has a row for each cell."""
    found = cuts(board(3, 3), DEFAULT)
    tables = {key: getattr(found, key) for key in ("width", "upright", "leaves", "road",
                                                   "road_leaves")}  # fmt: skip
    tables[name] = tables[name][1:]
    with pytest.raises((ValueError, HexterraError), match=name):
        Cuts(found.lattice, **tables)
