"""Drawings with dimensions: every distinct piece, facing, panel, bar, rail and keyed footing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from hexterra.workshop.book.paper import BOLD, GREY, Page, wrapped
from hexterra.workshop.sheets.facing_sheets import facing_solids
from hexterra.workshop.solids.carved import Measures
from hexterra.workshop.solids.solids import piece_solids
from hexterra.workshop.templates.base_drawings import facing_drawing
from hexterra.workshop.templates.piece_drawings import piece_drawing

if TYPE_CHECKING:
    from hexterra.drawing.figures import Figure
    from hexterra.workshop.book.paper import Format, Pen
    from hexterra.workshop.estimate.estimate import Effort

_GAP_MM: Final = 4.0
_TITLE_MM: Final = 2.8
_NOTE_MM: Final = 2.4
#: A whole hexagon from corner to corner on paper.
_HEXAGON_MM: Final = 26.0
#: Facings are larger on paper by this than pieces.
_LARGER: Final = 2.0
#: Figures are drawn with the words of templates, and shrunk.
_SHRUNK: Final = 0.82


def drawing_pages(effort: Effort, paper: Format) -> list[Page]:
    """Draw every distinct piece and facing that is to be cut, seen from above and from the front.

    Numbers inside a plan are heights of the corners; all dimensions are true, in millimetres.
    """
    foam = effort.foam
    hexagon_mm = 2.0 * foam.pieces.board.across_flats_mm / math.sqrt(3.0)
    scale = _HEXAGON_MM / _SHRUNK / hexagon_mm
    measures = map(Measures, *(
        amounts.tolist() for amounts in (effort.volume_mm3, effort.top_mm2, effort.around_mm2)
    ))  # fmt: skip
    figures = [
        piece_drawing(replace(piece, count=count), solid, measures=held, scale=scale).scaled(
            _SHRUNK
        )
        for piece, count, solid, held in zip(
            foam.pieces.pieces, foam.to_cut.tolist(), piece_solids(foam.pieces), measures,
            strict=True,
        )
        if count
    ]  # fmt: skip
    heading = "Drawings with dimensions"
    lead = (
        "From above, and below that from the front. Numbers at the corners are heights. All"
        " dimensions are in millimetres."
    )
    pages = figure_pages(figures, heading, paper, lead=lead, entry=heading) if figures else []
    facings = [
        facing_drawing(body, scale=_LARGER * scale).scaled(_SHRUNK)
        for _, body in facing_solids(effort.facings, foam.stock)
    ]
    if facings:
        heading = "Facings with dimensions"
        lead = "From the low side. All dimensions are in millimetres."
        pages += figure_pages(facings, heading, paper, lead=lead, entry=heading,
                              depth=1 if pages else 0)  # fmt: skip
    return pages


def figure_pages(
    figures: Iterable[Figure], heading: str, paper: Format, *, lead: str = "", entry: str = "",
    depth: int = 0, n_columns: int = 3,
) -> list[Page]:  # fmt: skip
    """Lay figures with their titles and notes side by side in rows, and rows over pages.

    A figure takes as many of the columns as it is wide.
    """
    left, top, width, height = paper.room_mm
    start = top + (6.5 if lead else 0.0)
    pages: list[Page] = []
    held: list[_Row] = []
    room = height - (start - top)

    def close() -> None:
        is_first = not pages

        def paint(pen: Pen, held: tuple[_Row, ...] = tuple(held)) -> None:
            if is_first and lead:
                pen.text(left, top + 2.5, lead, within=width)
            y = start if is_first else top
            for row in held:
                row.draw(pen, left, y)
                y += row.height_mm + _GAP_MM
                pen.line(((left, y - 0.5 * _GAP_MM), (left + width, y - 0.5 * _GAP_MM)),
                         width=0.08, ink=GREY)  # fmt: skip

        words = heading if is_first else f"{heading}, continued"
        pages.append(Page(words, paint, entry=entry if is_first else "", depth=depth))

    for row in _rows(figures, width, n_columns):
        if held and row.height_mm > room:
            close()
            held, room = [], height
        held.append(row)
        room -= row.height_mm + _GAP_MM
    close()
    return pages


class _Row:
    """Figures side by side, each with the columns that it takes."""

    def __init__(self, held: Sequence[tuple[Figure, int]], column_mm: float) -> None:
        self.held = held
        self.column_mm = column_mm
        self.titles = [
            wrapped(_title(figure), span * column_mm - _GAP_MM, _TITLE_MM, BOLD)
            for figure, span in held
        ]
        self.notes = [
            [
                line
                for note in figure.notes
                for line in wrapped(note, span * column_mm - _GAP_MM, _NOTE_MM)
            ]
            for figure, span in held
        ]
        self.title_mm = 1.35 * _TITLE_MM * max(len(lines) for lines in self.titles) + 1.0
        self.figure_mm = max(figure.size_mm[1] for figure, _ in held) + 2.0
        note_mm = 1.35 * _NOTE_MM * max(len(lines) for lines in self.notes)
        self.height_mm = self.title_mm + self.figure_mm + note_mm + 1.0

    def draw(self, pen: Pen, left: float, top: float) -> None:
        """Draw titles, figures and notes, each below the one before."""
        x = left
        for (figure, span), title, notes in zip(self.held, self.titles, self.notes, strict=True):
            width = span * self.column_mm
            for line, words in enumerate(title):
                y = top + (1.0 + 1.35 * line) * _TITLE_MM
                pen.text(x, y, words, size=_TITLE_MM, font=BOLD)
            pen.figure(figure, x + (width - _GAP_MM) / 2.0, top + self.title_mm)
            y = top + self.title_mm + self.figure_mm + _NOTE_MM
            for line, words in enumerate(notes):
                pen.text(x, y + 1.35 * line * _NOTE_MM, words, size=_NOTE_MM)
            x += width


def _title(figure: Figure) -> str:
    return f"{figure.title[0].upper()}{figure.title[1:]}"


def _rows(figures: Iterable[Figure], width: float, n_columns: int) -> Iterator[_Row]:
    column_mm = (width + _GAP_MM) / n_columns
    held: list[tuple[Figure, int]] = []
    n_free = n_columns
    for figure in figures:
        span = min(math.ceil((figure.size_mm[0] + _GAP_MM) / column_mm - 1e-9), n_columns)
        if span > n_free:
            yield _Row(held, column_mm)
            held, n_free = [], n_columns
        held.append((figure, span))
        n_free -= span
    if held:
        yield _Row(held, column_mm)
