"""The tables of a brief: every key with its default, its range and its meaning."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from itertools import pairwise
from typing import Annotated, Any, Final, Literal, Self, cast

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    field_validator,
    model_validator,
)
from pydantic.fields import FieldInfo

from hexterra.lattice.board import LIMITS
from hexterra.text import cleaned, cleaned_kind

Positive = Annotated[float, Field(gt=0, le=1e6)]
Finite = Annotated[float, Field(ge=-1e7, le=1e7)]
#: A coordinate in whatever unit a raster has: feet of a projection stay below 1e8.
Coordinate = Annotated[float, Field(ge=-1e9, le=1e9)]


def _if_text(clean: Callable[[str], str]) -> BeforeValidator:
    return BeforeValidator(lambda value: clean(value) if isinstance(value, str) else value)


#: Words that are shown, made fit for it; paths and names of fields stay as they are.
Text = Annotated[str, _if_text(cleaned)]
Kind = Annotated[str, Field(min_length=1), _if_text(cleaned_kind)]


def _whole_micrometres(length_mm: float) -> float:
    if length_mm < 1e-3 or abs(length_mm - round(length_mm, 3)) > 1e-6:
        raise ValueError("it must be at least 0.001 and a whole number of micrometres, as 7.5")
    return length_mm


#: What stacks are added up from.
_Micrometres: Final = AfterValidator(_whole_micrometres)
#: A level that a brief fixes: there are never more than 1000.
Level = Annotated[int, Field(ge=0, le=999)]
#: Classes of water that are wider than the first, at most.
MOST_WIDER: Final = 3


def _size(name: str) -> Any:
    """Range of one of the board's sizes, as the board itself states it."""
    least, greatest, _ = LIMITS[name]
    return Field(ge=least, le=greatest)


def _count(name: str) -> Any:
    least, greatest, _ = LIMITS[name]
    return Field(ge=int(least), le=int(greatest))


