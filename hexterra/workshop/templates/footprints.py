"""Blocks -> footprints: the outline that guides above and below a block give to the wire."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from hexterra.drawing.layers import dimension, stroke
from hexterra.drawing.scene import Item, Lines, Scene, Text
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.schedule.pieces import PARTS
from hexterra.workshop.solids.guides import Guides, counted, file_name, offset

if TYPE_CHECKING:
    from hexterra.stages.schedule.pieces import Piece
    from hexterra.workshop.solids.solids import Solid


def footprints(pieces: Sequence[tuple[Piece, Solid]], guides: Guides) -> Iterable[Scene]:
    """Draw one footprint for each part that occurs; quarters of both hands share a guide."""
    for part in PARTS:
        users = [(piece, solid) for piece, solid in pieces if piece.part == part]
        if users:
            solid = next((s for _, s in users if s.hand != "left"), users[0][1])
            yield footprint_figure(solid, guides, users=counted(piece for piece, _ in users))


def footprint_figure(solid: Solid, guides: Guides, *, users: str = "") -> Scene:
    """Draw the guide for the outline of a block at full size; `users` says what is cut with it."""
    outline = solid.outline_mm
    items: list[Item] = [
        stroke("guide", offset(outline, guides.guide_offset_mm), is_closed=True),
        stroke("finish", outline, is_closed=True),
        stroke("wire", offset(outline, guides.wire_offset_mm), is_closed=True),
    ]
    corner = solid.corner_mm()
    items += footprint_dimensions(solid)
    middle = solid.middle_mm
    kept = kept_corners(solid)
    for number in kept:
        at = corner[number] + 0.14 * (middle - corner[number])
        items.append(Text((float(at[0]), float(at[1]) - 1.3), 3.6, str(number), "middle"))
    items.append(Text((float(middle[0]), float(middle[1]) + 1.0), 4.2, solid.part, "middle"))
    gap_mm = guides.guide_offset_mm
    hands = ["Turn the guide over for the other hand."] if solid.part == "quarter" else []
    return Scene(
        name=f"footprint-{file_name(solid.part)}",
        title=f"Footprint: {solid.part}",
        items=tuple(items),
        notes=(
            f"Two guides, one on each face of the block, exactly above each other.{users}",
            f"Dimensions are of the finished piece; the guide is {gap_mm:.2f} mm larger all round"
            f" ({guides.slot_words}).",
            " ".join(["Numbers are corners; side n runs from corner n to the next.", *hands]),
        ),
    )


def kept_corners(solid: Solid) -> list[int]:
    """Corners of the hexagon that a part keeps."""
    corner, outline = solid.corner_mm(), solid.outline_mm
    near = 1e-6 * solid.across_flats_mm
    return [
        number
        for number in range(N_SIDES)
        if np.linalg.norm(outline - corner[number], axis=1).min() < near
    ]


def footprint_dimensions(solid: Solid, scale: float = 1.0) -> list[Lines | Text]:
    """Measure an outline: its length below or above, its width on the left, and a whole side.

    `scale` is length on paper per length of the piece; the numbers are true.
    """
    outline, corner = solid.outline_mm * scale, solid.corner_mm() * scale
    (left, low), (right, high) = outline.min(axis=0).tolist(), outline.max(axis=0).tolist()
    near = 1e-6 * solid.across_flats_mm
    inner = [
        float(outline[np.abs(outline[:, axis] - edge) < near, 1 - axis].min())
        for axis, edge in ((0, left), (0, right), (1, high), (1, low))
    ]
    outer = [float(outline[np.abs(outline[:, 0] - edge) < near, 1].max()) for edge in (left, right)]
    below = (inner[0] - low, inner[1] - low)
    above = (high - outer[0], high - outer[1])
    is_below = sum(below) <= sum(above) + near  # where lines from the piece are shorter
    items = dimension(
        (left, low if is_below else high),
        (right, low if is_below else high),
        away_mm=-9.0 if is_below else 9.0,
        text=f"{(right - left) / scale:.2f}",
        reach_mm=below if is_below else above,
    )
    items += dimension(
        (left, low),
        (left, high),
        away_mm=9.0,
        text=f"{(high - low) / scale:.2f}",
        reach_mm=(inner[3] - left, inner[2] - left),
    )
    kept = kept_corners(solid)
    first = next(n for n in (0, 2, 1, 5) if n in kept and (n + 1) % N_SIDES in kept)
    start, end = corner[first], corner[(first + 1) % N_SIDES]
    side_mm = float(np.linalg.norm(end - start)) / scale
    return items + dimension(start.tolist(), end.tolist(), away_mm=-6.0, text=f"side {side_mm:.2f}")
