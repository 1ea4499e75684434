"""Scenes -> SVG, and -> PNG by way of SVG.

One user unit is a millimetre and y runs down. Numbers are written with three decimals at most, so
the same drawing always gives the same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Final
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from hexterra.drawing.lettering import FONT, is_own, outlines, own_font
from hexterra.drawing.scene import (
    INK,
    WHITE,
    Circles,
    Clipped,
    Item,
    Lines,
    Scene,
    SharedScene,
    Style,
    Text,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LINES_TO_A_PATH: Final = 64
_HALO_OPACITY: Final = 0.7

_Attributes = dict[str, str | float]
#: Writes the element of a text, given its attributes.
_Letters = Callable[[Text, _Attributes], str]


def number(value: float) -> str:
    """Write a number with three decimals at most and no trailing zeros."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def scene_svg(scene: Scene, *, margin_mm: float = 0.0) -> str:
    """Write a scene as an SVG document at its own size, lines of a layer in a group of its name."""
    return _document(scene, margin_mm, _letters)


def scene_png(scene: Scene, *, pixels_per_mm: float, max_pixels: int) -> bytes:
    """Draw a scene as a PNG picture on white, of at most `max_pixels` on a side.

    Fonts are those of `hexterra.drawing.lettering`, so the picture is the same on a machine without
    any, but for letters that only its own fonts have.
    """
    import resvg_py

    # resvg takes a drawing to be whole millimetres wide and high.
    sides_mm = [math.ceil(side) for side in scene.size_mm]
    per_mm = min(pixels_per_mm, max_pixels / max(sides_mm))
    width, height = (round(side * per_mm) for side in sides_mm)
    return resvg_py.svg_to_bytes(
        svg_string=_document(scene, 0.0, _outlined_letters),
        background=WHITE,
        width=width,
        height=height,
        dpi=25.4,
        skip_system_fonts=True,
        font_files=[own_font(), own_font(bold=True)],
        font_family=FONT,
        sans_serif_family=FONT,
    )


def _document(scene: Scene, margin_mm: float, letters: _Letters) -> str:
    left, low, right, high = scene.bounds
    width, height = (number(side + 2.0 * margin_mm) for side in (right - left, high - low))
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm"'
        f' viewBox="0 0 {width} {height}" font-family="{FONT}, sans-serif"'
        ' stroke-linejoin="round">',
        f"<title>{escape(scene.title)}</title>",
    ]
    shift = margin_mm - left, margin_mm - low
    items = [item.placed(*shift) for item in scene.items] if any(shift) else scene.items
    lines += _Writer(high - low + 2.0 * margin_mm, letters).written(items)
    return "\n".join([*lines, "</svg>", ""])


