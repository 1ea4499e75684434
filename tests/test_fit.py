"""Tops on legal levels: small boards by hand, laws on random ground, plain twins, refusals."""

from __future__ import annotations

import itertools
from typing import Any

import h3
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from hexterra.catalogue.catalogue import WATER, Catalogue, Pattern
from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.errors import CatalogueError, InfeasibleError
from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.stages.levels.cliffs import mark_cliffs
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.levels.quantise import Levels, quantise
from hexterra.stages.sampling.gather import gather
from hexterra.stages.tiles.corners import corner_heights
from hexterra.stages.tiles.fit import Tiles, fit, level_to_metres
from hexterra.stages.water.flow import WaterKind, flow
from tests.drawn_boards import FACINGS, board, boards
from tests.level_ground import heights_of

DEFAULT = load_catalogue()
FLAT = Pattern("flat", (0, 0, 0, 0, 0, 0))


def levels_of(lattice: Any, level: Any) -> Levels:
    """Wish for exactly these levels, one metre to the step."""
    return quantise(heights_of(lattice, level), metres_per_step=1.0, datum_m=0.0)


def cell(lattice: Any, label: str) -> int:
    """Find a cell by its name."""
    return lattice.labels.index(label)


def side_between(lattice: Any, one: int, other: int) -> int:
    """Find the side of `one` that adjoins `other`."""
    return int(np.flatnonzero(lattice.neighbours[one] == other)[0])


def marked(lattice: Any, pairs: Any) -> np.ndarray:
    """Mark cliffs between pairs of cells, from both."""
    cliffs = np.zeros((lattice.n_cells, 6), dtype=bool)
    for one, other in pairs:
        cliffs[one, side_between(lattice, one, other)] = True
        cliffs[other, side_between(lattice, other, one)] = True
    return cliffs


def pattern_names(tiles: Tiles) -> list[str]:
    """Name the pattern of every cell."""
    return [tiles.catalogue.patterns[number].name for number in tiles.pattern]


def check_tiles(tiles: Tiles) -> None:
    """Check what `fit` promises, cell by cell and side by side."""
    lattice = tiles.lattice
    catalogue = tiles.catalogue
    water = tiles.legal.water
    for i in range(lattice.n_cells):
        rises = catalogue.patterns[tiles.pattern[i]].rises
        turn = int(tiles.turn[i])
        expected = [int(tiles.level[i]) + rises[(s - turn) % 6] for s in range(6)]
        assert tiles.corners[i].tolist() == expected
        for side in range(6):
            other = int(lattice.neighbours[i, side])
            if other < 0:
                assert not tiles.cliff[i, side]
                continue
            back = side_between(lattice, other, i)
            ours = tiles.corners[i, side], tiles.corners[i, (side + 1) % 6]
            theirs = tiles.corners[other, (back + 1) % 6], tiles.corners[other, back]
            assert tiles.cliff[i, side] == (ours != theirs) == tiles.cliff[other, back]
        if water is None or water.kind[i] == WaterKind.DRY:
            assert tiles.crossing[i] == -1
            continue
        crossing = catalogue.crossings[tiles.crossing[i]]
        assert crossing.water == WATER[water.kind[i]]
        turned = {
            frozenset((s + int(tiles.crossing_turn[i])) % 6 for s in sides)
            for sides in crossing.ports
        }
        assert frozenset(np.flatnonzero(water.ports[i]).tolist()) in turned
        for side in np.flatnonzero(water.ports[i]):
            assert tiles.corners[i, side] == tiles.corners[i, (side + 1) % 6]
        out = int(water.outflow[i])
        if out < 0:
            continue
        level = tiles.legal.level[i]
        assert tiles.level[i] == level
        assert tiles.corners[i, out] == tiles.corners[i, (out + 1) % 6] == level
        receiver = int(lattice.neighbours[i, out])
        assert tiles.level[receiver] <= level
        back = side_between(lattice, receiver, i)
        assert max(tiles.corners[receiver, back], tiles.corners[receiver, (back + 1) % 6]) <= level
        for side in np.flatnonzero(water.ports[i]):
            assert min(tiles.corners[i, side], tiles.corners[i, (side + 1) % 6]) >= level


