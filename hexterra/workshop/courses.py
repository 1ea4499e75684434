"""Ports -> middle lines: where a watercourse runs on the plan of a tile, whole or cut."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import N_SIDES

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Water that ends in the tile: the ports of a whole one are not joined, even if they are two.
_ENDING: Final = ("mouth", "pool")
_ARC_STEP_DEG: Final = 5.0


def channel_lines_mm(
    corner_mm: NDArray[np.float64],
    ports: Sequence[int],
    *,
    is_whole: bool,
    water: str = "",
    past_mm: float = 0.0,
) -> tuple[NDArray[np.float64], ...]:
    """Return the middle lines of a channel on the plan, each (k, 2) float64 that starts at a port.

    All are square to the sides they cross. There are as many as ports, and each ends in the tile,
    or there is one fewer, and each ends at a port.

    Two ports that water runs between are joined by the straight line or the circular arc that
    meets both sides squarely; a straight edge of the board cuts none of these arcs. All else runs
    straight from each port to the middle of the hexagon. That lies on every straight cut: so the
    mouth of a cut tile is open at the board's edge, as if it had cut a straight channel in half.
    Water that stays in a cut tile keeps off the edge: from a single port it ends half way, and
    more ports are joined by arcs, each with the next. Water that crosses no side has no line.

    Parameters
    ----------
    corner_mm
        Corners of the whole hexagon, (6, 2) float64.
    ports
        Sides that it joins.
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
    is_joined = water not in _ENDING if is_whole else water != "mouth"
    if (len(ports) == 2 and is_joined) or (len(ports) > 2 and is_joined and not is_whole):
        pairs = pairwise(_in_a_row(ports))
        return tuple(_arc(corner_mm - centre, *pair) + centre for pair in pairs)
    port = (corner_mm + np.roll(corner_mm, -1, axis=0)) / 2.0
    past = 0.0
    if not is_whole:
        past = past_mm if water == "mouth" else -float(np.linalg.norm(port[0] - centre)) / 2.0
    return tuple(np.array([port[side], _onward(port[side], centre, past)]) for side in ports)


def _in_a_row(ports: Sequence[int]) -> list[int]:
    """Put ports in order around the hexagon, after the widest gap; later turns count on from 6."""
    held = sorted(ports)
    gaps = [
        (after - before) % N_SIDES for before, after in zip(held[-1:] + held, held, strict=False)
    ]
    start = max(range(len(held)), key=lambda number: (gaps[number], -number))
    return held[start:] + [port + N_SIDES for port in held[:start]]


def _onward(
    start: NDArray[np.float64], end: NDArray[np.float64], past_mm: float
) -> NDArray[np.float64]:
    """Return the point so far past the end of a line, or before it."""
    return end + past_mm * (end - start) / np.linalg.norm(end - start)


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
