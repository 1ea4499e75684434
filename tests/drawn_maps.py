"""Boards, briefs and maps of every kind, and plans of them, for tests of whole chains."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import shapely
from hypothesis import strategies as st
from pyproj import Transformer

from hexterra.brief.brief import Brief
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.elevation.invention import invent
from hexterra.plan.pipeline import make_plan
from hexterra.plan.plan import Plan
from tests.plan_tables import judge, read_tables, write_document
from tests.seeded_plans import write_map

#: Points of a line as shares of the ground's width and depth, from the upper left.
Points = list[tuple[float, float]]


class Line(NamedTuple):
    """A line of a map."""

    points: Points
    kind: str = "stream"
    name: str = ""


#: Lines that maps have and that no random points make.
SPECIAL: dict[str, Points] = {
    "crosses itself": [(0.1, 0.1), (0.8, 0.8), (0.8, 0.2), (0.2, 0.8)],
    "runs round": [(0.3, 0.3), (0.7, 0.3), (0.7, 0.7), (0.3, 0.7), (0.3, 0.3)],
    "there and back": [(0.5, -0.1), (0.5, 1.1), (0.5, -0.1)],
    "hairpin": [(0.45, -0.1), (0.45, 0.8), (0.52, 0.8), (0.52, -0.1)],
    "within a cell": [(0.5, 0.5), (0.51, 0.5)],
    "along the front edge": [(-0.1, 1.0), (1.1, 1.0)],
    "along the left edge": [(0.0, 1.1), (0.0, -0.1)],
    "along the whole rim": [(0.02, 0.02), (0.98, 0.02), (0.98, 0.98), (0.02, 0.98), (0.02, 0.02)],
    "in and out": [(0.1 * k, 1.2 if k % 2 else 0.75) for k in range(11)],
    "spiral": [
        (0.5 + 0.03 * k * np.cos(k / 2.0), 0.5 + 0.03 * k * np.sin(k / 2.0)) for k in range(15)
    ],
}

_SHARE = st.integers(-1, 13).map(lambda k: k / 12)
_ANY = st.lists(st.tuples(_SHARE, _SHARE), min_size=2, max_size=6).filter(lambda p: len({*p}) > 1)
_POINTS = st.sampled_from([*SPECIAL.values()]) | _ANY
RIVERS = st.lists(
    st.builds(Line, _POINTS, st.sampled_from(["stream", "canal"]),
              st.sampled_from(["Wend", "Wend", "Sall", "Ouse", ""])),
    max_size=4,
)  # fmt: skip
ROADS = st.lists(
    st.builds(Line, _POINTS, st.sampled_from(["road", "holloway"]),
              st.sampled_from(["High Way", "Wend", ""])),
    max_size=3,
)  # fmt: skip
BOARD = st.fixed_dictionaries(
    {
        "columns": st.integers(2, 11),
        "rows": st.integers(2, 9),
        "facing": st.sampled_from(["points", "flats"]),
        "edges": st.sampled_from(["straight", "whole"]),
        "bearing_deg": st.sampled_from([0.0, 0.0, 31.0, -140.0]),
        "across_flats_mm": st.sampled_from([100.0, 33.333]),
    }
)
#: What a brief may ask for beside a board and maps; whatever it is, there is such a board.
ASKED = st.fixed_dictionaries(
    {},
    optional={
        section: st.sampled_from(choices)
        for section, choices in {
            "heights": [
                {"metres_per_step": 9.0},
                {"step_mm": 15.0, "exaggeration": 4.0},
                {"method": "given", "thresholds_m": [90.0, 140.0]},
            ],
            "ramps": [{"limit": 2}, {"cliff_rise_steps": 1.0}, {"limit": 2, "measure": "square"}],
            "water": [
                {"threshold_km2": 0.1},
                {"threshold_km2": 0.4, "wider_from_km2": [0.8, 2.0]},
                {"banks": "upright"},
                {"pool_depth_m": 1.0},
            ],
            "drainage": [
                {"depressions": "fill"},
                {"surroundings_km": 0.5},
                {"lake_depth_m": 1.0, "lake_area_km2": 0.01},
            ],
            "fit": [
                {"step_faces": "where they pay"},
                {"prefer": "fewest different pieces"},
                {"prefer": "most standing room", "rim_level": 1},
            ],
            "stock": [{"footings": "plain"}, {"footings": "none"}, {"spacer_mm": [7.5]}],
            "rivers": [
                {"runs": "downhill"},
                {"runs": "downhill", "tolerance_cells": 2.0},
                {"tolerance_cells": 0.6, "upright": ["canal"]},
            ],
            "roads": [
                {"sunken": ["holloway"]},
                {"bridge_from": 1, "tolerance_cells": 2.0},
                {"sunken": ["holloway", "road"], "tolerance_cells": 0.6},
            ],
        }.items()
    },
)
GROUNDS = ["hills", "hills", "islands", "flat"]


@cache
def ground(name: str) -> Elevation:
    """Make a piece of ground: hills, level ground, or hills of which only islands are known."""
    hills = invent(5, rows=60, columns=80, pixel_m=50.0, relief_m=180.0)
    if name == "hills":
        return hills
    heights, _ = hills.read(0, 60, 0, 80)
    row, column = np.indices(heights.shape)
    if name == "islands":
        is_land = np.sin(row / 4.0) + np.cos(column / 5.0) > -0.2
        heights = np.where(is_land, heights, np.nan)
    else:
        heights = np.full_like(heights, 80.0)
    return read_elevation(heights, crs=hills.crs, affine=hills.affine, vertical_unit="m", name=name)


def geometry(line: Line, on: Elevation) -> shapely.LineString:
    """Give a line of a map in the coordinates of the ground."""
    rows, columns = on.shape
    return shapely.LineString(on.to_crs(np.array(line.points) * (columns, rows)))


def plan_of(
    name: str,
    board: dict[str, Any],
    asked: dict[str, Any],
    rivers: list[Line],
    roads: list[Line],
) -> Plan:
    """Plan a board of a ground with rivers and roads drawn on it."""
    brief = {**asked, "board": board, "fit": {"effort": "instant", **asked.get("fit", {})}}
    if name == "islands":
        brief["heights"] = {**asked.get("heights", {}), "below_coverage": "leave out"}
    with tempfile.TemporaryDirectory() as folder:
        for section, lines in (("rivers", rivers), ("roads", roads)):
            brief.pop(section, None)
            if lines:
                file = write_map(
                    Path(folder) / f"{section}.geojson",
                    [geometry(line, ground(name)) for line in lines],
                    [line.kind for line in lines],
                    ground(name).crs,
                    "LineString",
                    [line.name for line in lines],
                )
                fields = {"file": str(file), "kind_field": "kind", "name_field": "name"}
                brief[section] = {**asked.get(section, {}), **fields}
        return make_plan(ground(name), Brief(**brief))


def find_faults(plan: Plan) -> list[str]:
    """Verify the tables of a plan; give what does not fit."""
    with tempfile.TemporaryDirectory() as folder:
        write_document(Path(folder), plan)
        verdict = judge(read_tables(plan), Path(folder))
    return [str(finding) for finding in verdict.findings]


def on_board(line: Line, plan: Plan) -> shapely.LineString:
    """Give a line of a map in the ground frame of a board."""
    here: Any = Transformer.from_crs(plan.elevation.crs, plan.board.crs, always_xy=True)
    return shapely.transform(geometry(line, plan.elevation), here.transform, interleaved=False)


def pitch_m(plan: Plan) -> float:
    """Distance of the middles of two cells, in metres."""
    return plan.board.across_flats_mm / 1000.0 * plan.board.scale


def find_misnamed(plan: Plan, rivers: list[Line], roads: list[Line]) -> list[str]:
    """Find the names in the table of cells that neither a river nor a road there bears.

    A river of a name lies within tolerance of the middle of the cell, and water of that name comes
    in or goes out, unless its line lies in one cell; so does a road, whose sides the table lists.
    """
    board, (tiles, _) = plan.board, read_tables(plan)
    middles: Any = shapely.points(board.centre_xy)
    named = [set(row["names"].split("; ")) - {""} for row in tiles]

    def is_near(cell: int, name: str, lines: list[Line], tolerance_cells: float) -> bool:
        reach_m = 1.01 * max(tolerance_cells, 0.58) * pitch_m(plan)
        shapes = [on_board(line, plan) for line in lines if line.name == name]
        return bool(shapes) and bool((shapely.distance(middles[cell], shapes) < reach_m).any())

    def goes_on(cell: int, name: str) -> bool:
        """Whether water of this name leaves the cell or comes into it."""
        for side, other in enumerate(board.neighbours[cell].tolist()):
            leaves = tiles[cell]["outflow"] == str(side)
            enters = other >= 0 and tiles[other]["outflow"] == str((side + 3) % 6)
            if other >= 0 and name in named[other] and (leaves or enters):
                return True
        return False

    lone = {int(way.cells[0]) for way in plan.overlay.named if len(way.cells) == 1}
    found: list[str] = []
    for cell, names in enumerate(named):
        for name in names:
            by_road = tiles[cell]["roads"] and is_near(
                cell, name, roads, plan.brief.roads.tolerance_cells
            )
            by_river = (
                tiles[cell]["crossing"]
                and (goes_on(cell, name) or cell in lone)
                and is_near(cell, name, rivers, plan.brief.rivers.tolerance_cells)
            )
            if not (by_road or by_river):
                found.append(f"{board.labels[cell]}: {name}")
    return found


def find_unsaid(plan: Plan, lines: list[Line]) -> list[str]:
    """Find names of lines that run over cells, and that no cell bears and no note is about."""
    said = " ".join((*plan.notes, *plan.tiles["names"]))
    middles = shapely.points(plan.board.centre_xy)
    ground = shapely.union_all(shapely.buffer(middles, 0.45 * pitch_m(plan)))
    return [
        line.name
        for line in lines
        if line.name not in said
        and on_board(line, plan).intersection(ground).length > 2.0 * pitch_m(plan)
    ]
