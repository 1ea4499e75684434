"""`hexterra.verification`: widths, banks, roads and cover that do not fit are found, and where."""

from __future__ import annotations

import math
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path

import pytest
import shapely

from hexterra.brief.brief import Brief
from hexterra.plan.pipeline import make_plan
from tests.plan_tables import Row, Rows, first, judge, read_tables
from tests.seeded_plans import write_map
from tests.small_plans import small_ground, small_plan

Tables = tuple[Rows, Rows]
X, Y = 500_000.0, 3_320_000.0


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Tables:
    """Give the tables of a plan with rivers of two widths, three roads, a ford and a wood."""
    folder = tmp_path_factory.mktemp("maps")
    ground = small_ground()
    lines = [
        shapely.LineString([(X - 4000.0, Y - 300.0), (X + 4000.0, Y + 200.0)]),
        shapely.LineString([(X - 900.0, Y - 3000.0), (X - 600.0, Y + 3000.0)]),
        shapely.LineString([(X + 400.0, Y - 1700.0), (X + 400.0, Y + 1500.0)]),
    ]
    roads = write_map(
        folder / "roads.gpkg", lines, ["road", "holloway", "lane"], ground.crs, "LineString"
    )
    wood = shapely.Point(X + 700.0, Y + 700.0).buffer(900.0)
    areas = write_map(folder / "areas.gpkg", [wood], ["wood"], ground.crs, "Polygon")
    brief = {
        "board": {"columns": 10, "rows": 8, "edges": "whole", "x": X, "y": Y, "scale": 4000.0},
        "heights": {"metres_per_step": 20.0},
        "water": {"threshold_km2": 0.4, "wider_from_km2": [2.0]},
        "roads": {
            "file": str(roads), "kind_field": "kind", "name_field": "kind",
            "sunken": ["holloway"], "bridge_from": 3,
        },
        "areas": {"file": str(areas), "kind": "wood"},
        "fit": {"effort": "instant"},
    }  # fmt: skip
    return read_tables(make_plan(ground, Brief.model_validate(brief)))


@pytest.fixture
def tables(sound: Tables, tmp_path: Path) -> Tables:
    """Give them to be tampered with, after a look that they are sound."""
    assert judge(sound, tmp_path).agrees
    return deepcopy(sound)


def found(tables: Tables, folder: Path, what: str) -> list[tuple[str, int, str, str]]:
    """Judge tables; give cell, side, expected and found of the findings of a kind."""
    findings = judge(tables, folder).findings
    return [(f.cell, f.side, f.expected, f.found) for f in findings if f.what == what]


def tile(tables: Tables, wanted: Callable[[Row], object]) -> Row:
    """Give the first tile that is wanted."""
    return tables[0][first(tables[0], wanted)]


def job(tables: Tables, start: str) -> Row:
    """Give the job of finishing whose name starts so."""
    return tables[1][
        first(tables[1], lambda r: r["kind"] == "finish" and r["piece"].startswith(start))
    ]


def sides(text: str) -> set[int]:
    """Read sides separated by spaces."""
    return set(map(int, text.split()))


def with_width(row: Row, side: int, width: int) -> None:
    """Give a side of a tile a width."""
    widths = (row["widths"] or "0 0 0 0 0 0").split()
    row["widths"] = " ".join([*widths[:side], str(width), *widths[side + 1 :]])


def across(tables: Tables, row: Row, side: int) -> Row | None:
    """Find the tile across a side by plain geometry: points face the front, side 0 the right."""
    angle = math.radians(60.0 * side)
    x = float(row["x_mm"]) + 100.0 * math.cos(angle)
    y = float(row["y_mm"]) + 100.0 * math.sin(angle)
    near = [r for r in tables[0] if math.hypot(float(r["x_mm"]) - x, float(r["y_mm"]) - y) < 1.0]
    return near[0] if near else None


def open_sides(tables: Tables, row: Row) -> list[int]:
    """List the sides that nobody lies across."""
    return [side for side in range(6) if across(tables, row, side) is None]


def is_reach(row: Row) -> bool:
    """Whether water runs through from one port to another, 2 wide, in the middle of the board."""
    return len(row["ports"].split()) == 2 and bool(row["outflow"]) and "2" in row["widths"]


def is_dry_road(row: Row) -> bool:
    """Whether a road runs through a tile without water, not sunken."""
    return bool(row["road_ports"]) and not row["crossing"] and not row["sunken"]


# Widths and banks -------------------------------------------------------------------------------


def test_water_without_a_width(tables: Tables, tmp_path: Path) -> None:
    """Where water crosses a side, it has a width."""
    row = tile(tables, is_reach)
    ports, row["widths"] = sorted(sides(row["ports"])), ""
    assert (row["cell"], -1, f"widths on the sides {ports}", "on []") in found(
        tables, tmp_path, "widths"
    )


def test_width_where_no_water_is(tables: Tables, tmp_path: Path) -> None:
    """Dry sides have none."""
    row = tile(tables, lambda r: not r["crossing"])
    with_width(row, 2, 1)
    assert found(tables, tmp_path, "widths") == [
        (row["cell"], -1, "widths on the sides []", "on [2]")
    ]


