"""Ports -> middle lines: where a watercourse runs on the plan of a tile, whole or cut."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import N_SIDES

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Water that ends in the tile: its ports are not joined by one line, even if they are two.
_ENDING: Final = ("mouth", "pool")
_ARC_STEP_DEG: Final = 5.0


def channel_lines_mm(
    corner_mm: NDArray[np.float64],
    ports: Sequence[int],
    *,
    middle_mm: NDArray[np.float64],
    is_whole: bool,
    water: str = "",
    past_mm: float = 0.0,
) -> tuple[NDArray[np.float64], ...]:
    """Return the middle lines of a channel on the plan, each (k, 2) float64 that starts at a port.

    Two ports that water runs between are joined by the straight line or the circular arc that
    meets both sides squarely; a straight edge of the board cuts none of these arcs. All else runs
    straight from each port to the middle of the piece. The mouth of a cut tile lies on the board's
    edge: every straight cut runs through the middle of the whole hexagon, so that is where its
    water goes, as if the edge had cut a straight channel in half. Water that crosses no side has
    no line.

    Parameters
    ----------
    corner_mm
        Corners of the whole hexagon, (6, 2) float64.
    ports
        Sides that it joins.
    middle_mm
        Middle of what is left of the hexagon, (2,) float64.
    is_whole
        Whether nothing of it is cut away.
    water
        What the water does, as in `hexterra.catalogue.catalogue.WATER`.
    past_mm
        How far lines that run off a cut tile go on past the board's edge.

    Notes
    -----
    Arcs are polygons of 5 degrees a corner around the circle, so both ends are square to the
    sides, and they are longer than the circle by less than 0.07 %.
    """
    centre = corner_mm.mean(axis=0)
    if len(ports) == 2 and water not in _ENDING:
        first, second = sorted(ports)
        if second - first > N_SIDES // 2:
            first, second = second, first + N_SIDES
        return (_arc(corner_mm - centre, first, second) + centre,)
    port = (corner_mm + np.roll(corner_mm, -1, axis=0)) / 2.0
    end = centre if is_whole or water == "mouth" else middle_mm
    lines = [np.array([port[side], end]) for side in ports]
    if water == "mouth" and not is_whole:
        for line in lines:
            along = line[1] - line[0]
            line[1] += past_mm * along / np.linalg.norm(along)
    return tuple(lines)


def _arc(corner: NDArray[np.float64], first: int, second: int) -> NDArray[np.float64]:
    """Return the curve that meets two sides of a hexagon squarely in their middles."""
    middle = (corner + np.roll(corner, -1, axis=0)) / 2.0
    start, end = middle[first % N_SIDES], middle[second % N_SIDES]
    if second - first == N_SIDES // 2:
        return np.array([start, end])
    # Sides that are not parallel meet, extended, in the middle of the arc: in the corner between
    # neighbours, or across the side that lies between.
    pivot = corner[second % N_SIDES]
    if second - first == 2:
        pivot = corner[(first + 1) % N_SIDES] + corner[second % N_SIDES]
    from_pivot = start - pivot
    turn = np.deg2rad(180.0 - 60.0 * (second - first))
    n_corners = round(float(np.rad2deg(turn)) / _ARC_STEP_DEG)
    step = turn / n_corners
    angle = -step * (np.arange(n_corners) + 0.5)
    across = np.array([-from_pivot[1], from_pivot[0]])
    around = np.cos(angle)[:, None] * from_pivot + np.sin(angle)[:, None] * across
    return np.concatenate([[start], pivot + around / np.cos(step / 2.0), [end]])
