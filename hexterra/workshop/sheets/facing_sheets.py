"""Facings -> sheets: the blanks that upright faces are covered with, laid out on thin sheets.

A facing is cut from a blank as thick as its foot, which leans out where faces are battered.
"""

from __future__ import annotations

import numpy as np

from hexterra.brief.bench_sections import FoamBrief, SheetBrief
from hexterra.errors import StockError
from hexterra.workshop.sheets.rectangles import Rectangle, RectangleNest, nest_rectangles
from hexterra.workshop.solids.bodies import Body, facing_body
from hexterra.workshop.solids.facings import FacingPiece, Facings

_NEAR_MM = 1e-6


def facing_solids(facings: Facings, stock: FoamBrief) -> tuple[tuple[FacingPiece, Body], ...]:
    """Return each facing to cut with its body; nothing if faces stay as they are cut."""
    if not stock.facing_mm:
        return ()
    thickness_mm = stock.facing_mm
    return tuple((piece, facing_body(piece, thickness_mm=thickness_mm)) for piece in facings.parts)


def facing_nests(facings: Facings, stock: FoamBrief) -> tuple[RectangleNest, ...]:
    """Lay the blanks of facings out on sheets.

    A blank lies on the thinnest sheet that is as thick as the facing's foot: for upright faces
    that is the sheet for facings, for battered ones often a sheet as for tiles.

    Returns
    -------
    tuple[RectangleNest, ...]
        One for each thickness in use, thin first; none without facings.

    Raises
    ------
    StockError
        If a facing is thicker than every sheet, or larger than its sheet.
    """
    solids = facing_solids(facings, stock)
    if not solids:
        return ()
    sheets = sorted((stock.facing_sheet, *stock.sheets), key=lambda sheet: sheet.thickness_mm)
    blanks: dict[float, list[Rectangle]] = {}
    for piece, body in solids:
        length_mm, thickness_mm, height_mm = body.size_mm
        blank = Rectangle(body.name, length_mm, height_mm, piece.count)
        blanks.setdefault(_sheet(body.name, thickness_mm, sheets).thickness_mm, []).append(blank)
    of = {sheet.thickness_mm: sheet for sheet in reversed(sheets)}
    return tuple(
        nest_rectangles(
            blanks[mm], of[mm], kerf_mm=stock.kerf_mm, margin_mm=stock.margin_mm
        )
        for mm in sorted(blanks)
    )  # fmt: skip


def _sheet(name: str, thickness_mm: float, sheets: list[SheetBrief]) -> SheetBrief:
    for sheet in sheets:
        if sheet.thickness_mm >= thickness_mm - _NEAR_MM:
            return sheet
    raise StockError(
        f"a {name} is {thickness_mm:.1f} mm thick at its foot; the thickest sheet has"
        f" {sheets[-1].thickness_mm:g} mm",
        remedy="let faces lean less (bench.batter_deg), or stock thicker sheets",
        thickness_mm=thickness_mm,
    )


def facing_passes(piece: FacingPiece, body: Body) -> tuple[int, float]:
    """Return how many passes of the wire free a facing, and how far it travels, in millimetres.

    The wire goes around the back, and up the front if that leans.
    """
    back = np.array([body.start_mm[1], body.end_mm[1], body.end_mm[2], body.start_mm[2]])
    edges_mm = np.linalg.norm(np.roll(back, -1, axis=0) - back, axis=1)
    n_passes, wire_mm = int((edges_mm > _NEAR_MM).sum()), float(edges_mm.sum())
    if piece.batter_deg:
        n_passes, wire_mm = n_passes + 1, wire_mm + max(piece.left_slant_mm, piece.right_slant_mm)
    return n_passes, wire_mm
