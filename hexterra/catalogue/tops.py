"""Exact geometry of the tops that a straight wire can cut.

A top is given by six *rises*: how many steps each corner stands above the lowest. It is made of
planar facets whose vertices are corners of the hexagon, so its volume and its height anywhere
are closed forms. Lengths are in units of the distance across flats; rises in steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import CatalogueError
from hexterra.lattice.hexagon import (
    CORNER0_DEG,
    N_SIDES,
    Facing,
    clip_to_part,
    corner_offsets,
)

Facet = tuple[int, ...]

# A triangle of hexagon corners is congruent to one of three, distinguished by the steps between
# its corners around the hexagon. Their shares of the hexagon's area, in sixths.
_SIXTHS: Final[dict[tuple[int, ...], int]] = {(1, 1, 4): 1, (1, 2, 3): 2, (2, 2, 2): 3}


def facets(rises: Sequence[int]) -> tuple[Facet, ...]:
    """Return the planar facets of a top, each as corner numbers counter-clockwise.

    A plane is one facet. One run of equally raised corners gives the high polygon, a strip and
    the low polygon, of which a polygon with fewer than three corners is a line and left out. Two
    opposite raised pairs give two strips that meet in the line between the two low corners.

    Parameters
    ----------
    rises
        Six whole numbers, the least of them 0.

    Raises
    ------
    CatalogueError
        If a straight wire cannot cut the top, that is if it is none of these.
    """
    return _facets(tuple(int(rise) for rise in rises))


@lru_cache(maxsize=1024)
def _facets(rises: tuple[int, ...]) -> tuple[Facet, ...]:
    if _is_plane(rises):
        return (tuple(range(N_SIDES)),)
    # Start at the first raised corner after a low one: runs then do not wrap around.
    starts = [s for s in range(N_SIDES) if rises[s] > 0 and rises[s - 1] == 0]
    n_raised = sum(rise > 0 for rise in rises)
    is_even = len({rise for rise in rises if rise > 0}) == 1
    is_saddle = n_raised == 4 and len(starts) == 2 and starts[1] - starts[0] == 3
    if not (is_even and (len(starts) == 1 or is_saddle)):
        text = "".join(str(rise) for rise in rises)
        raise CatalogueError(
            f"a straight wire cannot cut a top with the rises {text}",
            remedy="raise one unbroken run of corners by the same rise, or two opposite pairs,"
            " or choose rises that lie in one plane",
            rises=rises,
        )
    if is_saddle:
        return tuple(_around(start - 1, 4) for start in starts)
    first = starts[0]
    strip = (first - 1, first, first + n_raised - 1, first + n_raised)
    found = (
        _around(first, n_raised),
        tuple(dict.fromkeys(corner % N_SIDES for corner in strip)),
        _around(first + n_raised, N_SIDES - n_raised),
    )
    return tuple(facet for facet in found if len(facet) > 2)


def _is_plane(rises: tuple[int, ...]) -> bool:
    """Opposite corners of a plane have one mean, and so has every second corner."""
    twice_centre = rises[0] + rises[3]
    is_balanced = all(rises[s] + rises[s + 3] == twice_centre for s in (1, 2))
    return is_balanced and 2 * (rises[0] + rises[2] + rises[4]) == 3 * twice_centre


def _around(first: int, count: int) -> Facet:
    return tuple((first + step) % N_SIDES for step in range(count))


def mean_rise(rises: Sequence[int]) -> Fraction:
    """Return the mean of a top's height above its lowest corner, in steps, exactly.

    The volume above that corner is the hexagon's area times this times the step height.

    Raises
    ------
    CatalogueError
        As for `facets`.
    """
    total = Fraction(0)
    for facet in facets(rises):
        for triangle in _triangles(facet):
            height = Fraction(sum(int(rises[corner]) for corner in triangle), 3)
            total += _share(triangle) * height
    return total


@lru_cache(maxsize=4096)
def mean_rise_of_part(rises: tuple[int, ...], facing: Facing, kept_x: int, kept_y: int) -> float:
    """Return the mean of a turned top's height over the part that a board keeps of it, in steps.

    Parameters
    ----------
    rises
        Rises of corners 0 to 5 as the tile lies.
    facing, kept_x, kept_y
        How the hexagon stands, and which half or quarter is kept: see `part_name`.

    Raises
    ------
    CatalogueError
        As for `facets`.
    """
    if not kept_x and not kept_y:
        return float(mean_rise(rises))
    corner = corner_offsets(1.0, facing)
    total = total_area = 0.0
    for facet, (a, b, c) in zip(
        facets(rises), facet_planes(rises, CORNER0_DEG[facing]).tolist(), strict=True
    ):
        part = clip_to_part(corner[list(facet)], kept_x, kept_y, tolerance=1e-9)
        for i in range(1, len(part) - 1):
            triangle = part[[0, i, i + 1]]
            edge, other = triangle[1] - triangle[0], triangle[2] - triangle[0]
            area = float(edge[0] * other[1] - edge[1] * other[0])
            x, y = triangle.mean(axis=0).tolist()
            total += area * (a * x + b * y + c)
            total_area += area
    return total / total_area


def facet_planes(rises: Sequence[int], corner0_deg: float) -> NDArray[np.float64]:
    """Return the plane of each facet, (n_facets, 3) float64: a, b, c in ``rise = a x + b y + c``.

    x and y are measured from the middle of the tile, in units of the distance across flats;
    `corner0_deg` is the angle of corner 0, counter-clockwise from x.
    """
    corner = _corners(corner0_deg)
    planes = np.empty((len(facets(rises)), 3))
    for number, facet in enumerate(facets(rises)):
        first, second, third = (corner[c] for c in facet[:3])
        edge, other = second - first, third - first
        climb = float(rises[facet[1]] - rises[facet[0]])
        other_climb = float(rises[facet[2]] - rises[facet[0]])
        twice_area = edge[0] * other[1] - edge[1] * other[0]
        slope_x = (climb * other[1] - other_climb * edge[1]) / twice_area
        slope_y = (other_climb * edge[0] - climb * other[0]) / twice_area
        middle = float(rises[facet[0]]) - slope_x * first[0] - slope_y * first[1]
        planes[number] = slope_x, slope_y, middle
    return planes


def surface_rise(
    rises: Sequence[int], turn: int, points: NDArray[np.float64], corner0_deg: float
) -> NDArray[np.float64]:
    """Return how high a turned top stands at points of the tile, in steps.

    Parameters
    ----------
    rises
        Six rises of the pattern as the catalogue writes them.
    turn
        By how many sides the pattern is turned, counter-clockwise: corner ``s`` of the cell has
        rise ``rises[(s - turn) % 6]``.
    points
        (k, 2) float64, from the middle of the tile, in units of the distance across flats. A
        point outside the tile is measured on the plane of the facet that is nearest to holding it.
    corner0_deg
        Angle of corner 0, counter-clockwise from x: -30 with points to the front, 0 with flats.

    Returns
    -------
    NDArray[np.float64]
        (k,) float64, exact to rounding and continuous over the tile.

    Raises
    ------
    CatalogueError
        As for `facets`.
    """
    turned = [int(rises[(s - turn) % N_SIDES]) for s in range(N_SIDES)]
    corner = _corners(corner0_deg)
    planes = facet_planes(turned, corner0_deg)
    depth = np.empty((len(planes), len(points)))  # how far inside each facet; negative outside
    for number, facet in enumerate(facets(turned)):
        start = corner[list(facet)]
        along = np.roll(start, -1, axis=0) - start
        along /= np.linalg.norm(along, axis=1)[:, None]
        from_start = points[:, None, :] - start[None, :, :]
        inward = along[:, 0] * from_start[..., 1] - along[:, 1] * from_start[..., 0]
        depth[number] = inward.min(axis=1)
    plane = planes[depth.argmax(axis=0)]
    return plane[:, 0] * points[:, 0] + plane[:, 1] * points[:, 1] + plane[:, 2]


def _corners(corner0_deg: float) -> NDArray[np.float64]:
    facing: Facing = "points"
    turned = np.deg2rad(corner0_deg - CORNER0_DEG[facing])
    rotation = np.array([[np.cos(turned), np.sin(turned)], [-np.sin(turned), np.cos(turned)]])
    return corner_offsets(1.0, facing) @ rotation


def _triangles(facet: Facet) -> list[Facet]:
    """Cut a facet into triangles that share its first corner."""
    return [(facet[0], facet[i], facet[i + 1]) for i in range(1, len(facet) - 1)]


def _share(triangle: Facet) -> Fraction:
    """Return a triangle's share of the hexagon's area."""
    low, middle, high = sorted(triangle)
    gaps = tuple(sorted((middle - low, high - middle, low + N_SIDES - high)))
    return Fraction(_SIXTHS[gaps], 6)
