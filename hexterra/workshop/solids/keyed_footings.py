"""Base -> keyed footings: the blocks along the rim with the grooves that sit on the rails."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import N_SIDES, Hand, Part
from hexterra.stages.schedule.pieces import FOOTINGS
from hexterra.values import Value, readonly
from hexterra.workshop.solids.solids import Solid

if TYPE_CHECKING:
    from hexterra.workshop.solids.base import Base

#: Angle of the normal of a groove's middle line from x, from 0 to below 180, and the distance of
#: the line from the middle of the hexagon along it.
GrooveLine = tuple[float, float]

_HANDS: Final[dict[Part, tuple[Hand, ...]]] = {"quarter": ("right", "left")}


@dataclass(frozen=True, eq=False)
class KeyedFooting(Value):
    """A footing with a V-groove underneath, or two at a corner of the board.

    Parameters
    ----------
    name
        Unique among the footings of a board.
    solid
        Its block, a footing of the schedule.
    lines
        Middle lines of its grooves, seen from above in the frame of the block.
    groove_mm
        Depth of a groove, and half its width.
    cells
        Where it stands, (count,) int32.
    """

    name: str
    solid: Solid
    lines: tuple[GrooveLine, ...]
    groove_mm: float
    cells: NDArray[np.int32]

    def __post_init__(self) -> None:
        held = readonly(self.cells, dtype=np.int32, shape=(None,), name="cells")
        object.__setattr__(self, "cells", held)

    @property
    def count(self) -> int:
        """How many are needed."""
        return len(self.cells)

    @cached_property
    def hollow_mm(self) -> NDArray[np.float64]:
        """Triangles on the plan with depths, (k, 3, 3); they may go on past the block."""
        from shapely import (
            constrained_delaunay_triangles,
            get_coordinates,
            get_parts,
            polygonize,
            union_all,
        )

        faces = get_parts(polygonize(get_parts(union_all(self._edges()))))
        triangles = np.array(
            [
                get_coordinates(triangle)[:3]
                for face in faces
                for triangle in get_parts(constrained_delaunay_triangles(face))
            ]
        )
        depth = self.depth_mm(triangles.reshape(-1, 2)).reshape(-1, 3)
        is_groove = self.depth_mm(triangles.mean(axis=1)) > 1e-9
        return np.dstack([triangles, depth])[is_groove]

    def _edges(self) -> list[Any]:
        """Return the edges and middle lines of grooves, and the mitres in which two meet."""
        from shapely import LineString

        reach = 2.0 * self.solid.across_flats_mm
        edges: list[Any] = []
        normals = [_unit(angle) for angle, _ in self.lines]
        for normal, (_, at) in zip(normals, self.lines, strict=True):
            along = np.array([-normal[1], normal[0]]) * reach
            for shift in (-self.groove_mm, 0.0, self.groove_mm):
                middle = normal * (at + shift)
                edges.append(LineString([middle - along, middle + along]))
            for end in (-along, along):  # closes the strip far from the block
                ends = normal * (at - self.groove_mm), normal * (at + self.groove_mm)
                edges.append(LineString([ends[0] + end, ends[1] + end]))
        if len(self.lines) == 2:
            meet = np.linalg.solve(np.array(normals), np.array([at for _, at in self.lines]))
            for sign in (-1.0, 1.0):
                mitre = (normals[0] + sign * normals[1]) * self.groove_mm
                edges.append(LineString([meet - mitre, meet + mitre]))
        return edges

    def depth_mm(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how deep the grooves are at points on the plan, (k,) float64."""
        depth = np.zeros(len(points_mm))
        for angle, at in self.lines:
            depth = np.maximum(depth, self.groove_mm - np.abs(points_mm @ _unit(angle) - at))
        return depth

    @cached_property
    def volume_mm3(self) -> float:
        """Volume of the block without its grooves."""
        from shapely import Polygon

        block = Polygon(self.solid.outline_mm)
        left = [Polygon(corner[:, :2]).intersection(block) for corner in self.hollow_mm]
        left = [polygon for polygon in left if polygon.area > 1e-9]
        middle = np.array([polygon.centroid.coords[0] for polygon in left]).reshape(-1, 2)
        area = np.array([polygon.area for polygon in left])
        return self.solid.volume_mm3 - math.fsum((area * self.depth_mm(middle)).tolist())


