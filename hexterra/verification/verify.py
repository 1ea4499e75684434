"""After the run: rebuild the board from the tables alone and look for anything that does not fit.

This package stands apart on purpose. It shares no geometry, no neighbour table and no catalogue
with the rest of hexterra: neighbours are found from the printed positions, patterns from the
printed heights. What it cannot rebuild from ``tiles.csv`` and ``schedule.csv`` a maker could not
build either.
"""

from __future__ import annotations

from pathlib import Path

from hexterra.verification.board_outline import find_outline
from hexterra.verification.check_cuts import check_cuts, check_finishing, check_roads, n_road_sides
from hexterra.verification.check_ground import check_ground
from hexterra.verification.check_levels import check_residuals
from hexterra.verification.check_pieces import check_pieces, check_schedule, check_thicknesses
from hexterra.verification.check_places import check_places
from hexterra.verification.check_tiles import (
    check_counts,
    check_footings,
    check_seams,
    check_stacks,
    check_tops,
)
from hexterra.verification.check_water import check_crossings, check_standing, check_water
from hexterra.verification.rebuilt_board import assemble
from hexterra.verification.table_rows import read_document, read_schedule, read_tiles
from hexterra.verification.verdict import Finding, Verdict

__all__ = ["Finding", "Verdict", "verify"]


def verify(directory: str | Path) -> Verdict:
    """Rebuild the board from the tables in `directory` and report all that does not fit.

    Parameters
    ----------
    directory
        A plan folder with ``tiles.csv`` and ``schedule.csv``. Of ``plan.json``, if there is one,
        only ``corner0_deg``, ``across_flats_mm`` of the board and, of ``heights``, the ground that
        steps stand for are used. Without it size and angle of the cells are inferred from the
        positions, for which most cells must adjoin, and residuals are not compared.

    Returns
    -------
    Verdict
        Findings in the order of the checks, then of the rows. Equal folders give equal verdicts.

    Raises
    ------
    PlanFolderError
        If a table is missing, lacks a column, is empty, or holds something that cannot be read;
        the error names the file, line, column and value.
    """
    folder = Path(directory)
    tiles = tuple(read_tiles(folder / "tiles.csv"))
    pieces = tuple(read_schedule(folder / "schedule.csv"))
    document = read_document(folder / "plan.json")
    board, findings = assemble(tiles, document)
    outline = find_outline(board)
    findings.extend(check_tops(board))
    findings.extend(check_seams(board))
    findings.extend(check_water(board))
    findings.extend(check_standing(board))
    findings.extend(check_crossings(board))
    findings.extend(check_cuts(board))
    findings.extend(check_roads(board))
    findings.extend(check_places(board, outline))
    findings.extend(check_ground(board))
    if document is not None:
        findings.extend(check_residuals(board, outline, document.steps))
    findings.extend(check_pieces(board, outline, pieces))
    findings.extend(check_stacks(board))
    findings.extend(check_footings(board))
    findings.extend(check_schedule(pieces))
    findings.extend(check_thicknesses(board, pieces))
    findings.extend(check_counts(board, pieces))
    findings.extend(check_finishing(board, pieces))
    n_seams = int((board.across >= 0).sum()) // 2
    return Verdict(
        tuple(findings),
        (
            ("cells", len(tiles)),
            ("seams", n_seams),
            ("step faces", sum(len(tile.cliffs) for tile in tiles) // 2),
            ("ports", sum(len(tile.ports) for tile in tiles)),
            ("roads over sides", n_road_sides(tiles)),
            ("rows of the schedule", len(pieces)),
            ("spacers", sum(len(tile.spacers) for tile in tiles)),
        ),
    )
