"""Plan -> mesh files: STL, 3MF and GLB of the board and its pieces."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.outputs.carved_mesh import carved_board_mesh, carved_piece_mesh, water_mesh
from hexterra.outputs.glb import Part, glb
from hexterra.outputs.map_sheet import WATER, Tints
from hexterra.outputs.threemf import Item, threemf
from hexterra.workshop.grooves import fitting_groove
from hexterra.workshop.guides import file_name
from hexterra.workshop.solids import Solid, piece_solids

if TYPE_CHECKING:
    from hexterra.outputs.mesh import Mesh
    from hexterra.plan import Plan
    from hexterra.stages.schedule import Piece
    from hexterra.workshop.grooves import Groove

#: Colour of bare foam, on walls and undersides.
FOAM: Final = "#d9d4c7"
_GAP_MM: Final = 10.0


def mesh_files(plan: Plan, groove: Groove | None = None) -> dict[str, bytes]:
    """Return the solids of a plan as files.

    Parameters
    ----------
    plan
        The plan.
    groove
        Section of the watercourses, which is carved into all of them; by default that of
        `plan_groove`.

    Returns
    -------
    dict[str, bytes]
        ``board.stl`` and ``board.3mf`` (one object for each level) in bench millimetres,
        ``board.glb`` in metres with a mesh for each level and one for the water, ``pieces.3mf``
        with every piece once, laid out in rows, and an STL of each distinct solid. Equal plans
        give equal bytes.

    Raises
    ------
    BriefError
        If the groove is too wide or too deep for the tiles.
    """
    schedule, board = plan.pieces, plan.board
    groove = groove or plan_groove(plan)
    tints = Tints(int(plan.fitted.corners.max(initial=0)))
    levels = {
        level: carved_board_mesh(
            schedule, groove, np.flatnonzero(plan.fitted.level == level).tolist()
        )
        for level in np.unique(plan.fitted.level).tolist()
    }
    width_mm, depth_mm = board.size_mm
    items = [Item(f"level {level}", mesh, tints.at(level), FOAM) for level, mesh in levels.items()]
    parts = [Part(f"level {level}", mesh, tints.at(level)) for level, mesh in levels.items()]
    water = water_mesh(schedule, groove)
    if water is not None:
        parts.append(Part("water", water, WATER))
    pieces = _distinct(tuple(zip(schedule.pieces, piece_solids(schedule), strict=True)), groove)
    tints_of_pieces = Tints(max(1, *(rise for _, rise, _ in pieces.values())))
    listed = [
        Item(f"{name.replace('-', ' ')} ({count} needed)", mesh, tints_of_pieces.at(rise), FOAM)
        for name, (mesh, rise, count) in pieces.items()
    ]
    files = {
        "board.stl": stl(carved_board_mesh(schedule, groove)),
        "board.3mf": threemf(items, title=plan.brief.title),
        "board.glb": glb(parts, middle_mm=(width_mm / 2.0, depth_mm / 2.0)),
        "pieces.3mf": threemf(in_rows(listed, width_mm), title=f"{plan.brief.title}: pieces"),
    }
    for name, (mesh, _, _) in pieces.items():
        files[f"{name}.stl"] = stl(mesh)
    return files


def plan_groove(plan: Plan, *, width_mm: float = 20.0) -> Groove:
    """Return a groove that fits the tiles of a plan, with the banks that its brief asks for."""
    pieces = zip(plan.pieces.pieces, piece_solids(plan.pieces), strict=True)
    thinnest_mm = min(solid.base_mm for piece, solid in pieces if piece.kind == "tile")
    groove = fitting_groove(plan.board.across_flats_mm, thinnest_mm, width_mm=width_mm)
    return replace(groove, bank_mm=0.0) if plan.brief.water.banks == "upright" else groove


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
    pieces: tuple[tuple[Piece, Solid], ...], groove: Groove
) -> dict[str, tuple[Mesh, int, int]]:
    """Return each distinct solid under a file name: its mesh, highest rise, and how many."""
    found: dict[str, tuple[Mesh, int, int]] = {}
    names: dict[tuple[str, str, tuple[int, ...]], str] = {}
    for piece, solid in pieces:
        key = solid.digest, piece.water, piece.ports
        name = names.setdefault(key, _solid_name(piece, solid))
        if name not in found:
            found[name] = (carved_piece_mesh(piece, solid, groove), max(solid.rises), 0)
        mesh, rise, count = found[name]
        found[name] = (mesh, rise, count + piece.count)
    return found


def _solid_name(piece: Piece, solid: Solid) -> str:
    shape = piece.pattern or "block"
    part = f"{piece.hand} {piece.part}".strip()
    turn = f"turned {piece.turn}" if piece.part != "whole" and any(solid.rises) else ""
    water = f"{piece.crossing} {' '.join(map(str, piece.ports))}"
    return file_name(f"{shape} {water} {part} {turn} {piece.thickness_mm:g} mm".replace(".", "_"))


def in_rows(items: Iterable[Item], width_mm: float) -> list[Item]:
    """Lay solids out in rows no wider than a board, beside each other."""
    laid: list[Item] = []
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
