"""Bodies and keyed footings -> closed meshes."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from hexterra.lattice.hexagon import Facing
from hexterra.mesh.carving import Weld, carved_columns, to_grid
from hexterra.mesh.tile_columns import Mesh, closed_mesh, grid_frame, piece_columns

if TYPE_CHECKING:
    from hexterra.workshop.solids.bodies import Body
    from hexterra.workshop.solids.keyed_footings import KeyedFooting


def body_mesh(body: Body) -> Mesh:
    """Return the mesh of a body; its faces are fans, as they are convex.

    Faces that look straight up count as tops.
    """
    number: dict[tuple[float, ...], int] = {}
    vertices: list[list[float]] = []
    triangles: list[tuple[int, int, int]] = []
    is_top: list[bool] = []
    for face in body.faces_mm:
        ring: list[int] = []
        for point in face.tolist():
            key = tuple(round(value, 9) + 0.0 for value in point)
            if key not in number:
                number[key] = len(vertices)
                vertices.append(point)
            ring.append(number[key])
        normal = np.cross(face[1] - face[0], face[2] - face[0])
        looks_up = bool(normal[2] > (1.0 - 1e-9) * np.linalg.norm(normal))
        for second, third in pairwise(ring[1:]):
            triangles.append((ring[0], second, third))
            is_top.append(looks_up)
    return Mesh(np.array(vertices), np.array(triangles, dtype=np.int32), np.array(is_top))


def keyed_footing_mesh(footing: KeyedFooting) -> Mesh:
    """Return the mesh of a keyed footing, its grooves underneath, in the frame of its block.

    The points of the grooves are moved by less than 0.0001 mm on tiles of 100 mm.
    """
    solid = footing.solid
    facing: Facing = "points" if solid.corner0_deg else "flats"
    frame = grid_frame(facing, solid.across_flats_mm, solid.step_mm, solid.base_mm)
    carry = to_grid(frame, np.empty((0, 2), dtype=np.int64))
    columns = piece_columns(solid, facing)
    upside_down = closed_mesh(
        carved_columns(columns, footing.hollow_mm, frame, carry, Weld()), frame
    )
    vertices = upside_down.vertices_mm * [1.0, 1.0, -1.0] + [0.0, 0.0, solid.base_mm]
    is_top = (vertices[upside_down.faces][..., 2] == solid.base_mm).all(axis=1)
    return Mesh(vertices, upside_down.faces[:, ::-1], is_top)
