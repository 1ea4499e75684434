"""Panels, frame, rails, keyed footings, facings: solids (trimesh), templates (ezdxf, pypdf)."""

from __future__ import annotations

import io
import itertools
import math
from typing import Any

import ezdxf
import numpy as np
import pytest
import shapely
import trimesh
from pypdf import PdfReader
from shapely import LineString, Polygon, box
from shapely.affinity import rotate, translate

from hexterra.brief.bench_sections import BaseBrief, BenchBrief, FoamBrief
from hexterra.drawing.dxf import scene_dxf
from hexterra.mesh.base_files import base_files
from hexterra.mesh.body_mesh import body_mesh, keyed_footing_mesh
from hexterra.mesh.tile_columns import Mesh
from hexterra.stages.schedule.schedule import Schedule, schedule
from hexterra.workshop.solids.base import Base, base
from hexterra.workshop.solids.bodies import base_bodies, facing_bodies, facing_body, rail_pieces
from hexterra.workshop.solids.facings import FacingPiece, Facings, facings
from hexterra.workshop.solids.guides import Guides, offset
from hexterra.workshop.solids.keyed_footings import KeyedFooting, keyed_footings
from hexterra.workshop.templates.base_drawings import base_plan, body_drawing, panel_figure
from hexterra.workshop.templates.key_templates import facing_figure, groove_figure, key_figure
from hexterra.workshop.templates.template_pdf import template_pdf
from hexterra.workshop.templates.templates import base_template_figures, base_template_files
from tests.invented_boards import invented_board
from tests.page_lines import dxf_lines, matches, pdf_lines

BOARDS = list(itertools.product(("points", "flats"), ("straight", "whole")))
SIDE_MM = 100.0 / math.sqrt(3.0)
GUIDES = Guides(
    FoamBrief(kerf_mm=1.2), BenchBrief(wire_mm=0.4)
)  # guides 0.4 mm outside the finished face
SETTINGS = BaseBrief(panel_length_mm=400.0, panel_width_mm=300.0, frame_width_mm=20.0)


def pieces(facing: Any = "points", edges: Any = "straight", rows: int = 6) -> Schedule:
    """Schedule a dry board of hills."""
    return schedule(invented_board(1, 7, rows, water=False, facing=facing, edges=edges))


def rough(batter_deg: float) -> Facings:
    """Find the faces of a rough, wet board with cliffs."""
    board = schedule(invented_board(7, 13, 11, is_rough=True, cliff_steps=1.5))
    return facings(board, batter_deg=batter_deg)


def check(mesh: Mesh) -> trimesh.Trimesh:
    """Have trimesh say that a mesh is closed and wound outward."""
    body = trimesh.Trimesh(mesh.vertices_mm, mesh.faces, process=False)
    assert body.is_watertight
    assert body.is_winding_consistent
    assert body.volume > 0.0
    return body


# Solids ----------------------------------------------------------------------------------------


