"""Whatever board, brief and map: a plan that was made verifies by its tables alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, reject, settings
from hypothesis import strategies as st

from hexterra.brief.brief import read_brief
from hexterra.csvfile import csv_text
from hexterra.elevation.elevation import read_elevation
from hexterra.errors import VectorError
from hexterra.outputs.document import plan_json
from hexterra.plan.pipeline import make_plan
from tests.drawn_maps import (
    ASKED,
    BOARD,
    GROUNDS,
    RIVERS,
    ROADS,
    SPECIAL,
    Line,
    find_faults,
    find_misnamed,
    find_unsaid,
    plan_of,
)

SAMPLE = Path(__file__).parent.parent / "sample_data"
ACROSS = [(0.0, 0.25), (1.0, 0.75)]


@settings(max_examples=70, deadline=None, derandomize=True)
@given(ground=st.sampled_from(GROUNDS), board=BOARD, asked=ASKED, rivers=RIVERS, roads=ROADS)
@example(  # a river that crosses itself, one that crosses it, and one that runs round
    ground="hills",
    board={"columns": 9, "rows": 7},
    asked={},
    rivers=[
        Line(SPECIAL["crosses itself"], name="Wend"),
        Line([(0.0, 0.5), (1.0, 0.5)], "canal"),
        Line(SPECIAL["runs round"], name="Wend"),
    ],
    roads=[],
)
@example(  # the same line twice and turned, one there and back, and one within a cell
    ground="hills",
    board={"columns": 5, "rows": 4},
    asked={"rivers": {"runs": "downhill"}, "ramps": {"limit": 2}},
    rivers=[
        Line(ACROSS, name="Wend"),
        Line(ACROSS, "canal", "Sall"),
        Line(ACROSS[::-1], name="Ouse"),
        Line(SPECIAL["there and back"], name="Wend"),
        Line(SPECIAL["within a cell"], name="Sall"),
    ],
    roads=[Line(ACROSS, "road", "Wend")],
)
@example(  # all that a map may have, on a board without water of its own
    ground="flat",
    board={"columns": 10, "rows": 8, "edges": "straight"},
    asked={"water": {"threshold_km2": 1e3}, "roads": {"sunken": ["holloway"]}},
    rivers=[Line(points, name=name) for name, points in SPECIAL.items()],
    roads=[Line(points, "holloway", name) for name, points in SPECIAL.items()],
)
def test_a_plan_with_drawn_lines_verifies(
    ground: str,
    board: dict[str, Any],
    asked: dict[str, Any],
    rivers: list[Line],
    roads: list[Line],
) -> None:
    """Lines may cross, loop, run along each other or end anywhere; names are where they run."""
    try:
        plan = plan_of(ground, board, asked, rivers, roads)
    except VectorError as error:
        if not error.problem.startswith("nothing of"):
            raise
        reject()  # all lines lie beside the board
    assert find_faults(plan) == []
    assert find_misnamed(plan, rivers, roads) == []
    assert find_unsaid(plan, rivers + roads) == []


@pytest.mark.parametrize(("facing", "joint"), [("points", "left"), ("flats", "back")])
@pytest.mark.parametrize("shapes", [("crosses itself", "hairpin"), ("there and back", "spiral")])
def test_plans_that_follow_an_earlier_one_verify(
    facing: str, joint: str, shapes: tuple[str, str], tmp_path: Path
) -> None:
    """Tiles that stay, a board that joins and pieces that are there, all with rivers and roads."""
    board = {"columns": 5, "rows": 5, "facing": facing, "edges": "whole", "scale": 2500.0}
    rivers = [Line(SPECIAL[shape], name=shape) for shape in shapes]
    roads = [Line(SPECIAL[shape][::-1], "road", f"along {shape}") for shape in shapes]
    earlier = plan_of("hills", board, {}, rivers, roads)
    (tmp_path / "plan.json").write_text(plan_json(earlier), encoding="utf-8")
    (tmp_path / "schedule.csv").write_text(csv_text(earlier.schedule), encoding="utf-8")
    for on, asked in (
        (board, {"keep": {"plan": str(tmp_path), "free": ["A1:C3"]}, "ramps": {"limit": 2}}),
        ({"columns": 3, "rows": 5} if joint == "left" else {"columns": 5, "rows": 3},
         {"join": {joint: str(tmp_path)}}),
        (board, {"stock": {"owned": str(tmp_path / "schedule.csv")}}),
    ):  # fmt: skip
        plan = plan_of("hills", on, asked, rivers, roads)
        assert find_faults(plan) == []
        assert find_misnamed(plan, rivers, roads) == []


@pytest.mark.parametrize(
    ("columns", "rows", "facing", "edges"),
    [(8, 7, "points", "straight"), (8, 7, "points", "whole"), (9, 9, "points", "whole"),
     (16, 11, "points", "whole"), (12, 5, "flats", "straight")],
)  # fmt: skip
def test_the_sample_verifies_at_other_sizes(
    columns: int, rows: int, facing: str, edges: str
) -> None:
    """The sample's named rivers run on boards that its brief was not written for."""
    board = {"columns": columns, "rows": rows, "facing": facing, "edges": edges}
    brief = read_brief(SAMPLE / "imbleth.toml")
    brief = brief.changed({"board": {**board, "width_mm": None, "depth_mm": None}})
    plan = make_plan(read_elevation(SAMPLE / "imbleth.tif"), brief)
    assert find_faults(plan) == []


def test_a_river_that_runs_into_itself_keeps_its_name_where_it_runs() -> None:
    """A line that comes back to a cell is cut there; the loop's cells do not bear its name."""
    loop = [(0.1, 0.5), (0.9, 0.5), (0.9, 0.1), (0.5, 0.1), (0.5, 0.9)]
    river = Line(loop, name="Wend")
    plan = plan_of("hills", {"columns": 9, "rows": 7, "edges": "whole"}, {}, [river], [])
    assert any("are left out" in note for note in plan.notes)
    is_named = plan.tiles["names"].to_numpy() == "Wend"
    assert is_named.any()
    assert (plan.tiles["ports"].to_numpy()[is_named] != "").all()
    [*stretches] = plan.overlay.named
    assert {int(cell) for way in stretches for cell in way.cells} == {*np.flatnonzero(is_named)}
