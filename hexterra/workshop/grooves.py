"""Watercourses -> grooves: what is carved out of a top, as triangles on the plan with a depth.

A groove follows its top: it is equally deep below it everywhere, up and down ramps. Its banks slope
evenly from the top to the bed, or stand upright if they take no room (canals, ditches).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import side_length
from hexterra.values import Value
from hexterra.workshop.guides import offset
from hexterra.workshop.ranges import check_range

if TYPE_CHECKING:
    from hexterra.workshop.solids import Solid

#: The round end of a channel is a polygon with a corner for each of so many degrees.
_ROUND_STEP_DEG: Final = 15.0
#: Round ends of channels that meet have corners in common, which rounding must not part.
_DECIMALS: Final = 9
#: Widest channel, as a share of the side it crosses.
_WIDEST: Final = 0.9


@dataclass(frozen=True, eq=False)
class Groove(Value):
    """The section of a watercourse; the sizes are common practice, no source.

    Parameters
    ----------
    width_mm
        Between the upper edges of its banks.
    depth_mm
        Of the bed below the top, measured upright.
    bank_mm
        Room on the plan that each bank takes: 0 for vertical-sided channels.

    Raises
    ------
    BriefError
        If a length is out of its range, or the banks leave no bed.
    """

    width_mm: float = 20.0
    depth_mm: float = 4.0
    bank_mm: float = 4.0

    def __post_init__(self) -> None:
        check_range("width_mm", self.width_mm, 1.0, 500.0, "mm")
        check_range("depth_mm", self.depth_mm, 0.1, 100.0, "mm")
        check_range("bank_mm", self.bank_mm, 0.0, 0.45 * self.width_mm, "mm at this width")

    @property
    def section_mm2(self) -> float:
        """Area of its cross-section, a trapezoid or a rectangle."""
        return (self.width_mm - self.bank_mm) * self.depth_mm

    def edge_shares(self, across_flats_mm: float) -> tuple[float, ...]:
        """How far its edges lie from the middle of a side it crosses, as shares of the side.

        Upper edges, those of the bed, and those of water that fills it to half its depth.
        """
        side_mm = side_length(across_flats_mm)
        halves_mm = (
            self.width_mm / 2.0,
            self.width_mm / 2.0 - self.bank_mm,
            (self.width_mm - self.bank_mm) / 2.0,
        )
        return tuple(half_mm / side_mm for half_mm in halves_mm)

    def check(self, *, across_flats_mm: float, base_mm: float) -> None:
        """Refuse a groove that is too wide for a side of a tile, or goes through it.

        Raises
        ------
        BriefError
            If it is wider than nine tenths of a side, or as deep as the lowest corner is thick.
        """
        widest_mm = _WIDEST * side_length(across_flats_mm)
        check_range("width_mm", self.width_mm, 1.0, widest_mm, "mm on these tiles")
        check_range("depth_mm", self.depth_mm, 0.1, 0.9 * base_mm, "mm in these tiles")


def fitting_groove(across_flats_mm: float, base_mm: float, *, width_mm: float = 20.0) -> Groove:
    """Return a groove with natural banks that fits tiles of any size.

    Parameters
    ----------
    across_flats_mm
        Distance between opposite sides of a tile.
    base_mm
        Thickness of a tile at its lowest corner.
    width_mm
        As wide as this, or nine tenths of a side.

    Returns
    -------
    Groove
        4 mm deep, or a quarter of the base, with banks that take as much room as they are high.
    """
    width_mm = min(width_mm, _WIDEST * side_length(across_flats_mm))
    depth_mm = min(4.0, base_mm / 4.0)
    return Groove(width_mm, depth_mm, min(depth_mm, 0.45 * width_mm))


def groove_volume_mm3(groove: Groove, solid: Solid, ports: Sequence[int], water: str) -> float:
    """Return how much a groove takes out of a piece.

    Parameters
    ----------
    groove
        Its section.
    solid
        The piece.
    ports, water
        Sides that the water crosses and what it does, as in `hexterra.stages.schedule.Piece`.
    """
    from shapely import Polygon

    hollow = groove_hollow(
        groove,
        solid.channels_mm(ports, water, past_mm=groove.width_mm),
        len(ports),
        centre_mm=np.zeros(2),
        across_flats_mm=solid.across_flats_mm,
    )
    outline = Polygon(solid.outline_mm)
    found: list[float] = []
    for corner in hollow:
        left = Polygon(corner[:, :2]).intersection(outline)
        if left.area > 1e-9:
            # Depth is linear, so its mean is that in the middle.
            share = np.linalg.solve(
                np.vstack([corner[:, :2].T, np.ones(3)]), [*left.centroid.coords[0], 1.0]
            )
            found.append(left.area * float(share @ corner[:, 2]))
    return math.fsum(found)


def course_area(
    lines_mm: Sequence[NDArray[np.float64]],
    n_ports: int,
    *,
    half_mm: float,
    centre_mm: NDArray[np.float64],
    pool_mm: float,
) -> Any:
    """Return what lies within a distance of a channel's middle lines, as a shapely geometry.

    Parameters
    ----------
    lines_mm
        Of `hexterra.workshop.courses.channel_lines_mm`.
    n_ports
        How many sides it crosses.
    half_mm
        The distance. A line ends squarely in a port, and round within a tile.
    centre_mm, pool_mm
        Middle of the whole hexagon, and radius of the pool of water that crosses no side.
    """
    from shapely import union_all

    if not lines_mm:
        angle = np.deg2rad(np.arange(0.0, 360.0, _ROUND_STEP_DEG))
        return _polygon(centre_mm + pool_mm * np.column_stack([np.cos(angle), np.sin(angle)]))
    part = _ribbon if len(lines_mm) < n_ports else _arm
    return union_all([part(line, half_mm) for line in lines_mm])


def _polygon(points_mm: NDArray[np.float64]) -> Any:
    from shapely import Polygon

    return Polygon(points_mm.round(_DECIMALS))


def _ribbon(line: NDArray[np.float64], half_mm: float) -> Any:
    """Return a channel from port to port."""
    right, left = (offset(line, away, is_closed=False) for away in (half_mm, -half_mm))
    return _polygon(np.concatenate([right, left[::-1]]))


def _arm(line: NDArray[np.float64], half_mm: float) -> Any:
    """Return a straight channel from a port, round at its other end."""
    along = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    left = np.array([-along[1], along[0]])
    angle = np.deg2rad(np.arange(0.0, 180.0 + 1e-9, _ROUND_STEP_DEG))
    around = np.sin(angle)[:, None] * along - np.cos(angle)[:, None] * left
    ends = [line[0] + half_mm * left, line[0] - half_mm * left]
    return _polygon(np.concatenate([ends, line[1] + half_mm * around]))


def solid_area(solid: Solid, ports: Sequence[int], water: str, width_mm: float) -> Any:
    """Return the plan of a channel on a piece, as a shapely geometry cut to its outline."""
    from shapely import Polygon

    area = course_area(
        solid.channels_mm(ports, water, past_mm=width_mm),
        len(ports),
        half_mm=width_mm / 2.0,
        centre_mm=np.zeros(2),
        pool_mm=solid.across_flats_mm / 4.0,
    )
    return area.intersection(Polygon(solid.outline_mm))


def groove_hollow(
    groove: Groove,
    lines_mm: Sequence[NDArray[np.float64]],
    n_ports: int,
    *,
    centre_mm: NDArray[np.float64],
    across_flats_mm: float,
) -> NDArray[np.float64]:
    """Return what a groove takes out of a top, as triangles that do not overlap.

    Parameters
    ----------
    groove
        Its section.
    lines_mm, n_ports
        Where it runs, and how many sides it crosses.
    centre_mm, across_flats_mm
        Middle and size of the whole hexagon. The triangles may go on past a straight cut of it.

    Returns
    -------
    NDArray[np.float64]
        (k, 3, 3): for each corner x, y and depth below the top, in millimetres.

    Notes
    -----
    Along lines and arcs the section is exact: the volume is `Groove.section_mm2` times the length
    of the middle line, whatever the top, since depth is measured upright and the two halves of a
    mitred bend make up for each other.
    """
    outer, inner = (
        course_area(
            lines_mm,
            n_ports,
            half_mm=groove.width_mm / 2.0 - inset_mm,
            centre_mm=centre_mm,
            pool_mm=max(across_flats_mm / 4.0 - inset_mm, groove.width_mm / 20.0),
        )
        for inset_mm in (0.0, groove.bank_mm)
    )
    # A bed that goes on past the ports parts the banks there cleanly.
    past = course_area(
        [_onward(line, is_joined=len(lines_mm) < n_ports) for line in lines_mm],
        n_ports,
        half_mm=groove.width_mm / 2.0 - groove.bank_mm,
        centre_mm=centre_mm,
        pool_mm=max(across_flats_mm / 4.0 - groove.bank_mm, groove.width_mm / 20.0),
    )
    bed = _triangles(inner)
    found = [np.dstack([bed, np.full(bed.shape[:2], groove.depth_mm)])]
    if groove.bank_mm > 0.0:
        banks = _triangles(outer.difference(past))
        is_bed = _on_boundary(past, banks)
        found.append(np.dstack([banks, np.where(is_bed, groove.depth_mm, 0.0)]))
    return np.concatenate(found)


def water_hollow(
    groove: Groove,
    lines_mm: Sequence[NDArray[np.float64]],
    n_ports: int,
    *,
    centre_mm: NDArray[np.float64],
    across_flats_mm: float,
) -> NDArray[np.float64]:
    """Return the surface of the water in a half-filled groove, in the form of `groove_hollow`."""
    area = course_area(
        lines_mm,
        n_ports,
        half_mm=(groove.width_mm - groove.bank_mm) / 2.0,
        centre_mm=centre_mm,
        pool_mm=across_flats_mm / 4.0 - groove.bank_mm / 2.0,
    )
    surface = _triangles(area)
    return np.dstack([surface, np.full(surface.shape[:2], groove.depth_mm / 2.0)])


def _onward(line: NDArray[np.float64], *, is_joined: bool) -> NDArray[np.float64]:
    """Return a line that starts before its port, and ends after one if it runs between two."""

    def before(points: NDArray[np.float64]) -> NDArray[np.float64]:
        out = points[0] - points[1]
        start = points[0] + out / np.linalg.norm(out)
        return np.concatenate([[start], points[1:]])

    return before(before(line)[::-1])[::-1] if is_joined else before(line)


def _triangles(area: Any) -> NDArray[np.float64]:
    """Cut an area into triangles that have no corners but its own, (k, 3, 2)."""
    from shapely import constrained_delaunay_triangles, get_coordinates, get_parts

    parts = [part for part in get_parts(area).tolist() if part.area > 1e-9]
    triangles = [t for part in parts for t in get_parts(constrained_delaunay_triangles(part))]
    return np.array([get_coordinates(triangle)[:3] for triangle in triangles]).reshape(-1, 3, 2)


def _on_boundary(area: Any, points: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell which points lie on the outline of an area, in the shape of their corners."""
    from shapely import distance
    from shapely import points as as_points

    return distance(area.boundary, as_points(points)) < 1e-6
