"""Water, roads and cover in the build book: on plans, in lists, and in words."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.drawing.flowables import section
from hexterra.plan.tables import finishing_jobs
from hexterra.stages.mapping.cover import Cover
from hexterra.stages.water.flow import WaterKind
from hexterra.workshop.book.book_tables import Column, Group, RowTable, TableRow
from hexterra.workshop.book.book_words import side_word
from hexterra.workshop.book.layout import lead, plan_section

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

    from hexterra.plan.overlay import Overlay
    from hexterra.stages.mapping.way import Way
    from hexterra.stages.mapping.ways import Ways
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.stages.water.flow import Watercourses

_ROADS_KEY: Final = (
    "Roads are dashed by kind, as in the key of the map; ticks mark sunken ones. Where a road"
    " crosses water, its cell says how."
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


def water_pages(schedule: Schedule) -> list[Flowable]:
    """Draw where water runs on a plan of the board, then list each course; nothing if it is dry."""
    water = schedule.tiles.legal.water
    if water is None or not water.is_watercourse.any():
        return []
    names = schedule.board.labels

    def word(cell: int) -> str:
        return names[cell] if water.is_watercourse[cell] else ""

    rows = [
        (f"{number:,}", " > ".join(names[cell] for cell in path), _fall(schedule, path), end)
        for number, (path, end) in enumerate(courses(schedule, water), start=1)
    ]
    columns = (Column("No.", 11.0, "right"), Column("From cell to cell", 110.0),
               Column("Levels", 20.0), Column("Then", 44.0))  # fmt: skip
    words = "Each watercourse from where it rises. Try it with a marble before you paint."
    return [
        *plan_section("Where water runs", schedule, word, water=water, level=0),
        *section("Watercourses", [lead(words), RowTable(columns, rows)], level=1),
    ]


def courses(schedule: Schedule, water: Watercourses) -> list[tuple[list[int], str]]:
    """Follow every watercourse from where it rises to one listed before, or to its end.

    Longest first; ties go to the one that rises in the earlier cell.
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


def road_pages(schedule: Schedule, roads: Ways | None) -> list[Flowable]:
    """Draw where roads run on a plan of the board, then list each; nothing if there are none."""
    if roads is None or not roads.ways:
        return []
    names, has_road = schedule.board.labels, np.asarray(roads.any_ports.any(axis=1))
    passages = {at.cell: at.how for at in roads.crossings}

    def word(cell: int) -> str:
        return passages.get(cell, names[cell] if has_road[cell] else "")

    rows: list[TableRow] = [
        (
            str(number), way.title, " > ".join(names[cell] for cell in way.cells.tolist()),
            _made(schedule, way), _ends(way),
        )
        for number, way in enumerate(roads.ways, start=1)
    ]  # fmt: skip
    if roads.crossings:
        rows.append(Group("Where roads cross water"))
    for at in roads.crossings:
        times = f", {at.times} times" if at.times > 1 else ""
        where = f"{names[at.cell]}, water of width {at.width}{times}"
        rows.append(("", at.how, where, "", ""))
    columns = (Column("No.", 11.0, "right"), Column("Road", 41.0),
               Column("From cell to cell", 74.0), Column("Made", 28.0),
               Column("Off the board", 28.0))  # fmt: skip
    words = "Each road; where two run through the same cells it is built once."
    plan = plan_section("Where roads run", schedule, word, roads=roads, key=_ROADS_KEY, level=0)
    return [*plan, *section("Roads", [lead(words), RowTable(columns, rows)], level=1)]


def cover_pages(schedule: Schedule, cover: Cover | None) -> list[Flowable]:
    """Write what covers each cell into a plan of the board; nothing if nothing does."""
    if cover is None or not (cover.given >= 0).any():
        return []
    return plan_section("What covers the ground", schedule, lambda cell: cover_word(cover, cell),
                        shaded=cover.given >= 0, level=0)  # fmt: skip


def _leaves(roads: Ways, kind: str, cell: int) -> bool:
    """Return whether a road of a kind goes on beyond the board from a cell."""
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
