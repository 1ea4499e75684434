"""Pieces and stacks: by hand, against geometry (shapely), and against brute force."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from functools import cache
from typing import Any

import h3
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import Polygon

from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.errors import BoardError, BriefError, StockError
from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.levels.quantise import quantise
from hexterra.stages.schedule.schedule import Schedule, schedule
from hexterra.stages.schedule.stacks import compose_stacks
from hexterra.stages.tiles.fit import Tiles, fit
from hexterra.stages.water.flow import flow
from tests.level_ground import heights_of

DEFAULT = load_catalogue()
FACINGS = ("points", "flats")


def board(columns: int, rows: int, facing: Any = "points", edges: Any = "straight") -> Board:
    """Make a small table."""
    return Board(columns, rows, 100.0, facing, edges, 25000.0, 10.0, 20.0)


def fitted(lattice: Any, mean_m: Any, *, wet: bool = False, ramp_limit: int = 1) -> Tiles:
    """Run the stages on these heights, one metre to the step."""
    heights = heights_of(lattice, mean_m)
    water = flow(heights, threshold_m2=3.0 * lattice.area_m2[0]) if wet else None
    levels = quantise(heights, metres_per_step=1.0, datum_m=0.0)
    return fit(legalise(levels, water=water, ramp_limit=ramp_limit), DEFAULT)


@cache
def rough(facing: str, edges: str, seed: int = 0) -> Schedule:
    """Schedule a rough, wet board with steep ramps."""
    lattice = board(14, 12, facing, edges)
    random = np.random.default_rng(seed)
    mean_m = random.normal(scale=1.2, size=lattice.n_cells) + lattice.row * 0.4
    return schedule(fitted(lattice, mean_m - mean_m.min(), wet=True, ramp_limit=2))


BOARDS = list(itertools.product(FACINGS, ("straight", "whole")))


# Same piece or not -----------------------------------------------------------------------------


def turned_side(side: int, turn: int) -> int:
    """Turn a side; -1 stands for none."""
    return -1 if side < 0 else (side + turn) % 6


def turned_alike(result: Schedule, one: int, other: int) -> bool:
    """Whether turning the tile of one cell by some sixth of a circle gives that of the other.

    Outlines are turned and compared with shapely; heights and ports are turned along.
    """
    lattice = result.board
    tiles = result.tiles
    water = tiles.legal.water
    assert water is not None
    if tiles.crossing[one] != tiles.crossing[other]:
        return False
    outline = [Polygon(lattice.outline_mm(i) - lattice.centre_mm[i]) for i in (one, other)]
    rises = tiles.corners - tiles.level[:, None]
    for turn in range(6):
        turned = affinity.rotate(outline[0], 60.0 * turn, origin=(0.0, 0.0))
        if (
            turned.symmetric_difference(outline[1]).area < 1e-3
            and np.array_equal(np.roll(rises[one], turn), rises[other])
            and np.array_equal(np.roll(water.ports[one], turn), water.ports[other])
            and turned_side(int(result.cuts.leaves[one]), turn) == result.cuts.leaves[other]
        ):
            return True
    return False


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_pieces_are_the_same_exactly_where_turning_makes_them_so(facing, edges):
    """Two cells share a piece if and only if one tile can be turned into the other (shapely)."""
    result = rough(facing, edges)
    by_pattern: dict[tuple[int, str], list[int]] = {}
    for i, part in enumerate(result.board.parts):
        by_pattern.setdefault((int(result.tiles.pattern[i]), part), []).append(i)
    n_same = 0
    for cells in by_pattern.values():
        for one, other in itertools.combinations(cells[:25], 2):
            same = result.piece[one] == result.piece[other]
            assert same == turned_alike(result, one, other)
            n_same += same
    assert n_same > 100
    for i, part in enumerate(result.board.parts):
        piece = result.pieces[result.piece[i]]
        assert piece.part == part
        assert piece.pattern == DEFAULT.patterns[result.tiles.pattern[i]].name


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_turn_carries_the_piece_to_its_cell(facing, edges):
    """Turned by `turn`, the pattern meets the corners; a whole piece also meets the ports."""
    result = rough(facing, edges)
    tiles = result.tiles
    water = tiles.legal.water
    assert water is not None
    for i in range(result.board.n_cells):
        piece = result.pieces[result.piece[i]]
        turn = int(result.turn[i])
        rises = DEFAULT.patterns[tiles.pattern[i]].rises
        assert [int(tiles.level[i]) + rises[(s - turn) % 6] for s in range(6)] == tiles.corners[
            i
        ].tolist()
        ports = set(np.flatnonzero(water.ports[i]).tolist())
        if piece.part == "whole":
            assert piece.turn == 0
            assert {(s + turn) % 6 for s in piece.ports} == ports
        named = DEFAULT.crossings[tiles.crossing[i]].name if tiles.crossing[i] >= 0 else ""
        assert piece.crossing == named
        assert len(piece.ports) == len(ports)


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_cut_tiles_are_numbered_by_their_cut(facing, edges):
    """Numbered as `Piece.turn` says, the kept corners of every part are the same (by hand)."""
    result = rough(facing, edges)
    lattice = result.board
    water = result.tiles.legal.water
    assert water is not None
    kept_corners = {
        ("corner-cut half", ""): {5, 0, 1, 2},
        ("side-cut half", ""): {5, 0, 1},
        ("quarter", "left"): {5, 0},
        ("quarter", "right"): {0, 1},
    }
    for i, part in enumerate(lattice.parts):
        piece = result.pieces[result.piece[i]]
        if part == "whole":
            assert piece.hand == ""
            continue
        corner = lattice.corner_mm[lattice.corner_of[i]]
        outline = Polygon(lattice.outline_mm(i)).buffer(1e-3)
        kept = {s for s in range(6) if outline.covers(_point(corner[s]))}
        expected = kept_corners[part, piece.hand]
        starts = [t for t in range(6) if {(s + t) % 6 for s in expected} == kept]
        assert len(starts) == 1
        start = starts[0]
        # In those numbers the piece has the pattern's rises turned by `turn`, and its ports.
        rises = result.tiles.corners[i] - result.tiles.level[i]
        pattern = DEFAULT.patterns[result.tiles.pattern[i]].rises
        assert np.roll(rises, -start).tolist() == np.roll(pattern, piece.turn).tolist()
        ports = {int(s - start) % 6 for s in np.flatnonzero(water.ports[i])}
        assert set(piece.ports) == ports


def _point(xy: np.ndarray) -> Any:
    from shapely.geometry import Point

    return Point(xy)


@pytest.mark.parametrize(("facing", "rows"), [*itertools.product(FACINGS, (4, 5))])
def test_hand_of_quarters(facing, rows):
    """The longer cut edge of a quarter, seen from its right angle, is on the hand it is named by.

    It runs through a corner of the hexagon (57.7 mm), the shorter through a side (50 mm).
    """
    lattice = board(rows, rows, facing)
    result = schedule(fitted(lattice, np.zeros(rows**2)))
    cells = [i for i, part in enumerate(lattice.parts) if part == "quarter"]
    for i in cells:
        outline = lattice.outline_mm(i) - lattice.centre_mm[i]
        tip = outline[np.abs(outline).max(axis=1) < 1e-6]
        assert len(tip) == 1  # the right angle lies at the hexagon's middle
        on_x = outline[np.abs(outline[:, 1]) < 1e-6]
        on_y = outline[np.abs(outline[:, 0]) < 1e-6]
        along_x = on_x[np.abs(on_x[:, 0]).argmax()]
        along_y = on_y[np.abs(on_y[:, 1]).argmax()]
        longer, shorter = sorted((along_x, along_y), key=np.linalg.norm, reverse=True)
        # the left-hand edge is counter-clockwise of the other
        is_left = shorter[0] * longer[1] - shorter[1] * longer[0] > 0
        assert result.pieces[result.piece[i]].hand == ("left" if is_left else "right")
        assert math.isclose(np.linalg.norm(longer), 100.0 / math.sqrt(3.0), rel_tol=1e-9)


def test_names_by_hand():
    """A single hill on dry ground takes flats, banks and the cut flats of the rim."""
    lattice = board(6, 6)
    mean_m = np.zeros(36)
    mean_m[lattice.labels.index("C3")] = 1.0
    result = schedule(fitted(lattice, mean_m))
    counts = {piece.name: piece.count for piece in result.pieces if piece.kind == "tile"}
    assert counts["bank"] == 6
    assert sum(counts.values()) == 36
    assert counts["flat, corner-cut half"] == Counter(lattice.parts)["corner-cut half"]
    assert counts["flat, side-cut half"] == Counter(lattice.parts)["side-cut half"]
    hands = counts.get("flat, left quarter", 0) + counts.get("flat, right quarter", 0)
    assert hands == Counter(lattice.parts)["quarter"]
    assert result.piece_names[lattice.labels.index("C3")] == "flat"


def test_opposite_edges_share_halves():
    """Banks that rise away from the left and the right edge are the same half."""
    lattice = board(7, 6)
    distance = np.minimum(lattice.centre_mm[:, 0], lattice.size_mm[0] - lattice.centre_mm[:, 0])
    result = schedule(fitted(lattice, np.minimum(distance // 100.0, 1.0)))
    sides: dict[int, set[bool]] = {}
    for i, part in enumerate(lattice.parts):
        if part == "corner-cut half":
            is_right = bool(lattice.centre_mm[i, 0] > 1.0)
            sides.setdefault(int(result.piece[i]), set()).add(is_right)
    assert {True, False} in sides.values()


def test_names_of_water_by_hand():
    """A river down a straight valley: turned straights are one piece, ports are told."""
    lattice = board(5, 8, "flats", "whole")
    valley = lattice.column == 2
    result = schedule(fitted(lattice, lattice.row * 0.05 + np.where(valley, 0.0, 3.0), wet=True))
    names = Counter(piece.name for piece in result.pieces if "with straight" in piece.name)
    assert all(name.endswith(("ports 0 3", "ports 1 4", "ports 2 5")) for name in names)
    assert any(piece.crossing == "mouth" and len(piece.ports) == 1 for piece in result.pieces)
    lone = next(piece for piece in result.pieces if piece.crossing == "spring")
    assert f", port {lone.ports[0]}" in lone.name


# Counts ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_counts_add_up_cell_by_cell(facing, edges):
    """Counting every cell's tile, spacers and footing gives the schedule, and names are unique."""
    result = rough(facing, edges)
    taken: Counter[tuple[str, str, str, float]] = Counter()
    for i, part in enumerate(result.board.parts):
        tile = result.pieces[result.piece[i]]
        taken["tile", result.piece_names[i], part, tile.thickness_mm] += 1
        for spacer in result.spacers_mm[i]:
            name = f"spacer {spacer:g} mm" + ("" if part == "whole" else f", {part}")
            taken["spacer", name, part, spacer] += 1
        taken["footing", result.footing_names[i], part, 15.0] += 1
        assert math.isclose(sum(result.spacers_mm[i]), 7.5 * result.tiles.level[i])
        assert result.footing_names[i].startswith(
            "keyed footing" if result.board.is_rim[i] else "plain footing"
        )
    scheduled = Counter({(p.kind, p.name, p.part, p.thickness_mm): p.count for p in result.pieces})
    assert taken == scheduled
    names = [piece.name for piece in result.pieces]
    assert len(set(names)) == len(names)


