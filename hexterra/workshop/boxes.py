"""Pieces -> boxes: how many boxes a board is stored in, and what lies in each."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import Final

from hexterra.errors import StockError
from hexterra.lattice.hexagon import Part
from hexterra.stages.schedule import Schedule
from hexterra.values import Value
from hexterra.workshop.nesting import nest
from hexterra.workshop.ranges import check_range
from hexterra.workshop.stock import StockSheet

_NEAR_MM: Final = 1e-6


@dataclass(frozen=True, eq=False)
class Box(Value):
    """A storage box, inside; the sizes are common practice, no source.

    Parameters
    ----------
    length_mm, width_mm, height_mm
        Its size inside.
    gap_mm
        Room between pieces, so that they come out again.

    Raises
    ------
    BriefError
        If a size is not from 50 to 5000 mm, or the gap not from 0 to 50 mm.
    """

    length_mm: float = 560.0
    width_mm: float = 360.0
    height_mm: float = 280.0
    gap_mm: float = 2.0

    def __post_init__(self) -> None:
        for name in ("length_mm", "width_mm", "height_mm"):
            check_range(f"a box's {name}", getattr(self, name), 50.0, 5000.0, "mm")
        check_range("a box's gap_mm", self.gap_mm, 0.0, 50.0, "mm")


@dataclass(frozen=True, eq=False)
class Tier(Value):
    """Pieces of one kind and thickness that lie side by side in a box.

    Parameters
    ----------
    kind
        "tile", "spacer" or "footing".
    thickness_mm
        Of the pieces.
    counts
        How many of each part, by name.
    """

    kind: str
    thickness_mm: float
    counts: tuple[tuple[Part, int], ...]

    @property
    def n_pieces(self) -> int:
        """How many pieces lie in it."""
        return sum(count for _, count in self.counts)


@dataclass(frozen=True, eq=False)
class BoxLoad(Value):
    """What lies in one box.

    Parameters
    ----------
    tiers
        From the bottom.
    """

    tiers: tuple[Tier, ...]

    @property
    def height_mm(self) -> float:
        """How high the pieces reach."""
        return math.fsum(tier.thickness_mm for tier in self.tiers)

    @property
    def n_pieces(self) -> int:
        """How many pieces lie in it."""
        return sum(tier.n_pieces for tier in self.tiers)


def fill_boxes(pieces: Schedule, box: Box) -> tuple[BoxLoad, ...]:
    """Lay the pieces of a board in tiers and the tiers in boxes.

    Pieces of one kind and thickness lie side by side as on a sheet of the size of the box. Tiers
    go, kind after kind and thick before thin, into the first box with room for them.

    Raises
    ------
    StockError
        If a piece does not fit the box.
    """
    counts: dict[tuple[str, float], Counter[Part]] = {}
    for piece in pieces.pieces:
        key = (piece.kind, piece.thickness_mm)
        counts.setdefault(key, Counter())[piece.part] += piece.count
    floor = StockSheet(1.0, box.length_mm, box.width_mm)
    tiers: list[Tier] = []
    for kind in ("tile", "spacer", "footing"):
        for one, thickness_mm in sorted(counts, key=lambda key: -key[1]):
            if one != kind:
                continue
            if thickness_mm > box.height_mm + _NEAR_MM:
                raise StockError(
                    f"a {kind} is {thickness_mm:g} mm thick and does not fit a box of"
                    f" {box.height_mm:g} mm height",
                    remedy="use a higher box",
                    thickness_mm=thickness_mm,
                    height_mm=box.height_mm,
                )
            try:
                laid_out = nest(
                    counts[kind, thickness_mm],
                    pieces.board.across_flats_mm,
                    floor,
                    kerf_mm=box.gap_mm,
                    margin_mm=0.0,
                )
            except StockError as error:
                raise StockError(
                    f"a {kind} of {pieces.board.across_flats_mm:g} mm across flats does not fit a"
                    f" box of {box.length_mm:g} x {box.width_mm:g} mm",
                    remedy="use a larger box: box_length_mm, box_width_mm",
                    length_mm=box.length_mm,
                    width_mm=box.width_mm,
                ) from error
            for sheet in laid_out.sheets:
                tiers.append(Tier(kind, thickness_mm, tuple(sorted(Counter(sheet.parts).items()))))
    boxes: list[list[Tier]] = []
    used_mm: list[float] = []
    for tier in tiers:
        room = box.height_mm - tier.thickness_mm + _NEAR_MM
        number = next((i for i, used in enumerate(used_mm) if used <= room), len(boxes))
        if number == len(boxes):
            boxes.append([])
            used_mm.append(0.0)
        boxes[number].append(tier)
        used_mm[number] += tier.thickness_mm
    return tuple(BoxLoad(tuple(load)) for load in boxes)
