"""Solids -> drawings: a sketch that shows a piece at a glance, and a drawing with dimensions."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Polygon

from hexterra.drawing.layers import dimension, stroke
from hexterra.drawing.scene import WHITE, Item, Lines, Scene, Text, joined
from hexterra.workshop.solids.carved import Measures
from hexterra.workshop.solids.courses import Course, piece_course
from hexterra.workshop.solids.guides import file_name, signed_area_mm2
from hexterra.workshop.templates.footprints import footprint_dimensions, kept_corners

if TYPE_CHECKING:
    from hexterra.stages.schedule.pieces import Piece
    from hexterra.workshop.solids.bodies import Body
    from hexterra.workshop.solids.solids import Solid

#: How high above the bench a slanting view is seen from.
_ABOVE: Final = math.radians(38.0)
#: How far to the right of the front a sketch is seen from, so that no face of a hexagon or of a
#: straight cut is seen edge on.
_ROUND_DEG: Final = 20.0
#: Direction to the light, and the darkest and lightest grey of a face.
_LIGHT: Final = (-0.75, -0.2, 0.63)
_GREYS: Final = (0.58, 1.0)
#: Heights of corners in a plan, and how far from its corner one stands where there is room.
_HEIGHTS_MM: Final = 2.6
_INWARD_MM: Final = 6.5


def sketch(solid: Solid, course: Course | None = None, *, width_mm: float = 20.0) -> Scene:
    """Draw a piece at a slant, its faces in greys, and a line where a course runs.

    A whole hexagon is `width_mm` from corner to corner, so that pieces keep their proportions.
    """
    scale = width_mm / (2.0 * solid.across_flats_mm / math.sqrt(3.0))
    items = _shaded([*solid.walls_mm, *solid.facets_mm], scale)
    if course is not None:
        for line in solid.channels_mm(course):
            seen = projected(_on_top(solid, line), _ROUND_DEG)
            items.append(stroke(course.what, seen * scale))
    return Scene(tuple(items))


def body_sketch(body: Body, *, width_mm: float = 20.0) -> Scene:
    """Draw a body as `sketch` draws a piece, `width_mm` wide on paper."""
    points = np.concatenate([body.start_mm, body.end_mm])
    scale = width_mm / float(np.ptp(projected(points, _ROUND_DEG)[:, 0]))
    return Scene(tuple(_shaded(body.faces_mm, scale)))


def _shaded(faces: Sequence[NDArray[np.float64]], scale: float) -> list[Lines]:
    """Draw the faces that are seen, the farthest first."""
    drawn: list[Lines] = []
    for face in sorted(faces, key=lambda points: nearness(points, _ROUND_DEG)):
        seen = projected(face, _ROUND_DEG) * scale
        if signed_area_mm2(seen) > 1e-9:
            grey = "#" + f"{round(255 * _grey(face)):02x}" * 3
            drawn.append(stroke("piece", seen, is_closed=True, fill=grey))
    return drawn


def _grey(face_mm: NDArray[np.float64]) -> float:
    spokes = face_mm[1:] - face_mm[0]
    normal = np.cross(spokes[:-1], spokes[1:]).sum(axis=0)
    light = float(normal @ np.array(_LIGHT)) / float(
        np.linalg.norm(normal) * np.linalg.norm(_LIGHT)
    )
    dark, bright = _GREYS
    return dark + (bright - dark) * max(light, 0.0)


def _on_top(solid: Solid, line_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lift a line on the plan onto the top, cut finely enough to follow its folds."""
    from hexterra.catalogue.tops import surface_rise

    share = np.linspace(0.0, 1.0, 17)[:, None]
    fine = np.concatenate([start + share * (end - start) for start, end in pairwise(line_mm)])
    rise = surface_rise(solid.rises, 0, fine / solid.across_flats_mm, solid.corner0_deg)
    return np.column_stack([fine, solid.base_mm + rise * solid.step_mm])


def piece_drawing(
    piece: Piece, solid: Solid, *, measures: Measures | None = None, scale: float = 0.5
) -> Scene:
    """Draw plan and view from the front of a piece, with its dimensions, volume and surface.

    `measures` say how much it is once it is cut; by default nothing is cut into its top. `scale` is
    length on paper per length of the piece; dimensions are true.
    """
    measured = measures or Measures(solid.volume_mm3, solid.top_mm2, solid.surface_mm2)
    plan = _plan(piece, solid, scale)
    front = _front(solid, scale)
    front = front.placed(0.0, plan.bounds[1] - 4.0 - front.bounds[3])
    return joined(
        (plan, front),
        name=f"drawing-{file_name(piece.name)}",
        title=piece.name,
        notes=(
            f"{piece.count:,} needed, from a blank of {piece.thickness_mm:g} mm",
            f"volume {measured.volume_mm3 / 1000.0:,.2f} cm³",
            f"surface {measured.surface_mm2 / 100.0:,.2f} cm², of it top"
            f" {measured.top_mm2 / 100.0:,.2f} cm²",
        ),
    )


