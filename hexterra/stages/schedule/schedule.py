"""Tiles -> Schedule: which pieces to make, how many of each, and what stands where."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import cast, get_args

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.catalogue.catalogue import Catalogue
from hexterra.errors import BoardError, BriefError
from hexterra.lattice.board import Board
from hexterra.lattice.hexagon import N_SIDES, Part, cut_of
from hexterra.stages.schedule.pieces import FOOTINGS, HANDS, PARTS, Footings, Piece, PieceKind
from hexterra.stages.schedule.stacks import compose_stacks
from hexterra.stages.tiles.cuts import Cuts
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.tiles.tile_kinds import N_MARKS, kind_of_marks, marks_of
from hexterra.values import Value, freeze_arrays


@dataclass(frozen=True, eq=False, repr=False)
class Schedule(Value):
    """Everything to make, and where it stands.

    Parameters
    ----------
    tiles
        The fitted board; n is its number of cells.
    step_mm
        Height of one step.
    pieces
        All distinct pieces: tiles in the order of the catalogue, spacers from thick to thin,
        footings; each in the order of `PARTS`.
    piece
        The tile of each cell, (n,) int32, a number in `pieces`.
    turn
        How far the pattern of each cell is turned, (n,) int8. For whole tiles it is also how far
        the *piece* is turned, crossing and all: it differs from ``tiles.turn`` only where the
        pattern looks the same in both turns.
    stacks_mm
        Spacers under a tile by its level, thickest (lowest) first, in millimetres; empty for
        levels that no tile has.
    footing
        What each stack stands on, (n,) int8, a number in `FOOTINGS`.
    notes
        What deserves a look, in sentences.
    """

    tiles: Tiles
    step_mm: float
    pieces: tuple[Piece, ...]
    piece: NDArray[np.int32]
    turn: NDArray[np.int8]
    stacks_mm: tuple[tuple[float, ...], ...]
    footing: NDArray[np.int8]
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n = self.tiles.lattice.n_cells
        freeze_arrays(
            self,
            ("piece", np.int32, (n,)),
            ("turn", np.int8, (n,)),
            ("footing", np.int8, (n,)),
        )

    @property
    def board(self) -> Board:
        """The lattice."""
        return cast("Board", self.tiles.lattice)

    @property
    def cuts(self) -> Cuts:
        """What is cut into the tops."""
        return cast("Cuts", self.tiles.cuts)

    @cached_property
    def piece_names(self) -> tuple[str, ...]:
        """Name of each cell's tile."""
        names = [piece.name for piece in self.pieces]
        return tuple(names[number] for number in self.piece.tolist())

    @cached_property
    def spacers_mm(self) -> tuple[tuple[float, ...], ...]:
        """Spacers under each cell's tile, from the lowest, in millimetres."""
        return tuple(self.stacks_mm[level] for level in self.tiles.level.tolist())

    @cached_property
    def footing_names(self) -> tuple[str, ...]:
        """Name of the footing of each cell, "" if it has none."""
        rows = zip(self.footing.tolist(), self.board.parts, strict=True)
        return tuple(_part_name(f"{FOOTINGS[k]} footing", part) if k else "" for k, part in rows)


