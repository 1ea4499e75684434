"""Drainage -> StandingWater: lakes, closed hollows and the sea, and the cells that lie under them.

A cell under standing water gets a level top, as high as all others of the same body of water.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from affine import Affine
from numpy.typing import NDArray

from hexterra.elevation.pixels import Pixels, Source, Window
from hexterra.kernels.raster.direction_codes import VOID
from hexterra.lattice.lattice import Lattice
from hexterra.stages.sampling.gather import average_cells
from hexterra.stages.sampling.pixel_geometry import pixel_areas
from hexterra.values import Value, freeze_arrays

if TYPE_CHECKING:
    from hexterra.stages.drainage.drain import Drainage
    from hexterra.stages.sampling.gather import Heights

LAKE: Final = "lake"
SEA: Final = "sea"
#: Share of a cell that must be under water for the cell to be so.
LEAST_SHARE: Final = 0.5
#: Share of the pixels around a flat that may lie lower, for it to be a lake and no plain.
MOST_LOWER: Final = 0.1
#: Waters of neighbouring cells whose heights differ by no more are one, in metres.
SAME_HEIGHT_M: Final = 0.1
#: A flat at no height that runs off the raster is the sea, if it is no higher than this, in metres.
NO_HEIGHT_M: Final = 0.01


@dataclass(frozen=True, eq=False, repr=False)
class StandingWater(Value):
    """Lakes and the sea on the n cells of a lattice.

    Parameters
    ----------
    lattice
        The cells.
    body
        Which of the k bodies of water covers each cell, (n,) int32; -1 on dry land. Cells of
        different bodies never adjoin.
    kinds
        What each is, "lake" or "sea".
    height_m
        Height of its surface, (k,) float64, in metres.
    share
        Share of each cell under lakes and under the sea, (n, 2) float64.
    """

    lattice: Lattice
    body: NDArray[np.int32]
    kinds: tuple[str, ...]
    height_m: NDArray[np.float64]
    share: NDArray[np.float64]

    def __post_init__(self) -> None:
        n = self.lattice.n_cells
        freeze_arrays(
            self,
            ("body", np.int32, (n,)),
            ("height_m", np.float64, (len(self.kinds),)),
            ("share", np.float64, (n, 2)),
        )

    @property
    def is_under(self) -> NDArray[np.bool_]:
        """Cells under water, (n,) bool."""
        return self.body >= 0

    @cached_property
    def joins(self) -> NDArray[np.bool_]:
        """Sides between two cells of one body, (n, 6) bool, symmetric."""
        there = self.lattice.neighbours
        joins = (there >= 0) & self.is_under[:, None] & (self.body[there] == self.body[:, None])
        joins.flags.writeable = False
        return joins

    def stops(self, receiver: NDArray[np.int32]) -> NDArray[np.int32]:
        """Return receivers, (n,), in which each cell that runs on into its own water ends."""
        within = self.is_under & (self.body[receiver] == self.body)
        return np.where(within, np.arange(len(receiver), dtype=np.int32), receiver)


def find_standing_water(
    drained: Drainage,
    lattice: Lattice,
    *,
    least_depth_m: float,
    least_area_m2: float,
    sea_level_m: float | None = None,
) -> StandingWater | None:
    """Find the lakes and the sea of a raster, and the cells at least half under them.

    A lake is a flat of the raster without depressions: a hollow that is filled, at least
    `least_depth_m` deep, or ground that is flat already, as surveys record water. It is at least
    `least_area_m2` large, and of the pixels around it at most a tenth lie lower, so that a plain
    is none. Depressions that were kept as lakes count as well.

    Parameters
    ----------
    drained
        The raster, from `drain`.
    lattice
        The cells.
    least_depth_m, least_area_m2
        Least depth of a hollow, and least area of any lake.
    sea_level_m
        Ground at or below it is sea. Without it, a flat at 0 m that runs off the window is.

    Returns
    -------
    StandingWater or None
        None where no cell is under water. Where two bodies of water adjoin, cells of the smaller
        one are dry.
    """
    lake, sea = _pixels(drained, least_depth_m, least_area_m2, sea_level_m)
    share, height = np.zeros((2, 2, lattice.n_cells))
    for kind, (is_water, level_m) in enumerate((lake, sea)):
        if is_water.any():
            found = average_cells(_surface(drained, is_water, level_m), lattice)
            if found is not None:
                height[kind], share[kind] = np.nan_to_num(found[0]), np.nan_to_num(found[1])
    if sea_level_m is not None:
        height[1] = sea_level_m
    return _number(lattice, height, share)


def sea_of_means(heights: Heights, sea_level_m: float) -> StandingWater | None:
    """Take the cells whose mean is at or below a sea level for sea; None if there are none."""
    share = np.zeros((2, heights.lattice.n_cells))
    share[1] = heights.mean_m <= sea_level_m
    return _number(heights.lattice, np.full(share.shape, sea_level_m), share)


def _number(
    lattice: Lattice, heights_m: NDArray[np.float64], share: NDArray[np.float64]
) -> StandingWater | None:
    """Join the cells of one water, and dry those where different waters meet.

    Heights of the water and shares of cells are given for lakes, then for the sea, (2, n).
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    is_under = share.sum(axis=0) >= LEAST_SHARE * (1.0 - 1e-9)
    if not is_under.any():
        return None
    kind = np.where(share[1] > share[0], 1, 0)
    height_m = heights_m[kind, np.arange(len(kind))]
    cell, side = lattice.seams.T
    other = lattice.neighbours[cell, side]
    meets = is_under[cell] & is_under[other]
    is_same = meets & (kind[cell] == kind[other])
    is_same &= np.abs(height_m[cell] - height_m[other]) <= SAME_HEIGHT_M
    n = lattice.n_cells
    link = (np.ones(int(is_same.sum()), np.int8), (cell[is_same], other[is_same]))
    _, body = connected_components(coo_array(link, shape=(n, n)), directed=False)
    size = np.bincount(body[is_under], minlength=n)
    for one, two in zip(cell[meets & ~is_same], other[meets & ~is_same], strict=True):
        if is_under[one] and is_under[two] and body[one] != body[two]:
            is_under[two if size[body[one]] >= size[body[two]] else one] = False
    _, first, number = np.unique(body[is_under], return_index=True, return_inverse=True)
    cells = np.flatnonzero(is_under)
    of_body = np.full(n, -1, np.int32)
    of_body[cells] = number.ravel()
    surface_m = [float(np.median(height_m[cells[number.ravel() == k]])) for k in range(len(first))]
    kinds = tuple((LAKE, SEA)[int(kind[cells[at]])] for at in first)
    return StandingWater(
        lattice,
        of_body,
        kinds,
        np.array(surface_m),
        share.T / np.maximum(share.sum(axis=0), 1.0)[:, None],
    )


