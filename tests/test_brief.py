"""The brief: defaults, files, and answers to mistakes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from hexterra.brief.brief import Brief, read_brief, starter_brief
from hexterra.errors import BriefError, FileMissingError


def test_everything_has_a_default() -> None:
    """An empty brief is a complete request with 100 mm tiles and 7.5 mm steps."""
    brief = Brief()
    assert (brief.board.across_flats_mm, brief.heights.step_mm) == (100.0, 7.5)


def test_the_starter_asks_for_the_default(tmp_path: Path) -> None:
    """The commented starter is valid TOML and equals the default brief."""
    path = tmp_path / "brief.toml"
    path.write_text(starter_brief(), encoding="utf-8")
    assert read_brief(path) == Brief()


def test_every_starter_line_can_be_uncommented(tmp_path: Path) -> None:
    """Each example line of the starter is accepted on its own in its section."""
    section = ""
    n_tried = 0
    partners = {
        "lon_deg": "lat_deg = 1.0", "lat_deg": "lon_deg = 1.0", "x": "y = 1.0", "y": "x = 1.0",
        "n_levels": "method = 'quantile'", "thresholds_m": "method = 'given'",
        "lake_depth_m": "lake_area_km2 = 1.0", "lake_area_km2": "lake_depth_m = 1.0",
    }  # fmt: skip
    of_maps = {"file": "file = 'm.gpkg'", "kind": "kind = 'road'"}
    of_kinds = {"file": "file = 'm.gpkg'", "kind_field": "kind_field = 'class'"}
    of_classes = {"file": "file = 'm.tif'", "classes": "classes = { 1 = 'woods' }"}
    for line in starter_brief().splitlines():
        if line.startswith("["):
            section = line
        elif line.startswith("# ") and " = " in line and line[2].islower():
            key = line[2:].split(" = ")[0]
            if not key.isidentifier():
                continue
            path = tmp_path / "one.toml"
            with_it: dict[str, str] = {}
            if section in ("[rivers]", "[roads]", "[areas]"):
                with_it = of_kinds if key in ("kind_field", "kinds") else of_maps
            elif section == "[land_cover]":
                with_it = of_classes
            elif section == "[keep]":
                with_it = {"plan": "plan = 'last-plan'"}
            others = "\n".join(text for name, text in with_it.items() if name != key)
            others += f"\n{partners.get(key, '')}"
            path.write_text(f"{section}\n{line[2:]}\n{others}\n")
            read_brief(path)
            n_tried += 1
    assert n_tried == sum(
        len(getattr(Brief(), name).__class__.model_fields) if name not in ("title", "catalogue")
        else 1
        for name in Brief.model_fields
    )  # fmt: skip


def test_whole_numbers_are_fine_where_numbers_are_wanted(tmp_path: Path) -> None:
    """A maker writes 80, not 80.0."""
    path = tmp_path / "brief.toml"
    path.write_text("[board]\nacross_flats_mm = 80\n[stock]\nspacer_mm = [10, 20]\n")
    brief = read_brief(path)
    assert (brief.board.across_flats_mm, brief.stock.spacer_mm) == (80.0, (10.0, 20.0))


def test_the_catalogue_lies_beside_the_brief(tmp_path: Path) -> None:
    """A relative catalogue is found from the brief's folder, not the working directory."""
    path = tmp_path / "brief.toml"
    path.write_text('catalogue = "mine.toml"\n')
    assert read_brief(path).catalogue == str(tmp_path / "mine.toml")


