"""Paper and ink of a map: where the board lies on the page, the colours of things, edge names."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing.scene import Bounds, Text
from hexterra.lattice import hexagon

if TYPE_CHECKING:
    from hexterra.lattice.board import Board

INK: Final = "#16191c"
WATER: Final = "#0b3569"
CLIFF: Final = "#4a1206"

#: Tints from the lowest to the highest level, as red, green and blue. Each grows from one to the
#: next, so lightness does too, in grey as in colour; ink is legible on all of them.
STOPS: Final = ((118, 142, 136), (184, 192, 158), (250, 243, 225))


class Tints:
    """Colours of built heights from 0 to `top` steps."""

    def __init__(self, top: int) -> None:
        self.top = top

    def at(self, height_steps: float) -> str:
        """Return the colour of a height; lightness grows strictly with it."""
        share = min(max(height_steps / max(self.top, 1), 0.0), 1.0) * (len(STOPS) - 1)
        first = min(int(share), len(STOPS) - 2)
        mixed = (
            low + (high - low) * (share - first)
            for low, high in zip(STOPS[first], STOPS[first + 1], strict=True)
        )
        return "#" + "".join(f"{round(channel):02x}" for channel in mixed)

    def inked(self, height_steps: float, share: float) -> str:
        """Return the colour of ink of which only a share covers the colour of a height."""
        ground, ink = (bytes.fromhex(tint[1:]) for tint in (self.at(height_steps), INK))
        mixed = (i * share + g * (1.0 - share) for i, g in zip(ink, ground, strict=True))
        return "#" + "".join(f"{round(channel):02x}" for channel in mixed)


@dataclass(frozen=True)
class MapSheet:
    """Where things of the board lie on the page.

    Parameters
    ----------
    board
        What is drawn.
    scale
        Paper length per bench length.
    left_mm, low_mm
        Front left corner of the board on the page, from the page's lower left corner.
    """

    board: Board
    scale: float
    left_mm: float
    low_mm: float

    @property
    def flats_mm(self) -> float:
        """Distance across flats of a hexagon on the page."""
        return self.board.across_flats_mm * self.scale

    @property
    def box(self) -> Bounds:
        """What the board covers of the page."""
        width, depth = (side * self.scale for side in self.board.size_mm)
        return self.left_mm, self.low_mm, self.left_mm + width, self.low_mm + depth

    def place(self, bench_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convert points of the bench to points of the page."""
        return np.array((self.left_mm, self.low_mm)) + bench_mm * self.scale

    def corner(self) -> NDArray[np.float64]:
        """Corners of each whole hexagon on the page, (n, 6, 2)."""
        offset = hexagon.corner_offsets(self.board.across_flats_mm, self.board.facing)
        return self.place(self.board.centre_mm[:, None, :] + offset)

    def port(self) -> NDArray[np.float64]:
        """Middle of each side of each whole hexagon on the page, (n, 6, 2)."""
        corner = self.corner()
        return (corner + np.roll(corner, -1, axis=1)) / 2.0

    def centre(self) -> NDArray[np.float64]:
        """Centre of each whole hexagon on the page, (n, 2)."""
        return self.place(self.board.centre_mm)

    def middle(self) -> NDArray[np.float64]:
        """Middle of what the board keeps of each hexagon on the page, (n, 2)."""
        whole = hexagon.corner_offsets(self.board.across_flats_mm, self.board.facing)
        shift = self.board.kept * whole.max(axis=0) / 2.0
        return self.place(self.board.centre_mm + shift)


def arrow_heads(
    along: NDArray[np.float64], across_flats: float, *, ahead: float, behind: float, half: float
) -> NDArray[np.float64]:
    """Return triangles that point along vectors, (n, 3, 2), around the points that they mark.

    How far they reach ahead, behind and to each side is in distances across flats.
    """
    out = along / np.linalg.norm(along, axis=1)[:, None] * across_flats
    side = half * np.stack((-out[:, 1], out[:, 0]), axis=1)
    return np.stack((ahead * out, side - behind * out, -side - behind * out), axis=1)


def edge_names(
    sheet: MapSheet, cells: NDArray[np.intp], box: Bounds, size_mm: float, ink: str
) -> Iterator[Text]:
    """Write the names of the columns of cells above and below a box, and of rows beside it."""
    board, centre = sheet.board, sheet.centre()
    left, low, right, high = box
    for column in np.unique(board.column[cells]).tolist():
        own = cells[board.column[cells] == column]
        letters = board.labels[own[0]].rstrip("0123456789")
        for cell, y in ((own[0], low - 1.3 * size_mm), (own[-1], high + 0.5 * size_mm)):
            x = float(centre[cell, 0])
            yield Text((x, y), size_mm, letters, "middle", ink=ink, is_bold=True)
    for row in np.unique(board.row[cells]).tolist():
        own = cells[board.row[cells] == row]
        gap_mm, drop_mm = 0.5 * size_mm, 0.36 * size_mm
        name, first, last = str(row + 1), float(centre[own[0], 1]), float(centre[own[-1], 1])
        yield Text((left - gap_mm, first - drop_mm), size_mm, name, "end", ink=ink, is_bold=True)
        yield Text((right + gap_mm, last - drop_mm), size_mm, name, ink=ink, is_bold=True)
