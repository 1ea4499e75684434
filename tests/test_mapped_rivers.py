"""Drawn rivers: worked by hand, and laws on any ground with any lines."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.errors import BriefError
from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.lattice.lattice import Lattice
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.levels.quantise import quantise
from hexterra.stages.mapping.mapped_rivers import Direction, watercourses_from_lines
from hexterra.stages.mapping.ways import Ways, ways
from hexterra.stages.tiles.fit import fit
from hexterra.stages.water.flow import Watercourses, WaterKind
from tests.drawn_rivers import computed, drawn, rivers, slope
from tests.level_ground import heights_of
from tests.map_lines import board, features, names, through
from tests.water_laws import check_laws, fractal


def course(water: Watercourses, label: str) -> str:
    """Follow the water from a cell to where it ends."""
    labels = water.heights.lattice.labels
    cells = [labels.index(label)]
    while (onward := int(water.receiver[cells[-1]])) != cells[-1]:
        cells.append(onward)
    return names(water.heights.lattice, cells)


# Known answers ----------------------------------------------------------------------------------


def test_a_river_runs_along_its_line_against_the_slope_of_the_ground() -> None:
    """Across the slope, where no water would go by itself; then on down the slope to the edge."""
    heights = slope()
    lines = rivers(heights, ("C2", "D4"))
    water = drawn(heights, lines)
    assert course(water, "C2").startswith("C2 C3 D4 E4")
    check_laws(water)
    labels = heights.lattice.labels
    assert water.kind[labels.index("C2")] == WaterKind.SPRING
    assert all(water.kind[labels.index(name)] == WaterKind.REACH for name in ("C3", "D4", "E4"))
    (mouth,) = np.flatnonzero(water.kind == WaterKind.MOUTH)
    assert heights.lattice.is_rim[mouth]


def test_a_river_that_leaves_the_board_ends_in_a_mouth() -> None:
    """The last cell before the edge is the mouth."""
    heights = slope()
    lattice = heights.lattice
    assert isinstance(lattice, Board)
    x, y = lattice.centre_xy[lattice.labels.index("D3")]
    line = shapely.LineString([(x, y), (x, y + 1e5)])
    lines = ways(features([line], lattice, kinds=["river"]), lattice)
    water = drawn(heights, lines)
    end = course(water, "D3").split()[-1]
    assert lattice.row[lattice.labels.index(end)] == lattice.rows - 1
    assert water.kind[lattice.labels.index(end)] == WaterKind.MOUTH


@pytest.mark.parametrize("direction", ["line", "height"])
def test_a_river_that_comes_onto_the_board_has_an_entry(direction: Direction) -> None:
    """One drawn from beyond the edge enters in the first cell; one drawn from the rim rises."""
    heights = slope()
    lattice = heights.lattice
    assert isinstance(lattice, Board)
    first, last = (lattice.centre_xy[lattice.labels.index(name)] for name in ("C1", "D4"))
    for start, kind in (((first[0], first[1] - 1e5), WaterKind.ENTRY), (first, WaterKind.SPRING)):
        line = shapely.LineString([start, first, last])
        if direction == "height":  # C1 is still the higher end
            line = line.reverse()
        lines = ways(features([line], lattice, kinds=["river"]), lattice)
        water = drawn(heights, lines, direction=direction)
        heads = np.flatnonzero(water.is_watercourse & (water.ports.sum(axis=1) == 1))
        (cell,) = [c for c in heads if water.outflow[c] >= 0 and lattice.row[c] == 0]
        assert water.kind[cell] == kind
        check_laws(water)


def test_a_tributary_joins_and_the_confluence_has_three_ports() -> None:
    """Two rivers that meet run on as one."""
    heights = slope()
    lines = rivers(heights, ("A3", "G3"), ("C5", "D3"), titles=("Ash", "Elm"))
    water = drawn(heights, lines)
    check_laws(water)
    labels = heights.lattice.labels
    assert course(water, "A3") == "A3 B3 C3 D3 E3 F3 G3"
    meeting = np.flatnonzero(water.kind == WaterKind.CONFLUENCE)
    assert len(meeting) == 1
    assert water.ports[meeting[0]].sum() == 3
    assert labels[meeting[0]] in {"C3", "D3"}


def test_a_third_drawn_inflow_finds_no_room() -> None:
    """Three rivers that meet in one cell: the shortest ends before it, and a note says so."""
    heights = slope(9, 7)
    lines = rivers(
        heights,
        ("A4", "E4", "I4"),
        ("E1", "E4"),
        ("E7", "E4"),
        titles=("Ash", "Elm", "Oak"),
    )
    water = drawn(heights, lines)
    check_laws(water)
    assert any("'Oak' ends in" in note for note in water.notes)


def test_direction_by_height_turns_a_line_that_is_drawn_uphill() -> None:
    """Drawn uphill, a river runs as drawn and is noted, or by height the other way."""
    heights = slope()
    lines = rivers(heights, ("G3", "A3"))
    as_drawn = drawn(heights, lines)
    assert course(as_drawn, "G3").startswith("G3 F3 E3 D3 C3 B3 A3")
    assert any("drawn uphill" in note for note in as_drawn.notes)
    by_height = drawn(heights, lines, direction="height")
    assert course(by_height, "A3") == "A3 B3 C3 D3 E3 F3 G3"
    assert by_height.notes == ()


def test_a_drawn_river_takes_the_place_of_the_computed_one_beside_it() -> None:
    """A valley runs along one row; the map has its river one row further: there is one river."""
    lattice = board(9, 6)
    heights = heights_of(lattice, 100.0 * np.abs(lattice.row - 2.0) - 10.0 * lattice.column + 500.0)
    before = computed(heights, 5.0)
    assert course(before, "A3") == "A3 B3 C3 D3 E3 F3 G3 H3 I3"
    lines = rivers(heights, ("A4", "I4"))
    water = drawn(heights, lines, 5.0)
    check_laws(water)
    assert course(water, "A4") == "A4 B4 C4 D4 E4 F4 G4 H4 I4"
    old_bed = np.flatnonzero(water.is_watercourse & (lattice.row == 2) & (lattice.column > 3))
    assert (lattice.row[water.receiver[old_bed]] == 3).all()
    assert any("would run beside it" in note for note in water.notes)
    assert water.catchment_m2[lattice.labels.index("I4")] > 0.8 * before.catchment_m2.max()


def test_the_ground_of_all_catchments_stays() -> None:
    """What leaves the board is what it was, only elsewhere."""
    heights = heights_of(board(9, 7), fractal(7, 9, 3).ravel())
    before = computed(heights, 4.0)
    water = drawn(heights, rivers(heights, ("B2", "H6"), ("H1", "B5")), 4.0)
    cells = np.arange(len(water.receiver))
    for held in (before, water):
        total = held.catchment_m2[held.receiver == cells].sum()
        np.testing.assert_allclose(total, heights.lattice.area_m2.sum(), rtol=1e-12)


def test_water_that_would_run_in_a_circle_is_led_away() -> None:
    """A river drawn up out of a hollow ends on a slope that leads back into it."""
    lattice = board(9, 7)
    away = np.hypot(*(lattice.centre_xy - lattice.centre_xy[lattice.labels.index("E4")]).T)
    heights = heights_of(lattice, away)
    water = drawn(heights, rivers(heights, ("E4", "G4")))
    check_laws(water)
    assert any("would run in a circle" in note for note in water.notes)
    assert lattice.is_rim[lattice.labels.index(course(water, "E4").split()[-1])]


def test_lines_that_form_a_circle_are_opened() -> None:
    """Three lines round a hill, each the other's inflow, cannot all be rivers."""
    heights = slope(7, 7)
    lines = rivers(heights, ("C3", "E3"), ("E3", "D5"), ("D5", "C3"), titles=("Ash", "Elm", "Oak"))
    water = drawn(heights, lines)
    check_laws(water)
    assert any("would run into a river that runs into it" in note for note in water.notes)


