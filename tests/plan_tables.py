"""The two tables of a plan as rows of text, to be corrupted and verified."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from hexterra.csvfile import csv_text
from hexterra.outputs.document import plan_document
from hexterra.verification.verdict import Verdict
from hexterra.verification.verify import verify

Row = dict[str, str]
Rows = list[Row]


def write_tables(folder: Path, tiles: Rows, needed: Rows) -> Path:
    """Write both tables as CSV files."""
    for name, rows in (("tiles.csv", tiles), ("schedule.csv", needed)):
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, rows[0].keys(), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    return folder


def read_tables(plan: Any) -> tuple[Rows, Rows]:
    """Give the tables of a plan as a reader of the files finds them."""
    read = [csv.DictReader(csv_text(t).splitlines()) for t in (plan.tiles, plan.schedule)]
    return list(read[0]), list(read[1])


def write_document(folder: Path, plan: Any, **changes: object) -> None:
    """Write what the document of a plan tells beside the tables, with changes."""
    document = plan_document(plan)
    held = {name: document[name] for name in ("corner0_deg", "board", "heights")} | changes
    (folder / "plan.json").write_text(json.dumps(held), encoding="utf-8")


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


def swap(tiles: Rows, one: str, other: str, *columns: str) -> set[str]:
    """Swap columns between the first tiles that two pieces make; return the cells."""
    rows = [
        tiles[first(tiles, lambda r, piece=piece: r["piece"] == piece)] for piece in (one, other)
    ]
    for column in columns:
        rows[0][column], rows[1][column] = rows[1][column], rows[0][column]
    return {row["cell"] for row in rows}


def rename_crossing(tables: tuple[Rows, Rows], tile: Row, crossing: str, piece: str) -> None:
    """Give a tile another crossing, and the schedule a piece to match."""
    row = next(r for r in tables[1] if r["piece"] == tile["piece"])
    row["count"] = str(int(row["count"]) - 1)
    tables[1].append({**row, "piece": piece, "crossing": crossing, "count": "1"})
    tile["crossing"], tile["piece"] = crossing, piece


def bare_row(column: int, row: int, flats_mm: float, corners: str, *, scale: float = 1000.0) -> Row:
    """Describe a flat tile of a ragged board where the equator meets longitude 0.

    A degree of longitude is ``a pi / 180`` long there and one of latitude ``1 - e^2`` of that, with
    a = 6378137 m and 1/f = 298.257223563 (NIMA TR8350.2, 2000, table 3.1).
    """
    degree_mm = np.pi / 180.0 * 6_378_137.0 * 1000.0 / scale
    squashed = (1.0 - 1.0 / 298.257223563) ** 2
    x_mm = (column + (0.5 if row % 2 == 0 else 0.0)) * flats_mm + flats_mm / 2
    y_mm = row * flats_mm * np.sqrt(0.75) + flats_mm / np.sqrt(3)
    return {
        "cell": f"{letters(column)}{row + 1}", "column": str(column + 1), "row": str(row + 1),
        "x_mm": f"{x_mm:.3f}", "y_mm": f"{y_mm:.3f}",
        "lon": f"{x_mm / degree_mm:.7f}", "lat": f"{y_mm / (squashed * degree_mm):.7f}",
        "part": "whole", "height_m": "0.000", "coverage": "1.0000", "level": "0",
        "corners": corners, "pattern": "flat", "turn": "0", "piece": "flat", "cliffs": "",
        "crossing": "", "ports": "", "outflow": "", "spacers": "", "footing": "",
        "residual_m": "0.000", "widths": "", "upright": "", "leaves": "",
        "roads": "", "road_ports": "", "names": "", "over_water": "", "sunken": "",
        "sunken_leaves": "", "cover": "", "cover_share": "",
        "standing": "",
    }  # fmt: skip


def bare_piece(pattern: str, rises: str, thickness_mm: str, count: int) -> Row:
    """Describe a dry whole tile in the schedule."""
    return {
        "kind": "tile", "piece": pattern, "part": "whole", "hand": "", "pattern": pattern,
        "rises": rises, "turn": "0", "crossing": "", "ports": "", "thickness_mm": thickness_mm,
        "count": str(count), "widths": "", "upright": "", "leaves": "", "sunken": "",
        "sunken_leaves": "", "area_cm2": "", "length_mm": "",
    }  # fmt: skip


def letters(column: int) -> str:
    """Name a column as spreadsheets do."""
    return letters(column // 26 - 1) + chr(65 + column % 26) if column >= 26 else chr(65 + column)
