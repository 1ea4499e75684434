"""Grooves whose sections differ by side: widths, banks, sunken roads, ways through the edge."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
import trimesh
from ezdxf.entities.lwpolyline import LWPolyline
from ezdxf.filemanagement import read
from hypothesis import given, settings
from hypothesis import strategies as st

from hexterra.brief.bench_sections import BenchBrief
from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.drawing.dxf import scene_dxf
from hexterra.mesh.carved_mesh import carved_piece_mesh
from hexterra.stages.schedule.pieces import Piece
from hexterra.workshop.solids.carved import piece_measures, piece_stretches
from hexterra.workshop.solids.channel_tools import channel_tool
from hexterra.workshop.solids.courses import Course, End, piece_course
from hexterra.workshop.solids.grooves import Groove, Grooves
from hexterra.workshop.solids.solids import Solid
from hexterra.workshop.templates.channel_plans import banks_mm, channel_figure
from hexterra.workshop.templates.troughs import trough_guide_mm

PATTERNS = {pattern.name: pattern.rises for pattern in load_catalogue(None).patterns}
SIDE_MM = 100.0 / math.sqrt(3.0)
#: Classes 1 to 4, 4 mm deep with banks of 4 mm; a road 24 mm wide and 3 mm deep between walls.
GROOVES = Grooves(tuple(Groove(width_mm, 4.0, 4.0) for width_mm in (20.0, 30.0, 40.0, 50.0)))


def tile(name: str = "flat") -> Solid:
    """Make a whole tile, 100 mm across flats, with a base of 15 mm."""
    return Solid("whole", "", PATTERNS[name], across_flats_mm=100.0, base_mm=15.0, step_mm=7.5)


def wet(
    water: str, widths: dict[int, int], upright: tuple[int, ...] = (), leaves: int = -1
) -> Piece:
    """Describe a whole tile by the width class of the water at each of its sides."""
    ports = tuple(sorted(set(widths) - {leaves}))
    by_side = tuple(widths.get(side, 0) for side in range(6))
    return Piece("tile", "", "whole", "", "", 0, water, ports, 15.0, 1, water, by_side, upright,
                 leaves)  # fmt: skip


def sunken(road: tuple[int, ...], road_leaves: int = -1) -> Piece:
    """Describe a whole tile with a sunken road."""
    dry = Piece("tile", "", "whole", "", "", 0, "", (), 15.0, 1)
    return replace(dry, road=road, road_leaves=road_leaves)


def taken_mm3(piece: Piece, solid: Solid) -> float:
    """Return what is cut out of a piece: by the measures, which trimesh must confirm."""
    mesh = carved_piece_mesh(piece, solid, GROOVES)
    body = trimesh.Trimesh(mesh.vertices_mm, mesh.faces, process=False)
    assert body.is_watertight
    assert body.is_winding_consistent
    measures = piece_measures(piece, solid, GROOVES)
    taken = solid.volume_mm3 - measures.volume_mm3
    assert solid.volume_mm3 - body.volume == pytest.approx(taken, rel=1e-4)
    assert body.area == pytest.approx(measures.surface_mm2, rel=1e-5)
    return taken


@pytest.mark.parametrize("name", ["flat", "bank", "saddle"])
@pytest.mark.parametrize(
    ("widths", "upright", "mean_mm2"),
    [
        # Trapezoids of 4 mm: (20 + 12) / 2 * 4 = 64, (30 + 22) / 2 * 4 = 104, 144 and 184.
        ({0: 1, 3: 1}, (), 64.0),
        ({0: 1, 3: 2}, (), (64.0 + 104.0) / 2),
        ({0: 2, 3: 4}, (), (104.0 + 184.0) / 2),
        # Rectangles: 20 * 4 = 80 and 30 * 4 = 120.
        ({0: 1, 3: 2}, (0, 3), (80.0 + 120.0) / 2),
        # Sloping at one side and upright at the other.
        ({0: 1, 3: 1}, (0,), (64.0 + 80.0) / 2),
        ({0: 3, 3: 2}, (3,), (144.0 + 120.0) / 2),
    ],
)
def test_a_straight_reach_takes_the_mean_of_its_sections(
    name: str, widths: dict[int, int], upright: tuple[int, ...], mean_mm2: float
) -> None:
    """Over 100 mm, on any top."""
    assert taken_mm3(wet("reach", widths, upright), tile(name)) == pytest.approx(mean_mm2 * 100.0)


@pytest.mark.parametrize(("ports", "radius_mm", "turn_deg"), [
    ((0, 1), SIDE_MM / 2.0, 120.0), ((0, 2), SIDE_MM * 1.5, 60.0),
])  # fmt: skip
def test_a_bend_takes_the_mean_of_its_sections(
    ports: tuple[int, int], radius_mm: float, turn_deg: float
) -> None:
    """Along tangents of 5 degrees to its circle, for a groove of one width: 104 mm2."""
    length_mm = turn_deg / 5.0 * 2.0 * radius_mm * math.tan(math.radians(2.5))
    even = taken_mm3(wet("reach", dict.fromkeys(ports, 2)), tile())
    assert even == pytest.approx(104.0 * length_mm)


def test_a_reach_through_the_board_edge_is_like_one_from_side_to_side() -> None:
    """Of a mouth, the side it leaves by is one more that it crosses."""
    mouth = taken_mm3(wet("mouth", {0: 1, 3: 2}, leaves=3), tile())
    assert mouth == pytest.approx(84.0 * 100.0)


@pytest.mark.parametrize(
    ("piece", "length_mm"),
    [
        (sunken((0, 3)), 100.0),
        (sunken((0,), road_leaves=3), 100.0),
        (sunken((0, 1)), 48.0 * SIDE_MM / 2.0 * math.tan(math.radians(2.5))),
        (sunken((0, 2)), 24.0 * SIDE_MM * 1.5 * math.tan(math.radians(2.5))),
    ],
)
@pytest.mark.parametrize("name", ["flat", "bank"])
def test_a_sunken_road_takes_24_by_3_mm(piece: Piece, length_mm: float, name: str) -> None:
    """Between walls, on flats and on ramps."""
    assert taken_mm3(piece, tile(name)) == pytest.approx(72.0 * length_mm, rel=1e-6)


def test_roads_that_meet_take_their_overlap_once() -> None:
    """Three arms 120 degrees apart, each 24 mm wide, are one road in the middle.

    Two neighbouring arms meet in a point 12 / sin 60 mm from the centre. Between these three
    points lies a triangle; beyond it each arm is a rectangle.
    """
    half_mm, reach_mm = 12.0, 12.0 / math.tan(math.radians(60.0))
    corner_mm = half_mm / math.sin(math.radians(60.0))
    triangle = 3.0 * math.sqrt(3.0) / 4.0 * corner_mm**2
    expected = 3.0 * (3.0 * 24.0 * (50.0 - reach_mm) + triangle)
    assert taken_mm3(sunken((0, 2, 4)), tile()) == pytest.approx(expected, rel=1e-6)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(
    st.sampled_from(sorted(PATTERNS)),
    st.dictionaries(st.integers(0, 5), st.integers(1, 4), min_size=1, max_size=4),
    st.sets(st.integers(0, 5)),
    st.sampled_from(["reach", "confluence", "spring", "pool", "mouth"]),
)
def test_any_mix_of_sections_closes(
    name: str, widths: dict[int, int], stands: set[int], water: str
) -> None:
    """On every top, what is left is closed, and volume and surface are those of the measures."""
    taken_mm3(wet(water, widths, tuple(sorted(stands & set(widths)))), tile(name))


@settings(derandomize=True, deadline=None, max_examples=30)
@given(
    st.dictionaries(st.integers(0, 5), st.integers(1, 4), min_size=1, max_size=4),
    st.sets(st.integers(0, 5)),
)
def test_every_port_shows_the_section_of_its_class(
    widths: dict[int, int], stands: set[int]
) -> None:
    """In the wall of a flat tile the bed is as wide as its class says: so neighbours meet."""
    upright = tuple(sorted(stands & set(widths)))
    solid = tile()
    mesh = carved_piece_mesh(wet("confluence", widths, upright), solid, GROOVES)
    corner = solid.corner_mm()
    for side, width in widths.items():
        start, end = corner[side], corner[(side + 1) % 6]
        along = (end - start) / SIDE_MM
        across = np.array([along[1], -along[0]])
        away = (mesh.vertices_mm[:, :2] - start) @ across
        at = (mesh.vertices_mm[:, :2] - (start + end) / 2.0) @ along
        in_wall = np.abs(away) < 1e-3
        bed = at[in_wall & (np.abs(mesh.vertices_mm[:, 2] - 11.0) < 1e-3)]
        half_mm = 5.0 * (width + 1) - (0.0 if side in upright else 4.0)
        assert (bed.min(), bed.max()) == pytest.approx((-half_mm, half_mm), abs=1e-3)


def test_templates_mark_the_edges_that_are_cut() -> None:
    """From 20 mm apart at side 0 to 40 mm at side 3: two straight lines, 100 and 10 mm off."""
    solid, piece = tile(), wet("reach", {0: 1, 3: 3})
    lines = banks_mm(solid, piece_stretches(piece, solid, GROOVES))
    length_mm = [float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum()) for line in lines]
    assert length_mm == pytest.approx([math.hypot(100.0, 10.0)] * 2, abs=1e-3)


@pytest.mark.parametrize("layer", ["WATER", "ROAD"])
def test_a_drawn_edge_measures_right(layer: str) -> None:
    """Read by ezdxf: banks of a bend 20 and 30 mm apart at its ends, walls of a road 24 mm."""
    solid = tile()
    piece = wet("reach", {0: 1, 2: 2}) if layer == "WATER" else sunken((0, 2))
    course = piece_course(piece)
    assert course is not None
    figure = channel_figure(solid, course, GROOVES, title="a bend")
    drawing = read(io.StringIO(scene_dxf(figure).decode()))
    lines = [
        np.array([point[:2] for point in line.get_points()])
        for line in drawing.modelspace()
        if isinstance(line, LWPolyline) and line.dxf.layer == layer
    ]
    assert len(lines) == 2
    ends = np.concatenate([line[[0, -1]] for line in lines])
    # Two by two they lie in one side: of all pairs, those of one side are the nearest.
    gaps_mm = np.sort([np.linalg.norm(a - b) for a, b in combinations(ends, 2)])[:2]
    assert gaps_mm == pytest.approx((20.0, 30.0) if layer == "WATER" else (24.0, 24.0), abs=0.01)


@pytest.mark.parametrize(
    ("rises", "sides", "tool"),
    [
        ("000000", (0, 3), "guides"),
        ("000000", (0, 2), "loop"),  # a bend
        ("221001", (1, 4), "loop"),  # sides 1 and 4 climb: their ports are not level
        ("221001", (0, 3), "guides"),  # one plane, up along the channel
        ("110000", (0, 3), "loop"),  # folds half way
        ("000000", (0,), "loop"),  # ends in the tile
    ],
)
def test_tools_by_hand(rises: str, sides: tuple[int, ...], tool: str) -> None:
    """A straight wire cuts what is straight from port to port, without a fold or a side slope."""
    solid = Solid("whole", "", tuple(map(int, rises)), 100.0, 15.0, 7.5)
    end: End = "joined" if len(sides) > 1 else "closed"
    course = Course("water", sides, (1,) * len(sides), (False,) * len(sides), end)
    assert channel_tool(solid, course, GROOVES) == tool


def test_a_trough_guide_by_hand() -> None:
    """20 mm wide at 15 mm, 4 mm deep at 45 degrees: a bed 12 mm wide, 11 mm above the table.

    With a slot of 1 mm and a wire of 0.4 mm the edge lies 0.3 mm outside: the bed rises by that
    and loses 2 x 0.3 tan(22.5 degrees) of its width.
    """
    outline = trough_guide_mm(Groove(20.0, 4.0, 4.0), 15.0, 0.3)
    bed = outline[np.abs(outline[:, 1] - 11.3) < 1e-9]
    assert np.ptp(bed[:, 0]) == pytest.approx(12.0 - 0.6 * math.tan(math.pi / 8.0))
    assert (outline[:, 1] >= 0.0).all()
    assert np.ptp(outline[:2, 1]) == 0.0  # it stands on its foot


def test_plans_say_how_sections_differ() -> None:
    """Sides with the same section are named together."""
    course = piece_course(wet("confluence", {0: 3, 1: 1, 2: 3}, (1,)))
    assert course is not None
    notes = channel_figure(tile(), course, GROOVES, title="any", users=" For 1 tile.").notes
    assert notes[:2] == (
        "Mark the banks on the top; cut 4 mm deep. For 1 tile.",
        "They are at sides 0 2 40 mm apart, sloping over 4 mm; at side 1 20 mm apart, upright.",
    )


def test_widths_of_the_brief_reach_the_grooves() -> None:
    """Further classes are 1.5, 2 and 2.5 times as wide as the first, or as the brief says."""
    assert BenchBrief().water_mm == (20.0, 30.0, 40.0, 50.0)
    assert BenchBrief(channel_mm=10.0, wider_mm=(12.0, 18.0)).water_mm == (10.0, 12.0, 18.0)
