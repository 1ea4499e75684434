"""Figures -> PDF: pages at full size, tiled over several sheets where one is too small."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hexterra.drawing.figures import STYLES
from hexterra.drawing.lettering import is_plain, outlines, text_width
from hexterra.workshop.solids.guides import CAUTIONS

if TYPE_CHECKING:
    from hexterra.drawing.figures import Figure, Layer, Words
    from hexterra.drawing.lettering import Segment
    from hexterra.workshop.solids.guides import Paper

#: Width and height in millimetres. A4: ISO 216:2007, table 1. Letter: 8.5 x 11 inches,
#: ANSI/ASME Y14.1, size A.
PAPER_MM: Final[dict[Paper, tuple[float, float]]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}

#: Lines that only machines need; on paper they would lie too near the guide to be told apart.
_NOT_PRINTED: Final[frozenset[Layer]] = frozenset({"finish", "wire"})

POINTS_PER_MM: Final = 72.0 / 25.4
CHECK_BAR_MM: Final = 100.0
#: Neighbouring sheets repeat this much, and their registration crosses lie in the middle of it.
OVERLAP_MM: Final = 10.0

_SIDE_MM: Final = 10.0
_HEAD_MM: Final = 22.0
_FOOT_MM: Final = 50.0
_FONT: Final = "DejaVuSans"
_BOLD: Final = "DejaVuSans-Bold"
#: Font size of outlines in the file, in points.
_KEPT: Final = 100.0


@dataclass(frozen=True)
class _Sheet:
    """One page: a figure, and which part of it the window shows."""

    figure: Figure
    column: int
    row: int
    columns: int
    rows: int
    origin_mm: tuple[float, float]  # where the figure's origin lies on the page

    @property
    def is_tiled(self) -> bool:
        return self.columns * self.rows > 1

    @property
    def label(self) -> str:
        return f"{chr(ord('A') + self.column)}{self.row + 1}"


def template_pdf(figures: Sequence[Figure], *, paper: Paper, title: str = "") -> bytes:
    """Write figures as a PDF at full size.

    Parameters
    ----------
    figures
        In the order of the pages.
    paper
        "A4" or "Letter", upright.
    title
        Name of the board, printed on every page.

    Returns
    -------
    bytes
        A page that explains the lines and lists the figures, then a page or more for each figure.
        Every page carries a bar of 100 mm to check the scale with, its number, and the cautions.
        A figure larger than the page goes on several that overlap; crosses on them coincide when
        they are joined. Fonts are embedded, viewers are asked not to scale, and equal figures
        give equal bytes.
    """
    from reportlab.pdfgen.canvas import Canvas

    register_fonts()
    width_mm, height_mm = PAPER_MM[paper]
    sheets = [sheet for figure in figures for sheet in _sheets(figure, paper)]
    stream = io.BytesIO()
    canvas = Canvas(
        stream,
        pagesize=(width_mm * POINTS_PER_MM, height_mm * POINTS_PER_MM),
        invariant=1,
        initialFontName=_FONT,  # pyright: ignore[reportArgumentType] - else Helvetica is named
        pageCompression=1,
    )
    canvas.setTitle(f"Templates: {title}" if title else "Templates")
    canvas.setAuthor("hexterra")
    canvas.setSubject("Guides for cutting, at full size")
    canvas.setCreator("hexterra")
    canvas.setViewerPreference("PrintScaling", "None")
    n_pages = len(sheets) + 1
    _first_page(canvas, sheets, paper)
    _frame(canvas, paper, title, 1, n_pages)
    canvas.showPage()
    for number, sheet in enumerate(sheets, start=2):
        if not (sheet.column or sheet.row):
            canvas.bookmarkPage(sheet.figure.name)
            canvas.addOutlineEntry(sheet.figure.title, sheet.figure.name)
        _figure_page(canvas, sheet, paper)
        _frame(canvas, paper, title, number, n_pages)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def register_fonts() -> None:
    """Make the fonts that matplotlib's own package carries known to reportlab."""
    from pathlib import Path

    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in (_FONT, _BOLD):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))


