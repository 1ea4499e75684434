"""How pages of the build book look: what surrounds them, and figures side by side."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any, Final

from reportlab.platypus import Flowable, Table

from hexterra.drawing.board_plan import GREY, board_plan
from hexterra.drawing.flowables import FittedPicture, Picture, paragraph, section
from hexterra.drawing.lettering import text_width
from hexterra.drawing.pdf import FONT, POINTS_PER_MM, colour
from hexterra.drawing.pdf_document import Margins, PageFacts
from hexterra.drawing.scene import Item, Scene, Text

if TYPE_CHECKING:
    from hexterra.stages.schedule.schedule import Schedule

MARGINS: Final = Margins(side_mm=14.0, top_mm=27.0, foot_mm=14.0)
#: Width of the content on the narrower paper.
CONTENT_MM: Final = 182.0
#: Title of the section that the foot of every page refers to.
CAUTIONS_TITLE: Final = "Cautions"

_GAP_MM: Final = 4.0
_TITLE_MM: Final = 2.8
_NOTE_MM: Final = 2.4


def content_mm(paper_mm: tuple[float, float], *, is_landscape: bool) -> tuple[float, float]:
    """Return the width and height that content may fill of a landscape or portrait page."""
    width, height = reversed(paper_mm) if is_landscape else paper_mm
    return width - 2.0 * MARGINS.side_mm, height - MARGINS.top_mm - MARGINS.foot_mm


def around(title: str) -> Callable[[PageFacts], Iterator[Item]]:
    """Return what draws the heading, the number and the warning of a page of a book."""

    def draw(facts: PageFacts) -> Iterator[Item]:
        if not facts.heading:
            return
        left, right = MARGINS.side_mm, facts.width_mm - MARGINS.side_mm
        top = facts.height_mm - 9.5
        number = f"page {facts.number} of {facts.n_pages}"
        room = right - left - text_width(number, 2.8) - 6.0
        yield _one_line(left, top, title, 2.8, room, ink=GREY)
        yield Text((right, top), 2.8, number, "end")
        heading = f"{facts.heading}, continued" if facts.is_continued else facts.heading
        yield _one_line(left, top - 10.0, heading, 6.0, right - left - 20.0, is_bold=True)
        page = facts.page_of.get(CAUTIONS_TITLE, 0)
        words = f"Fumes, hot wire, fire, blades: read the cautions on page {page} first."
        yield Text((left, 7.0), 2.6, words, ink=GREY)

    return draw


def _one_line(x: float, y: float, words: str, size: float, room: float, **style: Any) -> Text:
    """Return a line of text that shrinks to fit a room."""
    line = Text((x, y), size, words, **style)
    return Text((x, y), size * min(1.0, room / max(line.width_mm, 1e-9)), words, **style)


def lead(words: str) -> Flowable:
    """Return the paragraph that a section begins with."""
    return paragraph(words, after_mm=3.0)


def whole_page(make: Callable[[tuple[float, float]], Scene]) -> Flowable:
    """Return a picture that is made for the room left on its page, (width, height) in mm."""
    return FittedPicture(lambda width_mm, height_mm: make((width_mm, height_mm)))


def plan_section(
    title: str,
    schedule: Schedule,
    word: Callable[[int], str],
    *,
    key: str = "",
    level: int = 1,
    **drawn: Any,
) -> list[Flowable]:
    """Return a page with a plan of the board, in landscape if the board is wide.

    Parameters
    ----------
    title
        Of the page.
    schedule, word, drawn
        See `hexterra.drawing.board_plan.board_plan`.
    key
        What to say above the plan.
    level
        0 for a section, 1 for a part of one.
    """
    plan = whole_page(lambda room_mm: board_plan(schedule, word, room_mm=room_mm, **drawn))
    width_mm, depth_mm = schedule.board.size_mm
    content = [lead(key), plan] if key else [plan]
    return section(title, content, level=level, is_landscape=width_mm > depth_mm)


def figure_rows(figures: Iterable[Scene], n_columns: int = 3) -> list[Flowable]:
    """Lay figures with their titles and notes side by side; one takes as many columns as it needs.

    The figures of a row stay on one page.
    """
    column_mm = (CONTENT_MM + _GAP_MM) / n_columns
    rows: list[list[tuple[Scene, int]]] = [[]]
    n_free = n_columns
    for figure in figures:
        span = min(math.ceil((figure.size_mm[0] + _GAP_MM) / column_mm - 1e-9), n_columns)
        if span > n_free:
            rows.append([])
            n_free = n_columns
        rows[-1].append((figure, span))
        n_free -= span
    return [_figure_row(row, column_mm) for row in rows if row]


def _figure_row(row: list[tuple[Scene, int]], column_mm: float) -> Flowable:
    titles = [
        paragraph(_capital(figure.title), size_mm=_TITLE_MM, is_bold=True) for figure, _ in row
    ]
    pictures = [Picture(figure) for figure, _ in row]
    notes = [paragraph("\n".join(figure.notes), size_mm=_NOTE_MM) for figure, _ in row]
    style = [
        ("FONTNAME", (0, 0), (-1, -1), FONT),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("ALIGN", (0, 1), (-1, 1), "CENTER"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), _GAP_MM * POINTS_PER_MM),
        ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
        ("LINEBELOW", (0, 2), (-1, 2), 0.2, colour(GREY)),
    ]
    widths = [span * column_mm * POINTS_PER_MM for _, span in row]
    widths[-1] -= _GAP_MM * POINTS_PER_MM
    return Table(
        [titles, pictures, notes], widths, style=style, splitByRow=0, hAlign="LEFT",
        spaceAfter=_GAP_MM,
    )  # fmt: skip


def _capital(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}"
