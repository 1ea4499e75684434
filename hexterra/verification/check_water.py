"""Does the water run: ports meet, it never rises, it comes to an end, and crossings are those."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.verification.rebuilt_board import RebuiltBoard
from hexterra.verification.table_rows import Tile
from hexterra.verification.verdict import Finding


def check_water(board: RebuiltBoard) -> Iterator[Finding]:
    """See that ports meet, and that water leaves by one, never rises and comes to an end."""
    out = np.array([tile.outflow for tile in board.tiles])
    for cell, tile in enumerate(board.tiles):
        if tile.outflow >= 0 and tile.outflow not in tile.ports:
            yield Finding(tile.cell, tile.outflow, "outflow", "one of the ports",
                          f"ports {sorted(tile.ports)}")  # fmt: skip
        elif tile.outflow >= 0 and board.across[cell, tile.outflow] < 0:
            yield Finding(tile.cell, tile.outflow, "outflow", "a cell to run into", "none")
        for side in sorted(tile.ports - {tile.outflow}):
            if tile.outflow >= 0 and tile.port_height(side) < tile.port_height(tile.outflow):
                yield Finding(tile.cell, side, "water", "it comes in no lower than it leaves",
                              f"{tile.port_height(side):g} below "
                              f"{tile.port_height(tile.outflow):g} steps")  # fmt: skip
    for cell, side, other in board.seams():
        here, there = board.tiles[cell], board.tiles[other]
        back = (side + 3) % 6
        if side not in here.ports:
            continue
        if back not in there.ports:
            yield Finding(here.cell, side, "port", f"one in {there.cell} to meet it", "none")
        elif cell < other and (out[cell] == side) == (out[other] == back):
            which = "both" if out[cell] == side else "neither"
            yield Finding(here.cell, side, "port", "water crosses it one way",
                          f"{which} of {here.cell} and {there.cell} lets it out")  # fmt: skip
        if out[cell] == side and here.port_height(side) < there.port_height(back):
            yield Finding(here.cell, side, "water", "it leaves no lower than it comes in",
                          f"{here.port_height(side):g} below "
                          f"{there.port_height(back):g} steps in {there.cell}")  # fmt: skip
        if out[cell] == side and there.level > here.level:
            yield Finding(here.cell, side, "water", f"a receiver at level {here.level} or less",
                          f"{there.cell} at level {there.level}")  # fmt: skip
    yield from _check_circles(board, out)


def check_standing(board: RebuiltBoard) -> Iterator[Finding]:
    """See that each lake, and the sea, is level, covered as such, and that no water runs within."""
    height_of: dict[str, int] = {}
    for cell, tile in enumerate(board.tiles):
        if not tile.standing:
            continue
        height = height_of.setdefault(tile.standing, tile.level)
        if set(tile.corners) != {height}:
            expected = f"a level top at {height}, as all {tile.standing}"
            yield Finding(tile.cell, -1, "standing", expected, " ".join(map(str, tile.corners)))
        kind = tile.standing.rpartition(" ")[0]
        if tile.cover != kind:
            yield Finding(tile.cell, -1, "standing", f"cover {kind}", tile.cover or "none")
        for side in sorted(tile.ports):
            other = board.across[cell, side]
            if other >= 0 and board.tiles[other].standing == tile.standing:
                yield Finding(tile.cell, side, "standing", "no watercourse within it", "a port")


def _check_circles(board: RebuiltBoard, out: NDArray[np.int64]) -> Iterator[Finding]:
    runs_to = np.where(out >= 0, board.across[np.arange(len(out)), out], -1).tolist()
    trail_of = [-1] * len(out)
    for start in range(len(out)):
        cell = start
        while cell >= 0 and trail_of[cell] < 0:
            trail_of[cell] = start
            cell = runs_to[cell]
        if cell >= 0 and trail_of[cell] == start and runs_to[start] >= 0:
            yield Finding(board.tiles[cell].cell, board.tiles[cell].outflow, "water",
                          "it ends in a mouth or pool", "it runs in a circle")  # fmt: skip


#: What water does in a cut tile that it leaves by the only port: rise, or come onto the board.
_BEGINS: Final = "begins"


def check_crossings(board: RebuiltBoard) -> Iterator[Finding]:
    """See that crossings stand where water is, and one name for one thing that it does there.

    A crossing may join several sets of sides, but does one thing with the water; and what it does
    and the sides it joins, however turned, have one crossing. Where names differ, most tiles tell.
    """
    water = [
        _water(tile, at_rim=is_rim)
        for tile, is_rim in zip(board.tiles, board.is_rim.tolist(), strict=True)
    ]
    doing: defaultdict[str, Counter[str]] = defaultdict(Counter)
    naming: defaultdict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for tile, does in zip(board.tiles, water, strict=True):
        if tile.crossing and does != _BEGINS:
            doing[tile.crossing][does] += 1
            naming[does, _shape(tile.ports)][tile.crossing] += 1
    for tile, does in zip(board.tiles, water, strict=True):
        if not tile.crossing:
            if tile.ports or tile.outflow >= 0:
                yield Finding(tile.cell, -1, "crossing", f"one for the ports {sorted(tile.ports)}",
                              "none")  # fmt: skip
            continue
        if does == _BEGINS:
            usually = {does for does, _ in doing[tile.crossing].most_common(1)}
            if usually - {"spring", "entry"}:
                elsewhere = f"{tile.crossing}, a {usually.pop()} on other tiles"
                yield Finding(tile.cell, -1, "crossing", "a spring or an entry", elsewhere)
            continue
        [(usual, _)] = naming[does, _shape(tile.ports)].most_common(1)
        [(usually, _)] = doing[tile.crossing].most_common(1)
        if tile.crossing != usual:
            yield Finding(tile.cell, -1, "crossing", f"{usual}, as other tiles with such ports",
                          tile.crossing)  # fmt: skip
        elif does != usually:
            yield Finding(tile.cell, -1, "crossing",
                          f"a {usually}, which {tile.crossing} is on other tiles",
                          f"a {does}")  # fmt: skip


def _water(tile: Tile, *, at_rim: bool) -> str:
    """Say what the water does in a tile with a crossing."""
    if tile.outflow < 0:
        return "mouth" if at_rim else "pool"
    if len(tile.ports) != 1:
        return "reach" if len(tile.ports) == 2 else "confluence"
    if at_rim and tile.part != "whole":
        return _BEGINS
    return "spring" if tile.cut.leaves < 0 else "entry"


def _shape(sides: frozenset[int]) -> str:
    """Describe a set of sides so that every turn of it is described alike."""
    return min(" ".join(map(str, sorted((side + turn) % 6 for side in sides))) for turn in range(6))