def test_water_does_not_divide() -> None:
    """A line that begins in a river is a river of its own from the next cell on."""
    heights = slope()
    lines = rivers(heights, ("A3", "G3"), ("D3", "D5"), titles=("Ash", "Elm"))
    water = drawn(heights, lines)
    check_laws(water)
    assert any("water does not divide" in note for note in water.notes)


def test_other_kinds_of_lines_are_no_water() -> None:
    """Only the kinds that are named run with water."""
    heights = slope()
    lattice = heights.lattice
    lines = [through(lattice, "A3", "G3"), through(lattice, "D1", "D5")]
    held = ways(features(lines, lattice, kinds=["river", "road"]), lattice)
    water = drawn(heights, held, kinds=["river"])
    wet = names(lattice, np.flatnonzero(water.is_watercourse).tolist())
    assert wet == "A3 B3 C3 D3 E3 F3 G3"


def test_rivers_that_are_all_left_out_leave_the_computed_water() -> None:
    """Along a straight edge the sides between cells are cut; the next row lies 0.87 away.

    Within 0.6 there is no way, which is noted and no reason to refuse the map.
    """
    lattice = board(7, 5, edges="straight")
    heights = heights_of(lattice, 500.0 - 10.0 * lattice.column)
    lines = ways(
        features([through(lattice, "A1", "F1")], lattice, kinds=["river"]),
        lattice,
        tolerance_cells=0.6,
    )
    assert lines.ways == ()
    assert ["are not connected" in note for note in lines.notes] == [True]
    np.testing.assert_array_equal(drawn(heights, lines, 3.0).ports, computed(heights, 3.0).ports)


