"""Pieces -> boxes: how many boxes a board is stored in, and what lies in each."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import Final

from hexterra.brief.bench_sections import BenchBrief, SheetBrief
from hexterra.errors import StockError
from hexterra.lattice.hexagon import Part
from hexterra.stages.schedule.schedule import Schedule
from hexterra.values import Value
from hexterra.workshop.sheets.nesting import nest

_NEAR_MM: Final = 1e-6


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


def fill_boxes(pieces: Schedule, bench: BenchBrief) -> tuple[BoxLoad, ...]:
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
    floor = SheetBrief(thickness_mm=1.0, length_mm=bench.box_length_mm, width_mm=bench.box_width_mm)
    tiers: list[Tier] = []
    for kind in ("tile", "spacer", "footing"):
        for one, thickness_mm in sorted(counts, key=lambda key: -key[1]):
            if one != kind:
                continue
            if thickness_mm > bench.box_height_mm + _NEAR_MM:
                raise StockError(
                    f"a {kind} is {thickness_mm:g} mm thick and does not fit a box of"
                    f" {bench.box_height_mm:g} mm height",
                    remedy="use a higher box",
                    thickness_mm=thickness_mm,
                    height_mm=bench.box_height_mm,
                )
            try:
                laid_out = nest(
                    counts[kind, thickness_mm],
                    pieces.board.across_flats_mm,
                    floor,
                    kerf_mm=bench.box_gap_mm,
                    margin_mm=0.0,
                )
            except StockError as error:
                raise StockError(
                    f"a {kind} of {pieces.board.across_flats_mm:g} mm across flats does not fit a"
                    f" box of {bench.box_length_mm:g} x {bench.box_width_mm:g} mm",
                    remedy="use a larger box: box_length_mm, box_width_mm",
                    length_mm=bench.box_length_mm,
                    width_mm=bench.box_width_mm,
                ) from error
            for sheet in laid_out.sheets:
                tiers.append(Tier(kind, thickness_mm, tuple(sorted(Counter(sheet.parts).items()))))
    boxes: list[list[Tier]] = []
    used_mm: list[float] = []
    for tier in tiers:
        room = bench.box_height_mm - tier.thickness_mm + _NEAR_MM
        number = next((i for i, used in enumerate(used_mm) if used <= room), len(boxes))
        if number == len(boxes):
            boxes.append([])
            used_mm.append(0.0)
        boxes[number].append(tier)
        used_mm[number] += tier.thickness_mm
    return tuple(BoxLoad(tuple(load)) for load in boxes)
