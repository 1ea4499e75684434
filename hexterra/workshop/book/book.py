"""Plan and workshop values -> the build book: one PDF, from what to buy to where each piece goes.

Pages are made by the modules beside this one, each as a heading and a function that draws; here
they are put in order, numbered, listed and written.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from hexterra.drawing.pdf_pages import POINTS_PER_MM, register_fonts
from hexterra.workshop.book.assembly_pages import packing_pages, row_pages, stack_pages, water_pages
from hexterra.workshop.book.base_pages import base_pages
from hexterra.workshop.book.bench_pages import board_pages, caution_pages, set_up_pages
from hexterra.workshop.book.buying_pages import buying_pages, reckoning_pages
from hexterra.workshop.book.cut_list_pages import cut_list_pages
from hexterra.workshop.book.drawing_pages import drawing_pages
from hexterra.workshop.book.ground_pages import cover_pages, road_pages
from hexterra.workshop.book.label_pages import label_pages
from hexterra.workshop.book.map_pages import keep_map, map_pages, read_map
from hexterra.workshop.book.paper import (
    BOLD,
    FONT,
    GREY,
    SIDE_MM,
    TEXT_MM,
    Format,
    Page,
    Pen,
    formats,
    text_mm,
)
from hexterra.workshop.book.relief import board_faces, draw_faces
from hexterra.workshop.book.sheet_pages import sheet_pages

if TYPE_CHECKING:
    from hexterra.plan.plan import Plan
    from hexterra.workshop.estimate.estimate import Effort
    from hexterra.workshop.solids.guides import Paper

_LINE_MM: Final = 6.4
_WARNING: Final = "Fumes, hot wire, fire, blades: read the cautions on page {} first."


def book_pdf(plan: Plan, effort: Effort, *, paper: Paper = "A4") -> bytes:
    """Write the build book of a plan.

    Parameters
    ----------
    plan
        The board.
    effort
        Foam, base, cuts, times, facings and boxes of the same plan's pieces.
    paper
        "A4" or "Letter". Wide maps lie on their side.

    Returns
    -------
    bytes
        A PDF: cover, contents, the board, what to buy, hours, cautions, set-ups, cut list,
        drawings, sheet layouts, labels, the base, the map by quarters, rows, stacks, watercourses,
        roads, cover and packing list. What is bought and made leaves out owned pieces. Drawings are
        vectors, text can be selected, fonts are embedded, all of it reads in grey, and viewers are
        asked not to scale it. Equal values give equal bytes.
    """
    from reportlab.pdfgen.canvas import Canvas

    register_fonts()
    upright, lying = formats(paper)
    board_map = read_map(plan)
    body = [
        *board_pages(plan, effort, upright),
        *buying_pages(plan, effort, upright),
        *reckoning_pages(effort, upright),
        *caution_pages(upright),
        *set_up_pages(effort, upright),
        *cut_list_pages(effort, upright),
        *drawing_pages(effort, upright),
        *sheet_pages(effort, upright),
        *label_pages(plan.pieces, upright),
        *base_pages(effort, upright, lying),
        *map_pages(board_map, upright, lying),
        *row_pages(plan.pieces, plan.overlay, upright),
        *stack_pages(plan.pieces, upright, lying),
        *water_pages(plan.pieces, upright, lying),
        *road_pages(plan.pieces, plan.roads, upright, lying),
        *cover_pages(plan.pieces, plan.cover, upright, lying),
        *packing_pages(effort, upright),
    ]
    entries = [page for page in body if page.entry]
    n_contents = -(-len(entries) // _entries_per_page(upright))
    numbers = {id(page): 2 + n_contents + place for place, page in enumerate(body)}
    pages = [
        _cover(plan, upright),
        *_contents(entries, numbers, upright, n_contents),
        *body,
    ]
    cautions = next(numbers[id(page)] for page in entries if page.entry == "Cautions")
    stream = io.BytesIO()
    canvas = Canvas(
        stream,
        invariant=1,
        initialFontName=FONT,  # pyright: ignore[reportArgumentType] - else Helvetica is named
        pageCompression=1,
    )
    canvas.setTitle(f"Build book: {plan.brief.title}")
    canvas.setAuthor("hexterra")
    canvas.setSubject("What to buy, cut and lay out")
    canvas.setCreator("hexterra")
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.showOutline()
    keep_map(canvas, board_map)
    for number, page in enumerate(pages, start=1):
        format_mm = lying if page.is_lying else upright
        canvas.setPageSize(
            (format_mm.width_mm * POINTS_PER_MM, format_mm.height_mm * POINTS_PER_MM)
        )
        pen = Pen(canvas, format_mm)
        if page.entry:
            canvas.bookmarkPage(_mark(number))
            canvas.addOutlineEntry(page.entry, _mark(number), level=page.depth)
        page.paint(pen)
        if page.heading:
            _frame(pen, plan.brief.title, page.heading, number, len(pages), cautions)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _mark(number: int) -> str:
    return f"page {number}"


def _frame(pen: Pen, title: str, heading: str, number: int, n_pages: int, cautions: int) -> None:
    """Write what every page but the cover has around its content."""
    width, height = pen.paper.width_mm, pen.paper.height_mm
    right = width - SIDE_MM
    page = f"page {number} of {n_pages}"
    room = right - SIDE_MM - text_mm(page, 2.8) - 6.0
    pen.text(SIDE_MM, 9.5, title, size=2.8, ink=GREY, within=room)
    pen.text(right, 9.5, page, size=2.8, align="right")
    pen.text(SIDE_MM, 19.5, heading, size=6.0, font=BOLD, within=right - SIDE_MM - 20.0)
    pen.text(SIDE_MM, height - 7.0, _WARNING.format(cautions), size=2.6, ink=GREY)


def _cover(plan: Plan, paper: Format) -> Page:
    """Draw title and board in relief."""
    board = plan.board
    width_mm, depth_mm = board.size_mm
    faces = board_faces(plan.pieces)
    water = " Dark lines are watercourses." if plan.water is not None else ""

    def paint(pen: Pen) -> None:
        width = paper.width_mm - 2.0 * SIDE_MM
        middle = paper.width_mm / 2.0
        pen.text(middle, 46.0, plan.brief.title, size=12.0, font=BOLD, align="middle", within=width)
        pen.text(middle, 57.0, "Build book", size=6.0, align="middle")
        draw_faces(pen, faces, SIDE_MM, 72.0, width, paper.height_mm - 134.0)
        for line, words in enumerate((
            f"A table of {width_mm:,.0f} x {depth_mm:,.0f} mm in {board.n_cells:,} hexagons,"
            f" 1:{board.scale:,.0f}",
            "Seen from the front, heights not exaggerated." + water,
        )):  # fmt: skip
            y = paper.height_mm - 46.0 + 6.0 * line
            pen.text(middle, y, words, size=3.8, align="middle", within=width)

    return Page("", paint, entry="Cover")


def _entries_per_page(paper: Format) -> int:
    return int(paper.room_mm[3] // _LINE_MM)


def _contents(
    entries: Sequence[Page], numbers: dict[int, int], paper: Format, n_pages: int
) -> list[Page]:
    """List sections and their pages, each line a link."""
    left, top, width, _ = paper.room_mm
    per_page = _entries_per_page(paper)

    def page(held: Sequence[Page]) -> Page:
        def paint(pen: Pen) -> None:
            for line, entry in enumerate(held):
                y = top + 4.0 + line * _LINE_MM
                number = str(numbers[id(entry)])
                x = left + 6.0 * entry.depth
                font = FONT if entry.depth else BOLD
                pen.text(x, y, entry.entry, font=font, within=width - 20.0)
                pen.text(left + width, y, number, align="right", font=font)
                start = x + text_mm(entry.entry, TEXT_MM, font) + 2.0
                end = left + width - text_mm(number, TEXT_MM, font) - 2.0
                pen.line(((start, y), (end, y)), width=0.15, ink=GREY, dashes=(0.2, 1.4))
                low = pen.at(left, y + 1.5)
                high = pen.at(left + width, y - 4.0)
                pen.canvas.linkAbsolute("", _mark(numbers[id(entry)]), (*low, *high), thickness=0)

        return Page("Contents", paint, entry="Contents")

    return [page(entries[n * per_page : (n + 1) * per_page]) for n in range(n_pages)]