def test_bodies_of_a_base_by_hand() -> None:
    """Boxes have length x width x height; a rail h high and 2 h wide has h^2 times its length."""
    result = base(pieces(), SETTINGS)
    bodies = {body.name: body for body in base_bodies(result)}
    for body in bodies.values():
        solid = check(body_mesh(body))
        assert solid.volume == pytest.approx(body.volume_mm3, rel=1e-12)
        assert solid.area == pytest.approx(body.surface_mm2, rel=1e-12)
        assert solid.extents == pytest.approx(body.size_mm, rel=1e-12)
    for panel in result.panels:
        expected = panel.width_mm * panel.depth_mm * 9.0
        assert bodies[panel.name].volume_mm3 == pytest.approx(expected, rel=1e-12)
    bar = bodies["bar front and back"]
    assert (bar.count, bar.volume_mm3) == (2, pytest.approx((650.0 + 42.0) * 20.0 * 30.0))
    rails = [body for name, body in bodies.items() if name.startswith("rail")]
    for rail in rails:
        assert rail.volume_mm3 == pytest.approx(5.5**2 * rail.size_mm[0], rel=1e-12)
    lengths = sum(rail.count * rail.size_mm[0] for rail in rails)
    assert lengths == pytest.approx(sum(piece.length_mm for piece in rail_pieces(result)))


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_rails_stay_on_their_panels_and_apart(facing: str, edges: str) -> None:
    """Every length of rail lies on its panel; feet do not overlap; none is lost but at corners."""
    result = base(pieces(facing, edges), SETTINGS)
    panels = {p.name: box(p.x_mm, p.y_mm, p.x_mm + p.width_mm, p.y_mm + p.depth_mm)
              for p in result.panels}  # fmt: skip
    feet = []
    for piece in rail_pieces(result):
        line = LineString([piece.start_mm, piece.end_mm])
        assert line.length == pytest.approx(piece.length_mm)
        assert line.difference(panels[piece.panel].buffer(1e-6)).is_empty
        feet.append(line.buffer(5.5, cap_style="flat"))
    assert shapely.union_all(feet).area == pytest.approx(sum(foot.area for foot in feet))
    insets = {rail.edge: rail.inset_mm for rail in result.rails}
    cut_off = 2.0 * (insets["front"] + insets["back"] + 2.0 * 5.5)
    total = sum(rail.length_mm for rail in result.rails)
    assert sum(piece.length_mm for piece in rail_pieces(result)) == pytest.approx(total - cut_off)


def lies_on_rails(footing: KeyedFooting, result: Base, cell: int) -> bool:
    """Tell whether some turn lays the block in a cell with a rail along all of each groove."""
    board = result.pieces.board
    width, depth = board.size_mm
    rails = {
        "front": lambda at: [(0.0, at), (width, at)],
        "back": lambda at: [(0.0, depth - at), (width, depth - at)],
        "left": lambda at: [(at, 0.0), (at, depth)],
        "right": lambda at: [(width - at, 0.0), (width - at, depth)],
    }
    under = shapely.union_all([LineString(rails[r.edge](r.inset_mm)) for r in result.rails])
    outline = Polygon(board.outline_mm(cell))
    block = Polygon(footing.solid.outline_mm)
    grooves = shapely.union_all([middle_line(*line) for line in footing.lines])
    for spin in range(0, 360, 30):
        laid, middle = (
            translate(rotate(shape, spin, origin=(0.0, 0.0)), *board.centre_mm[cell])
            for shape in (block, grooves.intersection(block))
        )
        if laid.symmetric_difference(outline).area < 1e-6:
            along = under.intersection(outline)
            if along.hausdorff_distance(middle) < 1e-4:
                return True
    return False


def middle_line(angle_deg: float, at: float) -> LineString:
    """Draw the middle line of a groove far past its block."""
    angle = math.radians(angle_deg)
    normal = np.array([math.cos(angle), math.sin(angle)])
    along = np.array([-normal[1], normal[0]]) * 300.0
    return LineString([normal * at - along, normal * at + along])


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
@pytest.mark.parametrize("rows", [6, 7])
def test_keyed_footings_sit_on_the_rails(facing: str, edges: str, rows: int) -> None:
    """Every footing on the rim has a kind; in place, its grooves lie along all of its rails."""
    board = pieces(facing, edges, rows)
    result = base(board, SETTINGS)
    found = keyed_footings(result)
    cells = sorted(cell for footing in found for cell in footing.cells.tolist())
    assert cells == np.flatnonzero(board.board.is_rim).tolist()
    assert len({footing.name for footing in found}) == len(found)
    for footing in found:
        assert all(lies_on_rails(footing, result, cell) for cell in footing.cells.tolist())
        for angle_deg, at in footing.lines:
            normal = np.array(
                [math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))]
            )
            depth = footing.depth_mm(normal * (at + np.array([[-6.0], [-3.0], [0.0], [4.0]])))
            assert (depth >= np.array([0.0, 3.0, 6.0, 2.0]) - 1e-9).all()
    crossing = [footing for footing in found if len(footing.lines) == 2]
    assert sum(footing.count for footing in crossing) == 4  # the corners of the board


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_a_keyed_footing_is_its_block_without_grooves(facing: str, edges: str) -> None:
    """Closed, as large as the block, with the volume that is left.

    The grooves are summed over slices of shapely's: how wide they are at each depth.
    """
    for footing in keyed_footings(base(pieces(facing, edges), SETTINGS)):
        body = check(keyed_footing_mesh(footing))
        assert body.volume == pytest.approx(footing.volume_mm3, rel=1e-6)
        assert body.extents == pytest.approx(footing.solid.size_mm, rel=1e-9)
        outline = Polygon(footing.solid.outline_mm)
        lost = 0.0
        n_slices = 400
        for depth in (np.arange(n_slices) + 0.5) * 6.0 / n_slices:
            strips = [
                middle_line(*line).buffer(6.0 - depth, cap_style="flat") for line in footing.lines
            ]
            lost += shapely.union_all(strips).intersection(outline).area * 6.0 / n_slices
        assert footing.solid.volume_mm3 - footing.volume_mm3 == pytest.approx(lost, rel=1e-4)
        # Underneath, the deepest line lies 6 mm above the base.
        assert set(np.round(body.vertices[:, 2], 3)) <= {0.0, 6.0, 15.0} | set(
            np.round(footing.depth_mm(body.vertices[:, :2]), 3)
        )