def test_order_and_digest_are_stable():
    """Tiles come first, then spacers from thick to thin, then footings; reruns are identical."""
    result = rough("points", "straight")
    kinds = [piece.kind for piece in result.pieces]
    assert kinds == sorted(kinds, key=["tile", "spacer", "footing"].index)
    thick = [piece.thickness_mm for piece in result.pieces if piece.kind == "spacer"]
    assert thick == sorted(thick, reverse=True)
    again = schedule(result.tiles)
    assert [p.digest for p in again.pieces] == [p.digest for p in result.pieces]
    np.testing.assert_array_equal(again.piece, result.piece)


def test_thickness_of_tiles():
    """A tile's block reaches from the bottom of its body to its highest corner."""
    result = schedule(rough("flats", "whole").tiles, step_mm=15.0, tile_mm=12.0)
    for piece in result.pieces:
        if piece.kind == "tile":
            rises = next(p.rises for p in DEFAULT.patterns if p.name == piece.pattern)
            assert piece.thickness_mm == 12.0 + 15.0 * max(rises)


@pytest.mark.parametrize(
    ("footings", "names"),
    [
        ("plain", {"plain footing"}),
        ("none", {""}),
        ("keyed rim", {"keyed footing", "plain footing"}),
    ],
)
def test_footings(footings, names):
    """Footings are keyed at the rim only where that is asked for, and none where none is."""
    lattice = board(4, 4, "points", "whole")
    result = schedule(fitted(lattice, np.zeros(16)), footings=footings)
    assert set(result.footing_names) == names
    made = {piece.name for piece in result.pieces if piece.kind == "footing"}
    assert made == names - {""}