# Layout ----------------------------------------------------------------------------------------


def window_mm(paper: Paper) -> tuple[float, float, float, float]:
    """Return the part of a page that figures may cover: left, low, width and height."""
    width_mm, height_mm = PAPER_MM[paper]
    return _SIDE_MM, _FOOT_MM, width_mm - 2 * _SIDE_MM, height_mm - _HEAD_MM - _FOOT_MM


def _sheets(figure: Figure, paper: Paper) -> list[_Sheet]:
    """Put a figure in the middle of a page, or of as many as it needs."""
    left, low, window_width, window_height = window_mm(paper)
    (x0, y0, _, _), (width, height) = figure.bounds, figure.size_mm
    columns = _n_windows(width, window_width)
    rows = _n_windows(height, window_height)
    step_x, step_y = window_width - OVERLAP_MM, window_height - OVERLAP_MM
    spare_x = columns * step_x + OVERLAP_MM - width
    spare_y = rows * step_y + OVERLAP_MM - height
    return [
        _Sheet(
            figure,
            column,
            row,
            columns,
            rows,
            (
                left + spare_x / 2.0 - x0 - column * step_x,
                low + spare_y / 2.0 - y0 - (rows - 1 - row) * step_y,
            ),
        )
        for row in range(rows)
        for column in range(columns)
    ]


def _n_windows(length_mm: float, window: float) -> int:
    return max(1, ceil((length_mm - OVERLAP_MM) / (window - OVERLAP_MM) - 1e-9))


def _words_on(sheet: _Sheet, paper: Paper) -> tuple[Words, ...]:
    """Choose the words of a sheet: those that it shows whole, or no sheet does."""
    if not sheet.is_tiled:
        return sheet.figure.words
    sheets = _sheets(sheet.figure, paper)
    left, low, width, height = window_mm(paper)

    def shows(other: _Sheet, words: Words) -> bool:
        x0, y0 = other.origin_mm
        return all(
            left <= x + x0 <= left + width and low <= y + y0 <= low + height
            for x, y in words.corners
        )

    return tuple(
        words
        for words in sheet.figure.words
        if shows(sheet, words) or not any(shows(other, words) for other in sheets)
    )


# Pages -----------------------------------------------------------------------------------------


def _figure_page(canvas: Any, sheet: _Sheet, paper: Paper) -> None:
    left, low, width, height = window_mm(paper)
    _, page_height = PAPER_MM[paper]
    heading = sheet.figure.title
    if sheet.is_tiled:
        heading += (
            f" (sheet {sheet.label} of {sheet.columns} across and {sheet.rows} down:"
            " join at the crosses)"
        )
    _text(canvas, left, page_height - 17.0, 4.2, heading, _BOLD)
    for number, note in enumerate(sheet.figure.notes):
        _text(canvas, left, _FOOT_MM - 5.0 - 4.0 * number, _fitting(note, width, 2.9), note)
    canvas.saveState()
    if sheet.is_tiled:
        clip = canvas.beginPath()
        clip.rect(*(value * POINTS_PER_MM for value in (left, low, width, height)))
        canvas.clipPath(clip, stroke=0, fill=0)
    shown = replace(sheet.figure, words=_words_on(sheet, paper))
    draw_figure(canvas, shown, *sheet.origin_mm, without=_NOT_PRINTED)
    canvas.restoreState()
    if sheet.is_tiled:
        _crosses(canvas, left, low, width, height)


