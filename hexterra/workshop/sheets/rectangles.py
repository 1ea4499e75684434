"""Rectangles to sheets, in rows that a straight cut can part: panels, and blanks of facings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hexterra.brief.bench_sections import SheetBrief
from hexterra.errors import StockError
from hexterra.values import Value

_NEAR_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Rectangle(Value):
    """Equal rectangles to cut.

    Parameters
    ----------
    name
        In plain words.
    length_mm, width_mm
        Their size; they may be turned.
    count
        How many are needed.
    """

    name: str
    length_mm: float
    width_mm: float
    count: int


@dataclass(frozen=True, eq=False)
class PlacedRectangle(Value):
    """A rectangle on a sheet.

    Parameters
    ----------
    of
        Which of `RectangleNest.rectangles` it is.
    x_mm, y_mm
        Its front left corner, from that of the sheet, x along its length.
    length_mm, width_mm
        Along x and y, as it lies.
    row
        Which row of its sheet it lies in.
    """

    of: int
    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    row: int


@dataclass(frozen=True, eq=False)
class RectangleNest(Value):
    """Rectangles of one thickness on sheets.

    Parameters
    ----------
    stock
        The sheet.
    kerf_mm, margin_mm
        What a cut takes away, and the rim that is not used.
    rectangles
        What is cut.
    sheets
        What lies on each sheet.
    """

    stock: SheetBrief
    kerf_mm: float
    margin_mm: float
    rectangles: tuple[Rectangle, ...]
    sheets: tuple[tuple[PlacedRectangle, ...], ...]

    @property
    def n_sheets(self) -> int:
        """Sheets needed."""
        return len(self.sheets)

    @property
    def price(self) -> float | None:
        """Price of the sheets; None if unknown."""
        return None if self.stock.price is None else self.n_sheets * self.stock.price

    @property
    def n_cuts(self) -> int:
        """Straight cuts that free all: past each row, past each piece, along those that are lower.

        What a piece keeps of the sheet's own edge is not taken off.
        """
        total = 0
        for sheet in self.sheets:
            highest: dict[int, float] = {}
            for place in sheet:
                highest[place.row] = max(highest.get(place.row, 0.0), place.width_mm)
            n_lower = sum(place.width_mm < highest[place.row] - _NEAR_MM for place in sheet)
            total += len(highest) + len(sheet) + n_lower
        return total

    @property
    def area_bound(self) -> int:
        """Sheets that no layout can do without, by area: each grows by a kerf along both sides."""
        kerf_mm, rim_mm = self.kerf_mm, 2.0 * self.margin_mm
        needed = math.fsum(
            one.count * (one.length_mm + kerf_mm) * (one.width_mm + kerf_mm)
            for one in self.rectangles
        )
        usable = (self.stock.length_mm - rim_mm + kerf_mm) * (
            self.stock.width_mm - rim_mm + kerf_mm
        )
        return math.ceil(needed / usable - 1e-9)


def nest_rectangles(
    rectangles: Sequence[Rectangle],
    stock: SheetBrief,
    *,
    kerf_mm: float,
    margin_mm: float = 0.0,
) -> RectangleNest:
    """Lay rectangles in rows on sheets, so that straight cuts from edge to edge free them.

    The highest come first, each into the first row with room, or a new row on the first sheet with
    room. That is done twice, with the long sides of all rectangles along the sheet and across it,
    where they fit so; the fewer sheets win, the first of equals.

    Raises
    ------
    StockError
        If a rectangle does not fit the sheet either way.

    Notes
    -----
    First-fit decreasing height takes at most 1.7 times the height of the best packing of a strip,
    and one highest rectangle more (Coffman, Garey, Johnson and Tarjan, 1980, "Performance bounds
    for level-oriented two-dimensional packing algorithms", SIAM J. Comput. 9(4), 808-826).
    """
    room_mm = (stock.length_mm - 2.0 * margin_mm, stock.width_mm - 2.0 * margin_mm)
    for one in rectangles:
        if not any(_fits(size, room_mm) for size in _turns(one, is_along=True)):
            raise StockError(
                f"{one.name} of {one.length_mm:.1f} x {one.width_mm:.1f} mm does not fit a sheet of"
                f" {stock.length_mm:g} x {stock.width_mm:g} mm",
                remedy="use larger sheets, or smaller panels",
                length_mm=one.length_mm,
                width_mm=one.width_mm,
            )
    layouts = [_lay(rectangles, room_mm, kerf_mm, margin_mm, along) for along in (True, False)]
    return RectangleNest(stock, kerf_mm, margin_mm, tuple(rectangles), min(layouts, key=len))


def _turns(one: Rectangle, *, is_along: bool) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return a rectangle's length along the sheet and width across it, as wanted and turned."""
    short, long = sorted((one.length_mm, one.width_mm))
    return ((long, short), (short, long)) if is_along else ((short, long), (long, short))


def _fits(size: tuple[float, float], room_mm: tuple[float, float]) -> bool:
    return size[0] <= room_mm[0] + _NEAR_MM and size[1] <= room_mm[1] + _NEAR_MM


@dataclass
class _SheetRow:
    """A row that is being filled."""

    sheet: int
    number: int
    y_mm: float
    height_mm: float
    used_mm: float


def _lay(
    rectangles: Sequence[Rectangle],
    room_mm: tuple[float, float],
    kerf_mm: float,
    margin_mm: float,
    is_along: bool,
) -> tuple[tuple[PlacedRectangle, ...], ...]:
    sizes = [
        next(size for size in _turns(one, is_along=is_along) if _fits(size, room_mm))
        for one in rectangles
    ]
    order = sorted(range(len(sizes)), key=lambda of: (-sizes[of][1], -sizes[of][0], of))
    rows: list[_SheetRow] = []
    sheets: list[list[PlacedRectangle]] = []
    depth_mm: list[float] = []
    for of in np.repeat(order, [rectangles[of].count for of in order]).tolist():
        length_mm, width_mm = sizes[of]
        row = next((row for row in rows if row.used_mm + length_mm <= room_mm[0] + _NEAR_MM), None)
        if row is None:
            sheet = next(
                (n for n, used in enumerate(depth_mm) if used + width_mm <= room_mm[1] + _NEAR_MM),
                len(sheets),
            )
            if sheet == len(sheets):
                sheets.append([])
                depth_mm.append(0.0)
            number = sum(row.sheet == sheet for row in rows)
            row = _SheetRow(sheet, number, depth_mm[sheet], width_mm, 0.0)
            rows.append(row)
            depth_mm[sheet] += width_mm + kerf_mm
        at_mm = (margin_mm + row.used_mm, margin_mm + row.y_mm)
        sheets[row.sheet].append(PlacedRectangle(of, *at_mm, length_mm, width_mm, row.number))
        row.used_mm += length_mm + kerf_mm
    return tuple(tuple(sheet) for sheet in sheets)
