"""`hexterra.verification`: tables that cannot be read are refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from hexterra.errors import PlanFolderError
from hexterra.verification.verify import verify
from tests.plan_tables import Rows, judge, write_document, write_tables
from tests.small_plans import small_plan


def test_missing_table(tmp_path: Path) -> None:
    """A folder without tables is refused by name."""
    with pytest.raises(PlanFolderError, match=r"tiles\.csv does not exist"):
        verify(tmp_path)


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("x_mm", "nan"), ("lon", "180.5"), ("lat", "-91"), ("level", "two"), ("turn", "6"),
        ("corners", "1 1 1 1 1"), ("cliffs", "1 1"), ("ports", "7"), ("outflow", "x"),
        ("part", "third"), ("spacers", "a"), ("widths", "1 0 0"), ("upright", "6"),
        ("leaves", "-1"), ("road_ports", "0 0"), ("sunken", "x"), ("sunken_leaves", "7"),
        ("over_water", "ferry"), ("cover_share", "half"), ("height_m", "inf"), ("height_m", ""),
        ("coverage", "1.0001"), ("coverage", "-0.1"), ("coverage", "nan"), ("residual_m", "nan"),
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


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("kind", "tyle"), ("part", "third"), ("hand", "up"), ("rises", "1100"), ("turn", "6"),
        ("ports", "0 0"), ("thickness_mm", "inf"), ("widths", "1"), ("upright", "0 0"),
        ("leaves", "6"), ("sunken", "9"), ("sunken_leaves", "s"), ("area_cm2", "nan"),
        ("length_mm", "long"),
    ],
)  # fmt: skip
def test_unreadable_value_of_the_schedule(
    column: str, value: str, tables: tuple[Rows, Rows], tmp_path: Path
) -> None:
    """The error names the file, line, column and value here too."""
    tables[1][4][column] = value
    with pytest.raises(PlanFolderError) as caught:
        judge(tables, tmp_path)
    facts = caught.value.facts
    assert (facts["line"], facts["column"], facts["value"]) == (6, column, value)
    assert str(facts["file"]).endswith("schedule.csv")


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
    n_columns = len(tables[0][0])
    with pytest.raises(
        PlanFolderError, match=f"line 110: 'A99,1': the row has 2 fields, not {n_columns}"
    ):
        verify(tmp_path)


def test_text_that_is_not_utf8(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """Bytes that are no text are refused."""
    write_tables(tmp_path, *tables)
    (tmp_path / "tiles.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PlanFolderError, match="cannot be read"):
        verify(tmp_path)


def test_field_without_end(tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A field that no table has, such as after a quote that nothing closes, is refused."""
    tables[0][4]["names"] = "x" * 200_000
    with pytest.raises(PlanFolderError, match=r"tiles\.csv, line 6: field larger"):
        judge(tables, tmp_path)


@pytest.mark.parametrize("text", ["{", "{}", "[]", '{"corner0_deg": 0.0}'])
def test_unreadable_document(text: str, tables: tuple[Rows, Rows], tmp_path: Path) -> None:
    """A document that does not tell size and angle of the cells and the steps is refused."""
    (tmp_path / "plan.json").write_text(text, encoding="utf-8")
    with pytest.raises(PlanFolderError, match="does not tell corner0_deg, across_flats_mm"):
        judge(tables, tmp_path)


@pytest.mark.parametrize(
    "changes",
    [
        {"corner0_deg": "north"},
        {"board": {}},
        {"board": {"across_flats_mm": 0.0}},
        {"heights": {"datum_m": 0.0, "metres_per_step": 1.0}},
        {"heights": {"datum_m": 0.0, "metres_per_step": None, "thresholds_m": []}},
        {"heights": {"datum_m": 0.0, "metres_per_step": 1.0, "thresholds_m": ["low"]}},
    ],
)
def test_document_without_numbers(
    changes: dict[str, object], tables: tuple[Rows, Rows], tmp_path: Path
) -> None:
    """Each number of it is needed."""
    write_document(tmp_path, small_plan(), **changes)
    with pytest.raises(PlanFolderError, match=r"plan\.json.*does not tell"):
        judge(tables, tmp_path)
