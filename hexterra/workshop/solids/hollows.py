"""Courses -> hollows: what is taken out of a top, as triangles on the plan with a depth.

A course is laid out in stretches, each with planar facets of its bed and its banks. Where
stretches lie over each other, the deepest counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from hexterra.workshop.solids.courses import course_ends, course_lines_mm
from hexterra.workshop.solids.guides import offset, signed_area_mm2

if TYPE_CHECKING:
    from hexterra.workshop.solids.courses import Course
    from hexterra.workshop.solids.grooves import Groove, Grooves

#: A planar facet: x, y and depth below the top at each corner, (k, 3).
Facet = NDArray[np.float64]

#: The round end of a channel is a polygon with a corner for each of so many degrees.
_ROUND_STEP_DEG: Final = 15.0
#: Stretches that meet have corners in common, which rounding must not part.
_DECIMALS: Final = 9
#: Areas (mm2) and differences of slope below this are none.
_NONE: Final = 1e-9
#: Grid on which lines of several stretches are joined, in millimetres.
_GRID_MM: Final = 1e-7


class Stretch(Protocol):
    """A part of a course between two ends."""

    def outline_mm(self, share: float) -> NDArray[np.float64]:
        """Return its edges at a share of its depth, (k, 2)."""
        ...

    def facets(self) -> list[Facet]:
        """Return its bed and banks, which do not overlap."""
        ...


@dataclass(frozen=True, eq=False)
class Reach:
    """From a port to another; its section changes evenly along the middle line.

    Parameters
    ----------
    line_mm
        The middle line, (k, 2).
    start, end
        Sections at its ends, equally deep.

    Notes
    -----
    It takes out the mean of its two sections times the length of the middle line, whatever the
    top and wherever it bends: depth is measured upright; the two halves of a mitred bend make up
    for each other; and a piece of bank that is no plane is cut into four triangles around its
    middle, half as deep as the bed.
    """

    line_mm: NDArray[np.float64]
    start: Groove
    end: Groove

    def outline_mm(self, share: float) -> NDArray[np.float64]:
        """Return its edges; see `Stretch`."""
        right, left = self._edges(share)
        return np.concatenate([right, left[::-1]])

    def facets(self) -> list[Facet]:
        """Return its bed and banks; see `Stretch`."""
        depth_mm = self.start.depth_mm
        upper, lower = self._edges(0.0), self._edges(1.0)
        found = [
            _deep(np.concatenate([right, left[::-1]]), depth_mm)
            for right, left in zip(_windows(lower[0]), _windows(lower[1]), strict=True)
        ]
        if not self.start.bank_mm and not self.end.bank_mm:
            # Upright all along: rounded, what has no room on the plan would get some.
            return found
        is_even = (self.start.width_mm, self.start.bank_mm) == (
            self.end.width_mm, self.end.bank_mm
        )  # fmt: skip
        for above, below in zip(upper, lower, strict=True):
            for edge, foot in zip(_windows(above), _windows(below), strict=True):
                corners = np.concatenate([_deep(edge, 0.0), _deep(foot[::-1], depth_mm)])
                found += [corners] if is_even else _around_middle(corners)
        return found

    def _edges(self, share: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the right and the left edge at a share of the depth, (k, 2) each."""
        steps_mm = np.linalg.norm(np.diff(self.line_mm, axis=0), axis=1)
        along = np.concatenate([[0.0], np.cumsum(steps_mm)]) / steps_mm.sum()
        start_mm, end_mm = self.start.half_mm(share), self.end.half_mm(share)
        half_mm = (start_mm + along * (end_mm - start_mm))[:, None]
        right = offset(self.line_mm, 1.0, is_closed=False) - self.line_mm
        return self.line_mm + half_mm * right, self.line_mm - half_mm * right


@dataclass(frozen=True, eq=False)
class Arm:
    """Straight from a port, with a round end.

    Parameters
    ----------
    line_mm
        From the port to the middle of the round end, (2, 2).
    groove
        Its section.
    """

    line_mm: NDArray[np.float64]
    groove: Groove

    def outline_mm(self, share: float) -> NDArray[np.float64]:
        """Return its edges; see `Stretch`."""
        start, end = self.line_mm
        along = (end - start) / np.linalg.norm(end - start)
        left = np.array([-along[1], along[0]])
        angle = np.deg2rad(np.arange(0.0, 180.0 + 1e-9, _ROUND_STEP_DEG))
        around = np.sin(angle)[:, None] * along - np.cos(angle)[:, None] * left
        half_mm = self.groove.half_mm(share)
        ends = [start - half_mm * left], end + half_mm * around, [start + half_mm * left]
        return np.concatenate(ends)

    def facets(self) -> list[Facet]:
        """Return its bed and banks; see `Stretch`."""
        upper, lower = self.outline_mm(0.0), self.outline_mm(1.0)
        return _terrace(upper, lower, self.groove.depth_mm)