@pytest.mark.parametrize(
    ("data", "key", "said"),
    [
        ({"board": {"rows": 0}}, "board.rows", "0: it must be at least 2 and at most 20000"),
        ({"board": {"rows": 10**9}}, "board.rows", "at most 20000"),
        ({"board": {"across_flats_mm": -3}}, "board.across_flats_mm", "at least 5"),
        ({"board": {"scale": float("nan")}}, "board.scale", "nan"),
        ({"board": {"facing": "up"}}, "board.facing", "'points' or 'flats'"),
        ({"board": {"colums": 3}}, "board.colums", "did you mean 'columns'?"),
        ({"board": {"columns": 3, "width_mm": 500}}, "board", "columns or width_mm, not both"),
        ({"board": {"lon_deg": 3}}, "board", "both lon_deg and lat_deg"),
        ({"board": {"lon_deg": 3, "lat_deg": 3, "x": 1, "y": 1}}, "board", "not both"),
        ({"board": 3}, "board", "must be a section of keys"),
        ({"board": {"x": float("nan"), "y": 1.0}}, "board.x", "must be a finite number"),
        ({"heights": {"step_mm": "thick"}}, "heights.step_mm", "'thick': it must be a number"),
        ({"heights": {"metres_per_step": 0}}, "heights.metres_per_step", "above 0"),
        ({"heights": {"metres_per_step": 5, "exaggeration": 2}}, "heights", "not both"),
        ({"heights": {"thresholds_m": [1, 2]}}, "heights", "go together"),
        ({"heights": {"method": "given", "thresholds_m": [2, 1]}}, "heights", "above the last"),
        ({"heights": {"method": "given", "thresholds_m": []}}, "heights", "above the last"),
        ({"heights": {"n_levels": 4}}, "heights", "n_levels needs"),
        ({"ramps": {"limit": 3}}, "ramps.limit", "1 or 2"),
        ({"ramps": {"pins": {"A1": 1.5}}}, "ramps.pins.A1", "1.5: it must be a whole number"),
        ({"ramps": {"pins": {"C4": 9999}}}, "ramps.pins.C4",
         "ramps.pins.C4 is 9999: it must be at least 0 and at most 999"),
        ({"ramps": {"pins": {"C4": -1}}}, "ramps.pins.C4", "at least 0 and at most 999"),
        ({"fit": {"rim_level": 1000}}, "fit.rim_level",
         "fit.rim_level is 1000: it must be at least 0 and at most 999"),
        ({"fit": {"rim_level": -1}}, "fit.rim_level", "at least 0 and at most 999"),
        ({"keep": {"plan": "x", "cells": ["A1", "C4:"]}}, "keep.cells.1",
         """keep.cells.1 is 'C4:': it must be a cell as "B3", a block from corner to corner"""),
        ({"keep": {"plan": "x", "free": ["C4:E6:F7"]}}, "keep.free.0", 'as "C4:E6", or "all"'),
        ({"keep": {"plan": "x", "free": [""]}}, "keep.free.0", 'a cell as "B3"'),
        ({"ramps": {"pins": 3}}, "ramps.pins", "must be a table of keys"),
        ({"ramps": {"cliffs": [["A1"]]}}, "ramps.cliffs.0.1", "must be a pair of cells"),
        ({"ramps": {"cliffs": [["A1", "A2", "A3"]]}}, "ramps.cliffs.0", "must be a pair of cells"),
        ({"ramps": {"cliffs": 3}}, "ramps.cliffs", "must be a list"),
        ({"water": {"show": 1}}, "water.show", "must be true or false"),
        ({"title": 3}, "title", "must be text in quotes"),
        ({"title": "x" * 121}, "title", "it must have at most 120 characters"),
        ({"stock": {"spacer_mm": []}}, "stock", "at least one thickness"),
        ({"stock": {"spacer_mm": [0]}}, "stock.spacer_mm.0", "above 0"),
        ({"wood": 1}, "wood", "no such key"),
        ({"water": {"wider_from_km2": [2, 2]}}, "water", "each above the last"),
        ({"water": {"wider_from_km2": [1, 2, 3, 4]}}, "water.wider_from_km2", "at most 3 values"),
        ({"drainage": {"follow": "roads"}}, "drainage.follow", "'pixels' or 'cell means'"),
        ({"drainage": {"depressions": "dig"}}, "drainage.depressions", "'breach then fill' or"),
        ({"drainage": {"breach_length_pixels": 0}}, "drainage.breach_length_pixels", "at least 1"),
        ({"drainage": {"breach_depth_m": 0}}, "drainage.breach_depth_m", "above 0"),
        ({"drainage": {"lake_depth_m": 2}}, "drainage", "both lake_depth_m and lake_area_km2"),
        ({"drainage": {"surroundings_km": -1}}, "drainage.surroundings_km", "above 0"),
        ({"drainage": {"pixels_across": 9}}, "drainage.pixels_across", "at least 10"),
        ({"rivers": {"kind": "river"}}, "rivers", "name the file that these keys are about"),
        ({"roads": {"file": "x.gpkg"}}, "roads", "give either kind or kind_field"),
        ({"roads": {"file": "x", "kind": "a", "kind_field": "b"}}, "roads", "either kind or"),
        ({"areas": {"file": "x", "kind": "a", "kinds": {"b": "c"}}}, "areas", "kinds needs"),
        ({"areas": {"file": "x", "kind": ""}}, "areas.kind", "at least 1 character"),
        ({"rivers": {"file": "x", "kind": "a", "runs": "up"}}, "rivers.runs", "'as drawn' or"),
        ({"rivers": {"file": "x", "kind": "a", "upright": "a"}}, "rivers.upright", "a list"),
        ({"roads": {"file": "x", "kind": "a", "tolerance_cells": 0.5}}, "roads.tolerance_cells",
         "at least 0.6"),
        ({"roads": {"file": "x", "kind": "a", "bridge_from": 6}}, "roads.bridge_from", "at most 5"),
        ({"areas": {"file": "x", "kind": "a", "least_share": 0}}, "areas.least_share", "above 0"),
        ({"land_cover": {"band": 2}}, "land_cover", "name the file that these keys are about"),
        ({"land_cover": {"file": "x"}}, "land_cover", 'as classes = {10 = "woods"}'),
        ({"land_cover": {"file": "x", "classes": {"wood": "wood"}}}, "land_cover",
         "the class 'wood' is not a whole number"),
        ({"land_cover": {"file": "x", "classes": {"1": "wood"}, "band": 0}}, "land_cover.band",
         "at least 1"),
        ({"water": {"show": False}, "rivers": {"file": "x", "kind": "a"}}, "brief",
         "rivers.file needs water.show = true"),
        ({"water": {"pool_depth_m": 2}, "drainage": {"follow": "pixels"}}, "brief",
         "water.pool_depth_m needs drainage.follow"),
    ],
)  # fmt: skip
def test_mistakes_are_answered(data: dict[str, Any], key: str, said: str) -> None:
    """A mistake names the key, the value or the rule, and what is allowed."""
    with pytest.raises(BriefError) as caught:
        Brief(**data)
    assert key in caught.value.facts["keys"]  # type: ignore[operator]
    assert said in str(caught.value)
    assert "hexterra brief" in caught.value.remedy