_Water = tuple[NDArray[np.bool_], NDArray[Any]]


def _pixels(
    drained: Drainage, least_depth_m: float, least_area_m2: float, sea_level_m: float | None
) -> tuple[_Water, _Water]:
    """Mark the pixels under lakes, and those under the sea, each with the height of the water."""
    surface = drained.surface_m
    is_lake, is_sea = drained.is_lake.copy(), np.zeros(surface.shape, np.bool_)
    label, height, touches_rim = _flats(drained, least_depth_m, least_area_m2)
    if len(height):
        at_no_height = touches_rim & (np.abs(height) <= NO_HEIGHT_M) & (sea_level_m is None)
        is_sea = (label > 0) & at_no_height[label - 1]
        is_lake |= (label > 0) & ~is_sea
    if sea_level_m is not None:
        ground, usable = drained.elevation.read(*drained.window)
        is_sea = (drained.direction == VOID) & (ground <= sea_level_m)
        if usable is not None:
            is_sea &= usable
    return (is_lake, surface), (is_sea, surface)


def _flats(
    drained: Drainage, least_depth_m: float, least_area_m2: float
) -> tuple[NDArray[np.int32], NDArray[np.float64], NDArray[np.bool_]]:
    """Label the flats that may be water from 1 on; return their heights, and which touch the rim.

    Pixels whose eight neighbours are as high as they are lie within a flat, and those of different
    flats never touch. The flat is these and what adjoins them.
    """
    from scipy import ndimage  # slow to load

    surface = drained.surface_m
    nothing = np.zeros(surface.shape, np.int32), np.empty(0), np.empty(0, np.bool_)
    inner = _within_flats(surface) & (drained.direction[1:-1, 1:-1] != VOID)
    if not inner.any():
        return nothing
    label = np.zeros(surface.shape, np.int32)
    n: Any = ndimage.label(inner, np.ones((3, 3)), output=label[1:-1, 1:-1])
    inner_label = label[1:-1, 1:-1].copy()
    label = np.asarray(ndimage.maximum_filter(label, 3), np.int32)
    label[drained.direction == VOID] = 0
    pixel_m2 = np.broadcast_to(pixel_areas(drained.elevation, Window(*drained.window)), label.shape)
    area_m2 = np.bincount(label.ravel(), pixel_m2.ravel(), minlength=n + 1)[1:]
    if not (area_m2 >= least_area_m2).any():
        return nothing
    height = np.zeros(n + 1)
    height[label.ravel()] = surface.ravel()
    around = np.asarray(ndimage.maximum_filter(label, 3), np.int32)
    around[(label > 0) | (drained.direction == VOID)] = 0
    is_lower = surface < height[around]
    n_around = np.bincount(around.ravel(), minlength=n + 1)[1:]
    n_lower = np.bincount(around.ravel(), is_lower.ravel(), minlength=n + 1)[1:]
    ground, _ = drained.elevation.read(*drained.window)
    depth = np.where(label > 0, surface - ground, 0.0)
    deepest = np.zeros(n + 1)
    np.maximum.at(deepest, label.ravel(), depth.ravel())
    n_inner = np.bincount(inner_label.ravel(), minlength=n + 1)[1:]
    n_flat = np.bincount(inner_label[_within_flats(ground)], minlength=n + 1)[1:]
    is_water = (area_m2 >= least_area_m2) & (n_lower <= MOST_LOWER * n_around)
    is_water &= (deepest[1:] >= least_depth_m) | (2 * n_flat >= n_inner)  # a hollow, or flat itself
    number = np.zeros(n + 1, np.int32)
    number[1:][is_water] = np.arange(1, is_water.sum() + 1)
    rim = np.unique(np.concatenate((label[0], label[-1], label[:, 0], label[:, -1])))
    touches = np.isin(np.arange(1, n + 1), rim)
    return number[label], height[1:][is_water], touches[is_water]


