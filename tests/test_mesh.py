"""Closed meshes and the files they are written to, read back by other programs."""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import Any

import lib3mf
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.catalogue.tops import mean_rise
from hexterra.lattice.hexagon import Facing
from hexterra.mesh.carved_mesh import carved_board_mesh, carved_piece_mesh
from hexterra.mesh.glb import linear
from hexterra.mesh.mesh_files import mesh_files, stl
from hexterra.mesh.threemf import BuildItem, threemf
from hexterra.mesh.tile_columns import FINE, Mesh, MeshFrame, closed_mesh
from hexterra.workshop.solids.courses import piece_course
from hexterra.workshop.solids.grooves import Groove, Grooves
from hexterra.workshop.solids.solids import Solid, cut_top, piece_solids
from tests.plain.meshes import board_mesh, piece_mesh
from tests.small_plans import small_plan

PATTERNS = tuple(pattern.rises for pattern in load_catalogue(None).patterns)
UNIT = MeshFrame(half_x_mm=1.0, half_y_mm=1.0, step_mm=1.0, base_mm=1.0)
BOARDS: tuple[tuple[Facing, Any], ...] = (
    ("points", "straight"),
    ("points", "whole"),
    ("flats", "straight"),
    ("flats", "whole"),
)


def check(mesh: Mesh) -> trimesh.Trimesh:
    """Have trimesh say that a mesh is closed, wound outward and without needless triangles."""
    body = trimesh.Trimesh(mesh.vertices_mm, mesh.faces, process=False)
    assert body.is_watertight
    assert body.is_winding_consistent
    assert body.area_faces.min() > 1e-6
    assert body.volume == pytest.approx(mesh.volume_mm3, rel=1e-12)
    return body


def fine(*points: tuple[float, float, float]) -> tuple[tuple[int, int, int], ...]:
    """Carry points to the fine grid."""
    return tuple((round(x * FINE), round(y * FINE), round(z * FINE)) for x, y, z in points)


def test_a_cube_by_hand() -> None:
    """A square column of side 2 and height 1 has volume 4, 8 vertices and 12 faces."""
    mesh = closed_mesh([fine((0, 0, 0), (2, 0, 0), (2, 2, 0), (0, 2, 0))], UNIT)
    assert check(mesh).euler_number == 2
    assert (mesh.volume_mm3, len(mesh.vertices_mm), len(mesh.faces)) == (4.0, 8, 12)
    assert mesh.is_top.sum() == 2


def test_tops_that_cross_by_hand() -> None:
    """Two square columns whose tops lean to opposite sides meet in one point of their edge.

    Each has a mean height of 1 + 1, so the volume is 2 * 4 * 2; between them stand two triangles.
    """
    left = fine((0, 0, 0), (2, 0, 0), (2, 2, 2), (0, 2, 2))
    right = fine((2, 0, 2), (4, 0, 2), (4, 2, 0), (2, 2, 0))
    mesh = closed_mesh([left, right], UNIT)
    check(mesh)
    assert mesh.volume_mm3 == pytest.approx(16.0, rel=1e-14)
    assert [2.0, 1.0, 2.0] in mesh.vertices_mm.tolist()


def test_three_heights_at_one_corner() -> None:
    """Where three columns of different height meet, the tallest wall has a vertex half way."""
    low = fine((0, 0, 0), (2, 0, 0), (2, 1, 0), (2, 2, 0), (0, 2, 0))
    middle = fine((2, 0, 1), (4, 0, 1), (4, 1, 1), (2, 1, 1))
    high = fine((2, 1, 2), (4, 1, 2), (4, 2, 2), (2, 2, 2))
    mesh = closed_mesh([low, middle, high], UNIT)
    check(mesh)
    assert mesh.volume_mm3 == pytest.approx(4 * 1 + 2 * 2 + 2 * 3, rel=1e-14)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(st.sampled_from(PATTERNS), st.integers(0, 5), st.integers(0, 3)),
        min_size=19,
        max_size=19,
    ),
    st.sets(st.integers(0, 18), min_size=1),
)
def test_any_tiles_close(tiles: list[tuple[tuple[int, ...], int, int]], kept: set[int]) -> None:
    """Hexagons of any pattern, turn and level, with gaps, give a closed solid of their volume."""
    columns = []
    steps = 0.0
    places = [(a, b) for a in range(-2, 3) for b in range(-2, 3) if abs(a + b) <= 2]
    for cell in kept:
        rises, turn, level = tiles[cell]
        turned = tuple(rises[(s - turn) % 6] for s in range(6))
        a, b = places[cell]
        x, y = 2 * a + b, 3 * b  # centres in half pitches, points to the front
        for polygon in cut_top(turned, ()):
            points = [(x + p + q, y + q - p, level + rise) for p, q, rise in polygon]
            columns.append(fine(*((float(x), float(y), float(z)) for x, y, z in points)))
        steps += 1 + level + float(mean_rise(rises))
    frame = MeshFrame(0.5, 0.5 / math.sqrt(3.0), 1.0, 1.0)  # 1 across flats
    body = check(closed_mesh(columns, frame))
    assert body.volume == pytest.approx(steps * math.sqrt(3.0) / 2.0, rel=1e-12)


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_pieces_are_closed_with_their_closed_form_volume(facing: Facing, edges: Any) -> None:
    """Every piece is one body without holes."""
    for solid in piece_solids(small_plan(facing, edges).pieces):
        body = check(piece_mesh(solid))
        assert body.euler_number == 2
        assert body.volume == pytest.approx(solid.volume_mm3, rel=1e-12)
        assert body.area == pytest.approx(solid.surface_mm2, rel=1e-12)
        assert body.extents == pytest.approx(solid.size_mm, rel=1e-12)