def test_a_straight_groove_by_hand() -> None:
    """Along a straight cut 100 mm long a groove of 6 mm takes 36 mm^2 x 100 mm of the block."""
    footings = keyed_footings(base(pieces("flats"), SETTINGS))
    sides = [f for f in footings if f.solid.part == "side-cut half" and len(f.lines) == 1]
    (footing,) = sides
    assert footing.lines == ((0.0, 12.0),)
    lost = footing.solid.volume_mm3 - footing.volume_mm3
    assert lost == pytest.approx(36.0 * 100.0, rel=1e-9)


@pytest.mark.parametrize("batter_deg", [0.0, 15.0, 45.0])
def test_facings_cover_their_faces(batter_deg: float) -> None:
    """Closed; the back has the upright area of the face, the front that of the leaning one.

    The volume is the slab of 3 mm and the wedge below the lean, tan(batter) / 2 times the integral
    of the squared height along the width: (a^2 + a b + b^2) / 3 for heights from a to b. From front
    to back there are 3 mm and what the foot stands out.
    """
    found = rough(batter_deg)
    assert len(found.parts) > 10
    assert {part.kind for part in found.parts} >= {"land", "waterside"}
    lean = math.tan(math.radians(batter_deg))
    for part, body in zip(found.parts, facing_bodies(found, thickness_mm=3.0), strict=True):
        solid = check(body_mesh(body))
        a, b, width = part.left_mm, part.right_mm, part.width_mm
        slab = 3.0 * width * (a + b) / 2.0
        wedge = lean / 2.0 * width * (a * a + a * b + b * b) / 3.0
        assert solid.volume == pytest.approx(slab + wedge, rel=1e-9)
        assert body.volume_mm3 == pytest.approx(slab + wedge, rel=1e-9)
        is_back = np.abs(solid.face_normals[:, 1] - 1.0) < 1e-9
        assert solid.area_faces[is_back].sum() == pytest.approx(width * (a + b) / 2.0, rel=1e-9)
        assert solid.extents[1] == pytest.approx(3.0 + max(a, b) * lean, rel=1e-9)


def test_a_leaning_facing_by_hand() -> None:
    """15 mm high all along, leaning back by 45 degrees, it is 3 mm deep above and 18 mm below."""
    body = facing_body(FacingPiece("land", 50.0, 15.0, 15.0, 45.0, 1), thickness_mm=3.0)
    assert body.volume_mm3 == pytest.approx(50.0 * 15.0 * (3.0 + 18.0) / 2.0)
    assert body.size_mm == (50.0, 18.0, 15.0)
    ends = 2.0 * 15.0 * 10.5
    faces = 50.0 * (15.0 + 15.0 * math.sqrt(2.0) + 3.0 + 18.0)
    assert body.surface_mm2 == pytest.approx(ends + faces)


