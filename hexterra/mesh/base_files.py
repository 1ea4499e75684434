"""Base and facings -> mesh files: panels, frame, rails, keyed footings and cliff facings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hexterra.mesh.body_mesh import body_mesh, keyed_footing_mesh
from hexterra.mesh.mesh_files import FOAM, in_rows, stl
from hexterra.mesh.threemf import BuildItem, threemf
from hexterra.workshop.solids.bodies import base_bodies, facing_bodies
from hexterra.workshop.solids.guides import file_name
from hexterra.workshop.solids.keyed_footings import keyed_footings

if TYPE_CHECKING:
    from hexterra.mesh.tile_columns import Mesh
    from hexterra.workshop.solids.base import Base
    from hexterra.workshop.solids.facings import Facings


def base_files(
    base: Base, facings: Facings, *, thickness_mm: float, title: str = ""
) -> dict[str, bytes]:
    """Return the solids of what lies under and around a board as files.

    Parameters
    ----------
    base
        Panels, frame and rails.
    facings
        Faces of the same board.
    thickness_mm
        Of the facings' upper edges; see `hexterra.workshop.solids.bodies.facing_body`. 0 for none.
    title
        Of the board.

    Returns
    -------
    dict[str, bytes]
        ``base.3mf`` with panels, bars, rails and keyed footings, and ``facings.3mf`` if there are
        any faces, each with every solid once, laid out in rows, and an STL of each solid. Equal
        values give equal bytes.
    """
    under = [(body.name, body.count, body_mesh(body)) for body in base_bodies(base)]
    under += [
        (footing.name, footing.count, keyed_footing_mesh(footing))
        for footing in keyed_footings(base)
    ]
    around = [
        (body.name, body.count, body_mesh(body))
        for body in (facing_bodies(facings, thickness_mm=thickness_mm) if thickness_mm else ())
    ]
    width_mm = base.size_mm[0]
    files: dict[str, bytes] = {}
    for kind, solids in (("base", under), ("facings", around)):
        if solids:
            items = in_rows([_item(*solid) for solid in solids], width_mm)
            files[f"{kind}.3mf"] = threemf(items, title=f"{title}: {kind}" if title else kind)
    for name, _, mesh in (*under, *around):
        files[f"{file_name(name.replace('.', '_'))}.stl"] = stl(mesh)
    return files


def _item(name: str, count: int, mesh: Mesh) -> BuildItem:
    return BuildItem(f"{name} ({count} needed)", mesh, FOAM, FOAM)
