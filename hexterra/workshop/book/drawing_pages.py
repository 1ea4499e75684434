"""Drawings with dimensions of every distinct piece and facing, and the layouts of all sheets."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING, Final

from reportlab.platypus import KeepTogether

from hexterra.drawing.board_plan import GREY, PALE
from hexterra.drawing.flowables import Picture, paragraph, section
from hexterra.drawing.scene import INK, Item, Lines, Scene, Style, Text, rectangle
from hexterra.stages.schedule.pieces import PARTS
from hexterra.workshop.book.book_words import counted, part_words
from hexterra.workshop.book.layout import CONTENT_MM, figure_rows, lead
from hexterra.workshop.sheets.facing_sheets import facing_solids
from hexterra.workshop.solids.carved import Measures
from hexterra.workshop.solids.solids import piece_solids
from hexterra.workshop.templates.base_drawings import facing_drawing
from hexterra.workshop.templates.piece_drawings import piece_drawing
from hexterra.workshop.templates.sheet_layouts import SheetLayout, block_layouts, rectangle_layouts

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

    from hexterra.lattice.hexagon import Part
    from hexterra.workshop.estimate.estimate import Estimate
    from hexterra.workshop.sheets.foam import Foam
    from hexterra.workshop.sheets.nesting import Nest
    from hexterra.workshop.sheets.rectangles import RectangleNest

#: A whole hexagon from corner to corner on paper.
_HEXAGON_MM: Final = 26.0
#: Facings are larger on paper by this than pieces.
_LARGER: Final = 2.0
#: Figures are drawn with the words of templates, and shrunk.
_SHRUNK: Final = 0.82
#: A sheet is at most this high on paper.
_SHEET_MM: Final = 105.0


def drawing_pages(estimate: Estimate) -> list[Flowable]:
    """Draw every distinct piece and facing that is to be cut, seen from above and from the front.

    Numbers inside a plan are heights of the corners; all dimensions are true, in millimetres.
    """
    foam = estimate.foam
    hexagon_mm = 2.0 * foam.pieces.board.across_flats_mm / math.sqrt(3.0)
    scale = _HEXAGON_MM / _SHRUNK / hexagon_mm
    measures = map(Measures, *(
        amounts.tolist()
        for amounts in (estimate.volume_mm3, estimate.top_mm2, estimate.around_mm2)
    ))  # fmt: skip
    figures = [
        piece_drawing(replace(piece, count=count), solid, measures=measured, scale=scale)
        for piece, count, solid, measured in zip(
            foam.pieces.pieces, foam.to_cut.tolist(), piece_solids(foam.pieces), measures,
            strict=True,
        )
        if count
    ]  # fmt: skip
    facings = [
        facing_drawing(body, scale=_LARGER * scale)
        for _, body in facing_solids(estimate.facings, foam.stock)
    ]
    seen = "From above, and below that from the front. Numbers at the corners are heights."
    pages: list[Flowable] = []
    for heading, drawn, words in (
        ("Drawings with dimensions", figures, seen),
        ("Facings with dimensions", facings, "From the low side."),
    ):
        if drawn:
            rows = figure_rows([figure.placed(0.0, 0.0, _SHRUNK) for figure in drawn])
            content = [lead(f"{words} All dimensions are in millimetres."), *rows]
            pages += section(heading, content, level=1 if pages else 0)
    return pages


# Sheets ------------------------------------------------------------------------------------------


def sheet_pages(estimate: Estimate) -> list[Flowable]:
    """Draw every layout of foam, facings and panels once."""
    foam = estimate.foam
    content = [sheet for nest in foam.nests for sheet in _block_sheets(foam, nest)]
    for nest in estimate.facing_nests:
        content += _rectangle_sheets(nest, "facings")
    content += _rectangle_sheets(estimate.wood.panels, "panels")
    return section("Sheet layouts", content)


def _block_sheets(foam: Foam, nest: Nest) -> Iterable[Flowable]:
    """Draw the layouts of a thickness; the first says what its blocks are for."""
    for place, layout in enumerate(block_layouts(nest)):
        counts = Counter(nest.sheets[layout.numbers[0]].parts)
        parts = part_words((part, counts[part]) for part in PARTS if counts[part])
        yield _sheet(layout, nest.n_sheets, parts, [] if place else _uses(foam, nest))


def _rectangle_sheets(nest: RectangleNest, of: str) -> Iterable[Flowable]:
    """Draw the layouts of facings or panels; the notes name what lies in each row."""
    for layout in rectangle_layouts(nest):
        places = sorted(nest.sheets[layout.numbers[0]], key=lambda place: (place.row, place.x_mm))
        notes: list[str] = []
        for row, lying in groupby(places, key=lambda place: place.row):
            sizes = ((round(place.length_mm, 1), round(place.width_mm, 1)) for place in lying)
            words = (
                f"{len(list(alike)):,} of {length:,.1f} x {width:,.1f}"
                for (length, width), alike in groupby(sizes)
            )
            notes.append(f"Row {row + 1} from below, from the left: {', '.join(words)} mm.")
        yield _sheet(layout, nest.n_sheets, of, notes)


def _uses(foam: Foam, nest: Nest) -> list[str]:
    """Say what the blocks of a thickness become."""
    bought_mm = nest.stock.thickness_mm
    by_layer: dict[tuple[float, int], list[tuple[Part, int]]] = {}
    for block in foam.blocks:
        layer = block.layer
        if layer.stock_mm == bought_mm:
            key = layer.thickness_mm, layer.n_slices
            by_layer.setdefault(key, []).append((block.part, block.count))
    notes: list[str] = []
    for (thickness_mm, n_slices), counts in by_layer.items():
        use = "used as bought"
        if thickness_mm < bought_mm:
            spare_mm = bought_mm - n_slices * (thickness_mm + foam.stock.kerf_mm)
            use = (
                f"sliced into {thickness_mm:g} mm, {counted(n_slices, 'layer')} of each,"
                f" {spare_mm:g} mm to spare"
            )
        notes.append(f"Of all {bought_mm:g} mm blocks: {part_words(counts)} {use}.")
    return notes


def _sheet(layout: SheetLayout, n_sheets: int, contents: str, notes: Sequence[str]) -> Flowable:
    """Draw a layout under its title and notes, all on one page."""
    stock, numbers = layout.stock, [f"{number + 1:,}" for number in layout.numbers]
    which = f"sheet {numbers[0]}"
    if len(numbers) > 1:
        which = f"sheets {', '.join(numbers[:-1])} and {numbers[-1]}"
    alike = ", alike" if len(numbers) > 1 else ""
    title = f"{stock.thickness_mm:g} mm: {which} of {n_sheets:,}{alike} ({contents})"
    return KeepTogether([
        paragraph(title, size_mm=3.6, is_bold=True, after_mm=1.0),
        *(paragraph(note, after_mm=0.5) for note in notes),
        Picture(_sheet_scene(layout), "LEFT"),
        paragraph("", after_mm=2.0),
    ])  # fmt: skip


def _sheet_scene(layout: SheetLayout) -> Scene:
    """Draw a layout to scale, with the size of its sheet."""
    stock = layout.stock
    scale = min((CONTENT_MM - 10.0) / stock.length_mm, _SHEET_MM / stock.width_mm)
    length, depth, margin = (
        side * scale for side in (stock.length_mm, stock.width_mm, layout.margin_mm)
    )
    items: list[Item] = [Lines(layout.rim * scale, Style(INK, 0.35), "closed")]
    if margin > 0.0:
        inner = rectangle(margin, margin, length - 2.0 * margin, depth - 2.0 * margin)
        items.append(Lines(inner, Style(GREY, 0.1, (1.0, 1.0)), "closed"))
    style = Style(INK, 0.12, fill=PALE)
    items += [Lines(outline * scale, style, "closed") for outline in layout.outlines]
    items.append(Text((length / 2.0, -3.8), 2.8, f"{stock.length_mm:,g} mm", "middle"))
    items.append(Text((length + 1.5, depth / 2.0), 2.8, f"{stock.width_mm:,g}"))
    items.append(Text((length + 1.5, depth / 2.0 - 3.6), 2.8, "mm"))
    return Scene(tuple(items))
