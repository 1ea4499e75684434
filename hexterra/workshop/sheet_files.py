"""Sheet layouts as drawings, 1:1: each sheet with the outlines of what is cut from it."""

from __future__ import annotations

from collections import Counter

from hexterra.workshop.figures import Figure, Stroke, figure_svg
from hexterra.workshop.foam import Foam
from hexterra.workshop.nesting import Nest, Sheet
from hexterra.workshop.template_dxf import figure_dxf


def sheet_files(foam: Foam) -> dict[str, bytes]:
    """Draw every layout of the sheets, each once, as SVG and DXF in millimetres.

    Returns
    -------
    dict[str, bytes]
        File name to content; names say the thickness of the sheet and count the layouts.
    """
    files: dict[str, bytes] = {}
    for nest in foam.nests:
        alike = Counter(sheet.digest for sheet in nest.sheets)
        layouts = {sheet.digest: sheet for sheet in nest.sheets}
        for number, (digest, sheet) in enumerate(layouts.items(), start=1):
            figure = _figure(nest, sheet, number, alike[digest])
            files[f"{figure.name}.svg"] = figure_svg(figure).encode()
            files[f"{figure.name}.dxf"] = figure_dxf(figure)
    return files


def _figure(nest: Nest, sheet: Sheet, number: int, n_alike: int) -> Figure:
    stock = nest.stock
    rim = ((0.0, 0.0), (stock.length_mm, 0.0), (stock.length_mm, stock.width_mm),
           (0.0, stock.width_mm))  # fmt: skip
    pieces = [
        Stroke("piece", tuple((x, y) for x, y in sheet.outline_mm(piece).tolist()), is_closed=True)
        for piece in range(sheet.n_pieces)
    ]
    times = "once" if n_alike == 1 else f"{n_alike} times"
    return Figure(
        name=f"sheet-{stock.thickness_mm:g}-mm-{number}".replace(".", "-"),
        title=f"Sheet {stock.length_mm:g} x {stock.width_mm:g} x {stock.thickness_mm:g} mm,"
        f" layout {number}, cut {times}",
        strokes=(Stroke("hidden", rim, is_closed=True), *pieces),
    )
