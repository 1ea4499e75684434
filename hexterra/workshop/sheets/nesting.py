"""Pieces to sheets: hexagons and their parts laid out on as few sheets as the lattice allows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from hexterra.brief.bench_sections import SheetBrief
from hexterra.errors import StockError
from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import Facing, Part
from hexterra.values import Value, readonly
from hexterra.workshop.sheets.slots import (
    QUARTERS,
    SLOT_PARTS,
    Counts,
    Filling,
    Layout,
    fill,
    lay_layouts,
)

#: How a hexagon lies on a sheet: with points or flats toward its long edge.
FACINGS: Final[tuple[Facing, ...]] = ("points", "flats")


@dataclass(frozen=True, eq=False)
class Sheet(Value):
    """One sheet laid out.

    Parameters
    ----------
    across_flats_mm
        Of the hexagons.
    facing
        How each piece's hexagon lies, (k,) int8, a number in `FACINGS`.
    centre_mm
        Middle of the hexagon that each piece is, or is a part of, (k, 2) float64, from the front
        left corner of the sheet, x along its length.
    kept
        Which half of that hexagon it is, (k, 2) int8, along x and y, as in `Board.kept`.
    """

    across_flats_mm: float
    facing: NDArray[np.int8]
    centre_mm: NDArray[np.float64]
    kept: NDArray[np.int8]

    def __post_init__(self) -> None:
        n = len(self.facing)
        for name, dtype, shape in (
            ("facing", np.int8, (n,)),
            ("centre_mm", np.float64, (n, 2)),
            ("kept", np.int8, (n, 2)),
        ):
            held = readonly(getattr(self, name), dtype=dtype, shape=shape, name=name)
            object.__setattr__(self, name, held)

    @property
    def n_pieces(self) -> int:
        """How many pieces lie on the sheet."""
        return len(self.facing)

    @cached_property
    def parts(self) -> tuple[Part, ...]:
        """What each piece is."""
        rows = zip(self.facing.tolist(), self.kept.tolist(), strict=True)
        return tuple(hexagon.part_name(FACINGS[facing], *kept) for facing, kept in rows)

    def outline_mm(self, piece: int) -> NDArray[np.float64]:
        """Outline of one piece on the sheet, counter-clockwise, (k, 2) float64, in millimetres."""
        facing = FACINGS[self.facing[piece]]
        kept_x, kept_y = self.kept[piece].tolist()
        outline = hexagon.part_outline(self.across_flats_mm, facing, kept_x, kept_y)
        return outline + self.centre_mm[piece]


@dataclass(frozen=True, eq=False)
class Nest(Value):
    """All pieces of one thickness on sheets.

    Parameters
    ----------
    stock
        The sheet.
    across_flats_mm, kerf_mm, margin_mm
        What was laid out, and with which gaps.
    counts
        How many pieces of each of `SLOT_PARTS` there are.
    sheets
        The layouts; only the last is meant to have room left.
    n_whole_per_sheet
        How many whole hexagons the best regular packing holds, of those that the grain allows.
    most_per_sheet
        The most foam that any layout tried holds, parts along the rim included, in hexagons.
    """

    stock: SheetBrief
    across_flats_mm: float
    kerf_mm: float
    margin_mm: float
    counts: Counts
    sheets: tuple[Sheet, ...]
    n_whole_per_sheet: int
    most_per_sheet: float

    @property
    def n_sheets(self) -> int:
        """Sheets needed."""
        return len(self.sheets)

    @property
    def n_whole_equivalents(self) -> float:
        """Area of the pieces, in whole hexagons."""
        return sum(n * size for n, size in zip(self.counts, QUARTERS, strict=True)) / 4.0

    @property
    def n_last_quarters(self) -> int:
        """Area of the pieces on the last sheet, in quarter hexagons; 0 without any."""
        parts = self.sheets[-1].parts if self.sheets else ()
        return sum(QUARTERS[SLOT_PARTS.index(part)] for part in parts)

    @property
    def used_share(self) -> float:
        """Area of the pieces by area of the sheets, 0 to 1; 0 without any."""
        if not self.sheets:
            return 0.0
        area_mm2 = self.n_whole_equivalents * hexagon.area(self.across_flats_mm)
        return area_mm2 / (self.n_sheets * self.stock.length_mm * self.stock.width_mm)

    @property
    def area_bound(self) -> int:
        """Sheets that no layout whatever can do without, by area alone.

        Two pieces a kerf apart stay apart if each grows by half a kerf all around. Grown, a convex
        piece has its area, half a kerf times its perimeter, and a disc of half a kerf; all of
        them lie on the usable sheet grown likewise (Steiner's formula for parallel bodies).
        """
        half_mm = self.kerf_mm / 2.0
        sides_mm = [size - 2.0 * self.margin_mm for size in _size_mm(self.stock)]
        usable = _grown(sides_mm[0] * sides_mm[1], 2.0 * sum(sides_mm), half_mm)
        needed = sum(
            n * _grown(shape.area, shape.length, half_mm)
            for n, shape in zip(self.counts, part_shapes(self.across_flats_mm), strict=True)
        )
        return math.ceil(needed / usable - 1e-9)


def nest(
    counts: Mapping[Part, int],
    across_flats_mm: float,
    stock: SheetBrief,
    *,
    kerf_mm: float,
    margin_mm: float,
    facings: tuple[Facing, ...] = FACINGS,
    joints_mm: tuple[float, ...] = (),
) -> Nest:
    """Lay hexagons and their parts on sheets.

    Whole hexagons interlock in regular rows. Parts take the rim slots, where the sheet's edge cuts
    a hexagon of the lattice just as they are cut, and slots that are left free; where more than
    one part shares a slot, the lattice is widened by a kerf between them. Sheet after sheet, every
    layout of `lay_layouts` is tried and the one that places most kept; once by the area placed,
    once by whole hexagons first. The fewer sheets win, the first of equals.

    Parameters
    ----------
    counts
        How many pieces to lay out, by part.
    across_flats_mm
        Of the hexagons.
    stock
        The sheet.
    kerf_mm
        Least gap between two pieces.
    margin_mm
        Rim of the sheet that stays free.
    facings
        How the hexagons may lie on a sheet.
    joints_mm
        Where joints run across the sheet, from its end, ascending: no piece lies across them, or
        nearer to one than half a kerf.

    Returns
    -------
    Nest
        Every piece lies inside the margins, and any two at least `kerf_mm` apart.

    Raises
    ------
    StockError
        If a piece does not fit the sheet.

    Notes
    -----
    A lattice of hexagons is the densest packing of equal hexagons in the plane (they tile it; the
    kerf widens all alike). On a sheet the best regular packing is the better of the two facings,
    flush in a corner.
    """
    wanted = _counts(counts)
    bins = _bins(stock, kerf_mm, margin_mm, joints_mm)
    layouts: list[tuple[_Choice, ...]] = [
        tuple(
            (facing, left_mm, layout)
            for facing in facings
            for layout in lay_layouts(
                *_turn((right_mm - left_mm, stock.width_mm - 2.0 * margin_mm), facing),
                across_flats_mm,
                kerf_mm,
            )
        )
        for left_mm, right_mm in bins
    ]
    n_whole = sum(max((lay.n_whole for *_, lay in one), default=0) for one in layouts)
    n_quarters = sum(max((lay.n_quarters for *_, lay in one), default=0) for one in layouts)
    by_area = _fill_sheets(layouts, wanted, weights=QUARTERS)
    by_wholes = _fill_sheets(layouts, wanted, weights=_WHOLES_FIRST)
    found = min((plan for plan in (by_area, by_wholes) if plan is not None), key=len, default=None)
    if found is None:
        raise StockError(
            f"a hexagon of {across_flats_mm:g} mm across flats, or a part of it, does not fit a"
            f" sheet of {stock.length_mm:g} x {stock.width_mm:g} mm with a margin of"
            f" {margin_mm:g} mm" + (" and its joints" if joints_mm else ""),
            remedy="use larger sheets, a smaller margin, or smaller tiles",
            across_flats_mm=across_flats_mm,
            length_mm=stock.length_mm,
            width_mm=stock.width_mm,
        )
    return Nest(
        stock=stock,
        across_flats_mm=across_flats_mm,
        kerf_mm=kerf_mm,
        margin_mm=margin_mm,
        counts=wanted,
        sheets=tuple(_sheet(filled, across_flats_mm, kerf_mm, margin_mm) for filled in found),
        n_whole_per_sheet=n_whole,
        most_per_sheet=n_quarters / 4.0,
    )


def part_shapes(across_flats_mm: float) -> tuple[Polygon, ...]:
    """Return the outline of each of `SLOT_PARTS`, in millimetres."""
    return tuple(
        Polygon(hexagon.part_outline(across_flats_mm, "points", *kept))
        for kept in ((0, 0), (1, 0), (0, 1), (1, 1))
    )


#: Quarters, but no number of parts outweighs a whole hexagon.
_WHOLES_FIRST: Final = (1_000_000, 2, 2, 1)
_Choice = tuple[Facing, float, Layout]
_Placed = tuple[Facing, float, Filling]
_Filled = tuple[_Placed, ...]


def _counts(counts: Mapping[Part, int]) -> Counts:
    whole, corner_cut, side_cut, quarter = (counts.get(part, 0) for part in SLOT_PARTS)
    return whole, corner_cut, side_cut, quarter


def _size_mm(stock: SheetBrief) -> tuple[float, float]:
    return stock.length_mm, stock.width_mm


def _grown(area_mm2: float, perimeter_mm: float, by_mm: float) -> float:
    return area_mm2 + perimeter_mm * by_mm + math.pi * by_mm**2


def _turn(xy: tuple[float, float], facing: Facing) -> tuple[float, float]:
    """Swap x and y for flats: slots are laid with points toward y."""
    return xy if facing == "points" else (xy[1], xy[0])


def _bins(
    stock: SheetBrief, kerf_mm: float, margin_mm: float, joints_mm: tuple[float, ...]
) -> list[tuple[float, float]]:
    """Cut the length of the sheet at its joints, into what may be used of it."""
    ends_mm = [margin_mm]
    for joint_mm in joints_mm:
        ends_mm += [joint_mm - kerf_mm / 2.0, joint_mm + kerf_mm / 2.0]
    ends_mm.append(stock.length_mm - margin_mm)
    pairs = zip(ends_mm[::2], ends_mm[1::2], strict=True)
    usable = [
        (max(left, margin_mm), min(right, stock.length_mm - margin_mm)) for left, right in pairs
    ]
    return [(left, right) for left, right in usable if right > left]


def _fill_sheets(
    layouts: list[tuple[_Choice, ...]], wanted: Counts, weights: Counts
) -> list[_Filled] | None:
    """Fill sheet after sheet; None if something does not fit at all.

    `weights` says what a placed piece of each part counts when layouts are compared; the first
    of equals is taken.
    """
    sheets: list[_Filled] = []
    known: dict[tuple[int, Counts], _Placed | None] = {}
    most = [max((sum(lay.n_slots.values()) for *_, lay in one), default=0) for one in layouts]
    left = wanted
    while any(left):
        sheet: list[_Placed] = []
        for number, choices in enumerate(layouts):
            # No slot takes more than four pieces: what is wanted beyond that changes nothing.
            at_most = 4 * most[number]
            asked = (
                min(left[0], at_most),
                min(left[1], at_most),
                min(left[2], at_most),
                min(left[3], at_most),
            )
            if (number, asked) not in known:
                known[number, asked] = _best(choices, asked, weights)
            best = known[number, asked]
            if best is not None:
                sheet.append(best)
                whole, corner_cut, side_cut, quarter = best[2].placed
                left = (
                    left[0] - whole,
                    left[1] - corner_cut,
                    left[2] - side_cut,
                    left[3] - quarter,
                )
        if not sheet:
            return None
        sheets.append(tuple(sheet))
    return sheets


def _best(choices: tuple[_Choice, ...], wanted: Counts, weights: Counts) -> _Placed | None:
    """Return the first of the best layouts; None if none takes anything."""
    best: _Placed | None = None
    best_score = 0
    wanted_score = sum(n * each for n, each in zip(wanted, weights, strict=True))
    for facing, left_mm, layout in choices:
        most = layout.n_whole * (weights[0] - 4) + layout.n_quarters
        if min(most, wanted_score) <= best_score:
            continue
        filling = fill(layout, wanted)
        score = sum(n * each for n, each in zip(filling.placed, weights, strict=True))
        if score > best_score:
            best_score = score
            best = (facing, left_mm, filling)
    return best


def _sheet(filled: _Filled, across_flats_mm: float, kerf_mm: float, margin_mm: float) -> Sheet:
    """Write a filled sheet's pieces down by place: from left to right, then front to back."""
    rows: list[tuple[float, float, int, int, int]] = []
    for facing, left_mm, filling in filled:
        for place, kept in filling.pieces(0 if facing == "points" else 1):
            x_mm, y_mm = _turn(filling.layout.piece_mm(place, kept, kerf_mm), facing)
            kept_x, kept_y = kept if facing == "points" else kept[::-1]
            rows.append((left_mm + x_mm, margin_mm + y_mm, FACINGS.index(facing), kept_x, kept_y))
    rows.sort()
    table = np.array(rows)
    return Sheet(across_flats_mm, table[:, 2], table[:, :2], table[:, 3:])
