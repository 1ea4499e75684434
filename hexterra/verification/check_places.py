"""Do names, places and parts agree, and do the parts fill the rectangle."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

import numpy as np

from hexterra.verification.board_outline import Outline
from hexterra.verification.rebuilt_board import NEAR, RebuiltBoard
from hexterra.verification.table_rows import SHARE
from hexterra.verification.verdict import Finding


def check_places(board: RebuiltBoard, outline: Outline) -> Iterator[Finding]:
    """Compare names, columns, rows and parts with the printed positions, and areas with the board.

    The first row lies at the front edge, the first column at the left; with points to the front
    the first row and every second one after it are shifted half a cell to the right, with flats
    the first column and every second one half a cell away.
    """
    points, flats = board.has_points_front, board.flats_mm
    pitch = flats * math.sqrt(3.0) / 2.0
    position = np.array([(tile.x_mm, tile.y_mm) for tile in board.tiles])
    # centres stand on straight lines: `across` tells the lines apart, `along` runs in them
    along, across = position.T if points else position.T[::-1]
    start_along, start_across = (flats / 2, flats / math.sqrt(3.0))
    if outline.is_straight:
        start_along, start_across = (0.0, 0.0)
    line = np.rint((across - start_across) / pitch).astype(int)
    shift = start_along + (line % 2 == 0) * (flats / 2)
    place = np.rint((along - shift) / flats).astype(int)
    beside = np.hypot(along - shift - place * flats, across - start_across - line * pitch)
    column, row = (place + 1, line + 1) if points else (line + 1, place + 1)
    names = Counter(tile.cell for tile in board.tiles)
    for number, tile in enumerate(board.tiles):
        if beside[number] > NEAR * flats:
            yield Finding(tile.cell, -1, "place", "a place of the lattice",
                          f"{beside[number]:.2f} mm beside")  # fmt: skip
        if (tile.column, tile.row) != (column[number], row[number]):
            yield Finding(tile.cell, -1, "place", f"column {column[number]}, row {row[number]}",
                          f"column {tile.column}, row {tile.row}")  # fmt: skip
        name = f"{_letters(tile.column)}{tile.row}"
        if tile.cell != name or names[tile.cell] > 1:
            yield Finding(tile.cell, -1, "name", f"{name}, once", tile.cell)
    for tile, part in zip(board.tiles, outline.parts, strict=True):
        if tile.part != part:
            yield Finding(tile.cell, -1, "part", part, tile.part)
    if outline.reaches_ends and len(board.tiles) == column.max() * row.max():
        hexagon_mm2 = math.sqrt(3.0) / 2.0 * flats**2
        filled_mm2 = sum(SHARE[tile.part] for tile in board.tiles) * hexagon_mm2
        wanted_mm2 = outline.size_mm[0] * outline.size_mm[1]
        if abs(filled_mm2 - wanted_mm2) > 0.01 * hexagon_mm2:
            yield Finding("", -1, "area", f"{wanted_mm2:.0f} mm2, the rectangle",
                          f"{filled_mm2:.0f} mm2")  # fmt: skip


def _letters(column: int) -> str:
    name = ""
    while column > 0:
        column, digit = divmod(column - 1, 26)
        name = chr(ord("A") + digit) + name
    return name
