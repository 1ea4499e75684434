"""LegalLevels -> Tiles: which top every cell gets, how it is turned, and what water crosses it."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final, cast

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.catalogue.catalogue import MAX_RISE, WATER, Catalogue
from hexterra.catalogue.tops import mean_rise_of_part
from hexterra.errors import CatalogueError, InfeasibleError
from hexterra.lattice.board import Board
from hexterra.lattice.hexagon import N_SIDES
from hexterra.lattice.lattice import Lattice
from hexterra.stages.levels.legalise import LegalLevels, relegalise
from hexterra.stages.levels.quantise import Levels
from hexterra.stages.tiles.corners import across, start_corners
from hexterra.stages.tiles.cuts import Cuts
from hexterra.stages.tiles.cuts import cuts as cuts_of_water
from hexterra.values import Value, freeze_arrays

#: Rounds of tightening that choose the sides to limit one by one; later ones reach ever wider.
PATIENT_ROUNDS: Final = 8

#: How many cells a note names before it only counts them.
N_NAMED: Final = 12


@dataclass(frozen=True, eq=False, repr=False)
class Tiles(Value):
    """The tile of every cell.

    Parameters
    ----------
    legal
        The levels it was fitted to; n is the number of cells of their lattice.
    catalogue
        What the maker can cut.
    corners
        Built height of corners 0 to 5, (n, 6) int32, in steps above level 0.
    level
        The lowest of them, (n,) int32.
    pattern, turn
        (n,) int16 and int8: ``corners[i, s] == level + rises[pattern][(s - turn) % 6]``.
    crossing, crossing_turn
        (n,) int16 and int8: what water crosses the top, and how it is turned; -1 and 0 where dry.
    cliff
        Sides with a step face, (n, 6) bool, symmetric: the two tops do not meet there.
    cuts
        What is cut into the tops; None where the cells are no board.
    notes
        What could not be met on this board, in sentences.
    """

    legal: LegalLevels
    catalogue: Catalogue
    corners: NDArray[np.int32]
    level: NDArray[np.int32]
    pattern: NDArray[np.int16]
    turn: NDArray[np.int8]
    crossing: NDArray[np.int16]
    crossing_turn: NDArray[np.int8]
    cliff: NDArray[np.bool_]
    cuts: Cuts | None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n = self.lattice.n_cells
        freeze_arrays(
            self,
            ("corners", np.int32, (n, N_SIDES)),
            ("level", np.int32, (n,)),
            ("pattern", np.int16, (n,)),
            ("turn", np.int8, (n,)),
            ("crossing", np.int16, (n,)),
            ("crossing_turn", np.int8, (n,)),
            ("cliff", np.bool_, (n, N_SIDES)),
        )

    @property
    def lattice(self) -> Lattice:
        """The cells."""
        return self.legal.levels.heights.lattice

    @property
    def is_steep(self) -> NDArray[np.bool_]:
        """Cells whose top rises more than one step, (n,) bool."""
        return np.asarray((self.corners - self.level[:, None]).max(axis=1, initial=0) > 1)

    @cached_property
    def mean_level(self) -> NDArray[np.float64]:
        """Mean height of what the board keeps of each top, (n,) float64, in steps above level 0."""
        mean = self.level + self.catalogue.mean_rise[self.pattern]
        board = self.lattice
        if isinstance(board, Board):
            rises = self.corners - self.level[:, None]
            for cell in np.flatnonzero(board.kept.any(axis=1)).tolist():
                kept_x, kept_y = board.kept[cell].tolist()
                top = tuple(rises[cell].tolist())
                mean[cell] = self.level[cell] + mean_rise_of_part(top, board.facing, kept_x, kept_y)
        mean.flags.writeable = False
        return mean

    @cached_property
    def built_m(self) -> NDArray[np.float64]:
        """Ground height that each top stands for on average, (n,) float64, in metres."""
        metres = level_to_metres(self.legal.levels, self.mean_level)
        metres.flags.writeable = False
        return metres

    @cached_property
    def residual_m(self) -> NDArray[np.float64]:
        """`built_m` less the ground's mean height, (n,) float64, in metres."""
        residual = self.built_m - self.legal.levels.heights.mean_m
        residual.flags.writeable = False
        return residual