class Section(BaseModel):
    """A table of the brief: unknown keys and what is no finite number are refused.

    Values cannot change; `digest` is a fingerprint of what is asked for.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    @property
    def digest(self) -> str:
        """32 hexadecimal digits, equal for equal tables."""
        return hashlib.blake2b(self.model_dump_json().encode(), digest_size=16).hexdigest()

    @field_validator("*", mode="before")
    @classmethod
    def _freeze(cls, value: object) -> object:
        return _frozen(value)

    @field_validator("*")
    @classmethod
    def _can_be_written(cls, value: object) -> object:
        letters = value if isinstance(value, str) else ""
        if any(letter == "\0" or "\ud800" <= letter <= "\udfff" for letter in letters):
            raise ValueError("it must be text in UTF-8, without NUL characters")
        return value


def _frozen(value: object) -> object:
    """Make tuples of lists, which TOML has and values that cannot change have not."""
    if isinstance(value, list):
        return tuple(_frozen(item) for item in cast("list[object]", value))
    return value


def is_section(field: FieldInfo) -> bool:
    """Tell whether a key of a brief is a whole section."""
    return isinstance(field.annotation, type) and issubclass(field.annotation, Section)


class BoardBrief(Section):
    """[board]: how big the table is and which ground it shows."""

    columns: Annotated[int, _count("columns")] | None = Field(
        default=None,
        description="Cells along the front edge. Default 24, unless a table size is given.",
    )
    rows: Annotated[int, _count("rows")] | None = Field(
        default=None,
        description="Cells away from the front edge. Default 16, unless a size is given.",
    )
    width_mm: Positive | None = Field(
        default=None,
        description="Instead of columns: table width; the most columns that fit are used.",
    )
    depth_mm: Positive | None = Field(
        default=None, description="Instead of rows: table depth; the most rows that fit are used."
    )
    across_flats_mm: Annotated[float, _size("across_flats_mm")] = Field(
        default=100.0, description="Distance between opposite sides of a tile."
    )
    facing: Literal["points", "flats"] = Field(
        default="points", description="Whether points or flats of the hexagons face the front edge."
    )
    edges: Literal["straight", "whole"] = Field(
        default="straight",
        description="'straight' cuts the rim into part tiles that fill a rectangle;"
        " 'whole' keeps every hexagon whole and the outline ragged.",
    )
    scale: Annotated[float, _size("scale")] | None = Field(
        default=None,
        description="Ground per bench length: 25000 means 1:25 000. Default: as much ground as"
        " the elevation holds.",
    )
    lon_deg: Annotated[float, _size("lon_deg")] | None = Field(
        default=None,
        description="Middle of the board, WGS 84 longitude. Default: middle of the raster.",
    )
    lat_deg: Annotated[float, _size("lat_deg")] | None = Field(
        default=None, description="Middle of the board, WGS 84 latitude."
    )
    x: Coordinate | None = Field(
        default=None, description="Instead of lon_deg: easting in the raster's own coordinates."
    )
    y: Coordinate | None = Field(
        default=None, description="Instead of lat_deg: northing in the raster's own coordinates."
    )
    bearing_deg: Annotated[float, _size("bearing_deg")] = Field(
        default=0.0,
        description="Where 'away from the front edge' points on the ground, from north.",
    )

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        for one, other in (("columns", "width_mm"), ("rows", "depth_mm")):
            if getattr(self, one) is not None and getattr(self, other) is not None:
                raise ValueError(f"give {one} or {other}, not both")
        for one, other in (("lon_deg", "lat_deg"), ("x", "y")):
            if (getattr(self, one) is None) != (getattr(self, other) is None):
                raise ValueError(f"give both {one} and {other}, or neither")
        if self.lon_deg is not None and self.x is not None:
            raise ValueError("give lon_deg and lat_deg, or x and y, not both")
        return self


class HeightsBrief(Section):
    """[heights]: how ground heights become layer steps."""

    step_mm: Annotated[float, Field(ge=0.5, le=200.0), _Micrometres] = Field(
        default=7.5, description="Height of one step on the bench."
    )
    metres_per_step: Positive | None = Field(
        default=None,
        description="Ground height of one step. Default: chosen by what it does, so that"
        " the relief takes 5 to 14 steps.",
    )
    exaggeration: Annotated[float, Field(gt=0, le=1000.0)] | None = Field(
        default=None, description="Instead of metres_per_step: how much taller than true to scale."
    )
    datum_m: Finite | None = Field(
        default=None,
        description="Ground height of level 0. Give neighbouring boards the same. Default: the"
        " lowest cell, rounded to whole steps, or to half ones where the step is chosen too.",
    )
    method: Literal["even", "quantile", "natural breaks", "given"] = Field(
        default="even", description="Where the thresholds between levels lie."
    )
    n_levels: Annotated[int, Field(ge=1, le=64)] | None = Field(
        default=None,
        description="Number of levels, for 'quantile' and 'natural breaks'. Default 8.",
    )
    thresholds_m: tuple[Finite, ...] | None = Field(
        default=None, description="Heights between the levels, ascending, for 'given'."
    )
    minimum_coverage: Annotated[float, Field(gt=0, le=1.0)] = Field(
        default=0.5, description="Least share of a cell that must have heights."
    )
    below_coverage: Literal["refuse", "leave out"] = Field(
        default="refuse", description="What happens when a cell has less."
    )

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        if self.metres_per_step is not None and self.exaggeration is not None:
            raise ValueError("give metres_per_step or exaggeration, not both")
        if (self.method == "given") != (self.thresholds_m is not None):
            raise ValueError("thresholds_m and method = 'given' go together")
        if self.thresholds_m is not None:
            low_high = zip(self.thresholds_m, self.thresholds_m[1:], strict=False)
            if not self.thresholds_m or any(low >= high for low, high in low_high):
                raise ValueError("thresholds_m must be a list of heights, each above the last")
        if self.n_levels is not None and self.method not in ("quantile", "natural breaks"):
            raise ValueError("n_levels needs method = 'quantile' or 'natural breaks'")
        return self


class RampsBrief(Section):
    """[ramps]: what may be ramped, what stays a cliff, which cells are fixed."""

    limit: Literal[1, 2] | None = Field(
        default=None,
        description="Steps a ramp may rise across one cell: 1 gentle, 2 also steep. Default:"
        " chosen by what it does.",
    )
    measure: Literal["absolute", "square"] = Field(
        default="absolute", description="What a changed level costs: its distance, or its square."
    )
    cliff_rise_steps: Annotated[float, Field(ge=1.0, le=1000.0)] | Literal["none"] | None = Field(
        default=None,
        description="Sides where the ground rises this many steps stay cliffs; 'none' for no such"
        " rule. Default: chosen by what it does; none where cliffs lists some.",
    )
    cliffs: tuple[tuple[Text, Text], ...] = Field(
        default=(), description='Pairs of cells with a cliff between them, as ["B3", "B4"].'
    )
    pins: dict[Text, Level] = Field(
        default_factory=dict, description="Cells whose level is fixed, as B3 = 4."
    )


class WaterBrief(Section):
    """[water]: which flow is shown as a watercourse."""

    show: bool = Field(default=True, description="Whether the board carries watercourses.")
    threshold_km2: Positive | None = Field(
        default=None,
        description="Ground that must drain through a cell to make it a watercourse. Default: so"
        " that about one cell in eight is one.",
    )
    least_cells: Annotated[int, Field(ge=1, le=100)] = Field(
        default=3, description="Shorter headwaters are left out, in cells."
    )
    standing: bool = Field(
        default=True, description="Whether lakes, closed hollows and the sea are level water."
    )
    banks: Literal["sloping", "upright"] = Field(
        default="sloping", description="How the banks of watercourses are cut."
    )
    wider_from_km2: tuple[Positive, ...] = Field(
        default=(),
        max_length=MOST_WIDER,
        description="Catchments from which water is a class wider, ascending, up to three.",
    )
    pool_depth_m: Positive | None = Field(
        default=None,
        description="Closed depressions deeper than this keep a pool. Default: all overflow.",
    )

    @model_validator(mode="after")
    def _ascends(self) -> Self:
        limits = self.wider_from_km2
        if any(low >= high for low, high in pairwise(limits)):
            raise ValueError("wider_from_km2 must be a list of catchments, each above the last")
        return self


class FitBrief(Section):
    """[fit]: what a good board is worth, and how hard to look for it."""

    effort: Literal["instant", "bounded", "proven"] = Field(
        default="bounded",
        description="'instant' improves a quick start, 'bounded' comes close to the best board and"
        " says how close, 'proven' finds it, which can take minutes on rough ground.",
    )
    prefer: Literal[
        "balanced", "truest ground", "fewest different pieces", "most standing room"
    ] = Field(default="balanced", description="What the search optimises.")
    prices: dict[Text, Annotated[float, Field(ge=0, le=100.0)]] = Field(
        default_factory=dict,
        description="Single prices to change, as sloping = 0.5; 1 is a tile one step off the"
        " ground.",
    )
    rim_level: Level | None = Field(
        default=None,
        description="Height in steps of the whole rim, so that boards join flush. Default: free.",
    )
    step_faces: Literal["marked cliffs only", "where they pay"] = Field(
        default="marked cliffs only",
        description="Where two tops may fail to meet. 'where they pay' also allows a step face"
        " where closing the seam would cost more than its price.",
    )
    time_limit_s: Positive | None = Field(
        default=None,
        description="Stop the search after this many seconds and keep the best board so far.",
    )


class StockBrief(Section):
    """[stock]: what the maker has on the shelf."""

    spacer_mm: tuple[Annotated[float, Field(gt=0, le=500.0), _Micrometres], ...] | None = Field(
        default=None,
        description="Thicknesses of spacers that are cut. Default: one, two and four steps, up to"
        " 60 mm.",
    )
    owned: str | None = Field(
        default=None,
        description="Pieces you own already: a CSV like schedule.csv, relative to the brief. The"
        " plan prefers them and lists what is still to cut.",
    )
    footings: Literal["keyed rim", "plain", "none"] = Field(
        default="keyed rim",
        description="'keyed rim' holds the outer stacks to the base and seats the rest plainly.",
    )
    tall_stack_mm: Positive = Field(
        default=150.0, description="Stacks taller than this are warned about."
    )

    @model_validator(mode="after")
    def _has_spacers(self) -> Self:
        if self.spacer_mm is not None and not self.spacer_mm:
            raise ValueError("spacer_mm must list at least one thickness")
        return self
