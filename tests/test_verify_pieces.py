"""`hexterra.verification`: pieces, footings and counts that do not give the board are found."""

from __future__ import annotations

from pathlib import Path

import pytest

from hexterra.brief.brief import Brief
from hexterra.plan.pipeline import make_plan
from tests.plan_tables import (
    Rows,
    bare_piece,
    bare_row,
    first,
    judge,
    kinds,
    read_tables,
    rename_crossing,
    swap,
)
from tests.small_plans import small_ground


@pytest.fixture
def flat_tables() -> tuple[Rows, Rows]:
    """Give the tables of a sound plan without any relief or water, to be corrupted."""
    brief = {
        "board": {"columns": 6, "rows": 5, "x": 500_000.0, "y": 3_320_000.0},
        "heights": {"metres_per_step": 9000.0},
        "water": {"show": False},
        "fit": {"effort": "instant"},
    }
    return read_tables(make_plan(small_ground(), Brief.model_validate(brief)))


def test_wrong_turn(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A pattern turned otherwise no longer gives the corners."""
    tiles, _ = tables
    later = [n for n, r in enumerate(tiles) if r["pattern"] == "bank"][-1]
    tiles[later]["turn"] = str((int(tiles[later]["turn"]) + 1) % 6)
    assert kinds(judge(tables, tmp_path)) == {"piece"}


def test_piece_of_two_shapes(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """One name stands for one shape."""
    tiles, _ = tables
    tiles[first(tiles, lambda r: r["piece"] == "bank")]["piece"] = "flank"
    assert kinds(judge(tables, tmp_path)) == {"piece", "count"}


def test_pieces_with_other_ports_swapped(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Of two tops with water, each needs the channel that joins its own sides."""
    tiles, _ = tables
    left, right = "flank with wide bend, ports 0 4", "flank with wide bend, ports 1 3"
    cells = swap(tiles, left, right, "piece")
    found = judge(tables, tmp_path).findings
    assert {(f.cell, f.what) for f in found} == {(cell, "piece") for cell in cells}
    assert {f"one of {column} {asked}" for column, asked in (
        ("ports", "0 4"), ("widths", "1 0 0 0 1 0"), ("ports", "1 3"), ("widths", "0 1 0 1 0 0"),
    )} == {f.expected for f in found}  # fmt: skip


def test_straight_and_bend_swapped(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A crossing that other tiles have for other ports is found, whatever its piece."""
    tiles, _ = tables
    straight, bend = "flank with straight, ports 0 3", "flank with wide bend, ports 0 4"
    cells = swap(tiles, straight, bend, "piece", "crossing")
    found = judge(tables, tmp_path).findings
    assert {f.cell for f in found if f.what == "crossing"} == cells


def test_crossing_of_another_shape(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A straight that both tables call a bend is no bend: other tiles with such ports tell."""
    tiles, _ = tables
    row = tiles[first(tiles, lambda r: r["piece"] == "flank with straight, ports 0 3")]
    rename_crossing(tables, row, "wide bend", "flank with wide bend, ports 0 3")
    (finding,) = judge(tables, tmp_path).findings
    assert (finding.cell, finding.what) == (row["cell"], "crossing")
    assert finding.expected.startswith("straight,")


def test_crossing_for_two_kinds_of_water(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A crossing does one thing with the water, so springs cannot all be confluences."""
    for rows in tables:
        for row in rows:
            row["crossing"] = row["crossing"].replace("spring", "confluence")
    found = judge(tables, tmp_path).findings
    assert {f.what for f in found} == {"crossing"}
    assert {f.expected.split(",")[0] for f in found} == {"a spring"}  # there are more of them


def test_crossing_emptied(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Where water is, a crossing is."""
    tiles, _ = tables
    row = tiles[first(tiles, lambda r: r["crossing"] == "spring")]
    row["crossing"] = ""
    assert {"crossing", "piece"} >= kinds(judge(tables, tmp_path), row["cell"]) >= {"crossing"}


def test_turn_of_a_bend_on_a_flat_tile(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """On a flat tile the channel alone tells how it is turned."""
    tiles, _ = tables
    row = tiles[first(tiles, lambda r: r["piece"] == "flat with wide bend, ports 0 2")]
    row["turn"] = str((int(row["turn"]) + 1) % 6)
    found = judge(tables, tmp_path).findings
    # of the two bends of this piece neither tells more than the schedule does
    assert {(f.cell, f.what) for f in found} == {(row["cell"], "piece")}
    assert {f.expected for f in found} == {"one of ports 1 5", "one of widths 0 1 0 0 0 1"}


def test_turn_that_makes_no_difference(flat_tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A flat dry tile looks alike in every turn, and is not turned."""
    tiles, _ = flat_tables
    tiles[0]["turn"] = tiles[10]["turn"] = "4"
    found = judge(flat_tables, tmp_path).findings
    assert [(f.cell, f.what) for f in found] == [(tiles[k]["cell"], "turn") for k in (0, 10)]


def test_quarters_swapped(flat_tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Left and right quarters are mirror images: neither fits the other's corner."""
    tiles, needed = flat_tables
    swap(tiles, "flat, left quarter", "flat, right quarter", "piece")
    found = judge(flat_tables, tmp_path).findings
    assert {f.what for f in found} == {"schedule"}  # of each there is one
    assert {f.expected for f in found} == {
        "flat, left quarter: hand right, as on the board",
        "flat, right quarter: hand left, as on the board",
    }
    assert sum(int(row["count"]) for row in needed if row["hand"]) == 2


def test_halves_of_other_turns_swapped(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A half cannot be turned: its pattern lies in it as its cut tells."""
    tiles, _ = tables
    halves = [f"flank, side-cut half, turned {turn}" for turn in (0, 3)]  # two tiles of each
    cells = swap(tiles, halves[0], halves[1], "piece")
    found = judge(tables, tmp_path).findings
    assert {(f.cell, f.what) for f in found} == {(cell, "piece") for cell in cells}


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("hand", "left"), ("pattern", "bank"), ("rises", "111110"), ("turn", "3"),
        ("crossing", ""), ("ports", "1 4"),
    ],
)  # fmt: skip
def test_wrong_row_of_the_schedule(
    column: str, value: str, tables: tuple[Rows, Rows], tmp_path: Path
) -> None:
    """The board tells what each column of a tile in the schedule must be."""
    _, needed = tables
    name = "flank with straight, ports 0 3"
    row = needed[first(needed, lambda r: r["piece"] == name)]
    right, row[column] = row[column], value
    found = judge(tables, tmp_path).findings
    assert {f.what for f in found} == {"schedule"}
    told = f"{name}: {column} {right or 'empty'}, as on the board"
    assert told in {f.expected for f in found}


def test_wrong_turn_of_a_half_in_the_schedule(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """How the pattern lies in a half is told by all tiles that are cut so."""
    _, needed = tables
    row = needed[first(needed, lambda r: r["piece"] == "flank, side-cut half, turned 3")]
    row["turn"] = "1"
    (finding,) = judge(tables, tmp_path).findings
    assert finding.expected == "flank, side-cut half, turned 3: turn 3, as on the board"


@pytest.mark.parametrize(
    ("kind", "value"), [("tile", "1.000"), ("tile", "22.000"), ("footing", "16.000")]
)
def test_wrong_thickness(kind: str, value: str, tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A tile is as thick as all others and its rises; a footing as the others."""
    _, needed = tables
    row = needed[first(needed, lambda r: r["kind"] == kind and r["pattern"] != "flat")]
    row["thickness_mm"] = value
    (finding,) = judge(tables, tmp_path).findings
    assert finding.what == "thickness"
    assert finding.expected.startswith(row["piece"])


def test_thickness_without_stacks(tmp_path: Path) -> None:
    """Where nothing stands on spacers, thicker and thinner tiles tell the step."""
    rows = [bare_row(0, 0, 100.0, "0 0 0 0 0 0"), bare_row(1, 0, 100.0, "1 0 0 0 0 1")]
    rows[1].update(pattern="bank", piece="bank", turn="5")
    flat, bank = bare_piece("flat", "000000", "15", 1), bare_piece("bank", "110000", "22.5", 1)
    steep = bare_piece("steep bank", "220000", "30", 0)
    assert judge((rows, [flat, bank, steep]), tmp_path).agrees
    steep["thickness_mm"] = "37.5"
    (finding,) = judge((rows, [flat, bank, steep]), tmp_path).findings
    assert (finding.what, finding.found) == ("thickness", "37.5 mm")


def test_spacer_of_another_name(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A spacer is as thick as its name says."""
    _, needed = tables
    needed[first(needed, lambda r: r["piece"] == "spacer 30 mm")]["piece"] = "spacer 25 mm"
    assert kinds(judge(tables, tmp_path)) == {"thickness"}


@pytest.mark.parametrize(
    ("column", "value"), [("pattern", "bank"), ("rises", "110000"), ("turn", "0"), ("ports", "1")]
)
def test_block_with_a_top(
    column: str, value: str, tables: tuple[Rows, Rows], tmp_path: Path
) -> None:
    """Spacers and footings are plain blocks."""
    _, needed = tables
    needed[first(needed, lambda r: r["kind"] == "footing")][column] = value
    assert kinds(judge(tables, tmp_path)) == {"schedule"}


def test_tile_without_turn(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A tile of the schedule tells its turn, though it be 0."""
    _, needed = tables
    needed[first(needed, lambda r: r["piece"] == "bank")]["turn"] = ""
    assert kinds(judge(tables, tmp_path)) == {"schedule"}


def test_row_of_the_schedule_twice(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Two rows for one piece are found, even where their counts add up."""
    _, needed = tables
    row = needed[first(needed, lambda r: r["piece"] == "bank")]
    row["count"] = str(int(row["count"]) - 1)
    needed.append({**row, "count": "1"})
    assert kinds(judge(tables, tmp_path)) == {"schedule"}


def test_one_piece_under_two_names(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A piece that is another one turned is no distinct piece."""
    tiles, needed = tables
    row = tiles[first(tiles, lambda r: r["piece"] == "flat with wide bend, ports 0 2")]
    rename_crossing(tables, row, "wide bend", "flat with wide bend, ports 2 4")
    needed[-1] |= {"ports": "2 4", "widths": "0 0 1 0 1 0"}
    row["turn"] = str((int(row["turn"]) - 2) % 6)
    (finding,) = judge(tables, tmp_path).findings
    assert finding.what == "schedule"
    assert finding.found == "again as flat with wide bend, ports 2 4"


def test_footings_swapped(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """The keys belong under the rim, and nowhere else."""
    tiles, _ = tables
    rows = [
        tiles[first(tiles, lambda r, kind=kind: r["footing"] == f"{kind} footing")]
        for kind in ("plain", "keyed")
    ]
    rows[0]["footing"], rows[1]["footing"] = rows[1]["footing"], rows[0]["footing"]
    found = judge(tables, tmp_path).findings
    assert {(f.cell, f.what) for f in found} == {(row["cell"], "footing") for row in rows}


def test_one_footing_missing(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """If most stacks have footings, all have."""
    tables[0][40]["footing"] = ""
    assert kinds(judge(tables, tmp_path)) == {"footing", "count"}


def test_port_on_a_side_that_is_cut(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """No channel can leave by a side that the board's edge cuts in half."""
    tiles, _ = tables
    row = tiles[first(tiles, lambda r: r["row"] == "1" and r["part"] == "side-cut half")]
    row["ports"] = "0"
    found = [f for f in judge(tables, tmp_path).findings if f.expected.startswith("a side that")]
    assert [(f.cell, f.side) for f in found] == [(row["cell"], 0)]


def test_wrong_stack(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Spacers add up to the level."""
    tiles, _ = tables
    row = tiles[first(tiles, lambda r: int(r["level"]) > 1)]
    row["spacers"] = " ".join(row["spacers"].split()[1:])
    assert kinds(judge(tables, tmp_path)) == {"stack", "count"}


@pytest.mark.parametrize("kind", ["tile", "spacer", "footing"])
def test_wrong_count(kind: str, tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """One piece more than the board takes is found, whatever its kind."""
    _, needed = tables
    row = needed[first(needed, lambda r: r["kind"] == kind)]
    row["count"] = str(int(row["count"]) + 1)
    (finding,) = judge(tables, tmp_path).findings
    assert finding.what == "count"
    assert kind in finding.expected


def test_missing_piece(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A piece that the board takes and the schedule lacks is found."""
    _, needed = tables
    needed.pop(0)
    (finding,) = judge(tables, tmp_path).findings
    assert "0 in the schedule" in finding.found
