"""Watercourses + Ways -> Cuts: what is cut into the tops of the cells, side by side.

The width of water, the form of its banks, where it runs off the board, and where a road is sunk
into the ground. `schedule` distinguishes pieces by it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.water.flow import WaterKind
from hexterra.values import Value, freeze_arrays

if TYPE_CHECKING:
    from hexterra.catalogue.catalogue import Catalogue
    from hexterra.lattice.board import Board
    from hexterra.lattice.lattice import Lattice
    from hexterra.stages.mapping.ways import Ways
    from hexterra.stages.water.flow import Watercourses

#: Most width classes of water.
MAX_WIDTHS: Final = 4


@dataclass(frozen=True, eq=False, repr=False)
class Cuts(Value):
    """What is cut into the tops of n cells beside their patterns.

    Parameters
    ----------
    lattice
        The cells.
    width
        Width class of the water on each side that it crosses, that by which it runs off the board
        included, (n, 6) int8; 0 elsewhere. A side has the width of the cell that its water comes
        from, so both its cells agree.
    upright
        Of these sides, those with vertical banks, (n, 6) bool.
    leaves
        Side of a whole rim tile by which water runs off the board or comes onto it, (n,) int8; -1
        for none. In a tile that the board's edge cuts, water runs through the cut.
    road
        Sides that a sunken road crosses, (n, 6) bool, symmetric but where one cell of a side
        cannot have it cut.
    road_leaves
        Side of a whole rim tile by which a sunken road runs off the board, (n,) int8; -1 for none.
    notes
        Where a sunken road cannot be cut, in sentences.
    """

    lattice: Lattice
    width: NDArray[np.int8]
    upright: NDArray[np.bool_]
    leaves: NDArray[np.int8]
    road: NDArray[np.bool_]
    road_leaves: NDArray[np.int8]
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n = self.lattice.n_cells
        freeze_arrays(
            self,
            ("width", np.int8, (n, N_SIDES)),
            ("upright", np.bool_, (n, N_SIDES)),
            ("leaves", np.int8, (n,)),
            ("road", np.bool_, (n, N_SIDES)),
            ("road_leaves", np.int8, (n,)),
        )


def cuts(
    board: Board,
    catalogue: Catalogue,
    water: Watercourses | None = None,
    *,
    width: NDArray[np.int8] | None = None,
    upright: NDArray[np.bool_] | None = None,
    roads: Ways | None = None,
    sunken: Iterable[str] = (),
) -> Cuts:
    """Work out what is cut into each top.

    Parameters
    ----------
    board
        The cells.
    catalogue
        What the maker can cut: the sets of sides that a sunken road may join.
    water
        Where water runs; None for none.
    width
        Width class of the water in each cell, (n,) int8, 1 to `MAX_WIDTHS`, from `width_classes`;
        all 1 by default.
    upright
        Cells whose water has vertical banks, (n,) bool, from `upright_cells`; none by default.
    roads, sunken
        Ways, and the kinds of them that are sunk into the ground.

    Returns
    -------
    Cuts
        Where a road meets water in a cell, or joins sides that the catalogue does not have, it is
        not cut, but laid on top; `notes` name the latter.
    """
    n = board.n_cells
    here = np.arange(n)
    wide, is_upright = np.zeros((n, N_SIDES), np.int8), np.zeros((n, N_SIDES), np.bool_)
    leaves = np.full(n, -1, dtype=np.int8)
    if water is not None:
        of_cell = water.is_watercourse.astype(np.int8) if width is None else width
        stands = np.zeros(n, np.bool_) if upright is None else upright
        goes_on = np.isin(water.kind, (WaterKind.MOUTH, WaterKind.ENTRY))
        leaves = exit_sides(board, goes_on, water.ports, ~water.ports)
        comes_from = np.where(
            np.arange(N_SIDES) == water.outflow[:, None], here[:, None], board.neighbours
        )
        wide = np.where(water.ports, of_cell[comes_from], 0).astype(np.int8)
        is_upright = water.ports & stands[comes_from]
        out = np.flatnonzero(leaves >= 0)
        wide[out, leaves[out]] = np.maximum(of_cell[out], wide[out].max(axis=1))
        is_upright[out, leaves[out]] = stands[out]

    road, road_leaves = np.zeros((n, N_SIDES), np.bool_), np.full(n, -1, np.int8)
    notes: tuple[str, ...] = ()
    chosen = set(sunken)
    if roads is not None and chosen & set(roads.kinds):
        road, road_leaves, notes = _sink(board, catalogue, water, leaves, roads, chosen)
    return Cuts(board, wide, is_upright, leaves, road, road_leaves, notes)


def _sink(
    board: Board,
    catalogue: Catalogue,
    water: Watercourses | None,
    leaves: NDArray[np.int8],
    roads: Ways,
    chosen: set[str],
) -> tuple[NDArray[np.bool_], NDArray[np.int8], tuple[str, ...]]:
    """Return the sides that sunken roads cross, those by which they run off, and notes."""
    is_chosen = np.array([kind in chosen for kind in roads.kinds])
    wanted: NDArray[np.bool_] = np.asarray(roads.ports[is_chosen].any(axis=0), dtype=np.bool_)
    goes_off: NDArray[np.bool_] = np.zeros(board.n_cells, np.bool_)
    for way in roads.ways:
        if way.kind in chosen:
            goes_off[way.cells[0]] |= way.from_edge
            goes_off[way.cells[-1]] |= way.to_edge
    is_free: NDArray[np.bool_] = np.ones(wanted.shape, np.bool_)
    if water is not None:
        is_wet = water.is_watercourse
        wanted, goes_off = wanted & ~is_wet[:, None], goes_off & ~is_wet
        is_free[leaves >= 0, leaves[leaves >= 0]] = False
    out = exit_sides(board, goes_off & wanted.any(axis=1), wanted, is_free & ~wanted)
    joined = wanted.copy()
    joined[out >= 0, out[out >= 0]] = True
    can_cut = catalogue.has_road[joined @ (1 << np.arange(N_SIDES))]
    refused = np.flatnonzero(wanted.any(axis=1) & ~can_cut)
    notes = tuple(
        f"The sunken road in {board.labels[cell]} joins the sides"
        f" {' '.join(map(str, np.flatnonzero(joined[cell])))}, which no sunken road in the"
        " catalogue joins; it is laid on top there."
        for cell in refused.tolist()
    )
    return wanted & can_cut[:, None], np.where(can_cut, out, -1).astype(np.int8), notes


def exit_sides(
    board: Board,
    goes_off: NDArray[np.bool_],
    ports: NDArray[np.bool_],
    is_free: NDArray[np.bool_],
) -> NDArray[np.int8]:
    """Find the side by which a line runs off each whole tile.

    It is the free side without a neighbour that is farthest around from all ports; ties go to the
    first.

    Parameters
    ----------
    board
        The n cells.
    goes_off
        Cells where the line goes on beyond the board, (n,) bool.
    ports
        Sides that it crosses, (n, 6) bool.
    is_free
        Sides that it may take, (n, 6) bool.

    Returns
    -------
    (n,) int8; -1 for none.
    """
    is_open = np.asarray((board.neighbours < 0) & is_free & goes_off[:, None])
    is_open[np.any(board.kept != 0, axis=1)] = False
    side = np.arange(N_SIDES)
    turns = abs(side[:, None] - side)
    between = np.minimum(turns, N_SIDES - turns)
    apart = np.where(ports[:, None, :], between, N_SIDES).min(axis=2)
    return np.where(is_open.any(axis=1), np.where(is_open, apart, -1).argmax(axis=1), -1).astype(
        np.int8
    )
