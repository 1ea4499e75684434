"""Drainage -> Watercourses: carry the water of the raster onto the lattice.

What comes in is where every pixel runs. What goes out is the same as `flow` makes from the cells
alone, but the rivers run where they run on the ground, and bring the water of the ground outside
the board along.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

from hexterra.arguments import checked
from hexterra.errors import CoverageError
from hexterra.kernels.board import lattice_flow
from hexterra.kernels.compiled import frozen
from hexterra.kernels.raster import cell_outlets, cell_pixels
from hexterra.kernels.raster.cell_pixels import CellCorners
from hexterra.ranges import check_positive
from hexterra.stages.water.flow import ROUNDING, Runs, Watercourses, draw_watercourses, wet_cells
from hexterra.stages.water.outlets import LARGE_CELLS, by_size, choose
from hexterra.stages.water.standing import SEA, StandingWater
from hexterra.values import Value, freeze_arrays

if TYPE_CHECKING:
    from hexterra.lattice.lattice import Lattice
    from hexterra.stages.drainage.drain import Drainage
    from hexterra.stages.sampling.gather import Heights

_MANY_POINTS: Final = 5000
_N_NODES: Final = (4, 6)  # of the polynomial, along each axis; the second for large boards
_N_TRIED: Final = 400
_NEAR_PIXELS: Final = 0.01


@dataclass(frozen=True, eq=False)
class RoutingReport(Value):
    """The drainage of the raster upscaled onto cells, and how true it is.

    Parameters
    ----------
    lattice
        The cells, n of them.
    receiver
        Cell that the water of each runs to, a neighbour, (n,) int32; its own number where it
        leaves the lattice.
    receiver_side
        Side by which it leaves, (n,) int8; -1 for none.
    order
        All cells, upstream before downstream, (n,) int32.
    outlet_row, outlet_column
        Pixel of the raster by which the water of each cell leaves it, (n,) int32; -1 for cells
        without ground.
    outlet_m2
        Catchment of that pixel on the raster, (n,) float64.
    catchment_m2
        Ground area that drains through each cell, (n,) float64: that of its outlet pixel, but for
        what wrong cells bring elsewhere.
    is_wrong
        Cells whose water does not meet the outlet of their receiver first, (n,) bool; see `carry`.
    displacement_cells
        Mean distance of the way of the water from the drawn line, in distances between centres,
        (n,) float64; NaN for wrong cells and those that drain less than `LARGE_CELLS` cells.
    """

    lattice: Lattice
    receiver: NDArray[np.int32]
    receiver_side: NDArray[np.int8]
    order: NDArray[np.int32]
    outlet_row: NDArray[np.int32]
    outlet_column: NDArray[np.int32]
    outlet_m2: NDArray[np.float64]
    catchment_m2: NDArray[np.float64]
    is_wrong: NDArray[np.bool_]
    displacement_cells: NDArray[np.float64]

    def __post_init__(self) -> None:
        n = self.lattice.n_cells
        freeze_arrays(
            self,
            ("receiver", np.int32, (n,)),
            ("receiver_side", np.int8, (n,)),
            ("order", np.int32, (n,)),
            ("outlet_row", np.int32, (n,)),
            ("outlet_column", np.int32, (n,)),
            ("outlet_m2", np.float64, (n,)),
            ("catchment_m2", np.float64, (n,)),
            ("is_wrong", np.bool_, (n,)),
            ("displacement_cells", np.float64, (n,)),
        )

    @property
    def share_wrong(self) -> float:
        """Share of the cells with ground that are wrong."""
        has_ground = self.outlet_row >= 0
        return float(self.is_wrong[has_ground].mean()) if has_ground.any() else 0.0

    @property
    def area_error(self) -> float:
        """Sum of ``abs(catchment_m2 - outlet_m2)`` over all cells, per sum of `outlet_m2`."""
        total_m2 = float(self.outlet_m2.sum())
        return float(abs(self.catchment_m2 - self.outlet_m2).sum()) / total_m2 if total_m2 else 0.0

    @property
    def mean_displacement_cells(self) -> float:
        """Mean of `displacement_cells` where it is a number; NaN if it nowhere is."""
        known = self.displacement_cells[np.isfinite(self.displacement_cells)]
        return float(known.mean()) if len(known) else math.nan


def carry(drained: Drainage, lattice: Lattice) -> RoutingReport:
    """Upscale the drainage of the raster onto the cells of a lattice.

    Each cell is stood for by one pixel whose water leaves it, its outlet, and runs to the cell of
    the outlet that this water meets next: the idea of iterative hydrography upscaling (Eilander
    et al., Hydrology and Earth System Sciences 25, 2021). A cell is right if that is a neighbour,
    or if its water leaves the lattice from it, or would cross a side that a straight edge cuts in
    half: there it ends at a mouth, and its water comes back to the next cell from beyond the edge.
    Beginning with the largest outlets, those of wrong cells, or of cells on their way, are moved
    as long as fewer cells are wrong, or as many but with smaller rivers; then as many but with
    larger ones, for where errors meet they vanish, and two at once where one alone repairs none.
    What stays wrong runs to the last neighbour on its way that closes no circle.

    Receivers are always neighbours, so no two links cross: the centres of a hexagonal lattice and
    its links are a planar net.

    Raises
    ------
    CoverageError
        If no cell of the lattice lies on the window that was drained.
    """
    n = lattice.n_cells
    n_columns = drained.direction.shape[1]
    corners = _corners_in_pixels(drained, lattice)
    chosen = choose(drained, corners, lattice.area_m2, _ways(lattice))
    exits, cells, _ = chosen.tables
    if not len(exits):
        raise CoverageError(
            f"no cell of the lattice lies on the ground that was drained of"
            f" {drained.elevation.name!r}",
            remedy="drain the part of the raster that the board covers, or check its voids and the"
            " sea level",
            window=drained.window,
        )
    receiver, order, meets = np.empty((3, n), dtype=np.int32)
    side = np.empty(n, dtype=np.int8)
    outlet, is_wrong = cells["outlet"], cells["is_misrouted"]
    has_ground = outlet >= 0
    outlet_m2 = np.where(has_ground, exits["area"][outlet], 0.0)
    wrong = by_size(is_wrong, outlet_m2)
    cell_outlets.connect(wrong, chosen.tables, meets, receiver, side, order)

    pixel = np.where(has_ground, chosen.pixel_of[outlet].astype(np.int64), -1)
    own = outlet_m2.copy()  # what runs to the outlet of a cell and not first to that of another
    np.subtract.at(own, meets[meets >= 0], outlet_m2[meets >= 0])
    catchment = np.maximum(own, 0.0)
    lattice_flow.accumulate(order, receiver, catchment)

    is_large = outlet_m2 >= LARGE_CELLS * lattice.area_m2
    large = np.flatnonzero(is_large & ~is_wrong & (receiver != np.arange(n)))
    displacement = np.full(n, np.nan)
    cell_pixels.measure_displacement(large, corners, chosen.pixels, pixel, receiver, displacement)
    return RoutingReport(
        lattice=lattice,
        receiver=receiver,
        receiver_side=side,
        order=order,
        outlet_row=np.where(has_ground, pixel // n_columns + drained.window[0], -1),
        outlet_column=np.where(has_ground, pixel % n_columns + drained.window[2], -1),
        outlet_m2=outlet_m2,
        catchment_m2=catchment,
        is_wrong=is_wrong,
        displacement_cells=displacement,
    )


@checked
def route(
    drained: Drainage,
    heights: Heights,
    *,
    threshold_m2: float,
    least_cells: int = 1,
    standing: StandingWater | None = None,
) -> Watercourses:
    """Draw the watercourses of the raster on the lattice.

    Receivers are those of `carry`. A watercourse runs where the catchment, ground outside the
    board included, reaches the threshold. A cell has at most three ports: tributaries beyond are
    merged or dropped as `flow` does, the smallest first, and noted. One that reaches the threshold
    before it comes to the lattice enters there, at the rim.

    Parameters
    ----------
    drained
        The raster under the board, from `drain`.
    heights
        Heights of the lattice, from `gather`.
    threshold_m2
        Least catchment of a watercourse, in square metres, above 0.
    least_cells
        Fewest cells of a headwater; see `prune_stubs`.
    standing
        Lakes and the sea. No watercourse is drawn within them; water that leaves the raster beside
        the sea runs into it.

    Returns
    -------
    Watercourses
        Receivers are neighbours and never form a circle. `filled_m` is the mean height, raised
        to that of the receiver where it was lower, so it never rises downstream.

    Raises
    ------
    BriefError
        If the threshold is not a finite number above 0.
    CoverageError
        If no cell of the lattice lies on the window that was drained.
    """
    check_positive("threshold_m2", threshold_m2, "m2")
    return draw(
        carry(drained, heights.lattice),
        heights,
        threshold_m2=threshold_m2,
        least_cells=least_cells,
        standing=standing,
    )


def draw(
    carried: RoutingReport,
    heights: Heights,
    *,
    threshold_m2: float,
    least_cells: int = 1,
    standing: StandingWater | None = None,
) -> Watercourses:
    """Draw the watercourses of a drainage that was upscaled already, as `route` does.

    Raises
    ------
    BriefError
        If the threshold is not a finite number above 0.
    """
    check_positive("threshold_m2", threshold_m2, "m2")
    lattice = heights.lattice
    order, receiver, side = carried.order, carried.receiver.copy(), carried.receiver_side.copy()
    catchment = carried.catchment_m2.copy()
    if standing is not None:
        order = _run_into_sea(standing, order, receiver, side)
        catchment = np.maximum(_own(carried.receiver, catchment), 0.0)
        lattice_flow.accumulate(order, receiver, catchment)
    own = _own(receiver, catchment)
    comes_in = own - lattice.area_m2 >= threshold_m2 * (1.0 - ROUNDING)
    runs = Runs(lattice, order, receiver, side, catchment, own, comes_in, standing)
    is_wet, notes = wet_cells(runs, threshold_m2, least_cells)
    filled = heights.mean_m.copy()
    for cell in order[::-1]:
        filled[cell] = max(filled[cell], filled[receiver[cell]])
    return draw_watercourses(
        heights=heights,
        filled_m=filled,
        receiver=receiver,
        receiver_side=side,
        order=order,
        catchment_m2=catchment,
        is_watercourse=is_wet,
        comes_in=comes_in,
        notes=notes,
        standing=standing,
    )


def _run_into_sea(
    standing: StandingWater,
    order: NDArray[np.int32],
    receiver: NDArray[np.int32],
    side: NDArray[np.int8],
) -> NDArray[np.int32]:
    """Let cells that end beside the sea run into it, in place; return the order after that.

    From the sea nothing runs on.

    Of several cells of the sea, that with the most water receives, then the first by its side.
    """
    lattice = standing.lattice
    is_sea = standing.is_under & np.isin(standing.body, _numbers(standing.kinds, SEA))
    receiver[is_sea], side[is_sea] = np.flatnonzero(is_sea), -1
    there = lattice.water_neighbours
    meets = (there >= 0) & is_sea[there]
    ends = np.flatnonzero(
        (receiver == np.arange(len(receiver))) & ~standing.is_under & meets.any(axis=1)
    )
    towards = np.where(meets[ends], standing.share[there[ends]].sum(axis=2), -1.0).argmax(axis=1)
    receiver[ends], side[ends] = there[ends, towards], towards
    is_last = is_sea[order]
    return np.concatenate((order[~is_last], order[is_last]))


def _own(receiver: NDArray[np.int32], catchment: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what of each catchment, (n,), comes from no other cell."""
    own = catchment.copy()
    runs_on = receiver != np.arange(len(receiver))
    np.subtract.at(own, receiver[runs_on], catchment[runs_on])
    return own


