"""Base and facings -> bodies: the exact shape of panels, bars, rails and cliff facings.

A body runs between two flat ends that have as many corners; what joins corresponding edges is
flat. Panels and bars are boxes, rails have three-cornered ends, and the ends of facings differ
where a cliff is higher on one side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from hexterra.values import Value, readonly
from hexterra.workshop.solids.base import Base, Panel
from hexterra.workshop.solids.facings import FacingPiece, Facings


@dataclass(frozen=True, eq=False)
class Body(Value):
    """A solid between two flat ends.

    Parameters
    ----------
    name
        In plain words.
    count
        How many are needed.
    start_mm, end_mm
        Corners of the ends, (k, 3) float64 each, in the same order: clockwise, seen from outside
        at the start. Corners may coincide.
    """

    name: str
    count: int
    start_mm: NDArray[np.float64]
    end_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        n = len(self.start_mm)
        for name in ("start_mm", "end_mm"):
            held = readonly(getattr(self, name), dtype=np.float64, shape=(n, 3), name=name)
            object.__setattr__(self, name, held)

    @cached_property
    def faces_mm(self) -> tuple[NDArray[np.float64], ...]:
        """Flat faces, counter-clockwise from outside, each (k, 3) float64; none is a line."""
        after = np.roll(np.arange(len(self.start_mm)), -1)
        start, end = self.start_mm, self.end_mm
        sides = [
            np.array([start[i], start[j], end[j], end[i]]) for i, j in enumerate(after.tolist())
        ]
        faces = [_distinct(face) for face in (start[::-1], *sides, end)]
        return tuple(face for face in faces if len(face) > 2)

    @cached_property
    def volume_mm3(self) -> float:
        """Volume, by the divergence theorem."""
        parts = [
            float(face[0] @ np.cross(face[1:-1], face[2:]).sum(axis=0)) for face in self.faces_mm
        ]
        return math.fsum(parts) / 6.0

    @cached_property
    def surface_mm2(self) -> float:
        """Area of all faces."""
        spokes = [face[1:] - face[0] for face in self.faces_mm]
        doubled = [np.cross(spoke[:-1], spoke[1:]).sum(axis=0) for spoke in spokes]
        return math.fsum(float(np.linalg.norm(area)) for area in doubled) / 2.0

    @property
    def size_mm(self) -> tuple[float, float, float]:
        """Length along x, width along y, and height."""
        length_mm, width_mm, height_mm = np.ptp(
            np.concatenate([self.start_mm, self.end_mm]), axis=0
        ).tolist()
        return length_mm, width_mm, height_mm


@dataclass(frozen=True, eq=False)
class RailPiece(Value):
    """A stretch of a rail that stays on one panel.

    Parameters
    ----------
    name
        As "rail 1" from the first panel on.
    panel
        Name of the panel that it is glued to.
    start_mm, end_mm
        Ends of its middle line on the board, (x, y) each.
    """

    name: str
    panel: str
    start_mm: tuple[float, float]
    end_mm: tuple[float, float]

    @property
    def length_mm(self) -> float:
        """Along its middle line."""
        return math.dist(self.start_mm, self.end_mm)


def rail_pieces(base: Base) -> tuple[RailPiece, ...]:
    """Cut the rails where panels part, so that the base can be taken to pieces.

    Rails along the left and right edges stop at those along the front and back. The grooves above
    them go on, so nothing else has to fit.
    """
    width_mm, depth_mm = base.pieces.board.size_mm
    half_mm = base.rail_mm
    insets = {rail.edge: rail.inset_mm for rail in base.rails}
    lines: list[tuple[tuple[float, float], tuple[float, float]]] = []
    for rail in base.rails:
        at = rail.inset_mm
        if rail.edge in ("front", "back"):
            y = at if rail.edge == "front" else depth_mm - at
            lines.append(((0.0, y), (width_mm, y)))
        else:
            x = at if rail.edge == "left" else width_mm - at
            low, high = insets["front"] + half_mm, depth_mm - insets["back"] - half_mm
            lines.append(((x, low), (x, high)))
    found: list[RailPiece] = []
    for panel in base.panels:
        for start, end in lines:
            inside = _within(panel, start, end)
            if inside is not None:
                found.append(RailPiece(f"rail {len(found) + 1}", panel.name, *inside))
    return tuple(found)


def _within(
    panel: Panel, start: tuple[float, float], end: tuple[float, float]
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Return what of a line along x or y lies on a panel; its far edges belong to the next."""
    low = (panel.x_mm, panel.y_mm)
    high = (panel.x_mm + panel.width_mm, panel.y_mm + panel.depth_mm)
    along = 0 if start[1] == end[1] else 1
    across = 1 - along
    first, last = max(start[along], low[along]), min(end[along], high[along])
    if not low[across] <= start[across] < high[across] or last - first < 1e-6:
        return None
    ends = ((first, start[1]), (last, start[1])), ((start[0], first), (start[0], last))
    return ends[along]


