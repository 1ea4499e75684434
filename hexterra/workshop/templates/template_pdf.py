"""Figures -> PDF: pages at full size, tiled over several where one is too small."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from reportlab.platypus import KeepTogether, PageBreak, Spacer, Table

from hexterra.drawing.flowables import Heading, Picture, broken, contents, paragraph, section
from hexterra.drawing.layers import LAYERS, Meaning
from hexterra.drawing.lettering import text_width
from hexterra.drawing.pdf import FONT, POINTS_PER_MM
from hexterra.drawing.pdf_document import Margins, PageFacts, write_document
from hexterra.drawing.scene import (
    INK,
    Bounds,
    Circles,
    Clipped,
    Item,
    Lines,
    Scene,
    Style,
    Text,
    rectangle,
)
from hexterra.workshop.solids.guides import CAUTIONS

if TYPE_CHECKING:
    from hexterra.workshop.solids.guides import Paper

#: Width and height in millimetres. A4: ISO 216:2007, table 1. Letter: 8.5 x 11 inches,
#: ANSI/ASME Y14.1, size A.
PAPER_MM: Final[dict[Paper, tuple[float, float]]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}

#: Lines that only machines need; on paper they would lie too near the guide.
_NOT_PRINTED: Final[frozenset[Meaning]] = frozenset({"finish", "wire"})

CHECK_BAR_MM: Final = 100.0
#: Neighbouring sheets repeat this much, and their registration crosses lie in the middle of it.
OVERLAP_MM: Final = 10.0

_MARGINS: Final = Margins(side_mm=10.0, top_mm=19.0, foot_mm=32.0)
#: Room for title and notes with a figure, and between two.
_NOTES_MM: Final = 25.0
_GAP_MM: Final = 3.0
_FINE: Final = Style(INK, 0.13)
_FIRST: Final = "Lines and contents"


@dataclass(frozen=True)
class _Tile:
    """What one page shows of a figure: its column and row of how many, and the figure shifted."""

    figure: Scene
    column: int
    row: int
    columns: int
    rows: int
    shown: Scene


def template_pdf(figures: Sequence[Scene], *, paper: Paper, title: str = "") -> bytes:
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
        The lines explained and the figures listed, then the figures, as many to a page as fit.
        Every page carries a bar of 100 mm to check the scale with, its number, and the cautions. A
        figure larger than the page goes on several that overlap; crosses on them coincide when they
        are joined. Fonts are embedded, viewers are asked not to scale, and equal figures give equal
        bytes.
    """
    paper_mm = PAPER_MM[paper]
    window = _window_mm(paper_mm)
    story: list[Any] = [Heading(_FIRST, heading="", is_listed=False), *_first_page(figures)]
    story += _pages(figures, window)
    return write_document(
        story,
        title=f"Templates: {title}" if title else "Templates",
        subject="Guides for cutting, at full size",
        paper_mm=paper_mm,
        margins=_MARGINS,
        around=lambda facts: _around(facts, paper, title),
    )


# Layout ----------------------------------------------------------------------------------------


def _window_mm(paper_mm: tuple[float, float]) -> Bounds:
    """Return the part of a page's content that figures may cover; notes stand below it."""
    width_mm, height_mm = paper_mm
    high = height_mm - _MARGINS.top_mm - _MARGINS.foot_mm
    return 0.0, _NOTES_MM, width_mm - 2.0 * _MARGINS.side_mm, high


def _pages(figures: Sequence[Scene], window: Bounds) -> Iterator[Any]:
    """Let figures that fit a page follow each other, narrow ones in pairs; tile the others."""
    left, _, right, _ = window
    room = right - left
    row: list[Scene] = []
    is_open = False  # whether figures may follow on the page
    for figure in figures:
        tiles = _tiles(figure, window)
        if row and (len(tiles) > 1 or _widest([*row, figure]) > (room - _GAP_MM) / 2.0):
            yield from _figure_row(row, room)
            row = []
        if len(tiles) > 1:
            yield from (item for tile in tiles for item in _figure_page(tile, window))
            is_open = False
            continue
        if not is_open:
            yield from (PageBreak(), Heading("", heading=""))
            is_open = True
        row.append(figure)
        if len(row) == 2:
            yield from _figure_row(row, room)
            row = []
    if row:
        yield from _figure_row(row, room)


def _widest(figures: Iterable[Scene]) -> float:
    return max(figure.size_mm[0] for figure in figures)


def _figure_row(figures: Sequence[Scene], room_mm: float) -> Iterator[Any]:
    """Lay a figure, or two beside each other, under their titles and above their notes."""
    blocks = [_block(figure) for figure in figures]
    content = blocks[0]
    if len(blocks) > 1:
        width = room_mm / len(blocks) * POINTS_PER_MM
        style = [("VALIGN", (0, 0), (-1, -1), "TOP"), ("FONTNAME", (0, 0), (-1, -1), FONT)]
        style += [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "TOP", "BOTTOM")]
        content = [Table([blocks], [width] * len(blocks), style=style)]
    headings = [Heading(figure.title, heading="") for figure in figures]
    yield KeepTogether([*headings, *content, Spacer(1, _GAP_MM * POINTS_PER_MM)])


def _block(figure: Scene) -> list[Any]:
    drawn = tuple(
        item
        for item in figure.items
        if not (isinstance(item, Lines) and item.layer in _NOT_PRINTED)
    )
    return [
        paragraph(figure.title, size_mm=4.0, is_bold=True, after_mm=1.0),
        Picture(Scene(drawn)),
        Spacer(1, POINTS_PER_MM),
        paragraph("\n".join(figure.notes), size_mm=2.7),
    ]


