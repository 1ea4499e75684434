"""`hexterra.verification`: tops, seams, water and places that do not fit are found."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.plan_tables import (
    Rows,
    bare_piece,
    bare_row,
    first,
    is_inside,
    judge,
    kinds,
    write_document,
)
from tests.small_plans import small_plan


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


@pytest.mark.parametrize("column", ["lon", "lat"])
@pytest.mark.parametrize("cell", [0, 40, 107])
@pytest.mark.parametrize("degrees", [2e-6, 0.01, 70.0])
def test_cell_elsewhere_on_the_ground(
    column: str, cell: int, degrees: float, tables: tuple[Rows, Rows], tmp_path: Path
) -> None:
    """A place some decimetres, a kilometre or half a world off is found, and is the only one."""
    tiles, _ = tables
    off = degrees if column == "lon" else -degrees
    tiles[cell][column] = f"{float(tiles[cell][column]) + off:.7f}"
    found = judge(tables, tmp_path).findings
    assert [(f.cell, f.what) for f in found] == [(tiles[cell]["cell"], "lon, lat")]


def test_ground_of_two_cells_swapped(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Both cells that changed places are found."""
    tiles, _ = tables
    for column in ("lon", "lat"):
        tiles[40][column], tiles[42][column] = tiles[42][column], tiles[40][column]
    found = judge(tables, tmp_path).findings
    assert {(f.cell, f.what) for f in found} == {(tiles[k]["cell"], "lon, lat") for k in (40, 42)}


def test_mirrored_ground(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Ground that runs west where the board runs right is no turned ground."""
    for row in tables[0]:
        row["lon"] = f"{-float(row['lon']):.7f}"
    assert kinds(judge(tables, tmp_path)) == {"lon, lat"}


def test_ground_in_one_place(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """The ground cannot be smaller than the board that shows it."""
    for row in tables[0]:
        row["lon"], row["lat"] = "7.0000000", "46.0000000"
    assert "ground no smaller than the board" in {
        f.expected for f in judge(tables, tmp_path).findings
    }


def test_port_that_meets_none(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Water that crosses a side crosses it in both cells."""
    board = small_plan().board
    tiles, _ = tables
    cell = first(tiles, lambda r: is_inside(r) and not r["ports"])
    side = next(s for s in range(6) if not tiles[board.neighbours[cell, s]]["ports"])
    tiles[cell]["ports"] = str(side)
    found = judge(tables, tmp_path).findings
    assert ("port", side) in {(f.what, f.side) for f in found}
    assert {f.cell for f in found} == {tiles[cell]["cell"]}


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
    assert {"port", "crossing"} == kinds(judge(tables, tmp_path))


def test_outflow_over_the_rim(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Water needs a cell to run into; where it runs off the board, the cell is a mouth."""
    tiles, _ = tables
    row = tiles[first(tiles, lambda r: r["row"] == "1" and not r["ports"])]
    row["ports"] = row["outflow"] = "4"
    assert "outflow" in kinds(judge(tables, tmp_path), row["cell"])


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
    verdict = judge(tables, tmp_path)
    assert {"place", "lon, lat"} <= kinds(verdict, tiles[40]["cell"])
    # without it, its neighbours seem to stand at the rim
    assert kinds(verdict) <= {"place", "lon, lat", "footing", "step face", "outflow"}


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
    assert {"part", "area", "count", "footing"} == kinds(judge(tables, tmp_path))


def test_document_of_another_facing(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """An angle of corner 0 that the positions contradict is found."""
    write_document(tmp_path, small_plan(), corner0_deg=0.0)
    assert kinds(judge(tables, tmp_path)) == {"corner 0"}


def test_document_of_another_size(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A distance across flats that the positions contradict is found, and not gone by."""
    write_document(tmp_path, small_plan(), board={"across_flats_mm": 101.0})
    assert kinds(judge(tables, tmp_path)) == {"across flats"}


def test_document_with_corners_counted_elsewhere(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """An angle that is one corner off fits the positions, but opens the seams."""
    write_document(tmp_path, small_plan(), corner0_deg=30.0)
    assert "seam" in kinds(judge(tables, tmp_path))


@pytest.mark.parametrize("cell", [0, 40, 107])
@pytest.mark.parametrize("column", ["height_m", "residual_m"])
@pytest.mark.parametrize("off_m", [0.004, -30.0])
def test_ground_and_residual_that_do_not_add_up(
    off_m: float, column: str, cell: int, tables: tuple[Rows, Rows], tmp_path: Path
) -> None:
    """A height or a residual that is off by millimetres or by metres is found where it is."""
    write_document(tmp_path, small_plan())
    row = tables[0][cell]
    row[column] = f"{float(row[column]) + off_m:.3f}"
    found = judge(tables, tmp_path).findings
    assert [(f.cell, f.what) for f in found] == [(row["cell"], "residual")]


def test_every_residual_against_another_datum(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """If the steps stand for other ground than the document says, no residual fits."""
    heights = {"datum_m": 0.0, "metres_per_step": 7.0, "thresholds_m": []}
    write_document(tmp_path, small_plan(), heights=heights)
    found = judge(tables, tmp_path).findings
    assert {f.what for f in found} == {"residual"}
    assert len(found) == len(tables[0])


def test_residuals_by_hand(tmp_path: Path) -> None:
    """A bank from 1 to 2 steps is 1 + 2/9 high on average, a flat top on level 4 just that.

    With thresholds of 10, 16 and 19 m at 1/2, 3/2 and 5/2 steps, the bank stands for
    10 + 6 (1 + 2/9 - 1/2) = 14.333 m, and the flat for 19 + 10 (4 - 5/2) = 34 m.
    """
    (tmp_path / "plan.json").write_text(
        json.dumps(
            {
                "corner0_deg": -30.0,
                "board": {"across_flats_mm": 100.0},
                "heights": {
                    "datum_m": 7.0, "metres_per_step": 10.0, "thresholds_m": [10.0, 16.0, 19.0],
                },
            }
        ),
        encoding="utf-8",
    )  # fmt: skip
    bank, flat = bare_row(0, 0, 100.0, "2 2 1 1 1 1"), bare_row(1, 0, 100.0, "4 4 4 4 4 4")
    bank |= {"level": "1", "pattern": "bank", "height_m": "12.000", "residual_m": "2.333"}
    flat |= {"level": "4", "height_m": "35.250", "residual_m": "-1.250"}
    needed = [bare_piece("flat", "000000", "15", 1), bare_piece("bank", "110000", "22.5", 1)]
    assert "residual" not in kinds(judge(([bank, flat], needed), tmp_path))
    bank["residual_m"] = flat["residual_m"] = "0.000"
    found = [f for f in judge(([bank, flat], needed), tmp_path).findings if f.what == "residual"]
    assert [f.cell for f in found] == ["A1", "B1"]
    assert [f.expected.split(",")[0] for f in found] == ["2.333 m", "-1.250 m"]


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


def test_verification_stands_apart() -> None:
    """The checker imports nothing of hexterra but errors, values and itself."""
    import ast

    import hexterra.verification.verify

    folder = Path(hexterra.verification.__file__).parent
    allowed = ("hexterra.errors", "hexterra.values", "hexterra.verification")
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [str(node.module)] if isinstance(node, ast.ImportFrom) else []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            for name in names:
                assert not name.startswith("hexterra") or name.startswith(allowed), (path, name)
