"""What tells one tile to cut from another: its top, its outline, and what is cut across its sides.

The sides of a tile are numbered by the tile, not by where it stands. What is cut across a side is a
*mark*, a number; the six marks of a tile are all there is to know of its water and sunken roads.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.tiles.cuts import MAX_WIDTHS, Cuts

#: How many different marks there are; 0 is none.
N_MARKS: Final = 16 * (MAX_WIDTHS + 1)


class TileKind(NamedTuple):
    """A kind of tile.

    Parameters
    ----------
    pattern, part, hand, turn, crossing
        As of a schedule's `Piece`.
    ports, widths, upright, leaves, road, road_leaves
        What is cut across its sides, as of a schedule's `Piece`.
    """

    pattern: str
    part: str
    hand: str
    turn: int
    crossing: str
    ports: tuple[int, ...] = ()
    widths: tuple[int, ...] = ()
    upright: tuple[int, ...] = ()
    leaves: int = -1
    road: tuple[int, ...] = ()
    road_leaves: int = -1

    def describe(self, *, turned: bool) -> str:
        """Say in words what it is, and how the top of a cut tile is turned if that shows."""
        words = [f"{self.pattern} with {self.crossing}" if self.crossing else self.pattern]
        if self.part != "whole":
            words.append(f"{self.hand} {self.part}".strip())
            if turned:
                words.append(f"turned {self.turn}")
        if self.ports:
            words.append(f"port{'s' if len(self.ports) > 1 else ''} {_blanks(self.ports)}")
        crossed = [side for side, width in enumerate(self.widths) if width]
        if self.leaves >= 0:
            words.append(f"to the rim by {self.leaves}")
        if any(width > 1 for width in self.widths):
            words.append(f"widths {_blanks(self.widths[side] for side in crossed)}")
        if self.upright:
            where = "" if list(self.upright) == crossed else f" at {_blanks(self.upright)}"
            words.append(f"upright banks{where}")
        if self.road:
            words.append(f"sunken road {_blanks(self.road)}")
        if self.road_leaves >= 0:
            words.append(f"road to the rim by {self.road_leaves}")
        return ", ".join(words)


def _blanks(items: Iterable[int]) -> str:
    return " ".join(str(item) for item in items)


def marks_of(cuts: Cuts) -> NDArray[np.int64]:
    """Say in one number, below `N_MARKS`, what is cut across each side, (n, 6) int64."""
    side = np.arange(N_SIDES)
    marks = np.zeros(cuts.width.shape, dtype=np.int64)
    for n_values, value in (
        (2, side == cuts.road_leaves[:, None]),
        (2, cuts.road),
        (2, side == cuts.leaves[:, None]),
        (2, cuts.upright),
        (MAX_WIDTHS + 1, cuts.width),
    ):
        marks = marks * n_values + value
    return marks


def kind_of_marks(
    pattern: str, part: str, hand: str, turn: int, crossing: str, marks: Sequence[int]
) -> TileKind:
    """Name the kind of tile that has these marks on its sides 0 to 5."""
    widths = tuple(mark % (MAX_WIDTHS + 1) for mark in marks)
    flags = [mark // (MAX_WIDTHS + 1) for mark in marks]
    upright, leaves, road, road_leaves = (
        tuple(side for side, flag in enumerate(flags) if flag >> bit & 1) for bit in range(4)
    )
    return TileKind(
        pattern=pattern,
        part=part,
        hand=hand,
        turn=turn,
        crossing=crossing,
        ports=tuple(side for side, width in enumerate(widths) if width and side not in leaves),
        widths=widths if any(widths) else (),
        upright=upright,
        leaves=leaves[0] if leaves else -1,
        road=road,
        road_leaves=road_leaves[0] if road_leaves else -1,
    )