def draw_figure(
    canvas: Any,
    figure: Figure,
    x_mm: float,
    y_mm: float,
    *,
    without: frozenset[Layer] = frozenset(),
    scale: float = 1.0,
) -> None:
    """Draw a figure on a reportlab canvas.

    Parameters
    ----------
    canvas
        A `reportlab.pdfgen.canvas.Canvas` in points; `register_fonts` must have been called.
    figure
        What to draw.
    x_mm, y_mm
        Where its origin goes, from the lower left corner of the page.
    without
        Layers to leave out.
    scale
        Length on paper per length of the figure; line widths and dashes stay.
    """
    unit = POINTS_PER_MM
    for line in figure.strokes:
        if line.layer in without:
            continue
        style = STYLES[line.layer]
        canvas.setLineWidth(style.width_mm * unit)
        canvas.setDash([dash * unit for dash in style.dashes_mm])
        canvas.setStrokeColor(style.ink)
        path = canvas.beginPath()
        for number, (x, y) in enumerate(line.points):
            place = (x_mm + scale * x) * unit, (y_mm + scale * y) * unit
            (path.lineTo if number else path.moveTo)(*place)
        if line.is_closed:
            path.close()
        if line.fill:
            canvas.setFillColor(line.fill)
        canvas.setLineJoin(1)
        canvas.drawPath(path, stroke=1, fill=1 if line.fill else 0)
    canvas.setDash([])
    canvas.setFillColor("#000000")
    for item in figure.words:
        canvas.saveState()
        place = (x_mm + scale * item.at[0]) * unit, (y_mm + scale * item.at[1]) * unit
        canvas.translate(*place)
        canvas.rotate(item.angle_deg)
        size = scale * item.size_mm
        shift = {"start": 0.0, "middle": -0.5, "end": -1.0}[item.anchor]
        _text(canvas, shift * text_width(item.text, size), 0.0, size, item.text)
        canvas.restoreState()


def _crosses(canvas: Any, left: float, low: float, width: float, height: float) -> None:
    """Draw the four registration crosses of a tiled page, each in a ring."""
    unit, inset = POINTS_PER_MM, OVERLAP_MM / 2.0
    canvas.setLineWidth(0.13 * unit)
    canvas.setStrokeColor("#000000")
    canvas.setDash([])
    for x in (left + inset, left + width - inset):
        for y in (low + inset, low + height - inset):
            canvas.line((x - 4.0) * unit, y * unit, (x + 4.0) * unit, y * unit)
            canvas.line(x * unit, (y - 4.0) * unit, x * unit, (y + 4.0) * unit)
            canvas.circle(x * unit, y * unit, 2.0 * unit)


def _frame(canvas: Any, paper: Paper, title: str, number: int, n_pages: int) -> None:
    """Draw what every page has: title, number, check bar and cautions."""
    width_mm, height_mm = PAPER_MM[paper]
    unit, left, right = POINTS_PER_MM, _SIDE_MM, width_mm - _SIDE_MM
    words = f"{title}: templates at full size" if title else "Templates at full size"
    _text(canvas, left, height_mm - 10.0, 3.0, words)
    page = f"page {number} of {n_pages}"
    _text(canvas, right - text_width(page, 3.0), height_mm - 10.0, 3.0, page)
    bar_low = 26.0
    canvas.setStrokeColor("#000000")
    canvas.setFillColor("#000000")
    canvas.setDash([])
    canvas.setLineWidth(0.18 * unit)
    canvas.rect(left * unit, bar_low * unit, CHECK_BAR_MM * unit, 2.0 * unit, stroke=1, fill=0)
    for tenth in range(1, 10, 2):  # every second centimetre is filled
        x = left + tenth * CHECK_BAR_MM / 10.0
        canvas.rect(x * unit, bar_low * unit, CHECK_BAR_MM / 10.0 * unit, 2.0 * unit, 1, 1)
    canvas.setLineWidth(0.13 * unit)
    note = f"This bar is 100 mm long. Print on {paper} at 100 %, not fitted to the page."
    _text(canvas, left, bar_low + 3.2, 2.6, note)
    for row, words in enumerate(CAUTIONS):
        _text(canvas, left, 20.0 - 3.7 * row, 2.6, words)


