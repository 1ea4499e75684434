"""Pieces -> solids: the exact shape of everything that is cut, and how much foam it is.

A piece is a prism over what a straight edge leaves of a hexagon, under a top of planar facets.
Corners, middles of sides and the lines between them have rational coordinates in a frame of two
corners, so areas and volumes are fractions of the whole hexagon's, and parts add up to it exactly.
What is cut into a top is taken off by `hexterra.workshop.solids.carved`; this is the whole prism.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.catalogue.tops import facets
from hexterra.errors import BoardError
from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import N_SIDES, Facing, Hand, Part
from hexterra.stages.schedule.pieces import Piece
from hexterra.stages.schedule.schedule import Schedule
from hexterra.values import Value
from hexterra.workshop.solids.courses import Course, course_lines_mm

if TYPE_CHECKING:
    from collections.abc import Sequence

#: A point of a top: ``across a`` and ``across b`` in the frame of corners 0 and 1, and its rise
#: above the lowest corner, in steps.
Point = tuple[Fraction, Fraction, Fraction]
Polygon = tuple[Point, ...]
#: What straight cuts keep: where ``p a + q b`` is not negative, for each (p, q).
EdgeCuts = tuple[tuple[int, int], ...]

#: Half pitches along x and y for each unit along the first two corners of a hexagon.
AXES: Final[dict[Facing, tuple[tuple[int, int], tuple[int, int]]]] = {
    "points": ((1, 1), (-1, 1)),
    "flats": ((2, 1), (0, 1)),
}
#: Corners 0 to 5 in the frame of corners 0 and 1; the middle of the hexagon is (0, 0).
_CORNERS: Final = ((1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1))

#: What each part keeps; corners and sides are numbered as in
#: `hexterra.stages.schedule.schedule.Piece`.
_KEPT: Final[dict[tuple[Part, Hand], EdgeCuts]] = {
    ("whole", ""): (),
    ("corner-cut half", ""): ((1, 1),),
    ("side-cut half", ""): ((2, 1),),
    ("quarter", "left"): ((2, 1), (0, -1)),
    ("quarter", "right"): ((2, 1), (0, 1)),
}

#: Angle of corner 0 that lays every straight cut along x or y.
_CORNER0_DEG: Final[dict[Part, float]] = {"corner-cut half": -30.0}


@dataclass(frozen=True, eq=False)
class Solid(Value):
    """A prism over a hexagon or a part of one, under a top that a straight wire can cut.

    Parameters
    ----------
    part, hand
        What of the hexagon it is; see `hexterra.stages.schedule.schedule.Piece`. A quarter that is
        a flat block has no hand, as it can be flipped, and is drawn as a right one.
    rises
        Steps that each of the six corners stands above the lowest, in the piece's own numbers.
        Those of corners that are cut away shape what is left.
    across_flats_mm
        Distance between opposite sides of the whole hexagon.
    base_mm
        Height of the lowest corner.
    step_mm
        Height of one step.

    Raises
    ------
    CatalogueError
        If a straight wire cannot cut the top.
    BoardError
        If a length is not above 0.

    Notes
    -----
    Points are measured from the middle of the whole hexagon and its underside. Corner 0 lies on
    x, or 30 degrees below it for a corner-cut half, so that straight cuts lie along x or y.
    """

    part: Part
    hand: Hand
    rises: tuple[int, ...]
    across_flats_mm: float
    base_mm: float
    step_mm: float

    def __post_init__(self) -> None:
        for name in ("across_flats_mm", "base_mm", "step_mm"):
            length_mm = getattr(self, name)
            if not 0.0 < length_mm < math.inf:
                raise BoardError(
                    f"a piece has {name} = {length_mm!r}; it must be above 0 mm",
                    remedy=f"choose another {name}",
                    name=name,
                    value=length_mm,
                )
        facets(self.rises)

    @property
    def corner0_deg(self) -> float:
        """Angle of corner 0, counter-clockwise from x."""
        return _CORNER0_DEG.get(self.part, 0.0)

    @property
    def top(self) -> tuple[Polygon, ...]:
        """Planar facets of the top as exact points, each counter-clockwise from above."""
        return cut_top(self.rises, _KEPT[self.part, self.hand])

    # Measures ----------------------------------------------------------------------------------

    @cached_property
    def share(self) -> Fraction:
        """Share of the whole hexagon's area."""
        return sum((_share(polygon) for polygon in self.top), Fraction(0))

    @cached_property
    def rise_share(self) -> Fraction:
        """Volume above the lowest corner, in hexagon areas times steps."""
        return sum((_moment(polygon) for polygon in self.top), Fraction(0))

    @property
    def footprint_mm2(self) -> float:
        """Area of the underside."""
        return float(self.share) * hexagon.area(self.across_flats_mm)

    @property
    def volume_mm3(self) -> float:
        """Volume, a closed form."""
        mean_mm = float(self.share) * self.base_mm + float(self.rise_share) * self.step_mm
        return mean_mm * hexagon.area(self.across_flats_mm)

    @cached_property
    def top_mm2(self) -> float:
        """Area of the top, along its slopes."""
        return math.fsum(_area_mm2(facet) for facet in self.facets_mm)

    @cached_property
    def wall_mm2(self) -> float:
        """Area of the upright faces, cut edges among them."""
        return math.fsum(_area_mm2(wall) for wall in self.walls_mm)

    @property
    def surface_mm2(self) -> float:
        """Area of top, walls and underside."""
        return self.top_mm2 + self.wall_mm2 + self.footprint_mm2

    @cached_property
    def height_mm(self) -> float:
        """Height of the highest point that is left of the top."""
        highest = max(point[2] for polygon in self.top for point in polygon)
        return self.base_mm + float(highest) * self.step_mm

    @cached_property
    def size_mm(self) -> tuple[float, float, float]:
        """Length along x, width along y, and height, as it lies in its own frame."""
        length_mm, width_mm = np.ptp(self.outline_mm, axis=0).tolist()
        return length_mm, width_mm, self.height_mm

    # Shapes ------------------------------------------------------------------------------------

    @cached_property
    def outline_mm(self) -> NDArray[np.float64]:
        """Footprint, counter-clockwise, (k, 2) float64."""
        whole: Polygon = tuple((Fraction(a), Fraction(b), Fraction(0)) for a, b in _CORNERS)
        return self.place(_cut(whole, _KEPT[self.part, self.hand]))[:, :2]

    @cached_property
    def facets_mm(self) -> tuple[NDArray[np.float64], ...]:
        """Planar facets of the top, counter-clockwise from above, each (k, 3) float64."""
        return tuple(self.place(polygon) for polygon in self.top)

    @cached_property
    def walls_mm(self) -> tuple[NDArray[np.float64], ...]:
        """Upright faces, counter-clockwise from outside, each (4, 3) float64.

        A cut edge has one for each facet that it cuts.
        """
        walls: list[NDArray[np.float64]] = []
        for start, end in self._edges(is_inner=False):
            upper = self.place((end, start))
            lower = upper[::-1] * np.array([1.0, 1.0, 0.0])
            walls.append(np.concatenate([lower, upper]))
        return tuple(walls)

    @cached_property
    def creases_mm(self) -> tuple[NDArray[np.float64], ...]:
        """Lines in which two facets of the top meet, each (2, 3) float64."""
        return tuple(self.place(ends) for ends in self._edges(is_inner=True) if ends[0] < ends[1])

    def _edges(self, *, is_inner: bool) -> list[tuple[Point, Point]]:
        """Edges of facets that another facet shares, or that none does."""
        edges = [edge for polygon in self.top for edge in pairwise((*polygon, polygon[0]))]
        known = set(edges)
        return [edge for edge in edges if (edge[::-1] in known) == is_inner]

    def place(self, points: Sequence[Point]) -> NDArray[np.float64]:
        """Convert exact points to millimetres, (k, 3) float64."""
        exact = np.array([[float(value) for value in point] for point in points])
        angle = np.deg2rad(self.corner0_deg + np.array([0.0, 60.0]))
        radius_mm = hexagon.side_length(self.across_flats_mm)
        frame = radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])
        height_mm = self.base_mm + exact[:, 2:] * self.step_mm
        return np.hstack([exact[:, :2] @ frame, height_mm])

    def corner_mm(self) -> NDArray[np.float64]:
        """Corners 0 to 5 of the whole hexagon on the plan, (6, 2) float64."""
        return self.place([(Fraction(a), Fraction(b), Fraction(0)) for a, b in _CORNERS])[:, :2]

    @cached_property
    def middle_mm(self) -> NDArray[np.float64]:
        """Middle of what is left of the hexagon on the plan, (2,) float64."""
        low, high = self.outline_mm.min(axis=0), self.outline_mm.max(axis=0)
        return (low + high) / 2.0 if self.part != "whole" else np.zeros(2)

    def channels_mm(
        self, course: Course, *, past_mm: float = 0.0
    ) -> tuple[NDArray[np.float64], ...]:
        """Middle lines of a course; see `hexterra.workshop.solids.courses.course_lines_mm`."""
        return course_lines_mm(
            self.corner_mm(), course, is_whole=self.part == "whole", past_mm=past_mm
        )


