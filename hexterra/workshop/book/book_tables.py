"""Tables of the build book: rows of words, and drawings where a column has one, over pages."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from hexterra.workshop.book.paper import BOLD, GREY, INK, PALE, TEXT_MM, Align, Page, wrapped

if TYPE_CHECKING:
    from hexterra.workshop.book.paper import Format, Pen

_LEADING: Final = 1.35
_GAP_MM: Final = 2.0
_RIGHT_GAP_MM: Final = 4.0
#: Between tables on one page.
_APART_MM: Final = 7.0


def tick(pen: Pen, lefts: Sequence[float], top: float) -> None:
    """Draw a box to tick in the first column of a row."""
    pen.box(lefts[0] + 0.6, top + 3.9)


@dataclass(frozen=True)
class Column:
    """One column: its heading, its share of the width, and how its words lie."""

    heading: str
    width: float
    align: Align = "left"


@dataclass(frozen=True)
class Row:
    """One row.

    Parameters
    ----------
    cells
        Words of each column, "" for none. The first row of words is aligned over all columns.
    paint
        Draws what words cannot say; told the left edges of the columns, in millimetres, and the
        top of the row.
    height_mm
        Least height.
    is_heading
        A line across the table that the rows after it belong to; only its first cell counts.
    """

    cells: tuple[str, ...]
    paint: Callable[[Pen, Sequence[float], float], None] | None = None
    height_mm: float = 0.0
    is_heading: bool = False


@dataclass(frozen=True)
class Table:
    """Rows under column headings, preceded by a paragraph on the first page."""

    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    lead: str = ""
    size_mm: float = TEXT_MM

    def height_mm(self, width_mm: float) -> float:
        """Return how high the table is where it is not parted."""
        head = self._lead_mm(width_mm) + self._head_mm()
        return head + sum(self._row_mm(row, width_mm) for row in self.rows)

    def draw(self, pen: Pen, left: float, top: float, width: float) -> float:
        """Draw all of it; return where it ends."""
        return self._draw(pen, left, top, width, self.lead, self.rows)

    def pages(self, heading: str, paper: Format, *, entry: str = "", depth: int = 0,
              is_lying: bool = False) -> list[Page]:  # fmt: skip
        """Part the table over pages; rows stay whole, and headings with the row after them."""
        left, top, width, height = paper.room_mm
        pages: list[Page] = []
        for number, rows in enumerate(self._parted(width, height)):
            lead = self.lead if number == 0 else ""

            def paint(pen: Pen, rows: tuple[Row, ...] = rows, lead: str = lead) -> None:
                self._draw(pen, left, top, width, lead, rows)

            words = heading if number == 0 else f"{heading}, continued"
            pages.append(Page(words, paint, is_lying, entry if number == 0 else "", depth))
        return pages

    def _parted(self, width: float, height: float) -> Iterator[tuple[Row, ...]]:
        room = height - self._lead_mm(width) - self._head_mm()
        held: list[Row] = []
        under: Row | None = None
        for number, row in enumerate(self.rows):
            needed = self._row_mm(row, width)
            following = self.rows[number + 1 : number + 2]
            together = needed
            if row.is_heading:
                under = row
                together += sum(self._row_mm(next_row, width) for next_row in following)
            if held and together > room:
                yield tuple(held)
                held, room = [], height - self._head_mm()
                if under is not None and not row.is_heading:
                    again = Row((f"{under.cells[0]}, continued",), is_heading=True)
                    held, room = [again], room - self._row_mm(again, width)
            held.append(row)
            room -= needed
        yield tuple(held)

    def _lead_mm(self, width: float) -> float:
        if not self.lead:
            return 0.0
        return len(wrapped(self.lead, width, TEXT_MM)) * 1.4 * TEXT_MM + 3.0

    def _head_mm(self) -> float:
        if not any(column.heading for column in self.columns):
            return 0.0
        return 2.3 * self.size_mm

    def _widths(self, width: float) -> list[float]:
        total = sum(column.width for column in self.columns)
        return [column.width * width / total for column in self.columns]

    def _row_mm(self, row: Row, width: float) -> float:
        if row.is_heading:
            return 2.4 * self.size_mm
        n_lines = 1
        for cell, column_mm in zip(row.cells, self._widths(width), strict=True):
            if cell:
                n_lines = max(n_lines, len(wrapped(cell, column_mm - _GAP_MM, self.size_mm)))
        return max(row.height_mm, (_LEADING * n_lines + 0.5) * self.size_mm)

    def _draw(
        self, pen: Pen, left: float, top: float, width: float, lead: str, rows: Sequence[Row]
    ) -> float:
        y = top
        if lead:
            pen.lines(left, y + TEXT_MM, lead, width)
            y += self._lead_mm(width)
        widths = self._widths(width)
        lefts = [left + sum(widths[:number]) for number in range(len(widths))]
        if self._head_mm():
            for column, x, column_mm in zip(self.columns, lefts, widths, strict=True):
                self._write(pen, column, x, column_mm, y + 1.2 * self.size_mm, (column.heading,),
                            font=BOLD)  # fmt: skip
            y += self._head_mm()
            rule = y - 0.5 * self.size_mm
            pen.line(((left, rule), (left + width, rule)), width=0.35)
        for row in rows:
            height = self._row_mm(row, width)
            if row.is_heading:
                pen.rectangle(left, y + 0.2 * self.size_mm, width, height - 0.4 * self.size_mm,
                              fill=PALE)  # fmt: skip
                pen.text(left + 1.0, y + 1.55 * self.size_mm, row.cells[0], size=self.size_mm,
                         font=BOLD, within=width - 2.0)  # fmt: skip
                y += height
                continue
            for cell, column, x, column_mm in zip(
                row.cells, self.columns, lefts, widths, strict=True
            ):
                if cell:
                    words = wrapped(cell, column_mm - _GAP_MM, self.size_mm)
                    self._write(pen, column, x, column_mm, y + 1.2 * self.size_mm, words)
            if row.paint is not None:
                row.paint(pen, lefts, y)
            y += height
            rule = y - 0.1 * self.size_mm
            pen.line(((left, rule), (left + width, rule)), width=0.08, ink=GREY)
        return y

    def _write(
        self, pen: Pen, column: Column, x: float, width: float, y: float, words: Sequence[str],
        font: str = "DejaVuSans",
    ) -> None:  # fmt: skip
        room = width - (_RIGHT_GAP_MM if column.align == "right" else _GAP_MM)
        shift = {"left": 0.0, "middle": room / 2.0, "right": room}[column.align]
        for line in words:
            pen.text(x + shift, y, line, size=self.size_mm, font=font, align=column.align,
                     ink=INK, within=room)  # fmt: skip
            y += _LEADING * self.size_mm


def stacked(tables: Sequence[Table], heading: str, paper: Format) -> list[Page]:
    """Put short tables below each other, as many to a page as fit; each is whole on its page."""
    left, top, width, height = paper.room_mm
    pages: list[Page] = []
    held: list[Table] = []
    room = height

    def close() -> None:
        entry = "" if pages else heading
        words = f"{heading}, continued" if pages else heading

        def paint(pen: Pen, held: tuple[Table, ...] = tuple(held)) -> None:
            y = top
            for table in held:
                y = table.draw(pen, left, y, width) + _APART_MM

        pages.append(Page(words, paint, entry=entry))

    for table in tables:
        needed = table.height_mm(width) + _APART_MM
        if held and needed > room:
            close()
            held, room = [], height
        held.append(table)
        room -= needed
    close()
    return pages