def _first_page(canvas: Any, sheets: Sequence[_Sheet], paper: Paper) -> None:
    """Explain the lines and list the figures with their pages."""
    left, _, width, _ = window_mm(paper)
    _, height_mm = PAPER_MM[paper]
    unit, y = POINTS_PER_MM, height_mm - 24.0
    canvas.bookmarkPage("first")
    canvas.addOutlineEntry("Lines and contents", "first")
    _text(canvas, left, y, 6.0, "Templates", _BOLD)
    for words in (
        "Measure the bar at the foot of a page before you cut. If it is not 100 mm long, print",
        "again without scaling. Glue the pages to stiff board and cut the guides out.",
    ):
        y -= 5.0
        _text(canvas, left, y, 3.2, words)
    y -= 9.0
    printed = {layer for sheet in sheets for layer in sheet.figure.layers()} - _NOT_PRINTED
    for layer, style in STYLES.items():
        if layer in printed:
            canvas.setLineWidth(style.width_mm * unit)
            canvas.setDash([dash * unit for dash in style.dashes_mm])
            canvas.setStrokeColor(style.ink)
            canvas.line(left * unit, (y + 1.0) * unit, (left + 24.0) * unit, (y + 1.0) * unit)
            _text(canvas, left + 28.0, y, 3.2, style.words)
            y -= 5.5
    canvas.setDash([])
    y -= 4.0
    entries = [
        (sheet.figure.title, str(number))
        for number, sheet in enumerate(sheets, start=2)
        if not (sheet.column or sheet.row)
    ]
    room = y - _FOOT_MM + 18.0
    pitch = min(5.0, room / max(1, ceil(len(entries) / 2)))
    n_rows = ceil(len(entries) / 2)
    for index, (words, number) in enumerate(entries):
        column, row = divmod(index, n_rows)
        x = left + column * (width / 2.0 + 3.0)
        size = min(3.2, 0.75 * pitch)
        size = _fitting(words, width / 2.0 - 14.0, size)
        _text(canvas, x, y - row * pitch, size, words)
        end = x + width / 2.0 - 3.0
        _text(canvas, end - text_width(number, size), y - row * pitch, size, number)


def _fitting(words: str, width_mm: float, size_mm: float) -> float:
    """Return the font size at which words fit a width, at most `size_mm`."""
    return min(size_mm, size_mm * width_mm / text_width(words, size_mm))


def _text(
    canvas: Any, x_mm: float, y_mm: float, size_mm: float, words: str, font: str = _FONT
) -> None:
    canvas.setFillColor("#000000")
    place = x_mm * POINTS_PER_MM, y_mm * POINTS_PER_MM
    write_line(canvas, *place, size_mm * POINTS_PER_MM, words, font)


def write_line(canvas: Any, x: float, y: float, size: float, words: str, font: str) -> None:
    """Write one line on a reportlab canvas, in points and in the ink that is set.

    What reportlab cannot write, as letters that the font lacks or that join, is drawn as outlines,
    which are kept in the file once.
    """
    if is_plain(words):
        canvas.setFont(font, size)
        canvas.drawString(x, y, words)
        return
    width, segments = outlines(words, bold=font == _BOLD)
    name = hashlib.blake2b(f"{font} {words}".encode(), digest_size=8).hexdigest()
    if not canvas.hasForm(name):
        canvas.beginForm(name, -_KEPT, -_KEPT, (width + 1.0) * _KEPT, 2.0 * _KEPT)
        _draw_outlines(canvas, segments)
        canvas.endForm()
    canvas.saveState()
    canvas.translate(x, y)
    canvas.scale(size / _KEPT, size / _KEPT)
    canvas.doForm(name)
    canvas.restoreState()


def _draw_outlines(canvas: Any, segments: Sequence[Segment]) -> None:
    """Fill outlines of letters at the size at which they are kept."""
    path = canvas.beginPath()
    here = np.zeros(2)
    for letter, points in segments:
        ends = points * _KEPT
        if letter == "Z":
            path.close()
            continue
        if letter == "Q":  # the cubic curve that a quadratic one is
            via, end = ends
            path.curveTo(*(here + 2.0 * via) / 3.0, *(end + 2.0 * via) / 3.0, *end)
        else:
            {"M": path.moveTo, "L": path.lineTo, "C": path.curveTo}[letter](*ends.ravel())
        here = ends[-1]
    canvas.drawPath(path, stroke=0, fill=1, fillMode=1)