@pytest.mark.parametrize(("facing", "edges"), BOARDS)
def test_the_board_is_closed_and_holds_all_its_pieces(facing: Facing, edges: Any) -> None:
    """The board, cliffs among its tops, is one body, and so is what stands on each level."""
    plan = small_plan(facing, edges)
    assert plan.fitted.cliff.any()
    body = check(board_mesh(plan.pieces))
    pieces = zip(plan.pieces.pieces, piece_solids(plan.pieces), strict=True)
    total = math.fsum(p.count * s.volume_mm3 for p, s in pieces)
    assert body.volume == pytest.approx(total, rel=1e-12)
    assert body.extents[:2] == pytest.approx(plan.board.size_mm, rel=1e-12)
    parts = [
        check(board_mesh(plan.pieces, np.flatnonzero(plan.fitted.level == level).tolist()))
        for level in np.unique(plan.fitted.level)
    ]
    assert math.fsum(part.volume for part in parts) == pytest.approx(total, rel=1e-12)


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    """Write the meshes of a small board."""
    return mesh_files(small_plan(), Grooves())


def test_mesh_files_are_the_same_twice(files: dict[str, bytes]) -> None:
    """Equal plans give equal bytes."""
    assert mesh_files(small_plan(), Grooves()) == files


def test_small_tiles_have_a_groove_that_fits() -> None:
    """Without a groove given, one is made for the tiles: here 3.75 mm deep, a quarter of 15."""
    plan = small_plan()
    grooves = Grooves.alike(Groove(20.0, 3.75, 3.75))
    assert mesh_files(plan) == mesh_files(plan, grooves)


def test_stl_is_read_by_trimesh(files: dict[str, bytes]) -> None:
    """Every STL is closed after its vertices are merged, with the volume of its solid."""
    plan = small_plan()
    names = [name for name in files if name.endswith(".stl")]
    bodies = {name: trimesh.load_mesh(io.BytesIO(files[name]), file_type="stl") for name in names}
    assert all(body.is_watertight for body in bodies.values())
    board = carved_board_mesh(plan.pieces, Grooves())
    assert bodies.pop("board.stl").volume == pytest.approx(board.volume_mm3, rel=1e-6)
    pieces = list(zip(plan.pieces.pieces, piece_solids(plan.pieces), strict=True))
    volumes = {
        (solid.digest, piece_course(piece)): carved_piece_mesh(piece, solid, Grooves()).volume_mm3
        for piece, solid in pieces
    }
    found = sorted(body.volume for body in bodies.values())
    assert found == pytest.approx(sorted(volumes.values()), rel=1e-5)


@pytest.mark.parametrize("name", ["board.3mf", "pieces.3mf"])
def test_3mf_is_valid(files: dict[str, bytes], name: str, tmp_path: Path) -> None:
    """The library of the 3MF Consortium reads the package in strict mode without a warning."""
    path = tmp_path / name
    path.write_bytes(files[name])
    wrapper = lib3mf.get_wrapper()
    model: Any = wrapper.CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    plan = small_plan()
    objects = model.GetMeshObjects()
    if name == "board.3mf":
        assert objects.Count() == len(np.unique(plan.fitted.level))
    while objects.MoveNext():
        assert objects.GetCurrentMeshObject().IsManifoldAndOriented()


