"""Do the pieces of the schedule, turned as the tables say, give the tiles of the board."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator
from typing import Final

from hexterra.verification.board_outline import Outline
from hexterra.verification.rebuilt_board import RebuiltBoard
from hexterra.verification.table_rows import Cut, ListedPiece, Tile
from hexterra.verification.verdict import Finding

#: What a tile asks of its piece, and the schedule says of it.
COLUMNS: Final = (
    "part", "hand", "pattern", "rises", "turn", "crossing", "ports",
    "widths", "upright", "leaves", "sunken", "sunken_leaves",
)  # fmt: skip


def check_pieces(
    board: RebuiltBoard, outline: Outline, pieces: tuple[ListedPiece, ...]
) -> Iterator[Finding]:
    """Compare what each tile asks of its piece with what the schedule says of the piece.

    A tile's corners, ports and place on the board tell which piece it must be. Where tiles of one
    piece differ, most of them tell whether the schedule or a tile is wrong.
    """
    row_of = {piece.name: _row_features(piece) for piece in pieces if piece.kind == "tile"}
    tiles_of: defaultdict[str, list[tuple[Tile, tuple[str, ...]]]] = defaultdict(list)
    for tile, part, kept in zip(board.tiles, outline.parts, outline.kept.tolist(), strict=True):
        if tile.part == part and tile.piece in row_of:
            tiles_of[tile.piece].append((tile, _tile_features(board, tile, kept[0], kept[1])))
        if tile.turn != (least := _least_turn(tile, is_cut=any(kept))):
            yield Finding(tile.cell, -1, "turn", f"{least}, the least for what stands there",
                          str(tile.turn))  # fmt: skip
        for side in sorted(tile.ports):
            if _is_cut_side(board, side, kept[0], kept[1]):
                yield Finding(tile.cell, side, "port", "a side that no edge of the board cuts",
                              "a port")  # fmt: skip
    for name, tiles in tiles_of.items():
        for number, column in enumerate(COLUMNS):
            says = row_of[name][number]
            votes = Counter(asks[number] for _, asks in tiles)
            usual = max(votes, key=lambda asks: (votes[asks], asks == says, asks))
            if usual != says:
                yield Finding("", -1, "schedule", f"{name}: {column} {usual or 'empty'}, as on the"
                              " board", says or "empty")  # fmt: skip
            for tile, asks in tiles:
                if asks[number] != usual:
                    yield Finding(tile.cell, -1, "piece",
                                  f"one of {column} {asks[number] or 'empty'}",
                                  f"{name}, of {column} {says or 'empty'}")  # fmt: skip


def _row_features(piece: ListedPiece) -> tuple[str, ...]:
    return (
        piece.part, piece.hand, piece.pattern, _digits(piece.rises),
        str(piece.turn), piece.crossing, _blanks(piece.ports), *_cut_words(piece.cut, 0),
    )  # fmt: skip


def _cut_words(cut: Cut, frame: int) -> tuple[str, ...]:
    """Write what is cut across the sides as numbered in a piece whose side 0 is side `frame`."""
    return (
        " ".join(map(str, cut.widths[frame:] + cut.widths[:frame])),
        _blanks(frozenset((side - frame) % 6 for side in cut.upright)),
        "" if cut.leaves < 0 else str((cut.leaves - frame) % 6),
        _blanks(frozenset((side - frame) % 6 for side in cut.sunken)),
        "" if cut.sunken_leaves < 0 else str((cut.sunken_leaves - frame) % 6),
    )


def _tile_features(board: RebuiltBoard, tile: Tile, kept_x: int, kept_y: int) -> tuple[str, ...]:
    """Say of which piece a tile is, in the order of `COLUMNS`.

    A whole piece is turned with its pattern. A cut piece lies as its cut tells, so its pattern is
    turned within it, by as little as gives the same top.
    """
    frame = _first_number(board, kept_x, kept_y) if kept_x or kept_y else tile.turn
    period = next(t for t in range(1, 7) if tile.rises[t:] + tile.rises[:t] == tile.rises)
    ports = frozenset((side - frame) % 6 for side in tile.ports)
    return (
        tile.part, _hand(board, kept_x, kept_y), tile.pattern, _digits(tile.rises),
        str((tile.turn - frame) % period), tile.crossing, _blanks(ports),
        *_cut_words(tile.cut, frame),
    )  # fmt: skip


def _least_turn(tile: Tile, *, is_cut: bool) -> int:
    """Find the least turn that gives the same top and, unless the cut tells, the same sides."""

    def numbered(turn: int) -> tuple[tuple[int, ...], frozenset[int], tuple[str, ...]]:
        rises = tuple(tile.corners[(k + turn) % 6] for k in range(6))
        if is_cut:
            return rises, frozenset(), ()
        ports = frozenset((side - turn) % 6 for side in tile.ports)
        return rises, ports, _cut_words(tile.cut, turn)

    wanted = numbered(tile.turn)
    return next(turn for turn in range(6) if numbered(turn) == wanted)


def _first_number(board: RebuiltBoard, kept_x: int, kept_y: int) -> int:
    """Find which side and corner of a cut cell are number 0 of its piece.

    Seen from the middle of the cut, side 0 of a corner-cut half and corner 0 of a side-cut half
    lie straight ahead. One of the two cuts of a quarter runs through corner 0.
    """
    if kept_x and kept_y:
        # to a corner, a hexagon reaches farther: along y with points to the front
        kept_x, kept_y = (0, kept_y) if board.has_points_front else (kept_x, 0)
    ahead_deg = math.degrees(math.atan2(kept_y, kept_x))
    return math.floor(((ahead_deg - board.corner0_deg) % 360.0 + 1.0) / 60.0) % 6


def _hand(board: RebuiltBoard, kept_x: int, kept_y: int) -> str:
    """Find on which hand the longer cut of a quarter lies, seen from its right angle."""
    if not (kept_x and kept_y):
        return ""
    shorter, longer = (kept_x, 0), (0, kept_y)
    if not board.has_points_front:
        shorter, longer = longer, shorter
    is_left = shorter[0] * longer[1] - shorter[1] * longer[0] > 0  # counter-clockwise of it
    return "left" if is_left else "right"


def _is_cut_side(board: RebuiltBoard, side: int, kept_x: int, kept_y: int) -> bool:
    """Tell whether an edge of the board takes half of a side, or all of it."""
    outward = math.radians(board.corner0_deg + 30.0 + 60.0 * side)
    return (kept_x != 0 and kept_x * math.cos(outward) < 0.1) or (
        kept_y != 0 and kept_y * math.sin(outward) < 0.1
    )


def check_schedule(pieces: tuple[ListedPiece, ...]) -> Iterator[Finding]:
    """See that the rows of the schedule differ, are complete, and name what they describe."""
    seen: dict[tuple[str, ...], str] = {}
    rises_of: dict[str, tuple[int, ...]] = {}
    names = Counter(piece.name for piece in pieces)
    for piece in pieces:
        if names[piece.name] > 1:
            yield Finding("", -1, "schedule", f"{piece.name} in one row",
                          f"in {names[piece.name]}")  # fmt: skip
            continue
        if piece.kind == "finish":
            continue
        is_block = piece.kind != "tile"
        of_tiles = (piece.pattern, piece.rises, piece.turn >= 0)
        if any(of_tiles) if is_block else not all(of_tiles):
            known = "no" if is_block else "a"
            yield Finding("", -1, "schedule", f"{piece.name}: {known} pattern, with rises and turn",
                          f"{_row_features(piece)[2:5]}")  # fmt: skip
        cut_words = (piece.hand, piece.crossing, _blanks(piece.ports), *_cut_words(piece.cut, 0))
        if is_block and any(cut_words):
            found = " ".join(filter(None, cut_words))
            yield Finding("", -1, "schedule", f"{piece.name}: no hand, crossing or sides", found)
        if piece.pattern and rises_of.setdefault(piece.pattern, piece.rises) != piece.rises:
            yield Finding("", -1, "schedule",
                          f"{piece.pattern} with rises {_digits(rises_of[piece.pattern])}",
                          f"{_digits(piece.rises)} of {piece.name}")  # fmt: skip
        other = seen.setdefault(_form(piece), piece.name)
        if other != piece.name:
            yield Finding("", -1, "schedule", f"{other} once", f"again as {piece.name}")


def _form(piece: ListedPiece) -> tuple[str, ...]:
    """Describe a piece so that all turns of a whole tile are described alike."""
    size = f"{piece.thickness_mm:.3f}"
    if piece.kind != "tile":
        return piece.kind, piece.part, size, piece.name if piece.kind == "footing" else ""
    forms = [
        (_digits(piece.rises[-turn:] + piece.rises[:-turn]),
         _blanks(frozenset((side + turn) % 6 for side in piece.ports)),
         *_cut_words(piece.cut, -turn % 6))
        for turn in (range(6) if piece.part == "whole" else (0,))
    ]  # fmt: skip
    return piece.kind, piece.part, piece.hand, str(piece.turn), piece.crossing, *max(forms)


def check_thicknesses(board: RebuiltBoard, pieces: tuple[ListedPiece, ...]) -> Iterator[Finding]:
    """See that tiles are as thick as a common base and their highest rise, footings all alike.

    The step follows from the stacks; on a board without any, from the tiles.
    """
    tiles = [piece for piece in pieces if piece.kind == "tile" and piece.rises]
    step_mm = board.step_mm or _step_of_tiles(tiles)
    bases = Counter[float]()
    for piece in tiles:
        bases[round(piece.thickness_mm - max(piece.rises) * step_mm, 3)] += 1
    base_mm = max(bases, key=lambda base: (bases[base], base), default=0.0)
    for piece in tiles:
        wanted_mm = base_mm + max(piece.rises) * step_mm
        if abs(piece.thickness_mm - wanted_mm) > 2e-3 or piece.thickness_mm <= 0.0:
            yield _thickness(piece, f"{wanted_mm:g} mm, {max(piece.rises)} steps above a flat tile")
    footings = Counter(piece.thickness_mm for piece in pieces if piece.kind == "footing")
    footing_mm = max(footings, key=footings.__getitem__, default=0.0)
    for piece in pieces:
        if piece.kind == "footing" and piece.thickness_mm != footing_mm:
            yield _thickness(piece, f"{footing_mm:g} mm, as other footings")
        stated = [word for word in piece.name.split() if word[0].isdigit()]
        if piece.kind == "spacer" and stated[:1] != [f"{piece.thickness_mm:g}"]:
            yield _thickness(piece, "what its name says")


def _thickness(piece: ListedPiece, wanted: str) -> Finding:
    return Finding("", -1, "thickness", f"{piece.name}: {wanted}", f"{piece.thickness_mm:g} mm")


def _step_of_tiles(tiles: list[ListedPiece]) -> float:
    """Find the step from the thicknesses of tiles of different rise; 0 if all rise alike."""
    lowest = min((max(piece.rises) for piece in tiles), default=0)
    low = Counter(piece.thickness_mm for piece in tiles if max(piece.rises) == lowest)
    high = Counter(
        round((piece.thickness_mm - max(low, key=low.__getitem__)) / (max(piece.rises) - lowest), 3)
        for piece in tiles
        if max(piece.rises) > lowest
    )
    return max(high, key=high.__getitem__, default=0.0)


def _digits(rises: tuple[int, ...]) -> str:
    return "".join(str(rise) if 0 <= rise < 10 else f"({rise})" for rise in rises)


def _blanks(sides: frozenset[int]) -> str:
    return " ".join(map(str, sorted(sides)))
