"""Assembly by lists: rows, stacks, and what is packed where."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.drawing.board_plan import PALE
from hexterra.drawing.flowables import Picture, section
from hexterra.drawing.lettering import text_width
from hexterra.drawing.scene import INK, WHITE, Item, Lines, Scene, Style, Text, rectangle
from hexterra.stages.schedule.pieces import PARTS
from hexterra.workshop.book.book_tables import TICK, Column, Group, RowTable, TableRow
from hexterra.workshop.book.book_words import (
    box_words,
    counted,
    first_corner,
    part_words,
    side_word,
    stack_words,
    water_words,
)
from hexterra.workshop.book.ground_pages import cover_word, road_words
from hexterra.workshop.book.layout import lead, plan_section

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

    from hexterra.plan.overlay import Overlay
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.estimate.estimate import Estimate

_LIST_MM: Final = 2.7
_STACK_MM: Final = 70.0


def row_pages(schedule: Schedule, overlay: Overlay) -> list[Flowable]:
    """List every cell in rows from the front, each from left to right."""
    board, tiles = schedule.board, schedule.tiles
    rows: list[TableRow] = []
    for row in np.unique(board.row).tolist():
        cells = np.flatnonzero(board.row == row)
        where = {
            int(board.row.min()): ", at the front edge",
            int(board.row.max()): ", at the back edge",
        }
        rows.append(Group(f"Row {row + 1}{where.get(row, '')}, from the left"))
        for cell in cells[np.argsort(board.column[cells])].tolist():
            level = int(tiles.level[cell])
            rows.append(
                (
                    TICK,
                    board.labels[cell],
                    schedule.piece_names[cell],
                    first_corner(schedule, cell) or "-",
                    str(level),
                    stack_words(schedule, level),
                    f"{level * schedule.step_mm:,g}",
                    schedule.footing_names[cell].partition(" ")[0] or "-",
                    _beside(schedule, overlay, cell),
                )
            )
    columns = (
        Column("", 5.0), Column("Cell", 9.0), Column("Tile", 43.0), Column("First corner", 20.0),
        Column("Level", 12.5, "right"), Column("Spacers, mm", 22.0),
        Column("High, mm", 19.0, "right"), Column("Footing", 14.0),
        Column("On and beside it", 37.5),
    )  # fmt: skip
    words = (
        "Footing first, then the spacers in the order in which they are listed, then the tile."
        " Directions are as you see them from the front edge. Tiles without a first corner fit in"
        " any turn, or, along an edge, in one. The height is that of the spacers together. At the"
        " right: how water and roads run, what covers the ground, and where step faces stand."
    )
    return section("Row by row", [lead(words), RowTable(columns, rows, _LIST_MM)])


def _beside(schedule: Schedule, overlay: Overlay, cell: int) -> str:
    """Say what lies on the ground of a cell and on which sides faces stand between tops."""
    water = water_words(schedule, cell)
    words = [
        f"water {water}" if water else "",
        road_words(schedule, overlay.roads, cell),
        cover_word(overlay.cover, cell),
    ]
    sides = np.flatnonzero(schedule.tiles.cliff[cell]).tolist()
    if sides:
        listed = ", ".join(side_word(schedule.board.facing, side) for side in sides)
        words.append(f"step face {listed}")
    return "; ".join(word for word in words if word)


# Stacks ------------------------------------------------------------------------------------------


def stack_pages(schedule: Schedule) -> list[Flowable]:
    """Draw the stack of every level, then the heights on a plan of the board."""
    tiles, step_mm = schedule.tiles, schedule.step_mm
    levels, counts = np.unique(tiles.level, return_counts=True)
    footing_mm = max((p.thickness_mm for p in schedule.pieces if p.kind == "footing"), default=0.0)
    tallest_mm = footing_mm + float(levels.max()) * step_mm
    scale = _STACK_MM / max(tallest_mm, 1.0)
    rows: list[TableRow] = []
    for level, count in zip(levels.tolist(), counts.tolist(), strict=True):
        blocks = [("footing", footing_mm)] if footing_mm else []
        blocks += [(f"{mm:g}", mm) for mm in schedule.stacks_mm[level]]
        rows.append((
            str(level), stack_words(schedule, level), f"{level * step_mm:,g}", f"{count:,}",
            Picture(_stack(blocks, scale), "LEFT") if blocks else "",
        ))  # fmt: skip
    columns = (Column("Level", 14.0), Column("Spacers from below, mm", 48.0),
               Column("High, mm", 23.0, "right"), Column("Stacks", 18.0, "right"),
               Column("From the base, left, to the tile, right", _STACK_MM + 12.0))  # fmt: skip
    words = "What stands under the tile of each level. Glue or pin stacks that are tall."
    if footing_mm:
        words += f" The shaded block is the footing, {footing_mm:g} mm."
    height_mm = [f"{level * step_mm:,g}" for level in tiles.level.tolist()]
    return [
        *section("Stacks", [lead(words), RowTable(columns, rows)]),
        *plan_section("Heights of the stacks, mm of spacers", schedule, height_mm.__getitem__),
    ]


def _stack(blocks: list[tuple[str, float]], scale: float) -> Scene:
    """Draw the blocks of a stack lying on its side."""
    items: list[Item] = []
    x = 0.0
    for name, thickness_mm in blocks:
        width = scale * thickness_mm
        fill = PALE if name == "footing" else WHITE
        items.append(Lines(rectangle(x, 0.0, width, 6.0), Style(INK, 0.2, fill=fill), "closed"))
        if text_width(name, _LIST_MM) < width:
            items.append(Text((x + width / 2.0, 2.1), _LIST_MM, name, "middle"))
        x += width
    return Scene(tuple(items))


# Packing -----------------------------------------------------------------------------------------


def packing_pages(estimate: Estimate) -> list[Flowable]:
    """List what lies in each box, from the bottom, and beside the boxes, with boxes to tick."""
    rows: list[TableRow] = []
    for number, load in enumerate(estimate.boxes, start=1):
        heading = (
            f"Box {number:,} of {len(estimate.boxes):,}: {counted(load.n_pieces, 'piece')}, filled"
            f" {load.height_mm:g} mm high"
        )
        rows.append(Group(heading))
        for place, tier in enumerate(load.tiers, start=1):
            parts = part_words(sorted(tier.counts, key=lambda item: PARTS.index(item[0])))
            what = f"{tier.kind}s from blanks of {tier.thickness_mm:g} mm"
            rows.append((TICK, str(place), what, f"{tier.n_pieces:,}", parts))
    rows.append(Group("Beside the boxes"))
    rows += [(TICK, "", *words) for words in _beside_boxes(estimate)]
    columns = (Column("", 6.0), Column("Layer", 15.0, "right"), Column("What", 65.0),
               Column("Pieces", 18.0, "right"), Column("Outlines", 78.0))  # fmt: skip
    words = (
        f"Boxes are {box_words(estimate.bench)} inside, with"
        f" {estimate.bench.box_gap_mm:g} mm between pieces. Layers are counted from the bottom"
        " of the box. Pack tiles in the order of their labels: the rows at the back of the board"
        " first, so that those at the front come out first."
    )
    return section("Packing list", [lead(words), RowTable(columns, rows)])


def _beside_boxes(estimate: Estimate) -> Iterator[tuple[str, str, str]]:
    """List facings, panels and frame: what, how many, and their size."""
    base, wood = estimate.base, estimate.wood
    if estimate.n_facings:
        yield "facings that are not glued on", f"{estimate.n_facings:,}", "in a bag"
    sizes = Counter((round(p.width_mm, 1), round(p.depth_mm, 1)) for p in base.panels)
    height_mm = base.settings.panel_thickness_mm
    rails = ""
    if base.rails:
        height_mm += base.rail_mm
        rails = " with their rails"
    for (width_mm, depth_mm), count in sizes.items():
        yield f"panels{rails}", f"{count:,}", f"{width_mm:,g} x {depth_mm:,g} x {height_mm:g} mm"
    for length_mm, count in Counter(round(n, 1) for bar in wood.bars.bars for n in bar).items():
        section = f"{base.settings.frame_width_mm:g} x {base.settings.frame_height_mm:g} mm"
        yield "bars of the frame", f"{count:,}", f"{length_mm:,g} x {section}"
