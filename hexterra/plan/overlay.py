"""What lies on the ground of a board: water, roads, cover; from the raster and the brief's maps."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, cast

import numpy as np
from numpy.typing import NDArray

from hexterra.brief.brief import without_folders
from hexterra.elevation.elevation import Elevation
from hexterra.errors import BriefError
from hexterra.inputs.maps import Maps
from hexterra.plan.board_water import RoutingQuality, show_water, source_of_water
from hexterra.progress import Progress, silent
from hexterra.stages.mapping.carried_rivers import carried_rivers
from hexterra.stages.mapping.cover import (
    Cover,
    cover,
    cover_from_classes,
    cover_of_water,
    join_covers,
)
from hexterra.stages.mapping.mapped_rivers import watercourses_from_lines
from hexterra.stages.mapping.way import Way
from hexterra.stages.mapping.ways import Ways, ways
from hexterra.stages.tiles.channels import upright_cells, width_classes
from hexterra.stages.water.flow import Watercourses
from hexterra.values import Value, readonly

if TYPE_CHECKING:
    from hexterra.brief.brief import Brief
    from hexterra.lattice.board import Board
    from hexterra.stages.sampling.gather import Heights

#: Most sides of one tile that roads may cross: crossroads.
MOST_ROADS: Final = 4
#: Sections of a brief on which an overlay depends.
SECTIONS: Final = ("water", "drainage", "rivers", "roads", "areas", "land_cover")


@dataclass(frozen=True, eq=False, repr=False)
class Overlay(Value):
    """What lies on the ground of a board of n cells.

    It depends on the ground and on the brief's [water], [drainage], [rivers], [roads], [areas] and
    [land_cover], not on how heights become levels.

    Parameters
    ----------
    lattice
        The cells.
    water
        Where water runs; None if the brief shows none.
    width
        Its width class in each cell, (n,) int8; 0 where it is dry.
    upright
        Cells whose water has upright banks, (n,) bool.
    rivers, roads, cover
        Rivers, roads, woods and the like of the maps; None if the brief names no map of them.
        `water` runs along all of `rivers`.
    routing
        How true the water is to the raster's; None if it follows the means of the cells.
    assumed, notes
        What the brief left open, and what deserves a look, in sentences.
    ground, asked
        Digests of the heights and of the brief's keys that it was made from; see `is_of`.
    """

    lattice: Board
    water: Watercourses | None
    width: NDArray[np.int8]
    upright: NDArray[np.bool_]
    rivers: Ways | None = None
    roads: Ways | None = None
    cover: Cover | None = None
    routing: RoutingQuality | None = None
    assumed: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    ground: str = ""
    asked: str = ""

    def __post_init__(self) -> None:
        n = self.lattice.n_cells
        for name, dtype in (("width", np.int8), ("upright", np.bool_)):
            held = readonly(getattr(self, name), dtype=dtype, shape=(n,), name=name)
            object.__setattr__(self, name, held)

    def check_made_from(self, heights: Heights, brief: Brief) -> None:
        """Refuse to lie on other heights, or to stand for other keys of a brief.

        Raises
        ------
        BriefError
            Naming the sections on which the overlay depends.
        """
        if self.ground != heights.digest:
            raise BriefError(
                "the overlay was made from other heights than those given",
                remedy="leave overlay out, so that water and maps are found for these heights",
                key="overlay",
            )
        if self.asked != _digest_of_keys(brief):
            raise BriefError(
                "the overlay was made with other keys than the brief has in"
                f" {', '.join(f'[{name}]' for name in SECTIONS)}",
                remedy="leave overlay out, so that water and maps are found as the brief wants"
                " them, or leave these sections as they were",
                key="overlay",
            )

    @property
    def named(self) -> tuple[Way, ...]:
        """Rivers and roads that have a name."""
        maps = (lines.ways for lines in (self.rivers, self.roads) if lines is not None)
        return tuple(way for lines in maps for way in lines if way.name)

    @property
    def road_sides(self) -> NDArray[np.bool_]:
        """Sides that a road crosses, (n, 6) bool, symmetric."""
        if self.roads is None:
            return np.zeros((self.lattice.n_cells, 6), dtype=np.bool_)
        return self.roads.any_ports


def drape(
    elevation: Elevation,
    heights: Heights,
    brief: Brief,
    maps: Maps,
    *,
    progress: Progress = silent,
) -> Overlay:
    """Find what lies on a board: its water from the ground, and what the maps of the brief show.

    Parameters
    ----------
    elevation, heights
        The ground, and its heights on the cells of a board.
    brief
        What is wanted.
    maps
        The maps that it names.
    progress
        Called with a few words as each stage begins.

    Raises
    ------
    HexterraError
        See `drain`, `route`, `flow`, `ways`, `watercourses_from_lines`, `cover` and
        `cover_from_classes`.
    """
    board = cast("Board", heights.lattice)
    water, rivers, quality, covers = None, None, None, list[Cover]()
    width, upright = np.zeros(board.n_cells, np.int8), np.zeros(board.n_cells, np.bool_)
    assumed: tuple[str, ...] = ()
    notes: list[str] = []
    if brief.water.show:
        progress("following the water")
        source, assumed = source_of_water(elevation, heights, brief)
        quality = source.quality
        if quality is not None and not quality.is_complete:
            notes.append(_cut_off(brief))
        lines, direction = None, "line" if brief.rivers.runs == "as drawn" else "height"
        drawn = maps.rivers
        if drawn is not None:
            lines = ways(drawn, board, tolerance_cells=brief.rivers.tolerance_cells)

        def water_from(threshold_m2: float) -> Watercourses:
            computed = source.draw(threshold_m2)
            if lines is None:
                return computed
            return watercourses_from_lines(
                lines,
                computed,
                threshold_m2=threshold_m2,
                direction=direction,
                least_cells=brief.water.least_cells,
            )

        water, more = show_water(water_from, source.catchment_m2, brief)
        assumed = (*assumed, *more)
        if lines is not None and drawn is not None:
            unmet = _unmet("rivers.upright", brief.rivers.upright, lines)
            rivers = carried_rivers(lines, water, direction=direction)
            notes += [*drawn.notes, *rivers.notes, *unmet]
            upright = upright_cells(water, rivers, brief.rivers.upright)
        if brief.water.banks == "upright":
            upright = water.is_watercourse
        limits_m2 = [km2 * 1e6 for km2 in brief.water.wider_from_km2]
        width = width_classes(water, limits=limits_m2)
        if water.standing is not None:
            covers.append(cover_of_water(water.standing))
    roads = None
    if maps.roads is not None:
        progress("laying out roads")
        roads = ways(
            maps.roads,
            board,
            tolerance_cells=brief.roads.tolerance_cells,
            most_ports=MOST_ROADS,
            water=water,
            width=None if water is None else width,
            bridge_from=brief.roads.bridge_from,
        )
        notes += [*maps.roads.notes, *roads.notes]
        notes += _unmet("roads.sunken", brief.roads.sunken, roads)
    if maps.areas is not None or maps.land_cover is not None:
        progress("sharing out areas")
        covers += _mapped_cover(brief, maps, board)
    whole = covers[0] if covers else None
    for other in covers[1:]:
        whole = join_covers(cast("Cover", whole), other)
    if whole is not None:
        notes += whole.notes
    return Overlay(
        lattice=board,
        water=water,
        width=width,
        upright=upright,
        rivers=rivers,
        roads=roads,
        cover=whole,
        routing=quality,
        assumed=assumed,
        notes=tuple(notes),
        ground=heights.digest,
        asked=_digest_of_keys(brief),
    )


def _digest_of_keys(brief: Brief) -> str:
    """Return a digest of the keys on which an overlay depends, files by their names alone."""
    keys = without_folders(brief.model_dump(mode="json", include={*SECTIONS}))
    return hashlib.blake2b(json.dumps(keys).encode(), digest_size=16).hexdigest()


def _cut_off(brief: Brief) -> str:
    """Say that rivers may enter the board smaller than they are."""
    reason = (
        "the raster ends"
        if brief.drainage.surroundings_km is None
        else f"drainage.surroundings_km = {brief.drainage.surroundings_km:g} ends"
    )
    return (
        f"Water comes to the board from beyond where {reason}; rivers there may be larger than"
        " shown."
    )


def _unmet(key: str, wanted: tuple[str, ...], lines: Ways) -> list[str]:
    """Say which kinds a key of the brief names that no line on the board is of."""
    found = sorted({way.kind for way in lines.ways})
    return [
        f"{key} names {kind!r}, and no line on the board is of that kind; they are"
        f" {', '.join(map(repr, found))}."
        for kind in wanted
        if kind not in found
    ]


def _mapped_cover(brief: Brief, maps: Maps, board: Board) -> list[Cover]:
    """Share out the areas of the map, then the classes of the raster."""
    found: list[Cover] = []
    if maps.areas is not None:
        of_areas = cover(
            maps.areas, board, order=brief.areas.first, least_share=brief.areas.least_share
        )
        found.append(replace(of_areas, notes=(*maps.areas.notes, *of_areas.notes)))
    asked = brief.land_cover
    if maps.land_cover is not None:
        names = {int(code): kind for code, kind in asked.classes.items()}
        found.append(
            cover_from_classes(maps.land_cover, board, names=names, least_share=asked.least_share)
        )
    return found
