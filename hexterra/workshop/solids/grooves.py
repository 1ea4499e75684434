"""The sections of what is cut into tops: of watercourses by their width and banks, and of roads.

A groove follows its top: it is equally deep below it everywhere, up and down ramps. Its banks slope
evenly from the top to the bed, or stand upright if they take no room (canals, ditches).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.brief.bench_sections import BenchBrief
from hexterra.errors import BriefError
from hexterra.lattice.hexagon import side_length
from hexterra.ranges import check_range
from hexterra.stages.tiles.cuts import MAX_WIDTHS
from hexterra.values import Value

if TYPE_CHECKING:
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.solids.courses import Course
    from hexterra.workshop.solids.guides import Guides

#: Widest groove, as a share of the side it crosses.
_WIDEST: Final = 0.9
#: Depth of water and of sunken roads, where the tile is thick enough; common practice, no source.
_WATER_DEPTH_MM: Final = 4.0
_ROAD_DEPTH_MM: Final = 3.0
_COMMON: Final = BenchBrief()
#: Most room that a bank takes, as a share of the width.
_WIDEST_BANK: Final = 0.45


@dataclass(frozen=True, eq=False)
class Groove(Value):
    """The section of a groove; the sizes are common practice, no source.

    Parameters
    ----------
    width_mm
        Between the upper edges of its banks.
    depth_mm
        Of the bed below the top, measured upright.
    bank_mm
        Room on the plan that each bank takes: 0 for upright banks.

    Raises
    ------
    BriefError
        If a length is out of its range, or the banks leave no bed.
    """

    width_mm: float = _COMMON.channel_mm
    depth_mm: float = _WATER_DEPTH_MM
    bank_mm: float = 4.0

    def __post_init__(self) -> None:
        check_range("width_mm", self.width_mm, 1.0, 500.0, "mm")
        check_range("depth_mm", self.depth_mm, 0.1, 100.0, "mm")
        widest_mm = _WIDEST_BANK * self.width_mm
        check_range("bank_mm", self.bank_mm, 0.0, widest_mm, "mm at this width")

    @property
    def section_mm2(self) -> float:
        """Area of its cross-section, a trapezoid or a rectangle."""
        return (self.width_mm - self.bank_mm) * self.depth_mm

    def half_mm(self, share: float = 0.0) -> float:
        """Half its width at a share of its depth: 0 at the upper edges, 1 on the bed."""
        return self.width_mm / 2.0 - share * self.bank_mm

    def edge_shares(self, across_flats_mm: float) -> tuple[float, ...]:
        """How far its edges lie from the middle of a side it crosses, as shares of the side.

        Upper edges, those of the bed, and those of what fills it to each of `FILLED`.
        """
        side_mm = side_length(across_flats_mm)
        return tuple(self.half_mm(share) / side_mm for share in (0.0, 1.0, *FILLED.values()))

    def check(self, *, across_flats_mm: float, base_mm: float) -> None:
        """Refuse a groove that is too wide for a side of a tile, or goes through it.

        Raises
        ------
        BriefError
            If it is wider than nine tenths of a side, or as deep as the lowest corner is thick.
        """
        widest_mm = _WIDEST * side_length(across_flats_mm)
        check_range("width_mm", self.width_mm, 1.0, widest_mm, "mm on these tiles")
        check_range("depth_mm", self.depth_mm, 0.1, 0.9 * base_mm, "mm in these tiles")


#: Where the surface lies of what is seen in a groove, as a share of its depth.
FILLED: Final = {"water": 0.5, "road": 0.9}


@dataclass(frozen=True, eq=False)
class Grooves(Value):
    """The sections of all that is cut into the tops of a board.

    Parameters
    ----------
    water
        Those of watercourses with sloping banks, by width class from 1; wider classes are like
        the last. Where banks stand upright they take no room.
    road
        That of sunken roads.
    pool
        The banks of water that crosses no side, which is round.

    Raises
    ------
    BriefError
        If none is given for water, or watercourses are not equally deep.
    """

    water: tuple[Groove, ...] = (Groove(),)
    road: Groove = Groove(_COMMON.road_mm, _ROAD_DEPTH_MM, 0.0)
    pool: Groove = Groove()

    def __post_init__(self) -> None:
        depths_mm = {groove.depth_mm for groove in (*self.water, self.pool)}
        if not self.water or len(depths_mm) > 1:
            raise BriefError(
                f"the grooves of watercourses are {sorted(depths_mm)} mm deep"
                if self.water
                else "watercourses have no groove",
                remedy="give at least one width, and the same depth to all: they meet",
                key="water",
            )

    @staticmethod
    def alike(groove: Groove, road: Groove | None = None) -> Grooves:
        """Return grooves of which all for water are the same."""
        return Grooves((groove,), road or Grooves().road, groove)

    def at_sides(self, course: Course) -> tuple[Groove, ...]:
        """Return the section of a course at each of its sides."""
        if course.what == "road":
            return (self.road,) * len(course.sides)
        found = (self.water[min(width, len(self.water)) - 1] for width in course.widths)
        return tuple(
            replace(groove, bank_mm=0.0) if stands else groove
            for groove, stands in zip(found, course.upright, strict=True)
        )

    def check(self, courses: Sequence[Course], *, across_flats_mm: float, base_mm: float) -> None:
        """Refuse grooves that do not fit the tiles that they are cut into.

        Raises
        ------
        BriefError
            If one of them is too wide or too deep; see `Groove.check`.
        """
        used = [groove for course in courses for groove in self.at_sides(course) or (self.pool,)]
        for groove in used:
            groove.check(across_flats_mm=across_flats_mm, base_mm=base_mm)


def fitting_groove(
    across_flats_mm: float,
    base_mm: float,
    *,
    width_mm: float = _COMMON.channel_mm,
    depth_mm: float = _WATER_DEPTH_MM,
) -> Groove:
    """Return a groove with sloping banks that fits tiles of any size.

    Parameters
    ----------
    across_flats_mm
        Distance between opposite sides of a tile.
    base_mm
        Thickness of a tile at its lowest corner.
    width_mm
        As wide as this, or nine tenths of a side.
    depth_mm
        As deep as this, or a quarter of the base.

    Returns
    -------
    Groove
        Its banks take as much room as they are high, where the width allows.
    """
    width_mm = min(width_mm, _WIDEST * side_length(across_flats_mm))
    depth_mm = min(depth_mm, base_mm / 4.0)
    return Groove(width_mm, depth_mm, min(depth_mm, _WIDEST_BANK * width_mm))


def thinnest_mm(schedule: Schedule) -> float:
    """Return the thickness of the tiles of a schedule at their lowest corners."""
    rises = {pattern.name: max(pattern.rises) for pattern in schedule.tiles.catalogue.patterns}
    return min(
        piece.thickness_mm - rises[piece.pattern] * schedule.step_mm
        for piece in schedule.pieces
        if piece.kind == "tile"
    )


def schedule_grooves(schedule: Schedule, guides: Guides) -> Grooves:
    """Return grooves that fit the tiles of a board.

    Parameters
    ----------
    schedule
        Its tiles, and the banks that can be cut.
    guides
        How wide water and roads are.

    Returns
    -------
    Grooves
        Widths are those of the guides, or nine tenths of a side. Sunken roads have upright banks
        if the catalogue has such, and water that crosses no side has them if all other water has.
    """
    flats_mm, base_mm = schedule.board.across_flats_mm, thinnest_mm(schedule)
    water = tuple(
        fitting_groove(flats_mm, base_mm, width_mm=width_mm) for width_mm in guides.bench.water_mm
    )
    road = fitting_groove(flats_mm, base_mm, width_mm=guides.bench.road_mm, depth_mm=_ROAD_DEPTH_MM)
    if "upright" in schedule.tiles.catalogue.banks:
        road = replace(road, bank_mm=0.0)
    crossed = schedule.cuts.width > 0
    all_stand = bool(crossed.any() and np.array_equal(schedule.cuts.upright, crossed))
    pool = replace(water[0], bank_mm=0.0) if all_stand else water[0]
    return Grooves(water[:MAX_WIDTHS], road, pool)
