"""The tables of a brief that speak of the raster's drainage and of maps. Ranges of the stages."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from hexterra.brief.sections import Finite, Kind, Positive, Section

Share = Annotated[float, Field(gt=0, le=1.0)]
Tolerance = Annotated[float, Field(ge=0.6, le=3.0)]


class DrainageBrief(Section):
    """[drainage]: how water finds its way over the ground."""

    follow: Literal["pixels", "cell means"] | None = Field(
        default=None,
        description="'pixels' follows the valleys of the raster and brings the water of the ground"
        " outside the board along; 'cell means' the averaged cells. Default: pixels, where a cell"
        " is two pixels across or more and water.pool_depth_m is not set.",
    )
    depressions: Literal["breach then fill", "fill"] = Field(
        default="breach then fill",
        description="Whether a channel out of a depression may be cut before it is filled.",
    )
    breach_length_pixels: Annotated[int, Field(ge=1, le=500)] = Field(
        default=20, description="Longest channel that may be cut."
    )
    breach_depth_m: Positive = Field(default=10.0, description="Deepest cut.")
    lake_depth_m: Positive | None = Field(
        default=None,
        description="Depressions at least this deep and of lake_area_km2 are lakes, and are not"
        " breached. Default: those 2 m deep and as large as a cell that are left after breaching.",
    )
    lake_area_km2: Positive | None = Field(default=None, description="Least area of a lake.")
    sea_level_m: Finite | None = Field(
        default=None,
        description="Ground at or below it is sea, where rivers end. Default: a flat at 0 m that"
        " runs off the raster.",
    )
    surroundings_km: Positive | None = Field(
        default=None,
        description="How far beyond the board water is followed. Default: as far as it comes from.",
    )
    pixels_across: Annotated[int, Field(ge=10, le=1000)] = Field(
        default=64,
        description="Finer rasters are averaged until a cell is at most this many pixels across.",
    )

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        if (self.lake_depth_m is None) != (self.lake_area_km2 is None):
            raise ValueError("give both lake_depth_m and lake_area_km2, or neither")
        return self


class MapFile(Section):
    """What all tables that read a vector file have in common."""

    file: str | None = Field(
        default=None,
        description="GeoPackage, GeoJSON or Shapefile, relative to the brief. Default: none.",
    )
    layer: str | None = Field(default=None, description="Which layer, if the file has several.")
    crs: str | None = Field(
        default=None, description="Coordinate reference system, if the file states none."
    )
    kind: Kind | None = Field(default=None, description="The kind of all its features, or else")
    kind_field: str | None = Field(
        default=None, description="the field with the kind of each feature."
    )
    kinds: dict[Kind, Kind] = Field(
        default_factory=dict,
        description="Which values of that field to take, and their names. Default: all.",
    )
    name_field: str | None = Field(default=None, description="The field with names. Default: none.")

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        if self.file is None:
            if self.model_fields_set:
                raise ValueError("name the file that these keys are about")
        elif (self.kind is None) == (self.kind_field is None):
            raise ValueError("give either kind or kind_field")
        elif self.kinds and self.kind_field is None:
            raise ValueError("kinds needs kind_field")
        return self


class RiversBrief(MapFile):
    """[rivers]: rivers of a map, which replace computed ones."""

    runs: Literal["as drawn", "downhill"] = Field(
        default="as drawn",
        description="Where lines begin: at the first point, or at the higher end.",
    )
    upright: tuple[Kind, ...] = Field(
        default=(), description="Kinds with vertical-sided banks, such as canals."
    )
    tolerance_cells: Tolerance = Field(
        default=0.9, description="How far from the line the centres of its cells may lie."
    )


class RoadsBrief(MapFile):
    """[roads]: roads of a map."""

    sunken: tuple[Kind, ...] = Field(
        default=(), description="Kinds that are cut into the tops; the others are laid on top."
    )
    bridge_from: Annotated[int, Field(ge=1, le=5)] = Field(
        default=2,
        description="Width class of water (water.wider_from_km2) from which a road takes a bridge;"
        " narrower water is forded.",
    )
    tolerance_cells: Tolerance = Field(
        default=0.9, description="How far from the line the centres of its cells may lie."
    )


class AreasBrief(MapFile):
    """[areas]: woods, fields, built-up ground of a map."""

    first: tuple[Kind, ...] = Field(
        default=(), description="Kinds that take precedence where areas overlap."
    )
    least_share: Share = Field(
        default=0.5, description="Share of a cell from which it counts as one kind."
    )


class LandCoverBrief(Section):
    """[land_cover]: a raster of classes, where no area of the map lies."""

    file: str | None = Field(
        default=None, description="Raster file, relative to the brief. Default: none."
    )
    band: Annotated[int, Field(ge=1, le=65535)] = Field(default=1, description="Which band.")
    crs: str | None = Field(
        default=None, description="Coordinate reference system, if the file states none."
    )
    classes: dict[Kind, Kind] = Field(
        default_factory=dict,
        description="Which class numbers to use, and what they are.",
    )
    least_share: Share = Field(
        default=0.5, description="Share of a cell from which it counts as one kind."
    )

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        if self.file is None:
            if self.model_fields_set:
                raise ValueError("name the file that these keys are about")
        elif not self.classes:
            raise ValueError('name the classes to use, as classes = {10 = "woods"}')
        elif wrong := [code for code in self.classes if not re.fullmatch(r"-?[0-9]{1,18}", code)]:
            raise ValueError(f"the class {wrong[0]!r} is not a whole number")
        return self
