"""Sheet layouts: the outlines of what is cut from each sheet, and their drawings at full size."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hexterra.drawing.layers import stroke
from hexterra.drawing.scene import Scene, rectangle
from hexterra.workshop.templates.figure_files import figure_files

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from hexterra.brief.bench_sections import SheetBrief
    from hexterra.workshop.estimate.estimate import Estimate
    from hexterra.workshop.sheets.nesting import Nest
    from hexterra.workshop.sheets.rectangles import RectangleNest


@dataclass(frozen=True)
class SheetLayout:
    """Sheets of one nest that are cut alike.

    Parameters
    ----------
    stock
        The sheet that was bought.
    margin_mm
        Rim of the sheet that stays free.
    outlines
        Of what is cut from it, (k, 2) float64 each, from its lower left corner.
    numbers
        Which sheets of the nest they are, from 0.
    """

    stock: SheetBrief
    margin_mm: float
    outlines: tuple[NDArray[np.float64], ...]
    numbers: tuple[int, ...]

    @property
    def rim(self) -> NDArray[np.float64]:
        """Outline of the sheet."""
        return rectangle(0.0, 0.0, self.stock.length_mm, self.stock.width_mm)


def block_layouts(nest: Nest) -> list[SheetLayout]:
    """Return the layouts of foam blocks, each once."""
    sheets = [[sheet.outline_mm(piece) for piece in range(sheet.n_pieces)] for sheet in nest.sheets]
    return _distinct(nest.stock, nest.margin_mm, sheets)


def rectangle_layouts(nest: RectangleNest) -> list[SheetLayout]:
    """Return the layouts of facings or panels, each once."""
    sheets = [[rectangle(p.x_mm, p.y_mm, p.length_mm, p.width_mm) for p in s] for s in nest.sheets]
    return _distinct(nest.stock, nest.margin_mm, sheets)


def sheet_files(made: Estimate) -> dict[str, bytes]:
    """Draw every layout of foam sheets, facings and panels, each once, as SVG and DXF files.

    Their names say what is cut and the thickness of the sheet, and count the layouts.
    """
    scenes = [s for nest in made.foam.nests for s in _scenes("sheet", block_layouts(nest))]
    for nest in made.facing_nests:
        scenes += _scenes("facings", rectangle_layouts(nest))
    scenes += _scenes("panels", rectangle_layouts(made.wood.panels))
    return figure_files(scenes)


def _distinct(
    stock: SheetBrief, margin_mm: float, sheets: Iterable[list[NDArray[np.float64]]]
) -> list[SheetLayout]:
    numbers: dict[tuple[bytes, ...], list[int]] = {}
    outlines: dict[tuple[bytes, ...], tuple[NDArray[np.float64], ...]] = {}
    for number, sheet in enumerate(sheets):
        key = tuple(outline.tobytes() for outline in sheet)
        numbers.setdefault(key, []).append(number)
        outlines[key] = tuple(sheet)
    return [SheetLayout(stock, margin_mm, outlines[key], tuple(numbers[key])) for key in numbers]


def _scenes(name: str, layouts: Iterable[SheetLayout]) -> Iterator[Scene]:
    """Draw layouts, and say how often each is cut."""
    for number, layout in enumerate(layouts, start=1):
        stock, n_alike = layout.stock, len(layout.numbers)
        times = "once" if n_alike == 1 else f"{n_alike:,} times"
        yield Scene(
            items=(
                stroke("hidden", layout.rim, is_closed=True),
                *(stroke("piece", outline, is_closed=True) for outline in layout.outlines),
            ),
            name=f"{name}-{stock.thickness_mm:g}-mm-{number}".replace(".", "-"),
            title=f"Sheet {stock.length_mm:,g} x {stock.width_mm:,g} x {stock.thickness_mm:g} mm,"
            f" layout {number}, cut {times}",
        )