def piece_solids(schedule: Schedule) -> tuple[Solid, ...]:
    """Return the solid of every piece of a schedule, in its order."""
    patterns = {pattern.name: pattern.rises for pattern in schedule.tiles.catalogue.patterns}
    return tuple(
        piece_solid(
            piece,
            patterns.get(piece.pattern, (0,) * N_SIDES),
            across_flats_mm=schedule.board.across_flats_mm,
            step_mm=schedule.step_mm,
        )
        for piece in schedule.pieces
    )


def piece_solid(
    piece: Piece, rises: Sequence[int], *, across_flats_mm: float, step_mm: float
) -> Solid:
    """Return the solid of a piece.

    Parameters
    ----------
    piece
        A tile, spacer or footing. Footings are flat blocks of the full outline.
    rises
        Six rises of its pattern as the catalogue writes them; zeros for a flat block.
    across_flats_mm
        Distance between opposite sides of the whole hexagon.
    step_mm
        Height of one step.

    Raises
    ------
    BoardError
        If the block is no thicker than its top rises, or a length is not above 0.
    CatalogueError
        If a straight wire cannot cut the top.
    """
    hand: Hand = "right" if piece.part == "quarter" and not piece.hand else piece.hand
    return Solid(
        part=piece.part,
        hand=hand,
        rises=tuple(int(rises[(s - piece.turn) % N_SIDES]) for s in range(N_SIDES)),
        across_flats_mm=across_flats_mm,
        base_mm=piece.thickness_mm - max(rises) * step_mm,
        step_mm=step_mm,
    )


