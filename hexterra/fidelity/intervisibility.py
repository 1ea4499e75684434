"""Who sees whom on the ground, and on the built board."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from hexterra.fidelity.built_surface import nearest_cell
from hexterra.kernels.compiled import frozen
from hexterra.kernels.raster.sight_lines import UNKNOWN, trace_sight_lines
from hexterra.values import Value

if TYPE_CHECKING:
    from hexterra.fidelity.built_surface import SurfaceGrid
    from hexterra.lattice.board import Board

#: How far apart cells are at most that count as near, in cells.
NEAR_CELLS: Final = 8

#: After how many draws a board has too few near cells: few are left of it, far apart.
_MOST_DRAWS: Final = 64


@dataclass(frozen=True, eq=False, repr=False)
class Sightings(Value):
    """Of how many pairs of cells, an observer and a target, the one sees the other, and where.

    Parameters
    ----------
    on_both, on_ground_only, on_board_only, on_neither
        Number of pairs.
    """

    on_both: int
    on_ground_only: int
    on_board_only: int
    on_neither: int

    @property
    def n_pairs(self) -> int:
        """How many pairs were looked at."""
        return self.on_both + self.on_ground_only + self.on_board_only + self.on_neither

    @property
    def agreement(self) -> float:
        """Share of pairs of which board and ground say the same, 0 to 1; 1 if there are none."""
        return (self.on_both + self.on_neither) / self.n_pairs if self.n_pairs else 1.0

    @property
    def kappa(self) -> float:
        """Agreement beyond chance: 1 in full, 0 as by chance, below it less (Cohen 1960).

        J. Cohen, A coefficient of agreement for nominal scales, Educational and Psychological
        Measurement 20, 1960. Where chance alone would agree in full, because all pairs see each
        other on ground and board, or none does, it is 1.
        """
        n = self.n_pairs
        ground, board = self.on_both + self.on_ground_only, self.on_both + self.on_board_only
        by_chance = ground * board + (n - ground) * (n - board)  # of n * n: exact in integers
        if by_chance == n * n:
            return 1.0
        return (n * (self.on_both + self.on_neither) - by_chance) / (n * n - by_chance)


@dataclass(frozen=True, eq=False, repr=False)
class Intervisibility(Value):
    """Who sees whom.

    Parameters
    ----------
    eye_m, target_m
        Heights of eye and target above the top they stand on, in metres of ground.
    near
        Pairs of cells at most `NEAR_CELLS` cells apart.
    overall
        Pairs of cells anywhere on the board.
    """

    eye_m: float
    target_m: float
    near: Sightings
    overall: Sightings


def intervisibility(
    board: Board,
    grid: SurfaceGrid,
    ground_m: NDArray[np.float64],
    built_m: NDArray[np.float64],
    *,
    eye_m: float,
    target_m: float,
    n_pairs: int,
    seed: int,
) -> Intervisibility:
    """Compare lines of sight over the ground with those over the built board.

    Observer and target stand in the middle of their cells (of a part tile, in the middle of the
    part). Both surfaces are looked at on the same pixels, bilinear between their centres, in
    steps of at most a pixel. A line that touches ground is not cut off. Eyes are as high, in
    metres of ground, on the board as on the ground: as scaling all heights changes no line of
    sight, vertical exaggeration makes no difference. The earth's curvature and refraction are
    left out, on both sides; over 5 km they would lower a target by 1.7 m.

    Parameters
    ----------
    board, grid
        The cells, and the pixels over them.
    ground_m, built_m
        (rows, columns) float64 on the pixels of `grid`, in metres; NaN where there is no ground.
        Nothing stands in the way there, and no cell whose middle lies there is looked at.
    eye_m, target_m
        Heights of eye and target, in metres, at least 0.
    n_pairs
        All pairs are looked at if there are no more; else so many, drawn at random.
    seed
        Which draw.
    """
    overall, near = draw_pairs(board, n_pairs, seed)
    middle_xy = grid.to_pixel(middles_mm(board))

    def count(pairs: NDArray[np.int32]) -> Sightings:
        sees = np.empty((2, len(pairs)), dtype=np.int8)
        for height_m, seen in zip((ground_m, built_m), sees, strict=True):
            trace_sight_lines(
                frozen(height_m), frozen(middle_xy), frozen(pairs), eye_m, target_m, seen
            )
        ground, built = sees[:, (sees != UNKNOWN).all(axis=0)] == 1
        neither, board_only, ground_only, both = np.bincount(2 * ground + built, minlength=4)
        return Sightings(int(both), int(ground_only), int(board_only), int(neither))

    return Intervisibility(eye_m, target_m, near=count(near), overall=count(overall))


def draw_pairs(
    board: Board, n_pairs: int, seed: int
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Choose pairs of different cells, (k, 2) int32: anywhere on the board, and near ones.

    If there are at most `n_pairs`, these are all of them, both ways, and all that are near. Else
    `n_pairs` are drawn, each pair as likely as any other, and as many near ones: an observer, and
    a place in the circle around it, so part tiles are found less often.
    """
    n = board.n_cells
    total = n * (n - 1)
    reach_mm = NEAR_CELLS * board.across_flats_mm * (1.0 + 1e-9)

    def are_near(pairs: NDArray[np.int32]) -> NDArray[np.bool_]:
        apart = board.centre_mm[pairs[:, 0]] - board.centre_mm[pairs[:, 1]]
        return np.asarray((apart**2).sum(axis=1) <= reach_mm**2, dtype=np.bool_)

    random = np.random.default_rng(seed)
    number = np.arange(total) if total <= n_pairs else random.integers(total, size=n_pairs)
    observer, target = np.divmod(number, max(n - 1, 1))
    overall = np.column_stack([observer, target + (target >= observer)]).astype(np.int32)
    if total <= n_pairs:
        return overall, overall[are_near(overall)]
    # Cells at the rim of the circle lie in it in full, so they are found as often as others.
    radius_mm = reach_mm + board.across_flats_mm
    near = np.empty((0, 2), dtype=np.int32)
    for _ in range(_MOST_DRAWS):
        observer = random.integers(n, size=n_pairs)
        distance_mm = radius_mm * np.sqrt(random.random(n_pairs))
        angle = 2.0 * np.pi * random.random(n_pairs)
        away_mm = distance_mm[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
        target = nearest_cell(board, board.centre_mm[observer] + away_mm)
        pairs = np.column_stack([observer, target]).astype(np.int32)
        pairs = pairs[(target >= 0) & (target != observer)]
        near = np.concatenate([near, pairs[are_near(pairs)]])
        if len(near) >= n_pairs:
            break
    return overall, near[:n_pairs]


def middles_mm(board: Board) -> NDArray[np.float64]:
    """Find the middle of each tile, of a part tile that of the part, (n_cells, 2) in mm."""
    middle = board.centre_mm.copy()
    for cell in np.flatnonzero(board.kept.any(axis=1)).tolist():
        middle[cell] = Polygon(board.outline_mm(cell)).centroid.coords[0]
    return middle
