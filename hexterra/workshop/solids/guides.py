"""How guides are made: the slot that a wire melts, and lines shifted to allow for it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, get_args

import numpy as np
from numpy.typing import NDArray

from hexterra.brief.bench_sections import BenchBrief, FoamBrief, Paper
from hexterra.values import Value

if TYPE_CHECKING:
    from hexterra.stages.schedule.pieces import Piece

#: Sizes of paper that templates are made for.
PAPERS: Final[tuple[Paper, ...]] = get_args(Paper)

#: What every page for the bench says.
CAUTIONS: Final = (
    "Hot foam gives off styrene fumes: work outdoors or under extraction.",
    "The wire burns and is live at low voltage; foam is flammable: never leave it unattended.",
    "Mind knives and dust. Solvents and most spray paints attack foam.",
    "Follow the foam's data sheet, the cutter's manual and local rules.",
)


@dataclass(frozen=True, eq=False)
class Guides(Value):
    """How guides are made.

    Parameters
    ----------
    foam
        Width of the slot that the wire melts.
    bench
        The wire, which slides along the guide, and the widths of water and roads.
    """

    foam: FoamBrief = field(default_factory=FoamBrief)
    bench: BenchBrief = field(default_factory=BenchBrief)

    @property
    def slot_words(self) -> str:
        """Say how wide slot and wire are."""
        return f"slot {self.foam.kerf_mm:g} mm, wire {self.bench.wire_mm:g} mm"

    @property
    def guide_offset_mm(self) -> float:
        """How far a guide's edge lies outside the finished face: what melts past the wire."""
        return (self.foam.kerf_mm - self.bench.wire_mm) / 2.0

    @property
    def wire_offset_mm(self) -> float:
        """How far the middle of the wire runs outside the finished face."""
        return self.foam.kerf_mm / 2.0


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


def signed_area_mm2(polygon_mm: NDArray[np.float64]) -> float:
    """Area of a polygon on the plan, below 0 if it is clockwise: the shoelace rule."""
    x, y = polygon_mm[:, 0], polygon_mm[:, 1]
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2.0


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
