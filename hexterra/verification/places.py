"""Do names, places and parts agree, and do the parts fill the rectangle."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from hexterra.verification.reading import SHARE
from hexterra.verification.rebuilt import NEAR, Board
from hexterra.verification.verdict import Finding


def check_places(board: Board) -> Iterator[Finding]:
    """Compare names, columns, rows and parts with the printed positions, and areas with the board.

    The first row lies at the front edge, the first column at the left; with points to the front
    the first row and every second one after it are shifted half a cell to the right, with flats
    the first column and every second one half a cell away.
    """
    points = abs((board.corner0_deg + 60.0) % 60.0 - 30.0) < 1.0
    flats, pitch = board.flats_mm, board.flats_mm * math.sqrt(3.0) / 2.0
    near = NEAR * flats
    position = np.array([(tile.x_mm, tile.y_mm) for tile in board.tiles])
    # centres stand on straight lines: `across` tells the lines apart, `along` runs in them
    along, across = position.T if points else position.T[::-1]
    beside = np.abs((across + pitch / 2) % pitch - pitch / 2)
    straight = bool(np.median(beside) < 10.0 * near)  # a ragged board starts a margin inside
    start_along, start_across = (0.0, 0.0) if straight else (flats / 2, flats / math.sqrt(3.0))
    line = np.rint((across - start_across) / pitch).astype(int)
    shift = start_along + (line % 2 == 0) * (flats / 2)
    place = np.rint((along - shift) / flats).astype(int)
    beside = np.hypot(along - shift - place * flats, across - start_across - line * pitch)
    column, row = (place + 1, line + 1) if points else (line + 1, place + 1)
    names = Counter(tile.cell for tile in board.tiles)
    for number, tile in enumerate(board.tiles):
        if beside[number] > near:
            yield Finding(
                tile.cell, -1, "place", "a place of the lattice", f"{beside[number]:.2f} mm beside"
            )
        if (tile.column, tile.row) != (column[number], row[number]):
            yield Finding(
                tile.cell,
                -1,
                "place",
                f"column {column[number]}, row {row[number]}",
                f"column {tile.column}, row {tile.row}",
            )
        name = f"{_letters(tile.column)}{tile.row}"
        if tile.cell != name or names[tile.cell] > 1:
            yield Finding(tile.cell, -1, "name", f"{name}, once", tile.cell)
    is_full = len(board.tiles) == column.max() * row.max()
    yield from _check_parts(board, position, points=points, straight=straight, is_full=is_full)


def _check_parts(
    board: Board,
    position: NDArray[np.float64],
    *,
    points: bool,
    straight: bool,
    is_full: bool,
) -> Iterator[Finding]:
    """Compare each part with the edges its centre lies on, and the sum of areas with the board."""
    is_cut = np.array([tile.part != "whole" for tile in board.tiles])
    size_mm = position.max(axis=0)
    near_mm = NEAR * board.flats_mm
    at_start, at_end = position < near_mm, position > size_mm - near_mm
    on_edge = at_start & straight  # on a left or right, front or back edge
    is_full &= straight
    for axis in (0, 1):
        # Where cells were left out, the last centres need not lie on an edge: most of them tell,
        # not counting those that another edge may cut.
        beyond = at_end[:, axis] & ~(at_start | at_end)[:, 1 - axis]
        is_edge = straight and 2 * is_cut[beyond].sum() >= beyond.sum()
        on_edge[:, axis] |= at_end[:, axis] & is_edge
        is_full &= is_edge
    halves = ("corner-cut half", "side-cut half")
    for tile, (side_edge, front_edge) in zip(board.tiles, on_edge.tolist(), strict=True):
        part = "quarter" if front_edge else halves[not points]
        if not side_edge:
            part = halves[points] if front_edge else "whole"
        if tile.part != part:
            yield Finding(tile.cell, -1, "part", part, tile.part)
    if is_full:
        hexagon_mm2 = math.sqrt(3.0) / 2.0 * board.flats_mm**2
        filled_mm2 = sum(SHARE[tile.part] for tile in board.tiles) * hexagon_mm2
        wanted_mm2 = float(size_mm[0] * size_mm[1])
        if abs(filled_mm2 - wanted_mm2) > 0.01 * hexagon_mm2:
            yield Finding(
                "", -1, "area", f"{wanted_mm2:.0f} mm2, the rectangle", f"{filled_mm2:.0f} mm2"
            )


def _letters(column: int) -> str:
    name = ""
    while column > 0:
        column, digit = divmod(column - 1, 26)
        name = chr(ord("A") + digit) + name
    return name
