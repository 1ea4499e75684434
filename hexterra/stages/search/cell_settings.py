"""Settings: in what cells differ apart from their ground (water, cut edges, steepness).

`candidates` prices tiles with them: all that does not depend on the ground is worked out once per
*setting*, of which a board has few, not once per cell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.catalogue.catalogue import Catalogue
from hexterra.catalogue.tops import facet_planes, facets, mean_rise_of_part
from hexterra.kernels.board.tile_costs import INFEASIBLE, OrientedPatterns
from hexterra.kernels.compiled import frozen
from hexterra.lattice.board import Board
from hexterra.lattice.hexagon import N_SIDES, Facing, area, corner_offsets, cut_of
from hexterra.stages.search.prices import Prices
from hexterra.stages.tiles.cuts import MAX_WIDTHS
from hexterra.stages.tiles.fit import Tiles, find_crossings
from hexterra.stages.tiles.tile_kinds import N_MARKS, TileKind, kind_of_marks, marks_of
from hexterra.values import Value, freeze_arrays, readonly

#: Gradient of the strip of a gentle bank, in steps per distance across flats.
GENTLE = 2.0


#: Least value of each feature.
_LEAST: Final = np.array([0] * N_SIDES + [0, -1, -1, -1, 0, 0, 0])


@dataclass(frozen=True, eq=False, repr=False)
class Settings(Value):
    """The oriented patterns that may be used, and what they cost in k settings.

    Parameters
    ----------
    catalogue
        Where the patterns come from.
    pattern, turn
        Which pattern each is, and its turn, (R,) int16 and int8.
    rises, mean_rise
        Its six rises, (R, 6) int32, and their mean over what is kept of the tile in each setting,
        (k, R) float64, in steps.
    setting
        Setting of each cell, (n,) int32.
    terms
        Name of each price, and what they cost by it in each setting, (k, R) float64.
    is_allowed
        Whether one may be used in a setting, (k, R) bool.
    features
        In what the settings differ, (k, 13) int64: the marks of the six sides (see
        `hexterra.stages.tiles.tile_kinds`), crossing + 1, outflow, the halves kept (see
        `Board.kept`), whether it may be steep, whether it is a pentagon, whether it lies under
        standing water.
    facing
        How the hexagons stand.
    """

    catalogue: Catalogue
    pattern: NDArray[np.int16]
    turn: NDArray[np.int8]
    rises: NDArray[np.int32]
    mean_rise: NDArray[np.float64]
    setting: NDArray[np.int32]
    terms: tuple[tuple[str, NDArray[np.float64]], ...]
    is_allowed: NDArray[np.bool_]
    features: NDArray[np.int64]
    facing: Facing

    def __post_init__(self) -> None:
        n_oriented, n_settings = len(self.rises), len(self.is_allowed)
        freeze_arrays(
            self,
            ("pattern", np.int16, (n_oriented,)),
            ("turn", np.int8, (n_oriented,)),
            ("rises", np.int32, (n_oriented, N_SIDES)),
            ("mean_rise", np.float64, (n_settings, n_oriented)),
            ("setting", np.int32, (None,)),
            ("is_allowed", np.bool_, (n_settings, n_oriented)),
            ("features", np.int64, (n_settings, N_SIDES + 7)),
        )
        shape = (n_settings, n_oriented)
        terms = tuple(
            (name, readonly(term, dtype=np.float64, shape=shape, name=name))
            for name, term in self.terms
        )
        object.__setattr__(self, "terms", terms)

    @cached_property
    def oriented(self) -> OrientedPatterns:
        """The oriented patterns, with their prices in each setting, for the kernels."""
        total = np.sum([term for _, term in self.terms], axis=0)
        price = np.where(self.is_allowed, total, INFEASIBLE)
        return OrientedPatterns(self.rises, frozen(self.mean_rise), frozen(price), self.setting)

    @property
    def kinds(self) -> tuple[TileKind, ...]:
        """All kinds of tile that patterns make in the settings."""
        return self._kinds[0]

    @property
    def kind_of(self) -> NDArray[np.int32]:
        """Number of the kind that each pattern makes in each setting, (k, R) int32."""
        return self._kinds[1]

    @cached_property
    def _kinds(self) -> tuple[tuple[TileKind, ...], NDArray[np.int32]]:
        oriented = np.column_stack([self.pattern, self.turn]).astype(np.int16)
        return _name_kinds(self.features, oriented, self.catalogue, self.facing)

    def oriented_of(self, pattern: NDArray[np.int16], turn: NDArray[np.int8]) -> NDArray[np.int32]:
        """Return the number of each pattern so turned, (n,) int32, which must be among them."""
        table = np.full((len(self.catalogue.patterns), N_SIDES), -1, dtype=np.int32)
        table[self.pattern, self.turn] = np.arange(len(self.pattern))
        return table[pattern, turn]


def settings_of(tiles: Tiles, prices: Prices, catalogue: Catalogue) -> Settings:
    """Find the settings of a board and price the tops of a catalogue in them.

    Parameters
    ----------
    tiles
        The board; its water, cliffs and ramp limits count, and its own steep tops stay allowed.
    prices
        What faults cost.
    catalogue
        What can be cut.

    Raises
    ------
    CatalogueError
        If the catalogue lacks a crossing that the water needs.
    """
    lattice, legal, water = tiles.lattice, tiles.legal, tiles.legal.water
    n = lattice.n_cells
    oriented = catalogue.oriented
    is_open = (lattice.neighbours >= 0) & ~legal.cliff
    may_be_steep = ((legal.asked_limit > 1) & is_open).any(axis=1)
    may_be_steep |= tiles.is_steep
    if not may_be_steep.any():
        oriented = oriented[oriented[:, 2:].max(axis=1) < 2]
    features = np.zeros((n, N_SIDES + 7), dtype=np.int64)
    features[:, N_SIDES + 1] = -1
    if tiles.cuts is not None:
        features[:, :N_SIDES] = marks_of(tiles.cuts)
    elif water is not None:
        features[:, :N_SIDES] = water.ports  # the mark of water of one width
    if water is not None:
        features[:, N_SIDES] = find_crossings(legal, catalogue)[0] + 1
        features[:, N_SIDES + 1] = water.outflow
    if isinstance(lattice, Board):
        features[:, N_SIDES + 2 : N_SIDES + 4] = lattice.kept
    features[:, N_SIDES + 4] = may_be_steep
    features[:, N_SIDES + 5] = lattice.corner_of[:, 0] == lattice.corner_of[:, -1]
    if water is not None and water.standing is not None:
        features[:, N_SIDES + 6] = water.standing.is_under
    code = np.zeros(n, dtype=np.int64)
    n_values = (*[N_MARKS] * N_SIDES, len(catalogue.crossings) + 1, N_SIDES + 1, 3, 3, 2, 2, 2)
    for column, n_of_it in zip((features - _LEAST).T, n_values, strict=True):
        code = code * n_of_it + column
    _, at, setting = np.unique(code, return_index=True, return_inverse=True)
    distinct = features[at]

    rises = oriented[:, 2:]
    terms, is_allowed = _price_oriented(distinct, oriented, prices, catalogue)
    facing: Facing = lattice.facing if isinstance(lattice, Board) else "points"
    return Settings(
        catalogue=catalogue,
        pattern=oriented[:, 0].astype(np.int16),
        turn=oriented[:, 1].astype(np.int8),
        rises=rises,
        mean_rise=_mean_rises(distinct, rises, facing),
        setting=setting.ravel().astype(np.int32),
        terms=terms,
        is_allowed=is_allowed,
        features=distinct,
        facing=facing,
    )


def _mean_rises(
    settings: NDArray[np.int64], rises: NDArray[np.int32], facing: Facing
) -> NDArray[np.float64]:
    """Return the mean of every oriented pattern over what is kept of a tile, (k, R)."""
    parts = [(kept_x, kept_y) for kept_x, kept_y in settings[:, N_SIDES + 2 : N_SIDES + 4].tolist()]
    tops = [tuple(top) for top in rises.tolist()]
    of_part = {part: [mean_rise_of_part(top, facing, *part) for top in tops] for part in set(parts)}
    return np.array([of_part[part] for part in parts])


def _ports(features: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Sides that water crosses to or from a neighbour, (k, 6) bool."""
    flags, width = np.divmod(features[:, :N_SIDES], MAX_WIDTHS + 1)
    return (width > 0) & ((flags >> 1 & 1) == 0)