def test_rivers_on_the_globe() -> None:
    """On H3 cells, a pentagon among them, drawn rivers keep the same laws."""
    lattice = Globe.covering((9.0, 64.0, 12.0, 65.4), 5)
    heights = heights_of(lattice, 100.0 * lattice.centre_xy[:, 0])
    line = shapely.LineString([(9.5, 64.3), (11.5, 65.1)])
    lines = ways(features([line], "OGC:CRS84", kinds=["river"]), lattice)
    water = drawn(heights, lines)
    check_laws(water)
    (way,) = lines.ways
    np.testing.assert_array_equal(water.receiver[way.cells[:-1]], way.cells[1:])


# Laws -------------------------------------------------------------------------------------------


def scribble(lattice: Lattice, rng: np.random.Generator) -> Ways:
    """Draw up to five random lines."""
    lines = [
        shapely.LineString(np.cumsum(rng.normal(0.0, 600.0, (rng.integers(2, 20), 2)), axis=0)
                           + rng.uniform(-2000.0, 2000.0, 2))
        for _ in range(rng.integers(1, 6))
    ]  # fmt: skip
    lines[0] = shapely.LineString([(0.0, 0.0), *lines[0].coords])
    held = features(lines, lattice, kinds=["river"] * len(lines))
    return ways(held, lattice)


@given(st.integers(0, 2**32 - 1), st.sampled_from(["points", "flats"]),
       st.sampled_from(["whole", "straight"]), st.sampled_from(["line", "height"]))  # fmt: skip
@settings(derandomize=True, deadline=None, max_examples=120)
def test_laws_hold_for_any_lines(seed: int, facing: str, edges: str, direction: str) -> None:
    """Receivers adjoin, never circle; room is kept; levels never rise; lines are wet or noted."""
    rng = np.random.default_rng(seed)
    lattice = board(11, 9, facing, edges)
    if seed % 3 == 0:
        lattice = lattice.only(rng.random(lattice.n_cells) > 0.05)
    heights = heights_of(lattice, fractal(9, 11, seed % 1000).ravel()[lattice.places])
    lines = scribble(lattice, rng)
    water = drawn(heights, lines, 5.0, direction=direction)
    check_laws(water)
    drawn_cells = np.unique(np.concatenate([way.cells for way in lines.ways]))
    assert water.is_watercourse[drawn_cells].all() or water.notes


@given(st.integers(0, 2**32 - 1))
@settings(derandomize=True, deadline=None, max_examples=25)
def test_built_beds_never_rise(seed: int) -> None:
    """Through legal levels and tops, both ends of each side that water crosses are level."""
    rng = np.random.default_rng(seed)
    lattice = board(10, 8)
    heights = heights_of(lattice, fractal(8, 10, seed % 1000).ravel())
    water = drawn(heights, scribble(lattice, rng), 5.0)
    levels = quantise(heights, metres_per_step=60.0)
    tiles = fit(legalise(levels, water=water), load_catalogue(None))
    runs = np.flatnonzero(water.outflow >= 0)
    out = water.outflow[runs].astype(int)
    start, end = tiles.corners[runs, out], tiles.corners[runs, (out + 1) % 6]
    np.testing.assert_array_equal(start, end)
    down = water.receiver[runs]
    onward = water.outflow[down].astype(int)
    flows_on = onward >= 0
    bed = tiles.corners[down[flows_on], onward[flows_on]]
    assert (bed <= start[flows_on]).all()


# Errors -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("threshold", [0.0, -1.0, float("inf"), float("nan")])
def test_threshold_out_of_range(threshold: float) -> None:
    """A threshold is a finite number above 0."""
    heights = slope()
    lines = rivers(heights, ("A3", "G3"))
    with pytest.raises(BriefError, match="threshold_m2"):
        watercourses_from_lines(lines, computed(heights), threshold_m2=threshold)


def test_unknown_direction() -> None:
    """Downstream is by line or by height."""
    heights = slope()
    with pytest.raises(BriefError, match="direction"):
        drawn(heights, rivers(heights, ("A3", "G3")), direction="wind")


def test_no_line_of_the_kinds() -> None:
    """Kinds that no line has are answered with those that there are."""
    heights = slope()
    with pytest.raises(BriefError, match=r"'canal'.*'river'"):
        drawn(heights, rivers(heights, ("A3", "G3")), kinds=["canal"])


def test_lines_of_another_board() -> None:
    """A programming error, not a user's."""
    heights = slope()
    other = rivers(slope(8, 5), ("A3", "G3"))
    with pytest.raises(ValueError, match="different lattices"):
        drawn(heights, other)
