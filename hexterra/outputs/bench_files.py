"""What is added to a plan on request: build book, templates, sheet layouts, solids, page."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from functools import cache
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, get_args

from hexterra.inputs.owned_pieces import left_to_cut
from hexterra.outputs.folder import PLAN, Writer, earlier_files

if TYPE_CHECKING:
    from hexterra.plan.plan import Plan
    from hexterra.workshop.estimate.estimate import Estimate
    from hexterra.workshop.solids.base import Base
    from hexterra.workshop.solids.facings import Facings
    from hexterra.workshop.solids.grooves import Grooves

#: What can be asked for beside the plan itself.
Extra = Literal["book", "templates", "sheets", "mesh", "page"]
EXTRAS: Final[tuple[Extra, ...]] = get_args(Extra)
#: Those that are one file; the others are folders.
_FILES: Final[Mapping[Extra, str]] = {"book": "book.pdf", "page": "page.html"}


def extras_in(directory: str | PathLike[str]) -> tuple[Extra, ...]:
    """Name what a plan folder holds beside the plan itself.

    Raises
    ------
    OutputError
        If the folder holds something that is no plan.
    """
    present = {name.split("/")[0] for name in earlier_files(Path(directory), PLAN)}
    return tuple(extra for extra in EXTRAS if _FILES.get(extra, extra) in present)


def bench_writers(plan: Plan, extras: Collection[Extra]) -> dict[str, Writer]:
    """Prepare the files of `extras`: ``book.pdf``, ``page.html`` and the folders of the others.

    Raises
    ------
    BriefError
        If the groove of keyed footings does not fit the tiles.
    StockError
        If the foam in stock cannot make a piece.
    """
    from hexterra.workshop.solids.guides import Guides

    brief = plan.brief
    guides, title = Guides(brief.foam, brief.bench), brief.title

    @cache
    def grooves() -> Grooves:
        from hexterra.workshop.solids.grooves import schedule_grooves

        return schedule_grooves(plan.pieces, guides)

    @cache
    def work() -> Estimate:
        from hexterra.workshop.estimate.estimate import estimate
        from hexterra.workshop.sheets.foam import foam

        to_cut = left_to_cut(plan.pieces, plan.owned)
        return estimate(
            foam(plan.pieces, brief.foam, to_cut=to_cut),
            base=base_of_plan(),
            bench=brief.bench,
            grooves=grooves(),
        )

    @cache
    def base_of_plan() -> Base:
        from hexterra.workshop.solids.base import base

        return base(plan.pieces, brief.base)

    def faces() -> Facings:
        from hexterra.workshop.solids.facings import facings

        return facings(
            plan.pieces, batter_deg=brief.bench.batter_deg, least_mm=brief.foam.facing_least_mm
        )

    thickness_mm = brief.foam.facing_mm

    def book() -> dict[str, bytes]:
        from hexterra.workshop.book.book import book_pdf

        return {"book.pdf": book_pdf(plan, work(), paper=brief.bench.paper)}

    def templates() -> dict[str, bytes]:
        from hexterra.workshop.templates.templates import base_template_files, template_files

        return template_files(plan.pieces, guides, title=title) | base_template_files(
            base_of_plan(), faces(), guides, thickness_mm=thickness_mm, title=title
        )

    def sheets() -> dict[str, bytes]:
        from hexterra.workshop.templates.sheet_layouts import sheet_files

        return sheet_files(work())

    def mesh() -> dict[str, bytes]:
        from hexterra.mesh.base_files import base_files
        from hexterra.mesh.mesh_files import mesh_files

        around = base_files(base_of_plan(), faces(), thickness_mm=thickness_mm, title=title)
        return mesh_files(plan, grooves()) | around

    def page() -> dict[str, bytes]:
        from hexterra.page.page import page_html

        return {"page.html": page_html([plan]).encode()}

    makers: Mapping[Extra, Callable[[], dict[str, bytes]]] = {
        "book": book, "templates": templates, "sheets": sheets, "mesh": mesh, "page": page
    }  # fmt: skip
    writers: dict[str, Writer] = {}
    for extra in EXTRAS:
        if extra in extras:
            folder = "" if extra in _FILES else f"{extra}/"
            writers |= {f"{folder}{name}": _writer(c) for name, c in makers[extra]().items()}
    return writers


def _writer(content: bytes) -> Writer:
    def write(path: Path) -> None:
        path.write_bytes(content)

    return write
