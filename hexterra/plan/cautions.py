"""What a maker may not expect of a board: flattened levels, cut summits, much water, many kinds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.fidelity.landforms import find_summits

if TYPE_CHECKING:
    from hexterra.stages.schedule.schedule import Schedule

#: Share of the cells from which flattened levels are noted; and of wet cells and kinds of tiles.
FLATTENED: Final = 0.05
MANY: Final = 0.2


def cautions(pieces: Schedule, step_m: float) -> tuple[str, ...]:
    """Note what a maker may not expect of a board, in sentences.

    Parameters
    ----------
    pieces
        The board.
    step_m
        Ground height of a step, in metres. Tops farther off their ground are flattened.
    """
    tiles, board = pieces.tiles, pieces.board
    n, notes = board.n_cells, list[str]()
    off_m = np.abs(tiles.residual_m)
    n_off = int((off_m > step_m).sum())
    if n_off > FLATTENED * n:
        notes.append(
            f"Levels are flattened: {n_off:,} of {n:,} tops lie more than a step off their ground,"
            f" up to {off_m.max():,.0f} m, where it is steeper than ramps may be."
        )
    summits = find_summits(board, tiles.legal.levels.heights.mean_m, tiles.built_m, step_m)
    if summits.n_lost:
        notes.append(
            f"Summits are cut: {summits.n_lost:,} of {summits.n:,} that rise more than a step are"
            " built no higher than a cell beside them."
        )
    n_wet = 0 if tiles.legal.water is None else int(tiles.legal.water.is_watercourse.sum())
    if n_wet > MANY * n:
        notes.append(
            f"Much of the board is wet: {n_wet:,} of {n:,} cells; a greater water.threshold_km2"
            " leaves more dry."
        )
    n_kinds = sum(piece.kind == "tile" for piece in pieces.pieces)
    if n_kinds > MANY * n:
        notes.append(
            f"The {n:,} tiles are of {n_kinds:,} kinds, each with its own cuts;"
            ' fit.prefer = "fewest different pieces" or ramps.limit = 1 needs fewer.'
        )
    return tuple(notes)
