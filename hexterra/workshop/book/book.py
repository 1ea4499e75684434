"""Plan and workshop values -> the build book: one PDF, from what to buy to where each piece goes.

Each chapter is a function of a module beside this one, which returns reportlab flowables; here
they are put in order.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hexterra.drawing.flowables import Heading, contents, section
from hexterra.drawing.pdf_document import write_document
from hexterra.workshop.book.assembly_pages import (
    label_pages,
    packing_pages,
    row_pages,
    stack_pages,
)
from hexterra.workshop.book.base_pages import base_pages
from hexterra.workshop.book.board_pages import (
    board_pages,
    caution_pages,
    front_page,
    truth_pages,
)
from hexterra.workshop.book.buying_pages import buying_pages, cost_pages
from hexterra.workshop.book.cutting_pages import cut_list_pages, set_up_pages
from hexterra.workshop.book.drawing_pages import drawing_pages, sheet_pages
from hexterra.workshop.book.ground_pages import cover_pages, road_pages, water_pages
from hexterra.workshop.book.how_pages import how_pages
from hexterra.workshop.book.layout import MARGINS, around
from hexterra.workshop.book.map_pages import map_pages
from hexterra.workshop.templates.template_pdf import PAPER_MM

if TYPE_CHECKING:
    from hexterra.plan.plan import Plan
    from hexterra.workshop.estimate.estimate import Estimate
    from hexterra.workshop.solids.guides import Paper


def book_pdf(plan: Plan, estimate: Estimate, *, paper: Paper = "A4") -> bytes:
    """Write the build book of a plan.

    Parameters
    ----------
    plan
        The board.
    estimate
        Foam, base, cuts, times, facings and boxes of the same plan's pieces.
    paper
        "A4" or "Letter". Wide maps lie on their side.

    Returns
    -------
    bytes
        A PDF: cover, contents, the board, what to buy, hours, cautions, how to cut, set-ups, cut
        list, drawings, sheet layouts, labels, the base, the map by quarters, rows, stacks,
        watercourses, roads, cover and packing list. What is bought and made leaves out owned
        pieces. Drawings are vectors, text can be selected, fonts are embedded, all of it reads in
        grey, and viewers are asked not to scale it. Equal values give equal bytes.
    """
    story = [
        *front_page(plan),
        *section("", [Heading("Contents", is_listed=False), contents()]),
        *board_pages(plan, estimate),
        *truth_pages(plan),
        *buying_pages(plan, estimate),
        *cost_pages(estimate),
        *caution_pages(),
        *how_pages(estimate),
        *set_up_pages(estimate),
        *cut_list_pages(estimate),
        *drawing_pages(estimate),
        *sheet_pages(estimate),
        *label_pages(plan.pieces),
        *base_pages(estimate),
        *map_pages(plan, PAPER_MM[paper]),
        *row_pages(plan.pieces, plan.overlay),
        *stack_pages(plan.pieces),
        *water_pages(plan.pieces),
        *road_pages(plan.pieces, plan.roads),
        *cover_pages(plan.pieces, plan.cover),
        *packing_pages(estimate),
    ]
    return write_document(
        story,
        title=f"Build book: {plan.brief.title}",
        subject="What to buy, cut and lay out",
        paper_mm=PAPER_MM[paper],
        margins=MARGINS,
        around=around(plan.brief.title),
    )
