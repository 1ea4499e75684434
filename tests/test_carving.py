"""Grooves in pieces and boards: closed (trimesh), with volumes by hand and by shapely."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon

from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.errors import BriefError
from hexterra.lattice.hexagon import Facing, Hand, Part
from hexterra.mesh.carved_mesh import carved_board_mesh, carved_piece_mesh, surface_mesh
from hexterra.mesh.carving import Weld, groove_ends
from hexterra.mesh.tile_columns import FINE, Mesh
from hexterra.stages.schedule.pieces import Piece
from hexterra.stages.schedule.schedule import schedule
from hexterra.workshop.solids.carved import piece_measures, piece_stretches
from hexterra.workshop.solids.courses import Course, piece_course
from hexterra.workshop.solids.grooves import Groove, Grooves, fitting_groove
from hexterra.workshop.solids.hollows import hollow_mm
from hexterra.workshop.solids.solids import Solid, piece_solids
from hexterra.workshop.templates.channel_plans import banks_mm
from tests.invented_boards import invented_board
from tests.plain.meshes import board_mesh
from tests.small_plans import small_plan

PATTERNS = {pattern.name: pattern.rises for pattern in load_catalogue(None).patterns}
SIDE_MM = 100.0 / math.sqrt(3.0)
NATURAL, UPRIGHT = Groove(), Groove(bank_mm=0.0)
BOARDS: tuple[tuple[Facing, Any], ...] = (
    ("points", "straight"),
    ("points", "whole"),
    ("flats", "straight"),
    ("flats", "whole"),
)


def tile(rises: tuple[int, ...] = (0,) * 6, part: Part = "whole", hand: Hand = "") -> Solid:
    """Make a tile of common sizes."""
    return Solid(part, hand, rises, across_flats_mm=100.0, base_mm=15.0, step_mm=7.5)


def piece(solid: Solid, ports: tuple[int, ...], water: str) -> Piece:
    """Describe a tile that water crosses."""
    return Piece("tile", "", solid.part, solid.hand, "", 0, water, ports, 15.0, 1, water)


def course(solid: Solid, ports: tuple[int, ...], water: str) -> Course:
    """Tell what water does on a tile."""
    found = piece_course(piece(solid, ports, water))
    assert found is not None
    return found


def carved(solid: Solid, ports: tuple[int, ...], water: str, groove: Groove) -> trimesh.Trimesh:
    """Carve a piece, and have trimesh say that it is closed."""
    return check(carved_piece_mesh(piece(solid, ports, water), solid, Grooves.alike(groove)))


def taken_mm3(solid: Solid, ports: tuple[int, ...], water: str, groove: Groove) -> float:
    """Return how much a channel takes out of a piece."""
    measures = piece_measures(piece(solid, ports, water), solid, Grooves.alike(groove))
    return solid.volume_mm3 - measures.volume_mm3


def banks(
    solid: Solid, ports: tuple[int, ...], width_mm: float, water: str
) -> tuple[np.ndarray, ...]:
    """Return the upper edges of a channel on the plan of a piece."""
    grooves = Grooves.alike(Groove(width_mm))
    return banks_mm(solid, piece_stretches(piece(solid, ports, water), solid, grooves))


def check(mesh: Mesh) -> trimesh.Trimesh:
    """Have trimesh say that a mesh is closed, wound outward and without needless triangles."""
    body = trimesh.Trimesh(mesh.vertices_mm, mesh.faces, process=False)
    assert body.is_watertight
    assert body.is_winding_consistent
    assert body.area_faces.min() > 1e-6
    return body


@pytest.mark.parametrize(
    ("groove", "section_mm2"),
    # Trapezoid: (20 + 12) / 2 * 4. Rectangle: 20 * 4.
    [(NATURAL, 64.0), (UPRIGHT, 80.0)],
)
@pytest.mark.parametrize(
    ("ports", "length_mm"),
    [
        ((0, 3), 100.0),
        # Tangents to an arc of 120 degrees around a corner in 24 steps, and of 60 in 12.
        ((0, 1), 48.0 * SIDE_MM / 2.0 * math.tan(math.radians(2.5))),
        ((0, 2), 24.0 * SIDE_MM * 1.5 * math.tan(math.radians(2.5))),
    ],
)
@pytest.mark.parametrize("name", ["flat", "bank", "flank", "saddle", "tilt"])
def test_a_reach_takes_its_section_times_its_length(
    name: str, ports: tuple[int, int], length_mm: float, groove: Groove, section_mm2: float
) -> None:
    """The theorem of Pappus, on any top: a groove is as deep below a ramp as below a flat."""
    solid = tile(PATTERNS[name])
    body = carved(solid, ports, "reach", groove)
    assert solid.volume_mm3 - body.volume == pytest.approx(section_mm2 * length_mm, rel=2e-5)
    assert body.euler_number == 2


def test_the_bed_lies_as_deep_as_asked() -> None:
    """A ray down through the middle of a flat tile meets the bed 4 mm lower than the top."""
    body = carved(tile(), (0, 3), "reach", NATURAL)
    assert set(np.round(body.vertices[:, 2], 6)) == {0.0, 11.0, 15.0}
    section = body.section(plane_origin=[0.0, 0.0, 5.0], plane_normal=[0.5, math.sqrt(0.75), 0.0])
    assert section is not None


def test_a_section_across_a_straight_channel() -> None:
    """Cut square to the channel, the tile shows a trapezoid 20 mm wide above and 12 mm below."""
    body = carved(tile(), (0, 3), "reach", NATURAL)
    along = np.array([math.cos(math.pi / 6.0), 0.5, 0.0])  # from side 3 to side 0
    across = np.array([-0.5, math.cos(math.pi / 6.0), 0.0])
    cut = body.section(plane_origin=3.0 * along, plane_normal=along)
    assert cut is not None
    found = np.column_stack([cut.vertices @ across, cut.vertices[:, 2]])
    inner = {tuple(point) for point in found[np.abs(found[:, 0]) < 11.0].round(3).tolist()}
    assert {(-10.0, 15.0), (-6.0, 11.0), (6.0, 11.0), (10.0, 15.0)} <= inner


@settings(derandomize=True, deadline=None, max_examples=40)
@given(
    st.sampled_from(sorted(PATTERNS)),
    st.integers(0, 5),
    st.sets(st.integers(0, 5), min_size=1, max_size=4),
    st.sampled_from(["mouth", "pool", "confluence"]),
    st.floats(4.0, 45.0),
    st.floats(0.0, 0.4),
)
def test_any_ports_close_with_the_volume_of_the_hollow(
    name: str, turn: int, ports: set[int], water: str, width_mm: float, bank: float
) -> None:
    """The piece loses what its hollow holds; what the hollow holds lies between two prisms."""
    groove = Groove(width_mm=width_mm, depth_mm=4.0, bank_mm=bank * width_mm)
    rises = tuple(PATTERNS[name][(s - turn) % 6] for s in range(6))
    solid, sides = tile(rises), tuple(sorted(ports))
    body = carved(solid, sides, water, groove)
    lines = solid.channels_mm(course(solid, sides, water))
    laid = piece_stretches(piece(solid, sides, water), solid, Grooves.alike(groove))
    hollow = hollow_mm(laid)
    volume_mm3 = taken_mm3(solid, sides, water, groove)
    assert solid.volume_mm3 - body.volume == pytest.approx(volume_mm3, rel=1e-4)
    triangles = shapely.polygons(hollow[..., :2])
    assert shapely.area(triangles).sum() == pytest.approx(shapely.union_all(triangles).area)
    if water != "confluence" or len(sides) != 2:
        # Round ends are polygons of 15 degrees a corner: shapely's own, twelve times finer, hold
        # a little more.
        upper, lower = (
            shapely.union_all([LineString(line).buffer(half, quad_segs=72) for line in lines])
            .intersection(Polygon(solid.outline_mm))
            .area
            for half in (width_mm / 2.0, width_mm / 2.0 - groove.bank_mm)
        )
        assert 4.0 * lower * 0.98 <= volume_mm3 <= 4.0 * upper * 1.001


PARTS: tuple[tuple[Part, Hand, int, float], ...] = (
    ("corner-cut half", "", 0, 12.0),  # square to the edge
    ("corner-cut half", "", 5, 24.0),  # at 30 degrees to it: 12 / sin 30
    ("corner-cut half", "", 1, 24.0),
    ("side-cut half", "", 0, 12.0 / math.sin(math.radians(60.0))),
    ("side-cut half", "", 5, 12.0 / math.sin(math.radians(60.0))),
    # Half of it on either edge, at 30 and 60 degrees.
    ("quarter", "right", 0, 12.0 + 6.0 / math.sin(math.radians(60.0))),
    ("quarter", "left", 5, 12.0 + 6.0 / math.sin(math.radians(60.0))),
)


@pytest.mark.parametrize(("part", "hand", "port", "expected_mm"), PARTS)
def test_the_mouth_of_a_cut_tile_is_open_at_the_edge(
    part: Part, hand: Hand, port: int, expected_mm: float
) -> None:
    """A bed of 12 mm runs straight through the board's edge, as if a channel had been cut."""
    solid = tile(part=part, hand=hand)
    body = carved(solid, (port,), "mouth", NATURAL)
    open_mm = 0.0
    for axis in (0, 1) if part == "quarter" else (0,):
        on_edge = body.vertices[np.abs(body.vertices[:, axis]) < 1e-6]
        low = on_edge[np.abs(on_edge[:, 2] - 11.0) < 1e-3]
        open_mm += float(np.ptp(low[:, 1 - axis]))
    assert open_mm == pytest.approx(expected_mm, rel=2e-5)