@dataclass(frozen=True, eq=False)
class Pool:
    """Round water that crosses no side.

    Parameters
    ----------
    centre_mm, radius_mm
        Where it lies.
    groove
        Its depth and its banks.
    """

    centre_mm: NDArray[np.float64]
    radius_mm: float
    groove: Groove

    def outline_mm(self, share: float) -> NDArray[np.float64]:
        """Return its edges; see `Stretch`."""
        least_mm = self.groove.width_mm / 20.0
        radius_mm = max(self.radius_mm - share * self.groove.bank_mm, least_mm)
        angle = np.deg2rad(np.arange(0.0, 360.0, _ROUND_STEP_DEG))
        return self.centre_mm + radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])

    def facets(self) -> list[Facet]:
        """Return its bed and banks; see `Stretch`."""
        upper, lower = self.outline_mm(0.0), self.outline_mm(1.0)
        bed, *banks = _terrace(upper, lower, self.groove.depth_mm)
        last = [np.concatenate([_deep(upper[[-1, 0]], 0.0), _deep(lower[[0, -1]], bed[0, 2])])]
        return [bed, *banks, *last]


def stretches(
    course: Course, grooves: Grooves, corner_mm: NDArray[np.float64], *, is_whole: bool
) -> tuple[Stretch, ...]:
    """Lay a course out on the plan of a tile.

    Parameters
    ----------
    course
        What runs there.
    grooves
        Its sections.
    corner_mm
        Corners of the whole hexagon, (6, 2) float64.
    is_whole
        Whether nothing of the hexagon is cut away.

    Returns
    -------
    tuple[Stretch, ...]
        In every port the section is that of the port. A stretch between two ports changes evenly
        from one to the other; one that ends in the tile keeps its section, so that in the middle
        of a confluence the widest counts. They may go on past a straight cut of the hexagon.
    """
    groove = dict(zip(course.sides, grooves.at_sides(course), strict=True))
    past_mm = max((one.width_mm for one in groove.values()), default=0.0)
    lines = course_lines_mm(corner_mm, course, is_whole=is_whole, past_mm=past_mm)
    if not lines:
        # Half as wide as the tile.
        apothem_mm = float(np.linalg.norm(corner_mm[0] + corner_mm[1] - 2 * corner_mm.mean(0))) / 2
        return (Pool(corner_mm.mean(axis=0), apothem_mm / 2.0, grooves.pool),)
    return tuple(
        Reach(line, groove[ends[0] % 6], groove[ends[1] % 6])
        if len(ends) == 2
        else Arm(line, groove[ends[0]])
        for line, ends in zip(lines, course_ends(course, is_whole=is_whole), strict=True)
    )


def plan_area(laid: Sequence[Stretch], share: float = 0.0) -> Any:
    """Return what lies within the edges of stretches, at a share of their depth, for shapely."""
    from shapely import Polygon, union_all

    return union_all([Polygon(one.outline_mm(share).round(_DECIMALS)) for one in laid])


def hollow_mm(laid: Sequence[Stretch]) -> NDArray[np.float64]:
    """Return what stretches take out of a top, as triangles that do not overlap.

    Returns
    -------
    NDArray[np.float64]
        (k, 3, 3): for each corner x, y and depth below the top, in millimetres. Of stretches that
        lie over each other the deepest counts.
    """
    facets = [_rounded(facet) for one in laid for facet in one.facets()]
    facets = [facet for facet in facets if abs(signed_area_mm2(facet)) > _NONE]
    if len(laid) > 1:
        return _deepest(facets)
    found = [facet[[0, k, k + 1]] for facet in facets for k in range(1, len(facet) - 1)]
    return np.array([one for one in found if abs(signed_area_mm2(one)) > _NONE])


def filled_mm(laid: Sequence[Stretch], depth_mm: float, share: float) -> NDArray[np.float64]:
    """Return the surface of what fills stretches up to a share of their depth, as `hollow_mm`."""
    surface = _triangles(plan_area(laid, share))
    return np.dstack([surface, np.full(surface.shape[:2], share * depth_mm)])