def base_bodies(base: Base) -> tuple[Body, ...]:
    """Return a body for each panel, each length of bar, and each length of rail."""
    settings = base.settings
    bodies = [
        box(panel.name, 1, panel.width_mm, panel.depth_mm, settings.panel_thickness_mm)
        for panel in base.panels
    ]
    for names in (("front", "back"), ("left", "right")):
        bars = [bar for bar in base.bars if bar.edge in names]
        if bars:
            bar = bars[0]
            name = f"bar {names[0]} and {names[1]}"
            bodies.append(box(name, len(bars), bar.length_mm, bar.width_mm, bar.height_mm))
    lengths = [round(piece.length_mm, 6) for piece in rail_pieces(base)]
    height_mm = base.rail_mm
    section = np.array([[-height_mm, 0.0], [height_mm, 0.0], [0.0, height_mm]])
    for length_mm in sorted(set(lengths), reverse=True):
        name = f"rail {length_mm:.1f} mm"
        bodies.append(_extruded(name, lengths.count(length_mm), section, length_mm))
    return tuple(bodies)


def box(name: str, count: int, length_mm: float, width_mm: float, height_mm: float) -> Body:
    """Return a box with a corner at the origin, its length along x."""
    section = np.array([[0.0, 0.0], [width_mm, 0.0], [width_mm, height_mm], [0.0, height_mm]])
    return _extruded(name, count, section, length_mm)


def _extruded(name: str, count: int, section: NDArray[np.float64], length_mm: float) -> Body:
    """Draw a section in y and z, counter-clockwise, along x."""
    ends = [np.column_stack([np.full(len(section), x), section]) for x in (0.0, length_mm)]
    return Body(name, count, *ends)


def facing_bodies(facings: Facings, *, thickness_mm: float) -> tuple[Body, ...]:
    """Return the body of each facing in `Facings.parts`; see `facing_body`."""
    return tuple(facing_body(part, thickness_mm=thickness_mm) for part in facings.parts)


def facing_body(piece: FacingPiece, *, thickness_mm: float) -> Body:
    """Return the solid of a facing that is glued to a step face.

    Parameters
    ----------
    piece
        Its size.
    thickness_mm
        Of its upper edge, measured level. Facings for upright faces are as thick everywhere.

    Returns
    -------
    Body
        Its back stands upright on y = 0 and covers the step face exactly; its front leans back, and
        its foot follows the lower top. x runs from its left end to its right, seen from the low
        side.
    """
    lean = math.tan(math.radians(piece.batter_deg))
    left_foot, right_foot = max(-piece.climb_mm, 0.0), max(piece.climb_mm, 0.0)
    ends = (
        (0.0, left_foot, piece.left_mm),
        (piece.width_mm, right_foot, piece.right_mm),
    )
    corners = [
        np.array(
            [
                [x, -thickness_mm - height * lean, foot],
                [x, 0.0, foot],
                [x, 0.0, foot + height],
                [x, -thickness_mm, foot + height],
            ]
        )
        for x, foot, height in ends
    ]
    return Body(facing_name(piece), piece.count, *corners)


def facing_name(piece: FacingPiece) -> str:
    """Name a facing by its kind and size."""
    heights = f"{piece.left_mm:g} to {piece.right_mm:g}"
    if piece.left_mm == piece.right_mm:
        heights = f"{piece.left_mm:g}"
    way = "climbs" if piece.climb_mm > 0.0 else "falls"
    slope = f", foot {way} {abs(piece.climb_mm):g}" if piece.climb_mm else ""
    return f"{piece.kind} facing {piece.width_mm:.1f} x {heights} mm{slope}"


def _distinct(face: NDArray[np.float64]) -> NDArray[np.float64]:
    """Leave out corners that coincide with the one before."""
    gap = np.abs(face - np.roll(face, 1, axis=0)).max(axis=1)
    return face[gap > 1e-9]