# Figures ---------------------------------------------------------------------------------------


def test_panels_measure_right() -> None:
    """Read by ezdxf, a panel is as large as it is, its rails and bars where they belong."""
    result = base(pieces(), SETTINGS)
    for panel in result.panels:
        layers = dxf_lines(scene_dxf(panel_figure(result, panel)))
        size = np.array([panel.width_mm, panel.depth_mm])
        assert matches(
            layers["PIECE"], np.array([[0.0, 0.0], [size[0], 0.0], size, [0.0, size[1]]])
        )
        marks = [Polygon(points) for points, closed in layers["MARK"] if closed]
        here = box(0.0, 0.0, *size).buffer(1e-6)
        assert all(mark.within(here) for mark in marks)
        rails = [piece for piece in rail_pieces(result) if piece.panel == panel.name]
        assert len(rails) == 2
        for piece in rails:
            line = LineString([piece.start_mm, piece.end_mm])
            foot = translate(line.buffer(5.5, cap_style="flat"), -panel.x_mm, -panel.y_mm)
            assert min(mark.symmetric_difference(foot).area for mark in marks) < 0.01
        assert len(marks) == len(rails) + 2


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_grooves_are_drawn_where_they_are(facing: str, edges: str) -> None:
    """From PDF and DXF: the outline is the block's, grooves are 12 mm wide, dimensions are true."""
    for footing in keyed_footings(base(pieces(facing, edges), SETTINGS)):
        figure = key_figure(footing)
        page = PdfReader(io.BytesIO(template_pdf([figure], paper="A4"))).pages[1]
        assert matches(pdf_lines(page), footing.solid.outline_mm)
        layers = dxf_lines(scene_dxf(figure))
        assert matches(layers["PIECE"], footing.solid.outline_mm)
        edges_mm = [points for points, _ in layers["FOLD"]]
        assert len(edges_mm) == 2 * len(footing.lines)
        for points in edges_mm:
            middle = points.mean(axis=0, keepdims=True)
            assert abs(np.abs(_away(footing, middle)) - 6.0).min() < 0.01
            assert (np.abs(_away(footing, points)) > 5.99).any(axis=1).all()


def _away(footing: KeyedFooting, points: np.ndarray) -> np.ndarray:
    """Distance of points from each groove's middle line, (k, n_grooves)."""
    angle = np.deg2rad([angle for angle, _ in footing.lines])
    at = np.array([at for _, at in footing.lines])
    return points @ np.array([np.cos(angle), np.sin(angle)]) - at


def test_the_groove_guide_by_hand() -> None:
    """The faces of the V stand at 45 degrees; the guide lies 0.4 mm out, square to them.

    Level at 15.4 mm; where the level meets the slope it moves by 0.4 tan(22.5 degrees) toward the
    middle; the deepest point lies 0.4 sqrt 2 above 9 mm.
    """
    figure = groove_figure(base(pieces(), SETTINGS), 15.0, GUIDES)
    shift = 0.4 * math.tan(math.radians(22.5))
    half = [[46.0, 0.0], [46.0, 15.4], [6.0 - shift, 15.4], [0.0, 9.0 + 0.4 * math.sqrt(2.0)]]
    left = [[-6.0 + shift, 15.4], [-46.0, 15.4]]
    expected = np.array([[-46.0, 0.0], *half, *left])
    assert matches(dxf_lines(scene_dxf(figure))["GUIDE"], expected)
    page = PdfReader(io.BytesIO(template_pdf([figure], paper="Letter"))).pages[1]
    assert matches(pdf_lines(page), expected)