def keyed_footings(base: Base) -> tuple[KeyedFooting, ...]:
    """Return each kind of keyed footing, and where it stands.

    Two are the same kind if one can be turned into the other on the base. Footings that no rail
    crosses, which `Base.notes` names, have no groove and are not among them.

    Returns
    -------
    tuple[KeyedFooting, ...]
        In the order of their first cells.
    """
    schedule, board = base.pieces, base.pieces.board
    thickness_mm = next((p.thickness_mm for p in schedule.pieces if p.kind == "footing"), 0.0)
    groups: dict[tuple[Part, Hand, tuple[GrooveLine, ...]], list[int]] = {}
    for cell in np.flatnonzero(schedule.footing == FOOTINGS.index("keyed")).tolist():
        outline = board.outline_mm(cell)
        crossing = list(_crossing(base, outline))
        if not crossing:
            continue
        part = board.parts[cell]
        centre = board.centre_mm[cell]
        choices: list[tuple[Hand, tuple[GrooveLine, ...]]] = [
            (hand, _turned(crossing, centre, -spin_deg))
            for hand, spin_deg in _placements(part, outline - centre, board.across_flats_mm)
        ]
        hand, lines = min(choices)
        groups.setdefault((part, hand, lines), []).append(cell)
    return tuple(
        KeyedFooting(
            name=f"keyed footing {number}, {f'{hand} {part}'.strip()}",
            solid=_block(part, hand, board.across_flats_mm, thickness_mm),
            lines=lines,
            groove_mm=base.settings.groove_mm,
            cells=np.array(cells, dtype=np.int32),
        )
        for number, ((part, hand, lines), cells) in enumerate(groups.items(), start=1)
    )


def _block(part: Part, hand: Hand, across_flats_mm: float, thickness_mm: float) -> Solid:
    return Solid(part, hand, (0,) * N_SIDES, across_flats_mm, thickness_mm, thickness_mm)


def _crossing(base: Base, outline: NDArray[np.float64]) -> Iterable[GrooveLine]:
    """Return the rails over which an outline has room for a whole groove, in board coordinates."""
    size_mm, groove_mm = base.pieces.board.size_mm, base.settings.groove_mm
    for rail in base.rails:
        axis = 1 if rail.edge in ("front", "back") else 0
        at = rail.inset_mm
        if rail.edge in ("back", "right"):
            at = size_mm[axis] - at
        low, high = float(outline[:, axis].min()), float(outline[:, axis].max())
        if low <= at - groove_mm + 1e-6 and high >= at + groove_mm - 1e-6:
            yield 90.0 * axis, at


def _placements(
    part: Part, outline: NDArray[np.float64], across_flats_mm: float
) -> Iterable[tuple[Hand, float]]:
    """Return how a block can be turned, in degrees, to lie in an outline around its middle."""
    near = 1e-6 * across_flats_mm
    for hand in _HANDS.get(part, ("",)):
        block = _block(part, hand, across_flats_mm, 1.0).outline_mm
        for spin_deg in range(-180, 180, 30):
            turned = block @ np.array([_unit(spin_deg), _unit(spin_deg + 90.0)])
            gap = np.abs(turned[:, None, :] - outline[None, :, :]).max(axis=2).min(axis=1)
            if gap.max() < near:
                yield hand, float(spin_deg)


def _turned(
    lines: list[GrooveLine], centre: NDArray[np.float64], spin_deg: float
) -> tuple[GrooveLine, ...]:
    """Move lines to a frame around a centre, turned; each in the one form of `GrooveLine`."""
    found: list[GrooveLine] = []
    for angle, at in lines:
        distance = at - float(_unit(angle) @ centre)
        turned = (angle + spin_deg) % 360.0
        if turned >= 180.0:
            turned, distance = turned - 180.0, -distance
        found.append((round(turned, 6), round(distance, 6) + 0.0))
    return tuple(sorted(found))


def _unit(angle_deg: float) -> NDArray[np.float64]:
    angle = math.radians(angle_deg)
    return np.array([math.cos(angle), math.sin(angle)])
