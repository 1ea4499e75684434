"""Assembly by lists: rows, stacks, water, and what is packed where."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.stages.schedule.pieces import PARTS
from hexterra.stages.water.flow import WaterKind
from hexterra.workshop.book.book_tables import Column, Row, Table, tick
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
from hexterra.workshop.book.paper import INK, PALE, WHITE, Format, Page, Pen, text_mm
from hexterra.workshop.book.plan_pages import plan_page

if TYPE_CHECKING:
    from hexterra.plan.overlay import Overlay
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.stages.water.flow import Watercourses
    from hexterra.workshop.estimate.estimate import Effort

_LIST_MM: Final = 2.7
_STACK_MM: Final = 70.0


def row_pages(schedule: Schedule, overlay: Overlay, paper: Format) -> list[Page]:
    """List every cell in rows from the front, each from left to right."""
    board, tiles = schedule.board, schedule.tiles
    rows: list[Row] = []
    for row in np.unique(board.row).tolist():
        cells = np.flatnonzero(board.row == row)
        where = {
            int(board.row.min()): ", at the front edge",
            int(board.row.max()): ", at the back edge",
        }
        rows.append(Row((f"Row {row + 1}{where.get(row, '')}, from the left",), is_heading=True))
        for cell in cells[np.argsort(board.column[cells])].tolist():
            level = int(tiles.level[cell])
            rows.append(Row((
                "",
                board.labels[cell],
                schedule.piece_names[cell],
                first_corner(schedule, cell) or "-",
                str(level),
                stack_words(schedule, level),
                f"{level * schedule.step_mm:,g}",
                schedule.footing_names[cell].partition(" ")[0] or "-",
                _beside(schedule, overlay, cell),
            ), _tick))  # fmt: skip
    columns = (
        Column("", 5.0), Column("Cell", 10.0), Column("Tile", 44.0), Column("First corner", 20.0),
        Column("Level", 13.0, "right"), Column("Spacers, mm", 23.0),
        Column("High, mm", 18.0, "right"), Column("Footing", 14.0),
        Column("On and beside it", 44.0),
    )  # fmt: skip
    lead = (
        "Footing first, then the spacers in the order in which they are listed, then the tile."
        " Directions are as you see them from the front edge. Tiles without a first corner fit in"
        " any turn, or, along an edge, in one. The height is that of the spacers together. At the"
        " right: how water and roads run, what covers the ground, and where step faces stand."
    )
    table = Table(columns, tuple(rows), lead, _LIST_MM)
    return table.pages("Row by row", paper, entry="Row by row")


def _tick(pen: Pen, lefts: Sequence[float], top: float) -> None:
    pen.box(lefts[0] + 0.4, top + 3.25, size=2.9)


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


def stack_pages(schedule: Schedule, upright: Format, lying: Format) -> list[Page]:
    """Draw the stack of every level, then the heights on a plan of the board."""
    tiles, step_mm = schedule.tiles, schedule.step_mm
    levels, counts = np.unique(tiles.level, return_counts=True)
    footing_mm = max((p.thickness_mm for p in schedule.pieces if p.kind == "footing"), default=0.0)
    tallest_mm = footing_mm + float(levels.max()) * step_mm
    scale = _STACK_MM / max(tallest_mm, 1.0)
    rows: list[Row] = []
    for level, count in zip(levels.tolist(), counts.tolist(), strict=True):
        blocks = [("footing", footing_mm)] if footing_mm else []
        blocks += [(f"{mm:g}", mm) for mm in schedule.stacks_mm[level]]

        def paint(
            pen: Pen, lefts: Sequence[float], top: float,
            blocks: Sequence[tuple[str, float]] = tuple(blocks),
        ) -> None:  # fmt: skip
            x = lefts[4]
            for name, thickness_mm in blocks:
                fill = PALE if name == "footing" else WHITE
                width = scale * thickness_mm
                pen.rectangle(x, top + 1.0, width, 6.0, fill=fill, ink=INK)
                if text_mm(name, _LIST_MM) < width:
                    pen.text(x + width / 2.0, top + 4.9, name, size=_LIST_MM, align="middle")
                x += scale * thickness_mm

        rows.append(Row((
            str(level), stack_words(schedule, level), f"{level * step_mm:,g}", f"{count:,}", "",
        ), paint, 8.4))  # fmt: skip
    columns = (Column("Level", 14.0), Column("Spacers from below, mm", 46.0),
               Column("High, mm", 22.0, "right"), Column("Stacks", 20.0, "right"),
               Column("From the base, left, to the tile, right", _STACK_MM + 12.0))  # fmt: skip
    lead = "What stands under the tile of each level. Glue or pin stacks that are tall."
    if footing_mm:
        lead += f" The shaded block is the footing, {footing_mm:g} mm."
    pages = Table(columns, tuple(rows), lead).pages("Stacks", upright, entry="Stacks")
    height_mm = [f"{level * step_mm:,g}" for level in tiles.level.tolist()]
    page = plan_page(schedule, "Heights of the stacks, mm of spacers", upright, lying,
                     lambda cell: height_mm[cell])  # fmt: skip
    return [*pages, page]


# Water -------------------------------------------------------------------------------------------


def water_pages(schedule: Schedule, upright: Format, lying: Format) -> list[Page]:
    """Draw where water runs on a plan of the board, then list each course; nothing if it is dry."""
    water = schedule.tiles.legal.water
    if water is None or not water.is_watercourse.any():
        return []
    names = schedule.board.labels

    def word(cell: int) -> str:
        return names[cell] if water.is_watercourse[cell] else ""

    page = plan_page(schedule, "Where water runs", upright, lying, word, water=water)
    rows = [
        Row((f"{number:,}", " > ".join(names[cell] for cell in path), _fall(schedule, path), end))
        for number, (path, end) in enumerate(courses(schedule, water), start=1)
    ]
    columns = (Column("No.", 11.0, "right"), Column("From cell to cell", 110.0),
               Column("Levels", 20.0), Column("Then", 44.0))  # fmt: skip
    lead = "Each watercourse from where it rises. Try it with a marble before you paint."
    pages = Table(columns, tuple(rows), lead).pages("Watercourses", upright, entry="Watercourses",
                                                    depth=1)  # fmt: skip
    return [Page(page.heading, page.paint, page.is_lying, "Where water runs"), *pages]


def courses(schedule: Schedule, water: Watercourses) -> list[tuple[list[int], str]]:
    """Follow every watercourse from where it rises to one listed before, or to its end.

    Longest first; of equals, the one that rises in the earlier cell.
    """
    inflows = water.ports.sum(axis=1) - (water.outflow >= 0)
    sources = np.flatnonzero(water.is_watercourse & (inflows == 0)).tolist()
    paths: list[list[int]] = []
    for cell in sources:
        path = [cell]
        while water.outflow[path[-1]] >= 0:
            path.append(int(water.receiver[path[-1]]))
        paths.append(path)
    found: list[tuple[list[int], str]] = []
    seen: set[int] = set()
    for path in sorted(paths, key=lambda path: (-len(path), path[0])):
        own: list[int] = []
        end = "stays as a pool" if water.kind[path[-1]] == WaterKind.POOL else "leaves the board"
        for cell in path:
            own.append(cell)
            if cell in seen:
                end = f"joins another at {schedule.board.labels[cell]}"
                break
        seen.update(own)
        found.append((own, end))
    return found


def _fall(schedule: Schedule, path: Sequence[int]) -> str:
    start, end = (int(schedule.tiles.level[cell]) for cell in (path[0], path[-1]))
    return f"{start} to {end}" if start != end else f"{start}"


# Packing -----------------------------------------------------------------------------------------


def packing_pages(effort: Effort, paper: Format) -> list[Page]:
    """List what lies in each box, from the bottom, and beside the boxes, with boxes to tick."""
    rows: list[Row] = []
    for number, load in enumerate(effort.boxes, start=1):
        heading = (
            f"Box {number:,} of {len(effort.boxes):,}: {counted(load.n_pieces, 'piece')}, filled"
            f" {load.height_mm:g} mm high"
        )
        rows.append(Row((heading,), is_heading=True))
        for place, tier in enumerate(load.tiers, start=1):
            parts = part_words(sorted(tier.counts, key=lambda item: PARTS.index(item[0])))
            what = f"{tier.kind}s from blanks of {tier.thickness_mm:g} mm"
            rows.append(Row(("", str(place), what, f"{tier.n_pieces:,}", parts), tick))
    rows.append(Row(("Beside the boxes",), is_heading=True))
    rows += [Row(("", "", *words), tick) for words in _beside_boxes(effort)]
    columns = (Column("", 6.0), Column("Layer", 14.0, "right"), Column("What", 66.0),
               Column("Pieces", 18.0, "right"), Column("Outlines", 78.0))  # fmt: skip
    lead = (
        f"Boxes are {box_words(effort.bench)} inside, with"
        f" {effort.bench.box_gap_mm:g} mm between pieces. Layers are counted from the bottom of the"
        " box. Pack tiles in the order of their labels: the rows at the back of the board first,"
        " so that those at the front come out first."
    )
    return Table(columns, tuple(rows), lead).pages("Packing list", paper, entry="Packing list")


def _beside_boxes(effort: Effort) -> Iterator[tuple[str, str, str]]:
    """List facings, panels and frame: what, how many, and their size."""
    base, wood = effort.base, effort.wood
    if effort.n_facings:
        yield "facings that are not glued on", f"{effort.n_facings:,}", "in a bag"
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
