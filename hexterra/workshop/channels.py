"""Watercourses -> channels: where the banks lie on the plan of a piece."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hexterra.catalogue.catalogue import lowest_turn
from hexterra.lattice.hexagon import N_SIDES
from hexterra.workshop.figures import Figure, Words, stroke
from hexterra.workshop.footprints import kept_corners
from hexterra.workshop.guides import Guides, counted, file_name

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from hexterra.stages.schedule import Piece
    from hexterra.workshop.solids import Solid


def channels(pieces: Sequence[tuple[Piece, Solid]], guides: Guides) -> Iterable[Figure]:
    """Draw one plan for each channel that occurs; turned whole tiles share one."""
    groups: dict[tuple[str, ...], list[tuple[Piece, Solid]]] = {}
    for piece, solid in pieces:
        if piece.ports:
            ports = lowest_turn(piece.ports) if piece.part == "whole" else piece.ports
            key = (piece.crossing, f"{piece.hand} {piece.part}".strip(), *map(str, ports))
            groups.setdefault(key, []).append((piece, solid))
    for (crossing, part, *ports), users in groups.items():
        words = crossing if part == "whole" else f"{crossing}, {part}"
        yield channel_figure(
            users[0][1],
            tuple(int(port) for port in ports),
            guides,
            title=words,
            users=counted(piece for piece, _ in users),
            turns=_turns(users, [int(port) for port in ports]) if part == "whole" else "",
        )


def _turns(users: Sequence[tuple[Piece, Solid]], ports: Sequence[int]) -> str:
    """Say for each pattern how far the plan of a channel is turned on it."""
    by_pattern: dict[str, list[int]] = {}
    for piece, _ in users:
        turn = next(
            t
            for t in range(N_SIDES)
            if {(port + t) % N_SIDES for port in ports} == set(piece.ports)
        )
        by_pattern.setdefault(piece.pattern, []).append(turn)
    return ", ".join(f"{name} {' '.join(map(str, t))}" for name, t in by_pattern.items())


def channel_figure(
    solid: Solid,
    ports: Sequence[int],
    guides: Guides,
    *,
    title: str,
    users: str = "",
    turns: str = "",
) -> Figure:
    """Draw where a watercourse runs on the plan of a piece, at full size.

    Parameters
    ----------
    solid
        Any piece of that outline.
    ports
        Sides that the watercourse crosses.
    guides
        Its width.
    title
        Names the crossing and the part.
    users
        What carries it, for the notes.
    turns
        Which patterns have it turned how far, for the notes.
    """
    middles = solid.channels_mm(ports)
    strokes = [stroke("piece", solid.outline_mm, is_closed=True)]
    strokes += [stroke("hidden", line) for line in middles]
    strokes += [stroke("water", line) for line in banks_mm(solid, ports, guides.channel_mm)]
    corner = solid.corner_mm()
    words: list[Words] = []
    for number in kept_corners(solid):
        at = corner[number] + 0.1 * (solid.middle_mm - corner[number])
        words.append(Words((float(at[0]), float(at[1]) - 1.2), 3.2, str(number), "middle"))
    numbers = " ".join(map(str, ports))
    sides = f"sides {numbers}" if len(ports) > 1 else f"side {numbers}"
    return Figure(
        name=f"channel-{file_name(f'{title} {numbers}')}",
        title=f"Channel: {title}, {sides}",
        strokes=tuple(strokes),
        words=tuple(words),
        notes=(
            f"Mark the banks on the top, {guides.channel_mm:g} mm apart.{users}",
            f"The plan is the finished piece, {solid.across_flats_mm:g} mm across flats."
            " Numbers are corners; side n runs from corner n to the next.",
            *([f"Turn the plan counter-clockwise, by sides: {turns}."] if turns else []),
        ),
    )


def banks_mm(
    solid: Solid, ports: Sequence[int], width_mm: float
) -> tuple[NDArray[np.float64], ...]:
    """Return the banks of a watercourse on the plan of a piece, each (k, 2) float64."""
    from shapely import Polygon, get_coordinates, get_parts, line_merge

    bed = bed_mm(solid.channels_mm(ports), len(ports), width_mm)
    outline = Polygon(solid.outline_mm)
    lines = line_merge(bed.boundary.intersection(outline.buffer(1e-6)))
    return tuple(
        get_coordinates(line) for line in get_parts(lines) if line.length > 1e-3 * width_mm
    )


def bed_mm(
    middles_mm: Sequence[NDArray[np.float64]], n_ports: int, width_mm: float
) -> BaseGeometry:
    """Return the bed of a watercourse on the plan, which goes on past the sides it crosses.

    Parameters
    ----------
    middles_mm
        Its middle lines, each from a port, (k, 2) float64.
    n_ports
        How many sides it crosses; a single line with two ports crosses one at either end.
    width_mm
        Distance between its banks.
    """
    from shapely import LineString, union_all

    lines = list(middles_mm)
    if len(lines) == 1 and n_ports == 2:
        lines.append(lines[0][::-1])
    extended = [np.concatenate([[_beyond(line, width_mm)], line]) for line in lines]
    return union_all([LineString(line).buffer(width_mm / 2.0) for line in extended])


def _beyond(line: NDArray[np.float64], reach_mm: float) -> NDArray[np.float64]:
    """Return a point as far before the start of a line, straight on."""
    out = line[0] - line[1]
    return line[0] + out * (reach_mm / float(np.linalg.norm(out)))
