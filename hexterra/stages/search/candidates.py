"""Tiles -> Choices: every tile that each cell may get, and what each of them and each side costs.

`refine` searches for the cheapest board among them. The prices are the whole model; nothing is
added to it later.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.catalogue.catalogue import CODE_WEIGHTS, MAX_RISE, Catalogue
from hexterra.kernels.board.local_moves import Candidates
from hexterra.kernels.board.tile_costs import (
    INFEASIBLE,
    BaseLevels,
    BoardSides,
    TargetHeights,
    price_labels,
)
from hexterra.kernels.compiled import frozen
from hexterra.lattice.board import Board
from hexterra.lattice.hexagon import N_SIDES, corner_offsets
from hexterra.lattice.lattice import Lattice
from hexterra.stages.levels.quantise import Levels
from hexterra.stages.search.cell_settings import Settings, settings_of
from hexterra.stages.search.prices import FORBIDDEN, Prices
from hexterra.stages.tiles.fit import Tiles
from hexterra.values import Value, freeze_arrays

#: All cells of a board.
ALL: Final = slice(None)


@dataclass(frozen=True, eq=False, repr=False)
class Choices(Value):
    """Every tile that each of n cells may get, priced.

    Parameters
    ----------
    tiles
        The board to start from.
    settings
        What the oriented patterns are, and in what cells differ apart from their ground.
    lowest, n_bases
        The base levels a cell may have, (n,) int32 each: so many from the lowest on.
    first
        Where the prices of each cell begin, (n + 1,) int64.
    price
        Price of each label: that of oriented pattern p on base ``lowest[i] + b`` is at
        ``first[i] + b * n_oriented + p``; `INFEASIBLE` where a tile is not allowed.
    fixed, per_step
        What a step face on each side costs, and what each step of its mean height, (n, 6) float64.
    falls
        1 where the far side may not be higher, -1 where it may not be lower, else 0, (n, 6) int8.
    joint
        Lattice corners and the height in steps that another board has there.
    joint_prices
        What a tile pays for such a corner at another height, and for each step between.
    """

    tiles: Tiles
    settings: Settings
    lowest: NDArray[np.int32]
    n_bases: NDArray[np.int32]
    first: NDArray[np.int64]
    price: NDArray[np.float64]
    fixed: NDArray[np.float64]
    per_step: NDArray[np.float64]
    falls: NDArray[np.int8]
    joint: tuple[tuple[int, int], ...]
    joint_prices: tuple[float, float]

    def __post_init__(self) -> None:
        n = self.tiles.lattice.n_cells
        freeze_arrays(
            self,
            ("lowest", np.int32, (n,)),
            ("n_bases", np.int32, (n,)),
            ("first", np.int64, (n + 1,)),
            ("price", np.float64, (None,)),
            ("fixed", np.float64, (n, N_SIDES)),
            ("per_step", np.float64, (n, N_SIDES)),
            ("falls", np.int8, (n, N_SIDES)),
        )

    @property
    def n_oriented(self) -> int:
        """How many oriented patterns there are."""
        return len(self.settings.rises)

    @cached_property
    def candidates(self) -> Candidates:
        """The tiles that cells may get, for the kernels."""
        oriented_of_code = np.full(3**N_SIDES, -1, dtype=np.int16)
        oriented_of_code[self.settings.rises @ CODE_WEIGHTS] = np.arange(self.n_oriented)
        return Candidates(
            lowest=self.lowest,
            first=self.first,
            price=self.price,
            rises=self.settings.rises,
            setting=self.settings.setting,
            oriented_of_code=frozen(oriented_of_code),
        )

    @property
    def sides(self) -> BoardSides:
        """The sides of the cells, for the kernels."""
        lattice = self.tiles.lattice
        return BoardSides(
            lattice.neighbours, lattice.back_sides, self.fixed, self.per_step, self.falls
        )

    def labels(
        self, corners: NDArray[np.int32], cells: NDArray[np.intp] | slice = ALL
    ) -> NDArray[np.int32]:
        """Return the label of each cell with these corners, (n,) int32; -1 if it has none.

        Of some `cells` only if these are given, here and in `top_prices`.
        """
        corners, lowest = corners[cells], self.lowest[cells]
        base = corners.min(axis=1)
        rises = corners - base[:, None]
        code = np.minimum(rises, MAX_RISE) @ CODE_WEIGHTS
        oriented = self.candidates.oriented_of_code[code]
        label = (base - lowest) * np.int32(self.n_oriented) + oriented
        is_known = (oriented >= 0) & (rises.max(axis=1) <= MAX_RISE)
        is_known &= (base >= lowest) & (base < lowest + self.n_bases[cells])
        return np.where(is_known, label, -1).astype(np.int32)

    def top_prices(
        self, corners: NDArray[np.int32], cells: NDArray[np.intp] | slice = ALL
    ) -> NDArray[np.float64]:
        """Price the tile of each cell, (n,) float64; `INFEASIBLE` or more if it is not allowed."""
        label = self.labels(corners, cells)
        return np.where(label >= 0, self.price[self.first[:-1][cells] + label], INFEASIBLE)

    def faces(self, corners: NDArray[np.int32]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Return how far apart tops are on each seam, and where water would have to rise.

        In the order of the lattice's `seams`, (n_seams,) each: the mean difference in steps at
        the seam's two corners, and whether a corner is higher on the side that water runs to.
        """
        return self._faces(corners, *self.tiles.lattice.seams.T)

    def _faces(
        self, corners: NDArray[np.int32], cell: NDArray[np.intp], side: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        lattice = self.tiles.lattice
        other, back = lattice.neighbours[cell, side], lattice.back_sides[cell, side]
        first = corners[cell, side] - corners[other, (back + 1) % N_SIDES]
        second = corners[cell, (side + 1) % N_SIDES] - corners[other, back]
        return faces_between(first, second, self.falls[cell, side])

    def face_prices(self, corners: NDArray[np.int32]) -> NDArray[np.float64]:
        """Price each seam, in the order of the lattice's `seams`, (n_seams,) float64."""
        return self._face_prices(corners, *self.tiles.lattice.seams.T)

    def _face_prices(
        self, corners: NDArray[np.int32], cell: NDArray[np.intp], side: NDArray[np.intp]
    ) -> NDArray[np.float64]:
        apart, is_uphill = self._faces(corners, cell, side)
        return price_faces(apart, is_uphill, self.fixed[cell, side], self.per_step[cell, side])

    def face_price(
        self, cell: int, side: int, mine: tuple[int, int], theirs: tuple[int, int]
    ) -> float:
        """Price one side between tops with these corner heights there."""
        first, second = mine[0] - theirs[0], mine[1] - theirs[1]
        falls = int(self.falls[cell, side])
        if min(falls * first, falls * second) < 0:
            return INFEASIBLE
        apart = 0.5 * (abs(first) + abs(second))
        rise = float(self.per_step[cell, side]) * apart
        return float(self.fixed[cell, side]) + rise if apart > 0.0 else 0.0

    def joint_price(self, corners: NDArray[np.int32]) -> float:
        """Return the part of a board's top prices that is for corners that miss another board's."""
        fixed, per_step = self.joint_prices
        total = 0.0
        for corner, height in self.joint:
            off = np.abs(corners[self.tiles.lattice.corner_of == corner] - height)
            total += float(np.where(off > 0, fixed + per_step * off, 0.0).sum())
        return total

    def price_board(self, corners: NDArray[np.int32]) -> float:
        """Return what a board with these corner heights, (n, 6), costs."""
        return float(self.top_prices(corners).sum() + self.face_prices(corners).sum())

    def price_around(self, cells: NDArray[np.intp], corners: NDArray[np.int32]) -> float:
        """Return what the tiles of some cells, ascending, and all their faces cost on a board."""
        neighbours = self.tiles.lattice.neighbours
        place, side = np.nonzero(neighbours[cells] >= 0)
        other = neighbours[cells[place], side]
        is_met_twice = cells[np.minimum(np.searchsorted(cells, other), len(cells) - 1)] == other
        face = self._face_prices(corners, cells[place], side)
        top = self.top_prices(corners, cells)
        return float(top.sum() + np.where(is_met_twice, 0.5 * face, face).sum())


def faces_between(
    first: NDArray[np.int32], second: NDArray[np.int32], falls: NDArray[np.int8]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return how far apart tops are on sides on average, and where water would have to rise.

    `first` and `second` are by how much the one top is higher than the other at the side's two
    corners, in steps; `falls` is as in `Choices`.
    """
    is_uphill = np.minimum(falls * first, falls * second) < 0
    return 0.5 * (np.abs(first) + np.abs(second)), is_uphill


def price_faces(
    apart: NDArray[np.float64],
    is_uphill: NDArray[np.bool_],
    fixed: NDArray[np.float64],
    per_step: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Price sides by the result of `faces_between`; `INFEASIBLE` where water would have to rise."""
    price = np.where(apart > 0.0, fixed + per_step * apart, 0.0)
    return np.where(is_uphill, INFEASIBLE, price)


def choose_among(
    tiles: Tiles,
    prices: Prices,
    *,
    catalogue: Catalogue | None = None,
    reach: int | None = 1,
    closed: NDArray[np.bool_] | None = None,
    frozen: NDArray[np.bool_] | None = None,
    edge_profile: Iterable[tuple[int, int]] = (),
    joint: Iterable[tuple[int, int]] = (),
) -> Choices:
    """List every tile that each cell may get, and price it.

    A cell may stand on every base level within the bounds of the levels; a pinned cell only on its
    pinned level (or where it is). Steep tops are allowed where a ramp of two steps is.

    Parameters
    ----------
    tiles
        The board to start from.
    prices
        What faults cost.
    catalogue
        What can be cut; that of `tiles` if None.
    reach
        How many steps a tile may stand below and above both the ground and its start, at least 0;
        None for no such limit.
    closed
        Sides where the two tops must meet, (n, 6) bool, symmetric.
    frozen
        Cells that keep their tile, (n,) bool.
    edge_profile
        Lattice corners and the height, in steps, that every tile there must have.
    joint
        Lattice corners and the height, in steps, of another board's tops there. A tile whose corner
        is off pays the price of a step face for it, so a side that is off costs two: a step face
        within the board is preferred to one at its joint.
    """
    catalogue = catalogue or tiles.catalogue
    lattice, legal = tiles.lattice, tiles.legal
    settings = settings_of(tiles, prices, catalogue)
    level = np.clip(np.rint(legal.levels.position), legal.lower, legal.upper).astype(np.int32)
    if reach is None:
        reach = legal.upper - legal.lower
    lowest = np.maximum(np.minimum(tiles.level, level) - reach, legal.lower)
    highest = np.minimum(np.maximum(tiles.level, level) + reach, legal.upper)
    for cell, pin in legal.pins:
        lowest[cell] = min(pin, tiles.level[cell])
        highest[cell] = max(pin, tiles.level[cell])
    profile, meets = tuple(edge_profile), tuple(joint)
    for corner, height in (*profile, *meets):
        at = np.argwhere(lattice.corner_of == corner)[:, 0]
        lowest[at] = np.maximum(np.minimum(lowest[at], height - MAX_RISE), legal.lower)
        highest[at] = np.minimum(np.maximum(highest[at], height), legal.upper)
    if frozen is not None:
        lowest[frozen] = highest[frozen] = tiles.level[frozen]
    n_bases = (highest - lowest + 1).astype(np.int32)
    first = np.zeros(lattice.n_cells + 1, dtype=np.int64)
    np.cumsum(n_bases.astype(np.int64) * len(settings.rises), out=first[1:])
    price, bases = np.empty(first[-1]), BaseLevels(lowest, n_bases, first)
    ground = ground_terms(tiles, prices)
    price_labels(ground, settings.oriented, bases, int(legal.upper), price)
    if frozen is not None:
        _keep_only(tiles, settings, np.flatnonzero(frozen), first, price)
    for cells, off in _off_corners(lattice, settings, profile, lowest, first):
        price[cells][off != 0] += FORBIDDEN
    joint_prices = prices.step_face, prices.step_face_rise
    for cells, off in _off_corners(lattice, settings, meets, lowest, first):
        price[cells] += np.where(off != 0, joint_prices[0] + joint_prices[1] * np.abs(off), 0.0)
    is_marked = np.where(legal.cliff, prices.marked_cliff, 1.0)
    fixed = prices.step_face * is_marked
    if closed is not None:
        fixed = np.where(closed, FORBIDDEN, fixed)
    return Choices(
        tiles=tiles,
        settings=settings,
        lowest=lowest,
        n_bases=n_bases,
        first=first,
        price=price,
        fixed=fixed,
        per_step=prices.step_face_rise * is_marked,
        falls=_falls(tiles),
        joint=meets,
        joint_prices=joint_prices,
    )


def count_labels(tiles: Tiles, catalogue: Catalogue | None) -> int:
    """Return how many labels there are on all levels, at most."""
    n_levels = tiles.legal.upper - tiles.legal.lower + 1
    return tiles.lattice.n_cells * n_levels * len((catalogue or tiles.catalogue).oriented)


def ground_terms(tiles: Tiles, prices: Prices) -> TargetHeights:
    """Return target mean (n,) and corner heights (n, 6) in steps, and the weight of each."""
    lattice, levels = tiles.lattice, tiles.legal.levels
    n = lattice.n_cells
    corner = ground_position(levels, levels.heights.corner_m)[lattice.corner_of]
    weight = np.full((n, N_SIDES), prices.corner_heights / N_SIDES)
    if isinstance(lattice, Board):
        offset = corner_offsets(1.0, lattice.facing)
        is_cut_away = (lattice.kept[:, None, :] * offset[None, :, :] < -1e-9).any(axis=2)
        weight[is_cut_away] = 0.0
    is_pentagon = lattice.corner_of[:, 0] == lattice.corner_of[:, -1]
    weight[is_pentagon, -1] = 0.0  # it repeats corner 0
    return TargetHeights(levels.position, corner, np.full(n, prices.mean_height), weight)


def ground_position(levels: Levels, height_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the continuous level of ground heights, as ``levels.position`` is of cell means."""
    thresholds = levels.thresholds_m
    if not len(thresholds):
        return (height_m - levels.datum_m) / levels.metres_per_step
    beyond = height_m - np.clip(height_m, thresholds[0], thresholds[-1])
    within = np.interp(height_m, thresholds, np.arange(len(thresholds)) + 0.5)
    return within + beyond / levels.metres_per_step


def _falls(tiles: Tiles) -> NDArray[np.int8]:
    """Return which way water falls across each side: `Choices.falls`."""
    lattice, water = tiles.lattice, tiles.legal.water
    falls = np.zeros((lattice.n_cells, N_SIDES), dtype=np.int8)
    if water is not None:
        cell = np.flatnonzero(water.outflow >= 0)
        side = water.outflow[cell]
        falls[cell, side] = 1
        falls[lattice.neighbours[cell, side], lattice.back_sides[cell, side]] = -1
    return falls


def _keep_only(
    tiles: Tiles,
    settings: Settings,
    cells: NDArray[np.intp],
    first: NDArray[np.int64],
    price: NDArray[np.float64],
) -> None:
    """Allow frozen cells their tile alone, in place."""
    rises = tiles.corners[cells] - tiles.level[cells, None]
    for cell, kept in zip(cells.tolist(), rises, strict=True):
        is_other = (settings.rises != kept).any(axis=1)
        price[first[cell] : first[cell + 1]][is_other] = INFEASIBLE


def _off_corners(
    lattice: Lattice,
    settings: Settings,
    heights: tuple[tuple[int, int], ...],
    lowest: NDArray[np.int32],
    first: NDArray[np.int64],
) -> Iterator[tuple[slice, NDArray[np.int64]]]:
    """Yield where the prices of each cell at each corner lie, and how far its tops are off there.

    `heights` are lattice corners and the target height there.
    """
    n_oriented = len(settings.rises)
    for corner, height in heights:
        for cell, at in np.argwhere(lattice.corner_of == corner).tolist():
            label = np.arange(first[cell + 1] - first[cell])
            stands = lowest[cell] + label // n_oriented + settings.rises[label % n_oriented, at]
            yield slice(first[cell], first[cell + 1]), stands - height
