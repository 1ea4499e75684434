"""Base and bodies -> figures: where panels, frame and rails lie, and what each body measures."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing.figures import Figure, Stroke, Words, dimension, fits, joined, stroke
from hexterra.workshop.solids.bodies import rail_pieces
from hexterra.workshop.solids.guides import file_name

if TYPE_CHECKING:
    from hexterra.workshop.solids.base import Base, Panel
    from hexterra.workshop.solids.bodies import Body, RailPiece

_WORDS_MM: Final = 2.8


def base_plan(base: Base, *, scale: float = 0.1) -> Figure:
    """Draw the whole base from above: panels, frame, and where the rails are glued.

    Parameters
    ----------
    base
        What to draw.
    scale
        Length on paper per length of the base. Dimensions are true.
    """
    strokes: list[Stroke] = []
    words: list[Words] = []
    rails = rail_pieces(base)
    for panel in base.panels:
        strokes.append(stroke("piece", _outline(panel) * scale, is_closed=True))
        x, y = panel.x_mm + panel.width_mm / 2.0, panel.y_mm + panel.depth_mm / 2.0
        words.append(Words((x * scale, y * scale), _WORDS_MM, panel.name, "middle"))
        size = f"{panel.width_mm:,.1f} x {panel.depth_mm:,.1f}"
        words.append(Words((x * scale, y * scale - 4.0), _WORDS_MM, size, "middle"))
    for outline in (*_rail_outlines(base, rails), *_frame_outlines(base)):
        strokes.append(stroke("mark", outline * scale, is_closed=True))
    width_mm, depth_mm = base.size_mm
    left, low = base.panels[0].x_mm * scale, base.panels[0].y_mm * scale
    right, high = left + width_mm * scale, low + depth_mm * scale
    for lines, labels in (
        dimension((left, low), (right, low), away_mm=-8.0, text=f"{width_mm:,.1f}"),
        dimension((left, low), (left, high), away_mm=8.0, text=f"{depth_mm:,.1f}"),
    ):
        strokes += lines
        words += labels
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
    return Figure("base", "Base from above", tuple(strokes), tuple(words), tuple(notes))


def panel_figure(base: Base, panel: Panel, *, scale: float = 1.0) -> Figure:
    """Draw one panel from above: its outline to cut, and what is glued on or stands there.

    Parameters
    ----------
    base
        The base that it belongs to.
    panel
        One of its panels.
    scale
        Length on paper per length of the panel. Dimensions are true.
    """
    corner = np.array([panel.x_mm, panel.y_mm])
    size_mm = np.array([panel.width_mm, panel.depth_mm])
    rails = [piece for piece in rail_pieces(base) if piece.panel == panel.name]
    strokes = [stroke("piece", (_outline(panel) - corner) * scale, is_closed=True)]
    middle, size = size_mm * scale / 2.0, _WORDS_MM * (2.0 if scale > 0.5 else 1.0)
    words = [Words((*middle.tolist(),), size, panel.name, "middle")]
    for outline in _rail_outlines(base, rails):
        strokes.append(stroke("mark", (outline - corner) * scale, is_closed=True))
    for outline in _frame_outlines(base):
        low = np.maximum(outline.min(axis=0) - corner, 0.0)
        high = np.minimum(outline.max(axis=0) - corner, size_mm)
        if (high - low > 1e-6).all():
            inside = _rectangle(*low.tolist(), *high.tolist())
            strokes.append(stroke("mark", inside * scale, is_closed=True))
    for lines, labels in _panel_dimensions(panel, rails, scale):
        strokes += lines
        words += labels
    for piece in rails:
        start, end = (np.array(p) - corner for p in (piece.start_mm, piece.end_mm))
        strokes.append(stroke("hidden", np.array([start, end]) * scale))
    lengths = ", ".join(f"{piece.name} {piece.length_mm:,.1f} mm" for piece in rails)
    return Figure(
        name=file_name(panel.name),
        title=f"Base: {panel.name}",
        strokes=tuple(strokes),
        words=tuple(words),
        notes=(
            f"{panel.width_mm:,.2f} x {panel.depth_mm:,.2f} mm,"
            f" {base.settings.panel_thickness_mm:g} mm thick, seen from above, front edge below.",
            *([f"Glue on between the marks: {lengths}."] if rails else []),
        ),
    )


def _panel_dimensions(
    panel: Panel, rails: list[RailPiece], scale: float
) -> Iterable[tuple[tuple[Stroke, ...], tuple[Words, ...]]]:
    """Measure a panel, and its rails from its front and left edges."""
    width, depth = panel.width_mm * scale, panel.depth_mm * scale
    yield dimension((0.0, 0.0), (width, 0.0), away_mm=-9.0, text=f"{panel.width_mm:,.2f}")
    yield dimension((0.0, 0.0), (0.0, depth), away_mm=9.0, text=f"{panel.depth_mm:,.2f}")
    for piece in rails:
        if piece.start_mm[1] == piece.end_mm[1]:
            at = piece.start_mm[1] - panel.y_mm
            x = width * 0.75
            yield dimension((x, 0.0), (x, at * scale), away_mm=0.0, text=f"{at:,.2f}")
        else:
            at = piece.start_mm[0] - panel.x_mm
            y = depth * 0.25
            yield dimension((0.0, y), (at * scale, y), away_mm=0.0, text=f"{at:,.2f}")


def _outline(panel: Panel) -> NDArray[np.float64]:
    x, y = panel.x_mm, panel.y_mm
    return _rectangle(x, y, x + panel.width_mm, y + panel.depth_mm)


def _rectangle(x0: float, y0: float, x1: float, y1: float) -> NDArray[np.float64]:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _rail_outlines(base: Base, rails: Iterable[RailPiece]) -> Iterable[NDArray[np.float64]]:
    """Return the foot of each length of rail."""
    half_mm = base.rail_mm
    for piece in rails:
        (x0, y0), (x1, y1) = piece.start_mm, piece.end_mm
        across = (0.0, half_mm) if y0 == y1 else (half_mm, 0.0)
        yield _rectangle(x0 - across[0], y0 - across[1], x1 + across[0], y1 + across[1])


def _frame_outlines(base: Base) -> Iterable[NDArray[np.float64]]:
    """Return the foot of each bar of the frame."""
    if not base.bars:
        return
    x0, y0 = base.panels[0].x_mm, base.panels[0].y_mm
    x1, y1 = x0 + base.size_mm[0], y0 + base.size_mm[1]
    bar_mm = base.settings.frame_width_mm
    for bar in base.bars:
        yield {
            "front": _rectangle(x0, y0, x1, y0 + bar_mm),
            "back": _rectangle(x0, y1 - bar_mm, x1, y1),
            "left": _rectangle(x0, y0 + bar_mm, x0 + bar_mm, y1 - bar_mm),
            "right": _rectangle(x1 - bar_mm, y0 + bar_mm, x1, y1 - bar_mm),
        }[bar.edge]


def body_drawing(body: Body, *, scale: float = 0.1, end_scale: float = 1.0) -> Figure:
    """Draw a body from the front and from both ends, with its dimensions, volume and surface.

    Parameters
    ----------
    body
        What to draw.
    scale, end_scale
        Length on paper per length of the body, from the front and from the ends. Dimensions are
        true.
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
            views.append(view.moved(x - x0, low - y1))
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