def _plan(piece: Piece, solid: Solid, scale: float) -> Scene:
    items: list[Item] = [stroke("piece", solid.outline_mm * scale, is_closed=True)]
    items += [stroke("fold", crease * scale) for crease in solid.creases_mm]
    course = piece_course(piece)
    if course is not None:
        items += [stroke(course.what, line * scale) for line in solid.channels_mm(course)]
    for number in kept_corners(solid):
        height_mm = solid.base_mm + solid.rises[number] * solid.step_mm
        x, y = _room_at(solid, number, scale).tolist()
        size = _HEIGHTS_MM
        items.append(Text((x, y - 0.36 * size), size, f"{height_mm:g}", "middle"))
    items += footprint_dimensions(solid, scale)
    return Scene(tuple(items))


def _room_at(solid: Solid, number: int, scale: float) -> NDArray[np.float64]:
    """Return where words fit best near a corner: in the widest of the facets that meet there.

    They stand a little nearer to what lies opposite than to the corner.
    """
    here, near = solid.corner_mm()[number], 1e-6 * solid.across_flats_mm
    widest, room = 2.0, np.zeros(2)
    for facet in solid.facets_mm:
        plan = facet[:, :2] - here
        at = int(np.linalg.norm(plan, axis=1).argmin())
        if np.linalg.norm(plan[at]) > near:
            continue
        edges = np.array([plan[(at + 1) % len(plan)], plan[at - 1]])
        edges /= np.linalg.norm(edges, axis=1)[:, None]
        if (cosine := float(edges[0] @ edges[1])) < widest:
            inward = edges.sum(axis=0) / np.linalg.norm(edges.sum(axis=0))
            ray = LineString([(0.0, 0.0), 2.0 * solid.across_flats_mm * inward])
            ahead_mm = 0.55 * scale * ray.intersection(Polygon(plan)).length
            widest, room = cosine, min(_INWARD_MM, ahead_mm) * inward
    return here * scale + room


def _front(solid: Solid, scale: float) -> Scene:
    """Draw the piece as seen along y, with the heights of its lowest and highest points."""
    items: list[Item] = [*front_view([*solid.walls_mm, *solid.facets_mm], scale)]
    left = float(solid.outline_mm[:, 0].min()) * scale
    right = float(solid.outline_mm[:, 0].max()) * scale
    kept = [point[2] for polygon in solid.top for point in polygon]
    low_mm = solid.base_mm + float(min(kept)) * solid.step_mm
    heights = [(left, low_mm, 5.0)]
    if solid.height_mm > low_mm:
        heights.append((right, solid.height_mm, -5.0))
    for x, height_mm, away_mm in heights:
        ends = (x, 0.0), (x, height_mm * scale)
        items += dimension(*ends, away_mm=away_mm, text=f"{height_mm:g}")
    return Scene(tuple(items))


# Views -------------------------------------------------------------------------------------------


def turned(points_mm: NDArray[np.float64], round_deg: float) -> NDArray[np.float64]:
    """Return how far right and how far away points are, (k, 2), seen from right of the front."""
    around = math.radians(round_deg)
    x, y = points_mm[:, 0], points_mm[:, 1]
    right = x * math.cos(around) + y * math.sin(around)
    return np.column_stack([right, y * math.cos(around) - x * math.sin(around)])


def projected(points_mm: NDArray[np.float64], round_deg: float) -> NDArray[np.float64]:
    """Project points in space, (k, 3), to a slanting view, (k, 2)."""
    right, away = turned(points_mm, round_deg).T
    up = away * math.sin(_ABOVE) + points_mm[:, 2] * math.cos(_ABOVE)
    return np.column_stack([right, up])


def nearness(points_mm: NDArray[np.float64], round_deg: float) -> float:
    """Return how near the middle of a face is to the viewer of `projected`."""
    away = float(turned(points_mm, round_deg)[:, 1].mean())
    return math.sin(_ABOVE) * float(points_mm[:, 2].mean()) - math.cos(_ABOVE) * away


def front_view(faces_mm: Iterable[NDArray[np.float64]], scale: float) -> list[Lines]:
    """Draw the faces that are seen along y; what is nearer covers what lies behind it."""
    seen = [
        face[:, [0, 2]] * scale
        for face in sorted(faces_mm, key=lambda points: -float(points[:, 1].mean()))
    ]
    return [
        stroke("piece", points, is_closed=True, fill=WHITE)
        for points in seen
        if np.ptp(points, axis=0).min() > 1e-9 and signed_area_mm2(points) > 1e-9
    ]
