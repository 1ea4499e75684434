"""The tables, read with every value's place in mind, so that an error can name it."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

from hexterra.errors import PlanFolderError

TILE_COLUMNS: Final = (
    "cell", "column", "row", "x_mm", "y_mm", "lon", "lat", "part", "height_m", "coverage",
    "level", "corners", "pattern", "turn", "piece", "cliffs", "crossing", "ports", "outflow",
    "spacers", "footing", "residual_m", "widths", "upright", "leaves", "roads", "road_ports",
    "names", "over_water", "sunken", "sunken_leaves", "cover", "cover_share",
    "standing",
)  # fmt: skip
SCHEDULE_COLUMNS: Final = (
    "kind", "piece", "part", "hand", "pattern", "rises", "turn", "crossing", "ports",
    "thickness_mm", "count", "widths", "upright", "leaves", "sunken", "sunken_leaves", "area_cm2",
    "length_mm",
)  # fmt: skip

#: Area each part has, as a share of the whole hexagon.
SHARE: Final = {"whole": 1.0, "corner-cut half": 0.5, "side-cut half": 0.5, "quarter": 0.25}

_T = TypeVar("_T")


@dataclass(frozen=True)
class Cut:
    """What is cut across the sides of a tile beside its ports; -1 is no side, widths may be ()."""

    widths: tuple[int, ...]
    upright: frozenset[int]
    leaves: int
    sunken: frozenset[int]
    sunken_leaves: int


@dataclass(frozen=True)
class Tile:
    """One row of the table, read."""

    cell: str
    column: int
    row: int
    x_mm: float
    y_mm: float
    lon: float
    lat: float
    part: str
    height_m: float
    coverage: float
    level: int
    corners: tuple[int, ...]
    pattern: str
    turn: int
    piece: str
    cliffs: frozenset[int]
    crossing: str
    ports: frozenset[int]
    outflow: int
    spacers: tuple[float, ...]
    footing: str
    residual_m: float
    cut: Cut
    roads: frozenset[str]
    road_ports: frozenset[int]
    names: str
    over_water: str
    cover: str
    cover_share: float
    standing: str

    @property
    def rises(self) -> tuple[int, ...]:
        """Rises of the pattern as the printed heights and turn tell them."""
        return tuple(self.corners[(k + self.turn) % 6] - self.level for k in range(6))

    def port_height(self, side: int) -> float:
        """Built height at the middle of a side, in steps."""
        return (self.corners[side] + self.corners[(side + 1) % 6]) / 2.0


@dataclass(frozen=True)
class Steps:
    """Ground that steps stand for: threshold j, from 0, at j + 1/2 steps; all in metres."""

    datum_m: float
    metres_per_step: float
    thresholds_m: tuple[float, ...]


@dataclass(frozen=True)
class Document:
    """What ``plan.json`` tells beside the tables: size and turn of the cells, ground of steps."""

    across_flats_mm: float
    corner0_deg: float
    steps: Steps


@dataclass(frozen=True)
class ListedPiece:
    """One row of the schedule, read; a block has no rises and turn -1."""

    kind: str
    name: str
    part: str
    hand: str
    pattern: str
    rises: tuple[int, ...]
    turn: int
    crossing: str
    ports: frozenset[int]
    thickness_mm: float
    count: int
    cut: Cut
    area_cm2: float
    length_mm: float


def _read_rows(path: Path, columns: tuple[str, ...]) -> Iterator[tuple[int, dict[str, str]]]:
    try:
        text = path.read_text(encoding="utf-8", errors="strict")
    except (FileNotFoundError, NotADirectoryError) as error:
        raise PlanFolderError(
            f"{path} does not exist",
            remedy="give the folder that a plan was written to",
            file=str(path),
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise PlanFolderError(
            f"{path} cannot be read: {why}", remedy="write the plan again", file=str(path)
        ) from error
    reader = csv.reader(io.StringIO(text, newline=""))
    try:
        head, *rows = [(reader.line_num, fields) for fields in reader] or [(1, [])]
    except csv.Error as error:
        raise _unreadable(path, reader.line_num, "", "", str(error)) from error
    for column in columns:
        if column not in head[1]:
            raise _unreadable(path, 1, column, "", "the column is missing")
    if not rows:
        raise _unreadable(path, 2, "", "", "the table has no rows")
    for line, fields in rows:
        if len(fields) != len(head[1]):
            problem = f"the row has {len(fields)} fields, not {len(head[1])}"
            raise _unreadable(path, line, "", ",".join(fields), problem)
        yield line, dict(zip(head[1], map(_plain, fields), strict=True))


def _plain(field: str) -> str:
    """Take off the apostrophe that keeps a spreadsheet from running a text as a formula."""
    return field[1:] if re.match(r"'+[=+\-@\t\r]", field) else field


def _unreadable(path: Path, line: int, column: str, value: str, problem: str) -> PlanFolderError:
    named = f", column {column}" if column else ""
    shown = f": {value!r}" if value else ""
    return PlanFolderError(
        f"{path}, line {line}{named}{shown}: {problem}",
        remedy="write the plan again; its tables are not meant to be edited",
        file=str(path),
        line=line,
        column=column,
        value=value,
    )


@dataclass(frozen=True)
class _Row:
    """One row of a table, whose fields are read with their place in mind."""

    path: Path
    line: int
    fields: dict[str, str]

    def read(self, column: str, convert: Callable[[str], _T], wanted: str) -> _T:
        value = self.fields[column]
        try:
            return convert(value)
        except ValueError as error:
            raise _unreadable(self.path, self.line, column, value, f"not {wanted}") from error

    def whole(self, column: str) -> int:
        return self.read(column, int, "a whole number")

    def decimal(self, column: str) -> float:
        return self.read(column, _finite, "a number")

    def degrees(self, column: str, limit: int) -> float:
        return self.read(
            column, lambda text: _within(text, -limit, limit), f"degrees from -{limit} to {limit}"
        )

    def word(self, column: str, allowed: Collection[str]) -> str:
        named = ", ".join(word or "nothing" for word in allowed)
        return self.read(column, lambda text: _word(text, allowed), f"one of {named}")

    def sides(self, column: str) -> frozenset[int]:
        return self.read(column, _sides, "different sides from 0 to 5")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def _within(text: str, least: float, greatest: float) -> float:
    value = _finite(text)
    if not least <= value <= greatest:
        raise ValueError(text)
    return value


def _word(text: str, allowed: Collection[str]) -> str:
    if text not in allowed:
        raise ValueError(text)
    return text


def _sides(text: str) -> frozenset[int]:
    sides = [int(word) for word in text.split()]
    if len(set(sides)) != len(sides) or not set(sides) <= set(range(6)):
        raise ValueError(text)
    return frozenset(sides)


def _six(text: str) -> tuple[int, ...]:
    heights = tuple(int(word) for word in text.split())
    if len(heights) != 6:
        raise ValueError(text)
    return heights


def _six_or_none(text: str) -> tuple[int, ...]:
    return _six(text) if text else ()


def _maybe(text: str) -> float:
    return _finite(text) if text else math.nan


def _turn(text: str) -> int:
    if text not in {"0", "1", "2", "3", "4", "5"}:
        raise ValueError(text)
    return int(text)


def _turn_or_none(text: str) -> int:
    return _turn(text) if text else -1


def _rises(text: str) -> tuple[int, ...]:
    if text and not (len(text) == 6 and text.isascii() and text.isdigit()):
        raise ValueError(text)
    return tuple(int(digit) for digit in text)


def read_tiles(path: Path) -> Iterator[Tile]:
    """Read ``tiles.csv``, row by row.

    Raises
    ------
    PlanFolderError
        With file, line, column and value.
    """
    for line, fields in _read_rows(path, TILE_COLUMNS):
        row = _Row(path, line, fields)
        yield Tile(
            cell=fields["cell"],
            column=row.whole("column"),
            row=row.whole("row"),
            x_mm=row.decimal("x_mm"),
            y_mm=row.decimal("y_mm"),
            lon=row.degrees("lon", 180),
            lat=row.degrees("lat", 90),
            part=row.word("part", SHARE),
            height_m=row.decimal("height_m"),
            coverage=row.read("coverage", lambda text: _within(text, 0, 1), "a share from 0 to 1"),
            level=row.whole("level"),
            corners=row.read("corners", _six, "six whole numbers"),
            pattern=fields["pattern"],
            turn=row.read("turn", _turn, "a turn from 0 to 5"),
            piece=fields["piece"],
            cliffs=row.sides("cliffs"),
            crossing=fields["crossing"],
            ports=row.sides("ports"),
            outflow=row.read("outflow", _turn_or_none, "a side from 0 to 5, or nothing"),
            spacers=row.read(
                "spacers",
                lambda text: tuple(_finite(word) for word in text.split()),
                "thicknesses in millimetres",
            ),
            footing=fields["footing"],
            residual_m=row.decimal("residual_m"),
            cut=_cut(row),
            roads=frozenset(fields["roads"].split("; ")) - {""},
            road_ports=row.sides("road_ports"),
            names=fields["names"],
            over_water=row.word("over_water", ("", "ford", "bridge")),
            cover=fields["cover"],
            cover_share=row.read("cover_share", _maybe, "a number, or nothing"),
            standing=fields["standing"],
        )


def read_schedule(path: Path) -> Iterator[ListedPiece]:
    """Read ``schedule.csv``, row by row.

    Raises
    ------
    PlanFolderError
        With file, line, column and value.
    """
    for line, fields in _read_rows(path, SCHEDULE_COLUMNS):
        row = _Row(path, line, fields)
        kind = row.word("kind", ("tile", "spacer", "footing", "finish"))
        is_job = kind == "finish"
        yield ListedPiece(
            kind=kind,
            name=fields["piece"],
            part=row.word("part", ("",) if is_job else SHARE),
            hand=row.word("hand", ("", "left", "right")),
            pattern=fields["pattern"],
            rises=row.read("rises", _rises, "six digits, or nothing"),
            turn=row.read("turn", _turn_or_none, "a turn from 0 to 5, or nothing"),
            crossing=fields["crossing"],
            ports=row.sides("ports"),
            thickness_mm=math.nan if is_job else row.decimal("thickness_mm"),
            count=row.whole("count"),
            cut=_cut(row),
            area_cm2=row.read("area_cm2", _maybe, "a number, or nothing"),
            length_mm=row.read("length_mm", _maybe, "a number, or nothing"),
        )


def _cut(row: _Row) -> Cut:
    return Cut(
        widths=row.read("widths", _six_or_none, "six whole numbers, or nothing"),
        upright=row.sides("upright"),
        leaves=row.read("leaves", _turn_or_none, "a side from 0 to 5, or nothing"),
        sunken=row.sides("sunken"),
        sunken_leaves=row.read("sunken_leaves", _turn_or_none, "a side from 0 to 5, or nothing"),
    )


def thickness_name(thickness_mm: float) -> str:
    """Name a spacer by its thickness, so that equal ones count together."""
    return f"{thickness_mm:.3f} mm"


def read_document(path: Path) -> Document | None:
    """Read what ``plan.json`` tells beside the tables; None if there is no such file.

    Raises
    ------
    PlanFolderError
        If there is one and it does not tell all of that.
    """
    if not path.exists():
        return None
    try:
        document: Any = json.loads(path.read_text(encoding="utf-8"))
        heights = document["heights"]
        return Document(
            _within(str(document["board"]["across_flats_mm"]), 1e-3, 1e6),
            _finite(str(document["corner0_deg"])),
            Steps(
                _finite(str(heights["datum_m"])),
                _finite(str(heights["metres_per_step"])),
                tuple(_finite(str(height_m)) for height_m in heights["thresholds_m"]),
            ),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        lacking = "it does not tell corner0_deg, across_flats_mm, and datum, step and thresholds"
        raise _unreadable(path, getattr(error, "lineno", 1), "", "", lacking) from error