@checked
def fit(legal: LegalLevels, catalogue: Catalogue, *, cuts: Cuts | None = None) -> Tiles:
    """Give every cell a top from the catalogue, so that tops meet wherever no cliff separates them.

    A lattice corner stands at the highest level of its cells; cells that a marked cliff separates,
    and no third cell joins, each keep their own height there. Around standing water corners stand
    at its level, so that its own tops are level. With ramps of at most one step and no
    marked cliff every such top is a run of raised corners or two opposite pairs, which the default
    catalogue contains. Where ramps may rise two steps, the levels are legalised again until no cell
    has both a top that is not in the catalogue and a neighbour two steps above: each time, of such
    cells that adjoin, the one with the greatest sum of rises (ties go to the lowest number) is
    limited to one step towards those neighbours. After `PATIENT_ROUNDS` of this, all of them are
    limited on all sides, then with their neighbours, then with theirs, and so on. With other sides
    limited, nearer levels may have tops; ``legal.least_cost`` tells how near any can be at most.

    Cells whose top is still not in the catalogue (at the ends of marked cliffs, beside pins or
    because the catalogue is small) get the nearest top from below: with the same lowest corner, no
    corner higher, both corners of a side that water crosses equal, and the greatest sum of rises;
    ties go to the earlier pattern in the catalogue, then to the smaller turn. So do tops that slope
    along such a side, as they may at the foot of a fall over a marked cliff. The sides where tops
    then do not meet are step faces. (Sloping a cliff away where it ends would only move its end to
    the next side.)

    Parameters
    ----------
    legal
        Levels from `legalise`.
    catalogue
        What the maker can cut.
    cuts
        What is cut into the tops, from `hexterra.stages.tiles.cuts.cuts`; by default their water
        alone, of one width.

    Returns
    -------
    Tiles
        Every pattern and crossing is in the catalogue. Off the sides in `cliff`, the two tops of
        every side have the same height at both its corners. Every side that water crosses is
        level in both its cells. Where water leaves a cell that side stands at the cell's `level`;
        neither ports nor levels rise downstream.

    Raises
    ------
    CatalogueError
        If the catalogue lacks a crossing that the water needs.

    Notes
    -----
    Linear in the number of cells, but for the calls of `legalise`.
    """
    legal = _tighten(legal, catalogue)
    notes: tuple[str, ...] = ()
    lattice = legal.levels.heights.lattice
    corners = start_corners(legal)
    level = corners.min(axis=1)
    rises = corners - level[:, None]
    pattern, turn = catalogue.find_patterns(rises)
    ports = _ports(legal)
    is_off = pattern < 0
    is_tilted = ~is_off & (ports & (rises != np.roll(rises, -1, axis=1))).any(axis=1)
    off = np.flatnonzero(is_off | is_tilted)
    if len(off):
        pattern[off], turn[off] = _nearest_below(rises[off], ports[off], catalogue)
        around = (np.arange(N_SIDES) - turn[off, None]) % N_SIDES
        corners[off] = level[off, None] + catalogue.rises[pattern[off, None], around]
        because = (
            (is_off, "No top in the catalogue meets all its neighbours at"),
            (is_tilted, "No top that meets all its neighbours is level where water falls in at"),
        )
        notes = tuple(
            f"{reason} {_name_cells(lattice, np.flatnonzero(cells))}; the nearest below was taken,"
            " with step faces where tops do not meet."
            for cells, reason in because
            if cells.any()
        )
    crossing, crossing_turn = find_crossings(legal, catalogue)
    if cuts is None and isinstance(lattice, Board):
        cuts = cuts_of_water(lattice, catalogue, legal.water)
    return Tiles(
        legal=legal,
        catalogue=catalogue,
        corners=corners,
        level=level,
        pattern=pattern,
        turn=turn,
        crossing=crossing,
        crossing_turn=crossing_turn,
        cliff=_step_faces(lattice, corners),
        cuts=cuts,
        notes=notes,
    )