def test_3mf_colours_tops_and_sides(tmp_path: Path) -> None:
    """A top bears its colour and a wall the other, as lib3mf reads them, in millimetres."""
    tile = Solid("whole", "", (0,) * 6, across_flats_mm=100.0, base_mm=15.0, step_mm=7.5)
    path = tmp_path / "tile.3mf"
    path.write_bytes(
        threemf([BuildItem("a < b", piece_mesh(tile), "#ff8000", "#0000ff")], title="T&T")
    )
    wrapper = lib3mf.get_wrapper()
    model: Any = wrapper.CreateModel()
    model.QueryReader("3mf").ReadFromFile(str(path))
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    objects = model.GetMeshObjects()
    objects.MoveNext()
    mesh = objects.GetCurrentMeshObject()
    assert mesh.GetName() == "a < b"
    groups = model.GetColorGroups()
    groups.MoveNext()
    group = groups.GetCurrentColorGroup()
    seen = set()
    for face in range(mesh.GetTriangleCount()):
        properties = mesh.GetTriangleProperties(face)
        identifier = properties.PropertyIDs[0]
        if properties.ResourceID == 0:  # the object's own
            _, identifier, _ = mesh.GetObjectLevelProperty()
        colour = group.GetColor(identifier)
        corners = mesh.GetTriangle(face).Indices
        heights = {round(mesh.GetVertex(corner).Coordinates[2], 3) for corner in corners}
        seen.add((heights == {15.0}, (colour.Red, colour.Green, colour.Blue)))
    assert seen == {(True, (255, 128, 0)), (False, (0, 0, 255))}


def test_glb_is_read_by_trimesh(files: dict[str, bytes]) -> None:
    """Metres, y up, the middle at the origin, one closed mesh for each level and the water."""
    plan = small_plan()
    scene = trimesh.load_scene(io.BytesIO(files["board.glb"]), file_type="glb")
    levels = np.unique(plan.fitted.level).tolist()
    assert set(scene.geometry) == {*(f"level {level}" for level in levels), "water"}
    assert all(body.is_watertight for body in scene.geometry.values())
    width_mm, depth_mm = plan.board.size_mm
    low, high = scene.bounds
    assert low[[0, 2]] * 1000.0 == pytest.approx([-width_mm / 2, -depth_mm / 2], abs=1e-3)
    assert high[[0, 2]] * 1000.0 == pytest.approx([width_mm / 2, depth_mm / 2], abs=1e-3)
    assert low[1] == 0.0
    total = sum(body.volume for name, body in scene.geometry.items() if name != "water") * 1e9
    board = carved_board_mesh(plan.pieces, Grooves())
    assert total == pytest.approx(board.volume_mm3, rel=1e-5)


def test_front_is_toward_the_viewer_in_glb(files: dict[str, bytes]) -> None:
    """The level of the cell at the front left reaches x = -w/2, z = +d/2, at its own height."""
    plan = small_plan()
    scene = trimesh.load_scene(io.BytesIO(files["board.glb"]), file_type="glb")
    width_mm, depth_mm = plan.board.size_mm
    body = scene.geometry[f"level {plan.fitted.level[0]}"]
    corner = np.array([-width_mm / 2.0, depth_mm / 2.0]) / 1000.0
    assert np.abs(body.vertices[:, [0, 2]] - corner).max(axis=1).min() < 1e-6


def test_colours_become_linear() -> None:
    """Colours follow the sRGB transfer function of IEC 61966-2-1.

    128/255 emits ((0.50196 + 0.055) / 1.055)^2.4 = 0.21586, and 10/255, on the straight part,
    0.039216 / 12.92 = 0.0030353.
    """
    assert linear("#80000a") == pytest.approx((0.21586, 0.0, 0.0030353), abs=1e-5)


def test_stl_normals_point_outward() -> None:
    """The stored normals are those of the corners."""
    tile = Solid("whole", "", (1, 1, 0, 0, 0, 0), 100.0, 15.0, 7.5)
    data = stl(piece_mesh(tile))
    rows = np.frombuffer(
        data[84:], dtype=[("n", "<f4", 3), ("c", "<f4", (3, 3)), ("unused", "<u2")]
    )
    outward = np.einsum("ij,ij->i", rows["n"], rows["c"].mean(axis=1) - [0.0, 0.0, 9.0])
    assert (outward > 0).all()
    assert len(rows) == int.from_bytes(data[80:84], "little")
