"""`hexterra.verification`: sound plans pass, and every kind of corruption is found."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_plans import small_ground, small_plan

from hexterra.brief import Brief
from hexterra.errors import PlanFolderError
from hexterra.plan import make_plan
from hexterra.tables import csv_text
from hexterra.verification import Verdict, verify

Row = dict[str, str]
Rows = list[Row]

BOTH = pytest.mark.parametrize("facing", ["points", "flats"])
OUTLINES = pytest.mark.parametrize("edges", ["straight", "whole"])


def write_tables(folder: Path, tiles: Rows, needed: Rows) -> Path:
    """Write both tables as CSV files."""
    for name, rows in (("tiles.csv", tiles), ("schedule.csv", needed)):
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, rows[0].keys(), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    return folder


@pytest.fixture
def tables() -> tuple[Rows, Rows]:
    """Give the tables of a sound plan, to be corrupted."""
    plan = small_plan()
    read = [csv.DictReader(csv_text(t).splitlines()) for t in (plan.tiles, plan.schedule)]
    return list(read[0]), list(read[1])


def judge(tables: tuple[Rows, Rows], folder: Path) -> Verdict:
    """Write both tables and verify them."""
    return verify(write_tables(folder, *tables))


def kinds(verdict: Verdict, cell: str | None = None) -> set[str]:
    """Return the kinds of findings, of one cell or all."""
    return {f.what for f in verdict.findings if cell is None or f.cell == cell}


def first(rows: Rows, wanted: Callable[[Row], object]) -> int:
    """Return the number of the first row that is wanted."""
    return next(number for number, row in enumerate(rows) if wanted(row))


def is_inside(row: Row) -> bool:
    """Whether a row is a whole tile."""
    return row["part"] == "whole"


@BOTH
@OUTLINES
@pytest.mark.parametrize("with_document", [True, False])
def test_sound_plans_agree(facing: Any, edges: Any, with_document: bool, tmp_path: Path) -> None:
    """A plan of either facing and either outline passes, with and without its document."""
    plan = small_plan(facing, edges)
    (tmp_path / "tiles.csv").write_text(csv_text(plan.tiles), encoding="utf-8")
    (tmp_path / "schedule.csv").write_text(csv_text(plan.schedule), encoding="utf-8")
    if with_document:
        document = {"corner0_deg": plan.board.corner0_deg}
        (tmp_path / "plan.json").write_text(json.dumps(document), encoding="utf-8")
    verdict = verify(tmp_path)
    assert verdict.agrees, verdict.describe()
    checked = dict(verdict.checked)
    assert checked["cells"] == 108
    # V - E + F = 1 on a sheet of hexagons; here counted from the lattice's own seam table
    assert checked["seams"] == len(plan.board.seams)
    assert "fits together" in verdict.describe()


def test_boards_with_cells_left_out_agree(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Leaving out a dry tile and its pieces leaves a sound, smaller board."""
    tiles, needed = tables
    gone = tiles.pop(first(tiles, lambda r: is_inside(r) and not r["ports"] and not r["cliffs"]))
    for row in needed:
        part = row["part"] == gone["part"]
        if row["piece"] in (gone["piece"], gone["footing"]):
            row["count"] = str(int(row["count"]) - 1)
        if row["kind"] == "spacer" and part:
            taken = sum(float(s) == float(row["thickness_mm"]) for s in gone["spacers"].split())
            row["count"] = str(int(row["count"]) - taken)
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


