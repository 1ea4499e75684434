"""Solids -> drawings: a sketch that shows a piece at a glance, and a drawing with dimensions."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing.figures import Figure, Stroke, Words, dimension, joined, stroke
from hexterra.workshop.solids.carved import Measures
from hexterra.workshop.solids.courses import Course, piece_course
from hexterra.workshop.solids.guides import file_name
from hexterra.workshop.templates.footprints import footprint_dimensions, kept_corners

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hexterra.stages.schedule.pieces import Piece
    from hexterra.workshop.solids.bodies import Body
    from hexterra.workshop.solids.solids import Solid

#: From where a sketch looks: how far round from the front, and how high, in degrees. At 20 degrees
#: no face of a hexagon or of a straight cut is seen edge on.
_ROUND_DEG: Final = 20.0
_HEIGHT_DEG: Final = 38.0
#: Direction to the light, and the darkest and lightest grey of a face.
_LIGHT: Final = (-0.75, -0.2, 0.63)
_GREYS: Final = (0.58, 1.0)
#: Heights of corners in a plan, and how far from its corner one stands where there is room.
_HEIGHTS_MM: Final = 2.6
_INWARD_MM: Final = 6.5


def sketch(solid: Solid, course: Course | None = None, *, width_mm: float = 20.0) -> Figure:
    """Draw a piece from above and aside, its faces in greys.

    Parameters
    ----------
    solid
        The piece.
    course
        What is cut into it; its middle line is drawn on the top.
    width_mm
        The whole hexagon from corner to corner on paper; pieces of one board so keep their
        proportions.
    """
    scale = width_mm / (2.0 * solid.across_flats_mm / math.sqrt(3.0))
    strokes = _shaded([*solid.walls_mm, *solid.facets_mm], scale)
    if course is not None:
        for line in solid.channels_mm(course):
            strokes.append(stroke(course.what, _view(_on_top(solid, line)) * scale))
    return Figure("sketch", "", tuple(strokes))


def body_sketch(body: Body, *, width_mm: float = 20.0) -> Figure:
    """Draw a body as `sketch` draws a piece, as wide on paper as is told."""
    points = np.concatenate([body.start_mm, body.end_mm])
    scale = width_mm / float(np.ptp(_view(points)[:, 0]))
    return Figure("sketch", "", tuple(_shaded(body.faces_mm, scale)))


def _shaded(faces: Sequence[NDArray[np.float64]], scale: float) -> list[Stroke]:
    """Draw the faces that are seen, the farthest first."""
    drawn: list[tuple[float, Stroke]] = []
    for face in faces:
        seen = _view(face) * scale
        if _turn(seen) > 1e-9:
            grey = "#" + f"{round(255 * _grey(face)):02x}" * 3
            drawn.append((_nearness(face), stroke("piece", seen, is_closed=True, fill=grey)))
    drawn.sort(key=lambda item: item[0])
    return [line for _, line in drawn]


def _view(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Carry points to the picture, without perspective."""
    around, up = math.radians(_ROUND_DEG), math.radians(_HEIGHT_DEG)
    x, y, z = points_mm.T
    right = math.cos(around) * x + math.sin(around) * y
    away = -math.sin(around) * x + math.cos(around) * y
    return np.column_stack([right, math.sin(up) * away + math.cos(up) * z])


def _nearness(points_mm: NDArray[np.float64]) -> float:
    """Return how near the middle of a face is to the eye."""
    around, up = math.radians(_ROUND_DEG), math.radians(_HEIGHT_DEG)
    x, y, z = points_mm.mean(axis=0).tolist()
    away = -math.sin(around) * x + math.cos(around) * y
    return math.sin(up) * z - math.cos(up) * away


def _turn(points: NDArray[np.float64]) -> float:
    """Return twice the area of a polygon on the plan, above 0 if counter-clockwise."""
    x, y = points[:, 0], points[:, 1]
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


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
) -> Figure:
    """Draw plan and view from the front of a piece, with its dimensions, volume and surface.

    Parameters
    ----------
    piece
        What it is called and which sides a watercourse crosses.
    solid
        Its shape.
    measures
        How much it is once it is cut; by default with nothing cut into its top.
    scale
        Length on paper per length of the piece. Dimensions are true.
    """
    held = measures or Measures(solid.volume_mm3, solid.top_mm2, solid.surface_mm2)
    plan = _plan(piece, solid, scale)
    front = _front(solid, scale)
    front = front.moved(0.0, plan.bounds[1] - 4.0 - front.bounds[3])
    return joined(
        (plan, front),
        name=f"drawing-{file_name(piece.name)}",
        title=piece.name,
        notes=(
            f"{piece.count:,} needed, from a blank of {piece.thickness_mm:g} mm",
            f"volume {held.volume_mm3 / 1000.0:,.2f} cm³",
            f"surface {held.surface_mm2 / 100.0:,.2f} cm², of it top"
            f" {held.top_mm2 / 100.0:,.2f} cm²",
        ),
    )


