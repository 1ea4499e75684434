"""The brief: what a user may ask for, as a TOML file or a `Brief` object.

Everything has a default. Where the default depends on the ground (scale, metres per step, the
water threshold), the key is left empty here and settled later; what was assumed is reported.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import re
import textwrap
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self, cast, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator
from pydantic.fields import FieldInfo

from hexterra.errors import BriefError, FileMissingError
from hexterra.lattice.board import LIMITS

_Positive = Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)]
_Keys = Mapping[str, Any]
_Finite = Annotated[float, Field(ge=-1e7, le=1e7, allow_inf_nan=False)]


def _size(name: str) -> Any:
    """Range of one of the board's sizes, as the board itself states it."""
    least, greatest, _ = LIMITS[name]
    return Field(ge=least, le=greatest, allow_inf_nan=False)


def _count(name: str) -> Any:
    least, greatest, _ = LIMITS[name]
    return Field(ge=int(least), le=int(greatest))


class Section(BaseModel):
    """A table of the brief: unknown keys are refused, values cannot change."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


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
    width_mm: _Positive | None = Field(
        default=None,
        description="Instead of columns: table width; the most columns that fit are used.",
    )
    depth_mm: _Positive | None = Field(
        default=None, description="Instead of rows: table depth; the most rows that fit are used."
    )
    across_flats_mm: Annotated[float, _size("across_flats_mm")] = Field(
        default=100.0, description="Distance between opposite sides of a tile."
    )
    facing: Literal["points", "flats"] = Field(
        default="points", description="What of each hexagon points to the front edge."
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
    x: float | None = Field(
        default=None, description="Instead of lon_deg: easting in the raster's own coordinates."
    )
    y: float | None = Field(
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

    step_mm: Annotated[float, Field(ge=0.5, le=200.0, allow_inf_nan=False)] = Field(
        default=7.5, description="Height of one step on the bench."
    )
    metres_per_step: _Positive | None = Field(
        default=None,
        description="Ground height of one step. Default: so that the relief takes ~10 steps.",
    )
    exaggeration: Annotated[float, Field(gt=0, le=1000.0, allow_inf_nan=False)] | None = Field(
        default=None, description="Instead of metres_per_step: how much taller than true to scale."
    )
    datum_m: _Finite | None = Field(
        default=None,
        description="Ground height of level 0. Give neighbouring boards the same. Default: the"
        " lowest cell, rounded to whole steps.",
    )
    method: Literal["even", "quantile", "natural breaks", "given"] = Field(
        default="even", description="Where the thresholds between levels lie."
    )
    n_levels: Annotated[int, Field(ge=1, le=64)] | None = Field(
        default=None,
        description="Number of levels, for 'quantile' and 'natural breaks'. Default 8.",
    )
    thresholds_m: tuple[_Finite, ...] | None = Field(
        default=None, description="Heights between the levels, ascending, for 'given'."
    )
    minimum_coverage: Annotated[float, Field(gt=0, le=1.0)] = Field(
        default=0.5, description="Least share of a cell that must have heights."
    )
    below_coverage: Literal["refuse", "leave out"] = Field(
        default="refuse", description="What happens when a cell has less."
    )

    @field_validator("thresholds_m", mode="before")
    @classmethod
    def _as_tuple(cls, value: object) -> object:
        return tuple(cast("list[object]", value)) if isinstance(value, list) else value

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
            raise ValueError("n_levels goes with method = 'quantile' or 'natural breaks'")
        return self


class RampsBrief(Section):
    """[ramps]: what may be ramped, what stays a cliff, which cells are fixed."""

    limit: Literal[1, 2] = Field(
        default=1, description="Steps a ramp may rise across one cell: 1 gentle, 2 also steep."
    )
    measure: Literal["absolute", "square"] = Field(
        default="absolute", description="What a changed level costs: its distance, or its square."
    )
    cliff_rise_steps: Annotated[float, Field(ge=1.0, le=1000.0)] | None = Field(
        default=None,
        description="Sides where the ground rises this many steps stay cliffs. Default: none.",
    )
    cliffs: tuple[tuple[str, str], ...] = Field(
        default=(), description='Pairs of cells with a cliff between them, as ["B3", "B4"].'
    )
    pins: dict[str, int] = Field(
        default_factory=dict, description="Cells whose level is fixed, as B3 = 4."
    )

    @field_validator("cliffs", mode="before")
    @classmethod
    def _as_tuples(cls, value: object) -> object:
        if isinstance(value, list):
            pairs = cast("list[object]", value)
            return tuple(
                tuple(cast("list[object]", pair)) if isinstance(pair, list) else pair
                for pair in pairs
            )
        return value


class WaterBrief(Section):
    """[water]: which flow is shown as a watercourse."""

    show: bool = Field(default=True, description="Whether the board carries watercourses.")
    threshold_km2: _Positive | None = Field(
        default=None, description="Ground that must drain through a cell to make it a watercourse."
    )
    pool_depth_m: _Positive | None = Field(
        default=None,
        description="Closed hollows deeper than this keep a pool. Default: all overflow.",
    )


class FitBrief(Section):
    """[fit]: what a good board is worth, and how hard to look for it."""

    effort: Literal["instant", "bounded", "proven"] = Field(
        default="bounded",
        description="'instant' betters a quick start, 'bounded' comes close to the best board and"
        " says how close, 'proven' finds it, which can take minutes on rough ground.",
    )
    prefer: Literal["truest ground", "fewest different pieces", "most standing room"] = Field(
        default="truest ground", description="What the best board is best at."
    )
    prices: dict[str, Annotated[float, Field(ge=0, le=100.0)]] = Field(
        default_factory=dict,
        description="Single prices to change, as sloping = 0.5; 1 is a tile one step off the"
        " ground.",
    )
    step_faces: Literal["marked cliffs only", "where they pay"] = Field(
        default="marked cliffs only",
        description="Where two tops may fail to meet. 'where they pay' also allows a step face"
        " where closing the seam would cost more than its price.",
    )
    time_limit_s: _Positive | None = Field(
        default=None, description="Stop looking after so many seconds, with the best board so far."
    )


class StockBrief(Section):
    """[stock]: what the maker has on the shelf."""

    spacer_mm: tuple[Annotated[float, Field(gt=0, le=500.0)], ...] = Field(
        default=(7.5, 15.0, 30.0), description="Thicknesses of spacers that are cut."
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
    tall_stack_mm: _Positive = Field(
        default=150.0, description="Stacks taller than this are warned about."
    )

    @field_validator("spacer_mm", mode="before")
    @classmethod
    def _as_tuple(cls, value: object) -> object:
        return tuple(cast("list[object]", value)) if isinstance(value, list) else value

    @model_validator(mode="after")
    def _has_spacers(self) -> Self:
        if not self.spacer_mm:
            raise ValueError("spacer_mm must list at least one thickness")
        return self


class Brief(Section):
    """What a user wants built. ``Brief()`` is a complete request; every key has a default.

    Sections are given as mappings: ``Brief(board={"columns": 12}, heights={"step_mm": 5.0})``.

    Raises
    ------
    BriefError
        Naming every key that is wrong, its value, what is allowed, and what to do.
    """

    title: str = Field(default="Untitled board", max_length=120, description="Printed on the map.")
    catalogue: str | None = Field(
        default=None,
        description="Catalogue file (TOML), relative to the brief. Default: the built-in one.",
    )
    board: BoardBrief = Field(default_factory=lambda: BoardBrief())  # noqa: PLW0108
    heights: HeightsBrief = Field(default_factory=lambda: HeightsBrief())  # noqa: PLW0108
    ramps: RampsBrief = Field(default_factory=lambda: RampsBrief())  # noqa: PLW0108
    water: WaterBrief = Field(default_factory=lambda: WaterBrief())  # noqa: PLW0108
    fit: FitBrief = Field(default_factory=lambda: FitBrief())  # noqa: PLW0108
    stock: StockBrief = Field(default_factory=lambda: StockBrief())  # noqa: PLW0108

    def __init__(self, /, **data: Any) -> None:
        try:
            super().__init__(**data)
        except ValidationError as error:
            raise _explain(error, "the brief") from error

    def changed(self, changes: Mapping[str, Any]) -> Brief:
        """Return this brief with `changes`, sections and keys as for `Brief`, laid over it.

        >>> Brief().changed({"board": {"columns": 12}}).board.columns
        12

        Raises
        ------
        BriefError
            As for `Brief`.
        """
        return Brief(**_laid_over(self.model_dump(exclude_unset=True), changes))

    @property
    def digest(self) -> str:
        """Fingerprint of what is asked for."""
        return hashlib.blake2b(self.model_dump_json().encode(), digest_size=16).hexdigest()


def read_brief(path: str | Path) -> Brief:
    """Read a brief from a TOML file.

    Relative paths in it (`catalogue`, `stock.owned`) are taken from the brief's own folder.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    BriefError
        If it is not TOML (with the line), or asks for something that is not allowed.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise FileMissingError(
            f"the brief {path} cannot be opened: {error.strerror}",
            remedy="check the path, or write a starter with `hexterra brief`",
            path=str(path),
        ) from error
    except UnicodeDecodeError as error:
        raise BriefError(
            f"the brief {path} is not UTF-8 text (byte {error.start})",
            remedy="save it as UTF-8; a starter comes from `hexterra brief`",
            path=str(path),
        ) from error
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BriefError(
            f"the brief {path} is not valid TOML: {error}",
            remedy="mend that line; text goes in quotes, lists in [brackets]",
            path=str(path),
        ) from error
    try:
        brief = Brief(**data)
    except BriefError as error:  # it cannot know the path
        report = cast("ValidationError", error.__cause__)
        raise _explain(report, f"the brief {path}") from report
    if brief.catalogue is not None:
        brief = brief.changed({"catalogue": str(path.parent / brief.catalogue)})
    if brief.stock.owned is not None:
        brief = brief.changed({"stock": {"owned": str(path.parent / brief.stock.owned)}})
    return brief


