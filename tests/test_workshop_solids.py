"""The exact solids of pieces, and the figures that are drawn of them."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon

from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.catalogue.tops import facet_planes, facets, mean_rise
from hexterra.errors import BoardError, CatalogueError
from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import Hand, Part
from hexterra.workshop.solids.courses import Course, piece_course
from hexterra.workshop.solids.solids import Solid, piece_solids
from hexterra.workshop.templates.piece_drawings import piece_drawing, sketch
from tests.small_plans import small_plan

PATTERNS = {pattern.name: pattern.rises for pattern in load_catalogue(None).patterns}
PARTS: tuple[tuple[Part, Hand], ...] = (
    ("whole", ""),
    ("corner-cut half", ""),
    ("side-cut half", ""),
    ("quarter", "left"),
    ("quarter", "right"),
)
HEXAGON_MM2 = math.sqrt(3.0) / 2.0 * 100.0**2  # 100 mm across flats

turned_rises = st.tuples(st.sampled_from(sorted(PATTERNS)), st.integers(0, 5)).map(
    lambda drawn: turned(PATTERNS[drawn[0]], drawn[1])
)


def turned(rises: tuple[int, ...], turn: int) -> tuple[int, ...]:
    """Turn a pattern counter-clockwise by so many sides."""
    return tuple(rises[(s - turn) % 6] for s in range(6))


def solid(rises: tuple[int, ...] = (0,) * 6, part: Part = "whole", hand: Hand = "") -> Solid:
    """Make a tile of common sizes."""
    return Solid(part, hand, rises, across_flats_mm=100.0, base_mm=15.0, step_mm=7.5)


def test_a_flat_tile_is_a_hexagonal_prism() -> None:
    """Area (sqrt 3 / 2) f^2, walls 6 h f / sqrt 3: school geometry."""
    tile = solid()
    assert tile.footprint_mm2 == pytest.approx(HEXAGON_MM2, rel=1e-15)
    assert tile.volume_mm3 == pytest.approx(15.0 * HEXAGON_MM2, rel=1e-15)
    walls = 6.0 * 15.0 * 100.0 / math.sqrt(3.0)
    assert tile.surface_mm2 == pytest.approx(2.0 * HEXAGON_MM2 + walls, rel=1e-14)


def test_a_bank_by_hand() -> None:
    """Half the bank is level, and the other half rises from its long edge to its short one.

    That half is a trapezoid with sides 2 and 1 in the ratio, whose centroid lies 4/9 of the way
    up, so the mean rise over the tile is 2/9 of a step. The top is half level, half sloped by
    7.5 mm in 50 mm. Walls stand on sides of 57.735 mm: three at 15, two at a mean of 18.75, one
    at 22.5 mm.
    """
    bank = solid((1, 1, 0, 0, 0, 0))
    assert bank.rise_share == Fraction(2, 9)
    assert bank.volume_mm3 == pytest.approx(HEXAGON_MM2 * (15.0 + 7.5 * 2.0 / 9.0), rel=1e-15)
    top = HEXAGON_MM2 / 2.0 * (1.0 + math.hypot(1.0, 7.5 / 50.0))
    assert bank.top_mm2 == pytest.approx(top, rel=1e-14)
    walls = 100.0 / math.sqrt(3.0) * (3 * 15.0 + 2 * 18.75 + 22.5)
    assert bank.wall_mm2 == pytest.approx(walls, rel=1e-14)
    assert bank.size_mm == pytest.approx((200.0 / math.sqrt(3.0), 100.0, 22.5), rel=1e-14)


def test_parts_by_hand() -> None:
    """A corner-cut half is f/2 wide and 2f/sqrt 3 long, a side-cut half f/sqrt 3 wide, f long."""
    corner, side = solid(part="corner-cut half"), solid(part="side-cut half")
    quarter = solid(part="quarter", hand="left")
    assert (corner.share, side.share, quarter.share) == (
        Fraction(1, 2),
        Fraction(1, 2),
        Fraction(1, 4),
    )
    assert corner.size_mm == pytest.approx((50.0, 115.470053838, 15.0), rel=1e-10)
    assert side.size_mm == pytest.approx((57.735026919, 100.0, 15.0), rel=1e-10)
    assert quarter.size_mm == pytest.approx((57.735026919, 50.0, 15.0), rel=1e-10)
    assert [len(s.outline_mm) for s in (corner, side, quarter)] == [4, 5, 4]


def test_a_part_without_the_high_corner_is_lower() -> None:
    """The half of a spur away from its raised corner is flat."""
    spur = turned(PATTERNS["spur"], 3)
    low, high = solid(spur, "side-cut half"), solid(turned(spur, 3), "side-cut half")
    assert (low.height_mm, high.height_mm) == (15.0, 22.5)
    assert low.rise_share == 0


@settings(derandomize=True, deadline=None)
@given(turned_rises)
def test_parts_add_up_to_the_tile(rises: tuple[int, ...]) -> None:
    """Two halves are the whole and two quarters are a half, exactly."""
    whole = solid(rises)
    assert (whole.share, whole.rise_share) == (1, mean_rise(rises))
    for part in ("corner-cut half", "side-cut half"):
        halves = [solid(turned(rises, turn), part) for turn in (0, 3)]
        assert sum(half.share for half in halves) == 1
        assert sum(half.rise_share for half in halves) == whole.rise_share
    quarters = [solid(rises, "quarter", hand) for hand in ("left", "right")]
    assert sum(q.rise_share for q in quarters) == solid(rises, "side-cut half").rise_share


@settings(derandomize=True, deadline=None)
@given(turned_rises, st.sampled_from(PARTS))
def test_measures_agree_with_shapely(rises: tuple[int, ...], part: tuple[Part, Hand]) -> None:
    """Volume and top of a part equal those of its facets clipped by shapely, on their planes."""
    piece = solid(rises, *part)
    outline = Polygon(piece.outline_mm)
    assert outline.exterior.is_ccw
    volume = top = 0.0
    planes = facet_planes(rises, piece.corner0_deg) * 7.5
    for facet, (a, b, c) in zip(facets(rises), planes, strict=True):
        left = Polygon(piece.corner_mm()[list(facet)]).intersection(outline)
        if left.area > 1e-6:
            x, y = left.centroid.coords[0]
            volume += left.area * (15.0 + (a * x + b * y) / 100.0 + c)
            top += left.area * math.hypot(1.0, a / 100.0, b / 100.0)
    assert piece.footprint_mm2 == pytest.approx(outline.area, rel=1e-12)
    assert piece.volume_mm3 == pytest.approx(volume, rel=1e-9)
    assert piece.top_mm2 == pytest.approx(top, rel=1e-9)


@pytest.mark.parametrize(
    ("rises", "share", "slope"),
    [
        # share of the hexagon that slopes, and its slope in steps per distance across flats
        ((0, 0, 0, 0, 0, 0), 0, 0.0),
        ((1, 0, 0, 0, 0, 0), 1 / 6, 2 * math.sqrt(3)),
        ((1, 1, 0, 0, 0, 0), 1 / 2, 2.0),
        ((1, 1, 1, 0, 0, 0), 2 / 3, math.sqrt(3)),
        ((1, 1, 1, 1, 0, 0), 1 / 2, 2.0),
        ((1, 1, 0, 1, 1, 0), 1, 2.0),
        ((2, 2, 1, 0, 0, 1), 1, 2.0),
        ((2, 2, 0, 0, 0, 0), 1 / 2, 4.0),
    ],
)
def test_tops_by_hand(rises: tuple[int, ...], share: float, slope: float) -> None:
    """A sloping share s of slope g has area s * sqrt(1 + g^2), the rest is level."""
    expected = HEXAGON_MM2 * (1.0 - share + share * math.hypot(1.0, slope * 7.5 / 100.0))
    assert solid(rises).top_mm2 == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_footprints_fill_the_board(facing: hexagon.Facing) -> None:
    """The tiles of a board with straight edges cover its rectangle."""
    plan = small_plan(facing)
    width_mm, depth_mm = plan.board.size_mm
    pieces = zip(plan.pieces.pieces, piece_solids(plan.pieces), strict=True)
    area = math.fsum(p.count * s.footprint_mm2 for p, s in pieces if p.kind == "tile")
    assert area == pytest.approx(width_mm * depth_mm, rel=1e-9)


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_pieces_fill_the_space_under_the_surface(facing: hexagon.Facing) -> None:
    """Tiles, spacers and footings are what lies under the built tops, clipped by shapely."""
    plan = small_plan(facing)
    board, tiles, step_mm = plan.board, plan.fitted, plan.pieces.step_mm
    under = 0.0
    for cell in range(board.n_cells):
        corner = board.centre_mm[cell] + hexagon.corner_offsets(100.0, facing)
        outline = Polygon(board.outline_mm(cell))
        for facet in facets((tiles.corners[cell] - tiles.level[cell]).tolist()):
            kept = Polygon(corner[list(facet)]).intersection(outline)
            if kept.area < 1e-6:
                continue
            design = np.column_stack([corner[list(facet)], np.ones(len(facet))])
            plane, *_ = np.linalg.lstsq(design, tiles.corners[cell, list(facet)], rcond=None)
            height = plane @ [*kept.centroid.coords[0], 1.0]
            under += kept.area * (15.0 + 15.0 + height * step_mm)  # footing, tile, steps
    pieces = zip(plan.pieces.pieces, piece_solids(plan.pieces), strict=True)
    assert board.across_flats_mm == 100.0
    assert math.fsum(p.count * s.volume_mm3 for p, s in pieces) == pytest.approx(under, rel=1e-9)


@pytest.mark.parametrize("ports", [(0, 3), (0, 2), (0, 1), (1, 5), (0, 5)])
def test_channels_meet_sides_squarely(ports: tuple[int, int]) -> None:
    """A channel through a whole tile runs from the middle of a side to that of the other."""
    tile = solid()
    (line,) = tile.channels_mm(Course("water", ports, (1, 1), (False, False), "joined"))
    corner = tile.corner_mm()
    middles = {side: (corner[side] + corner[(side + 1) % 6]) / 2.0 for side in ports}
    first = min(ports, key=lambda side: float(np.linalg.norm(middles[side] - line[0])))
    (last,) = set(ports) - {first}
    for side, ends in ((first, line[:2]), (last, line[:-3:-1])):
        assert ends[0] == pytest.approx(middles[side], abs=1e-9)
        along, edge = ends[1] - ends[0], corner[(side + 1) % 6] - corner[side]
        lean = abs(along @ edge) / np.linalg.norm(along) / np.linalg.norm(edge)
        assert lean <= math.sin(math.radians(2.6))  # an arc in steps of 5 degrees, so half of it
    assert np.linalg.norm(line, axis=1).max() < 100.0 / math.sqrt(3.0)


def test_a_size_of_nothing_is_refused() -> None:
    """A block no thicker than its rise has no base."""
    with pytest.raises(BoardError, match="base_mm"):
        Solid("whole", "", (0,) * 6, across_flats_mm=100.0, base_mm=0.0, step_mm=7.5)


def test_what_a_wire_cannot_cut_is_refused() -> None:
    """Two raised corners apart from each other need a bent wire."""
    with pytest.raises(CatalogueError, match="straight wire"):
        solid((1, 0, 1, 0, 0, 0))


def test_every_piece_has_a_sketch_and_a_drawing() -> None:
    """Figures of all pieces of a board keep to the space they are given and state the volume."""
    plan = small_plan("flats")
    for piece, shape in zip(plan.pieces.pieces, piece_solids(plan.pieces), strict=True):
        picture = sketch(shape, piece_course(piece), width_mm=20.0)
        assert max(picture.size_mm) < 32.0
        drawing = piece_drawing(piece, shape, scale=0.5)
        assert max(drawing.size_mm) < 120.0
        assert f"volume {shape.volume_mm3 / 1000:.2f} cm³" in drawing.notes[1]
        texts = [words.text for words in drawing.words]
        assert f"{shape.size_mm[0]:.2f}" in texts
        assert f"{shape.size_mm[1]:.2f}" in texts
