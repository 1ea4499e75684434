"""Interlocked slots for hexagons on a rectangle, and what is put into them: part of `nest`.

Hexagons stand with points toward y here; `nest` turns the rectangle for the other facing. Their
centres lie on half-columns and rows. A slot at the rim of the rectangle keeps the half or quarter
of its hexagon that lies inside, and so takes a part of that shape. A half-column or row may be
*split*: one more kerf along it parts every hexagon with its centre there into two halves, for
nothing but the width of that kerf.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import product
from typing import Final, Literal

from hexterra.lattice.hexagon import Part, side_length

#: How much of a slot lies on the rectangle along one axis: all of it, all of it and separated by a
#: kerf, or the half toward greater or lesser coordinates.
Extent = Literal["full", "split", "upper", "lower"]
#: Wholes, corner-cut halves, side-cut halves and quarters.
Counts = tuple[int, int, int, int]
#: One piece in a slot: which half is kept along x and y, as in `hexagon.part_outline`.
Kept = tuple[int, int]

SLOT_PARTS: Final[tuple[Part, ...]] = ("whole", "corner-cut half", "side-cut half", "quarter")
#: Quarter hexagons that make up a part.
QUARTERS: Final = (4, 2, 2, 1)

_SLACK_MM: Final = 1e-9
_SIGN: Final = {"upper": 1, "lower": -1}


@dataclass(frozen=True)
class Axis:
    """Half-columns or rows along one axis.

    Parameters
    ----------
    at_mm
        Where their centres lie.
    extent
        How much of a hexagon there lies on the rectangle.
    """

    at_mm: tuple[float, ...]
    extent: tuple[Extent, ...]

    @property
    def n_split(self) -> int:
        """How many are split."""
        return self.extent.count("split")


def lay_axis(
    length_mm: float,
    reach_mm: float,
    pitch_mm: float,
    kerf_mm: float,
    start_mm: float,
    n_split: int,
) -> Axis:
    """Lay half-columns or rows from one end of a length to the other.

    Parameters
    ----------
    length_mm
        To fill.
    reach_mm
        Of a hexagon, from its centre.
    pitch_mm
        Between neighbouring centres, kerf included.
    kerf_mm
        Room that a split takes.
    start_mm
        Where the first centre lies.
    n_split
        How many of those that hold whole hexagons are split, from the start; fewer if there is
        no room.
    """
    at_mm: list[float] = []
    extent: list[Extent] = []
    here_mm = start_mm
    n_left = n_split
    while here_mm <= length_mm + _SLACK_MM:
        fits_below = here_mm - reach_mm >= -_SLACK_MM
        fits_above = here_mm + reach_mm <= length_mm + _SLACK_MM
        if fits_below and n_left and here_mm + kerf_mm + reach_mm <= length_mm + _SLACK_MM:
            at_mm.append(here_mm + kerf_mm / 2.0)
            extent.append("split")
            here_mm += kerf_mm
            n_left -= 1
        elif fits_below or fits_above:
            at_mm.append(here_mm)
            both = fits_below and fits_above
            extent.append("full" if both else "upper" if fits_above else "lower")
        here_mm += pitch_mm
    return Axis(tuple(at_mm), tuple(extent))


@dataclass(frozen=True)
class Layout:
    """Slots on one rectangle: rows and half-columns, in every second crossing a slot.

    Parameters
    ----------
    columns, rows
        Along x and y.
    parity
        0 if the first half-column of the first row has a slot, 1 if the second has.
    """

    columns: Axis
    rows: Axis
    parity: int

    @cached_property
    def slots(self) -> dict[tuple[Extent, Extent], tuple[tuple[int, int], ...]]:
        """Slots by their extents, each as half-column and row, in the order of half-columns."""
        found: dict[tuple[Extent, Extent], list[tuple[int, int]]] = {}
        for column, along_x in enumerate(self.columns.extent):
            for row in range((column + self.parity) % 2, len(self.rows.extent), 2):
                found.setdefault((along_x, self.rows.extent[row]), []).append((column, row))
        return {extents: tuple(places) for extents, places in found.items()}

    @cached_property
    def n_slots(self) -> dict[tuple[Extent, Extent], int]:
        """How many slots there are by their extents."""
        found: Counter[tuple[Extent, Extent]] = Counter()
        for one in (0, 1):
            across = Counter(self.rows.extent[(one + self.parity) % 2 :: 2])
            for along_x, n_columns in Counter(self.columns.extent[one::2]).items():
                for along_y, n_rows in across.items():
                    found[along_x, along_y] += n_columns * n_rows
        return dict(found)

    @cached_property
    def by_shape(self) -> tuple[tuple[tuple[Extent, Extent], ...], ...]:
        """Kinds of slots that keep the shape of each of `SLOT_PARTS`."""
        return tuple(
            tuple(extents for extents in self.n_slots if _own_part(extents) == part)
            for part in range(len(SLOT_PARTS))
        )

    @cached_property
    def n_whole(self) -> int:
        """How many whole hexagons fit."""
        return sum(count for extents, count in self.n_slots.items() if _is_inner(extents))

    @cached_property
    def n_quarters(self) -> int:
        """The most foam that can be placed, in quarter hexagons."""
        each = {True: 4, False: 2}
        return sum(
            count * (1 if _own_part(extents) == 3 else each[_is_inner(extents)])
            for extents, count in self.n_slots.items()
        )

    def piece_mm(self, place: tuple[int, int], kept: Kept, kerf_mm: float) -> tuple[float, float]:
        """Return the centre of the hexagon around which a piece in this slot lies."""
        x_mm = self.columns.at_mm[place[0]]
        y_mm = self.rows.at_mm[place[1]]
        if self.columns.extent[place[0]] == "split":
            x_mm += kept[0] * kerf_mm / 2.0
        if self.rows.extent[place[1]] == "split":
            y_mm += kept[1] * kerf_mm / 2.0
        return x_mm, y_mm


@lru_cache(maxsize=256)
def lay_layouts(
    width_mm: float, depth_mm: float, across_flats_mm: float, kerf_mm: float
) -> tuple[Layout, ...]:
    """Return the layouts worth trying on a rectangle, those of most whole hexagons first.

    The first half-column, and the first row, lies either where a whole hexagon touches the edge
    or on the edge itself, so that halves lie along it; a few, or all, of them may be split. The
    best regular packing with this facing is among them: no other start leaves room for more.
    """
    pitch_mm = across_flats_mm + kerf_mm
    along_x = _axes(width_mm, across_flats_mm / 2.0, pitch_mm / 2.0, kerf_mm)
    along_y = _axes(depth_mm, side_length(across_flats_mm), side_length(pitch_mm) * 1.5, kerf_mm)
    found = [Layout(*choice) for choice in product(along_x, along_y, (0, 1))]
    n_split = [layout.columns.n_split + layout.rows.n_split for layout in found]
    order = sorted(range(len(found)), key=lambda i: (-found[i].n_whole, n_split[i], i))
    distinct: dict[tuple[tuple[tuple[Extent, Extent], int], ...], Layout] = {}
    for i in order:
        sizes = tuple(sorted(found[i].n_slots.items()))
        distinct.setdefault(sizes, found[i])
    return tuple(distinct.values())


def _axes(length_mm: float, reach_mm: float, pitch_mm: float, kerf_mm: float) -> list[Axis]:
    found: dict[Axis, None] = {}
    for start_mm in (reach_mm, 0.0):
        plain = lay_axis(length_mm, reach_mm, pitch_mm, kerf_mm, start_mm, 0)
        n_full = plain.extent.count("full")
        after_last_mm = length_mm - reach_mm
        if n_full:
            last = len(plain.extent) - 1 - plain.extent[::-1].index("full")
            after_last_mm -= plain.at_mm[last]
        room_mm = max(after_last_mm, 0.0)
        n_free = n_full if n_full * kerf_mm <= room_mm else math.floor(room_mm / kerf_mm)
        for n_split in dict.fromkeys((0, 1, n_free, n_full)):
            axis = lay_axis(length_mm, reach_mm, pitch_mm, kerf_mm, start_mm, n_split)
            found.setdefault(axis)
    return list(found)


@dataclass(frozen=True)
class Filling:
    """What is put into the slots of a layout.

    Parameters
    ----------
    layout
        The slots.
    contents
        For each kind of slot in turn: how many of its slots hold these pieces.
    placed
        Pieces placed.
    """

    layout: Layout
    contents: tuple[tuple[tuple[Extent, Extent], int, tuple[Kept, ...]], ...]
    placed: Counts

    @property
    def n_quarters(self) -> int:
        """Foam placed, in quarter hexagons."""
        return sum(n * size for n, size in zip(self.placed, QUARTERS, strict=True))

    def pieces(self, first_axis: Literal[0, 1]) -> Iterator[tuple[tuple[int, int], Kept]]:
        """Yield the slot of each piece and what it keeps of its hexagon.

        Slots of one kind are filled from one end of `first_axis` (0 along x) to the other.
        """
        used: dict[tuple[Extent, Extent], int] = {}
        for extents, count, keeps in self.contents:
            places = sorted(
                self.layout.slots[extents],
                key=lambda place: (place[first_axis], place[1 - first_axis]),
            )
            first = used.get(extents, 0)
            used[extents] = first + count
            for place in places[first : first + count]:
                for kept in keeps:
                    yield place, kept


def fill(layout: Layout, wanted: Counts) -> Filling:
    """Put as much of what is wanted into a layout as its slots take.

    Parts go into the rim slots of their shape, then wholes into the others, those that no wanted
    part needs split first, and what parts are left into what slots are left, as many to a slot as
    its splits allow.
    """
    filler = _Filler(layout, wanted)
    inner, *rim = layout.by_shape
    for part in (3, 1, 2):
        filler.put(part, rim[part - 1])
    filler.put(3, rim[0] + rim[1])
    filler.put(0, inner)
    for fewest in (4, 2, 1):
        for part in (1, 2, 3):
            filler.put(part, inner, fewest=fewest)
    placed = tuple(w - left for w, left in zip(wanted, filler.left, strict=True))
    return Filling(layout, tuple(filler.contents), (placed[0], placed[1], placed[2], placed[3]))


class _Filler:
    """Free slots by kind and wanted pieces, while a layout is filled."""

    def __init__(self, layout: Layout, wanted: Counts) -> None:
        self.free = dict(layout.n_slots)
        self.left = list(wanted)
        self.contents: list[tuple[tuple[Extent, Extent], int, tuple[Kept, ...]]] = []

    def put(self, part: int, slots: tuple[tuple[Extent, Extent], ...], fewest: int = 1) -> None:
        """Put one kind of part into those of these slots that hold at least `fewest` of it."""
        if not self.left[part]:
            return
        for extents in sorted(slots, key=lambda extents: self._rank(part, extents)):
            keeps = _keeps(part, extents)
            if not keeps or len(keeps) < fewest:
                continue
            self._take(part, extents, min(self.free[extents], self.left[part] // len(keeps)), keeps)
            if fewest == 1 and self.free[extents] and 0 < self.left[part] < len(keeps):
                self._take(part, extents, 1, keeps[: self.left[part]])

    def _take(
        self, part: int, extents: tuple[Extent, Extent], count: int, keeps: tuple[Kept, ...]
    ) -> None:
        if count:
            self.free[extents] -= count
            self.left[part] -= count * len(keeps)
            self.contents.append((extents, count, keeps))

    def _rank(self, part: int, extents: tuple[Extent, Extent]) -> tuple[int, tuple[Extent, Extent]]:
        """Order slots for a part: the plainest first, so that splits stay for those who need them.

        A split along x is kept for corner-cut halves, one along y for side-cut halves.
        """
        if part:
            return -len(_keeps(part, extents)), extents
        need_x, need_y = (1 + (self.left[1] >= self.left[2]), 1 + (self.left[2] > self.left[1]))
        rank = need_x * (extents[0] == "split") + need_y * (extents[1] == "split")
        return rank, extents


def _is_inner(extents: tuple[Extent, Extent]) -> bool:
    return extents[0] in ("full", "split") and extents[1] in ("full", "split")


def _own_part(extents: tuple[Extent, Extent]) -> int:
    """Return which part a slot has the shape of, as a number in `SLOT_PARTS`."""
    return (extents[0] in _SIGN) + 2 * (extents[1] in _SIGN)


@lru_cache(maxsize=256)
def _keeps(part: int, extents: tuple[Extent, Extent]) -> tuple[Kept, ...]:
    """Return the pieces of one kind that fit a slot together."""
    halved = ((part & 1) != 0, (part & 2) != 0)
    choices: list[tuple[int, ...]] = []
    for is_halved, extent in zip(halved, extents, strict=True):
        if not is_halved:
            choices.append(() if extent in _SIGN else (0,))
        elif extent in _SIGN:
            choices.append((_SIGN[extent],))
        else:
            choices.append((1, -1) if extent == "split" else (1,))
    return tuple(product(*choices))  # type: ignore[return-value]