def board_cuts(facing: Facing, kept_x: int, kept_y: int) -> EdgeCuts:
    """Return the cuts that leave the half or quarter of a hexagon that a board keeps."""
    along_x, along_y = AXES[facing]
    kept = ((kept_x, along_x), (kept_y, along_y))
    return tuple((sign * p, sign * q) for sign, (p, q) in kept if sign)


@lru_cache(maxsize=4096)
def cut_top(rises: tuple[int, ...], cuts: EdgeCuts) -> tuple[Polygon, ...]:
    """Return the facets of a top that straight cuts leave, as exact points.

    Parameters
    ----------
    rises
        Steps that each of the six corners stands above the lowest.
    cuts
        What is kept, for each cut.

    Raises
    ------
    CatalogueError
        If a straight wire cannot cut the top.
    """
    whole = [
        tuple(
            (Fraction(_CORNERS[c][0]), Fraction(_CORNERS[c][1]), Fraction(rises[c])) for c in facet
        )
        for facet in facets(rises)
    ]
    left = [_cut(polygon, cuts) for polygon in whole]
    return tuple(polygon for polygon in left if len(polygon) > 2 and _share(polygon) > 0)


def _cut(polygon: Polygon, cuts: EdgeCuts) -> Polygon:
    """Clip a convex polygon to what cuts keep, exactly."""
    for p, q in cuts:
        clipped: list[Point] = []
        for here, there in pairwise((*polygon, *polygon[:1])):
            h, t = p * here[0] + q * here[1], p * there[0] + q * there[1]
            if h >= 0:
                clipped.append(here)
            if min(h, t) < 0 < max(h, t):
                share = h / (h - t)
                a, b, rise = (i + (j - i) * share for i, j in zip(here, there, strict=True))
                clipped.append((a, b, rise))
        polygon = tuple(clipped)
    return polygon


def _triangles(polygon: Polygon) -> list[tuple[Point, Point, Point, Fraction]]:
    """Cut a convex polygon into triangles, each with its share of the hexagon's area.

    The triangle of the middle, corner 0 and corner 1 is a sixth of the hexagon.
    """
    first = polygon[0]
    return [
        (
            first,
            two,
            three,
            (
                (two[0] - first[0]) * (three[1] - first[1])
                - (two[1] - first[1]) * (three[0] - first[0])
            )
            / 6,
        )
        for two, three in pairwise(polygon[1:])
    ]


def _share(polygon: Polygon) -> Fraction:
    return sum((share for *_, share in _triangles(polygon)), Fraction(0))


def _moment(polygon: Polygon) -> Fraction:
    return sum(
        (
            share * (one[2] + two[2] + three[2]) / 3
            for one, two, three, share in _triangles(polygon)
        ),
        Fraction(0),
    )


def _area_mm2(polygon_mm: NDArray[np.float64]) -> float:
    """Area of a planar polygon in space."""
    spokes = polygon_mm[1:] - polygon_mm[0]
    return float(np.linalg.norm(np.cross(spokes[:-1], spokes[1:]).sum(axis=0))) / 2.0
