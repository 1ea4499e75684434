"""Letters on paper: which font has them, how wide they are, and their outlines.

Text is written in the fonts that matplotlib's own package carries, so that it looks the same
everywhere. Letters that those lack come from whatever fonts the machine has; what no font
has is shown as an empty square, which `write_plan` warns of.
"""

from __future__ import annotations

import unicodedata
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from matplotlib.ft2font import FT2Font
    from numpy.typing import NDArray

FONT: Final = "DejaVu Sans"
#: What stands for a letter that no font has.
SQUARE: Final = "\u25a1"

#: Letter of a segment as in SVG, and its points, (k, 2) float64.
Segment = tuple[str, "NDArray[np.float64]"]
#: By matplotlib's code of a segment.
_LETTERS: Final = {1: "M", 2: "L", 3: "Q", 4: "C", 79: "Z"}

#: Size at which a font is measured, in units of which 64 are a point.
_MEASURED: Final = 64


@cache
def own_font(*, bold: bool = False) -> str:
    """Return the file of the font that all text is written in."""
    import matplotlib

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return f"{matplotlib.get_data_path()}/fonts/ttf/{name}"


def other_fonts(words: str) -> list[str]:
    """List the files of further fonts that `words` take."""
    absent = {ord(letter) for letter in set(words) if _font_of(letter) not in {None, own_font()}}
    found: list[str] = []
    while absent:  # as few as may be, so that words keep to one font
        found.append(max(_system_fonts(), key=lambda file: len(absent & _codes(file))))
        absent -= _codes(found[-1])
    return found


def families(words: str) -> list[str]:
    """Name the families of the fonts that `words` take, for matplotlib."""
    return [FONT, *(_open(file).family_name for file in other_fonts(words))]


def shown(words: str) -> str:
    """Return words with a square for every letter that no font of this machine has.

    Accents and joiners that none has are left out.
    """
    absent = {letter for letter in set(words) if _font_of(letter) is None}
    return words.translate({ord(one): None if _is_aside(one) else SQUARE for one in absent})


def missing_letters(words: str) -> str:
    """Say which letters of `words` cannot be drawn; "" if all can."""
    absent = sorted(letter for letter in set(words) if _font_of(letter) is None)
    if not absent:
        return ""
    some = " ".join(f"{letter} (U+{ord(letter):04X})" for letter in absent[:5])
    more = f" and {len(absent) - 5:,} more" if len(absent) > 5 else ""
    return (
        f"no font on this machine has {some}{more}: map.png and PDFs show {SQUARE} instead; the"
        " other files have the text itself. To see it there, install a font for that script"
    )


def text_width(words: str, size: float, *, bold: bool = False) -> float:
    """Width of one line of text in the page's font, in the unit of `size`."""
    words = words if words.isascii() else shown(words)
    if is_plain(words):
        return sum(_advance(letter, bold) for letter in words) * size
    return outlines(words, bold=bold)[0] * size


def is_own(words: str) -> bool:
    """Tell whether the font that all text is written in has all letters of `words`."""
    return words.isascii() or all(_font_of(letter) == own_font() for letter in set(words))


def is_plain(words: str) -> bool:
    """Tell whether a writer that sets letter beside letter, in one font, gets words right."""
    return words.isascii() or all(map(_is_plain, set(words)))


@lru_cache(maxsize=1024)
def outlines(words: str, *, bold: bool = False) -> tuple[float, tuple[Segment, ...]]:
    """Return the width of one line, and the segments of its letters' outlines.

    Both are in font sizes; segments start at the left end of the baseline, and y runs up. Letters
    are shaped and ordered as their script wants where matplotlib does so, which is from 3.11 on.
    """
    from matplotlib.font_manager import get_font
    from matplotlib.path import Path
    from matplotlib.textpath import text_to_path

    words = shown(words)
    font = get_font([own_font(bold=bold), *other_fonts(words)])
    font.set_size(text_to_path.FONT_SCALE, text_to_path.DPI)
    placed, glyphs, _ = text_to_path.get_glyphs_with_font(font, words)
    font.set_text(words)
    width = font.get_width_height()[0] / _MEASURED / text_to_path.FONT_SCALE
    segments: list[Segment] = []
    for name, x, y, _ in placed:
        start = np.array([x, y])
        for points, code in Path(*glyphs[name]).iter_segments(simplify=False):
            ends = (points.reshape(-1, 2) + start) / text_to_path.FONT_SCALE
            segments.append((_LETTERS[int(code)], ends[: 0 if code == Path.CLOSEPOLY else None]))
    return width, tuple(segments)


@cache
def _is_plain(letter: str) -> bool:
    runs_left = unicodedata.bidirectional(letter) in {"R", "AL", "AN"}
    return not runs_left and not _is_aside(letter) and _font_of(letter) == own_font()


def _is_aside(letter: str) -> bool:
    """Tell whether a letter is an accent, joiner or the like, which goes with the one before."""
    category = unicodedata.category(letter)
    return category == "Cf" or category.startswith("M")


@cache
def _advance(letter: str, bold: bool) -> float:
    """How far one letter moves the pen, in font sizes."""
    from matplotlib.ft2font import LoadFlags

    font = _open(own_font(bold=bold))
    font.set_size(_MEASURED, 72)
    glyph = font.load_char(ord(letter), flags=LoadFlags.NO_HINTING)
    return glyph.linearHoriAdvance / 65536.0 / _MEASURED


@cache
def _font_of(letter: str) -> str | None:
    """Return the file of the first font that has a letter, if any does."""
    if letter.isascii() or _open(own_font()).get_char_index(ord(letter)):
        return own_font()
    return next((file for file in _system_fonts() if ord(letter) in _codes(file)), None)


@cache
def _system_fonts() -> tuple[str, ...]:
    """List the files of the machine's fonts: upright ones first, then plain ones, then by name."""
    import matplotlib
    from matplotlib.font_manager import fontManager

    found = {
        (font.style != "normal", font.weight != 400, "Sans" not in font.name, font.name, font.fname)
        for font in fontManager.ttflist
        if not font.fname.startswith(matplotlib.get_data_path())
    }
    return tuple(dict.fromkeys(file for *_, file in sorted(found)))


@cache
def _codes(file: str) -> frozenset[int]:
    """Return the code points that a font has outlines for."""
    try:
        font = _open(file)
    except (OSError, RuntimeError):
        return frozenset()
    return frozenset(font.get_charmap()) if font.scalable else frozenset()


def _open(file: str) -> FT2Font:
    from matplotlib.ft2font import FT2Font

    return FT2Font(file)
