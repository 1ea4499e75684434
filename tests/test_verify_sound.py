"""`hexterra.verification`: sound plans of every kind agree."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hexterra.brief.brief import Brief
from hexterra.csvfile import csv_text
from hexterra.elevation.elevation import Elevation
from hexterra.plan.overlay import Overlay
from hexterra.plan.pipeline import make_plan
from hexterra.plan.tables import schedule_frame, tiles_frame
from hexterra.stages.schedule.schedule import schedule
from hexterra.verification.verdict import Verdict
from hexterra.verification.verify import verify
from tests.invented_boards import invented_board
from tests.plan_tables import (
    Rows,
    bare_piece,
    bare_row,
    first,
    is_inside,
    judge,
    read_tables,
    write_document,
)
from tests.small_plans import small_ground, small_plan

BOTH = pytest.mark.parametrize("facing", ["points", "flats"])
OUTLINES = pytest.mark.parametrize("edges", ["straight", "whole"])


@BOTH
@OUTLINES
@pytest.mark.parametrize("with_document", [True, False])
def test_sound_plans_agree(facing: Any, edges: Any, with_document: bool, tmp_path: Path) -> None:
    """A plan of either facing and either outline passes, with and without its document."""
    plan = small_plan(facing, edges)
    (tmp_path / "tiles.csv").write_text(csv_text(plan.tiles), encoding="utf-8")
    (tmp_path / "schedule.csv").write_text(csv_text(plan.schedule), encoding="utf-8")
    if with_document:
        write_document(tmp_path, plan)
    verdict = verify(tmp_path)
    assert verdict.agrees, verdict.describe()
    checked = dict(verdict.checked)
    assert checked["cells"] == 108
    # V - E + F = 1 on a sheet of hexagons; here counted from the lattice's own seam table
    assert checked["seams"] == len(plan.board.seams)
    assert "fits together" in verdict.describe()


def test_boards_with_cells_left_out_agree(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Leaving out a dry tile and its pieces, and keying the tiles around it, leaves a sound board.

    A step face needs a cell across it, so the tile that is left out has none.
    """
    tiles, needed = tables
    cell = first(tiles, lambda r: is_inside(r) and not r["ports"] and not r["cliffs"])
    around = [tiles[number] for number in small_plan().board.neighbours[cell].tolist()]
    gone = tiles.pop(cell)
    for row in needed:
        part = row["part"] == gone["part"]
        if row["piece"] in (gone["piece"], gone["footing"]):
            row["count"] = str(int(row["count"]) - 1)
        if row["kind"] == "spacer" and part:
            taken = sum(float(s) == float(row["thickness_mm"]) for s in gone["spacers"].split())
            row["count"] = str(int(row["count"]) - taken)
    count_of = {row["piece"]: row for row in needed}
    for row in around:
        keyed = row["footing"].replace("plain", "keyed")
        for name, change in ((row["footing"], -1), (keyed, 1)):
            count_of[name]["count"] = str(int(count_of[name]["count"]) + change)
        row["footing"] = keyed
    verdict = judge((tiles, needed), tmp_path)
    assert verdict.agrees, verdict.describe()


@BOTH
@OUTLINES
def test_boards_that_reach_beyond_the_ground_agree(facing: Any, edges: Any, tmp_path: Path) -> None:
    """Where whole columns and rows were left out, the last ones are no edges of the board."""
    brief = {
        "board": {
            "columns": 10, "rows": 8, "facing": facing, "edges": edges,
            "x": 502_000.0, "y": 3_322_000.0, "scale": 5000.0,
        },
        "heights": {"below_coverage": "leave out"},
    }  # fmt: skip
    plan = make_plan(small_ground(), Brief.model_validate(brief))
    assert plan.board.n_cells < 60
    (tmp_path / "tiles.csv").write_text(csv_text(plan.tiles), encoding="utf-8")
    (tmp_path / "schedule.csv").write_text(csv_text(plan.schedule), encoding="utf-8")
    verdict = verify(tmp_path)
    assert verdict.agrees, verdict.describe()