def _price_oriented(
    settings: NDArray[np.int64],
    oriented: NDArray[np.int32],
    prices: Prices,
    catalogue: Catalogue,
) -> tuple[tuple[tuple[str, NDArray[np.float64]], ...], NDArray[np.bool_]]:
    """Return the terms of `Settings`, and what is allowed."""
    rises = oriented[:, 2:]
    ports = _ports(settings)
    is_wet = settings[:, N_SIDES] > 0
    outflow = settings[:, N_SIDES + 1]
    steepness = np.array([_steepness(p.rises) for p in catalogue.patterns])[oriented[:, 0]]
    effort_of = dict(prices.effort)
    effort = np.array([effort_of.get(p.name, _n_passes(p.rises)) for p in catalogue.patterns])
    is_sloped = rises.max(axis=1) > 0
    every = np.ones((len(settings), 1))
    terms = (
        ("sloping", prices.sloping * every * steepness),
        ("cutting", prices.cutting * every * effort[oriented[:, 0]]),
        ("crossing", prices.sunk_in_slope * is_wet[:, None] * is_sloped),
    )
    # Water crosses a side on the level, at the foot of a fall as well as at its brink.
    is_uneven = rises != np.roll(rises, -1, axis=1)
    is_allowed = ~(ports @ is_uneven.T)
    # Water leaves at the lowest corner, so no port is below it.
    leaves_low = (rises == 0) & (np.roll(rises, -1, axis=1) == 0)
    has_outflow = outflow >= 0
    is_allowed[has_outflow] &= leaves_low.T[outflow[has_outflow]]
    may_be_steep, is_pentagon = settings[:, N_SIDES + 4] > 0, settings[:, N_SIDES + 5] > 0
    is_allowed &= may_be_steep[:, None] | (rises.max(axis=1) < 2)
    is_allowed &= ~is_pentagon[:, None] | (rises[:, 0] == rises[:, -1])
    is_under = settings[:, N_SIDES + 6] > 0
    is_allowed &= ~is_under[:, None] | ~is_sloped
    return terms, is_allowed


