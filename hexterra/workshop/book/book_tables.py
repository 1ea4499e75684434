"""Tables of the build book: rows under headings that each page repeats, in groups."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import accumulate, repeat
from math import inf
from typing import Any, Final, Literal

from reportlab.platypus import Flowable, Table
from reportlab.platypus.tables import CellStyle

from hexterra.drawing.flowables import TEXT_MM, Align, Drawn, paragraph
from hexterra.drawing.lettering import is_plain, text_width
from hexterra.drawing.pdf import BOLD, FONT, POINTS_PER_MM, colour
from hexterra.drawing.scene import INK

GREY: Final = "#5a5a5a"
PALE: Final = "#e6e6e6"
#: A box to tick.
TICK: Final = "\u2610"

_GAP_MM: Final = 2.0
_RIGHT_GAP_MM: Final = 4.0
_LEADING: Final = 1.35
_ALIGNMENTS: Final[dict[Align, Literal["LEFT", "CENTER", "RIGHT"]]] = {
    "left": "LEFT", "middle": "CENTER", "right": "RIGHT"
}  # fmt: skip
_CONTINUED: Final = ", continued"
#: Font, size of the letters in sizes of the text, and room above them, of the cells of a kind.
_KINDS: Final = {
    "plain": (FONT, 1.0, 0.3), "bold": (BOLD, 1.0, 0.3), "group": (BOLD, 1.0, 0.6),
    "tick": (FONT, 1.35, 0.0),
}  # fmt: skip

Cell = str | Flowable


@dataclass(frozen=True)
class Column:
    """One column: its heading, its share of the width, and how its words lie."""

    heading: str
    share: float
    align: Align = "left"


@dataclass(frozen=True)
class Group:
    """A line across a table that the rows after it belong to."""

    words: str


TableRow = Sequence[Cell] | Group


@dataclass(frozen=True)
class _LaidRow:
    """Cells of which none is wider than its column, and the height of the highest."""

    cells: Sequence[Cell]
    height: float
    is_group: bool = False
    is_bold: bool = False


class RowTable(Drawn):
    """Rows under column headings; where a page breaks a group, its line is repeated.

    Parameters
    ----------
    columns
        They share the width that there is.
    rows
        A cell for each column, or a group's line.
    size_mm
        Of the text.
    """

    def __init__(
        self, columns: Sequence[Column], rows: Sequence[TableRow], size_mm: float = TEXT_MM
    ) -> None:
        super().__init__()
        self.columns = columns
        self.rows = rows
        self.size_mm = size_mm
        self.spaceAfter = 7.0 * POINTS_PER_MM
        self._laid: list[_LaidRow] = []

    def wrap(self, aW: float, aH: float) -> tuple[float, float]:
        """Find the height of every row."""
        if not self._laid:
            total = sum(column.share for column in self.columns)
            self._widths = [column.share * aW / total for column in self.columns]
            known: dict[tuple[str, float], tuple[Cell, float]] = {}
            self._laid = [self._lay(row, known) for row in self.rows]
        self.width = aW
        self.height = self._head_height() + sum(row.height for row in self._laid)
        return self.width, self.height

    def split(self, aW: float, aH: float) -> list[Flowable]:
        """Break between two rows, never after a group's line."""
        ends = accumulate((row.height for row in self._laid), initial=self._head_height())
        n_fit = sum(end <= aH for end in ends) - 1
        while n_fit > 0 and self._laid[n_fit - 1].is_group:
            n_fit -= 1
        if n_fit <= 0:
            return []
        rest = self._laid[n_fit:]
        groups = [row for row in self._laid[:n_fit] if row.is_group]
        if groups and not rest[0].is_group:
            words = str(groups[-1].cells[0]).removesuffix(_CONTINUED)
            rest = [self._lay(Group(f"{words}{_CONTINUED}"), {}), *rest]
        return [self._like(self._laid[:n_fit]), self._like(rest)]

    def paint(self) -> None:
        """Draw the rows as one of reportlab's tables."""
        head = [column.heading for column in self.columns]
        rows = [_LaidRow(head, self._head_height(), is_bold=True)] if any(head) else []
        rows += self._laid
        commands: list[tuple[Any, ...]] = []
        styles: list[list[CellStyle]] = []
        for n, row in enumerate(rows):
            kind = "group" if row.is_group else "bold" if row.is_bold else "plain"
            aligns = ["left" if row.is_group else column.align for column in self.columns]
            kinds = ["tick" if cell == TICK else kind for cell in row.cells]
            styles.append(list(map(_cell_style, repeat(self.size_mm), aligns, kinds)))
            if row.is_group:
                commands.append(("BACKGROUND", (0, n), (-1, n), colour(PALE)))
                commands.append(("SPAN", (0, n), (-1, n)))
            else:
                line = (1.0, colour(INK)) if row.is_bold else (0.2, colour(GREY))
                commands.append(("LINEBELOW", (0, n), (-1, n), *line))
        table = Table(
            [list(row.cells) for row in rows], self._widths, [row.height for row in rows], commands,
            cellStyles=styles,
        )  # fmt: skip
        table.wrapOn(self.canv, self.width, self.height)
        table.drawOn(self.canv, 0, 0)

    def _like(self, laid: list[_LaidRow]) -> RowTable:
        other = RowTable(self.columns, (), self.size_mm)
        other._laid, other._widths = laid, self._widths
        return other

    def _head_height(self) -> float:
        has_head = any(column.heading for column in self.columns)
        return has_head * 2.0 * self.size_mm * POINTS_PER_MM

    def _lay(self, row: TableRow, known: dict[tuple[str, float], tuple[Cell, float]]) -> _LaidRow:
        size = self.size_mm * POINTS_PER_MM
        if isinstance(row, Group):
            cells = [row.words, *[""] * (len(self.columns) - 1)]
            return _LaidRow(cells, 2.4 * size, is_group=True)
        cells: list[Cell] = []
        height = 0.0
        for cell, width, column in zip(row, self._widths, self.columns, strict=True):
            gap_mm = _RIGHT_GAP_MM if column.align == "right" else _GAP_MM
            room = width - gap_mm * POINTS_PER_MM
            if not isinstance(cell, str):
                fitted, needed = cell, cell.wrap(room, inf)[1]
            else:
                key = cell, room
                if key not in known:
                    known[key] = self._fitted(cell, room, column.align)
                fitted, needed = known[key]
            cells.append(fitted)
            height = max(height, needed)
        return _LaidRow(cells, height + 0.6 * size)

    def _fitted(self, words: str, room: float, align: Align) -> tuple[Cell, float]:
        """Return words that fit as they are, and others as a paragraph; and the height."""
        size, lines = self.size_mm * POINTS_PER_MM, words.split("\n")
        if all(is_plain(line) and text_width(line, size) <= room for line in lines):
            return words, _LEADING * size * len(lines)
        flowing = paragraph(words, size_mm=self.size_mm, align=align, leading=_LEADING)
        return flowing, flowing.wrap(room, inf)[1]


@cache
def _cell_style(size_mm: float, align: Align, kind: str) -> CellStyle:
    """Return the style of a cell of one of `_KINDS`; all such cells of a column share it."""
    style, size = CellStyle("cell"), size_mm * POINTS_PER_MM
    style.fontname, letters, above = _KINDS[kind]
    style.fontsize = letters * size
    style.leading = _LEADING * size
    style.color = colour(INK)
    style.alignment = _ALIGNMENTS[align]
    style.valign = "TOP"
    style.topPadding = above * size
    style.bottomPadding = 0.0
    style.leftPadding = POINTS_PER_MM if kind == "group" else 0.0
    style.rightPadding = (_RIGHT_GAP_MM if align == "right" else _GAP_MM) * POINTS_PER_MM
    return style