FOOTINGS = [{"stock": {"footings": "plain"}}, {"stock": {"footings": "none"}}]
RELIEF = [
    {"ramps": {"limit": 2}, "heights": {"metres_per_step": 25.0}},
    {"ramps": {"cliff_rise_steps": 1.5}, "heights": {"metres_per_step": 20.0}},
    {"heights": {"metres_per_step": 5000.0}},
    {"heights": {"method": "quantile", "n_levels": 5}},
    {"heights": {"method": "given", "thresholds_m": [300.0, 500.0, 520.0]}},
]
EFFORT = [
    {"fit": {"effort": "bounded", "prefer": preset}}
    for preset in ("truest ground", "fewest different pieces", "most standing room")
]
OTHERS = [
    {"board": {"bearing_deg": 137.0, "across_flats_mm": 33.3}},
    {"stock": {"spacer_mm": [2.125, 4.25]}, "heights": {"step_mm": 2.125}},
    {"water": {"threshold_km2": 0.3, "pool_depth_m": 5.0}},
]


@BOTH
@OUTLINES
@pytest.mark.parametrize("asked", [*FOOTINGS, *RELIEF, *EFFORT, *OTHERS])
def test_plans_of_every_kind_agree(
    asked: dict[str, Any], facing: Any, edges: Any, jacksboro: Elevation, tmp_path: Path
) -> None:
    """What a brief may ask for leaves a plan that fits together, on real ground."""
    brief: dict[str, dict[str, Any]] = {
        "board": {"columns": 9, "rows": 7, "facing": facing, "edges": edges},
        "water": {"threshold_km2": 8.0},
        "fit": {"effort": "instant"},
    }
    for section, values in asked.items():
        brief[section] = brief.get(section, {}) | values
    plan = make_plan(jacksboro, Brief.model_validate(brief))
    write_document(tmp_path, plan)
    verdict = judge(read_tables(plan), tmp_path)
    assert verdict.agrees, verdict.describe()


def test_catalogues_with_names_of_their_own_agree(jacksboro: Elevation, tmp_path: Path) -> None:
    """Names of tops and crossings are the maker's; one crossing may join sides in several ways."""
    (tmp_path / "own.toml").write_text(
        """
        [patterns]
        level = "000000"
        lip = "110000"
        ledge = "111100"
        [crossings.run]
        water = "reach"
        ports = ["0 1", "0 2", "0 3"]
        [crossings.meet]
        water = "confluence"
        ports = ["0 1 2", "0 1 3", "0 1 4", "0 2 4"]
        [crossings.well]
        water = "spring"
        ports = ["0"]
        [crossings.door]
        water = "entry"
        ports = ["0"]
        [crossings.end]
        water = "mouth"
        ports = ["0", "0 1", "0 2", "0 3", "0 1 2", "0 1 3", "0 1 4", "0 2 4"]
        """,
        encoding="utf-8",
    )
    brief = {
        "catalogue": str(tmp_path / "own.toml"),
        "board": {"columns": 12, "rows": 9},
        "water": {"threshold_km2": 3.0},
        "fit": {"effort": "instant"},
    }
    tables = read_tables(make_plan(jacksboro, Brief.model_validate(brief)))
    assert {"run", "well", "end"} <= {row["crossing"] for row in tables[0]}
    verdict = judge(tables, tmp_path)
    assert verdict.agrees, verdict.describe()


def test_last_cell_in_a_corner_of_what_is_left_agrees(tmp_path: Path) -> None:
    """A last cell that only one edge cuts is a half, though it is the last to the right too."""
    column, row = np.tile(np.arange(8), 8), np.repeat(np.arange(8), 8)
    is_kept = (column < 6) & (row < 7) | (column == 6) & (row == 7)
    fitted = invented_board(5, facing="flats", only=is_kept, water=False)
    pieces = schedule(fitted)
    n = fitted.lattice.n_cells
    nothing = Overlay(pieces.board, None, np.zeros(n, np.int8), np.zeros(n, np.bool_))
    for name, frame in (("tiles", tiles_frame), ("schedule", schedule_frame)):
        text = csv_text(frame(pieces, nothing))
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    assert pieces.board.parts[-1] == "corner-cut half"
    verdict = verify(tmp_path)
    assert verdict.agrees, verdict.describe()


