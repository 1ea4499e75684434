"""Plan -> mesh files: STL, 3MF and GLB of the board and its pieces."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.outputs.glb import Part, glb
from hexterra.outputs.margins import WATER, Tints
from hexterra.outputs.mesh import Mesh, board_mesh, piece_mesh
from hexterra.outputs.threemf import Item, threemf
from hexterra.outputs.water_mesh import water_mesh
from hexterra.workshop.guides import Guides, file_name
from hexterra.workshop.solids import Solid, piece_solids

if TYPE_CHECKING:
    from hexterra.plan import Plan
    from hexterra.stages.schedule import Piece

#: Colour of bare foam, on walls and undersides.
FOAM: Final = "#d9d4c7"
_GAP_MM: Final = 10.0


def mesh_files(plan: Plan, guides: Guides | None = None) -> dict[str, bytes]:
    """Return the solids of a plan as files.

    Parameters
    ----------
    plan
        The plan.
    guides
        Width of the watercourses; ``Guides()`` by default.

    Returns
    -------
    dict[str, bytes]
        ``board.stl`` and ``board.3mf`` (one object for each level) in bench millimetres,
        ``board.glb`` in metres with a mesh for each level and one for the water, ``pieces.3mf``
        with every piece once, laid out in rows, and an STL of each distinct solid. Tiles that
        differ in their watercourse alone are one solid, as channels are not carved. Equal plans
        give equal bytes.
    """
    guides = guides or Guides()
    schedule, board = plan.pieces, plan.board
    tints = Tints(int(plan.fitted.corners.max(initial=0)))
    levels = {
        level: board_mesh(schedule, np.flatnonzero(plan.fitted.level == level).tolist())
        for level in np.unique(plan.fitted.level).tolist()
    }
    width_mm, depth_mm = board.size_mm
    items = [Item(f"level {level}", mesh, tints.at(level), FOAM) for level, mesh in levels.items()]
    parts = [Part(f"level {level}", mesh, tints.at(level)) for level, mesh in levels.items()]
    water = water_mesh(schedule, width_mm=guides.channel_mm)
    if water is not None:
        parts.append(Part("water", water, WATER))
    solids = _distinct(tuple(zip(schedule.pieces, piece_solids(schedule), strict=True)))
    files = {
        "board.stl": stl(board_mesh(schedule)),
        "board.3mf": threemf(items, title=plan.brief.title),
        "board.glb": glb(parts, middle_mm=(width_mm / 2.0, depth_mm / 2.0)),
        "pieces.3mf": threemf(_in_rows(solids, width_mm), title=f"{plan.brief.title}: pieces"),
    }
    for name, (solid, _) in solids.items():
        files[f"{name}.stl"] = stl(piece_mesh(solid))
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


def _distinct(pieces: tuple[tuple[Piece, Solid], ...]) -> dict[str, tuple[Solid, int]]:
    """Return each distinct solid under a file name, and how many of it are needed."""
    found: dict[str, tuple[Solid, int]] = {}
    names: dict[str, str] = {}
    for piece, solid in pieces:
        name = names.setdefault(solid.digest, _solid_name(piece, solid))
        found[name] = (solid, found.get(name, (solid, 0))[1] + piece.count)
    return found


def _solid_name(piece: Piece, solid: Solid) -> str:
    shape = piece.pattern or "block"
    part = f"{piece.hand} {piece.part}".strip()
    turn = f"turned {piece.turn}" if piece.part != "whole" and any(solid.rises) else ""
    return file_name(f"{shape} {part} {turn} {piece.thickness_mm:g} mm".replace(".", "_"))


def _in_rows(solids: dict[str, tuple[Solid, int]], width_mm: float) -> list[Item]:
    """Lay solids out in rows no wider than the board, beside each other."""
    items: list[Item] = []
    x = y = row_mm = 0.0
    top = max((max(solid.rises) for solid, _ in solids.values()), default=0)
    tints = Tints(max(top, 1))
    for name, (solid, count) in solids.items():
        (left, low), (right, high) = solid.outline_mm.min(axis=0), solid.outline_mm.max(axis=0)
        if x > 0.0 and x + right - left > width_mm:
            x, y, row_mm = 0.0, y + row_mm + _GAP_MM, 0.0
        items.append(
            Item(
                f"{name.replace('-', ' ')} ({count} needed)",
                piece_mesh(solid),
                tints.at(max(solid.rises)),
                FOAM,
                (x - float(left), y - float(low), 0.0),
            )
        )
        x += float(right - left) + _GAP_MM
        row_mm = max(row_mm, float(high - low))
    return items
