"""The base in the build book: its plan, panels, bars and rails, and where footings are keyed."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.workshop.book.book_tables import Column, Row, Table, tick
from hexterra.workshop.book.book_words import counted
from hexterra.workshop.book.drawing_pages import figure_pages
from hexterra.workshop.book.paper import Page, wrapped
from hexterra.workshop.book.plan_pages import plan_page
from hexterra.workshop.solids.bodies import base_bodies
from hexterra.workshop.solids.keyed_footings import keyed_footings
from hexterra.workshop.templates.base_drawings import base_plan, body_drawing, panel_figure
from hexterra.workshop.templates.key_templates import key_figure

if TYPE_CHECKING:
    from hexterra.workshop.book.paper import Format, Pen
    from hexterra.workshop.estimate.estimate import Effort
    from hexterra.workshop.sheets.lengths import Lengths
    from hexterra.workshop.solids.keyed_footings import KeyedFooting

#: Longest side of a panel on paper, and of a hexagon from flat to flat.
_PANEL_MM: Final = 62.0
_KEY_MM: Final = 26.0
#: Figures are drawn with the words of templates, and shrunk.
_SHRUNK: Final = 0.85
#: Dimensions around the plan of the base.
_AROUND_MM: Final = 26.0


def base_pages(effort: Effort, upright: Format, lying: Format) -> list[Page]:
    """Draw the base from above, its parts with dimensions, what to saw, and keyed footings."""
    base = effort.base
    is_lying = base.size_mm[0] > base.size_mm[1]
    pages = [_plan_page(effort, lying if is_lying else upright, is_lying=is_lying)]
    longest = max(max(panel.width_mm, panel.depth_mm) for panel in base.panels)
    scale = _PANEL_MM / _SHRUNK / longest
    figures = [panel_figure(base, panel, scale=scale) for panel in base.panels]
    figures += [
        body_drawing(body, scale=scale, end_scale=1.0)
        for body in base_bodies(base)
        if not body.name.startswith("panel")
    ]
    pages += figure_pages([figure.scaled(_SHRUNK) for figure in figures],
                          "Panels, frame and rails", upright, entry="Panels, frame and rails",
                          depth=1, n_columns=2)  # fmt: skip
    pages += _sawing(effort).pages("What to saw", upright, entry="What to saw", depth=1)
    return [*pages, *_key_pages(effort, upright, lying)]


def _plan_page(effort: Effort, paper: Format, *, is_lying: bool) -> Page:
    """Draw the base on one page, as large as fits."""
    base = effort.base
    left, top, width, height = paper.room_mm
    room = (width - _AROUND_MM, height - _AROUND_MM - 20.0)
    scale = min(side / size for side, size in zip(room, base.size_mm, strict=True))
    figure = base_plan(base, scale=round(scale, 3))

    def paint(pen: Pen) -> None:
        pen.figure(figure, left + width / 2.0, top)
        y = top + figure.size_mm[1] + 6.0
        for note in figure.notes:
            for line in wrapped(note, width, 3.2):
                pen.text(left, y, line)
                y += 4.5

    return Page("The base", paint, is_lying, "The base")


def _sawing(effort: Effort) -> Table:
    """List what is sawn from each bar and strip, and from how many sheets."""
    wood = effort.wood
    sheet = wood.panels.stock
    rows = [
        Row(("", f"{counted(wood.panels.n_sheets, 'sheet')} of {sheet.length_mm:,g} x"
             f" {sheet.width_mm:,g} mm", "panels, see the sheet layouts"), tick),
    ]  # fmt: skip
    for name, lengths in (("bar", wood.bars), ("square strip", wood.strips)):
        rows += [
            Row(
                ("", f"{name} {number:,} of {lengths.n_bars:,}, {lengths.stock_mm:,g} mm", words),
                tick,
            )
            for number, words in enumerate(_lengths(lengths), start=1)
        ]
    lead = f"The saw takes {wood.base.settings.saw_kerf_mm:g} mm between two lengths."
    if wood.strips.n_bars:
        lead += (
            f" A square strip of {wood.strip_mm:.2f} mm, cut lengthwise from corner to corner,"
            " gives two rails."
        )
    columns = (Column("", 6.0), Column("From", 60.0), Column("Saw, mm", 116.0))
    return Table(columns, tuple(rows), lead)


def _lengths(lengths: Lengths) -> list[str]:
    """Say what each bar is sawn into."""
    return [
        " + ".join(
            f"{count:,} x {length:,.1f}" if (count := len(list(held))) > 1 else f"{length:,.1f}"
            for length, held in groupby(bar)
        )
        for bar in lengths.bars
    ]


def _key_pages(effort: Effort, upright: Format, lying: Format) -> list[Page]:
    """Show where keyed footings stand, by kind, and draw each kind with its grooves."""
    base = effort.base
    footings = keyed_footings(base)
    if not footings:
        return []
    board = base.pieces.board
    number = np.zeros(board.n_cells, dtype=np.int64)
    for place, footing in enumerate(footings, start=1):
        number[footing.cells] = place
    heading = "Where keyed footings stand"
    page = plan_page(base.pieces, heading, upright, lying,
                     lambda cell: str(number[cell]) if number[cell] else "",
                     pale=number > 0)  # fmt: skip
    rows = [
        Row((f"{place:,}", _name(footing), f"{footing.count:,}",
             ", ".join(board.labels[cell] for cell in footing.cells.tolist())))
        for place, footing in enumerate(footings, start=1)
    ]  # fmt: skip
    columns = (Column("No.", 11.0, "right"), Column("Keyed footing", 38.0),
               Column("Count", 16.0, "right"), Column("Cells", 117.0))  # fmt: skip
    lead = (
        "Numbers are those of the plan before. Cells without a number have plain footings, which"
        " may be turned at will."
    )
    listed = Table(columns, tuple(rows), lead)
    scale = _KEY_MM / board.across_flats_mm
    return [
        page,
        *listed.pages("Keyed footings", upright, entry="Keyed footings", depth=1),
        *figure_pages([key_figure(footing, scale=scale) for footing in footings],
                      "Grooves of keyed footings", upright, entry="Grooves of keyed footings",
                      depth=1),
    ]  # fmt: skip


def _name(footing: KeyedFooting) -> str:
    return footing.name.partition(", ")[2]