# By hand ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("facing", FACINGS)
def test_one_raised_cell_has_banks_around_it(facing):
    """A cell one step up is flat; each neighbour is a bank that rises toward it."""
    lattice = board(3, 3, facing)
    middle = cell(lattice, "B2")
    level = np.zeros(9, dtype=int)
    level[middle] = 1
    tiles = fit(legalise(levels_of(lattice, level)), DEFAULT)
    assert pattern_names(tiles)[middle] == "flat"
    assert tiles.level[middle] == 1
    for other in lattice.neighbours[middle]:
        assert pattern_names(tiles)[other] == "bank"
        # corners 0 and 1 of a bank are raised, so unturned it rises toward its side 0
        assert tiles.turn[other] == side_between(lattice, int(other), middle)
    assert not tiles.cliff.any()
    assert tiles.notes == ()


def test_a_pit_of_one_step_is_filled():
    """A cell whose six neighbours all stand a step higher becomes flat at their level."""
    lattice = board(3, 3)
    level = np.ones(9, dtype=int)
    middle = cell(lattice, "B2")
    level[middle] = 0
    tiles = fit(legalise(levels_of(lattice, level)), DEFAULT)
    assert tiles.legal.level[middle] == 0
    assert tiles.level[middle] == 1
    assert pattern_names(tiles)[middle] == "flat"


def test_a_closed_ring_of_cliffs_parts_the_corners():
    """A cell that marked cliffs surround keeps its own height at every corner."""
    lattice = board(3, 3)
    middle = cell(lattice, "B2")
    level = np.zeros(9, dtype=int)
    level[middle] = 3
    cliffs = marked(lattice, [(middle, int(other)) for other in lattice.neighbours[middle]])
    tiles = fit(legalise(levels_of(lattice, level), cliffs=cliffs), DEFAULT)
    assert pattern_names(tiles) == ["flat"] * 9
    assert tiles.level[middle] == 3
    assert tiles.cliff.sum() == 12
    assert tiles.cliff[middle].all()
    assert tiles.notes == ()


def test_a_marked_cliff_without_a_drop_is_no_step_face():
    """Where the two tops meet after all, no step face is listed."""
    lattice = board(2, 2)
    cliffs = marked(lattice, [(0, 1)])
    tiles = fit(legalise(levels_of(lattice, np.zeros(4)), cliffs=cliffs), DEFAULT)
    assert not tiles.cliff.any()


def test_a_cliff_keeps_its_face_where_it_ends():
    """A cliff that ends inside the board stays; its end costs at most a small face beside it."""
    lattice = board(9, 9)
    high = lattice.column >= 5
    depth = np.clip(4 - np.abs(lattice.row - 4), 0, 3)
    level = np.where(high, depth, 0)
    pairs = [
        (i, int(j))
        for i, j in itertools.product(np.flatnonzero(high), range(lattice.n_cells))
        if j in lattice.neighbours[i] and not high[j] and level[i] > 1
    ]
    tiles = fit(legalise(levels_of(lattice, level), cliffs=marked(lattice, pairs)), DEFAULT)
    check_tiles(tiles)
    one, other = cell(lattice, "E5"), cell(lattice, "F5")
    assert tiles.cliff[one, side_between(lattice, one, other)]
    assert tiles.cliff.sum() // 2 <= len(pairs) + 4


def test_two_steps_up_make_steep_tops():
    """Below a row two steps up, the cell with two such neighbours is a flank, with one a bank."""
    lattice = board(2, 2)
    tiles = fit(legalise(levels_of(lattice, [0, 0, 2, 2]), ramp_limit=2), DEFAULT)
    check_tiles(tiles)
    # The front row is shifted to the right: A1 adjoins A2 and B2 by sides 2 and 1, B1 only B2.
    assert pattern_names(tiles) == ["steep flank", "steep bank", "flat", "flat"]
    assert tiles.turn.tolist()[:2] == [1, 2]