def test_positions_rounded_over_a_wide_board(tmp_path: Path) -> None:
    """Millimetres with three decimals still tell the place of cells 500 columns away."""
    flats, columns = 33.3333, 500
    rows = [bare_row(c, r, flats, "0 0 0 0 0 0") for r in range(3) for c in range(columns)]
    needed = [bare_piece("flat", "000000", "15", 3 * columns)]
    verdict = judge((rows, needed), tmp_path)
    assert verdict.agrees, verdict.describe()
    # two seams along each of 3 rows but the last cell, and 2 * columns - 1 between rows
    assert dict(verdict.checked)["seams"] == 3 * (columns - 1) + 2 * (2 * columns - 1)


@pytest.mark.parametrize(
    ("columns", "rows", "flats_mm", "scale"), [(40, 2, 100.0, 1000.0), (24, 1, 5.00003, 100_000.0)]
)
def test_rounded_places_agree(
    columns: int, rows: int, flats_mm: float, scale: float, tmp_path: Path
) -> None:
    """What is rounded in a place may be off by as much, and what is worked out from it by more.

    Degrees with seven decimals are off by up to 6 mm on the ground: a scale that A1 and A2 tell,
    100 m apart, is off by 1e-4, and that is 0.4 m at the end of a row of 4 km. Millimetres with
    three decimals are off by up to half a micrometre on the bench: where one is rounded down and
    the next one up, as 16 and 17 times 5.00003, at 1 : 100 000 that is 10 cm of ground.
    """
    tiles = [
        bare_row(c, r, flats_mm, "0 0 0 0 0 0", scale=scale)
        for r in range(rows)
        for c in range(columns)
    ]
    verdict = judge((tiles, [bare_piece("flat", "000000", "15", len(tiles))]), tmp_path)
    assert verdict.agrees, verdict.describe()


SCATTERED = [
    [(3, 4)],
    [(0, 0), (0, 2), (2, 0)],  # the square root of 3 and 2 distances across flats apart
    [(0, 0), (1, 2), (4, 0), (3, 3), (7, 4)],
]


def scattered(places: list[tuple[int, int]], folder: Path, **changes: Any) -> Verdict:
    """Verify the tables of a board of which only flat cells at these places are left."""
    rows = [bare_row(column, row, 100.0, "0 0 0 0 0 0") for column, row in places]
    document = {
        "corner0_deg": -30.0, "board": {"across_flats_mm": 100.0},
        "heights": {"datum_m": 0.0, "metres_per_step": 1.0, "thresholds_m": []},
    }  # fmt: skip
    (folder / "plan.json").write_text(json.dumps(document | changes), encoding="utf-8")
    return judge((rows, [bare_piece("flat", "000000", "15", len(rows))]), folder)


@pytest.mark.parametrize("places", SCATTERED)
def test_cells_that_do_not_adjoin_agree(places: list[tuple[int, int]], tmp_path: Path) -> None:
    """Where most of a board was left out, the nearest cells lie more than a cell apart."""
    verdict = scattered(places, tmp_path)
    assert verdict.agrees, verdict.describe()
    assert dict(verdict.checked)["seams"] == 0


@pytest.mark.parametrize("across_flats_mm", [50.0, 99.0, 200.0])
@pytest.mark.parametrize("places", SCATTERED[1:])
def test_document_of_another_size_is_found(
    across_flats_mm: float, places: list[tuple[int, int]], tmp_path: Path
) -> None:
    """A size that the positions or the numbers of columns and rows contradict does not pass."""
    assert not scattered(places, tmp_path, board={"across_flats_mm": across_flats_mm}).agrees
