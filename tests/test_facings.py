"""Upright faces between tops: by hand, and against plain integration over every side."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, box

from hexterra.stages.schedule.schedule import Schedule, schedule
from hexterra.workshop.solids.facings import FACING_KINDS, Facings, facings
from tests.invented_boards import invented_board

SIDE_MM = 100.0 / math.sqrt(3.0)
BOARDS = list(itertools.product(("points", "flats"), ("straight", "whole")))


@cache
def pieces(facing: str, edges: str) -> Schedule:
    """Schedule a rough, wet board with cliffs."""
    return schedule(
        invented_board(7, 13, 11, facing=facing, edges=edges, is_rough=True, cliff_steps=1.5)
    )


def stepped(heights: dict[int, tuple[int, ...]], **options: Any) -> Schedule:
    """Schedule a flat board of 3 x 3 on which some cells have these corner heights."""
    tiles = invented_board(0, 3, 3, water=False, **options)
    corners = np.zeros((9, 6), dtype=np.int32)
    for cell, steps in heights.items():
        corners[cell] = steps
    lattice = tiles.lattice
    there, back = lattice.neighbours, lattice.back_sides
    first = corners[there, (back + 1) % 6]
    second = corners[there, back]
    differs = (corners != first) | (np.roll(corners, -1, axis=1) != second)
    return schedule(replace(tiles, corners=corners, cliff=differs & (there >= 0)))


def faces_as_rows(found: Facings) -> list[tuple[float, ...]]:
    """List cell, side, width and both heights, rounded."""
    columns = (found.cell, found.side, found.width_mm, found.left_mm, found.right_mm)
    return [tuple(round(float(v), 6) for v in row) for row in zip(*columns, strict=True)]


def test_a_table_mountain_by_hand():
    """A cell that stands two steps above all its six neighbours shows six faces of 15 mm."""
    found = facings(stepped({4: (2, 2, 2, 2, 2, 2)}, edges="whole"))
    width = round(SIDE_MM, 6)
    assert faces_as_rows(found) == [(4.0, side, width, 15.0, 15.0) for side in range(6)]
    (part,) = found.parts
    assert (part.kind, part.count) == ("land", 6)
    assert math.isclose(part.area_mm2, 15.0 * SIDE_MM, rel_tol=1e-6)
    assert not found.base_mm.any()


def test_a_ramp_beside_a_flat_by_hand():
    """Seen from the low side, corner s is left: a raised corner 1 shows right on side 0."""
    found = facings(stepped({4: (0, 1, 0, 0, 0, 0)}, edges="whole"))
    width = round(SIDE_MM, 6)
    assert faces_as_rows(found) == [(4.0, 0.0, width, 0.0, 7.5), (4.0, 1.0, width, 7.5, 0.0)]
    assert np.allclose(found.area_mm2, 7.5 * SIDE_MM / 2.0)


def test_crossing_tops_show_a_triangle_each():
    """One top rises by two steps along the side, the other falls by one: they meet at a third."""
    heights = {4: (0, 2, 2, 2, 2, 2)}
    board = stepped(heights, edges="whole").board
    there, back = int(board.neighbours[4, 0]), int(board.back_sides[4, 0])
    other = [0] * 6
    other[(back + 1) % 6] = 1  # beside corner 0 of the first
    found = facings(stepped(heights | {there: tuple(other)}, edges="whole"))
    rows = [r for r in faces_as_rows(found) if r[:2] in ((4.0, 0.0), (float(there), float(back)))]
    low, high = round(SIDE_MM / 3.0, 6), round(SIDE_MM * 2.0 / 3.0, 6)
    assert sorted(rows) == sorted(
        [(4.0, 0.0, high, 0.0, 15.0), (float(there), float(back), low, 0.0, 7.5)]
    )


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_faces_are_all_that_parts_the_tops(facing, edges):
    """Side by side, the faces' area is the gap between the tops, summed along the side.

    The gap is summed over many short stretches of what shapely leaves of the side on the board.
    """
    board = pieces(facing, edges).board
    tiles = pieces(facing, edges).tiles
    found = facings(pieces(facing, edges))
    assert found.n_faces > 20
    area: defaultdict[tuple[int, int], float] = defaultdict(float)
    for cell, side, area_mm2 in zip(found.cell, found.side, found.area_mm2, strict=True):
        there = int(board.neighbours[cell, side])
        area[min(int(cell), there), max(int(cell), there)] += float(area_mm2)
    table = box(0.0, 0.0, *board.size_mm)
    inner = table.buffer(-1e-6)
    for cell, side in board.seams.tolist():
        there, back = int(board.neighbours[cell, side]), int(board.back_sides[cell, side])
        start, end = (board.corner_mm[board.corner_of[cell, (side + k) % 6]] for k in (0, 1))
        line = LineString([start, end])
        inside: Any = line.intersection(table) if edges == "straight" else line
        expected = 0.0
        if inside.length > 1e-6 and (edges == "whole" or inside.intersects(inner)):
            at = shapely.line_interpolate_point(
                inside, (np.arange(600) + 0.5) / 600, normalized=True
            )
            share = shapely.line_locate_point(line, at) / line.length
            own = np.interp(share, [0, 1], tiles.corners[cell, [side, (side + 1) % 6]])
            other = np.interp(share, [0, 1], tiles.corners[there, [(back + 1) % 6, back]])
            expected = float(np.abs(own - other).mean()) * 7.5 * inside.length
        assert math.isclose(area[cell, there], expected, rel_tol=1e-4, abs_tol=1e-6)


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_parts_count_every_face(facing, edges):
    """Equal faces are counted together, and the counts and areas add up."""
    found = facings(pieces(facing, edges), batter_deg=15.0)
    assert sum(part.count for part in found.parts) == found.n_faces
    area_mm2 = sum(part.count * part.area_mm2 for part in found.parts)
    assert math.isclose(area_mm2, found.area_mm2.sum(), rel_tol=1e-6)
    keys = [(p.kind, p.width_mm, p.left_mm, p.right_mm, p.climb_mm) for p in found.parts]
    assert len(set(keys)) == len(keys)
    assert [FACING_KINDS.index(part.kind) for part in found.parts] == sorted(
        FACING_KINDS.index(part.kind) for part in found.parts
    )


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_kind_of_each_face(facing, edges):
    """Water across the side makes a fall, water at the foot a waterside, all else is land."""
    found = facings(pieces(facing, edges))
    water = pieces(facing, edges).tiles.legal.water
    assert water is not None
    kinds: set[str] = set()
    for cell, side, number in zip(found.cell, found.side, found.kind, strict=True):
        there = found.pieces.board.neighbours[cell, side]
        expected = "land"
        if water.ports[cell, side]:
            expected = "fall"
        elif water.is_watercourse[there]:
            expected = "waterside"
        assert FACING_KINDS[number] == expected
        kinds.add(expected)
    assert kinds >= {"land", "waterside"}


def test_leaning_faces_by_hand():
    """Leaning by 30 degrees, 15 mm of height are 17.3 mm of face."""
    (part,) = facings(stepped({4: (2,) * 6}, edges="whole"), batter_deg=30.0).parts
    assert math.isclose(part.left_slant_mm, 15.0 / (math.sqrt(3.0) / 2.0))
    assert math.isclose(part.right_slant_mm, part.left_slant_mm)
    assert math.isclose(part.area_mm2, SIDE_MM * 15.0 * 2.0 / math.sqrt(3.0), rel_tol=1e-6)


def test_a_board_without_cliffs_has_no_faces():
    """Where all tops meet nothing is upright."""
    found = facings(schedule(invented_board(1, 6, 6, water=False)))
    assert found.n_faces == 0
    assert found.parts == ()


def test_low_faces_get_no_facing():
    """Two steps of 7.5 mm are 15 mm: covered from 15 mm on, left to filler from 15.1 mm on."""
    board = stepped({4: (2,) * 6}, edges="whole")
    assert sum(part.count for part in facings(board, least_mm=15.0).parts) == 6
    low = facings(board, least_mm=15.1)
    assert low.parts == ()
    assert low.n_faces == 6  # textured and painted all the same