def test_pins_that_keep_a_side_steep_leave_a_step_face():
    """Where pins forbid a gentler ramp, the nearest top from below is taken and noted."""
    lattice = board(2, 2)
    legal = legalise(
        levels_of(lattice, [0, 1, 2, 2]), ramp_limit=2, pins=[(0, 0), (1, 1), (2, 2), (3, 2)]
    )
    tiles = fit(legal, DEFAULT)
    check_tiles(tiles)
    assert tiles.legal.level.tolist() == [0, 1, 2, 2]
    # A1 would need 1 (at B1 alone), 2 at the three corners of A2 and B2: no such top
    assert tiles.cliff.any()
    assert tiles.notes[0].startswith("No top in the catalogue meets all its neighbours at A1;")


def test_a_straight_slope_of_one_step_a_row_needs_no_steep_top():
    """Where nothing is steep, allowing steep ramps changes nothing."""
    lattice = board(4, 6)
    levels = levels_of(lattice, lattice.row)
    gentle = fit(legalise(levels, ramp_limit=1), DEFAULT)
    steep = fit(legalise(levels, ramp_limit=2), DEFAULT)
    np.testing.assert_array_equal(gentle.corners, steep.corners)
    assert not gentle.cliff.any()


# Small catalogues ------------------------------------------------------------------------------


def test_only_flat_tops_leave_step_faces_all_around():
    """With nothing but flat tops, a raised cell has a step face on every side, and is noted."""
    lattice = board(3, 3)
    middle = cell(lattice, "B2")
    level = np.zeros(9, dtype=int)
    level[middle] = 1
    tiles = fit(legalise(levels_of(lattice, level)), Catalogue((FLAT,), ()))
    check_tiles(tiles)
    assert set(pattern_names(tiles)) == {"flat"}
    assert tiles.level.tolist() == level.tolist()
    assert tiles.cliff[middle].all()
    assert len(tiles.notes) == 1
    assert all(lattice.labels[other] in tiles.notes[0] for other in lattice.neighbours[middle])


def test_nearest_from_below_has_the_greatest_sum_then_the_first_place():
    """Where a bank is missing, the spur is taken; of its two places, the lesser turn."""
    lattice = board(3, 3)
    middle = cell(lattice, "B2")
    level = np.zeros(9, dtype=int)
    level[middle] = 1
    spur = Pattern("spur", (1, 0, 0, 0, 0, 0))
    tiles = fit(legalise(levels_of(lattice, level)), Catalogue((FLAT, spur), ()))
    check_tiles(tiles)
    for other in lattice.neighbours[middle]:
        toward = side_between(lattice, int(other), middle)
        assert pattern_names(tiles)[other] == "spur"
        assert tiles.turn[other] == min(toward, (toward + 1) % 6)


def test_earlier_pattern_wins_between_equals():
    """Of a bank and a steep spur, both of sum 2, the one listed first is taken."""
    lattice = board(2, 2)
    bank, spur = Pattern("bank", (1, 1, 0, 0, 0, 0)), Pattern("steep spur", (2, 0, 0, 0, 0, 0))
    chosen = []
    for patterns in ((FLAT, bank, spur), (FLAT, spur, bank)):
        legal = legalise(levels_of(lattice, [0, 0, 2, 2]), ramp_limit=2, pins=[(0, 0), (2, 2)])
        tiles = fit(legal, Catalogue(patterns, ()))
        check_tiles(tiles)
        chosen.append(pattern_names(tiles)[0])
    assert chosen == ["bank", "steep spur"]


def test_long_notes_are_cut():
    """More than twelve cells are counted instead of named."""
    lattice = board(10, 10)
    tiles = fit(legalise(levels_of(lattice, lattice.row)), Catalogue((FLAT,), ()))
    # nine rows of ten cells have a row above them
    assert "A1, B1, C1, D1, E1, F1, G1, H1, I1, J1, A2, B2 and 78 more;" in tiles.notes[0]


# Laws ------------------------------------------------------------------------------------------