def _laid_over(data: _Keys, changes: _Keys) -> dict[str, Any]:
    """Merge two nested mappings; where both have a value, the change counts."""
    merged = dict(data)
    for key, value in changes.items():
        old = merged.get(key)
        if isinstance(value, Mapping) and isinstance(old, Mapping):
            merged[key] = _laid_over(cast("_Keys", old), cast("_Keys", value))
        else:
            merged[key] = value
    return merged


def _explain(error: ValidationError, where: str) -> BriefError:
    """Turn a validation report into one message, a line per wrong key."""
    lines: list[str] = []
    keys: list[str] = []
    for item in error.errors():
        names = [str(part) for part in item["loc"]]
        key = ".".join(names) or "brief"
        keys.append(key)
        value = "" if isinstance(item["input"], dict) else f" is {item['input']!r}"
        lines.append(f"{key}{value}: {_allowed(item['type'], item['msg'], item.get('ctx'), names)}")
    joined = "\n  - ".join(dict.fromkeys(lines))
    return BriefError(
        f"{where} cannot be used:\n  - {joined}",
        remedy="correct the keys named above; `hexterra brief` prints every key with its meaning",
        keys=tuple(keys),
    )


def _allowed(kind: str, message: str, context: dict[str, Any] | None, names: list[str]) -> str:
    """Say what is allowed where pydantic said what is wrong."""
    section = _section(names[:-1])
    known = list(section.model_fields) if section else []
    if kind == "extra_forbidden" and known:
        near = difflib.get_close_matches(names[-1], known, n=1)
        hint = f"did you mean {near[0]!r}? " if near else ""
        return f"no such key; {hint}known here: {', '.join(known)}"
    if kind == "value_error" and context:
        return str(context["error"])
    if kind.startswith(("greater_than", "less_than")) and names[-1] in known and section:
        return f"it must be {_range(section.model_fields[names[-1]])}"
    return re.sub(r"^Input should be", "it must be", message)


