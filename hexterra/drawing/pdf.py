"""Scenes -> PDF: drawn on a reportlab canvas, with embedded fonts."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from hexterra.drawing.lettering import is_plain, outlines, own_font
from hexterra.drawing.scene import WHITE, Circles, Clipped, Lines, Style, Text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.drawing.lettering import Segment
    from hexterra.drawing.scene import Item, Scene

POINTS_PER_MM: Final = 72.0 / 25.4
FONT: Final = "DejaVuSans"
BOLD: Final = "DejaVuSans-Bold"

#: Faces that touch are outlined this wide in their own ink, so that no gap shows between them.
_SEAM_MM: Final = 0.08
#: A halo around letters becomes a ground behind them, this opaque.
_HALO_OPACITY: Final = 0.88
#: Font size of outlines in the file, in points.
_KEPT: Final = 100.0


def register_fonts() -> None:
    """Make the fonts that matplotlib's own package carries known to reportlab."""
    from reportlab.lib.fonts import addMapping
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    fonts: tuple[tuple[str, Literal[0, 1]], ...] = ((FONT, 0), (BOLD, 1))
    for name, bold in fonts:
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, own_font(bold=bool(bold))))
            addMapping(FONT, bold, 0, name)


def draw_scene(
    canvas: Any, scene: Scene, x_mm: float = 0.0, y_mm: float = 0.0, scale: float = 1.0
) -> None:
    """Draw a scene on a reportlab canvas.

    Parameters
    ----------
    canvas
        A `reportlab.pdfgen.canvas.Canvas` in points; `register_fonts` must have been called.
    scene
        What to draw.
    x_mm, y_mm
        Where its origin goes, from that of the canvas.
    scale
        Length on paper per length of the scene, line widths included.
    """
    canvas.saveState()
    canvas.translate(x_mm * POINTS_PER_MM, y_mm * POINTS_PER_MM)
    canvas.scale(scale * POINTS_PER_MM, scale * POINTS_PER_MM)
    _draw_items(canvas, scene.items)
    canvas.restoreState()


def write_line(canvas: Any, x: float, y: float, size: float, words: str, *, bold: bool) -> None:
    """Write one line on a reportlab canvas, in its unit and in the ink that is set.

    What reportlab cannot write, as letters that the font lacks or that join, is drawn as outlines,
    which are kept in the file once.
    """
    if is_plain(words):
        canvas.setFont(BOLD if bold else FONT, size)
        canvas.drawString(x, y, words)
        return
    width, segments = outlines(words, bold=bold)
    name = hashlib.blake2b(f"{bold} {words}".encode(), digest_size=8).hexdigest()
    if not canvas.hasForm(name):
        canvas.beginForm(name, -_KEPT, -_KEPT, (width + 1.0) * _KEPT, 2.0 * _KEPT)
        _fill_outlines(canvas, segments)
        canvas.endForm()
    canvas.saveState()
    canvas.translate(x, y)
    canvas.scale(size / _KEPT, size / _KEPT)
    canvas.doForm(name)
    canvas.restoreState()


@lru_cache(maxsize=1024)
def colour(ink: str, opacity: float = 1.0) -> Any:
    """Return a colour written as "#rrggbb" for reportlab, which is slow to read it."""
    from reportlab.lib.colors import Color

    red, green, blue = (int(ink[at : at + 2], 16) / 255.0 for at in (1, 3, 5))
    return Color(red, green, blue, opacity)


def _draw_items(canvas: Any, items: Sequence[Item]) -> None:
    """Draw items on a canvas whose unit is a millimetre."""
    for item in items:
        if isinstance(item, Lines):
            shown = _set_style(canvas, item.style)
            canvas.drawPath(_path(canvas, item), fillMode=1, **shown)
        elif isinstance(item, Circles):
            shown = _set_style(canvas, item.style)
            for x, y in item.centres.tolist():
                canvas.circle(x, y, item.radius_mm, **shown)
        elif isinstance(item, Text):
            _draw_text(canvas, item)
        elif isinstance(item, Clipped):
            left, low, right, high = item.box
            canvas.saveState()
            window = canvas.beginPath()
            window.rect(left, low, right - left, high - low)
            canvas.clipPath(window, stroke=0, fill=0)
            _draw_items(canvas, item.items)
            canvas.restoreState()
        else:
            if not canvas.hasForm(item.scene.name):  # opacity is lost in what reportlab keeps so
                canvas.beginForm(item.scene.name, *item.scene.bounds)
                _draw_items(canvas, item.scene.items)
                canvas.endForm()
            canvas.saveState()
            canvas.translate(item.x_mm, item.y_mm)
            canvas.scale(item.scale, item.scale)
            canvas.doForm(item.scene.name)
            canvas.restoreState()


def _set_style(canvas: Any, style: Style) -> dict[str, int]:
    """Set pen and brush; return whether to use either."""
    ink, width_mm = style.ink, style.width_mm
    if style.fill:
        canvas.setFillColor(colour(style.fill, style.opacity))
        if style.is_seamless:
            ink, width_mm = style.fill, _SEAM_MM
    if ink:
        canvas.setStrokeColor(colour(ink, style.opacity))
        canvas.setLineWidth(width_mm)
        canvas.setLineJoin(1)
        canvas.setLineCap(int(style.is_round))
        canvas.setDash(list(style.dashes_mm))
    return {"stroke": int(bool(ink)), "fill": int(bool(style.fill))}


def _path(canvas: Any, item: Lines) -> Any:
    path = canvas.beginPath()
    for points in item.points.round(4).tolist():
        path.moveTo(*points[0])
        if item.course == "curve":
            path.curveTo(*_cubic(*points))
            continue
        for x, y in points[1:]:
            path.lineTo(x, y)
        if item.course == "closed":
            path.close()
    return path


def _cubic(start: Sequence[float], via: Sequence[float], end: Sequence[float]) -> list[float]:
    """Return the two controls and the end of the cubic curve that a quadratic one is."""
    controls = [s + (v - s) * 2.0 / 3.0 for s, v in zip((*start, *end), (*via, *via), strict=True)]
    return [*controls, *end]


def _draw_text(canvas: Any, item: Text) -> None:
    (x, y), size, left = item.at, item.size_mm, item.left_mm
    if item.angle_deg:
        canvas.saveState()
        canvas.translate(x, y)
        canvas.rotate(item.angle_deg)
        x = y = 0.0
    if item.halo_mm:
        canvas.setFillColor(colour(WHITE, _HALO_OPACITY))
        ground = item.width_mm + 0.2 * size, 0.96 * size
        canvas.rect(x + left - 0.1 * size, y - 0.12 * size, *ground, stroke=0, fill=1)
    canvas.setFillColor(colour(item.ink))
    write_line(canvas, x + left, y, size, item.text, bold=item.is_bold)
    if item.angle_deg:
        canvas.restoreState()


def _fill_outlines(canvas: Any, segments: Sequence[Segment]) -> None:
    """Fill outlines of letters at the size at which they are kept."""
    path = canvas.beginPath()
    here: NDArray[np.float64] = np.zeros(2)
    for letter, points in segments:
        ends = points * _KEPT
        if letter == "Z":
            path.close()
            continue
        if letter == "Q":
            path.curveTo(*_cubic(here.tolist(), *ends.tolist()))
        else:
            {"M": path.moveTo, "L": path.lineTo, "C": path.curveTo}[letter](*ends.ravel())
        here = ends[-1]
    canvas.drawPath(path, stroke=0, fill=1, fillMode=1)