FLAT_SPUR = Catalogue((FLAT, Pattern("spur", (1, 0, 0, 0, 0, 0))), DEFAULT.crossings)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(boards(), st.sampled_from([DEFAULT, FLAT_SPUR]))
def test_every_promise_holds_on_random_ground(case, catalogue):
    """Catalogue tops, closed seams, listed step faces and falling water, whatever the ground."""
    levels, water, limit, cliffs, pins = case
    try:
        legal = legalise(levels, water=water, ramp_limit=limit, cliffs=cliffs, pins=pins)
    except InfeasibleError:
        assume(False)
    tiles = fit(legal, catalogue)
    check_tiles(tiles)
    assert dict(tiles.legal.pins) == dict(pins)
    for i, level in pins:
        assert tiles.legal.level[i] == level


@settings(derandomize=True, deadline=None, max_examples=100)
@given(boards(), st.integers(0, 2))
def test_promises_hold_however_soon_patience_ends(case, rounds):
    """Limiting ever wider ends in sound tiles too, also where pins make it infeasible."""
    levels, water, _, cliffs, pins = case
    try:
        legal = legalise(levels, water=water, ramp_limit=2, cliffs=cliffs, pins=pins)
    except InfeasibleError:
        assume(False)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("hexterra.stages.tiles.fit.PATIENT_ROUNDS", rounds)
        check_tiles(fit(legal, DEFAULT))


@settings(derandomize=True, deadline=None, max_examples=80)
@given(boards())
def test_gentle_ramps_without_cliffs_always_close(case):
    """With ramps of one step and no cliff, the default catalogue needs no change and no face."""
    levels, water, _, _, _ = case
    legal = legalise(levels, water=water)
    tiles = fit(legal, DEFAULT)
    assert tiles.legal is legal
    assert not tiles.cliff.any()
    assert tiles.notes == ()


@settings(derandomize=True, deadline=None, max_examples=80)
@given(boards())
def test_steep_ramps_without_cliffs_or_pins_always_close(case):
    """With ramps of two steps, no cliff and no pin, limiting sides always ends in closed seams."""
    levels, water, _, _, _ = case
    tiles = fit(legalise(levels, water=water, ramp_limit=2), DEFAULT)
    check_tiles(tiles)
    assert not tiles.cliff.any()
    assert tiles.notes == ()


@settings(derandomize=True, deadline=None, max_examples=100)
@given(boards())
def test_corner_heights_agree_with_joining_cells_one_by_one(case):
    """At each lattice corner every joined group of cells stands at its highest level."""
    levels, _, _, cliffs, _ = case
    check_corners(levels.heights.lattice, levels.level, cliffs)


def test_corner_heights_around_a_pentagon():
    """The sixth corner of a pentagon is its first, and stands as high."""
    pentagon = sorted(h3.get_pentagons(2))[3]
    cells = sorted(h3.grid_disk(pentagon, 2))
    lattice = Globe(np.array([h3.str_to_int(name) for name in cells], dtype=np.uint64))
    random = np.random.default_rng(7)
    is_pentagon = lattice.corner_of[:, 0] == lattice.corner_of[:, 5]
    assert is_pentagon.sum() == 1
    for share in (0.0, 0.3, 0.6):
        level = random.integers(0, 6, lattice.n_cells).astype(np.int32)
        cliffs = np.zeros((lattice.n_cells, 6), dtype=bool)
        for i, side in lattice.seams:
            if random.random() < share:
                other = lattice.neighbours[i, side]
                cliffs[i, side] = cliffs[other, lattice.back_sides[i, side]] = True
        check_corners(lattice, level, cliffs)


def check_corners(lattice: Any, level: np.ndarray, cliffs: np.ndarray) -> None:
    """Join the cells of every lattice corner in sets, slowly, and compare."""
    height = corner_heights(lattice, level, cliffs)
    around: dict[int, list[int]] = {}
    for i in range(lattice.n_cells):
        for corner in set(lattice.corner_of[i].tolist()):
            around.setdefault(corner, []).append(i)
    for corner, cells in around.items():
        groups = [{i} for i in cells]
        for one, other in itertools.combinations(cells, 2):
            sides = np.flatnonzero(lattice.neighbours[one] == other)
            if len(sides) and not cliffs[one, sides[0]]:
                joined = [group for group in groups if one in group or other in group]
                groups = [group for group in groups if group not in joined]
                groups.append(set().union(*joined))
        for group in groups:
            for i in group:
                places = np.flatnonzero(lattice.corner_of[i] == corner)
                assert (height[i, places] == max(level[j] for j in group)).all()


