"""The base in the build book: its plan, panels, bars and rails, and where footings are keyed."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.drawing.flowables import section
from hexterra.drawing.scene import Text
from hexterra.workshop.book.book_tables import TICK, Column, RowTable, TableRow
from hexterra.workshop.book.book_words import counted
from hexterra.workshop.book.layout import figure_rows, lead, plan_section, whole_page
from hexterra.workshop.solids.bodies import base_bodies
from hexterra.workshop.solids.keyed_footings import keyed_footings
from hexterra.workshop.templates.base_drawings import base_plan, body_drawing, panel_figure
from hexterra.workshop.templates.key_templates import key_figure

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

    from hexterra.drawing.scene import Scene
    from hexterra.workshop.estimate.estimate import Estimate
    from hexterra.workshop.sheets.lengths import Lengths
    from hexterra.workshop.solids.base import Base

#: Longest side of a panel on paper, and of a hexagon from flat to flat.
_PANEL_MM: Final = 62.0
_KEY_MM: Final = 26.0
#: Figures are drawn with the words of templates, and shrunk.
_SHRUNK: Final = 0.85
#: Dimensions around the plan of the base.
_AROUND_MM: Final = 26.0


def base_pages(estimate: Estimate) -> list[Flowable]:
    """Draw the base from above, its parts with dimensions, what to saw, and keyed footings."""
    base = estimate.base
    is_landscape = base.size_mm[0] > base.size_mm[1]
    notes = lead("\n".join(base_plan(base, scale=1.0).notes[1:]))
    longest = max(max(panel.width_mm, panel.depth_mm) for panel in base.panels)
    scale = _PANEL_MM / _SHRUNK / longest
    figures = [panel_figure(base, panel, scale=scale) for panel in base.panels]
    figures += [
        body_drawing(body, scale=scale, end_scale=1.0)
        for body in base_bodies(base)
        if not body.name.startswith("panel")
    ]
    shrunk = figure_rows([figure.placed(0.0, 0.0, _SHRUNK) for figure in figures], n_columns=2)
    return [
        *section(
            "The base",
            [notes, whole_page(lambda room: _plan(base, room))],
            is_landscape=is_landscape,
        ),
        *section("Panels, frame and rails", shrunk, level=1),
        *section("What to saw", _sawing(estimate), level=1),
        *_key_pages(base),
    ]


def _plan(base: Base, room_mm: tuple[float, float]) -> Scene:
    """Draw the base from above, as large as fits."""
    room = (side - _AROUND_MM for side in room_mm)
    scale = min(side / size for side, size in zip(room, base.size_mm, strict=True))
    plan = base_plan(base, scale=math.floor(1000.0 * scale) / 1000.0)
    left, low, *_ = plan.bounds
    return replace(plan, items=(*plan.items, Text((left, low - 5.0), 3.2, plan.notes[0])))


def _sawing(estimate: Estimate) -> list[Flowable]:
    """List what is sawn from each bar and strip, and from how many sheets."""
    wood = estimate.wood
    sheet = wood.panels.stock
    sheets = f"{counted(wood.panels.n_sheets, 'sheet')} of {sheet.length_mm:,g} x"
    rows: list[TableRow] = [
        (TICK, f"{sheets} {sheet.width_mm:,g} mm", "panels, see the sheet layouts")
    ]
    for name, lengths in (("bar", wood.bars), ("square strip", wood.strips)):
        rows += [
            (TICK, f"{name} {number:,} of {lengths.n_bars:,}, {lengths.stock_mm:,g} mm", words)
            for number, words in enumerate(_lengths(lengths), start=1)
        ]
    words = f"The saw takes {wood.base.settings.saw_kerf_mm:g} mm between two lengths."
    if wood.strips.n_bars:
        words += (
            f" A square strip of {wood.strip_mm:.2f} mm, cut lengthwise from corner to corner,"
            " gives two rails."
        )
    columns = (Column("", 6.0), Column("From", 60.0), Column("Saw, mm", 116.0))
    return [lead(words), RowTable(columns, rows)]


def _lengths(lengths: Lengths) -> list[str]:
    """Say what each bar is sawn into."""
    return [
        " + ".join(
            f"{count:,} x {length:,.1f}" if (count := len(list(alike))) > 1 else f"{length:,.1f}"
            for length, alike in groupby(bar)
        )
        for bar in lengths.bars
    ]


def _key_pages(base: Base) -> list[Flowable]:
    """Show where keyed footings stand, by kind, and draw each kind with its grooves."""
    footings = keyed_footings(base)
    if not footings:
        return []
    board = base.pieces.board
    number = np.zeros(board.n_cells, dtype=np.int64)
    for place, footing in enumerate(footings, start=1):
        number[footing.cells] = place
    rows = [
        (f"{place:,}", footing.name.partition(", ")[2], f"{footing.count:,}",
         ", ".join(board.labels[cell] for cell in footing.cells.tolist()))
        for place, footing in enumerate(footings, start=1)
    ]  # fmt: skip
    columns = (Column("No.", 11.0, "right"), Column("Keyed footing", 38.0),
               Column("Count", 16.0, "right"), Column("Cells", 117.0))  # fmt: skip
    words = (
        "Numbers are those of the plan before. Cells without a number have plain footings, which"
        " may be turned at will."
    )
    figures = [key_figure(footing, scale=_KEY_MM / board.across_flats_mm) for footing in footings]
    return [
        *plan_section("Where keyed footings stand", base.pieces,
                      lambda cell: str(number[cell] or ""), shaded=number > 0),
        *section("Keyed footings", [lead(words), RowTable(columns, rows)], level=1),
        *section("Grooves of keyed footings", figure_rows(figures), level=1),
    ]  # fmt: skip