@pytest.mark.parametrize(("part", "hand", "port"), [row[:3] for row in PARTS])
def test_springs_of_cut_tiles_keep_off_the_edge(part: Part, hand: Hand, port: int) -> None:
    """Water that begins in a cut tile does not run through the board's edge."""
    solid = tile(part=part, hand=hand)
    edge = Polygon(solid.outline_mm).intersection(LineString([(0.0, -58.0), (0.0, 58.0)]))
    (bank,) = banks(solid, (port,), 12.0, "spring")
    assert LineString(bank).distance(edge) > 5.0
    (line,) = solid.channels_mm(course(solid, (port,), "spring"))
    corner = solid.corner_mm()
    assert (line[1] - line[0]) @ (corner[(port + 1) % 6] - corner[port]) == pytest.approx(0.0)


def test_a_confluence_on_a_half_joins_each_port_with_the_next() -> None:
    """Both arcs are square to the sides; the groove keeps off the board's edge."""
    half = tile(part="corner-cut half")
    lines = half.channels_mm(course(half, (0, 1, 5), "confluence"))
    first, second = half.channels_mm(course(half, (0, 5), "reach")) + half.channels_mm(
        course(half, (0, 1), "reach")
    )
    assert len(lines) == 2
    assert lines[0] == pytest.approx(first)
    assert lines[1] == pytest.approx(second)
    body = carved(half, (0, 1, 5), "confluence", NATURAL)
    on_edge = body.vertices[np.abs(body.vertices[:, 0]) < 1e-9]
    assert set(on_edge[:, 2].round(6)) == {0.0, 15.0}


