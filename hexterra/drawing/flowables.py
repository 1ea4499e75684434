"""What flows over the pages of a document: sections, paragraphs, pictures, and the contents."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from functools import cache
from typing import Any, Final, Literal
from xml.sax.saxutils import escape

from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import (
    Flowable,
    NextPageTemplate,
    PageBreak,
    Paragraph,
    Spacer,
    TableStyle,
)
from reportlab.platypus.tableofcontents import TableOfContents

from hexterra.drawing.lettering import is_plain, text_width
from hexterra.drawing.pdf import BOLD, FONT, POINTS_PER_MM, draw_scene, register_fonts
from hexterra.drawing.scene import Anchor, Scene, Text

#: Size of ordinary text.
TEXT_MM: Final = 3.2
Align = Literal["left", "middle", "right"]
_ANCHORS: Final[dict[Align, Anchor]] = {"left": "start", "middle": "middle", "right": "end"}


class Heading(Spacer):
    """The start of a section: takes no room on the page, but lets the document note the section.

    Parameters
    ----------
    title
        What contents and bookmarks call the section; "" for none that they name.
    level
        0 for a section, 1 for a part of one.
    heading
        Heading of its pages; the title by default.
    is_listed
        Whether the contents name it too.
    """

    def __init__(
        self, title: str, level: int = 0, heading: str | None = None, *, is_listed: bool = True
    ) -> None:
        super().__init__(0, 0)
        self.is_listed = is_listed
        self.title = title
        self.level = level
        self.heading = title if heading is None else heading


def section(
    title: str,
    content: Iterable[Flowable],
    *,
    level: int = 0,
    is_landscape: bool = False,
    heading: str | None = None,
) -> list[Flowable]:
    """Return content that begins a new page, portrait or landscape; see `Heading`."""
    turned = NextPageTemplate("landscape" if is_landscape else "portrait")
    return [turned, PageBreak(), Heading(title, level, heading), *content]


def contents(*, size_mm: float = TEXT_MM, leading: float = 2.0) -> Flowable:
    """Return the list of all sections with their pages; `leading` is in font sizes."""
    styles: list[Any] = [
        _style(size_mm, is_bold=True, leading=leading),
        _style(size_mm, leading=leading, indent_mm=6.0),
    ]
    # Without this the PDF would name a font that it does not embed.
    commands = [("FONTNAME", (0, 0), (-1, -1), FONT)]
    commands += [
        (f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("TOP", "BOTTOM", "LEFT", "RIGHT")
    ]
    return TableOfContents(levelStyles=styles, dotsMinLevel=0, tableStyle=TableStyle(commands))


def paragraph(
    words: str,
    *,
    size_mm: float = TEXT_MM,
    is_bold: bool = False,
    align: Align = "left",
    leading: float = 1.4,
    after_mm: float = 0.0,
) -> Flowable:
    """Return a paragraph of any script; line feeds begin new lines, `leading` is in font sizes."""
    if is_plain(words.replace("\n", "")):
        style = _style(size_mm, is_bold=is_bold, align=align, leading=leading, after_mm=after_mm)
        return Paragraph(escape(words).replace("\n", "<br/>"), style)

    def lines(width_mm: float, _: float) -> Scene:
        """Set what reportlab cannot: letters that fonts lack, that join or that run leftward."""
        x = {"left": 0.0, "middle": 0.5, "right": 1.0}[align] * width_mm
        found = broken(words, width_mm, size_mm, is_bold=is_bold)
        height_mm = len(found) * leading * size_mm
        items = (
            Text((x, height_mm - (n * leading + 1.0) * size_mm), size_mm, line, _ANCHORS[align],
                 is_bold=is_bold)
            for n, line in enumerate(found)
        )  # fmt: skip
        return Scene(tuple(items), page_mm=(width_mm, height_mm))

    return FittedPicture(lines, after_mm)


@cache
def _style(
    size_mm: float,
    *,
    is_bold: bool = False,
    align: Align = "left",
    leading: float,
    indent_mm: float = 0.0,
    after_mm: float = 0.0,
) -> ParagraphStyle:
    register_fonts()
    alignment: Any = ("left", "middle", "right").index(align)
    return ParagraphStyle(
        name="text",
        fontName=BOLD if is_bold else FONT,
        fontSize=size_mm * POINTS_PER_MM,
        leading=leading * size_mm * POINTS_PER_MM,
        alignment=alignment,
        leftIndent=indent_mm * POINTS_PER_MM,
        spaceAfter=after_mm * POINTS_PER_MM,
    )


def broken(words: str, width: float, size: float, *, is_bold: bool = False) -> list[str]:
    """Break words into lines that fit: after spaces and after East Asian characters."""
    lines: list[str] = []
    for line in words.split("\n"):
        lines.append("")
        for part in re.split(r"(?<= )|(?<=[\u2e80-\uffef])", line):
            longer = lines[-1] + part
            if lines[-1] and text_width(longer.rstrip(), size, bold=is_bold) > width:
                lines.append(part)
            else:
                lines[-1] = longer
    return [line.rstrip() for line in lines]


class Drawn(Flowable):
    """A flowable that is not drawn in the pass that only counts pages."""

    def draw(self) -> None:
        """Draw, unless pages are only being counted."""
        document: Any = self.canv._doctemplate  # pyright: ignore[reportAttributeAccessIssue]
        if not document.is_counting:
            self.paint()

    def paint(self) -> None:
        """Draw on `canv` with the lower left corner at the origin."""
        raise NotImplementedError


class Picture(Drawn):
    """A scene at full size, "LEFT", in the "CENTER" or "RIGHT" in the width that there is."""

    def __init__(self, scene: Scene, align: str = "CENTER") -> None:
        super().__init__()
        self.scene = scene
        self.hAlign = align  # pyright: ignore[reportAttributeAccessIssue] - read where it is drawn

    def wrap(self, aW: float, aH: float) -> tuple[float, float]:
        """Find the size in points."""
        self.width, self.height = (side * POINTS_PER_MM for side in self.scene.size_mm)
        return self.width, self.height

    def paint(self) -> None:
        """Draw the scene."""
        left, low, _, _ = self.scene.bounds
        draw_scene(self.canv, self.scene, -left, -low)


class FittedPicture(Picture):
    """A scene that `make` returns for width and height of the room left, both in millimetres."""

    def __init__(self, make: Callable[[float, float], Scene], after_mm: float = 0.0) -> None:
        super().__init__(Scene(()))
        self.make = cache(make)
        self.spaceAfter = after_mm * POINTS_PER_MM

    def wrap(self, aW: float, aH: float) -> tuple[float, float]:
        """Make the scene."""
        self.scene = self.make(aW / POINTS_PER_MM - 1e-3, aH / POINTS_PER_MM - 1e-3)
        return super().wrap(aW, aH)
