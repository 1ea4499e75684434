"""Sheet layouts as drawings, 1:1: each sheet with the outlines of what is cut from it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING

from hexterra.drawing.dxf import figure_dxf
from hexterra.drawing.figures import Figure, Stroke, figure_svg

if TYPE_CHECKING:
    from hexterra.brief.bench_sections import SheetBrief
    from hexterra.workshop.estimate.estimate import Effort
    from hexterra.workshop.sheets.nesting import Nest
    from hexterra.workshop.sheets.rectangles import RectangleNest

_Outline = tuple[tuple[float, float], ...]


def sheet_files(effort: Effort) -> dict[str, bytes]:
    """Draw every layout of foam sheets, facings and panels, each once, in millimetres.

    Returns
    -------
    dict[str, bytes]
        File name to content, an SVG and a DXF of each; names say what is cut and the thickness of
        the sheet, and count the layouts.
    """
    figures: list[Figure] = []
    for nest in effort.foam.nests:
        figures += _figures("sheet", nest.stock, _blocks(nest))
    for nest in effort.facing_nests:
        figures += _figures("facings", nest.stock, _rectangles(nest))
    panels = effort.wood.panels
    figures += _figures("panels", panels.stock, _rectangles(panels))
    files: dict[str, bytes] = {}
    for figure in figures:
        files[f"{figure.name}.svg"] = figure_svg(figure).encode()
        files[f"{figure.name}.dxf"] = figure_dxf(figure)
    return files


def _blocks(nest: Nest) -> list[tuple[_Outline, ...]]:
    """Return the outlines on each sheet."""
    return [
        tuple(
            tuple((x, y) for x, y in sheet.outline_mm(piece).tolist())
            for piece in range(sheet.n_pieces)
        )
        for sheet in nest.sheets
    ]


def _rectangles(nest: RectangleNest) -> list[tuple[_Outline, ...]]:
    return [
        tuple(_rectangle(p.x_mm, p.y_mm, p.length_mm, p.width_mm) for p in sheet)
        for sheet in nest.sheets
    ]


def _rectangle(x: float, y: float, length: float, width: float) -> _Outline:
    return ((x, y), (x + length, y), (x + length, y + width), (x, y + width))


def _figures(
    name: str, stock: SheetBrief, sheets: Iterable[tuple[_Outline, ...]]
) -> Iterable[Figure]:
    """Draw each layout once, and say how often it is cut."""
    rim = _rectangle(0.0, 0.0, stock.length_mm, stock.width_mm)
    for number, (outlines, n_alike) in enumerate(Counter(sheets).items(), start=1):
        times = "once" if n_alike == 1 else f"{n_alike:,} times"
        pieces = [Stroke("piece", outline, is_closed=True) for outline in outlines]
        yield Figure(
            name=f"{name}-{stock.thickness_mm:g}-mm-{number}".replace(".", "-"),
            title=f"Sheet {stock.length_mm:,g} x {stock.width_mm:,g} x {stock.thickness_mm:g} mm,"
            f" layout {number}, cut {times}",
            strokes=(Stroke("hidden", rim, is_closed=True), *pieces),
        )