def _tiles(figure: Scene, window: Bounds) -> list[_Tile]:
    """Put a figure in the middle of a page, or of as many as it needs."""
    left, low, right, high = window
    (x0, y0, _, _), (width, height) = figure.bounds, figure.size_mm
    columns, rows = _n_windows(width, right - left), _n_windows(height, high - low)
    step_x, step_y = right - left - OVERLAP_MM, high - low - OVERLAP_MM
    spare_x = columns * step_x + OVERLAP_MM - width
    spare_y = rows * step_y + OVERLAP_MM - height
    return [
        _Tile(figure, column, row, columns, rows, figure.placed(
            left + spare_x / 2.0 - x0 - column * step_x,
            low + spare_y / 2.0 - y0 - (rows - 1 - row) * step_y,
        ))
        for row in range(rows)
        for column in range(columns)
    ]  # fmt: skip


def _n_windows(length_mm: float, window: float) -> int:
    return max(1, ceil((length_mm - OVERLAP_MM) / (window - OVERLAP_MM) - 1e-9))


def _items_on(tile: _Tile, window: Bounds) -> Iterator[Item]:
    """Yield what is printed of a tile: of its words those that it shows whole, or no tile does."""
    left, low, right, high = window

    def shows(words: Text) -> bool:
        return all(left <= x <= right and low <= y <= high for x, y in words.marks.tolist())

    shown_by_any = [False] * len(tile.figure.items)
    for other in _tiles(tile.figure, window):
        for number, item in enumerate(other.shown.items):
            shown_by_any[number] |= isinstance(item, Text) and shows(item)
    for item, is_shown in zip(tile.shown.items, shown_by_any, strict=True):
        if isinstance(item, Text):
            if not is_shown or shows(item):
                yield item
        elif isinstance(item, Lines) and item.layer not in _NOT_PRINTED:
            yield item


# Pages -----------------------------------------------------------------------------------------


def _figure_page(tile: _Tile, window: Bounds) -> list[Any]:
    left, low, right, high = window
    figure = tile.figure
    items = (Clipped(window, tuple(_items_on(tile, window))), *_crosses(window))
    heading = (
        f"{figure.title} (sheet {chr(ord('A') + tile.column)}{tile.row + 1} of {tile.columns}"
        f" across and {tile.rows} down: join at the crosses)"
    )
    lines = [line for note in figure.notes for line in broken(note, right - left, 2.7)]
    notes = (Text((left, low - 5.0 - 3.8 * n), 2.7, line) for n, line in enumerate(lines))
    picture = Picture(Scene((*items, *notes), page_mm=(right, high)))
    return section(figure.title, [picture], heading=heading)


def _crosses(window: Bounds) -> Iterator[Item]:
    """Draw the four registration crosses of a tiled page, each in a ring."""
    inset = OVERLAP_MM / 2.0
    left, low, right, high = window
    for x in (left + inset, right - inset):
        for y in (low + inset, high - inset):
            yield Lines(np.array([[x - 4.0, y], [x + 4.0, y]]), _FINE)
            yield Lines(np.array([[x, y - 4.0], [x, y + 4.0]]), _FINE)
            yield Circles(np.array([[x, y]]), 2.0, _FINE)


def _around(facts: PageFacts, paper: Paper, title: str) -> Iterator[Item]:
    """Draw what every page has: title, number, heading, check bar and cautions."""
    left, right = _MARGINS.side_mm, facts.width_mm - _MARGINS.side_mm
    top, bar_low, tenth = facts.height_mm - 10.0, 26.0, CHECK_BAR_MM / 10.0
    yield Text((left, top), 3.0, f"{title}: templates at full size" if title else
               "Templates at full size")  # fmt: skip
    yield Text((right, top), 3.0, f"page {facts.number} of {facts.n_pages}", "end")
    if facts.heading:
        size = _fitting(facts.heading, right - left, 4.2)
        yield Text((left, top - 6.5), size, facts.heading, is_bold=True)
    yield Lines(rectangle(left, bar_low, CHECK_BAR_MM, 2.0), Style(INK, 0.18), "closed")
    for number in range(1, 10, 2):  # every second centimetre is filled
        box = rectangle(left + number * tenth, bar_low, tenth, 2.0)
        yield Lines(box, Style(fill=INK), "closed")
    note = f"This bar is 100 mm long. Print on {paper} at 100 %, not fitted to the page."
    yield Text((left, bar_low + 3.2), 2.6, note)
    for row, words in enumerate(CAUTIONS):
        yield Text((left, 20.0 - 3.7 * row), 2.6, words)


def _first_page(figures: Iterable[Scene]) -> Iterator[Any]:
    """Explain the lines and list the figures with their pages."""
    yield paragraph("Templates", size_mm=6.0, is_bold=True, after_mm=3.0)
    yield paragraph(
        "Measure the bar at the foot of a page before you cut. If it is not 100 mm long, print"
        " again without scaling. Glue the pages to stiff board and cut the guides out.",
        after_mm=6.0,
    )
    used = {i.layer for figure in figures for i in figure.items if isinstance(i, Lines)}
    printed = [layer for name, layer in LAYERS.items() if name in used - _NOT_PRINTED]
    items: list[Item] = []
    for number, layer in enumerate(printed):
        y = -5.5 * number
        items.append(Lines(np.array([[0.0, y + 1.0], [24.0, y + 1.0]]), layer.style))
        items.append(Text((28.0, y), 3.2, layer.words))
    yield Picture(Scene(tuple(items)), align="LEFT")
    yield paragraph("", after_mm=4.0)
    yield contents(size_mm=2.8, leading=1.45)


def _fitting(words: str, width_mm: float, size_mm: float) -> float:
    """Return the font size at which words fit a width, at most `size_mm`."""
    return min(size_mm, size_mm * width_mm / text_width(words, size_mm, bold=True))