@pytest.mark.parametrize("facing", FACINGS)
def test_turning_the_board_half_way_turns_every_tile(facing):
    """Levels turned by 180 degrees give the same corners, turned by 180 degrees."""
    lattice = board(6, 6, facing, "straight")
    random = np.random.default_rng(5)
    level = random.integers(0, 4, 36).astype(np.int32)
    cliffs = np.zeros((36, 6), dtype=bool)
    for i, side in lattice.seams:
        if random.random() < 0.3:
            cliffs[i, side] = cliffs[lattice.neighbours[i, side], (side + 3) % 6] = True
    turned = corner_heights(lattice, level[::-1], np.roll(cliffs[::-1], 3, axis=1))
    np.testing.assert_array_equal(
        turned, np.roll(corner_heights(lattice, level, cliffs)[::-1], 3, axis=1)
    )


def test_fit_is_deterministic():
    """The same levels give the same tiles, to the digit."""
    lattice = board(8, 8)
    level = np.random.default_rng(2).integers(0, 6, 64)
    once, again = (fit(legalise(levels_of(lattice, level), ramp_limit=2), DEFAULT) for _ in "ab")
    for name in ("corners", "level", "pattern", "turn", "cliff"):
        np.testing.assert_array_equal(getattr(once, name), getattr(again, name))


@pytest.mark.parametrize("facing", FACINGS)
@pytest.mark.parametrize(("ramp_limit", "rise_steps"), [(1, None), (2, None), (1, 2.5), (2, 2.5)])
def test_every_promise_holds_on_real_ground(jacksboro, facing, ramp_limit, rise_steps):
    """The whole chain on SRTM heights of the Jacksboro fault, with rivers and cliffs."""
    rows, columns = jacksboro.shape
    lon_deg = jacksboro.affine.c + jacksboro.affine.a * columns / 2
    lat_deg = jacksboro.affine.f + jacksboro.affine.e * rows / 2
    lattice = Board(23, 18, 100.0, facing, "straight", 8000.0, lon_deg, lat_deg, 20.0)
    heights = gather(jacksboro, lattice)
    levels = quantise(heights, metres_per_step=20.0)
    water = flow(heights, threshold_m2=12.0 * lattice.area_m2[0])
    cliffs = mark_cliffs(levels, rise_steps=rise_steps)
    legal = legalise(levels, water=water, ramp_limit=ramp_limit, cliffs=cliffs)
    tiles = fit(legal, DEFAULT)
    check_tiles(tiles)
    assert (tiles.crossing >= 0).sum() > 20
    assert tiles.cliff.any() == (rise_steps is not None)


# Heights in metres -----------------------------------------------------------------------------


@pytest.mark.parametrize("thresholds_m", [None, [10.0], [10.0, 12.0, 40.0], []])
def test_level_to_metres_undoes_the_position(thresholds_m):
    """Carrying the continuous level back gives the ground's own heights."""
    lattice = board(5, 5)
    mean_m = np.random.default_rng(1).uniform(-20.0, 70.0, 25)
    if thresholds_m == []:
        levels = quantise(heights_of(lattice, mean_m), metres_per_step=200.0, datum_m=0.0)
        assert len(levels.thresholds_m) == 0
    elif thresholds_m is None:
        levels = quantise(heights_of(lattice, mean_m), metres_per_step=7.0)
    else:
        levels = quantise(
            heights_of(lattice, mean_m),
            method="given",
            metres_per_step=7.0,
            thresholds_m=thresholds_m,
        )
    np.testing.assert_allclose(level_to_metres(levels, levels.position), mean_m, rtol=1e-12)


