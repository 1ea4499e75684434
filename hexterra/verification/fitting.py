"""Do the pieces fit each other: tops, seams, water, stacks, and the numbers of the schedule."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from hexterra.verification.reading import thickness_name
from hexterra.verification.rebuilt import Board
from hexterra.verification.verdict import Finding


def check_tops(board: Board) -> Iterator[Finding]:
    """Compare levels with corners, and patterns with their names and what a straight cut leaves."""
    rises_of: dict[str, tuple[int, ...]] = {}
    made_of: dict[str, tuple[str, str]] = {}
    for tile in board.tiles:
        if min(tile.corners) != tile.level:
            yield Finding(tile.cell, -1, "level", f"its lowest corner, {min(tile.corners)}",
                          str(tile.level))  # fmt: skip
            continue
        known = rises_of.setdefault(tile.pattern, tile.rises)
        if tile.rises != known:
            yield Finding(tile.cell, -1, "pattern",
                          f"{tile.pattern} turned by {tile.turn} has rises {_digits(known)}",
                          _digits(tile.rises))  # fmt: skip
        elif not _is_cuttable(tile.rises):
            yield Finding(tile.cell, -1, "cut", "a top that straight cuts leave",
                          _digits(tile.rises))  # fmt: skip
        named = (tile.pattern, tile.crossing)
        if made_of.setdefault(tile.piece, named) != named:
            yield Finding(tile.cell, -1, "piece",
                          f"{tile.piece} is {' '.join(made_of[tile.piece]).strip()} everywhere",
                          " ".join(named).strip())  # fmt: skip


def _digits(numbers: tuple[int, ...]) -> str:
    return "".join(str(number) if number < 10 else f"({number})" for number in numbers)


def _is_cuttable(rises: tuple[int, ...]) -> bool:
    """Whether straight cuts leave this top.

    One run of equally raised corners needs one pass; a top that is one plane needs one; two
    opposite raised sides need two.
    """
    height = max(rises)
    odd, even = sum(rises[1::2]), sum(rises[0::2])
    opposite = {rises[k] + rises[k + 3] for k in range(3)}
    if len(opposite) == 1 and odd == even:
        return True
    if not set(rises) <= {0, height}:
        return False
    starts = [k for k in range(6) if rises[k] and not rises[k - 1]]
    return len(starts) == 1 or (
        len(starts) == 2 and sum(rises) == 4 * height and starts[1] - starts[0] == 3
    )


def check_seams(board: Board) -> Iterator[Finding]:
    """See that tops meet at both corners of a side exactly where it is no step face."""
    for cell, tile in enumerate(board.tiles):
        for side in sorted(tile.cliffs):
            if board.across[cell, side] < 0:
                yield Finding(tile.cell, side, "step face", "a cell across it", "none")
    for cell, side, other in board.seams():
        here, there = board.tiles[cell], board.tiles[other]
        back = (side + 3) % 6
        mine = (here.corners[side], here.corners[(side + 1) % 6])
        theirs = (there.corners[(back + 1) % 6], there.corners[back])
        listed, mirrored = side in here.cliffs, back in there.cliffs
        if listed and not mirrored:
            yield Finding(here.cell, side, "step face", f"{there.cell} lists it too",
                          "only one side lists it")  # fmt: skip
        if listed and mine == theirs:
            yield Finding(here.cell, side, "step face", "tops that do not meet",
                          f"both stand at {mine[0]} and {mine[1]}")  # fmt: skip
        if cell < other and not listed and not mirrored and mine != theirs:
            yield Finding(here.cell, side, "seam", f"{mine[0]} and {mine[1]} as {here.cell} has",
                          f"{theirs[0]} and {theirs[1]} in {there.cell}")  # fmt: skip


def check_water(board: Board) -> Iterator[Finding]:
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


def _check_circles(board: Board, out: NDArray[np.int64]) -> Iterator[Finding]:
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


def check_stacks(board: Board) -> Iterator[Finding]:
    """Compare the height of every stack of spacers with its level, by one common step."""
    steps = sorted(
        sum(tile.spacers) / tile.level for tile in board.tiles if tile.level > 0 and tile.spacers
    )
    step_mm = steps[len(steps) // 2] if steps else 0.0
    for tile in board.tiles:
        if abs(sum(tile.spacers) - tile.level * step_mm) > 1e-3:
            yield Finding(tile.cell, -1, "stack",
                          f"{tile.level} steps of {step_mm:g} mm, {tile.level * step_mm:g} mm",
                          f"{sum(tile.spacers):g} mm")  # fmt: skip


def check_counts(board: Board, needed: Counter[tuple[str, str, str]]) -> Iterator[Finding]:
    """Compare the pieces that the board takes with those of the schedule."""
    taken: Counter[tuple[str, str, str]] = Counter()
    for tile in board.tiles:
        taken["tile", tile.piece, tile.part] += 1
        taken.update(("spacer", thickness_name(spacer), tile.part) for spacer in tile.spacers)
        if tile.footing:
            taken["footing", tile.footing, tile.part] += 1
    for key in sorted(taken.keys() | needed.keys()):
        if taken[key] != needed[key]:
            kind, name, part = key
            yield Finding("", -1, "count", f"{taken[key]} of {kind} {name} ({part}) on the board",
                          f"{needed[key]} in the schedule")  # fmt: skip
