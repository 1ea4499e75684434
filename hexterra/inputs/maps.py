"""The maps of a brief: rivers, roads, areas and land cover around a board."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.values import Value
from hexterra.vectors.features import Features, read_areas, read_lines

if TYPE_CHECKING:
    from hexterra.brief.brief import Brief
    from hexterra.brief.map_sections import MapFile
    from hexterra.lattice.board import Board


@dataclass(frozen=True, eq=False, repr=False)
class Maps(Value):
    """What the maps of a brief show; None for each that it does not name.

    Parameters
    ----------
    rivers, roads
        Lines.
    areas
        Areas.
    land_cover
        A raster of classes, read when it is used.
    """

    rivers: Features | None = None
    roads: Features | None = None
    areas: Features | None = None
    land_cover: Elevation | None = None


def read_maps(brief: Brief, board: Board, *, trust_sources: bool = False) -> Maps:
    """Read the maps that a brief names, around a board.

    Rivers are not read for a board that shows no water.

    Raises
    ------
    HexterraError
        See `read_lines`, `read_areas` and `read_elevation`.
    """

    def read(reader: Callable[..., Features], map_file: MapFile) -> Features | None:
        if map_file.file is None:
            return None
        return reader(
            map_file.file,
            kind=map_file.kind,
            kind_field=map_file.kind_field,
            kinds=map_file.kinds or None,
            name_field=map_file.name_field,
            layer=map_file.layer,
            crs=map_file.crs,
            around=board,
            trust_sources=trust_sources,
        )

    cover = brief.land_cover
    return Maps(
        rivers=read(read_lines, brief.rivers) if brief.water.show else None,
        roads=read(read_lines, brief.roads),
        areas=read(read_areas, brief.areas),
        land_cover=None
        if cover.file is None
        else read_elevation(
            cover.file,
            crs=cover.crs,
            band=cover.band,
            vertical_unit="m",
            trust_sources=trust_sources,
        ),
    )
