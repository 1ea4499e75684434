"""The regular hexagon: sides, corners, areas, and what is left of it when a straight edge cuts it.

Sides and corners are numbered 0 to 5 counter-clockwise, seen from above; side ``s`` joins corners
``s`` and ``s + 1``.
"""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

N_SIDES: Final = 6

#: Which way a hexagon stands: a point or a flat side toward the front edge of the board.
Facing = Literal["points", "flats"]

#: Angle of corner 0 from the x axis, counter-clockwise. With points to the front, side 0 faces
#: the x axis; with flats to the front, corner 0 lies on it.
CORNER0_DEG: Final[dict[Facing, float]] = {"points": -30.0, "flats": 0.0}

#: What a straight edge leaves of a hexagon.
Part = Literal["whole", "corner-cut half", "side-cut half", "quarter"]

#: Quarters come left and right handed; all else is neither.
Hand = Literal["", "left", "right"]


def side_length(across_flats: float) -> float:
    """Side of the regular hexagon with this distance between opposite sides."""
    return across_flats / math.sqrt(3.0)


#: Area of each part, as a share of the whole hexagon.
PART_SHARE: Final[dict[Part, float]] = {
    "whole": 1.0,
    "corner-cut half": 0.5,
    "side-cut half": 0.5,
    "quarter": 0.25,
}


def area(across_flats: float) -> float:
    """Area of the regular hexagon with this distance between opposite sides."""
    return math.sqrt(3.0) / 2.0 * across_flats**2


def corner_offsets(across_flats: float, facing: Facing) -> NDArray[np.float64]:
    """Corners relative to the centre, shape (6, 2), in the unit of `across_flats`."""
    angle = np.deg2rad(CORNER0_DEG[facing] + 60.0 * np.arange(N_SIDES))
    radius = side_length(across_flats)
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


def part_name(facing: Facing, kept_x: int, kept_y: int) -> Part:
    """Name what is left of a hexagon whose centre lies on a board edge.

    Parameters
    ----------
    facing
        How the hexagon stands.
    kept_x
        +1 if only its right half stays, -1 if only its left half, 0 if no left or right board
        edge cuts it.
    kept_y
        The same for the half away from the front edge (+1) and the half toward it (-1).
    """
    if kept_x and kept_y:
        return "quarter"
    if not kept_x and not kept_y:
        return "whole"
    # A vertical cut runs through two corners exactly when points face the front.
    through_corners = (facing == "points") == bool(kept_x)
    return "corner-cut half" if through_corners else "side-cut half"


def cut_of(facing: Facing, kept_x: int, kept_y: int) -> tuple[Part, Hand, int]:
    """Return part, hand and origin of a cell of which the board keeps this half or quarter.

    Pieces are numbered by their cut: side 0 of a corner-cut half and corner 0 of a side-cut half
    are the middle ones; the cut of a quarter runs through corner 0, and its hand is that of the
    longer cut edge, seen from the right angle.
    """
    part = part_name(facing, kept_x, kept_y)
    if part == "whole":
        return part, "", 0
    first_deg = round(CORNER0_DEG[facing])
    if part != "quarter":
        angle_deg = round(math.degrees(math.atan2(kept_y, kept_x)))
        return part, "", (angle_deg - first_deg) // 60 % N_SIDES
    bounds = (90 - 90 * kept_x, 180 - 90 * kept_y)  # along x and y, seen from the right angle
    to_corner = next(deg for deg in bounds if (deg - first_deg) % 60 == 0)
    to_side = next(deg for deg in bounds if deg != to_corner)
    hand: Hand = "left" if (to_corner - to_side) % 360 == 90 else "right"
    return part, hand, (to_corner - first_deg) // 60 % N_SIDES


def part_outline(
    across_flats: float, facing: Facing, kept_x: int, kept_y: int
) -> NDArray[np.float64]:
    """Outline of a part tile, counter-clockwise around the whole hexagon's centre, shape (k, 2).

    The hexagon is clipped by the half-planes that `kept_x` and `kept_y` keep (see `part_name`).
    """
    outline = corner_offsets(across_flats, facing)
    return clip_to_part(outline, kept_x, kept_y, tolerance=1e-9 * across_flats)


def clip_to_part(
    outline: NDArray[np.float64], kept_x: int, kept_y: int, *, tolerance: float
) -> NDArray[np.float64]:
    """Clip a convex outline around the middle of a hexagon, (k, 2), to what a board keeps of it.

    The half-planes are those of `part_name`. Nothing may be left: then the result is (0, 2).
    """
    for axis, kept in ((0, kept_x), (1, kept_y)):
        if kept:
            outline = _clip(outline, axis, kept, tolerance=tolerance)
    return outline


def _clip(
    outline: NDArray[np.float64], axis: int, kept: int, tolerance: float
) -> NDArray[np.float64]:
    """Clip a convex outline to where `kept` times the coordinate on `axis` is not negative."""
    clipped: list[NDArray[np.float64]] = []
    for here, there in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        h, t = kept * here[axis], kept * there[axis]
        if h >= -tolerance:
            clipped.append(here)
        if min(h, t) < -tolerance and max(h, t) > tolerance:
            clipped.append(here + (there - here) * (h / (h - t)))
    return np.array(clipped).reshape(-1, 2)