def facing_drawing(body: Body, *, scale: float = 0.5) -> Figure:
    """Draw a facing from the low side, and its higher end if its front leans, with dimensions.

    Parameters
    ----------
    body
        Of `hexterra.workshop.solids.bodies.facing_body`.
    scale
        Length on paper per length of the facing. Dimensions are true.
    """
    front = _front(body, scale)
    views = [front]
    higher = max((body.start_mm, body.end_mm), key=lambda end: float(np.ptp(end[:, 2])))
    thickness_mm = float(higher[2, 1] - higher[3, 1])
    if body.size_mm[1] > thickness_mm + 1e-6:
        end = _end(higher[:, 1:], scale, "higher end")
        if end is not None:
            views.append(end.moved(front.bounds[2] + 6.0 - end.bounds[0], 0.0))
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


def _front(body: Body, scale: float) -> Figure:
    """Draw what is seen along y."""
    strokes: list[Stroke] = []
    for face in sorted(body.faces_mm, key=lambda points: -float(points[:, 1].mean())):
        seen = face[:, [0, 2]] * scale
        x, y = seen.T
        if float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) > 1e-9:
            strokes.append(stroke("piece", seen, is_closed=True, fill="#ffffff"))
    points = np.concatenate([body.start_mm, body.end_mm])
    low, high = points.min(axis=0), points.max(axis=0)
    left, right, foot = low[0] * scale, high[0] * scale, low[2] * scale
    words: list[Words] = []
    heights = [(left, body.start_mm, 6.0), (right, body.end_mm, -6.0)]
    measured = [dimension((left, foot), (right, foot), away_mm=-7.0, text=f"{right / scale:,.2f}")]
    for x, end, away_mm in heights:
        z0, z1 = float(end[:, 2].min()), float(end[:, 2].max())
        if z1 - z0 > 1e-9:
            measured.append(
                dimension((x, z0 * scale), (x, z1 * scale), away_mm=away_mm, text=f"{z1 - z0:.2f}")
            )
    for lines, labels in measured:
        strokes += lines
        words += labels
    return Figure("front", "", tuple(strokes), tuple(words))


def _end(section: NDArray[np.float64], scale: float, label: str) -> Figure | None:
    """Draw an end, or nothing if it is only a line."""
    size = np.ptp(section, axis=0)
    if size.min() < 1e-9:
        return None
    low = section.min(axis=0)
    shown = (section - low) * scale
    width, height = (size * scale).tolist()
    strokes = [stroke("piece", shown, is_closed=True)]
    words: list[Words] = []
    for lines, labels in (
        dimension((0.0, 0.0), (width, 0.0), away_mm=-6.0, text=f"{size[0]:,.2f}"),
        dimension((0.0, 0.0), (0.0, height), away_mm=6.0, text=f"{size[1]:.2f}"),
    ):
        strokes += lines
        words += labels
    beside = 0.0 if fits(f"{size[0]:,.2f}", width) else 4.0
    words.append(Words((width / 2.0, -14.0 - beside), _WORDS_MM, label, "middle"))
    return Figure("end", "", tuple(strokes), tuple(words))
