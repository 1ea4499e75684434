"""Do the tiles fit each other: tops, seams, stacks, footings, and the numbers of the schedule."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from hexterra.verification.rebuilt_board import RebuiltBoard
from hexterra.verification.table_rows import ListedPiece, thickness_name
from hexterra.verification.verdict import Finding


def check_tops(board: RebuiltBoard) -> Iterator[Finding]:
    """Compare levels with corners, and tops with what a straight cut leaves."""
    for tile in board.tiles:
        if min(tile.corners) != tile.level:
            yield Finding(tile.cell, -1, "level", f"its lowest corner, {min(tile.corners)}",
                          str(tile.level))  # fmt: skip
        elif not is_cuttable(tile.rises):
            yield Finding(tile.cell, -1, "cut", "a top that straight cuts leave",
                          " ".join(map(str, tile.rises)))  # fmt: skip


def is_plane(rises: tuple[int, ...]) -> bool:
    """Whether a top is one plane: opposite corners have one sum, and so has every second one."""
    opposite = {rises[k] + rises[k + 3] for k in range(3)}
    return len(opposite) == 1 and sum(rises[1::2]) == sum(rises[0::2])


def is_cuttable(rises: tuple[int, ...]) -> bool:
    """Whether straight cuts leave this top.

    One run of equally raised corners needs one pass; a top that is one plane needs one; two
    opposite raised sides need two.
    """
    height = max(rises)
    if is_plane(rises):
        return True
    if not set(rises) <= {0, height}:
        return False
    starts = [k for k in range(6) if rises[k] and not rises[k - 1]]
    return len(starts) == 1 or (
        len(starts) == 2 and sum(rises) == 4 * height and starts[1] - starts[0] == 3
    )


def check_seams(board: RebuiltBoard) -> Iterator[Finding]:
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


def check_stacks(board: RebuiltBoard) -> Iterator[Finding]:
    """Compare the height of every stack of spacers with its level, by one common step."""
    step_mm = board.step_mm
    for tile in board.tiles:
        if abs(sum(tile.spacers) - tile.level * step_mm) > 1e-3:
            yield Finding(tile.cell, -1, "stack",
                          f"{tile.level} steps of {step_mm:g} mm, {tile.level * step_mm:g} mm",
                          f"{sum(tile.spacers):g} mm")  # fmt: skip


def check_footings(board: RebuiltBoard) -> Iterator[Finding]:
    """See that all stacks have a footing or none, and keyed ones stand along the rim alone.

    Whether a board has footings, and whether its rim is keyed, is what most of its cells say.
    """
    is_rim = board.is_rim.tolist()
    n_without = sum(not tile.footing for tile in board.tiles)
    n_keyed = sum(
        rim and tile.footing.startswith("keyed ")
        for tile, rim in zip(board.tiles, is_rim, strict=True)
    )
    for tile, rim in zip(board.tiles, is_rim, strict=True):
        wanted = ""
        if 2 * n_without <= len(board.tiles):
            wanted = "keyed footing" if rim and 2 * n_keyed > sum(is_rim) else "plain footing"
            wanted += "" if tile.part == "whole" else f", {tile.part}"
        if tile.footing != wanted:
            yield Finding(tile.cell, -1, "footing", wanted or "none", tile.footing or "none")


def check_counts(board: RebuiltBoard, pieces: tuple[ListedPiece, ...]) -> Iterator[Finding]:
    """Compare the pieces that the board takes with those of the schedule."""
    needed: Counter[tuple[str, str, str]] = Counter()
    for piece in (piece for piece in pieces if piece.kind != "finish"):
        is_spacer = piece.kind == "spacer"
        name = thickness_name(piece.thickness_mm) if is_spacer else piece.name
        needed[piece.kind, name, piece.part] += piece.count
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
