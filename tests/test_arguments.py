"""The public interface: what is there, and how wrong calls are answered."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

import hexterra as hx

GROUND = hx.invent(3, rows=40, columns=50)
PLAN = hx.make_plan(GROUND, hx.Brief(board={"columns": 4, "rows": 3}))
BOARD = PLAN.board

WRONG: dict[str, Callable[[], Any]] = {
    "a path for an elevation": lambda: hx.make_plan("x.tif"),  # type: ignore[arg-type]
    "a mapping for a brief": lambda: hx.make_plan(GROUND, {}),  # type: ignore[arg-type]
    "swapped arguments": lambda: hx.make_plan(hx.Brief(), GROUND),  # type: ignore[arg-type]
    "no arguments": cast("Callable[[], Any]", hx.make_plan),
    "too many arguments": lambda: hx.make_plan(GROUND, hx.Brief(), 3),  # type: ignore[misc]
    "another name for an argument": lambda: hx.read_elevation("x", transform=1),  # type: ignore[call-arg]
    "a misspelt argument": lambda: hx.gather(GROUND, BOARD, quantile=(0.5,)),  # type: ignore[call-arg]
    "an elevation for a board": lambda: hx.gather(GROUND, GROUND),  # type: ignore[arg-type]
    "an array for an elevation": lambda: hx.gather(np.zeros((3, 3)), BOARD),  # type: ignore[arg-type]
    "a text for a number": lambda: hx.gather(GROUND, BOARD, minimum_coverage="half"),  # type: ignore[arg-type]
    "heights for levels": lambda: hx.legalise(PLAN.heights),  # type: ignore[arg-type]
    "levels for legal levels": lambda: hx.fit(PLAN.levels, PLAN.catalogue),  # type: ignore[arg-type]
    "a path for a catalogue": lambda: hx.fit(PLAN.legal, "mine.toml"),  # type: ignore[arg-type]
    "refined for tiles": lambda: hx.refine(PLAN.refined),  # type: ignore[arg-type]
    "refined to schedule": lambda: hx.schedule(PLAN.refined, step_mm=5.0),  # type: ignore[arg-type]
    "a plan to schedule": lambda: hx.schedule(PLAN, step_mm=5.0),  # type: ignore[arg-type]
    "a number for a plan": lambda: hx.compare(PLAN, 3),  # type: ignore[arg-type]
    "a folder for a plan": lambda: hx.compare("a", "b"),  # type: ignore[arg-type]
    "a folder to edit": lambda: hx.edit_plan("a", "B2"),  # type: ignore[arg-type]
    "a number for a cell": lambda: hx.edit_plan(PLAN, 3),  # type: ignore[arg-type]
    "a cell that is not there": lambda: hx.edit_plan(PLAN, "Z9"),
    "a text for a level": lambda: hx.edit_plan(PLAN, "B2", level="3"),  # type: ignore[arg-type]
    "a plan for heights": lambda: hx.plan_heights(GROUND, PLAN, hx.Brief()),  # type: ignore[arg-type]
    "another ground": lambda: hx.plan_heights(
        hx.invent(4, rows=30, columns=30), PLAN.heights, PLAN.brief
    ),
    "an overlay of another brief": lambda: hx.plan_heights(
        GROUND,
        PLAN.heights,
        PLAN.brief.changed({"water": {"threshold_km2": 9.0}}),
        overlay=PLAN.overlay,
    ),
    "a text for a threshold": lambda: hx.flow(PLAN.heights, threshold_m2="9"),  # type: ignore[arg-type]
    "heights to drain": lambda: hx.drain(PLAN.heights),  # type: ignore[arg-type]
    "an elevation for a drainage": lambda: hx.streams(GROUND, threshold_m2=1.0),  # type: ignore[arg-type]
    "a path for lines": lambda: hx.ways("roads.gpkg", BOARD),  # type: ignore[arg-type]
    "an unknown method": lambda: hx.quantise(PLAN.heights, method="jenks"),  # type: ignore[arg-type]
    "a plan to write as ground": lambda: hx.write_elevation(PLAN, "x.tif"),  # type: ignore[arg-type]
    "an elevation to write as a plan": lambda: hx.write_plan(GROUND, "x"),  # type: ignore[arg-type]
    "an unknown key of a brief": lambda: hx.Brief(bord={}),
    "a number for a section": lambda: hx.Brief(board=3),
    "a missing file": lambda: hx.read_elevation("missing.tif"),
    "a missing folder": lambda: hx.read_plan("missing"),
    "no boards to share": lambda: hx.share_plans([]),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_call_says_what_was_expected(name: str) -> None:
    """Every wrong call ends in an error of hexterra that says what to do."""
    with pytest.raises(hx.HexterraError) as caught:
        WRONG[name]()
    assert not isinstance(caught.value, AttributeError | KeyError | IndexError)
    assert caught.value.remedy


def test_what_was_given_and_wanted_is_said() -> None:
    """The message has the function, the argument, its type and what makes the right one."""
    with pytest.raises(hx.ArgumentError, match="fit: legal is a Refined") as caught:
        hx.fit(PLAN.refined, PLAN.catalogue)  # type: ignore[arg-type]
    assert "legalise(levels)" in caught.value.remedy
    assert isinstance(caught.value, TypeError)
    with pytest.raises(hx.ArgumentError, match=r"refined\.tiles"):
        hx.refine(PLAN.refined)  # type: ignore[arg-type]
    with pytest.raises(hx.ArgumentError, match="write affine"):
        hx.read_elevation("x", transform=1)  # type: ignore[call-arg]


def test_a_misspelt_name_is_pointed_to() -> None:
    """The spelling of others is known; a name that is not there is an AttributeError."""
    with pytest.raises(AttributeError, match="did you mean 'quantise'"):
        _ = hx.quantize  # type: ignore[attr-defined]
    with pytest.raises(AttributeError, match="did you mean 'BriefError'"):
        _ = hx.BriefEror  # type: ignore[attr-defined]


def test_every_public_name_is_there_and_told_in_one_line() -> None:
    """`help` lists each name once, `dir` lists no other, and each is what it is called."""
    listed = re.findall(r"^- `(\w+)`: \S", hx.__doc__ or "", flags=re.MULTILINE)
    assert sorted(listed) == sorted(hx.__all__) == sorted(dir(hx))
    for name in hx.__all__:
        assert getattr(hx, name).__name__ == name
        assert getattr(hx, name) is getattr(hx, name)
    errors = vars(sys.modules["hexterra.errors"])
    assert {name for name in errors if name.endswith(("Error", "Warning"))} <= set(hx.__all__)


def test_a_type_checker_refuses_a_misspelt_name(tmp_path: Path) -> None:
    """The stub beside the package says which names there are."""
    pytest.importorskip("pyright", reason="of the extra lint")
    program = tmp_path / "program.py"
    program.write_text("import hexterra as hx\nhx.quantise\nhx.quantize\n")
    done = subprocess.run(
        [sys.executable, "-m", "pyright", "--pythonpath", sys.executable, str(program)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert re.findall(r'"(\w+)" is not a known attribute', done.stdout) == ["quantize"]


def test_what_a_plan_hands_out_does_not_change_it() -> None:
    """Tables are copies, arrays cannot be written to, and values are equal by content."""
    level = PLAN.tiles["level"].tolist()
    tiles, pieces = PLAN.tiles, PLAN.schedule
    tiles.loc[0, "level"] = 99
    pieces.loc[0, "count"] = 99
    assert PLAN.tiles["level"].tolist() == level
    assert 99 not in PLAN.schedule["count"].tolist()
    with pytest.raises(ValueError, match="read-only"):
        PLAN.heights.mean_m[0] = 0.0
    again = hx.make_plan(GROUND, PLAN.brief)
    assert again == PLAN
    assert hash(again) == hash(PLAN)
    assert again.heights == PLAN.heights
    assert again.heights != PLAN.levels