@dataclass(frozen=True)
class _Writer:
    """Writes items for a page of this height."""

    height_mm: float
    letters: _Letters

    def written(self, items: Iterable[Item]) -> Iterator[str]:
        """Yield the elements of items; a run of items of one style is a group."""
        for shared, run in groupby(_by_layer(items), key=_group):
            if shared is not None:
                yield f"<g{_attributes(shared)}>"
            for item in run:
                yield from self._elements(item)
            if shared is not None:
                yield "</g>"

    def _elements(self, item: Item) -> Iterator[str]:
        if isinstance(item, Lines):
            data = [_data(line, item.course) for line in self._down(item.points).tolist()]
            for first in range(0, len(data), _LINES_TO_A_PATH):
                # The cost of drawing an element grows with the height that it spans.
                yield f'<path d="{"".join(data[first : first + _LINES_TO_A_PATH])}"/>'
        elif isinstance(item, Circles):
            for x, y in self._down(item.centres).tolist():
                yield f"<circle{_attributes({'cx': x, 'cy': y, 'r': item.radius_mm})}/>"
        elif isinstance(item, Text):
            yield self._text(item)
        elif isinstance(item, Clipped):
            left, low, right, high = item.box
            box: _Attributes = {
                "x": left, "y": self.height_mm - high, "width": right - left, "height": high - low
            }  # fmt: skip
            view = " ".join(number(float(value)) for value in box.values())
            yield f'<svg{_attributes(box)} viewBox="{view}">'
            yield from self.written(item.items)
            yield "</svg>"
        else:
            down = self.height_mm * (1.0 - item.scale) - item.y_mm
            place = f"translate({number(item.x_mm)} {number(down)}) scale({item.scale:.6g})"
            yield "<g>" if place == "translate(0 0) scale(1)" else f'<g transform="{place}">'
            yield from self.written(item.scene.items)
            yield "</g>"

    def _text(self, item: Text) -> str:
        x, y = item.at[0], self.height_mm - item.at[1]
        own: _Attributes = {"x": x, "y": y, "font-size": item.size_mm}
        if item.ink != INK:
            own["fill"] = item.ink
        if item.anchor != "start":
            own["text-anchor"] = item.anchor
        if item.is_bold:
            own["font-weight"] = "bold"
        if item.is_italic:
            own["font-style"] = "italic"
        if item.halo_mm:
            own |= {
                "stroke": WHITE, "stroke-width": 2.0 * item.halo_mm,
                "stroke-opacity": _HALO_OPACITY, "paint-order": "stroke",
            }  # fmt: skip
        if abs(item.angle_deg) > 1e-9:
            own["transform"] = f"rotate({-item.angle_deg:.3f} {x:.3f} {y:.3f})"
        return self.letters(item, own)

    def _down(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        return points * (1.0, -1.0) + (0.0, self.height_mm)


def _by_layer(items: Iterable[Item]) -> list[Item]:
    """Move the items of a layer together, to the place of the first."""
    places: dict[str | int, int] = {}
    return sorted(
        items,
        key=lambda item: places.setdefault(getattr(item, "layer", "") or -len(places), len(places)),
    )


def _group(item: Item) -> _Attributes | None:
    """Return the attributes that a group of such items shares; None if they are not grouped."""
    if isinstance(item, Clipped | SharedScene):
        return None
    layer = "" if isinstance(item, Circles) else item.layer
    own: _Attributes = {"id": layer} if layer else {}
    return own if isinstance(item, Text) else own | _style(item.style)


def _style(style: Style) -> _Attributes:
    own: _Attributes = {"fill": style.fill or "none"}
    if style.ink:
        own |= {"stroke": style.ink, "stroke-width": style.width_mm}
    if style.dashes_mm:
        own["stroke-dasharray"] = " ".join(map(number, style.dashes_mm))
    if style.is_round:
        own["stroke-linecap"] = "round"
    if style.opacity < 1.0:
        own["opacity"] = style.opacity
    if style.is_seamless:
        own["shape-rendering"] = "crispEdges"
    return own


def _data(points: Sequence[Sequence[float]], course: str) -> str:
    """Return path data of one line."""
    spots = [f"{number(x)} {number(y)}" for x, y in points]
    if course == "curve":
        return f"M{spots[0]}Q{spots[1]} {spots[2]}"
    return "M" + "L".join(spots) + ("Z" if course == "closed" else "")


def _attributes(attributes: _Attributes) -> str:
    return "".join(
        f" {name}={quoteattr(value if isinstance(value, str) else number(value))}"
        for name, value in attributes.items()
    )


def _letters(item: Text, own: _Attributes) -> str:
    return f"<text{_attributes(own)}>{escape(item.text)}</text>"


def _outlined_letters(item: Text, own: _Attributes) -> str:
    """Write the outlines of words for which resvg would search several fonts, or find none."""
    if is_own(item.text):
        return _letters(item, own)
    start = np.array([float(own["x"]) + item.left_mm, float(own["y"])])
    _, segments = outlines(item.text, bold=item.is_bold)
    size = item.size_mm * np.array([1.0, -1.0])
    data = (
        letter + " ".join(map(number, (start + points * size).ravel().tolist()))
        for letter, points in segments
    )
    kept = {
        name: value
        for name, value in own.items()
        if not name.startswith(("x", "y", "font", "text"))
    }
    return f'<path{_attributes(kept)} d="{"".join(data)}"/>'
