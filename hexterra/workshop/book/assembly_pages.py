"""Assembly by lists and labels: rows, stacks, labels under tiles, and what is packed where."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing.board_plan import GREY, PALE
from hexterra.drawing.flowables import Picture, broken, section
from hexterra.drawing.lettering import text_width
from hexterra.drawing.map_style import arrow_heads
from hexterra.drawing.scene import INK, WHITE, Item, Lines, Scene, Style, Text, rectangle
from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import N_SIDES
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
from hexterra.workshop.book.layout import CONTENT_MM, lead, plan_section

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

    from hexterra.plan.overlay import Overlay
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.estimate.estimate import Estimate

_LIST_MM: Final = 2.7
_STACK_MM: Final = 70.0
_LABEL_COLUMNS: Final = 4
_LABEL_MM: Final = CONTENT_MM / _LABEL_COLUMNS
_LABEL_HIGH_MM: Final = 18.6
_ICON_MM: Final = 15.0
_LABEL_WORDS: Final = (
    "Each drawing shows its tile from below, the back of the board up. Stick the label under the"
    " tile so that outline, wedge (first corner), watercourse and sunken road (dashes) of drawing"
    " and tile agree: then the small arrow always points to the back of the board."
)


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


# Labels ------------------------------------------------------------------------------------------


def label_pages(schedule: Schedule) -> list[Flowable]:
    """Draw a label for every tile, in rows from the front left."""
    rows: list[Flowable] = []
    cells = range(schedule.board.n_cells)
    for first in cells[::_LABEL_COLUMNS]:
        row = cells[first : first + _LABEL_COLUMNS]
        items = [
            item
            for place, cell in enumerate(row)
            for item in _label(schedule, cell, place * _LABEL_MM)
        ]
        page_mm = len(row) * _LABEL_MM, _LABEL_HIGH_MM
        rows.append(Picture(Scene(tuple(items), page_mm=page_mm), "LEFT"))
    return section("Labels to stick under tiles", [lead(_LABEL_WORDS), *rows])


def _label(schedule: Schedule, cell: int, x: float) -> Iterator[Item]:
    yield Lines(rectangle(x, 0.0, _LABEL_MM, _LABEL_HIGH_MM), Style(GREY, 0.1), "closed")
    middle = np.array((x + 1.0 + _ICON_MM / 2.0, _LABEL_HIGH_MM / 2.0 - 1.0))
    yield from _from_below(schedule, cell, middle)
    left, room = x + _ICON_MM + 2.5, _LABEL_MM - _ICON_MM - 3.5
    level, name = int(schedule.tiles.level[cell]), schedule.board.labels[cell]
    stack = f"on {stack_words(schedule, level)} mm" if level else "on no spacers"
    yield Text((left, _LABEL_HIGH_MM - 5.4), 4.6 if len(name) < 5 else 3.6, name, is_bold=True)
    yield Text((x + _LABEL_MM - 1.2, _LABEL_HIGH_MM - 5.4), 2.5, f"level {level}", "end")
    lines = [(2.3, line) for line in broken(stack, room, 2.3)]
    lines += [(2.2, line) for line in broken(schedule.piece_names[cell], room, 2.2)]
    for number, (size, line) in enumerate(lines[:4]):
        yield Text((left, _LABEL_HIGH_MM - 9.0 - 2.8 * number), size, line)


def _from_below(schedule: Schedule, cell: int, at: NDArray[np.float64]) -> Iterator[Item]:
    """Draw a tile from below, the back of the board up: left and right change places."""
    board, tiles = schedule.board, schedule.tiles
    flats = 0.78 * _ICON_MM * (np.sqrt(3.0) / 2.0 if board.facing == "points" else 1.0)
    kept_x, kept_y = board.kept[cell].tolist()
    outline = hexagon.part_outline(1.0, board.facing, kept_x, kept_y)
    middle = (outline.min(axis=0) + outline.max(axis=0)) / 2.0

    def place(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return (points - middle) * (-flats, flats) + at

    yield Lines(place(outline), Style(INK, 0.2), "closed")
    corner = hexagon.corner_offsets(1.0, board.facing)
    port = (corner + np.roll(corner, -1, axis=0)) / 2.0
    water = tiles.legal.water
    wet = water.ports[cell] if water is not None else np.zeros(N_SIDES, dtype=np.bool_)
    centre = board.kept[cell] * corner.max(axis=0) / 2.0
    for ports, dashes in ((wet, ()), (schedule.cuts.road[cell], (0.9, 0.6))):
        for side in np.flatnonzero(ports).tolist():
            yield Lines(place(np.array([port[side], centre])), Style(INK, 0.6, dashes))
    if first_corner(schedule, cell):
        tip = corner[[schedule.turn[cell]]]
        wedge = tip + arrow_heads(tip, 1.0, ahead=-0.05, behind=0.19, half=0.07)[0]
        yield Lines(place(wedge), Style(fill=INK), "closed")
    x, up = float(at[0]), float(at[1] + np.ptp(outline[:, 1]) * flats / 2.0 + 0.8)
    arrow = np.array([[x, up + 1.9], [x + 1.0, up], [x - 1.0, up]])
    yield Lines(arrow, Style(INK, 0.2), "closed")


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