def test_open_seam(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A flat tile one step too high opens the seams around it."""
    tiles, _ = tables
    cell = first(tiles, lambda r: r["pattern"] == "flat" and is_inside(r) and not r["cliffs"])
    row = tiles[cell]
    level = int(row["level"]) + 1
    row["level"], row["corners"] = str(level), " ".join([str(level)] * 6)
    seams = [f for f in judge(tables, tmp_path).findings if f.what == "seam"]
    assert len(seams) == 6
    assert all(row["cell"] in (f.cell, f.found.split()[-1]) for f in seams)


def test_cliff_not_listed(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A step face that neither cell lists is an open seam."""
    tiles, _ = tables
    for row in tiles:
        row["cliffs"] = ""
    assert kinds(judge(tables, tmp_path)) == {"seam"}


def test_cliff_listed_by_one_cell(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A step face must be listed by both its cells."""
    tiles, _ = tables
    tiles[first(tiles, lambda r: r["cliffs"])]["cliffs"] = ""
    assert kinds(judge(tables, tmp_path)) == {"step face"}


def test_cliff_where_tops_meet(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A listed step face must be real."""
    board = small_plan().board
    tiles, _ = tables
    cell = first(tiles, lambda r: is_inside(r) and not r["cliffs"])
    other = int(board.neighbours[cell, 0])
    tiles[cell]["cliffs"] = "0"
    tiles[other]["cliffs"] = " ".join(sorted({*tiles[other]["cliffs"].split(), "3"}))
    verdict = judge(tables, tmp_path)
    assert kinds(verdict) == {"step face"}
    assert {f.cell for f in verdict.findings} == {tiles[cell]["cell"], tiles[other]["cell"]}


def test_cliff_at_the_rim(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A step face needs a cell on its other side."""
    tiles, _ = tables
    row = tiles[0]  # A1, at the front edge: nobody lies across side 4
    row["cliffs"] = " ".join(sorted({*row["cliffs"].split(), "4"}))
    assert [(f.what, f.side) for f in judge(tables, tmp_path).findings] == [("step face", 4)]


def test_wrong_level(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """The level is the lowest corner."""
    tiles, _ = tables
    tiles[40]["level"] = str(int(tiles[40]["level"]) + 1)
    assert "level" in kinds(judge(tables, tmp_path), tiles[40]["cell"])


def test_wrong_turn(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A pattern turned otherwise no longer gives the corners."""
    tiles, _ = tables
    later = [n for n, r in enumerate(tiles) if r["pattern"] == "bank"][-1]
    tiles[later]["turn"] = str((int(tiles[later]["turn"]) + 1) % 6)
    assert kinds(judge(tables, tmp_path)) == {"pattern"}


@pytest.mark.parametrize("rises", [(1, 0, 1, 0, 0, 0), (1, 2, 1, 0, 0, 0), (1, 0, 0, 1, 0, 0)])
def test_top_that_no_wire_cuts(
    rises: tuple[int, ...], tables: tuple[Rows, Rows], tmp_path: Path
) -> None:
    """A top of two separate spurs, or of a ridge that is no plane, cannot be cut."""
    tiles, _ = tables
    row = tiles[40]
    row.update(pattern="strange", piece="strange", turn="0")
    row["corners"] = " ".join(str(int(row["level"]) + rise) for rise in rises)
    assert "cut" in kinds(judge(tables, tmp_path), row["cell"])


def test_piece_of_two_shapes(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """One name stands for one shape."""
    tiles, _ = tables
    flat = first(tiles, lambda r: r["piece"] == "flat")
    bank = first(tiles, lambda r: r["piece"] == "bank")
    tiles[bank]["piece"] = tiles[flat]["piece"]
    assert kinds(judge(tables, tmp_path)) == {"piece", "count"}


def test_port_that_meets_none(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Water that crosses a side crosses it in both cells."""
    board = small_plan().board
    tiles, _ = tables
    cell = first(tiles, lambda r: is_inside(r) and not r["ports"])
    side = next(s for s in range(6) if not tiles[board.neighbours[cell, s]]["ports"])
    tiles[cell]["ports"] = str(side)
    assert kinds(judge(tables, tmp_path)) == {"port"}


def test_outflow_without_port(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Water leaves by a port."""
    tiles, _ = tables
    row = tiles[first(tiles, lambda r: is_inside(r) and r["outflow"] and len(r["ports"]) == 3)]
    row["outflow"] = next(s for s in "012345" if s not in row["ports"])
    assert "outflow" in kinds(judge(tables, tmp_path), row["cell"])


def test_water_that_leaves_neither_way(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A side that water crosses is the outflow of one of its cells."""
    tiles, _ = tables
    row = tiles[first(tiles, lambda r: r["outflow"])]
    row["outflow"] = ""
    assert kinds(judge(tables, tmp_path)) == {"port"}


def test_outflow_over_the_rim(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Water needs a cell to run into; where it runs off the board, the cell is a mouth."""
    tiles, _ = tables
    row = tiles[first(tiles, lambda r: r["row"] == "1" and not r["ports"])]
    row["ports"] = row["outflow"] = "4"
    assert kinds(judge(tables, tmp_path)) == {"outflow"}


def test_water_uphill(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A receiver that stands above the cell that runs into it is found."""
    board = small_plan().board
    tiles, _ = tables
    cell = first(tiles, lambda r: r["outflow"])
    other = tiles[board.neighbours[cell, int(tiles[cell]["outflow"])]]
    other["level"] = str(int(other["level"]) + 3)
    other["corners"] = " ".join(str(int(c) + 3) for c in other["corners"].split())
    found = [f for f in judge(tables, tmp_path).findings if f.what == "water"]
    assert {f.cell for f in found} >= {tiles[cell]["cell"]}
    assert any("at level" in f.found for f in found)
    assert any("below" in f.found for f in found)


def test_water_that_rises_inside_a_tile(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """The port that water comes in by is no lower than the one it leaves by."""
    tiles, _ = tables
    row = tiles[first(tiles, lambda r: len(r["ports"]) == 3 and r["outflow"])]
    out = int(row["outflow"])
    corners = [int(row["level"])] * 6
    corners[out] = corners[(out + 1) % 6] = int(row["level"]) + 1
    row["corners"] = " ".join(map(str, corners))
    inflow = int(row["ports"].replace(row["outflow"], ""))
    found = [f for f in judge(tables, tmp_path).findings if f.cell == row["cell"]]
    assert ("water", inflow) in {(f.what, f.side) for f in found}


def test_water_in_a_circle(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Water around a corner from cell to cell to cell never ends."""
    board = small_plan().board
    tiles, _ = tables
    for row in tiles:
        row["ports"] = row["outflow"] = ""
    corner = next(c for c in board.corner_cells.tolist() if -1 not in c)
    for here, there in zip(corner, corner[1:] + corner[:1], strict=True):
        side = board.neighbours[here].tolist().index(there)
        tiles[here]["outflow"] = str(side)
        tiles[here]["ports"] = f"{tiles[here]['ports']} {side}".strip()
        tiles[there]["ports"] = f"{tiles[there]['ports']} {(side + 3) % 6}".strip()
    found = [f for f in judge(tables, tmp_path).findings if "circle" in f.found]
    assert len(found) == 1
    assert found[0].cell in {tiles[cell]["cell"] for cell in corner}


@pytest.mark.parametrize("column", ["x_mm", "y_mm"])
def test_cell_beside_its_place(column: str, tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A centre three millimetres off is found."""
    tiles, _ = tables
    tiles[40][column] = f"{float(tiles[40][column]) + 3.0:.3f}"
    assert kinds(judge(tables, tmp_path)) == {"place"} | (
        {"step face"} if tiles[40]["cliffs"] else set()
    ) | ({"outflow"} if tiles[40]["outflow"] else set())


def test_two_cells_in_one_place(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Two rows for one cell are found by place and by name."""
    tiles, _ = tables
    tiles.append(dict(tiles[40]))
    verdict = judge(tables, tmp_path)
    assert {"place", "name"} <= kinds(verdict, tiles[40]["cell"])
    assert "count" in kinds(verdict, "")


def test_wrong_column(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Column and row follow from the position."""
    tiles, _ = tables
    tiles[40]["column"] = str(int(tiles[40]["column"]) + 1)
    assert kinds(judge(tables, tmp_path), tiles[40]["cell"]) == {"place", "name"}


def test_wrong_name(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """The name is column letters and row number."""
    tiles, _ = tables
    tiles[40]["cell"] = "ZZ99"
    assert kinds(judge(tables, tmp_path)) == {"name"}


@pytest.mark.parametrize(
    ("cell", "wrong"),
    [("A1", "corner-cut half"), ("B2", "side-cut half"), ("A2", "whole"), ("L1", "side-cut half")],
)
def test_wrong_part(cell: str, wrong: str, tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Which part a cell keeps follows from the edges it lies on, and areas from the parts."""
    tiles, _ = tables
    row = tiles[first(tiles, lambda r: r["cell"] == cell)]
    row["part"] = wrong
    assert "part" in kinds(judge(tables, tmp_path), cell)


def test_parts_that_do_not_fill_the_board(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """The parts' areas add up to the rectangle."""
    tiles, _ = tables
    tiles[first(tiles, is_inside)]["part"] = "quarter"
    assert {"part", "area", "count"} == kinds(judge(tables, tmp_path))


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


def test_document_of_another_facing(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """An angle of corner 0 that the positions contradict is found."""
    (tmp_path / "plan.json").write_text('{"corner0_deg": 0.0}', encoding="utf-8")
    assert kinds(judge(tables, tmp_path)) == {"corner 0"}


def test_document_with_corners_counted_elsewhere(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """An angle that is one corner off fits the positions, but opens the seams."""
    (tmp_path / "plan.json").write_text('{"corner0_deg": 30.0}', encoding="utf-8")
    assert "seam" in kinds(judge(tables, tmp_path))


def test_description_counts_and_shortens(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A long list of findings is counted by kind and cut after twenty."""
    tiles, _ = tables
    for row in tiles:
        row["level"] = "77"
    text = judge(tables, tmp_path).describe()
    assert "level 108" in text
    assert len(text.splitlines()) == 22


def test_verdicts_are_equal_for_equal_folders(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Looking twice gives the same findings in the same order."""
    tables[0][40]["level"] = "77"
    one, other = judge(tables, tmp_path), judge(tables, tmp_path)
    assert one.same_as(other)
    assert not one.agrees


def test_missing_table(tmp_path: Path) -> None:
    """A folder without tables is refused by name."""
    with pytest.raises(PlanFolderError, match=r"tiles\.csv does not exist"):
        verify(tmp_path)


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("x_mm", "nan"), ("level", "two"), ("corners", "1 1 1 1 1"), ("turn", "6"),
        ("cliffs", "1 1"), ("ports", "7"), ("outflow", "x"), ("part", "third"), ("spacers", "a"),
    ],
)  # fmt: skip
def test_unreadable_value(
    column: str, value: str, tables: tuple[Rows, Rows], tmp_path: Path
) -> None:
    """The error names the file, line, column and value."""
    tables[0][4][column] = value
    with pytest.raises(PlanFolderError) as caught:
        judge(tables, tmp_path)
    facts = caught.value.facts
    assert (facts["line"], facts["column"], facts["value"]) == (6, column, value)
    assert str(facts["file"]).endswith("tiles.csv")


def test_unreadable_count(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """The schedule is read with the same care."""
    tables[1][0]["count"] = "many"
    with pytest.raises(PlanFolderError, match=r"schedule\.csv, line 2, column count: 'many'"):
        judge(tables, tmp_path)


def test_missing_column(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A table without a needed column is refused."""
    for row in tables[0]:
        del row["corners"]
    with pytest.raises(PlanFolderError, match="column corners: the column is missing"):
        judge(tables, tmp_path)


def test_table_without_rows(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A table of one line holds no board."""
    write_tables(tmp_path, *tables)
    head = (tmp_path / "tiles.csv").read_text(encoding="utf-8").splitlines()[0]
    (tmp_path / "tiles.csv").write_text(head + "\n", encoding="utf-8")
    with pytest.raises(PlanFolderError, match="no rows"):
        verify(tmp_path)


def test_row_with_too_few_fields(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A torn row is named by its line."""
    write_tables(tmp_path, *tables)
    with (tmp_path / "tiles.csv").open("a", encoding="utf-8") as file:
        file.write("A99,1\n")
    with pytest.raises(PlanFolderError, match="line 110: 'A99,1': the row has 2 fields, not 22"):
        verify(tmp_path)


def test_text_that_is_not_utf8(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Bytes that are no text are refused."""
    write_tables(tmp_path, *tables)
    (tmp_path / "tiles.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PlanFolderError, match="cannot be read"):
        verify(tmp_path)


@pytest.mark.parametrize("text", ["{", "{}", '{"corner0_deg": "north"}', "[]"])
def test_unreadable_document(text: str, tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A document that does not tell the angle of corner 0 is refused."""
    (tmp_path / "plan.json").write_text(text, encoding="utf-8")
    with pytest.raises(PlanFolderError, match="corner0_deg"):
        judge(tables, tmp_path)


def test_verification_stands_apart() -> None:
    """The checker imports nothing of hexterra but errors, values and itself."""
    import ast

    import hexterra.verification

    folder = Path(hexterra.verification.__file__).parent
    allowed = ("hexterra.errors", "hexterra.values", "hexterra.verification")
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [str(node.module)] if isinstance(node, ast.ImportFrom) else []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            for name in names:
                assert not name.startswith("hexterra") or name.startswith(allowed), (path, name)


def test_positions_rounded_over_a_wide_board(tmp_path: Path) -> None:
    """Millimetres with three decimals still tell the place of cells 500 columns away."""
    flats, columns = 33.3333, 500
    rows = [
        {
            "cell": f"{letters(c)}{r + 1}", "column": str(c + 1), "row": str(r + 1),
            "x_mm": f"{(c + (0.5 if r % 2 == 0 else 0.0)) * flats + flats / 2:.3f}",
            "y_mm": f"{r * flats * np.sqrt(0.75) + flats / np.sqrt(3):.3f}",
            "part": "whole", "level": "0", "corners": "0 0 0 0 0 0", "pattern": "flat",
            "turn": "0", "piece": "flat", "cliffs": "", "crossing": "", "ports": "",
            "outflow": "", "spacers": "", "footing": "",
        }
        for r in range(3)
        for c in range(columns)
    ]  # fmt: skip
    needed = [{"kind": "tile", "piece": "flat", "part": "whole", "thickness_mm": "15",
               "count": str(3 * columns)}]  # fmt: skip
    verdict = judge((rows, needed), tmp_path)
    assert verdict.agrees, verdict.describe()
    # two seams along each of 3 rows but the last cell, and 2 * columns - 1 between rows
    assert dict(verdict.checked)["seams"] == 3 * (columns - 1) + 2 * (2 * columns - 1)


def letters(column: int) -> str:
    """Name a column as spreadsheets do."""
    return letters(column // 26 - 1) + chr(65 + column % 26) if column >= 26 else chr(65 + column)