def _within_flats(height_m: NDArray[Any]) -> NDArray[np.bool_]:
    """Mark the pixels, but for the rim, whose eight neighbours are as high as they are."""
    level = height_m[:, 1:] == height_m[:, :-1]
    level = level[:, 1:] & level[:, :-1]  # with the columns before and after
    rows = height_m[1:, 1:-1] == height_m[:-1, 1:-1]
    return level[:-2] & level[1:-1] & level[2:] & rows[:-1] & rows[1:]


def _surface(drained: Drainage, is_water: NDArray[np.bool_], level_m: NDArray[Any]) -> Any:
    """Give the surface of water as a raster, void where there is none."""
    row, _, column, _ = drained.window
    whole = drained.elevation.affine
    [(x, y)] = drained.elevation.to_crs(np.array([[column, row]], dtype=np.float64)).tolist()
    return replace(
        drained.elevation,
        shape=is_water.shape,
        affine=Affine(whole.a, whole.b, x, whole.d, whole.e, y),
        source=_WaterSurface(level_m, is_water),
        name=LAKE,
    )


@dataclass(frozen=True, eq=False, repr=False)
class _WaterSurface(Source):
    """Heights where a pixel is marked, voids elsewhere."""

    height_m: NDArray[Any]
    is_marked: NDArray[np.bool_]

    def read(self, window: Window) -> Pixels:
        row0, row1, column0, column1 = window
        usable = self.is_marked[row0:row1, column0:column1].copy()
        height = np.where(usable, self.height_m[row0:row1, column0:column1], 0)
        height = height.astype(self.height_m.dtype)
        height.flags.writeable = usable.flags.writeable = False
        return Pixels(height, usable)
