"""Roads and cover in the build book: in words for each cell, on plans, in lists and in amounts."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.plan.tables import finishing_jobs
from hexterra.stages.mapping.cover import Cover
from hexterra.workshop.book.book_tables import Column, Row, Table
from hexterra.workshop.book.book_words import side_word
from hexterra.workshop.book.paper import Page
from hexterra.workshop.book.plan_pages import plan_page

if TYPE_CHECKING:
    from hexterra.plan.overlay import Overlay
    from hexterra.stages.mapping.way import Way
    from hexterra.stages.mapping.ways import Ways
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.book.paper import Format

_ROADS_KEY: Final = (
    "Double lines are roads laid on top; between broken ones the road is sunken. Where a road"
    " crosses water the cell says how; the others are named."
)


def road_words(schedule: Schedule, roads: Ways | None, cell: int) -> str:
    """Say which roads cross a cell, by which sides, and what they cross; "" if there are none."""
    if roads is None:
        return ""
    facing, sunken = schedule.board.facing, schedule.cuts.road[cell]
    words: list[str] = []
    for kind, ports in zip(roads.kinds, roads.ports[:, cell], strict=True):
        ends = [side_word(facing, side) for side in np.flatnonzero(ports).tolist()]
        if _leaves(roads, kind, cell):
            ends.append("off the board")
        if ends:
            is_cut = bool((ports & sunken).any()) or (
                not ports.any() and schedule.cuts.road_leaves[cell] >= 0
            )
            how = f"sunken {kind}" if is_cut else kind
            words.append(f"{how} {', '.join(ends)}")
    words += [at.how for at in roads.crossings if at.cell == cell]
    return "; ".join(words)


def cover_word(cover: Cover | None, cell: int) -> str:
    """Say what covers a cell; "" for nothing."""
    if cover is None or cover.given[cell] < 0:
        return ""
    return cover.kinds[int(cover.given[cell])]


def job_words(schedule: Schedule, overlay: Overlay) -> Iterator[tuple[str, str, str]]:
    """Say what is finished on the ground: what, how much, and on how many cells."""
    for job in finishing_jobs(schedule, overlay):
        on = "on 1 cell" if job.n == 1 else f"on {job.n:,} cells"
        if not math.isnan(job.area_cm2):
            yield job.name, f"{job.area_cm2:,.0f} cm²", f"{on}, seen from above"
        elif not math.isnan(job.length_mm):
            yield job.name, f"{job.length_mm / 1000.0:,.2f} m", on
        else:
            yield job.name, f"{job.n:,}", "see the list of roads"


def road_pages(
    schedule: Schedule, roads: Ways | None, upright: Format, lying: Format
) -> list[Page]:
    """Draw where roads run on a plan of the board, then list each; nothing if there are none."""
    if roads is None or not roads.ways:
        return []
    names, has_road = schedule.board.labels, np.asarray(roads.any_ports.any(axis=1))
    passages = {at.cell: at.how for at in roads.crossings}

    def word(cell: int) -> str:
        return passages.get(cell, names[cell] if has_road[cell] else "")

    heading = "Where roads run"
    page = plan_page(schedule, heading, upright, lying, word, roads=roads, key=_ROADS_KEY)
    rows = [
        Row((
            str(number), way.title, " > ".join(names[cell] for cell in way.cells.tolist()),
            _made(schedule, way), _ends(way),
        ))
        for number, way in enumerate(roads.ways, start=1)
    ]  # fmt: skip
    if roads.crossings:
        rows.append(Row(("Where roads cross water",), is_heading=True))
    for at in roads.crossings:
        times = f", {at.times} times" if at.times > 1 else ""
        rows.append(
            Row(("", at.how, f"{names[at.cell]}, water of width {at.width}{times}", "", ""))
        )
    columns = (Column("No.", 10.0, "right"), Column("Road", 42.0),
               Column("From cell to cell", 74.0), Column("Made", 28.0),
               Column("Off the board", 28.0))  # fmt: skip
    lead = "Each road; where two run through the same cells it is built once."
    pages = Table(columns, tuple(rows), lead).pages("Roads", upright, entry="Roads", depth=1)
    return [Page(page.heading, page.paint, page.is_lying, heading), *pages]


def cover_pages(
    schedule: Schedule, cover: Cover | None, upright: Format, lying: Format
) -> list[Page]:
    """Write what covers each cell into a plan of the board; nothing if nothing does."""
    if cover is None or not (cover.given >= 0).any():
        return []
    heading = "What covers the ground"
    page = plan_page(schedule, heading, upright, lying, lambda cell: cover_word(cover, cell),
                     pale=cover.given >= 0)  # fmt: skip
    return [Page(page.heading, page.paint, page.is_lying, heading)]


def _leaves(roads: Ways, kind: str, cell: int) -> bool:
    """Tell whether a road of a kind goes on beyond the board from a cell."""
    return bool(roads.leaves[cell]) and any(
        (way.from_edge and way.cells[0] == cell) or (way.to_edge and way.cells[-1] == cell)
        for way in roads.ways
        if way.kind == kind
    )


def _made(schedule: Schedule, way: Way) -> str:
    """Say whether a road is cut into the tops or laid on them."""
    cuts = schedule.cuts
    is_cut = cuts.road[way.cells[:-1], way.sides]
    if not len(is_cut):
        is_cut = cuts.road_leaves[way.cells] >= 0
    return "sunken" if is_cut.all() else "partly sunken" if is_cut.any() else "laid on top"


def _ends(way: Way) -> str:
    ends = [word for is_off, word in ((way.from_edge, "at its start"), (way.to_edge, "at its end"))
            if is_off]  # fmt: skip
    return " and ".join(ends) or "-"