@checked
def schedule(
    tiles: Tiles,
    *,
    step_mm: float = 7.5,
    stock_thickness_mm: Sequence[float] = (7.5, 15.0, 30.0),
    footings: Footings = "keyed rim",
    tall_stack_mm: float = 150.0,
    tile_mm: float = 15.0,
    footing_mm: float = 15.0,
) -> Schedule:
    """Count the pieces of a board and compose its stacks.

    Two whole tiles are the same piece if one can be turned into the other, all cuts included. A
    cut tile cannot be turned freely: it is the same piece as another if pattern and crossing lie
    alike to the cut, so a half from one edge of the board equals a half from the opposite edge
    turned by 180 degrees, and quarters come left and right handed. Spacers and footings are flat
    blocks, which can also be flipped over. A stack has the fewest spacers that add up to its level
    exactly, in whole micrometres; of equally many, the thickest first.

    Parameters
    ----------
    tiles
        Fitted tiles of a `Board`.
    step_mm
        Height of one step, in millimetres.
    stock_thickness_mm
        Thicknesses of spacers that can be cut, in millimetres, in any order.
    footings
        "keyed rim" holds the stacks along the rim to the base, so that nothing slides out, and
        seats the rest plainly, which is quicker to cut; "plain" seats all; "none" has none.
    tall_stack_mm
        Stacks of spacers higher than this are noted.
    tile_mm
        Thickness of a tile at its lowest corner: a full layer; common practice, no source.
    footing_mm
        Thickness of a footing: the same.

    Returns
    -------
    Schedule
        The counts of its tiles, and of its footings if any, add up to the number of cells; each
        cell's spacers add up to ``level * step_mm``.

    Raises
    ------
    BoardError
        If the lattice is no board.
    BriefError
        If `step_mm` is not above 0 or not a whole number of micrometres, or `footings` is no such
        word.
    StockError
        If a stocked thickness is not above 0 or not a whole number of micrometres, none is given,
        or a level cannot be composed.
    """
    board = tiles.lattice
    if not isinstance(board, Board):
        raise BoardError(
            f"a {type(board).__name__} has no schedule: its cells are not tiles of one size",
            remedy="plan a board for the part of it that you want to build",
        )
    if footings not in get_args(Footings):
        raise BriefError(
            f"footings is {footings!r}; it must be one of {', '.join(get_args(Footings))}",
            remedy="choose one of them",
            key="footings",
            value=footings,
        )
    stacks_mm = compose_stacks(tiles.level, board.labels, step_mm, stock_thickness_mm)
    part, hand, origin = _parts(board)
    key, turn = _piece_keys(tiles, part, hand, origin)
    distinct, piece, counts = np.unique(key, return_inverse=True, return_counts=True)
    columns = np.column_stack(np.unravel_index(distinct, _key_shape(tiles.catalogue)))
    made = [
        _tile_piece(tiles.catalogue, row, count, step_mm, tile_mm)
        for row, count in zip(columns.tolist(), counts.tolist(), strict=True)
    ]
    footing = np.zeros(board.n_cells, dtype=np.int8)
    if footings != "none":
        is_keyed = board.is_rim & (footings == "keyed rim")
        footing[:] = np.where(is_keyed, FOOTINGS.index("keyed"), FOOTINGS.index("plain"))
    made += _spacer_pieces(tiles, part, stacks_mm)
    made += _footing_pieces(footing, part, footing_mm)
    return Schedule(
        tiles=tiles,
        step_mm=step_mm,
        pieces=tuple(made),
        piece=piece.ravel().astype(np.int32),
        turn=turn,
        stacks_mm=stacks_mm,
        footing=footing,
        notes=_tall_stacks(tiles, board, step_mm, tall_stack_mm),
    )


def _key_shape(catalogue: Catalogue) -> tuple[int, ...]:
    """How many pattern, part, hand, turn, crossing (or none) and six sides a tile can have."""
    n_crossings = len(catalogue.crossings) + 1
    n_sides = N_MARKS**N_SIDES
    return len(catalogue.patterns), len(PARTS), len(HANDS), N_SIDES, n_crossings, n_sides


