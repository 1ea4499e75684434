"""The brief: what a user may ask for, as a TOML file or a `Brief` object.

Everything has a default. Where the default depends on the ground (scale, metres per step, the
water threshold), the key is left empty here and filled later; what was assumed is reported.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, Self, cast

from pydantic import Field, ValidationError, model_validator

from hexterra.arguments import checked
from hexterra.brief.bench_sections import BaseBrief, BenchBrief, FoamBrief
from hexterra.brief.earlier_sections import JoinBrief, KeepBrief
from hexterra.brief.fidelity_section import FidelityBrief
from hexterra.brief.map_sections import (
    AreasBrief,
    DrainageBrief,
    LandCoverBrief,
    RiversBrief,
    RoadsBrief,
)
from hexterra.brief.messages import explain
from hexterra.brief.sections import (
    BoardBrief,
    FitBrief,
    HeightsBrief,
    RampsBrief,
    Section,
    StockBrief,
    Text,
    WaterBrief,
)
from hexterra.brief.starter import starter_text
from hexterra.errors import BriefError
from hexterra.tomlfile import read_toml

__all__ = ["BoardBrief", "Brief", "HeightsBrief", "read_brief", "starter_brief"]

_Keys = Mapping[str, Any]

#: Sections and keys that name files or folders.
FILES: Final = (
    ("stock", "owned"),
    ("rivers", "file"),
    ("roads", "file"),
    ("areas", "file"),
    ("land_cover", "file"),
    ("keep", "plan"),
    ("join", "left"),
    ("join", "right"),
    ("join", "front"),
    ("join", "back"),
)


#: Title of a board that is given none.
UNTITLED: Final = "Untitled board"


class Brief(Section):
    """What a user wants built. ``Brief()`` is a complete request; every key has a default.

    Sections are given as mappings: ``Brief(board={"columns": 12}, heights={"step_mm": 5.0})``.

    Raises
    ------
    BriefError
        Naming every key that is wrong, its value, what is allowed, and what to do.
    """

    title: Text = Field(default=UNTITLED, max_length=120, description="Printed on the map.")
    catalogue: str | None = Field(
        default=None,
        description="Catalogue file (TOML), relative to the brief. Default: the built-in one.",
    )
    board: BoardBrief = Field(default_factory=lambda: BoardBrief())  # noqa: PLW0108
    heights: HeightsBrief = Field(default_factory=lambda: HeightsBrief())  # noqa: PLW0108
    ramps: RampsBrief = Field(default_factory=lambda: RampsBrief())  # noqa: PLW0108
    water: WaterBrief = Field(default_factory=lambda: WaterBrief())  # noqa: PLW0108
    drainage: DrainageBrief = Field(default_factory=lambda: DrainageBrief())  # noqa: PLW0108
    rivers: RiversBrief = Field(default_factory=lambda: RiversBrief())  # noqa: PLW0108
    roads: RoadsBrief = Field(default_factory=lambda: RoadsBrief())  # noqa: PLW0108
    areas: AreasBrief = Field(default_factory=lambda: AreasBrief())  # noqa: PLW0108
    land_cover: LandCoverBrief = Field(default_factory=lambda: LandCoverBrief())  # noqa: PLW0108
    fit: FitBrief = Field(default_factory=lambda: FitBrief())  # noqa: PLW0108
    stock: StockBrief = Field(default_factory=lambda: StockBrief())  # noqa: PLW0108
    keep: KeepBrief = Field(default_factory=lambda: KeepBrief())  # noqa: PLW0108
    join: JoinBrief = Field(default_factory=lambda: JoinBrief())  # noqa: PLW0108
    foam: FoamBrief = Field(default_factory=lambda: FoamBrief())  # noqa: PLW0108
    bench: BenchBrief = Field(default_factory=lambda: BenchBrief())  # noqa: PLW0108
    base: BaseBrief = Field(default_factory=lambda: BaseBrief())  # noqa: PLW0108
    fidelity: FidelityBrief = Field(default_factory=lambda: FidelityBrief())  # noqa: PLW0108

    def __init__(self, /, **data: Any) -> None:
        try:
            super().__init__(**data)
        except ValidationError as error:
            raise explain(error, Brief, "the brief") from error

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        if self.rivers.file is not None and not self.water.show:
            raise ValueError("rivers.file needs water.show = true")
        if self.drainage.follow == "pixels" and self.water.pool_depth_m is not None:
            raise ValueError(
                'water.pool_depth_m needs drainage.follow = "cell means"; with pixels, keep'
                " depressions as lakes with drainage.lake_depth_m and lake_area_km2"
            )
        if self.bench.wire_mm > self.foam.kerf_mm:
            raise ValueError(
                f"bench.wire_mm is {self.bench.wire_mm}; it must be at most foam.kerf_mm,"
                f" {self.foam.kerf_mm:g}: a wire melts a slot at least as wide as itself"
            )
        return self

    def changed(self, changes: Mapping[str, Any]) -> Brief:
        """Return this brief with some keys changed; sections and keys as for `Brief`.

        >>> Brief().changed({"board": {"columns": 12}}).board.columns
        12

        Raises
        ------
        BriefError
            As for `Brief`.
        """
        return Brief(**_merged(self.model_dump(exclude_unset=True), changes))


def without_folders(asked: dict[str, Any]) -> dict[str, Any]:
    """Name files in a brief, dumped as a mapping, without their folders."""
    shortened = dict(asked)
    if shortened.get("catalogue") is not None:
        shortened["catalogue"] = Path(shortened["catalogue"]).name
    for section, key in FILES:
        if (shortened.get(section) or {}).get(key) is not None:
            name = Path(shortened[section][key]).name
            shortened[section] = {**shortened[section], key: name}
    return shortened


@checked
def read_brief(path: str | Path) -> Brief:
    """Read a brief from a TOML file.

    Relative paths in it (`catalogue`, `stock.owned`, the files of maps) are taken from the brief's
    own folder.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    BriefError
        If it is not TOML (with the line), or asks for something that is not allowed.
    """
    path = Path(path)
    data = read_toml(
        path,
        called="brief",
        refusal=BriefError,
        help_="`hexterra brief` writes a starter",
    )
    try:
        brief = Brief(**data)
    except BriefError as error:  # it cannot know the path
        report = cast("ValidationError", error.__cause__)
        raise explain(report, Brief, f"the brief {path}") from report
    if brief.catalogue is not None:
        brief = brief.changed({"catalogue": str(path.parent / brief.catalogue)})
    for section, key in FILES:
        named = getattr(getattr(brief, section), key)
        if named is not None:
            brief = brief.changed({section: {key: str(path.parent / named)}})
    return brief


def starter_brief() -> str:
    """Return a commented TOML brief: every key with its meaning, its default, and nothing set.

    The text is a valid brief; as it stands it asks for the same as ``Brief()``.
    """
    return starter_text(Brief)


def _merged(data: _Keys, changes: _Keys) -> dict[str, Any]:
    """Merge two nested mappings; where both have a value, the change counts."""
    merged = dict(data)
    for key, value in changes.items():
        old = merged.get(key)
        if isinstance(value, Mapping) and isinstance(old, Mapping):
            merged[key] = _merged(cast("_Keys", old), cast("_Keys", value))
        else:
            merged[key] = value
    return merged