@pytest.mark.parametrize(
    ("part", "ports"),
    [("corner-cut half", (0, 1)), ("corner-cut half", (1, 5)), ("side-cut half", (0, 5))],
)
def test_a_bend_on_a_half_is_that_of_a_whole_tile(part: Part, ports: tuple[int, int]) -> None:
    """A straight edge cuts no bend between two sides of the same half."""
    half, whole = tile(part=part), tile()
    turned = np.deg2rad(half.corner0_deg)
    spin = np.array([[math.cos(turned), math.sin(turned)], [-math.sin(turned), math.cos(turned)]])
    (line,), (expected,) = (
        half.channels_mm(course(half, ports, "reach")),
        whole.channels_mm(course(whole, ports, "reach")),
    )
    assert line == pytest.approx(expected @ spin, abs=1e-9)
    area = LineString(line).buffer(9.9, cap_style="flat")
    assert area.difference(Polygon(half.outline_mm)).area < 1e-6
    loss = half.volume_mm3 - carved(half, ports, "reach", NATURAL).volume
    whole_loss = whole.volume_mm3 - carved(whole, ports, "reach", NATURAL).volume
    assert loss == pytest.approx(whole_loss, rel=2e-5)


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
@pytest.mark.parametrize("groove", [NATURAL, UPRIGHT])
def test_a_carved_board_is_closed_and_holds_its_carved_pieces(
    facing: Facing, edges: Any, groove: Groove
) -> None:
    """Over cliffs, ramps and part tiles, the board is one body; its pieces add up to it."""
    plan, grooves = small_plan(facing, edges), Grooves.alike(groove)
    body = check(carved_board_mesh(plan.pieces, grooves))
    pieces = zip(plan.pieces.pieces, piece_solids(plan.pieces), strict=True)
    total = 0.0
    for p, s in pieces:
        volume = check(carved_piece_mesh(p, s, grooves)).volume if p.crossing else s.volume_mm3
        lost = s.volume_mm3 - piece_measures(p, s, grooves).volume_mm3
        assert s.volume_mm3 - volume == pytest.approx(lost, rel=2e-5)
        total += p.count * volume
    assert body.volume == pytest.approx(total, rel=1e-8)
    assert body.volume < board_mesh(plan.pieces).volume_mm3 - 1000.0
    levels = [
        check(carved_board_mesh(plan.pieces, grooves, np.flatnonzero(plan.fitted.level == level)))
        for level in np.unique(plan.fitted.level)
    ]
    assert math.fsum(level.volume for level in levels) == pytest.approx(total, rel=1e-8)