def _numbers(kinds: tuple[str, ...], kind: str) -> list[int]:
    return [number for number, of_kind in enumerate(kinds) if of_kind == kind]


def _corners_in_pixels(drained: Drainage, lattice: Lattice) -> CellCorners:
    """Carry the corners of the cells to the pixel space of the window."""
    to_raster = _transformer(lattice.crs, drained.elevation.crs)

    def carried(points: NDArray[np.float64]) -> NDArray[np.float64]:
        xy = np.column_stack(to_raster.transform(points[:, 0], points[:, 1]))
        return drained.elevation.to_pixel(xy) - (drained.window[2], drained.window[0])

    if lattice.has_straight_sides:
        return CellCorners(_smoothly(carried, lattice.corner_xy), lattice.corner_of)
    rings = lattice.rings_xy
    corner_of = np.arange(rings.shape[0] * rings.shape[1], dtype=np.int32).reshape(rings.shape[:2])
    return CellCorners(carried(rings.reshape(-1, 2)), frozen(corner_of))


@lru_cache(maxsize=8)  # finding the best of all transformations takes long
def _transformer(source: str, target: str) -> Transformer:
    return Transformer.from_crs(source, target, always_xy=True)


def _smoothly(
    carried: Callable[[NDArray[np.float64]], NDArray[np.float64]], points: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Carry points, (n, 2), by `carried`, or many by a polynomial that is found to agree.

    It must be true within a hundredth of a pixel at points all over: a projection costs far more
    than the rest of the work.
    """
    if len(points) < _MANY_POINTS:
        return carried(points)
    tried = slice(None, None, len(points) // _N_TRIED)
    known = carried(points[tried])
    for n_nodes in _N_NODES:
        xy = _interpolated(carried, points, n_nodes)
        if (abs(xy[tried] - known) <= _NEAR_PIXELS).all():  # never with NaN
            return xy
    return carried(points)


def _interpolated(
    carried: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    points: NDArray[np.float64],
    n_nodes: int,
) -> NDArray[np.float64]:
    """Interpolate between `n_nodes` by `n_nodes` Chebyshev nodes over the extent of the points.

    See Trefethen, Approximation Theory and Approximation Practice, 2013, chapter 2.
    """
    axes = np.ascontiguousarray(points.T)
    least, most = axes.min(axis=1), axes.max(axis=1)
    middle, half = (least + most) / 2.0, (most - least) / 2.0
    node = np.cos((np.arange(n_nodes) + 0.5) * np.pi / n_nodes)
    grid = np.stack(np.meshgrid(node, node, indexing="ij"), axis=-1).reshape(-1, 2)
    inverse = np.linalg.inv(_chebyshev(node, n_nodes).T)
    value = carried(middle + half * grid).reshape(n_nodes, n_nodes, 2)
    coefficient = np.einsum("ik,jl,klc->cji", inverse, inverse, value)
    x, y = (axes - middle[:, None]) / half[:, None]
    by_y = coefficient.reshape(2 * n_nodes, n_nodes) @ _chebyshev(x, n_nodes)
    by_y = by_y.reshape(2, n_nodes, len(points))
    xy = np.empty(points.shape)
    np.einsum("cjn,jn->nc", by_y, _chebyshev(y, n_nodes), out=xy)
    return xy


def _chebyshev(x: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Values of the first n Chebyshev polynomials at (m,) places, (n, m)."""
    value = np.empty((n, len(x)))  # in rows, which numpy fills in a fraction of the time
    value[0], value[1] = 1.0, x
    for i in range(2, n):
        np.multiply(x, value[i - 1], out=value[i])
        value[i] *= 2.0
        value[i] -= value[i - 2]
    return value


def _ways(lattice: Lattice) -> NDArray[np.int32]:
    """Neighbours, (n, 6) int32; across sides that no water crosses -2 - the neighbour."""
    neighbours, open_ = lattice.neighbours, lattice.water_neighbours
    ways: NDArray[np.int32] = np.where((open_ < 0) & (neighbours >= 0), -2 - neighbours, open_)
    return ways
