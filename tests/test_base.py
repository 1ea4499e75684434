"""Bases, frames and rails: against geometry (shapely), trial of all divisions, and by hand."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Polygon, box
from shapely.ops import unary_union

from hexterra.brief.bench_sections import BaseBrief
from hexterra.errors import BriefError
from hexterra.stages.schedule.schedule import Schedule, schedule
from hexterra.workshop.solids.base import Base, base
from tests.invented_boards import invented_board

BOARDS = list(itertools.product(("points", "flats"), ("straight", "whole")))


def pieces(columns: int = 7, rows: int = 6, **options: Any) -> Schedule:
    """Schedule a dry board of hills."""
    return schedule(invented_board(1, columns, rows, water=False, **options))


def rail_lines(result: Base) -> list[LineString]:
    """Draw the rails on the board."""
    width, depth = result.pieces.board.size_mm
    lines = {
        "front": lambda at: [(0.0, at), (width, at)],
        "back": lambda at: [(0.0, depth - at), (width, depth - at)],
        "left": lambda at: [(at, 0.0), (at, depth)],
        "right": lambda at: [(width - at, 0.0), (width - at, depth)],
    }
    return [LineString(lines[rail.edge](rail.inset_mm)) for rail in result.rails]


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    st.integers(3, 20),
    st.integers(3, 16),
    st.sampled_from(BOARDS),
    st.floats(150.0, 1500.0),
    st.floats(150.0, 1500.0),
    st.sampled_from([0.0, 18.0]),
)
def test_panels_cover_board_and_frame(columns, rows, kind, length_mm, width_mm, frame_mm):
    """Panels cover it exactly, do not overlap, fit their largest size, and are the fewest."""
    facing, edges = kind
    sizes = BaseBrief(panel_length_mm=length_mm, panel_width_mm=width_mm, frame_width_mm=frame_mm)
    result = base(pieces(columns, rows, facing=facing, edges=edges), sizes)
    around_mm = frame_mm + 1.0 if frame_mm else 0.0
    width, depth = result.pieces.board.size_mm
    whole = box(-around_mm, -around_mm, width + around_mm, depth + around_mm)
    panels = [box(p.x_mm, p.y_mm, p.x_mm + p.width_mm, p.y_mm + p.depth_mm) for p in result.panels]
    assert math.isclose(sum(panel.area for panel in panels), whole.area, rel_tol=1e-9)
    assert math.isclose(result.area_mm2, whole.area, rel_tol=1e-9)
    assert unary_union(panels).symmetric_difference(whole).area < 1e-6 * whole.area
    assert len({panel.name for panel in result.panels}) == len(panels)
    for panel in result.panels:
        sides = sorted((panel.width_mm, panel.depth_mm))
        largest = sorted((length_mm, width_mm))
        assert sides[0] <= largest[0] + 1e-6
        assert sides[1] <= largest[1] + 1e-6
    total_width, total_depth = result.size_mm
    fewest = min(
        n_along * n_away
        for n_along, n_away in itertools.product(range(1, 20), repeat=2)
        for along, away in ((length_mm, width_mm), (width_mm, length_mm))
        if total_width <= n_along * along + 1e-6 and total_depth <= n_away * away + 1e-6
    )
    assert len(panels) == fewest


def test_panels_by_hand():
    """A board of 650 x 433 mm is one panel; of panels of 400 x 300 mm it is 2 x 2."""
    board = pieces()
    assert np.allclose(board.board.size_mm, (650.0, 7.5 * 100.0 / math.sqrt(3.0)))
    (panel,) = base(board).panels
    assert (panel.x_mm, panel.y_mm, panel.width_mm) == (0.0, 0.0, 650.0)
    small = base(board, BaseBrief(panel_length_mm=400.0, panel_width_mm=300.0)).panels
    assert [panel.name for panel in small] == ["panel 1-1", "panel 2-1", "panel 1-2", "panel 2-2"]
    assert small[3].x_mm == small[3].width_mm == 325.0


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_frame_goes_around_the_board(facing, edges):
    """Laid out, the four bars touch at the corners, keep the clearance, and meet the base."""
    board = pieces(facing=facing, edges=edges)
    result = base(board, BaseBrief(frame_width_mm=20.0, clearance_mm=1.5))
    width, depth = board.board.size_mm
    length = {bar.edge: bar.length_mm for bar in result.bars}
    assert math.isclose(length["front"], width + 43.0)
    assert math.isclose(length["back"], width + 43.0)
    assert math.isclose(length["left"], depth + 3.0)
    assert math.isclose(length["right"], depth + 3.0)
    area = sum(bar.length_mm * bar.width_mm for bar in result.bars)
    inside = (width + 3.0) * (depth + 3.0)
    assert math.isclose(area + inside, math.prod(result.size_mm), rel_tol=1e-9)


def test_no_frame_by_default():
    """Without a frame the base is as large as the board."""
    result = base(pieces())
    assert result.bars == ()
    assert result.size_mm == result.pieces.board.size_mm


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
@pytest.mark.parametrize("rows", [6, 7])
def test_rails_cross_every_keyed_footing(facing, edges, rows):
    """Each cell on the rim has a rail under it with the groove's full width, and none is noted."""
    board = pieces(7, rows, facing=facing, edges=edges)
    result = base(board, BaseBrief(groove_mm=6.0))
    lines = rail_lines(result)
    assert len(lines) == 4
    assert result.notes == ()
    for cell in np.flatnonzero(board.board.is_rim):
        outline = Polygon(board.board.outline_mm(int(cell)))
        lengths = [line.buffer(6.0, cap_style="flat").intersection(outline) for line in lines]
        assert max(part.area for part in lengths) > 12.0 * 20.0  # at least 20 mm of rail


@pytest.mark.parametrize("footings", ["plain", "none"])
def test_no_rails_without_keyed_footings(footings):
    """Plain footings, or none, need no rail; that nothing holds them is noted without a frame."""
    board = schedule(invented_board(1, 5, 5, water=False), footings=footings)
    assert base(board).rails == ()
    (note,) = base(board).notes
    assert "Nothing holds the outermost stacks" in note
    assert base(board, BaseBrief(frame_width_mm=20.0)).notes == ()


def test_footings_off_the_rails_are_noted():
    """Around a hole in the board rim cells lie on no straight edge; the note names them."""
    only = np.ones(63, dtype=bool)
    only[4 * 7 + 3] = False  # D5
    board = pieces(7, 9, edges="whole", only=only)
    (note,) = base(board).notes
    assert "6 keyed footings" in note
    assert "D4" in note


def test_a_groove_too_deep_for_the_part_tiles_is_refused():
    """A third of half a side of 100 mm tiles is 9.62 mm."""
    with pytest.raises(BriefError, match=r"from 0 to 9\.62.* mm on this board"):
        base(pieces(), BaseBrief(groove_mm=12.0))


def test_small_hexagons_get_a_shallower_groove_unless_one_is_asked_for():
    """A sixth of a side of 50 mm hexagons is 4.81 mm: 4.5 mm, to half a millimetre."""
    board = schedule(invented_board(1, 5, 5, across_flats_mm=50.0))
    assert base(board).settings.groove_mm == 4.5
    assert base(pieces()).settings.groove_mm == 6.0
    with pytest.raises(BriefError, match="groove_mm"):
        base(board, BaseBrief(groove_mm=6.0))