@pytest.mark.parametrize(
    ("seed", "groove"),
    [
        (8, Groove(36.8, 6.7, 4.5)),
        (9, Groove(9.7, 11.7, 0.0)),
        (92, Groove(4.5, 2.9, 0.0)),
        (113, Groove(20.4, 11.9, 3.65)),
        (233, Groove(48.6, 0.6, 9.3)),
        (641, Groove(3.65, 11.5, 0.07)),
    ],
)
def test_springs_and_bends_along_the_edge_close(seed: int, groove: Groove) -> None:
    """Water that begins or bends in cut tiles meets that of its neighbours, at any width."""
    facing: Any = ("points", "flats")[seed % 2]
    cliffs: dict[str, Any] = {"is_rough": True, "cliff_steps": 1.5} if seed % 3 == 0 else {}
    pieces = schedule(invented_board(seed, 9, 8, facing=facing, **cliffs))
    parts = {piece.part for piece in pieces.pieces if piece.water in {"spring", "reach"}}
    assert len(parts) > 1
    check(carved_board_mesh(pieces, Grooves.alike(groove)))


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_water_fills_the_grooves_to_half_their_depth(facing: Facing, edges: Any) -> None:
    """A closed body; its tops lie 2 mm below those of the board and above the bed by as much."""
    plan = small_plan(facing, edges)
    mesh = surface_mesh(plan.pieces, Grooves.alike(NATURAL), "water")
    assert mesh is not None
    body = check(mesh)
    low, high = (
        board_mesh(plan.pieces).vertices_mm.min(0),
        board_mesh(plan.pieces).vertices_mm.max(0),
    )
    assert (body.bounds[0] >= low - 1e-6).all()
    assert (body.bounds[1] <= high - np.array([0.0, 0.0, 2.0]) + 1e-6).all()
    board = carved_board_mesh(plan.pieces, Grooves.alike(NATURAL))
    corner = board.vertices_mm[board.faces[board.is_top]]
    tops: Any = shapely.polygons(corner[..., :2])
    tree = shapely.STRtree(tops)
    middle = mesh.vertices_mm[mesh.faces[mesh.is_top]].mean(axis=1)
    point, face = tree.query(shapely.points(middle[:, :2]), predicate="intersects")
    assert len(set(point.tolist())) == len(middle)
    first = corner[face, 0]
    normal = np.cross(corner[face, 1] - first, corner[face, 2] - first)
    sideways = np.einsum("ij,ij->i", normal[:, :2], first[:, :2] - middle[point, :2])
    depth_mm = middle[point, 2] - first[:, 2] - sideways / normal[:, 2]
    assert depth_mm.max() == pytest.approx(2.0, abs=1e-4)
    assert depth_mm.min() > -1e-4