def level_to_metres(levels: Levels, level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the ground height that built heights stand for: the inverse of ``Levels.position``.

    Parameters
    ----------
    levels
        The thresholds: number j, counted from 0, lies at level j + 0.5. Between them heights are
        interpolated; beyond them a step is `metres_per_step` of ground.
    level
        Built heights, (k,) float64, in steps above level 0.
    """
    thresholds = levels.thresholds_m
    if not len(thresholds):
        return levels.datum_m + level * levels.metres_per_step
    at = np.arange(len(thresholds)) + 0.5
    beyond = level - np.clip(level, at[0], at[-1])
    return np.interp(level, at, thresholds) + beyond * levels.metres_per_step


def _step_faces(lattice: Lattice, corners: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Find the sides whose two tops differ at a corner, (n, 6) bool."""
    first, second = across(lattice, lattice.neighbours >= 0)
    return (corners != corners.take(first)) | (np.roll(corners, -1, axis=1) != corners.take(second))


def note_faces(legal: LegalLevels, cliff: NDArray[np.bool_]) -> tuple[str, ...]:
    """Say which cells have a step face that is on no marked cliff, if any.

    Parameters
    ----------
    legal
        Levels with their marked cliffs.
    cliff
        Sides with a step face, (n, 6) bool, symmetric.
    """
    is_extra = cliff & ~legal.cliff
    if not is_extra.any():
        return ()
    n_faces = np.count_nonzero(is_extra) // 2
    named = _name_cells(legal.levels.heights.lattice, np.flatnonzero(is_extra.any(axis=1)))
    counted = (
        "1 side that is not marked as a cliff"
        if n_faces == 1
        else f"{n_faces:,} sides that are not marked as cliffs"
    )
    return (f"Tops do not meet on {counted}; step faces are at {named}.",)


def _tighten(legal: LegalLevels, catalogue: Catalogue) -> LegalLevels:
    """Legalise with gentler ramps until no side left steep raises a top off the catalogue."""
    asked = legal
    lattice = legal.levels.heights.lattice
    there = lattice.neighbours
    given_up = np.zeros(lattice.n_cells, dtype=bool)
    for n_rounds in itertools.count():
        corners = start_corners(legal)
        rises = corners - corners.min(axis=1, keepdims=True)
        pattern, _ = catalogue.find_patterns(rises)
        is_ramp = (there >= 0) & ~legal.cliff
        is_steep = is_ramp & (legal.level[there] - legal.level[:, None] > 1)
        is_off = (pattern < 0) & ~given_up & is_steep.any(axis=1)
        if not is_off.any():
            break
        if n_rounds < PATIENT_ROUNDS:
            changes = is_steep & _is_first(lattice, is_off, rises.sum(axis=1))[:, None]
            changes |= (there >= 0) & changes[there, lattice.back_sides]
        else:
            is_near = is_off
            for _ in range(n_rounds - PATIENT_ROUNDS):
                is_near = is_near | ((there >= 0) & is_near[there]).any(axis=1)
            changes = is_near[:, None] | ((there >= 0) & is_near[there])
        try:
            legal = relegalise(
                legal, limit=np.where(changes, np.int8(1), legal.limit), cliff=legal.cliff
            )
        except InfeasibleError as error:  # pins stand in the way
            in_conflict = np.zeros_like(is_off)
            in_conflict[list(cast("tuple[int, ...]", error.facts["chain"]))] = True
            in_conflict &= is_off
            given_up |= in_conflict if in_conflict.any() else is_off
    return legal if legal is asked else replace(legal, asked=asked)


def _is_first(
    lattice: Lattice, is_chosen: NDArray[np.bool_], urgency: NDArray[np.int32]
) -> NDArray[np.bool_]:
    """Find the chosen cells that come before all chosen neighbours: by urgency, then number."""
    rank = urgency.astype(np.int64) * lattice.n_cells - np.arange(lattice.n_cells)
    rank[~is_chosen] = np.iinfo(np.int64).min
    beside = np.where(lattice.neighbours >= 0, rank[lattice.neighbours], np.iinfo(np.int64).min)
    return is_chosen & (rank > beside.max(axis=1))


def _nearest_below(
    rises: NDArray[np.int32], ports: NDArray[np.bool_], catalogue: Catalogue
) -> tuple[NDArray[np.int16], NDArray[np.int8]]:
    """Choose the nearest top from below for each row, by the rule that `fit` states."""
    corners_and_ports = np.hstack([np.minimum(rises, MAX_RISE), ports])
    distinct, number = np.unique(corners_and_ports, axis=0, return_inverse=True)
    tops = catalogue.oriented[:, 2:]
    is_sloped = tops != np.roll(tops, -1, axis=1)
    is_below = (tops <= distinct[:, None, :N_SIDES]).all(axis=2)
    crosses_slope = (is_sloped & (distinct[:, None, N_SIDES:] > 0)).any(axis=2)
    total = np.where(is_below & ~crosses_slope, tops.sum(axis=1), -1)
    chosen = catalogue.oriented[total.argmax(axis=1)[number.ravel()]]  # ties go to the first
    return chosen[:, 0].astype(np.int16), chosen[:, 1].astype(np.int8)


def _ports(legal: LegalLevels) -> NDArray[np.bool_]:
    if legal.water is None:
        return np.zeros((legal.levels.heights.lattice.n_cells, N_SIDES), dtype=np.bool_)
    return legal.water.ports


def find_crossings(
    legal: LegalLevels, catalogue: Catalogue
) -> tuple[NDArray[np.int16], NDArray[np.int8]]:
    """Find the crossing and turn of every cell with water; -1 and 0 elsewhere.

    Raises
    ------
    CatalogueError
        If the catalogue lacks one.
    """
    lattice = legal.levels.heights.lattice
    water = legal.water
    if water is None:
        return np.full(lattice.n_cells, -1, dtype=np.int16), np.zeros(lattice.n_cells, np.int8)
    crossing, turn = catalogue.find_crossings(water.kind, water.ports)
    missing = np.flatnonzero((crossing < 0) & (water.kind != 0))
    if len(missing):
        cell = missing[0]
        name = WATER[water.kind[cell]]
        sides = " ".join(str(side) for side in np.flatnonzero(water.ports[cell]))
        raise CatalogueError(
            f"the catalogue has no {name} that joins the sides {sides!r}, which"
            f" {_name_cells(lattice, missing)} would need",
            remedy=f'add a crossing with water = "{name}" and ports = ["{sides}"] to the'
            " catalogue, or raise the threshold from which water is shown",
            cell=lattice.labels[cell],
            water=name,
            ports=sides,
        )
    return crossing, turn


def _name_cells(lattice: Lattice, cells: Iterable[int]) -> str:
    """List cells by name, and only count those beyond `N_NAMED`."""
    names = [lattice.labels[cell] for cell in cells]
    more = len(names) - N_NAMED
    listed = ", ".join(names[:N_NAMED])
    return f"{listed} and {more} more" if more > 0 else listed