def plane(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a, b and c of the plane z = a x + b y + c through the corners of a flat polygon."""
    # The widest angle at the first corner keeps the rounding small.
    first, spokes = points[0], points[1:] - points[0]
    area = spokes[:-1, 0] * spokes[1:, 1] - spokes[:-1, 1] * spokes[1:, 0]
    at = int(np.abs(area).argmax())
    (x1, y1, z1), (x2, y2, z2) = spokes[at].tolist(), spokes[at + 1].tolist()
    slope_x = (z1 * y2 - z2 * y1) / area[at]
    slope_y = (z2 * x1 - z1 * x2) / area[at]
    return np.array([slope_x, slope_y, first[2] - slope_x * first[0] - slope_y * first[1]])


# Facets ----------------------------------------------------------------------------------------


def _windows(line: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Return each segment of a line, (2, 2)."""
    return [np.array(ends) for ends in pairwise(line)]


def _deep(points: NDArray[np.float64], depth_mm: float) -> Facet:
    """Give points on the plan a depth."""
    return np.column_stack([points, np.full(len(points), depth_mm)])


def _rounded(facet: Facet) -> Facet:
    return np.column_stack([facet[:, :2].round(_DECIMALS), facet[:, 2]])


def _terrace(
    upper: NDArray[np.float64], lower: NDArray[np.float64], depth_mm: float
) -> list[Facet]:
    """Return a bed within its edge, and a bank from each segment of it to that above."""
    bed = [_deep(lower, depth_mm)]
    return bed + [
        np.concatenate([_deep(edge, 0.0), _deep(foot[::-1], depth_mm)])
        for edge, foot in zip(_windows(upper), _windows(lower), strict=True)
    ]


def _around_middle(corners: Facet) -> list[Facet]:
    """Cut four corners that lie in no plane into triangles around their middle."""
    middle = corners.mean(axis=0)
    return [
        np.array([here, there, middle])
        for here, there in zip(corners, np.roll(corners, -1, axis=0), strict=True)
    ]


# Stretches over each other ---------------------------------------------------------------------


def _deepest(facets: Sequence[Facet]) -> NDArray[np.float64]:
    """Return the deepest of facets that overlap, as triangles that do not.

    The edges of all facets, and the lines in which two of them are equally deep, divide the plan;
    in each part the facet counts that is deepest there.
    """
    from shapely import (
        STRtree,
        boundary,
        get_coordinates,
        get_parts,
        point_on_surface,
        polygonize,
        polygons,
        union_all,
    )  # fmt: skip

    shapes = np.array([polygons(facet[:, :2]) for facet in facets], dtype=object)
    planes = np.array([plane(facet) for facet in facets])
    tree = STRtree(shapes)
    lines = [*boundary(shapes).tolist(), *_ridges(shapes, planes, tree)]
    faces = get_parts(polygonize(get_parts(union_all(lines, grid_size=_GRID_MM))))
    inner = point_on_surface(faces)
    point, held = tree.query(inner, predicate="within")
    at = np.column_stack([get_coordinates(inner), np.ones(len(inner))])
    depth = np.full((len(faces), len(facets)), -1.0)
    depth[point, held] = (at[point] * planes[held]).sum(axis=1).round(_DECIMALS)
    deepest = depth.argmax(axis=1)
    # Parts of one plane become one again.
    _, number = np.unique(planes.round(6), axis=0, return_inverse=True)
    number = number.ravel()
    found: list[NDArray[np.float64]] = []
    for which in np.unique(number).tolist():
        chosen = faces[(depth.max(axis=1) > -1.0) & (number[deepest] == which)]
        if not len(chosen):
            continue
        corners = _triangles(union_all(chosen, grid_size=_GRID_MM))
        slope_x, slope_y, level = planes[int((number == which).argmax())].tolist()
        depths = slope_x * corners[..., 0] + slope_y * corners[..., 1] + level
        found.append(np.dstack([corners, np.maximum(depths, 0.0)]))
    return np.concatenate(found)


def _ridges(shapes: NDArray[Any], planes: NDArray[np.float64], tree: Any) -> list[Any]:
    """Return the lines in which two overlapping facets are equally deep."""
    from shapely import area, intersection, is_empty, linestrings

    one, other = tree.query(shapes, predicate="intersects")
    differ = planes[one] - planes[other]
    slope = np.hypot(differ[:, 0], differ[:, 1])
    is_pair = (one < other) & (slope > _NONE)
    one, other, differ, slope = one[is_pair], other[is_pair], differ[is_pair], slope[is_pair]
    common = intersection(shapes[one], shapes[other])
    has_room = area(common) > _NONE
    common, differ, slope = common[has_room], differ[has_room], slope[has_room]
    normal = differ[:, :2] / slope[:, None]
    foot = -normal * (differ[:, 2] / slope)[:, None]
    along = 1e4 * np.column_stack([-normal[:, 1], normal[:, 0]])
    lines = intersection(common, linestrings(np.stack([foot - along, foot + along], axis=1)))
    return lines[~is_empty(lines)].tolist()


def _triangles(area: Any) -> NDArray[np.float64]:
    """Cut an area into triangles that have no corners but its own, (k, 3, 2)."""
    from shapely import constrained_delaunay_triangles, get_coordinates, get_parts

    parts = [part for part in get_parts(area).tolist() if part.area > _NONE]
    triangles = [t for part in parts for t in get_parts(constrained_delaunay_triangles(part))]
    return np.array([get_coordinates(triangle)[:3] for triangle in triangles]).reshape(-1, 3, 2)