@pytest.mark.parametrize("batter_deg", [0.0, 15.0])
def test_facing_guides_measure_right(batter_deg: float) -> None:
    """From DXF: back and ends as their geometry says, 0.4 mm larger all round."""
    lean = math.tan(math.radians(batter_deg))
    for part in rough(batter_deg).parts:
        layers = dxf_lines(scene_dxf(facing_figure(part, GUIDES, thickness_mm=3.0)))
        left_foot, right_foot = max(0.0, -part.climb_mm), max(0.0, part.climb_mm)
        corners = [(0.0, left_foot), (part.width_mm, right_foot)]
        if part.right_mm > 0.0:
            corners.append((part.width_mm, right_foot + part.right_mm))
        if part.left_mm > 0.0:
            corners.append((0.0, left_foot + part.left_mm))
        back = np.array(corners)
        if part.left_mm == 0.0:
            back = np.roll(back, -1, axis=0)
            assert any(matches(layers["FINISH"], np.roll(back, n, axis=0)) for n in range(3))
        else:
            assert any(matches(layers["FINISH"], np.roll(back, n, axis=0)) for n in range(4))
        assert any(
            matches(layers["GUIDE"], np.roll(offset(back, 0.4), n, axis=0)) for n in range(4)
        )
        for height in (part.left_mm, part.right_mm):
            if height > 0.0:
                depth = 3.0 + height * lean
                end = np.array([[0.0, 0.0], [depth, 0.0], [depth, height], [height * lean, height]])
                assert matches(layers["FINISH"], end)


def test_every_body_has_a_drawing() -> None:
    """It states size, volume and count; the plan of the base states the whole size."""
    result = base(pieces(), SETTINGS)
    for body in (*base_bodies(result), *facing_bodies(rough(15.0), thickness_mm=3.0)):
        figure = body_drawing(body)
        assert f"{body.count} needed" in figure.notes[0]
        assert f"{body.volume_mm3 / 1000.0:.2f} cm³" in figure.notes[1]
        assert f"{body.size_mm[0]:.2f}" in [words.text for words in figure.words]
    plan = base_plan(result)
    texts = [words.text for words in plan.words]
    assert {"692.0", *(panel.name for panel in result.panels)} <= set(texts)
    assert any("7.78 mm" in note for note in plan.notes)  # 5.5 times the root of 2


def test_words_keep_apart() -> None:
    """No two lines of text of a figure lie over each other."""
    result = base(pieces(), SETTINGS)
    figures = [
        *base_template_figures(result, rough(15.0), GUIDES, thickness_mm=3.0),
        *(panel_figure(result, panel) for panel in result.panels),
        *(body_drawing(body) for body in base_bodies(result)),
        base_plan(result),
    ]
    for figure in figures:
        boxes = [Polygon(w.marks) for w in figure.words]
        for one, other in itertools.combinations(boxes, 2):
            assert one.intersection(other).area < 1e-9, figure.name


# Files -----------------------------------------------------------------------------------------


def files(result: Base) -> dict[str, bytes]:
    """Write all files of a base."""
    return base_files(result, rough(15.0), thickness_mm=3.0) | base_template_files(
        result, rough(15.0), GUIDES, thickness_mm=3.0
    )


def test_files_are_the_same_twice_and_read_back() -> None:
    """Equal bases give equal bytes; STL files are closed, and every figure has a page."""
    found = files(base(pieces(), SETTINGS))
    assert files(base(pieces(), SETTINGS)) == found
    for name, data in found.items():
        if name.endswith(".stl"):
            assert trimesh.load_mesh(io.BytesIO(data), file_type="stl").is_watertight, name
        if name.endswith(".dxf"):
            assert not ezdxf.read(io.StringIO(data.decode())).audit().has_errors
    figures = base_template_figures(base(pieces(), SETTINGS), rough(15.0), GUIDES, thickness_mm=3.0)
    names = [figure.name for figure in figures]
    assert len(set(names)) == len(names)
    pages = PdfReader(io.BytesIO(found["base-a4.pdf"])).pages
    text = " ".join(page.extract_text() for page in pages)
    assert len(pages) < len(figures)
    assert all(text.count(figure.title.split(",")[0]) >= 2 for figure in figures)  # list, figure
    assert {"base.3mf", "facings.3mf", "panel-1-1.dxf", "panel-1-1.stl"} <= set(found)