def _plan(piece: Piece, solid: Solid, scale: float) -> Figure:
    strokes = [stroke("piece", solid.outline_mm * scale, is_closed=True)]
    strokes += [stroke("fold", crease * scale) for crease in solid.creases_mm]
    course = piece_course(piece)
    if course is not None:
        strokes += [stroke(course.what, line * scale) for line in solid.channels_mm(course)]
    words: list[Words] = []
    for number in kept_corners(solid):
        height_mm = solid.base_mm + solid.rises[number] * solid.step_mm
        x, y = _room_at(solid, number, scale).tolist()
        size = _HEIGHTS_MM
        words.append(Words((x, y - 0.36 * size), size, f"{height_mm:g}", "middle"))
    for lines, labels in footprint_dimensions(solid, scale):
        strokes += lines
        words += labels
    return Figure("plan", "", tuple(strokes), tuple(words))


def _room_at(solid: Solid, number: int, scale: float) -> NDArray[np.float64]:
    """Return where words fit best near a corner: in the widest angle between edges and folds.

    They stand before the next fold in that direction, a little nearer to it than to the corner.
    """
    here = solid.corner_mm()[number]
    outline, near = solid.outline_mm, 1e-6 * solid.across_flats_mm
    at = int(np.linalg.norm(outline - here, axis=1).argmin())
    ends = [outline[(at + 1) % len(outline)], outline[at - 1]]
    for crease in solid.creases_mm:
        for this, other in (crease[:, :2], crease[::-1, :2]):
            if np.linalg.norm(this - here) < near:
                ends.append(other)
    along = np.array(ends) - here
    angle = np.arctan2(along[:, 1], along[:, 0])
    angle = np.sort((angle - angle[0]) % (2.0 * np.pi))  # from one edge, through the piece
    widest = int(np.diff(angle).argmax())
    middle = math.atan2(along[0, 1], along[0, 0]) + (angle[widest] + angle[widest + 1]) / 2.0
    inward = np.array([math.cos(middle), math.sin(middle)])
    ahead_mm = [
        _INWARD_MM,
        *(0.55 * scale * _distance(here, inward, crease) for crease in solid.creases_mm),
    ]
    return here * scale + min(ahead_mm) * inward


def _distance(
    start: NDArray[np.float64], inward: NDArray[np.float64], crease: NDArray[np.float64]
) -> float:
    """Return how far ahead a ray on the plan meets a fold; infinite if it does not."""
    along = crease[1, :2] - crease[0, :2]
    to_fold = crease[0, :2] - start
    turn = float(inward[0] * along[1] - inward[1] * along[0])
    if abs(turn) < 1e-9:
        return math.inf
    ahead = float(to_fold[0] * along[1] - to_fold[1] * along[0]) / turn
    at = float(to_fold[0] * inward[1] - to_fold[1] * inward[0]) / turn
    return ahead if ahead > 1e-6 and -1e-9 <= at <= 1.0 + 1e-9 else math.inf


def _front(solid: Solid, scale: float) -> Figure:
    """Draw the piece as seen along y, with the heights of its lowest and highest points."""
    strokes: list[Stroke] = []
    # What faces the front is drawn over what lies behind it.
    faces = [*solid.walls_mm, *solid.facets_mm]
    for face in sorted(faces, key=lambda points: -float(points[:, 1].mean())):
        seen = face[:, [0, 2]] * scale
        if np.ptp(seen[:, 0]) > 1e-9 and np.ptp(seen[:, 1]) > 1e-9 and _turn(seen) > 1e-9:
            strokes.append(stroke("piece", seen, is_closed=True, fill="#ffffff"))
    left = float(solid.outline_mm[:, 0].min()) * scale
    right = float(solid.outline_mm[:, 0].max()) * scale
    kept = [point[2] for polygon in solid.top for point in polygon]
    low_mm = solid.base_mm + float(min(kept)) * solid.step_mm
    words: list[Words] = []
    heights = [(left, low_mm, 5.0)]
    if solid.height_mm > low_mm:
        heights.append((right, solid.height_mm, -5.0))
    for x, height_mm, away_mm in heights:
        lines, labels = dimension(
            (x, 0.0), (x, height_mm * scale), away_mm=away_mm, text=f"{height_mm:g}"
        )
        strokes += lines
        words += labels
    return Figure("front", "", tuple(strokes), tuple(words))
