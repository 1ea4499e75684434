"""Pieces -> what is left of them once water and roads are cut: volume and surface."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.values import Value
from hexterra.workshop.solids.courses import piece_course
from hexterra.workshop.solids.hollows import Stretch, hollow_mm, plan_area, plane, stretches

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hexterra.stages.schedule.pieces import Piece
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.solids.grooves import Grooves
    from hexterra.workshop.solids.solids import Solid

#: Areas below this (mm2) are none.
_NONE_MM2: Final = 1e-9
#: How far from a line the ground on its two sides is sampled, in millimetres.
_BESIDE_MM: Final = 1e-5


@dataclass(frozen=True, eq=False)
class Measures(Value):
    """How much a piece is, with everything cut into its top.

    Parameters
    ----------
    volume_mm3
        Foam that is left.
    top_mm2
        Area of the top along its slopes, beds and banks among it.
    surface_mm2
        Area all round.
    """

    volume_mm3: float
    top_mm2: float
    surface_mm2: float


def piece_stretches(piece: Piece, solid: Solid, grooves: Grooves) -> tuple[Stretch, ...]:
    """Return what is cut into a piece, laid out in the frame of its solid; () if nothing is.

    Raises
    ------
    BriefError
        If a groove is too wide or too deep for the piece.
    """
    course = piece_course(piece)
    if course is None:
        return ()
    grooves.check([course], across_flats_mm=solid.across_flats_mm, base_mm=solid.base_mm)
    return stretches(course, grooves, solid.corner_mm(), is_whole=solid.part == "whole")


def piece_measures(piece: Piece, solid: Solid, grooves: Grooves) -> Measures:
    """Return how much a piece is once it is cut.

    Parameters
    ----------
    piece
        What crosses it.
    solid
        Its shape without that.
    grooves
        The sections of what is cut.

    Returns
    -------
    Measures
        Exact sums over planar faces: those of the solid, less the hollow.

    Raises
    ------
    BriefError
        If a groove is too wide or too deep for the piece.
    """
    laid = piece_stretches(piece, solid, grooves)
    if not laid:
        return Measures(solid.volume_mm3, solid.top_mm2, solid.surface_mm2)
    from shapely import Polygon

    hollow = hollow_mm(laid)
    planes = np.array([plane(corners) for corners in hollow])
    shapes, of = _within(hollow, Polygon(solid.outline_mm))
    top_mm2 = solid.top_mm2 + _sloped_mm2(shapes, planes[of], solid)
    banks_mm2, openings_mm2 = _upright_mm2(shapes, planes[of], solid)
    return Measures(
        volume_mm3=solid.volume_mm3 - _volume_mm3(shapes, planes[of]),
        top_mm2=top_mm2 + banks_mm2,
        surface_mm2=top_mm2 + banks_mm2 - openings_mm2 + solid.wall_mm2 + solid.footprint_mm2,
    )


def schedule_measures(schedule: Schedule, grooves: Grooves) -> tuple[Measures, ...]:
    """Return how much every piece of a schedule is, in its order."""
    from hexterra.workshop.solids.solids import piece_solids

    pieces = zip(schedule.pieces, piece_solids(schedule), strict=True)
    return tuple(piece_measures(piece, solid, grooves) for piece, solid in pieces)


def covered_mm2(solid: Solid, laid: Sequence[Stretch]) -> float:
    """Return how much of the plan of a piece lies between the upper edges of what is cut."""
    from shapely import Polygon

    return float(plan_area(laid).intersection(Polygon(solid.outline_mm)).area)


def _within(hollow: NDArray[np.float64], outline: Any) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Cut the triangles of a hollow to an outline; return what is left, and of which it is."""
    from shapely import area, intersection, polygons

    left = intersection(polygons(hollow[..., :2]), outline)
    of = np.flatnonzero(area(left) > _NONE_MM2)
    return left[of], of


def _volume_mm3(shapes: NDArray[Any], planes: NDArray[np.float64]) -> float:
    """Return what lies between the top and planes below it."""
    from shapely import area, centroid, get_coordinates

    # Depth is linear, so its mean is that in the middle.
    middle = get_coordinates(centroid(shapes))
    depth = planes[:, 0] * middle[:, 0] + planes[:, 1] * middle[:, 1] + planes[:, 2]
    return float(area(shapes) @ depth)


def _sloped_mm2(shapes: NDArray[Any], planes: NDArray[np.float64], solid: Solid) -> float:
    """Return how much larger beds and sloping banks are than the top over them."""
    from shapely import Polygon, area, intersection

    found = 0.0
    for facet in solid.facets_mm:
        slope = plane(facet)[:2]
        cut = slope - planes[:, :2]
        stretched = np.sqrt(1.0 + (cut**2).sum(axis=1)) - np.sqrt(1.0 + float(slope @ slope))
        found += float(area(intersection(shapes, Polygon(facet[:, :2]))) @ stretched)
    return found


def _upright_mm2(
    shapes: NDArray[Any], planes: NDArray[np.float64], solid: Solid
) -> tuple[float, float]:
    """Return the area of upright banks, and that of openings in the walls.

    They stand where the depth differs on the two sides of a line.
    """
    from shapely import (
        STRtree,
        boundary,
        get_coordinates,
        get_parts,
        points,
        union_all,
    )  # fmt: skip

    lines = get_parts(union_all(boundary(shapes)))
    ends = np.concatenate(
        [
            np.stack([corners[:-1], corners[1:]], axis=1)
            for line in lines
            for corners in [get_coordinates(line)]
        ]
    )
    along = ends[:, 1] - ends[:, 0]
    length = np.linalg.norm(along, axis=1)
    ends, along, length = (held[length > _BESIDE_MM] for held in (ends, along, length))
    left = np.column_stack([-along[:, 1], along[:, 0]]) / length[:, None] * _BESIDE_MM
    tree, middle = STRtree(shapes), ends.mean(axis=1)
    depth = np.zeros((2, len(ends), 2))
    for number, beside in enumerate((left, -left)):
        at, held = tree.query(points(middle + beside), predicate="within")
        for end in (0, 1):
            place = np.column_stack([ends[at, end], np.ones(len(at))])
            depth[number, at, end] = (place * planes[held]).sum(axis=1)
    upright = np.abs(depth[0] - depth[1]).mean(axis=1) * length
    is_edge = _on_outline(middle, solid)
    return float(upright[~is_edge].sum()), float(upright[is_edge].sum())


def _on_outline(points_mm: NDArray[np.float64], solid: Solid) -> NDArray[np.bool_]:
    from shapely import Polygon, distance, points

    away = distance(Polygon(solid.outline_mm).boundary, points(points_mm))
    return np.asarray(away < _BESIDE_MM)