def _range(field: FieldInfo) -> str:
    """Spell out the bounds of a number, which pydantic keeps on the field or in its union."""
    marks = [*field.metadata]
    for choice in get_args(field.annotation):
        marks += getattr(choice, "__metadata__", ())
    bounds: list[str] = []
    for mark in (part for held in marks for part in getattr(held, "metadata", [held])):
        for name, words in (
            ("gt", "above"),
            ("ge", "at least"),
            ("lt", "below"),
            ("le", "at most"),
        ):
            bound = getattr(mark, name, None)
            if bound is not None:
                bounds.append(f"{words} {bound:g}")
    return " and ".join(bounds)


def _section(path: list[str]) -> type[BaseModel] | None:
    """Find the model that a path of keys names."""
    section: type[BaseModel] = Brief
    for name in path:
        field = section.model_fields.get(name)
        if field is None or not _is_section(field):
            return None
        section = cast("type[BaseModel]", field.annotation)
    return section


def _is_section(field: FieldInfo) -> bool:
    return isinstance(field.annotation, type) and issubclass(field.annotation, Section)


def starter_brief() -> str:
    """Return a commented TOML brief: every key with its meaning, its default, and nothing set.

    The text is a valid brief; as it stands it asks for the same as ``Brief()``.
    """
    lines = [
        "# A hexterra brief. Every key is optional; remove the # of a line to set it.",
        "",
    ]
    lines += _starter_keys(Brief)
    for name, field in Brief.model_fields.items():
        if _is_section(field):
            section = cast("type[BaseModel]", field.annotation)
            heading = (section.__doc__ or "").split(": ", 1)[1]
            lines += ["", f"# --- {heading}", f"[{name}]"]
            lines += _starter_keys(section)
    return "\n".join(lines) + "\n"


def _starter_keys(section: type[BaseModel]) -> list[str]:
    """Write each key that is not itself a section: its meaning, then its default or an example."""
    lines: list[str] = []
    for name, field in section.model_fields.items():
        if not _is_section(field):
            lines += textwrap.wrap(f"# {field.description}", 88, subsequent_indent="# ")
            default = field.get_default(call_default_factory=True)
            lines.append(f"# {name} = {_toml(default, name)}")
    return lines


_EXAMPLES = {
    "columns": "24", "rows": "16", "width_mm": "2400", "depth_mm": "1400", "scale": "25000",
    "lon_deg": "-30.5", "lat_deg": "12.25", "x": "500000.0", "y": "4000000.0",
    "metres_per_step": "20", "exaggeration": "2.5", "datum_m": "100", "n_levels": "8",
    "thresholds_m": "[120, 150, 190, 250]", "cliff_rise_steps": "3",
    "threshold_km2": "1.5", "time_limit_s": "60", "pool_depth_m": "10",
    "owned": '"last-board/schedule.csv"', "catalogue": '"my-catalogue.toml"',
}  # fmt: skip


def _toml(value: object, name: str) -> str:
    """Write a default as TOML; a key without one shows an example."""
    if value is None:
        return f"{_EXAMPLES[name]}  # (an example)"
    if isinstance(value, tuple):
        return f"[{', '.join(_toml(item, name) for item in cast('tuple[object, ...]', value))}]"
    if isinstance(value, dict):
        return "{ }"
    return json.dumps(value)  # text, numbers and truth values look the same in TOML