def test_a_way_out_where_no_water_is(tables: Tables, tmp_path: Path) -> None:
    """A dry tile that water is said to leave is found out by that alone."""
    row = tile(tables, lambda r: not r["crossing"])
    row["outflow"] = "0"
    verdict = judge(tables, tmp_path)
    assert {finding.cell for finding in verdict.findings} == {row["cell"]}


def test_upright_banks_where_no_water_is(tables: Tables, tmp_path: Path) -> None:
    """Banks are beside water."""
    row = tile(tables, is_reach)
    dry = min(set(range(6)) - sides(row["ports"]))
    row["upright"] = str(dry)
    ports = sorted(sides(row["ports"]))
    assert found(tables, tmp_path, "banks") == [
        (row["cell"], -1, f"upright on some of the sides {ports}", f"on [{dry}]")
    ]


def test_water_that_narrows(tables: Tables, tmp_path: Path) -> None:
    """Water leaves a tile at least as wide as it comes."""
    row = tile(tables, lambda r: is_reach(r) and r["widths"].count("2") == 2)
    out = int(row["outflow"])
    with_width(row, out, 1)
    assert (row["cell"], out, "2 or more where it leaves", "1") in found(tables, tmp_path, "widths")


def test_widths_that_differ_across_a_side(tables: Tables, tmp_path: Path) -> None:
    """Both tiles of a side are cut alike."""
    row = tile(tables, lambda r: is_reach(r) and r["widths"].count("2") == 2)
    [into] = sides(row["ports"]) - {int(row["outflow"])}
    with_width(row, into, 1)
    other = across(tables, row, into)
    assert other is not None
    [(cell, side, expected, was)] = found(tables, tmp_path, "widths")
    assert {cell, expected.split()[-1]} == {row["cell"], other["cell"]}
    assert side in (into, (into + 3) % 6)
    assert {expected.split(",")[0], was.split(",")[0]} == {"width 1", "width 2"}


def test_banks_that_differ_across_a_side(tables: Tables, tmp_path: Path) -> None:
    """Of one side one tile cannot have upright banks and the other sloping ones."""
    row = tile(tables, is_reach)
    row["upright"] = row["outflow"]
    [(cell, _, expected, was)] = found(tables, tmp_path, "widths")
    assert row["cell"] in (cell, expected.split()[-1])
    assert ("upright" in expected) != ("upright" in was)


def test_water_that_runs_off_into_a_neighbour(tables: Tables, tmp_path: Path) -> None:
    """A side to run off by has nobody across it."""
    row = tile(tables, lambda r: r["crossing"] == "mouth" and r["leaves"])
    taken = min(set(range(6)) - set(open_sides(tables, row)) - sides(row["ports"]))
    with_width(row, taken, int(row["widths"].split()[int(row["leaves"])]))
    with_width(row, int(row["leaves"]), 0)
    row["leaves"] = str(taken)
    assert found(tables, tmp_path, "water") == [
        (row["cell"], taken, "an open side of a whole tile to run off by", "a neighbour")
    ]


def test_water_that_runs_on_and_off(tables: Tables, tmp_path: Path) -> None:
    """Water that runs from a neighbour to another does not leave the board as well."""
    row = tile(tables, lambda r: is_reach(r | {"widths": "2"}) and open_sides(tables, r))
    off = open_sides(tables, row)[0]
    with_width(row, off, 1)
    row["leaves"] = str(off)
    [(cell, side, expected, was)] = found(tables, tmp_path, "water")
    assert (cell, side, expected) == (row["cell"], off, "it runs off or comes onto the board")
    assert was.startswith("it runs from port to port")


# Roads ------------------------------------------------------------------------------------------


def test_road_of_no_kind(tables: Tables, tmp_path: Path) -> None:
    """A road is of some kind."""
    row = tile(tables, is_dry_road)
    row["roads"] = row["names"] = ""
    assert found(tables, tmp_path, "road") == [(row["cell"], -1, "the kind of its road", "none")]


def test_road_over_the_rim(tables: Tables, tmp_path: Path) -> None:
    """A road that crosses a side goes on in the cell across it."""
    row = tile(tables, lambda r: is_dry_road(r) and open_sides(tables, r))
    off = open_sides(tables, row)[0]
    row["road_ports"] = " ".join(map(str, sorted(sides(row["road_ports"]) | {off})))
    assert found(tables, tmp_path, "road") == [(row["cell"], off, "a cell across it", "none")]


def test_road_that_meets_none(tables: Tables, tmp_path: Path) -> None:
    """A road that crosses a side does so in both cells."""
    row = tile(tables, is_dry_road)
    gone = min(sides(row["road_ports"]))
    other = across(tables, row, gone)
    assert other is not None
    row["road_ports"] = " ".join(map(str, sorted(sides(row["road_ports"]) - {gone})))
    assert found(tables, tmp_path, "road") == [
        (other["cell"], (gone + 3) % 6, f"one in {row['cell']} too", "none")
    ]


