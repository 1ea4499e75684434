"""What if another tile stood in one cell: whether it may, and what it costs.

A whole region is fitted again by ``refine(tiles, frozen=~region)``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import BriefError, CatalogueError
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.search.prices import Prices
from hexterra.stages.search.refined import break_down, build
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.variants.evaluate import find_faults
from hexterra.values import Value


@dataclass(frozen=True, eq=False, repr=False)
class EditedCell(Value):
    """A board with one tile changed by hand.

    Parameters
    ----------
    tiles
        The board.
    cost, cost_before
        What it costs by the same prices, and what it cost before.
    breakdown, breakdown_before
        What each fault costs now, and before.
    faces, faces_before
        Sides of the cell that have a step face now, and that had one before.
    """

    tiles: Tiles
    cost: float
    cost_before: float
    breakdown: tuple[tuple[str, float], ...]
    breakdown_before: tuple[tuple[str, float], ...]
    faces: tuple[int, ...]
    faces_before: tuple[int, ...]


def edit_cell(
    tiles: Tiles,
    cell: int,
    *,
    level: int,
    pattern: str,
    turn: int,
    prices: Prices,
    can_face: NDArray[np.bool_] | None = None,
    frozen: NDArray[np.bool_] | None = None,
    edge_profile: Iterable[tuple[int, int]] = (),
    joint: Iterable[tuple[int, int]] = (),
) -> EditedCell:
    """Put another tile into one cell and say what that costs; all other cells stay as they are.

    Parameters
    ----------
    tiles
        The board.
    cell
        Number of the cell.
    level
        Level of the tile's lowest corner.
    pattern, turn
        Name of the pattern, and by how many sides it is turned.
    prices
        What faults cost.
    can_face
        Sides where a step face can be cut, (n, 6) bool, symmetric; all by default.
    frozen, edge_profile, joint
        As for `refine`.

    Raises
    ------
    BriefError
        If there is no such cell, or the tile is not allowed there, with the reason: out of the
        bounds, pinned elsewhere, too steep, with water that could not run on, off the edge's
        profile, or beside a step face that cannot be cut.
    CatalogueError
        If the catalogue has no such pattern.
    """
    lattice, catalogue = tiles.lattice, tiles.catalogue
    if not 0 <= cell < lattice.n_cells:
        raise BriefError(
            f"cell {cell} does not exist; cells are numbered 0 to {lattice.n_cells - 1}",
            remedy="give the number of a cell of the board",
            key="cell",
            value=cell,
        )
    names = [known.name for known in catalogue.patterns]
    if pattern not in names:
        raise CatalogueError(
            f"the catalogue has no pattern {pattern!r}; it has {', '.join(names)}",
            remedy="choose one of these, or add the pattern to the catalogue",
            pattern=pattern,
        )
    if turn not in range(N_SIDES):
        raise BriefError(
            f"turn is {turn}; it must be from 0 to {N_SIDES - 1} sides counter-clockwise",
            remedy="choose a turn in that range",
            key="turn",
            value=turn,
        )
    rises = np.roll(catalogue.patterns[names.index(pattern)].rises, turn)
    corners = tiles.corners.copy()
    corners[cell] = level + rises
    choices, faults = find_faults(
        tiles, corners, prices=prices, can_face=can_face, frozen=frozen,
        edge_profile=edge_profile, joint=joint,
    )  # fmt: skip
    if faults:
        raise BriefError(
            f"a {pattern} tile turned by {turn} at level {level} is not allowed in"
            f" {lattice.labels[cell]}: {'; '.join(fault.words for fault in faults)}",
            remedy="choose another level, pattern or turn, or lift the rule",
            cell=lattice.labels[cell],
            level=level,
            pattern=pattern,
            turn=turn,
        )
    edited = build(choices, corners)
    return EditedCell(
        tiles=edited,
        cost=choices.price_board(corners),
        cost_before=choices.price_board(tiles.corners),
        breakdown=break_down(choices, corners, prices, 0.0, None),
        breakdown_before=break_down(choices, tiles.corners, prices, 0.0, None),
        faces=tuple(np.flatnonzero(edited.cliff[cell]).tolist()),
        faces_before=tuple(np.flatnonzero(tiles.cliff[cell]).tolist()),
    )