def test_all_mistakes_are_named_at_once() -> None:
    """Three wrong keys are three lines."""
    with pytest.raises(BriefError) as caught:
        Brief(board={"rows": 0, "scale": -1}, title=3)
    assert set(caught.value.facts["keys"]) == {"board.rows", "board.scale", "title"}  # type: ignore[call-overload]


def test_mistakes_in_a_file_are_answered_once(tmp_path: Path) -> None:
    """The path, every wrong key and the remedy are each named once, whatever the keys are."""
    path = tmp_path / "brief.toml"
    path.write_text("self = 1\n[board]\ncolumns = 0\n")
    with pytest.raises(BriefError) as caught:
        read_brief(path)
    assert set(caught.value.facts["keys"]) == {"self", "board.columns"}  # type: ignore[call-overload]
    message = str(caught.value)
    assert message.startswith(f"the brief {path} cannot be used:")
    assert [message.count(words) for words in ("cannot be used", "To fix it", "columns is 0")] == [
        1, 1, 1
    ]  # fmt: skip


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """A brief that does not exist is a missing file, not a traceback."""
    with pytest.raises(FileMissingError, match=r"absent\.toml"):
        read_brief(tmp_path / "absent.toml")


def test_broken_toml_names_the_line(tmp_path: Path) -> None:
    """A syntax error names its line."""
    path = tmp_path / "brief.toml"
    path.write_text("[board]\ncolumns = = 3\n")
    with pytest.raises(BriefError, match="line 2"):
        read_brief(path)


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    """A brief must be UTF-8."""
    path = tmp_path / "brief.toml"
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(BriefError, match="UTF-8"):
        read_brief(path)


def test_digest_follows_content() -> None:
    """Equal briefs have equal digests, others not."""
    assert Brief(title="x").digest == Brief(title="x").digest != Brief(title="y").digest


def test_changes_are_laid_over() -> None:
    """A change replaces its own key only, and is checked like any brief."""
    brief = Brief(board={"columns": 5, "rows": 6}).changed({"board": {"columns": 7}})
    assert (brief.board.columns, brief.board.rows) == (7, 6)
    with pytest.raises(BriefError, match=r"board\.columns"):
        brief.changed({"board": {"columns": 1}})
