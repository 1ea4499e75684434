"""Pieces to make, and the schedule that lists them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from hexterra.lattice.hexagon import Hand, Part
from hexterra.values import Value

PieceKind = Literal["tile", "spacer", "footing"]


#: What a schedule lists beside pieces: jobs of finishing, which nobody owns.
FINISH: Final = "finish"


Footings = Literal["keyed rim", "plain", "none"]


#: The parts in the order in which they are listed.
PARTS: Final[tuple[Part, ...]] = ("whole", "corner-cut half", "side-cut half", "quarter")


HANDS: Final[tuple[Hand, ...]] = ("", "left", "right")


#: What a stack stands on; the first is nothing.
FOOTINGS: Final = ("", "keyed", "plain")


@dataclass(frozen=True, eq=False, repr=False)
class Piece(Value):
    """One kind of piece to make.

    Parameters
    ----------
    kind
        "tile", "spacer" or "footing".
    name
        Unique among the pieces of a schedule, in plain words.
    part
        What of a hexagon it is.
    hand
        Tiles that are quarters come "left" and "right". Seen from the right angle at the board's
        corner, the longer of its two cut edges is on that hand. All else has "".
    pattern
        Name of the top's pattern; "" where it is no tile.
    turn
        How far the pattern is turned in the piece, in sides counter-clockwise. The sides of a
        whole tile are numbered so that this is 0. Those of a cut tile are numbered by its cut:
        side 0 of a corner-cut half and corner 0 of a side-cut half are the middle ones, and the
        cut of a quarter runs through corner 0.
    crossing, ports
        Name of the crossing, "" if dry, and the sides it joins, in the same numbers.
    thickness_mm
        Thickness of the block it is cut from.
    count
        How many are needed.
    water
        What the water of a crossing does, as in `hexterra.catalogue.catalogue.WATER`; "" if dry.
    widths
        Width class of the water on each of the six sides, that by which it runs off the board
        included; 0 where none crosses, and () if none does.
    upright
        Of these sides, those with vertical banks.
    leaves
        Side by which the water runs off the board, of whole tiles; -1 for none.
    road
        Sides that a sunken road joins.
    road_leaves
        Side by which the sunken road runs off the board, of whole tiles; -1 for none.
    """

    kind: PieceKind
    name: str
    part: Part
    hand: Hand
    pattern: str
    turn: int
    crossing: str
    ports: tuple[int, ...]
    thickness_mm: float
    count: int
    water: str = ""
    widths: tuple[int, ...] = ()
    upright: tuple[int, ...] = ()
    leaves: int = -1
    road: tuple[int, ...] = ()
    road_leaves: int = -1