def _piece_keys(
    tiles: Tiles,
    part: NDArray[np.int64],
    hand: NDArray[np.int64],
    origin: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """Return the number of each cell's piece in `_key_shape`, and its pattern's turn, (n,) each.

    What is cut across the sides is numbered in the order in which it reads: side 0 is the highest
    digit, and the number is taken from the greatest.
    """
    side = np.arange(N_SIDES)
    marks = marks_of(cast("Cuts", tiles.cuts))
    # By turn: the sides as numbered in a piece that is turned so far.
    turned = marks[:, (side + side[:, None]) % N_SIDES]
    number = turned @ N_MARKS ** side[::-1]
    period = np.array([pattern.period for pattern in tiles.catalogue.patterns])
    looks_alike = (side - side[:, None]) % period[:, None, None] == 0  # pattern, turn, other turn

    is_whole = part == PARTS.index("whole")
    candidate = np.where(looks_alike[tiles.pattern, tiles.turn], number, -1)
    turn = np.where(is_whole, candidate.argmax(axis=1), tiles.turn)
    frame = np.where(is_whole, turn, origin)
    columns = (
        tiles.pattern,
        part,
        hand,
        (turn - frame) % period[tiles.pattern],
        tiles.crossing + 1,
        N_MARKS**N_SIDES - 1 - number[np.arange(len(part)), frame],
    )
    key = np.ravel_multi_index(columns, _key_shape(tiles.catalogue))
    return key.astype(np.int64), turn.astype(np.int8)


def _parts(board: Board) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return part, hand and where the piece's numbering starts on the cell, (n,) int64 each."""
    cuts = [[cut_of(board.facing, x, y) for y in (-1, 0, 1)] for x in (-1, 0, 1)]
    table = np.array(
        [
            [(PARTS.index(part), HANDS.index(hand), origin) for part, hand, origin in row]
            for row in cuts
        ],
        dtype=np.int64,
    )
    found = table[board.kept[:, 0] + 1, board.kept[:, 1] + 1]
    return found[:, 0], found[:, 1], found[:, 2]


def _tile_piece(
    catalogue: Catalogue, columns: list[int], count: int, step_mm: float, tile_mm: float
) -> Piece:
    """Describe a tile from its place in `_key_shape`."""
    number, part_number, hand_number, turn, crossing_number, rest = columns
    pattern = catalogue.patterns[number]
    part, hand = PARTS[part_number], HANDS[hand_number]
    crossed = catalogue.crossings[crossing_number - 1] if crossing_number else None
    crossing, water = (crossed.name, crossed.water) if crossed else ("", "")
    marks = np.unravel_index(N_MARKS**N_SIDES - 1 - rest, (N_MARKS,) * N_SIDES)
    sides = [int(mark) for mark in marks]
    kind = kind_of_marks(pattern.name, part, hand, turn, crossing, sides)
    return Piece(
        kind="tile",
        name=kind.describe(turned=pattern.period > 1),
        thickness_mm=tile_mm + max(pattern.rises) * step_mm,
        count=count,
        water=water,
        **kind._asdict(),
    )


def _spacer_pieces(
    tiles: Tiles, part: NDArray[np.int64], stacks_mm: tuple[tuple[float, ...], ...]
) -> list[Piece]:
    """Count spacers by thickness and part."""
    needed: Counter[tuple[float, int]] = Counter()
    cells, counts = np.unique(tiles.level * len(PARTS) + part, return_counts=True)
    for cell, count in zip(cells.tolist(), counts.tolist(), strict=True):
        level, number = divmod(cell, len(PARTS))
        for thickness in stacks_mm[level]:
            needed[-thickness, number] += count
    return [
        _block("spacer", f"spacer {-minus_mm:g} mm", PARTS[number], -minus_mm, count)
        for (minus_mm, number), count in sorted(needed.items())
    ]


def _footing_pieces(
    footing: NDArray[np.int8], part: NDArray[np.int64], footing_mm: float
) -> list[Piece]:
    """Count footings by kind and part."""
    cells, counts = np.unique(footing * len(PARTS) + part, return_counts=True)
    return [
        _block(
            "footing",
            f"{FOOTINGS[cell // len(PARTS)]} footing",
            PARTS[cell % len(PARTS)],
            footing_mm,
            count,
        )
        for cell, count in zip(cells.tolist(), counts.tolist(), strict=True)
        if FOOTINGS[cell // len(PARTS)]
    ]


def _part_name(name: str, part: Part) -> str:
    return name if part == "whole" else f"{name}, {part}"


def _block(kind: PieceKind, name: str, part: Part, thickness_mm: float, count: int) -> Piece:
    return Piece(
        kind=kind,
        name=_part_name(name, part),
        part=part,
        hand="",
        pattern="",
        turn=0,
        crossing="",
        ports=(),
        thickness_mm=thickness_mm,
        count=count,
    )


def _tall_stacks(
    tiles: Tiles, board: Board, step_mm: float, tall_stack_mm: float
) -> tuple[str, ...]:
    """Note stacks that may topple."""
    tall = np.flatnonzero(tiles.level * step_mm > tall_stack_mm)
    if not len(tall):
        return ()
    tallest = int(tiles.level.argmax())
    stacks = "stack" if len(tall) == 1 else "stacks"
    return (
        f"{len(tall):,} {stacks} of spacers above {tall_stack_mm:g} mm, the highest"
        f" {tiles.level[tallest] * step_mm:g} mm at {board.labels[tallest]}: glue or pin them, or"
        " raise datum_m.",
    )
