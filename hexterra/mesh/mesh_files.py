"""Plan -> mesh files: STL, 3MF and GLB of the board and its pieces."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.drawing.map_style import WATER, Tints
from hexterra.mesh.carved_mesh import carved_board_mesh, carved_piece_mesh, surface_mesh
from hexterra.mesh.glb import MeshPart, glb
from hexterra.mesh.threemf import BuildItem, threemf
from hexterra.workshop.solids.courses import Course, What, piece_course
from hexterra.workshop.solids.grooves import schedule_grooves
from hexterra.workshop.solids.guides import Guides, file_name
from hexterra.workshop.solids.solids import Solid, piece_solids

if TYPE_CHECKING:
    from hexterra.mesh.tile_columns import Mesh
    from hexterra.plan.plan import Plan
    from hexterra.stages.schedule.pieces import Piece
    from hexterra.workshop.solids.grooves import Grooves

#: Colour of bare foam, on walls and undersides.
FOAM: Final = "#d9d4c7"
#: Of sunken roads: in grey it lies between water and the lowest ground.
ROAD: Final = "#6b5d4f"
#: Colours of what is seen in grooves.
_SURFACES: Final[dict[What, str]] = {"water": WATER, "road": ROAD}
_GAP_MM: Final = 10.0


def mesh_files(plan: Plan, grooves: Grooves | None = None) -> dict[str, bytes]:
    """Return the solids of a plan as files.

    Parameters
    ----------
    plan
        The plan.
    grooves
        Sections of water and sunken roads, which are carved into all of them; by default those
        that `schedule_grooves` gives for common guides.

    Returns
    -------
    dict[str, bytes]
        ``board.stl`` and ``board.3mf`` (one object for each level) in bench millimetres,
        ``board.glb`` in metres with a mesh for each level, one for the water and one for sunken
        roads, ``pieces.3mf`` with every piece once, laid out in rows, and an STL of each distinct
        solid. Equal plans give equal bytes.

    Raises
    ------
    BriefError
        If a groove is too wide or too deep for the tiles.
    """
    schedule, board = plan.pieces, plan.board
    grooves = grooves or schedule_grooves(schedule, Guides())
    tints = Tints(int(plan.fitted.corners.max(initial=0)))
    levels = {
        level: carved_board_mesh(
            schedule, grooves, np.flatnonzero(plan.fitted.level == level).tolist()
        )
        for level in np.unique(plan.fitted.level).tolist()
    }
    width_mm, depth_mm = board.size_mm
    items = [
        BuildItem(f"level {level}", mesh, tints.at(level), FOAM) for level, mesh in levels.items()
    ]
    parts = [MeshPart(f"level {level}", mesh, tints.at(level)) for level, mesh in levels.items()]
    for what, colour in _SURFACES.items():
        surface = surface_mesh(schedule, grooves, what)
        if surface is not None:
            parts.append(MeshPart(what, surface, colour))
    pieces = _distinct(tuple(zip(schedule.pieces, piece_solids(schedule), strict=True)), grooves)
    tints_of_pieces = Tints(max(1, *(rise for _, rise, _ in pieces.values())))
    listed = [
        BuildItem(
            f"{name.replace('-', ' ')} ({count} needed)", mesh, tints_of_pieces.at(rise), FOAM
        )
        for name, (mesh, rise, count) in pieces.items()
    ]
    files = {
        "board.stl": stl(carved_board_mesh(schedule, grooves)),
        "board.3mf": threemf(items, title=plan.brief.title),
        "board.glb": glb(parts, middle_mm=(width_mm / 2.0, depth_mm / 2.0)),
        "pieces.3mf": threemf(in_rows(listed, width_mm), title=f"{plan.brief.title}: pieces"),
    }
    for name, (mesh, _, _) in pieces.items():
        files[f"{name}.stl"] = stl(mesh)
    return files


def stl(mesh: Mesh) -> bytes:
    """Write a mesh as a binary STL file, in millimetres.

    The header says nothing but the program; normals are computed from the corners.
    """
    triangle = np.dtype([("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("unused", "<u2")])
    corner = mesh.vertices_mm[mesh.faces]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    rows = np.zeros(len(corner), dtype=triangle)
    rows["normal"] = normal / np.linalg.norm(normal, axis=1)[:, None]
    rows["corner"] = corner
    count = np.array([len(rows)], dtype="<u4")
    return b"hexterra".ljust(80, b"\0") + count.tobytes() + rows.tobytes()


def _distinct(
    pieces: tuple[tuple[Piece, Solid], ...], grooves: Grooves
) -> dict[str, tuple[Mesh, int, int]]:
    """Return each distinct solid under a file name: its mesh, highest rise, and how many."""
    found: dict[str, tuple[Mesh, int, int]] = {}
    names: dict[tuple[str, Course | None], str] = {}
    for piece, solid in pieces:
        key = solid.digest, piece_course(piece)
        name = names.setdefault(key, _solid_name(piece))
        if name not in found:
            found[name] = (carved_piece_mesh(piece, solid, grooves), max(solid.rises), 0)
        mesh, rise, count = found[name]
        found[name] = (mesh, rise, count + piece.count)
    return found


def _solid_name(piece: Piece) -> str:
    words = piece.name if piece.kind == "tile" else f"block {piece.part}"
    return file_name(f"{words} {piece.thickness_mm:g} mm".replace(".", "_"))


def in_rows(items: Iterable[BuildItem], width_mm: float) -> list[BuildItem]:
    """Lay solids out in rows no wider than a board, beside each other."""
    laid: list[BuildItem] = []
    x = y = row_mm = 0.0
    for item in items:
        left, low, _ = item.mesh.vertices_mm.min(axis=0).tolist()
        right, high, _ = item.mesh.vertices_mm.max(axis=0).tolist()
        if x > 0.0 and x + right - left > width_mm:
            x, y, row_mm = 0.0, y + row_mm + _GAP_MM, 0.0
        laid.append(replace(item, shift_mm=(x - left, y - low, 0.0)))
        x += right - left + _GAP_MM
        row_mm = max(row_mm, high - low)
    return laid