@pytest.mark.parametrize("across_flats_mm", [5.0, 30.0, 100.0, 300.0])
@pytest.mark.parametrize("base_mm", [1.0, 15.0])
def test_a_groove_can_be_made_to_fit(across_flats_mm: float, base_mm: float) -> None:
    """On any tile; on one of 100 mm, 15 mm thick, it is 20 mm wide and 3.75 mm deep."""
    groove = fitting_groove(across_flats_mm, base_mm)
    groove.check(across_flats_mm=across_flats_mm, base_mm=base_mm)
    assert groove.width_mm <= 20.0
    if (across_flats_mm, base_mm) == (100.0, 15.0):
        assert (groove.width_mm, groove.depth_mm, groove.bank_mm) == (20.0, 3.75, 3.75)
    small = Solid("whole", "", (0,) * 6, across_flats_mm, base_mm, 7.5)
    carved(small, (0, 3), "reach", groove)


def test_water_without_ports_is_a_round_pool() -> None:
    """A pool that no side is crossed by has half the width of the tile, cut by the edge or not.

    A polygon of 24 corners around a radius of 25 mm has the area 12 R^2 sin(15 degrees).
    """
    whole = taken_mm3(tile(), (), "pool", UPRIGHT)
    assert whole == pytest.approx(4.0 * 12.0 * 625.0 * math.sin(math.radians(15.0)))
    half = taken_mm3(tile(part="side-cut half"), (), "mouth", UPRIGHT)
    assert half == pytest.approx(whole / 2.0)
    carved(tile(part="side-cut half"), (), "mouth", NATURAL)
    (bank,) = banks(tile(), (), 20.0, "pool")
    assert np.linalg.norm(bank, axis=1) == pytest.approx(np.full(len(bank), 25.0))


def test_both_cells_cut_a_side_in_the_same_points() -> None:
    """Seen from the neighbour the side runs the other way; the points are the same."""
    half_pitches = [(2, 0), (1, 1), (-1, 1), (-2, 0), (-1, -1), (1, -1)]
    corner = [(x * FINE, y * FINE) for x, y in half_pitches]
    there = [(x + 3 * FINE, y + FINE) for x, y in corner]
    shares = (0.123456, 0.05)
    one, other = groove_ends(corner, {0: shares}), groove_ends(there, {3: shares})
    assert sorted(one.tolist()) == sorted(other.tolist())


def test_near_heights_are_welded() -> None:
    """Heights that rounding parts become one; others stay apart."""
    weld = Weld()
    assert [weld.height((0, 0), z) for z in (100.4, 102.0, 5e6)] == [100, 100, 5_000_000]
    assert weld.height((1, 0), 102.0) == 102


@pytest.mark.parametrize(
    ("lengths", "words"),
    [
        ({"width_mm": 0.0}, "width_mm is 0.0"),
        ({"depth_mm": math.nan}, "depth_mm is nan"),
        ({"bank_mm": 10.0}, "bank_mm is 10.0; it must be from 0 to 9 mm at this width"),
    ],
)
def test_impossible_grooves_are_refused(lengths: dict[str, float], words: str) -> None:
    """Lengths are within reason, and banks leave a bed."""
    with pytest.raises(BriefError, match=words):
        Groove(**lengths)


@pytest.mark.parametrize(
    ("groove", "words"),
    [(Groove(width_mm=60.0), "width_mm is 60.0"), (Groove(depth_mm=14.0), "depth_mm is 14.0")],
)
def test_grooves_must_fit_the_tile(groove: Groove, words: str) -> None:
    """A side of 57.7 mm carries 52 mm of water, and 15 mm of foam 13.5 mm of depth."""
    with pytest.raises(BriefError, match=words):
        carved_piece_mesh(piece(tile(), (0,), "spring"), tile(), Grooves.alike(groove))
    with pytest.raises(BriefError, match=words):
        carved_board_mesh(small_plan().pieces, Grooves.alike(groove))
