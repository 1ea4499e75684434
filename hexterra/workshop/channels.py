"""Watercourses -> channels: where the banks lie on the plan of a piece."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from hexterra.catalogue.catalogue import lowest_turn
from hexterra.lattice.hexagon import N_SIDES
from hexterra.workshop.figures import Figure, Words, stroke
from hexterra.workshop.footprints import kept_corners
from hexterra.workshop.grooves import solid_area
from hexterra.workshop.guides import Guides, counted, file_name

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from hexterra.stages.schedule import Piece
    from hexterra.workshop.solids import Solid


def channels(pieces: Sequence[tuple[Piece, Solid]], guides: Guides) -> Iterable[Figure]:
    """Draw one plan for each channel that occurs; turned whole tiles share one."""
    groups: dict[tuple[str, ...], list[tuple[Piece, Solid]]] = {}
    for piece, solid in pieces:
        if piece.crossing:
            ports = lowest_turn(piece.ports) if piece.part == "whole" else piece.ports
            key = (piece.crossing, f"{piece.hand} {piece.part}".strip(), *map(str, ports))
            groups.setdefault(key, []).append((piece, solid))
    for (crossing, part, *ports), users in groups.items():
        words = crossing if part == "whole" else f"{crossing}, {part}"
        yield channel_figure(
            users[0][1],
            tuple(int(port) for port in ports),
            guides,
            water=users[0][0].water,
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
    water: str = "",
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
    water
        What the water does there, as in `hexterra.catalogue.catalogue.WATER`.
    users
        What carries it, for the notes.
    turns
        Which patterns have it turned how far, for the notes.
    """
    middles = solid.channels_mm(ports, water)
    strokes = [stroke("piece", solid.outline_mm, is_closed=True)]
    strokes += [stroke("hidden", line) for line in middles]
    strokes += [stroke("water", line) for line in banks_mm(solid, ports, guides.channel_mm, water)]
    corner = solid.corner_mm()
    words: list[Words] = []
    for number in kept_corners(solid):
        at = corner[number] + 0.1 * (solid.middle_mm - corner[number])
        words.append(Words((float(at[0]), float(at[1]) - 1.2), 3.2, str(number), "middle"))
    numbers = " ".join(map(str, ports))
    kind = "sides" if len(ports) > 1 else "side"
    sides = f"{kind} {numbers}" if ports else "no side"
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
    solid: Solid, ports: Sequence[int], width_mm: float, water: str = ""
) -> tuple[NDArray[np.float64], ...]:
    """Return the banks of a watercourse on the plan of a piece, each (k, 2) float64.

    Parameters
    ----------
    solid
        The piece.
    ports
        Sides that it crosses.
    width_mm
        Distance between its banks.
    water
        What the water does there, as in `hexterra.catalogue.catalogue.WATER`.
    """
    from shapely import Polygon, get_coordinates, get_parts, line_merge

    area = solid_area(solid, ports, water, width_mm)
    edge = Polygon(solid.outline_mm).boundary.buffer(1e-6)
    lines = line_merge(area.boundary.difference(edge))
    return tuple(
        get_coordinates(line) for line in get_parts(lines) if line.length > 1e-3 * width_mm
    )
