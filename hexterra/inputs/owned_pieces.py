"""Pieces a maker owns already: a schedule of an earlier plan, read as stock, and what it leaves.

The stock list is a CSV with the columns of ``schedule.csv``; the schedule of a board that was built
is a stock list as it stands.
"""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hexterra.csvfile import CsvReader
from hexterra.errors import BriefError, FileMissingError
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.schedule.pieces import FINISH
from hexterra.stages.tiles.cuts import MAX_WIDTHS
from hexterra.stages.tiles.tile_kinds import TileKind
from hexterra.text import cleaned
from hexterra.values import Value

if TYPE_CHECKING:
    import pandas as pd

    from hexterra.stages.schedule.pieces import Piece
    from hexterra.stages.schedule.schedule import Schedule

_COLUMNS: Final = (
    "kind", "piece", "part", "hand", "pattern", "turn", "crossing", "ports", "count"
)  # fmt: skip
_MOST_DIGITS: Final = 9  # sums of such counts stay within int64


@dataclass(frozen=True, eq=False, repr=False)
class OwnedPieces(Value):
    """Counts of owned pieces.

    Parameters
    ----------
    tiles
        Kinds of tile and how many are owned, each kind once.
    blocks
        Names of spacers and footings and how many are owned, each name once.
    """

    tiles: tuple[tuple[TileKind, int], ...]
    blocks: tuple[tuple[str, int], ...]


def read_owned(path: str | Path) -> OwnedPieces:
    """Read a stock list.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    BriefError
        If a column is missing, or a cell of it is not what the column holds, with its line.
    """
    path = Path(path)
    tiles: Counter[TileKind] = Counter()
    blocks: Counter[str] = Counter()
    try:
        with path.open(newline="", encoding="utf-8") as stream:
            reader = CsvReader(stream)
            missing = [name for name in _COLUMNS if name not in (reader.fieldnames or ())]
            if missing:
                raise BriefError(
                    f"the stock list {path} has no column {missing[0]!r}",
                    remedy="use the columns of schedule.csv; the schedule of a board you built is"
                    " a stock list as it stands",
                    path=str(path),
                    columns=tuple(missing),
                )
            for row in reader:
                if row["kind"] == FINISH:
                    continue
                count = _whole(row, "count", path, reader.line_num)
                if row["kind"] == "tile":
                    tiles[_tile_kind(row, path, reader.line_num)] += count
                else:
                    blocks[cleaned(row["piece"])] += count
    except OSError as error:
        raise FileMissingError(
            f"the stock list {path} cannot be opened: {error.strerror}",
            remedy="check stock.owned in the brief; its path starts at the brief's folder",
            path=str(path),
        ) from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise BriefError(
            f"the stock list {path} is not CSV text in UTF-8: {error}",
            remedy="save it as CSV with the columns of schedule.csv",
            path=str(path),
        ) from error
    return OwnedPieces(tuple(sorted(tiles.items())), tuple(sorted(blocks.items())))


def left_to_cut(pieces: Schedule, owned: OwnedPieces | None) -> tuple[int, ...]:
    """Return how many of each piece of a schedule a maker must still cut, in its order."""
    if owned is None:
        return tuple(piece.count for piece in pieces.pieces)
    tiles, blocks = dict(owned.tiles), dict(owned.blocks)
    counts = (
        tiles.get(tile_kind(piece), 0) if piece.kind == "tile" else blocks.get(piece.name, 0)
        for piece in pieces.pieces
    )
    return tuple(max(0, piece.count - n) for piece, n in zip(pieces.pieces, counts, strict=True))


def stock_frame(pieces: Schedule, owned: OwnedPieces) -> pd.DataFrame:
    """Compare a schedule with a stock: what is used, what is still to cut, what stays unused.

    Returns
    -------
    pandas.DataFrame
        A row per piece that is needed or owned, with `needed`, `owned`, `to_cut`, `unused`; pieces
        of the schedule first, in its order.
    """
    import pandas as pd

    tiles, blocks = dict(owned.tiles), dict(owned.blocks)
    rows: list[dict[str, object]] = []
    for piece in pieces.pieces:
        is_tile = piece.kind == "tile"
        n_owned = tiles.pop(tile_kind(piece), 0) if is_tile else blocks.pop(piece.name, 0)
        rows.append(_row(piece.kind, piece.name, piece.count, n_owned))
    rows += [
        _row("tile", kind.describe(turned=kind.part != "whole"), 0, n_owned)
        for kind, n_owned in tiles.items()
    ]
    rows += [_row("spacer or footing", name, 0, n_owned) for name, n_owned in blocks.items()]
    return pd.DataFrame(rows, columns=["kind", "piece", "needed", "owned", "to_cut", "unused"])


def tile_kind(piece: Piece) -> TileKind:
    """Name the kind of a schedule's tile."""
    return TileKind(*(getattr(piece, name) for name in TileKind._fields))


def _row(kind: str, name: str, needed: int, n_owned: int) -> dict[str, object]:
    return {
        "kind": kind,
        "piece": name,
        "needed": needed,
        "owned": n_owned,
        "to_cut": max(0, needed - n_owned),
        "unused": max(0, n_owned - needed),
    }


def _tile_kind(row: dict[str, str], path: Path, line: int) -> TileKind:
    """Read a tile; lists without the columns of wider water and sunken roads have none of them."""

    def sides(column: str) -> tuple[int, ...]:
        words = (row.get(column) or "").split()
        if not all(word in {"0", "1", "2", "3", "4", "5"} for word in words):
            allowed = "sides from 0 to 5 separated by spaces"
            raise _bad(path, line, column, row[column], allowed)
        return tuple(int(word) for word in words)

    ports, leaves, road_leaves = sides("ports"), sides("leaves"), sides("sunken_leaves")
    crossed = {*ports, *leaves[:1]}
    widths = tuple(int(side in crossed) for side in range(N_SIDES)) if crossed else ()
    if text := (row.get("widths") or "").split():
        allowed = f"six widths from 0 to {MAX_WIDTHS} separated by spaces"
        if len(text) != N_SIDES or not {*text} <= {str(k) for k in range(MAX_WIDTHS + 1)}:
            raise _bad(path, line, "widths", row["widths"], allowed)
        widths = tuple(int(word) for word in text)
    return TileKind(
        pattern=cleaned(row["pattern"]),
        part=row["part"],
        hand=row["hand"],
        turn=_whole(row, "turn", path, line),
        crossing=cleaned(row["crossing"]),
        ports=ports,
        widths=widths,
        upright=sides("upright"),
        leaves=leaves[0] if leaves else -1,
        road=sides("sunken"),
        road_leaves=road_leaves[0] if road_leaves else -1,
    )


def _whole(row: dict[str, str], column: str, path: Path, line: int) -> int:
    text = (row[column] or "").strip()
    if not text.isascii() or not text.isdigit() or len(text) > _MOST_DIGITS:
        allowed = f"a whole number of at most {_MOST_DIGITS} digits, not negative"
        raise _bad(path, line, column, text, allowed)
    return int(text)


def _bad(path: Path, line: int, column: str, value: str, allowed: str) -> BriefError:
    return BriefError(
        f"line {line} of the stock list {path} has {column} = {value!r}; it must be {allowed}",
        remedy="correct that line",
        path=str(path),
        line=line,
        column=column,
    )
