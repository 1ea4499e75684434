"""Base and bodies -> figures: where panels, frame and rails lie, and what each body measures."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing.layers import WORDS_MM, dimension, has_room, stroke
from hexterra.drawing.scene import Item, Scene, Text, joined, rectangle
from hexterra.workshop.solids.bodies import rail_pieces
from hexterra.workshop.solids.guides import file_name
from hexterra.workshop.templates.piece_drawings import front_view

if TYPE_CHECKING:
    from hexterra.workshop.solids.base import Base, Panel
    from hexterra.workshop.solids.bodies import Body, RailPiece


def base_plan(base: Base, *, scale: float = 0.1) -> Scene:
    """Draw the whole base from above at a scale: panels, frame, and where the rails are glued.

    Dimensions are true.
    """
    items: list[Item] = []
    rails = rail_pieces(base)
    for panel in base.panels:
        items.append(stroke("piece", _outline(panel) * scale, is_closed=True))
        x, y = panel.x_mm + panel.width_mm / 2.0, panel.y_mm + panel.depth_mm / 2.0
        items.append(Text((x * scale, y * scale), WORDS_MM, panel.name, "middle"))
        size = f"{panel.width_mm:,.1f} x {panel.depth_mm:,.1f}"
        items.append(Text((x * scale, y * scale - 4.0), WORDS_MM, size, "middle"))
    for outline in (*_rail_outlines(base, rails), *_frame_outlines(base)):
        items.append(stroke("mark", outline * scale, is_closed=True))
    width_mm, depth_mm = base.size_mm
    left, low = base.panels[0].x_mm * scale, base.panels[0].y_mm * scale
    right, high = left + width_mm * scale, low + depth_mm * scale
    items += dimension((left, low), (right, low), away_mm=-8.0, text=f"{width_mm:,.1f}")
    items += dimension((left, low), (left, high), away_mm=8.0, text=f"{depth_mm:,.1f}")
    settings = base.settings
    notes = [f"Drawn at {scale:g} of its size, {settings.panel_thickness_mm:g} mm thick."]
    if rails:
        inset = {rail.edge: rail.inset_mm for rail in base.rails}
        notes.append(
            f"Rails are {base.rail_mm:g} mm high and {2.0 * base.rail_mm:g} mm wide; two"
            f" come from one square strip of {base.rail_mm * math.sqrt(2.0):.2f} mm cut"
            " from corner to corner."
        )
        notes.append(
            f"The middle of a rail lies {inset['front']:.1f} mm from the front and back edges"
            f" of the board and {inset['left']:.1f} mm from the left and right ones."
        )
    return Scene(tuple(items), "base", "Base from above", tuple(notes))


def panel_figure(base: Base, panel: Panel, *, scale: float = 1.0) -> Scene:
    """Draw one panel of a base from above: its outline, and what is glued on or stands there.

    `scale` is length on paper per length of the panel; dimensions are true.
    """
    corner = np.array([panel.x_mm, panel.y_mm])
    size_mm = np.array([panel.width_mm, panel.depth_mm])
    rails = [piece for piece in rail_pieces(base) if piece.panel == panel.name]
    items: list[Item] = [stroke("piece", (_outline(panel) - corner) * scale, is_closed=True)]
    middle, size = size_mm * scale / 2.0, WORDS_MM * (2.0 if scale > 0.5 else 1.0)
    items.append(Text((*middle.tolist(),), size, panel.name, "middle"))
    for outline in _rail_outlines(base, rails):
        items.append(stroke("mark", (outline - corner) * scale, is_closed=True))
    for outline in _frame_outlines(base):
        low = np.maximum(outline.min(axis=0) - corner, 0.0)
        high = np.minimum(outline.max(axis=0) - corner, size_mm)
        if (high - low > 1e-6).all():
            inside = rectangle(*low.tolist(), *(high - low).tolist())
            items.append(stroke("mark", inside * scale, is_closed=True))
    items += _panel_dimensions(panel, rails, scale)
    for piece in rails:
        start, end = (np.array(p) - corner for p in (piece.start_mm, piece.end_mm))
        items.append(stroke("hidden", np.array([start, end]) * scale))
    lengths = ", ".join(f"{piece.name} {piece.length_mm:,.1f} mm" for piece in rails)
    return Scene(
        name=file_name(panel.name),
        title=f"Base: {panel.name}",
        items=tuple(items),
        notes=(
            f"{panel.width_mm:,.2f} x {panel.depth_mm:,.2f} mm,"
            f" {base.settings.panel_thickness_mm:g} mm thick, seen from above, front edge below.",
            *([f"Glue on between the marks: {lengths}."] if rails else []),
        ),
    )


def _panel_dimensions(panel: Panel, rails: list[RailPiece], scale: float) -> Iterable[Item]:
    """Measure a panel, and its rails from its front and left edges."""
    width, depth = panel.width_mm * scale, panel.depth_mm * scale
    yield from dimension((0.0, 0.0), (width, 0.0), away_mm=-9.0, text=f"{panel.width_mm:,.2f}")
    yield from dimension((0.0, 0.0), (0.0, depth), away_mm=9.0, text=f"{panel.depth_mm:,.2f}")
    for piece in rails:
        if piece.start_mm[1] == piece.end_mm[1]:
            at = piece.start_mm[1] - panel.y_mm
            x = width * 0.75
            yield from dimension((x, 0.0), (x, at * scale), away_mm=0.0, text=f"{at:,.2f}")
        else:
            at = piece.start_mm[0] - panel.x_mm
            y = depth * 0.25
            yield from dimension((0.0, y), (at * scale, y), away_mm=0.0, text=f"{at:,.2f}")


def _outline(panel: Panel) -> NDArray[np.float64]:
    return rectangle(panel.x_mm, panel.y_mm, panel.width_mm, panel.depth_mm)


def _rail_outlines(base: Base, rails: Iterable[RailPiece]) -> Iterable[NDArray[np.float64]]:
    """Return the foot of each length of rail."""
    half_mm = base.rail_mm
    for piece in rails:
        (x0, y0), (x1, y1) = piece.start_mm, piece.end_mm
        across = (0.0, half_mm) if y0 == y1 else (half_mm, 0.0)
        x, y = x0 - across[0], y0 - across[1]
        yield rectangle(x, y, x1 + across[0] - x, y1 + across[1] - y)


def _frame_outlines(base: Base) -> Iterable[NDArray[np.float64]]:
    """Return the foot of each bar of the frame."""
    if not base.bars:
        return
    x, y = base.panels[0].x_mm, base.panels[0].y_mm
    (width, depth), bar_mm = base.size_mm, base.settings.frame_width_mm
    inner = depth - 2.0 * bar_mm
    for bar in base.bars:
        yield {
            "front": rectangle(x, y, width, bar_mm),
            "back": rectangle(x, y + depth - bar_mm, width, bar_mm),
            "left": rectangle(x, y + bar_mm, bar_mm, inner),
            "right": rectangle(x + width - bar_mm, y + bar_mm, bar_mm, inner),
        }[bar.edge]


def body_drawing(body: Body, *, scale: float = 0.1, end_scale: float = 1.0) -> Scene:
    """Draw a body from the front and from both ends, with its dimensions, volume and surface.

    The scales are length on paper per length of the body, which has true dimensions.
    """
    front = _front(body, scale)
    ends = [body.start_mm[:, 1:], body.end_mm[:, 1:]]
    alike = np.allclose(ends[0], ends[1], atol=1e-6)
    sections = (
        [_end(ends[0], end_scale, "both ends")]
        if alike
        else [_end(ends[0], end_scale, "left end"), _end(ends[1], end_scale, "right end")]
    )
    views = [front]
    low, x = front.bounds[1] - 8.0, front.bounds[0]
    for view in sections:
        if view is not None:
            x0, _, x1, y1 = view.bounds
            views.append(view.placed(x - x0, low - y1))
            x += x1 - x0 + 10.0
    length_mm, width_mm, height_mm = body.size_mm
    return joined(
        views,
        name=f"drawing-{file_name(body.name)}",
        title=body.name,
        notes=(
            f"{body.count:,} needed; {length_mm:,.2f} x {width_mm:,.2f} x {height_mm:.2f} mm",
            f"volume {body.volume_mm3 / 1000.0:,.2f} cm³, surface"
            f" {body.surface_mm2 / 100.0:,.2f} cm²",
        ),
    )


def facing_drawing(body: Body, *, scale: float = 0.5) -> Scene:
    """Draw the body of a facing from the low side, and its higher end if its front leans.

    `scale` is length on paper per length of the facing; dimensions are true.
    """
    front = _front(body, scale)
    views = [front]
    higher = max((body.start_mm, body.end_mm), key=lambda end: float(np.ptp(end[:, 2])))
    thickness_mm = float(higher[2, 1] - higher[3, 1])
    if body.size_mm[1] > thickness_mm + 1e-6:
        end = _end(higher[:, 1:], scale, "higher end")
        if end is not None:
            views.append(end.placed(front.bounds[2] + 6.0 - end.bounds[0], 0.0))
    return joined(
        views,
        name=f"drawing-{file_name(body.name)}",
        title=body.name,
        notes=(
            f"{body.count:,} needed, {thickness_mm:g} mm thick at the top",
            f"volume {body.volume_mm3 / 1000.0:,.2f} cm³, surface"
            f" {body.surface_mm2 / 100.0:,.2f} cm²",
        ),
    )


def _front(body: Body, scale: float) -> Scene:
    """Draw what is seen along y, with its length and the heights of both ends."""
    items: list[Item] = [*front_view(body.faces_mm, scale)]
    points = np.concatenate([body.start_mm, body.end_mm])
    low, high = points.min(axis=0), points.max(axis=0)
    left, right, foot = low[0] * scale, high[0] * scale, low[2] * scale
    items += dimension((left, foot), (right, foot), away_mm=-7.0, text=f"{right / scale:,.2f}")
    for x, end, away_mm in ((left, body.start_mm, 6.0), (right, body.end_mm, -6.0)):
        z0, z1 = float(end[:, 2].min()), float(end[:, 2].max())
        if z1 - z0 > 1e-9:
            ends = (x, z0 * scale), (x, z1 * scale)
            items += dimension(*ends, away_mm=away_mm, text=f"{z1 - z0:.2f}")
    return Scene(tuple(items))


def _end(section: NDArray[np.float64], scale: float, label: str) -> Scene | None:
    """Draw an end, or nothing if it is only a line."""
    size = np.ptp(section, axis=0)
    if size.min() < 1e-9:
        return None
    width, height = (size * scale).tolist()
    shown = (section - section.min(axis=0)) * scale
    beside = 0.0 if has_room(f"{size[0]:,.2f}", width) else 4.0
    return Scene((
        stroke("piece", shown, is_closed=True),
        *dimension((0.0, 0.0), (width, 0.0), away_mm=-6.0, text=f"{size[0]:,.2f}"),
        *dimension((0.0, 0.0), (0.0, height), away_mm=6.0, text=f"{size[1]:.2f}"),
        Text((width / 2.0, -14.0 - beside), WORDS_MM, label, "middle"),
    ))  # fmt: skip
