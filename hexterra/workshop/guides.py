"""How guides are made: the slot that a wire melts, and lines shifted to allow for it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from hexterra.stages.cuts import MAX_WIDTHS
from hexterra.values import Value
from hexterra.workshop.ranges import check_range

if TYPE_CHECKING:
    from hexterra.stages.schedule import Piece

Paper = Literal["A4", "Letter"]

#: What every page for the bench says.
CAUTIONS: Final = (
    "Hot foam gives off styrene fumes: work outdoors or under extraction.",
    "The wire burns and is live at low voltage; foam is flammable: never leave it unattended.",
    "Mind knives and dust. Solvents and most spray paints attack foam.",
    "Follow the foam's data sheet, the cutter's manual and local rules.",
)

#: How many times wider each further class of water is than the first; common practice, no source.
_WIDER: Final = (1.5, 2.0, 2.5)


@dataclass(frozen=True, eq=False)
class Guides(Value):
    """How guides are made and papers are printed.

    Parameters
    ----------
    kerf_mm
        Width of the slot that the wire melts: 1 mm, common practice, no source.
    wire_mm
        Diameter of the wire, which slides along the guide: 0.4 mm, common practice, no source.
    run_out_mm
        How far a profile guide goes on, level, past both ends of the tile.
    channel_mm
        Width of a watercourse of class 1 between its banks.
    wider_mm
        Those of the further classes, each at least as wide as the last; () for 1.5, 2 and 2.5
        times the first.
    road_mm
        Width of a sunken road.
    papers
        Sizes of paper that the pages are made for.

    Raises
    ------
    BriefError
        If a length is out of its range or the wire is thicker than the slot it melts.
    """

    kerf_mm: float = 1.0
    wire_mm: float = 0.4
    run_out_mm: float = 15.0
    channel_mm: float = 20.0
    wider_mm: tuple[float, ...] = ()
    road_mm: float = 24.0
    papers: tuple[Paper, ...] = ("A4", "Letter")

    def __post_init__(self) -> None:
        check_range("kerf_mm", self.kerf_mm, 0.0, 20.0, "mm")
        check_range("wire_mm", self.wire_mm, 0.0, self.kerf_mm, "mm")
        check_range("run_out_mm", self.run_out_mm, 1.0, 200.0, "mm")
        check_range("channel_mm", self.channel_mm, 1.0, 500.0, "mm")
        check_range("number of widths in wider_mm", len(self.wider_mm), 0, MAX_WIDTHS - 1)
        for last_mm, width_mm in pairwise((self.channel_mm, *self.wider_mm)):
            check_range("a width in wider_mm", width_mm, last_mm, 500.0, "mm, ascending")
        check_range("road_mm", self.road_mm, 1.0, 500.0, "mm")

    @property
    def water_mm(self) -> tuple[float, ...]:
        """Widths of watercourses by class."""
        wider_mm = self.wider_mm or tuple(times * self.channel_mm for times in _WIDER)
        return self.channel_mm, *wider_mm

    @property
    def guide_offset_mm(self) -> float:
        """How far a guide's edge lies outside the finished face: what melts past the wire."""
        return (self.kerf_mm - self.wire_mm) / 2.0

    @property
    def wire_offset_mm(self) -> float:
        """How far the middle of the wire runs outside the finished face."""
        return self.kerf_mm / 2.0


def offset(
    points: NDArray[np.float64], away_mm: float, *, is_closed: bool = True
) -> NDArray[np.float64]:
    """Shift every edge of a line to its right, keeping corners sharp, (k, 2) float64.

    A counter-clockwise outline grows, and a line from right to left is raised. The ends of an
    open line shift square to it.
    """
    here = points if is_closed else points[:-1]
    there = np.roll(points, -1, axis=0) if is_closed else points[1:]
    along = there - here
    along = along / np.linalg.norm(along, axis=1)[:, None]
    right = np.column_stack([along[:, 1], -along[:, 0]])
    before, after = np.roll(right, 1, axis=0), right
    if not is_closed:
        before = np.concatenate([right[:1], right])
        after = np.concatenate([right, right[-1:]])
    # The corner lies where both shifted edges do.
    share = 1.0 + np.einsum("ij,ij->i", before, after)
    return points + away_mm * (before + after) / share[:, None]


def counted(pieces: Iterable[Piece]) -> str:
    """Say how many pieces of which kind use a figure."""
    counts: dict[str, int] = {}
    for piece in pieces:
        counts[piece.kind] = counts.get(piece.kind, 0) + piece.count
    listed = ", ".join(f"{n} {kind}{'' if n == 1 else 's'}" for kind, n in counts.items())
    return f" For {listed}."


def file_name(words: str) -> str:
    """Turn words into a file name: lower-case letters and digits, joined by hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", words.lower()).strip("-")
