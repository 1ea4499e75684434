"""Whatever board, brief and map: a plan that was made verifies by its tables alone."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import example, given, reject, settings
from hypothesis import strategies as st

from hexterra.brief.brief import Brief, read_brief
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.elevation.invention import invent
from hexterra.errors import VectorError
from hexterra.plan.pipeline import make_plan
from hexterra.plan.plan import Plan
from tests.plan_tables import judge, read_tables, write_document
from tests.seeded_plans import write_map

SAMPLE = Path(__file__).parent.parent / "sample_data"
Points = list[tuple[float, float]]


@cache
def ground() -> Elevation:
    """Invent a piece of ground once."""
    return invent(5, rows=60, columns=80, pixel_m=50.0, relief_m=180.0)


def find_faults(plan: Plan) -> list[str]:
    """Verify the tables of a plan; give what does not fit."""
    with tempfile.TemporaryDirectory() as folder:
        write_document(Path(folder), plan)
        verdict = judge(read_tables(plan), Path(folder))
    return [str(finding) for finding in verdict.findings]


def write_lines(path: Path, lines: list[Points], names: list[str]) -> str:
    """Write lines, whose points are shares of the ground's width and depth, as a map."""
    rows, columns = ground().shape
    shapes = [
        shapely.LineString(ground().to_crs(np.array(points) * (columns, rows))) for points in lines
    ]
    kinds = ["stream", "canal", "stream", "stream"][: len(lines)]
    return str(write_map(path, shapes, kinds, ground().crs, "LineString", names))


def make(
    board: dict[str, Any],
    rivers: list[Points],
    roads: list[Points],
    *,
    runs: str = "as drawn",
    limit: int = 1,
) -> Plan:
    """Plan a board with rivers and roads drawn on it; the first and the last share a name."""
    names = ["Wend", "", "Sall", "Wend"]
    asked: dict[str, Any] = {
        "board": board, "fit": {"effort": "instant"}, "ramps": {"limit": limit}
    }  # fmt: skip
    if rivers:
        asked["rivers"] = {"runs": runs}
    with tempfile.TemporaryDirectory() as folder:
        for section, lines in (("rivers", rivers), ("roads", roads)):
            if lines:
                file = write_lines(Path(folder) / f"{section}.geojson", lines, names[: len(lines)])
                asked.setdefault(section, {}).update(
                    file=file, kind_field="kind", name_field="name"
                )
        return make_plan(ground(), Brief(**asked))


SHARE = st.integers(0, 12).map(lambda k: k / 12)
LINE = st.lists(st.tuples(SHARE, SHARE), min_size=2, max_size=6).filter(lambda p: len({*p}) > 1)
BOARD = st.fixed_dictionaries(
    {
        "columns": st.integers(3, 11),
        "rows": st.integers(3, 9),
        "facing": st.sampled_from(["points", "flats"]),
        "edges": st.sampled_from(["straight", "whole"]),
        "bearing_deg": st.sampled_from([0.0, 0.0, 31.0]),
    }
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    board=BOARD,
    rivers=st.lists(LINE, max_size=4),
    roads=st.lists(LINE, max_size=2),
    runs=st.sampled_from(["as drawn", "downhill"]),
    limit=st.sampled_from([1, 2]),
)
@example(  # a river that crosses itself, one that crosses it, and one that runs round
    board={"columns": 9, "rows": 7},
    rivers=[
        [(0.1, 0.1), (0.8, 0.8), (0.8, 0.2), (0.2, 0.8)],
        [(0.0, 0.5), (1.0, 0.5)],
        [(0.3, 0.3), (0.7, 0.3), (0.7, 0.7), (0.3, 0.7), (0.3, 0.3)],
    ],
    roads=[],
    runs="as drawn",
    limit=1,
)
@example(  # the same line twice, one back and forth, and one within a cell
    board={"columns": 5, "rows": 4},
    rivers=[
        [(0.0, 0.25), (1.0, 0.75)],
        [(0.0, 0.25), (1.0, 0.75)],
        [(0.5, 0.0), (0.5, 1.0), (0.5, 0.0)],
        [(0.5, 0.5), (0.51, 0.5)],
    ],
    roads=[[(0.0, 0.25), (1.0, 0.75)]],
    runs="downhill",
    limit=2,
)
def test_a_plan_with_drawn_lines_verifies(
    board: dict[str, Any], rivers: list[Points], roads: list[Points], runs: str, limit: int
) -> None:
    """Lines may cross, loop, run along each other or end anywhere."""
    try:
        plan = make(board, rivers, roads, runs=runs, limit=limit)
    except VectorError as error:
        if not error.problem.startswith("nothing of"):
            raise
        reject()  # all lines lie beside the board
    assert find_faults(plan) == []


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
    plan = make({"columns": 9, "rows": 7, "edges": "whole"}, [loop], [])
    assert any("are left out" in note for note in plan.notes)
    is_named = plan.tiles["names"].to_numpy() == "Wend"
    assert is_named.any()
    assert (plan.tiles["ports"].to_numpy()[is_named] != "").all()
    [*stretches] = plan.overlay.named
    assert {int(cell) for way in stretches for cell in way.cells} == {*np.flatnonzero(is_named)}
