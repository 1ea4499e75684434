"""Paper and ink of a map: where the board lies on the sheet, and the colours of things."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice import hexagon

if TYPE_CHECKING:
    from hexterra.lattice.board import Board

INK: Final = "#16191c"
WATER: Final = "#0b3569"
CLIFF: Final = "#4a1206"

#: Tints from the lowest to the highest level, as red, green and blue. Each grows from one to the
#: next, so lightness does too, in grey as in colour; ink is legible on all of them.
_STOPS: Final = ((118, 142, 136), (184, 192, 158), (250, 243, 225))


class Tints:
    """Colours of built heights from 0 to `top` steps."""

    def __init__(self, top: int) -> None:
        self.top = top

    def at(self, height_steps: float) -> str:
        """Return the colour of a height; lightness grows strictly with it."""
        share = min(max(height_steps / max(self.top, 1), 0.0), 1.0) * (len(_STOPS) - 1)
        first = min(int(share), len(_STOPS) - 2)
        mixed = (
            low + (high - low) * (share - first)
            for low, high in zip(_STOPS[first], _STOPS[first + 1], strict=True)
        )
        return "#" + "".join(f"{round(channel):02x}" for channel in mixed)


@dataclass(frozen=True)
class Sheet:
    """Where things of the board lie on the paper.

    Parameters
    ----------
    board
        What is drawn.
    scale
        Paper length per bench length.
    left_mm, top_mm
        Upper left corner of the board on the paper.
    """

    board: Board
    scale: float
    left_mm: float
    top_mm: float

    @property
    def flats_mm(self) -> float:
        """Distance across flats of a hexagon on the paper."""
        return self.board.across_flats_mm * self.scale

    @property
    def size_mm(self) -> NDArray[np.float64]:
        """Width and depth of the board on the paper, (2,)."""
        return np.array(self.board.size_mm) * self.scale

    def place(self, bench_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Carry bench points to the paper, where y runs down."""
        x = self.left_mm + bench_mm[..., 0] * self.scale
        y = self.top_mm + (self.board.size_mm[1] - bench_mm[..., 1]) * self.scale
        return np.stack((x, y), axis=-1)

    def corner(self) -> NDArray[np.float64]:
        """Corners of each whole hexagon on the paper, (n, 6, 2)."""
        offset = hexagon.corner_offsets(self.board.across_flats_mm, self.board.facing)
        return self.place(self.board.centre_mm[:, None, :] + offset)

    def centre(self) -> NDArray[np.float64]:
        """Centre of each whole hexagon on the paper, (n, 2)."""
        return self.place(self.board.centre_mm)

    def middle(self) -> NDArray[np.float64]:
        """Middle of what the board keeps of each hexagon on the paper, (n, 2)."""
        whole = hexagon.corner_offsets(self.board.across_flats_mm, self.board.facing)
        shift = self.board.kept * whole.max(axis=0) / 2.0
        return self.place(self.board.centre_mm + shift)
