"""Columns and hollows -> columns: tops with grooves in them, on the same fine grid.

All edges of facets and of a hollow's triangles are joined in one drawing whose points are whole
numbers of the fine grid, so that neighbours share whole edges; what lies between them is cut into
triangles, each within one facet and one part of the hollow. Heights are those of the facet, less
the depth. Sides that a groove crosses are cut in points that both of their cells know.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import N_SIDES
from hexterra.mesh.tile_columns import FINE, MeshFrame, TileColumn
from hexterra.workshop.solids.hollows import plane

#: Spacing of the points of grooves in the fine grid, a ten thousandth of a millimetre on tiles of
#: 100 mm: wide enough that lines that should meet do. Points of tops are multiples of it anyhow.
_SPACING: Final = 100
#: Heights at one place that differ by no more parts of a step are the same: moving the place as far
#: as that changes its height by less.
_NEAR: Final = 1000

#: Carries points in millimetres, (k, 2), to whole numbers of the fine grid.
ToGrid = Callable[[NDArray[np.float64]], NDArray[np.float64]]


class Weld:
    """Heights at places of the fine grid: those that are nearly the same become the same.

    One is shared by all the cells of a board.
    """

    def __init__(self) -> None:
        self._known: dict[tuple[int, int], list[int]] = {}

    def height(self, place: tuple[int, int], height: float) -> int:
        """Return the known height nearest to this one, or keep this one as a new one."""
        held = self._known.setdefault(place, [])
        nearest = min(held, key=lambda known: abs(known - height), default=None)
        if nearest is not None and abs(nearest - height) <= _NEAR:
            return nearest
        held.append(round(height))
        return held[-1]


def to_grid(frame: MeshFrame, port_places: NDArray[np.int64]) -> ToGrid:
    """Return what carries points to the fine grid; those at ports go where both cells see them.

    Parameters
    ----------
    frame
        Where the grid lies.
    port_places
        Of `groove_ends`, (k, 2) int64.
    """
    half_mm = np.array([frame.half_x_mm, frame.half_y_mm])

    def carry(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        # What lies half way between two points, but for rounding, goes up.
        places = np.floor(points_mm / half_mm * (FINE / _SPACING) + 0.5 + 1e-3) * _SPACING
        if len(port_places):
            gap = np.abs(places[:, None, :] - port_places[None, :, :]).max(axis=2)
            nearest = gap.argmin(axis=1)
            is_port = gap[np.arange(len(places)), nearest] <= 2 * _SPACING
            places[is_port] = port_places[nearest[is_port]]
        return places

    return carry


def groove_ends(
    corner: Sequence[tuple[int, int]], shares: Mapping[int, Sequence[float]]
) -> NDArray[np.int64]:
    """Return where the edges of grooves meet the sides they cross, (k, 2) int64.

    Parameters
    ----------
    corner
        Corners of the whole hexagon in the fine grid.
    shares
        By side, how far each edge lies from the middle of it, as shares of its length.
    """
    found: list[tuple[int, int]] = []
    for side, held in shares.items():
        (x0, y0), (x1, y1) = corner[side], corner[(side + 1) % N_SIDES]
        for share in held:
            # Seen from the other cell x and y change sign, and so do these.
            dx, dy = (_SPACING * round(d * share / _SPACING) for d in (x1 - x0, y1 - y0))
            middle_x, middle_y = (x0 + x1) // 2, (y0 + y1) // 2
            found += [(middle_x + dx, middle_y + dy), (middle_x - dx, middle_y - dy)]
    return np.array(found, dtype=np.int64).reshape(-1, 2)


def carved_columns(
    columns: Sequence[TileColumn],
    hollow: NDArray[np.float64],
    frame: MeshFrame,
    carry: ToGrid,
    weld: Weld,
) -> list[TileColumn]:
    """Return the columns of a top that is less deep by what a hollow takes out of it.

    Parameters
    ----------
    columns
        Facets of the top, as for `hexterra.mesh.tile_columns.closed_mesh`.
    hollow
        Of `hexterra.workshop.solids.hollows.hollow_mm`, (k, 3, 3): x, y and depth in millimetres,
        in the frame's own coordinates. What lies past the columns is left out.
    frame, carry
        Where the fine grid lies.
    weld
        Heights known so far.
    """
    return [column for column, _ in _pieces(columns, hollow, frame, carry, weld)]


def hollow_columns(
    columns: Sequence[TileColumn],
    hollow: NDArray[np.float64],
    frame: MeshFrame,
    carry: ToGrid,
    weld: Weld,
) -> list[TileColumn]:
    """Return only those of `carved_columns` that lie in the hollow."""
    return [column for column, is_in in _pieces(columns, hollow, frame, carry, weld) if is_in]


def _pieces(
    columns: Sequence[TileColumn],
    hollow: NDArray[np.float64],
    frame: MeshFrame,
    carry: ToGrid,
    weld: Weld,
) -> Iterator[tuple[TileColumn, bool]]:
    """Cut columns along a hollow into triangles, and say which of them lie in it."""
    from shapely import STRtree, get_coordinates, get_parts, point_on_surface, polygons

    tops = [np.array(column, dtype=np.float64) for column in columns]
    depth = hollow[..., 2] / frame.step_mm * FINE
    places = carry(hollow[..., :2].reshape(-1, 2)).reshape(-1, 3, 2)
    cuts = np.array([polygons(corners) for corners in places], dtype=object)
    facets = np.array([polygons(top[:, :2]) for top in tops], dtype=object)
    faces = _faces(facets, cuts)
    inner = point_on_surface(faces)
    facet_of = _containing(STRtree(facets), inner)
    cut_of = _containing(STRtree(cuts), inner)
    for face, facet, cut in zip(faces.tolist(), facet_of.tolist(), cut_of.tolist(), strict=True):
        if facet < 0:
            continue
        top = plane(tops[facet])
        if cut >= 0:
            top = top - plane(np.column_stack([places[cut], depth[cut]]))
        for triangle in get_parts(_triangulated(face)).tolist():
            corner = get_coordinates(triangle)[:3]
            height = corner @ top[:2] + top[2]
            yield (
                tuple(
                    (int(x), int(y), weld.height((int(x), int(y)), z))
                    for (x, y), z in zip(corner.tolist(), height.tolist(), strict=True)
                ),
                cut >= 0,
            )


def _faces(facets: NDArray[Any], cuts: NDArray[Any]) -> NDArray[Any]:
    """Join the edges of facets and cuts on the grid, and return what lies between them."""
    from shapely import boundary, get_parts, polygonize, union_all

    lines = union_all(boundary(np.concatenate([facets, cuts])), grid_size=_SPACING)
    return get_parts(polygonize(get_parts(lines)))


def _triangulated(face: Any) -> Any:
    from shapely import constrained_delaunay_triangles, orient_polygons

    return orient_polygons(constrained_delaunay_triangles(face))


def _containing(tree: Any, points: NDArray[Any]) -> NDArray[np.int64]:
    """Return the first polygon that holds each point, -1 if none does."""
    found = np.full(len(points), -1, dtype=np.int64)
    point, polygon = tree.query(points, predicate="within")
    order = np.lexsort((polygon, point))[::-1]
    found[point[order]] = polygon[order]
    return found