def test_sunken_road_without_a_road(tables: Tables, tmp_path: Path) -> None:
    """What is sunken is a road."""
    row = tile(tables, lambda r: r["sunken"])
    stray = min(set(range(6)) - sides(row["road_ports"]))
    row["sunken"] = " ".join(map(str, sorted(sides(row["sunken"]) | {stray})))
    assert found(tables, tmp_path, "sunken road") == [
        (row["cell"], stray, "a road that crosses the side", "none")
    ]


def test_sunken_road_in_water(tables: Tables, tmp_path: Path) -> None:
    """Two grooves do not cross in one top."""
    row = tile(tables, lambda r: r["road_ports"] and r["crossing"])
    row["sunken"] = row["road_ports"]
    assert found(tables, tmp_path, "sunken road") == [
        (row["cell"], -1, "no water in the tile", row["crossing"])
    ]


def test_sunken_road_that_runs_off_into_a_neighbour(tables: Tables, tmp_path: Path) -> None:
    """It runs off the board where nobody is."""
    row = tile(tables, lambda r: r["sunken"] and not open_sides(tables, r))
    row["sunken_leaves"] = str(min(set(range(6)) - sides(row["road_ports"])))
    assert found(tables, tmp_path, "sunken road") == [
        (row["cell"], int(row["sunken_leaves"]), "an open side of a whole tile to run off by",
         "a neighbour")
    ]  # fmt: skip


def test_sunken_road_that_runs_off_a_part_tile(tmp_path: Path) -> None:
    """Where the board's edge cuts a tile, a road runs through the cut, by no side."""
    tables = read_tables(small_plan())
    row = tile(tables, lambda r: r["part"] == "quarter")
    row["sunken_leaves"] = str(open_sides(tables, row)[0])
    assert found(tables, tmp_path, "sunken road") == [
        (row["cell"], int(row["sunken_leaves"]), "an open side of a whole tile to run off by",
         "quarter")
    ]  # fmt: skip


def test_name_of_nothing(tables: Tables, tmp_path: Path) -> None:
    """Names are of roads and rivers."""
    row = tile(tables, lambda r: not r["crossing"] and not r["roads"])
    row["names"] = "Old Way"
    assert found(tables, tmp_path, "name") == [(row["cell"], -1, "a road or a river", "Old Way")]


@pytest.mark.parametrize("how", ["ford", "bridge"])
def test_ford_or_bridge_without_water(how: str, tables: Tables, tmp_path: Path) -> None:
    """A ford needs a road and water; so does a bridge."""
    row = tile(tables, is_dry_road)
    row["over_water"] = how
    assert found(tables, tmp_path, how) == [
        (row["cell"], -1, "a road and water", "one of them alone")
    ]


# Finishing --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cover", "share"), [("wood", ""), ("", "0.7"), ("wood", "1.2"), ("wood", "-0.2")]
)
def test_cover_and_its_share(cover: str, share: str, tables: Tables, tmp_path: Path) -> None:
    """A kind comes with its share of the cell, from none to all of it."""
    row = tile(tables, lambda r: r["cover"] == "wood")
    row["cover"], row["cover_share"] = cover, share
    [(cell, _, expected, was)] = found(tables, tmp_path, "cover")
    assert (cell, expected) == (row["cell"], "a kind and its share, or neither")
    assert was == f"{cover or 'none'}, {float(share or 'nan'):g}"


@pytest.mark.parametrize(("column", "change"), [("count", 1), ("area_cm2", -5.0)])
def test_job_of_other_cells_or_area(
    column: str, change: float, tables: Tables, tmp_path: Path
) -> None:
    """The job counts the cells that have the cover, and their area on the bench."""
    row = job(tables, "wood")
    wanted = f"wood: {row['count']} cells, {row['area_cm2']} cm2"
    row[column] = str(type(change)(float(row[column])) + change)
    [(cell, side, expected, _)] = found(tables, tmp_path, "finishing")
    assert (cell, side, expected) == ("", -1, wanted)


def test_cover_without_a_job(tables: Tables, tmp_path: Path) -> None:
    """Woods on the board are in the schedule."""
    tables[1].remove(job(tables, "wood"))
    [(_, _, expected, was)] = found(tables, tmp_path, "finishing")
    assert expected.startswith("wood: ")
    assert was == "no such job"


def test_ford_without_a_job(tables: Tables, tmp_path: Path) -> None:
    """So are fords."""
    n_fords = sum(row["over_water"] == "ford" for row in tables[0])
    assert n_fords > 0
    for row in [row for row in tables[1] if row["piece"].startswith("ford, ")]:
        tables[1].remove(row)
    assert found(tables, tmp_path, "finishing") == [("", -1, f"{n_fords} fords at least", "0")]


def test_road_that_is_longer_than_its_job(tables: Tables, tmp_path: Path) -> None:
    """Each side that a road crosses takes half the distance across flats on each of its tiles."""
    row = job(tables, "road, laid on top")
    row["length_mm"] = str(int(row["length_mm"]) - 500)
    n_halves = sum(len(row["road_ports"].split()) for row in tables[0])
    [(_, _, expected, _)] = found(tables, tmp_path, "finishing")
    assert expected == f"{50 * n_halves} mm of road at least"
