"""Flowing pages -> PDF: what every document of hexterra is made with.

A document is a list of flowables. Reportlab breaks the pages, lists the sections and writes the
bookmarks; what surrounds the content of a page is drawn once the facts of the page are known.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

from reportlab.platypus import BaseDocTemplate, Flowable, Frame, IndexingFlowable, PageTemplate

from hexterra.drawing.flowables import Heading
from hexterra.drawing.pdf import FONT, POINTS_PER_MM, draw_scene, register_fonts
from hexterra.drawing.scene import Item, Scene


@dataclass(frozen=True)
class PageFacts:
    """What is known of a page once its content is laid out.

    Parameters
    ----------
    width_mm, height_mm
        Width and height of the page.
    number, n_pages
        Which page of how many, from 1.
    heading
        Of the section that it belongs to.
    is_continued
        Whether the section began on an earlier page.
    page_of
        First page of every section, by its title.
    """

    width_mm: float
    height_mm: float
    number: int
    n_pages: int
    heading: str
    is_continued: bool
    page_of: Mapping[str, int]


@dataclass(frozen=True)
class Margins:
    """Paper around the content, in millimetres."""

    side_mm: float
    top_mm: float
    foot_mm: float


def write_document(
    story: Sequence[Flowable],
    *,
    title: str,
    subject: str,
    paper_mm: tuple[float, float],
    margins: Margins,
    around: Callable[[PageFacts], Iterable[Item]],
) -> bytes:
    """Write flowables as a PDF.

    Parameters
    ----------
    story
        What flows over the pages; the first page is portrait.
    title, subject
        Of the document.
    paper_mm
        Width and height of a portrait page.
    margins
        Around the content, the same on portrait and landscape pages.
    around
        Draws what a page has around its content.

    Returns
    -------
    bytes
        Fonts are embedded, viewers are asked not to scale, sections have bookmarks, and equal
        values give equal bytes.
    """
    register_fonts()
    stream = io.BytesIO()
    document = _Document(
        stream, title=title, subject=subject, author="hexterra", creator="hexterra", invariant=1,
        initialFontName=FONT,
    )  # fmt: skip
    document.around = around
    for name, size_mm in (("portrait", paper_mm), ("landscape", (paper_mm[1], paper_mm[0]))):
        width, height = (side * POINTS_PER_MM for side in size_mm)
        side, top, foot = (
            margin * POINTS_PER_MM for margin in (margins.side_mm, margins.top_mm, margins.foot_mm)
        )
        frame = Frame(side, foot, width - 2.0 * side, height - top - foot, 0, 0, 0, 0)
        document.addPageTemplates(
            PageTemplate(name, [frame], onPageEnd=document.furnish, pagesize=(width, height))
        )
    document.multiBuild([_PageCount(document), *story])
    return stream.getvalue()


class _Document(BaseDocTemplate):
    """Counts pages, and notes sections, while flowables are laid out."""

    around: Callable[[PageFacts], Iterable[Item]]
    heading = ""
    is_continued = False
    #: Found by this pass and by the one before: pages, and the first page of each section.
    found: tuple[int, dict[str, int]] = (0, {})
    known: tuple[int, dict[str, int]] = (0, {})

    @property
    def is_counting(self) -> bool:
        """Whether nothing is known of the pages yet."""
        return not self.known[0]

    def beforeDocument(self) -> None:
        """Keep what the last pass found, and start afresh."""
        self.known, self.found = self.found, (0, {})
        self.canv.setViewerPreference("PrintScaling", "None")
        self.canv.showOutline()

    def beforePage(self) -> None:
        """Expect the section to go on."""
        self.is_continued = True

    def afterFlowable(self, flowable: Flowable) -> None:
        """Note where sections begin."""
        if not isinstance(flowable, Heading):
            return
        self.heading, self.is_continued = flowable.heading, False
        page_of = self.found[1]
        if flowable.title and flowable.title not in page_of:
            page_of[flowable.title] = self.page
            key = f"section {len(page_of)}"
            self.canv.bookmarkPage(key)
            self.canv.addOutlineEntry(flowable.title, key, level=flowable.level)
            if flowable.is_listed:
                title = escape(flowable.title)
                self.notify("TOCEntry", (flowable.level, title, self.page, key))

    def furnish(self, canvas: Any, _: Any) -> None:
        """Draw what surrounds the content of a page."""
        self.found = self.page, self.found[1]
        width, height = (side / POINTS_PER_MM for side in canvas._pagesize)
        n_pages, page_of = self.known
        facts = PageFacts(
            width, height, self.page, n_pages, self.heading, self.is_continued, page_of
        )
        draw_scene(canvas, Scene(tuple(self.around(facts))))


class _PageCount(IndexingFlowable):
    """Takes no room, and asks for another pass until the pages of sections stay the same."""

    def __init__(self, document: _Document) -> None:
        super().__init__()
        self.document = document

    def isSatisfied(self) -> bool:
        """Return whether the last pass found what the one before did."""
        return self.document.found == self.document.known

    def wrap(self, aW: float, aH: float) -> tuple[float, float]:
        """Take no room."""
        return 0.0, 0.0

    def draw(self) -> None:
        """Draw nothing."""
