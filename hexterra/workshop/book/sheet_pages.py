"""Sheet layouts of the build book: where blocks, facings and panels lie on what was bought."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.stages.schedule.pieces import PARTS
from hexterra.workshop.book.book_words import counted, part_words
from hexterra.workshop.book.paper import BOLD, GREY, INK, PALE, TEXT_MM, Format, Page, Pen, wrapped

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.brief.bench_sections import SheetBrief
    from hexterra.lattice.hexagon import Part
    from hexterra.workshop.estimate.estimate import Effort
    from hexterra.workshop.sheets.foam import Foam
    from hexterra.workshop.sheets.nesting import Nest
    from hexterra.workshop.sheets.rectangles import RectangleNest

_MOST_HEIGHT_MM: Final = 105.0
_CAPTION_MM: Final = 8.0
_GAP_MM: Final = 7.0


@dataclass(frozen=True)
class _Layout:
    """Sheets that are laid out alike, and the words above them."""

    stock: SheetBrief
    margin_mm: float
    outlines: tuple[NDArray[np.float64], ...]
    title: str
    notes: tuple[str, ...]


def sheet_pages(effort: Effort, paper: Format) -> list[Page]:
    """Draw every layout of foam, facings and panels once, as many to a page as fit."""
    left, top, width, height = paper.room_mm
    foam = effort.foam
    layouts = [layout for nest in foam.nests for layout in _layouts(foam, nest)]
    for nest in effort.facing_nests:
        layouts += _rectangle_layouts(nest, "facings")
    layouts += _rectangle_layouts(effort.wood.panels, "panels")
    pages: list[Page] = []
    held: list[tuple[float, _Layout]] = []
    y = top
    for layout in layouts:
        needed = _height_mm(layout, width)
        if held and y + needed > top + height:
            pages.append(_page(held, left, width, len(pages)))
            held, y = [], top
        held.append((y, layout))
        y += needed + _GAP_MM
    pages.append(_page(held, left, width, len(pages)))
    return pages


def _page(held: Sequence[tuple[float, _Layout]], left: float, width: float, number: int) -> Page:
    def paint(pen: Pen) -> None:
        for y, layout in held:
            _draw(pen, layout, left, y, width)

    if number:
        return Page("Sheet layouts, continued", paint)
    return Page("Sheet layouts", paint, entry="Sheet layouts")


def _layouts(foam: Foam, nest: Nest) -> Iterable[_Layout]:
    """Collect the sheets of a nest that are alike; the first says what its blocks are for."""
    alike: dict[str, list[int]] = {}
    for number, sheet in enumerate(nest.sheets):
        alike.setdefault(sheet.digest, []).append(number)
    stock = nest.stock
    for place, numbers in enumerate(alike.values()):
        sheet = nest.sheets[numbers[0]]
        counts = Counter(sheet.parts)
        parts = part_words((part, counts[part]) for part in PARTS if counts[part])
        which = _listed([f"{number + 1:,}" for number in numbers])
        title = (
            f"{stock.thickness_mm:g} mm: sheet{'s' if len(numbers) > 1 else ''} {which} of"
            f" {nest.n_sheets:,}{', alike' if len(numbers) > 1 else ''} ({parts})"
        )
        outlines = tuple(sheet.outline_mm(piece) for piece in range(sheet.n_pieces))
        notes = _notes(foam, nest) if place == 0 else ()
        yield _Layout(stock, nest.margin_mm, outlines, title, notes)


def _rectangle_layouts(nest: RectangleNest, of: str) -> Iterable[_Layout]:
    """Lay out facings or panels; the notes name what lies in each row."""
    stock = nest.stock
    for number, sheet in enumerate(nest.sheets, start=1):
        notes: list[str] = []
        for row, held in groupby(sorted(sheet, key=lambda place: (place.row, place.x_mm)),
                                 key=lambda place: place.row):  # fmt: skip
            words = (
                f"{len(list(alike)):,} of {length:,.1f} x {width:,.1f}"
                for (length, width), alike in groupby(
                    held, key=lambda place: (round(place.length_mm, 1), round(place.width_mm, 1))
                )
            )
            notes.append(f"Row {row + 1} from below, from the left: {', '.join(words)} mm.")
        title = f"{stock.thickness_mm:g} mm: sheet {number} of {nest.n_sheets:,} ({of})"
        outlines = tuple(
            np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
            for place in sheet
            for x0, y0 in [(place.x_mm, place.y_mm)]
            for x1, y1 in [(x0 + place.length_mm, y0 + place.width_mm)]
        )
        yield _Layout(stock, nest.margin_mm, outlines, title, tuple(notes))


def _notes(foam: Foam, nest: Nest) -> tuple[str, ...]:
    """Say what the blocks of a thickness become."""
    by_layer: dict[tuple[float, int], list[tuple[Part, int]]] = {}
    for block in foam.blocks:
        layer = block.layer
        if layer.stock_mm == nest.stock.thickness_mm:
            key = layer.thickness_mm, layer.n_slices
            by_layer.setdefault(key, []).append((block.part, block.count))
    notes: list[str] = []
    for (thickness_mm, n_slices), counts in by_layer.items():
        use = "used as bought"
        if thickness_mm < nest.stock.thickness_mm:
            use = f"sliced into {thickness_mm:g} mm, {counted(n_slices, 'layer')} of each"
        notes.append(f"Of all {nest.stock.thickness_mm:g} mm blocks: {part_words(counts)} {use}.")
    return tuple(notes)


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _scale(layout: _Layout, width: float) -> float:
    stock = layout.stock
    return min((width - 8.0) / stock.length_mm, _MOST_HEIGHT_MM / stock.width_mm)


def _note_lines(layout: _Layout, width: float) -> list[str]:
    return [line for note in layout.notes for line in wrapped(note, width, TEXT_MM)]


def _height_mm(layout: _Layout, width: float) -> float:
    sheet_mm = layout.stock.width_mm * _scale(layout, width)
    return _CAPTION_MM + 1.4 * TEXT_MM * len(_note_lines(layout, width)) + sheet_mm + 5.0


def _draw(pen: Pen, layout: _Layout, left: float, top: float, width: float) -> None:
    stock = layout.stock
    scale = _scale(layout, width)
    pen.text(left, top + 3.6, layout.title, size=3.6, font=BOLD, within=width)
    y = top + _CAPTION_MM
    for line in _note_lines(layout, width):
        pen.text(left, y, line)
        y += 1.4 * TEXT_MM
    length, depth = stock.length_mm * scale, stock.width_mm * scale
    y -= 2.0
    pen.rectangle(left, y, length, depth, ink=INK, line=0.35)
    margin = layout.margin_mm * scale
    inner = (
        (left + margin, y + margin),
        (left + length - margin, y + margin),
        (left + length - margin, y + depth - margin),
        (left + margin, y + depth - margin),
    )
    if margin > 0.0:
        pen.line((*inner, inner[0]), width=0.1, ink=GREY, dashes=(1.0, 1.0))
    for outline in layout.outlines:
        points = [(left + x, y + depth - up) for x, up in (outline * scale).tolist()]
        pen.polygon(points, fill=PALE, ink=INK, width=0.12)
    pen.text(left + length / 2.0, y + depth + 3.8, f"{stock.length_mm:,g} mm", size=2.8,
             align="middle")  # fmt: skip
    pen.text(left + length + 1.5, y + depth / 2.0, f"{stock.width_mm:,g}", size=2.8, within=6.5)
    pen.text(left + length + 1.5, y + depth / 2.0 + 3.6, "mm", size=2.8)