@lru_cache(maxsize=256)
def _steepness(rises: tuple[int, ...]) -> float:
    """Mean gradient over a top, where that of a gentle bank's strip counts 1."""
    corner = corner_offsets(1.0, "flats")
    total = 0.0
    for facet, (slope_x, slope_y, _) in zip(facets(rises), facet_planes(rises, 0.0), strict=True):
        x, y = corner[list(facet)].T
        twice_area = float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
        total += 0.5 * twice_area * math.hypot(slope_x, slope_y)
    return total / area(1.0) / GENTLE


@lru_cache(maxsize=256)
def _n_passes(rises: tuple[int, ...]) -> float:
    """How often the wire passes over a top: once per facet that slopes."""
    slopes = facet_planes(rises, 0.0)[:, :2]
    return float(np.sum(np.abs(slopes).max(axis=1) > 1e-9))


def _name_kinds(
    settings: NDArray[np.int64],
    oriented: NDArray[np.int16],
    catalogue: Catalogue,
    facing: Facing,
) -> tuple[tuple[TileKind, ...], NDArray[np.int32]]:
    """Return the kinds of tile that patterns make in settings, and the number of each."""
    kind_of = np.empty((len(settings), len(oriented)), dtype=np.int32)
    number: dict[TileKind, int] = {}
    for k, features in enumerate(settings.tolist()):
        marks = features[:N_SIDES]
        crossing_number = features[N_SIDES] - 1
        crossing = catalogue.crossings[crossing_number].name if crossing_number >= 0 else ""
        part, hand, origin = cut_of(facing, features[N_SIDES + 2], features[N_SIDES + 3])
        for p, (pattern_number, turn) in enumerate(oriented.tolist()):
            pattern = catalogue.patterns[pattern_number]
            # A whole tile is numbered from its pattern; among turns that look alike, from that
            # in which its marks read highest, as in a schedule.
            frames = range(turn, N_SIDES, pattern.period) if part == "whole" else (origin,)
            read = max([marks[(s + f) % N_SIDES] for s in range(N_SIDES)] for f in frames)
            turn_in_piece = 0 if part == "whole" else (turn - origin) % pattern.period
            kind = kind_of_marks(pattern.name, part, hand, turn_in_piece, crossing, read)
            kind_of[k, p] = number.setdefault(kind, len(number))
    return tuple(number), kind_of