def test_residual_by_hand():
    """A bank beside a raised cell stands 2/9 of a step above its level on average."""
    lattice = board(3, 3)
    middle = cell(lattice, "B2")
    mean_m = np.full(9, 100.0)
    mean_m[middle] = 110.0
    levels = quantise(heights_of(lattice, mean_m), metres_per_step=10.0, datum_m=100.0)
    tiles = fit(legalise(levels), DEFAULT)
    expected = np.zeros(9)
    expected[lattice.neighbours[middle]] = 10.0 * 2.0 / 9.0
    np.testing.assert_allclose(tiles.residual_m, expected, atol=1e-9)
    np.testing.assert_allclose(tiles.built_m, mean_m + expected, rtol=1e-12)


# Water -----------------------------------------------------------------------------------------


def test_kinds_of_water_have_the_same_numbers():
    """The catalogue and `flow` number what water does alike."""
    assert tuple(kind.name.lower() for kind in WaterKind) == WATER
    assert [int(kind) for kind in WaterKind] == list(range(len(WATER)))


def test_crossings_of_a_valley_by_hand():
    """Down a straight valley: a spring, straights, and a mouth at the rim."""
    lattice = board(5, 7, "flats")
    valley = lattice.column == 2
    mean_m = lattice.row + np.where(valley, 0.0, 20.0)
    heights = heights_of(lattice, mean_m)
    water = flow(heights, threshold_m2=3.5 * lattice.area_m2[0])
    levels = quantise(heights, metres_per_step=5.0)
    tiles = fit(legalise(levels, water=water), DEFAULT)
    check_tiles(tiles)
    wet = [i for i in np.flatnonzero(valley) if tiles.crossing[i] >= 0]
    names = [DEFAULT.crossings[tiles.crossing[i]].name for i in wet]
    assert names[0] == "mouth"
    assert names[-1] == "spring"
    assert set(names[1:-1]) <= {"straight", "confluence"}


def test_water_falls_onto_a_level_side():
    """At the foot of a fall the bank to a higher flank gives way to a spur, and that is noted."""
    lattice = board(5, 7, "flats")
    heights = heights_of(lattice, lattice.row + np.where(lattice.column == 2, 0.0, 20.0))
    water = flow(heights, threshold_m2=3.5 * lattice.area_m2[0])
    brink, foot = cell(lattice, "C5"), cell(lattice, "C4")
    out = side_between(lattice, brink, foot)
    assert water.outflow[brink] == out
    flanks = [int(lattice.neighbours[brink, (out + turn) % 6]) for turn in (-1, 1)]
    high = (lattice.row >= 4) & ~np.isin(np.arange(35), flanks)
    level = np.where(high, 3, 0)
    level[flanks[0]] = 1
    pairs = [
        (i, int(j))
        for i in np.flatnonzero(high)
        for j in lattice.neighbours[i]
        if j >= 0 and not high[j]
    ]
    cliffs = marked(lattice, pairs)
    tiles = fit(legalise(levels_of(lattice, level), water=water, cliffs=cliffs), DEFAULT)
    check_tiles(tiles)
    # Two corners of the foot touch the higher flank, and one of them the fall: only the other is
    # raised.
    assert pattern_names(tiles)[foot] == "spur"
    assert tiles.level[foot] == 0
    assert tiles.cliff[foot, side_between(lattice, foot, flanks[0])]
    assert tiles.notes == (
        "No top that meets all its neighbours is level where water falls in at C4; the nearest"
        " below was taken, with step faces where tops do not meet.",
    )


def test_missing_crossing_is_refused():
    """The error names the water, the sides, the cell and what to add."""
    lattice = board(5, 7, "flats")
    heights = heights_of(lattice, lattice.row + np.where(lattice.column == 2, 0.0, 20.0))
    water = flow(heights, threshold_m2=3.5 * lattice.area_m2[0])
    legal = legalise(quantise(heights, metres_per_step=5.0), water=water)
    without = tuple(c for c in DEFAULT.crossings if c.name != "spring")
    with pytest.raises(CatalogueError, match="has no spring that joins the sides") as caught:
        fit(legal, Catalogue(DEFAULT.patterns, without))
    assert caught.value.facts["water"] == "spring"
    assert caught.value.facts["cell"] in lattice.labels
    assert 'water = "spring"' in caught.value.remedy
