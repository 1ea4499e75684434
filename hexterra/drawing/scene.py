"""What every drawing is: lines, faces, circles and words, drawn once and written in any format.

Lengths are millimetres, x runs to the right and y up. A scene knows no file format; `svg`, `pdf`
and `dxf` beside this module each write one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal, Self

import numpy as np

from hexterra.drawing.lettering import text_width
from hexterra.values import Value, readonly

if TYPE_CHECKING:
    from numpy.typing import NDArray

INK = "#000000"
WHITE = "#ffffff"

Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]
#: Least x and y, then greatest x and y.
Bounds = tuple[float, float, float, float]


@dataclass(frozen=True)
class Style:
    """How lines and faces look.

    Parameters
    ----------
    ink
        Colour of the line as "#rrggbb"; "" for none.
    width_mm, dashes_mm
        Of the line: its width, and dashes and gaps in turn.
    fill
        Colour of the face; "" for none.
    opacity
        Of both.
    is_round
        Whether lines end in half a circle.
    is_seamless
        Whether faces touch others, so that no gap may show between them.
    """

    ink: str = ""
    width_mm: float = 0.0
    dashes_mm: tuple[float, ...] = ()
    fill: str = ""
    opacity: float = 1.0
    is_round: bool = False
    is_seamless: bool = False


@dataclass(frozen=True, eq=False)
class Lines(Value):
    """Lines or faces of one style.

    Parameters
    ----------
    points
        (n, k, 2) float64: n lines through k points each. A single line may be (k, 2).
    style
        How they look.
    course
        "open", "closed", or "curve": quadratic curves from the first to the third point, drawn
        toward the second.
    layer
        What the lines mean, for formats with layers; see `hexterra.drawing.layers`.
    """

    points: NDArray[np.float64]
    style: Style
    course: Literal["open", "closed", "curve"] = "open"
    layer: str = ""

    def __post_init__(self) -> None:
        """Check the points once."""
        points = np.asarray(self.points, dtype=np.float64)
        points = points[None] if points.ndim == 2 else points
        points = readonly(points, dtype=np.float64, shape=(None, None, 2), name="points")
        object.__setattr__(self, "points", points)

    @property
    def marks(self) -> NDArray[np.float64]:
        """All points, (m, 2)."""
        return self.points.reshape(-1, 2)

    def placed(self, x_mm: float, y_mm: float, scale: float = 1.0) -> Self:
        """Return these lines at another place and size; their width stays."""
        return replace(self, points=self.points * scale + (x_mm, y_mm))


@dataclass(frozen=True, eq=False)
class Circles(Value):
    """Circles of one size and style around `centres`, (n, 2) float64."""

    centres: NDArray[np.float64]
    radius_mm: float
    style: Style

    def __post_init__(self) -> None:
        """Check the centres once."""
        centres = readonly(self.centres, dtype=np.float64, shape=(None, 2), name="centres")
        object.__setattr__(self, "centres", centres)

    @property
    def marks(self) -> NDArray[np.float64]:
        """Corners of the boxes around the circles, (m, 2)."""
        return np.concatenate([self.centres - self.radius_mm, self.centres + self.radius_mm])

    def placed(self, x_mm: float, y_mm: float, scale: float = 1.0) -> Self:
        """Return these circles at another place and size; the width of their lines stays."""
        centres = self.centres * scale + (x_mm, y_mm)
        return replace(self, centres=centres, radius_mm=self.radius_mm * scale)


@dataclass(frozen=True)
class Text:
    """One line of text; `at` is where its baseline starts, has its middle or ends.

    `halo_mm` is how far white shows around the letters.
    """

    at: Point
    size_mm: float
    text: str
    anchor: Anchor = "start"
    angle_deg: float = 0.0
    ink: str = INK
    is_bold: bool = False
    is_italic: bool = False
    halo_mm: float = 0.0
    layer: str = "words"

    @property
    def left_mm(self) -> float:
        """How far from `at` the line begins, along it."""
        return {"start": 0.0, "middle": -0.5, "end": -1.0}[self.anchor] * self.width_mm

    @property
    def width_mm(self) -> float:
        """Length of the line."""
        return text_width(self.text, self.size_mm, bold=self.is_bold)

    @property
    def marks(self) -> NDArray[np.float64]:
        """Corners of the box around the text, counter-clockwise, (4, 2)."""
        box = rectangle(self.left_mm, -0.25 * self.size_mm, self.width_mm, 1.05 * self.size_mm)
        cos, sin = math.cos(math.radians(self.angle_deg)), math.sin(math.radians(self.angle_deg))
        return box @ np.array([[cos, sin], [-sin, cos]]) + self.at

    def placed(self, x_mm: float, y_mm: float, scale: float = 1.0) -> Self:
        """Return the text at another place and size."""
        at = self.at[0] * scale + x_mm, self.at[1] * scale + y_mm
        size_mm, halo_mm = self.size_mm * scale, self.halo_mm * scale
        return replace(self, at=at, size_mm=size_mm, halo_mm=halo_mm)


@dataclass(frozen=True, eq=False)
class Clipped(Value):
    """Items of which only what lies inside `box` is shown."""

    box: Bounds
    items: tuple[Item, ...]

    @property
    def marks(self) -> NDArray[np.float64]:
        """Two corners of the box, (2, 2)."""
        return np.reshape(self.box, (2, 2))

    def placed(self, x_mm: float, y_mm: float, scale: float = 1.0) -> Self:
        """Return the window and what it shows at another place and size."""
        box = self.marks * scale + (x_mm, y_mm)
        items = tuple(item.placed(x_mm, y_mm, scale) for item in self.items)
        return replace(self, box=tuple(box.ravel().tolist()), items=items)


@dataclass(frozen=True, eq=False)
class SharedScene(Value):
    """A whole scene, at a scale that applies to its line widths too.

    A file that shows it on several pages keeps it once, by its name.
    """

    scene: Scene
    x_mm: float = 0.0
    y_mm: float = 0.0
    scale: float = 1.0

    @property
    def marks(self) -> NDArray[np.float64]:
        """Two corners of what the scene covers, (2, 2)."""
        return np.reshape(self.scene.bounds, (2, 2)) * self.scale + (self.x_mm, self.y_mm)

    def placed(self, x_mm: float, y_mm: float, scale: float = 1.0) -> Self:
        """Return the scene shown at another place and size."""
        x, y = self.x_mm * scale + x_mm, self.y_mm * scale + y_mm
        return replace(self, x_mm=x, y_mm=y, scale=self.scale * scale)


Item = Lines | Circles | Text | Clipped | SharedScene


@dataclass(frozen=True, eq=False)
class Scene(Value):
    """A drawing.

    Parameters
    ----------
    items
        In drawing order.
    name
        File name without ending: lower-case words joined by hyphens.
    title
        What it shows, in one line.
    notes
        Sentences to print below it.
    page_mm
        Width and height of the page if the drawing is one, from the origin.
    """

    items: tuple[Item, ...]
    name: str = ""
    title: str = ""
    notes: tuple[str, ...] = ()
    page_mm: tuple[float, float] | None = None

    @cached_property
    def bounds(self) -> Bounds:
        """Least x and y and greatest x and y of the page, or else of all that is drawn."""
        if self.page_mm is not None:
            return (0.0, 0.0, *self.page_mm)
        marks = np.concatenate([item.marks for item in self.items])
        return (*marks.min(axis=0).tolist(), *marks.max(axis=0).tolist())

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        left, low, right, high = self.bounds
        return right - left, high - low

    @property
    def words(self) -> tuple[Text, ...]:
        """All text that is neither clipped nor in a shared scene."""
        return tuple(item for item in self.items if isinstance(item, Text))

    def placed(self, x_mm: float, y_mm: float, scale: float = 1.0) -> Self:
        """Return the drawing at another place and size, words and all; line widths stay."""
        items = tuple(item.placed(x_mm, y_mm, scale) for item in self.items)
        page_mm = self.page_mm and (self.page_mm[0] * scale, self.page_mm[1] * scale)
        return replace(self, items=items, page_mm=page_mm)

    def fitted(self, width_mm: float, height_mm: float) -> Self:
        """Return the drawing at the largest size that fits; line widths stay."""
        width, height = self.size_mm
        return self.placed(0.0, 0.0, min(width_mm / width, height_mm / height))


def joined(scenes: Iterable[Scene], *, name: str, title: str, notes: Sequence[str]) -> Scene:
    """Put drawings that already lie beside each other into one."""
    return Scene(tuple(item for scene in scenes for item in scene.items), name, title, tuple(notes))


def rectangle(x: float, y: float, width: float, height: float) -> NDArray[np.float64]:
    """Return the corners of an upright rectangle from its lower left one, (4, 2) float64."""
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])