def test_keyed_cells_are_the_rim_by_hand():
    """On a board of four by four whole hexagons all but the middle four are keyed."""
    lattice = board(4, 4, "points", "whole")
    result = schedule(fitted(lattice, np.zeros(16)))
    plain = {lattice.labels[i] for i in range(16) if result.footing_names[i] == "plain footing"}
    assert plain == {"B2", "C2", "B3", "C3"}


# Stacks ----------------------------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=100)
@given(
    st.lists(st.integers(1, 12), min_size=1, max_size=4, unique=True),
    st.integers(1, 6),
    st.integers(0, 9),
)
def test_stacks_are_the_fewest_blocks_thickest_first(stock, step, level):
    """Trying all stacks by size finds none smaller, and none of equal size that reads higher."""
    height = step * level
    best = None
    for n_blocks in range(height // min(stock) + 1):
        stacks = [
            tuple(sorted(blocks, reverse=True))
            for blocks in itertools.combinations_with_replacement(stock, n_blocks)
            if sum(blocks) == height
        ]
        if stacks:
            best = max(stacks)
            break
    levels = np.array([level], dtype=np.int32)
    stock_mm = [thickness / 2 for thickness in stock]
    if best is None:
        with pytest.raises(StockError):
            compose_stacks(levels, ["A1"], step / 2, stock_mm)
        return
    stacks_mm = compose_stacks(levels, ["A1"], step / 2, stock_mm)
    assert stacks_mm[level] == tuple(thickness / 2 for thickness in best)
    assert all(stack == () for stack in stacks_mm[:level])


def test_fewest_is_not_greedy():
    """Six units of 4, 3 and 1 are 3 + 3, not 4 + 1 + 1."""
    stacks = compose_stacks(np.array([6], dtype=np.int32), ["A1"], 1.0, [4.0, 3.0, 1.0])
    assert stacks[6] == (3.0, 3.0)


def test_uneven_thicknesses_are_exact():
    """Thicknesses in thousandths of a millimetre add up exactly."""
    stacks = compose_stacks(np.array([7], dtype=np.int32), ["A1"], 0.3, [0.7, 1.4])
    assert stacks[7] == (1.4, 0.7)


def test_level_that_cannot_be_composed_is_named():
    """The error tells level, cell, height and stock."""
    lattice = board(3, 3, "points", "whole")
    with pytest.raises(StockError, match=r"level 1 \(cell A1 .* needs 7.5 mm") as caught:
        schedule(fitted(lattice, np.ones(9)), stock_thickness_mm=(15.0, 30.0))
    assert caught.value.facts == {"level": 1, "height_mm": 7.5, "stock_mm": (30.0, 15.0)}
    assert "7.5 mm" in caught.value.remedy


@pytest.mark.parametrize("stock", [(), (0.0,), (-5.0, 15.0), (7.50001,), (math.nan,)])
def test_impossible_stock_is_refused(stock):
    """Stocked thicknesses must be there, positive and whole micrometres."""
    tiles = fitted(board(3, 3), np.zeros(9))
    with pytest.raises(StockError, match="stocked thicknesses"):
        schedule(tiles, stock_thickness_mm=stock)


@pytest.mark.parametrize("step_mm", [0.0, -7.5, math.inf, 7.50001])
def test_impossible_step_is_refused(step_mm):
    """A step must be positive and whole micrometres."""
    tiles = fitted(board(3, 3), np.zeros(9))
    with pytest.raises(BriefError, match="a step is") as caught:
        schedule(tiles, step_mm=step_mm)
    assert caught.value.facts["step_mm"] == step_mm


def test_unknown_footings_are_refused():
    """A misspelt word is not silently plain."""
    with pytest.raises(BriefError, match="keyed rim, plain, none"):
        schedule(fitted(board(3, 3), np.zeros(9)), footings="keyed")  # type: ignore[arg-type]


def test_tall_stacks_are_noted():
    """Stacks above the limit are counted, the highest named; at the limit they are not."""
    lattice = board(3, 3, "points", "whole")
    mean_m = np.full(9, 20.0)
    mean_m[4] = 21.0
    tiles = fitted(lattice, mean_m)
    (note,) = schedule(tiles).notes
    assert "1 stack " in note
    assert "157.5 mm at B2" in note
    assert schedule(tiles, tall_stack_mm=157.5).notes == ()


def test_only_a_board_has_a_schedule():
    """Cells of the globe differ in size and are refused."""
    cells = sorted(h3.grid_disk(h3.latlng_to_cell(20.0, 10.0, 5), 1))
    lattice = Globe(np.array([h3.str_to_int(name) for name in cells], dtype=np.uint64))
    with pytest.raises(BoardError, match="Globe has no schedule"):
        schedule(fitted(lattice, np.zeros(lattice.n_cells)))
