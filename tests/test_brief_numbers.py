"""Numbers of a brief: whatever is out of reason is refused as the brief is read, by every way in.

The law is checked on the JSON Schema, which says of every number its range.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from hexterra.brief.brief import Brief, read_brief
from hexterra.errors import BriefError
from tests.command_line import SAMPLE, run

SCHEMA = Brief.model_json_schema()
#: A place in a brief, as keys; 0 is the first of a list, "sloping" or "A1" any key of a table.
Place = tuple[str | int, ...]


def numbers(node: dict[str, Any], place: Place = ()) -> Iterator[tuple[Place, dict[str, Any]]]:
    """Find every number that the schema allows, with what it says of it."""
    if "$ref" in node:
        node = SCHEMA["$defs"][node["$ref"].rpartition("/")[2]]
    if node.get("type") in {"number", "integer"} and "enum" not in node:
        yield place, node
    for key, part in node.get("properties", {}).items():
        yield from numbers(part, (*place, key))
    for part in node.get("anyOf", ()):
        yield from numbers(part, place)
    if "items" in node:
        yield from numbers(node["items"], (*place, 0))
    if isinstance(node.get("additionalProperties"), dict):
        yield from numbers(node["additionalProperties"], (*place, "sloping"))


def asking(place: Place, value: object) -> dict[str, Any]:
    """Ask for one value only."""
    for key in reversed(place):
        value = [value] if key == 0 else {key: value}
    return value  # type: ignore[return-value]


NUMBERS = dict(numbers(SCHEMA))


def test_the_schema_has_every_table() -> None:
    """Numbers of the bench, the base, the foam and of lists and tables in them are found."""
    assert {
        ("foam", "kerf_mm"), ("foam", "sheets", 0, "price"), ("foam", "joints_mm", 0),
        ("bench", "timed", 0, "minutes"), ("bench", "wider_mm", 0), ("base", "bar_price"),
        ("ramps", "pins", "sloping"), ("fit", "prices", "sloping"), ("stock", "spacer_mm", 0),
        ("heights", "thresholds_m", 0), ("water", "wider_from_km2", 0), ("board", "x"),
    } <= set(NUMBERS)  # fmt: skip


@pytest.mark.parametrize("place", NUMBERS, ids=lambda place: ".".join(map(str, place)))
def test_every_number_has_its_range(place: Place) -> None:
    """NaN, infinities and what lies beyond either bound are refused, by key, value and range."""
    said = NUMBERS[place]
    least = said.get("minimum", said.get("exclusiveMinimum"))
    most = said.get("maximum", said.get("exclusiveMaximum"))
    assert least is not None
    assert most is not None
    beyond = (least - 1, most + 1 + abs(most) // 10**6)
    for value in (math.nan, math.inf, -math.inf, 10**400, *map(type(least), beyond)):
        with pytest.raises(BriefError) as caught:
            Brief(**asking(place, value))
        key = ".".join(map(str, place))
        (line,) = [one for one in str(caught.value).splitlines() if f"- {key} is " in one]
        assert f"at most {most:g}" in line
        assert f"at least {least:g}" in line or f"above {least:g}" in line
        assert key in caught.value.facts["keys"]  # type: ignore[operator]


@pytest.mark.parametrize(
    ("data", "key", "said"),
    [
        ({"foam": {"kerf_mm": -5}}, "foam.kerf_mm", "is -5: it must be at least 0 and at most 20"),
        ({"foam": {"sheets": [{"thickness_mm": 0.0}]}}, "foam.sheets.0.thickness_mm",
         "at least 1 and at most 1000"),
        ({"foam": {"sheets": [{"thickness_mm": 30, "length_mm": 20}]}}, "foam.sheets.0.length_mm",
         "at least 50"),
        ({"foam": {"sheets": []}}, "foam.sheets", "a list of at least one value"),
        ({"foam": {"sheets": [{"thickness_mm": 30}, {"thickness_mm": 30}]}}, "foam",
         "list each thickness once"),
        ({"foam": {"slicing": "thin"}}, "foam.slicing", "'blocks' or 'none'"),
        ({"foam": {"grain": "down"}}, "foam.grain", "'ignored', 'along' or 'across'"),
        ({"foam": {"facing_mm": 0.1}}, "foam", "facing_mm is 0.1; it must be 0, or at least 1"),
        ({"foam": {"joints_mm": [2000]}}, "foam", "a joint in joints_mm is 2000.0; the longest"),
        ({"foam": {"joints_mm": [600, 300]}}, "foam", "must ascend"),
        ({"bench": {"wire_mm": 1.1}}, "brief", "at most foam.kerf_mm, 1: a wire melts"),
        ({"foam": {"kerf_mm": 0.2}}, "brief", "bench.wire_mm is 0.4"),
        ({"bench": {"wider_mm": [15]}}, "bench", "a width in wider_mm is 15.0; it must be"),
        ({"bench": {"wider_mm": [30, 25]}}, "bench", "a width in wider_mm is 25.0"),
        ({"bench": {"wider_mm": [30, 40, 50, 60]}}, "bench.wider_mm", "at most 3 values"),
        ({"bench": {"paper": "A3"}}, "bench.paper", "'A4' or 'Letter'"),
        ({"bench": {"timed": [{"minutes": 5}]}}, "bench", "timed work has no amount of work"),
        ({"bench": {"timed": [{"minutes": 5, "n_cuts": 3}], "minutes_per_cut": 0}}, "bench",
         "rates above 0"),
        ({"bench": {"timed": [{"n_cuts": 3}]}}, "bench.timed.0.minutes", "must be given"),
        ({"base": {"play_mm": 4}}, "base", "play_mm is 4.0; it must be at most 3, half of"),
        ({"stock": {"spacer_mm": [1e-300]}}, "stock.spacer_mm.0", "whole number of micrometres"),
        ({"heights": {"step_mm": 7.00005}}, "heights.step_mm", "whole number of micrometres"),
        ({"land_cover": {"file": "x", "classes": {"²": "wood"}}}, "land_cover", "a whole number"),
        ({"catalogue": "a\0b"}, "catalogue", "text in UTF-8, without NUL characters"),
        ({"rivers": {"file": "\udcff", "kind": "x"}}, "rivers.file", "text in UTF-8"),
        ({"board": {"rows": 10**5000}}, "board.rows", "a number of thousands of digits"),
    ],
)  # fmt: skip
def test_bench_mistakes_are_answered(data: dict[str, Any], key: str, said: str) -> None:
    """What can be known from the brief alone is refused as it is made, or changed."""
    for make in (lambda: Brief(**data), lambda: Brief().changed(data)):
        with pytest.raises(BriefError) as caught:
            make()
        assert key in caught.value.facts["keys"]  # type: ignore[operator]
        assert said in str(caught.value)


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "-5", "1e300", "1" * 400])
def test_files_and_settings_are_refused_alike(value: str, tmp_path: Path) -> None:
    """A brief in TOML, and --set, are answered before any ground is read, with exit code 20."""
    path = tmp_path / "brief.toml"
    path.write_text(f"[foam]\nkerf_mm = {value}\n")
    with pytest.raises(BriefError, match=r"foam\.kerf_mm is .*at least 0 and at most 20"):
        read_brief(path)
    result = run("plan", SAMPLE, "--out", tmp_path / "plan", "--set", f"foam.kerf_mm={value}")
    assert result.exit_code == 20
    assert "foam.kerf_mm is " in result.output
    assert "at least 0 and at most 20" in result.output
    assert not (tmp_path / "plan").exists()


@pytest.mark.parametrize("text", ["kerf_mm = " + "1" * 5000, "kerf_mm = " + "[" * 5000 + "1"])
def test_toml_without_end_is_answered(text: str, tmp_path: Path) -> None:
    """A number of thousands of digits, or lists as deep, are no TOML that can be read."""
    path = tmp_path / "brief.toml"
    path.write_text(f"[foam]\n{text}\n")
    with pytest.raises(BriefError, match="not valid TOML"):
        read_brief(path)
