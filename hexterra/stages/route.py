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
from numpy.polynomial import chebyshev
from numpy.typing import NDArray
from pyproj import Transformer

from hexterra.errors import CoverageError
from hexterra.kernels import flood, outlets, upscale
from hexterra.stages._pixel_ground import pixel_steps
from hexterra.stages.flow import (
    ROUNDING,
    Watercourses,
    check_positive,
    count_inflows,
    draw_watercourses,
    mend_confluences,
)
from hexterra.values import Value, readonly

if TYPE_CHECKING:
    from hexterra.lattice import Lattice
    from hexterra.stages.drain import Drainage
    from hexterra.stages.gather import Heights

# Passes over the wrong cells: least share of a cell's area (or of its largest exit) that an outlet
# drains; whether errors move toward small rivers (1) or large ones (-1), where they may meet; how
# many sweeps try two moves at once.
_PASSES: Final = ((0.25, 1.0, 0), (0.0, 1.0, 0), (0.0, -1.0, 0), (0.0, 1.0, 1))
_SWEEPS: Final = 4
_IMPORTANCE: Final = 8  # how many small rivers may be wrong for a large one to be right
_LEAST_SHARE: Final = 0.005  # of a cell: less is no outlet unless the cell has no other
_MANY_POINTS: Final = 5000
_N_NODES: Final = 5  # of the polynomial, along each axis
_N_TRIED: Final = 400
_NEAR_PIXELS: Final = 0.01
#: Catchment, in cells, above which `displacement` looks at a watercourse.
LARGE_CELLS: Final = 20.0


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
        for name, dtype in (
            ("receiver", np.int32),
            ("receiver_side", np.int8),
            ("order", np.int32),
            ("outlet_row", np.int32),
            ("outlet_column", np.int32),
            ("outlet_m2", np.float64),
            ("catchment_m2", np.float64),
            ("is_wrong", np.bool_),
            ("displacement_cells", np.float64),
        ):
            held = readonly(
                getattr(self, name), dtype=dtype, shape=(self.lattice.n_cells,), name=name
            )
            object.__setattr__(self, name, held)

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
    larger ones, for where errors meet they vanish; then two at once, where one alone mends none.
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
    cell_at = np.full(drained.direction.shape, -1, dtype=np.int32)
    ring_xy = _rings_in_pixels(drained, lattice)
    upscale.cells_of_pixels(ring_xy, cell_at)
    code, catchment_m2 = drained.direction.ravel(), drained.catchment_m2.ravel()
    step = pixel_steps(n_columns)
    least_m2 = _LEAST_SHARE * float(lattice.area_m2.min())
    begin = np.zeros(n + 1, dtype=np.int32)
    found = upscale.find_exits(
        cell_at.ravel(), code, step, catchment_m2, least_m2, n_columns, begin[1:]
    )
    if not len(found):
        raise CoverageError(
            f"no cell of the lattice lies on the ground that was drained of"
            f" {drained.elevation.name!r}",
            remedy="drain the part of the raster that the board covers",
            window=drained.window,
        )
    np.cumsum(begin, out=begin)
    exits, cell_of = upscale.sort_exits(found, cell_at.ravel(), begin)
    then = upscale.follow_exits(exits, code, step, cell_at.ravel())
    del cell_at
    area = catchment_m2[exits]
    neighbours = _ways(lattice)
    outlet, is_wrong, visit = _choose(lattice, neighbours, begin, then, cell_of, area)
    receiver, order, meets = np.empty((3, n), dtype=np.int32)
    side = np.empty(n, dtype=np.int8)
    outlets.connect(
        then,
        cell_of,
        outlet,
        neighbours,
        visit,
        is_wrong,
        meets,
        receiver,
        side,
        order,
    )

    has_ground = outlet >= 0
    pixel = np.where(has_ground, exits[outlet], -1)
    outlet_m2 = np.where(has_ground, area[outlet], 0.0)
    own = outlet_m2.copy()  # what runs to the outlet of a cell and not first to that of another
    np.subtract.at(own, meets[meets >= 0], outlet_m2[meets >= 0])
    catchment = np.maximum(own, 0.0)
    flood.accumulate(order, receiver, catchment)

    centre_xy = np.einsum("nkc->nc", ring_xy) / ring_xy.shape[1]
    total, length = np.zeros(n), np.zeros(n, dtype=np.int64)
    is_large = outlet_m2 >= LARGE_CELLS * lattice.area_m2
    large = np.flatnonzero(is_large & ~is_wrong & (receiver != np.arange(n)))
    upscale.measure_displacement(
        code, step, n_columns, exits, centre_xy, outlet, receiver, large, total, length
    )
    displacement = np.full(n, np.nan)
    pitch = np.hypot(*(centre_xy[receiver[large]] - centre_xy[large]).T)
    displacement[large] = total[large] / length[large] / pitch
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


def route(drained: Drainage, heights: Heights, *, threshold_m2: float) -> Watercourses:
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
    return draw(carry(drained, heights.lattice), heights, threshold_m2=threshold_m2)


def draw(carried: RoutingReport, heights: Heights, *, threshold_m2: float) -> Watercourses:
    """Draw the watercourses of a drainage that was upscaled already, as `route` does.

    Raises
    ------
    BriefError
        If the threshold is not a finite number above 0.
    """
    check_positive("threshold_m2", threshold_m2, "m2")
    lattice = heights.lattice
    here = np.arange(lattice.n_cells)
    receiver, side = carried.receiver.copy(), carried.receiver_side.copy()
    catchment = carried.catchment_m2.copy()
    own = catchment.copy()
    runs_on = receiver != here
    np.subtract.at(own, receiver[runs_on], catchment[runs_on])
    is_sink = ~runs_on
    comes_in = own - lattice.area_m2 >= threshold_m2 * (1.0 - ROUNDING)
    is_wet = catchment >= threshold_m2 * (1.0 - ROUNDING)
    is_wet &= ~is_sink | (count_inflows(receiver, is_wet) > 0)  # a lone cell joins nothing
    notes = mend_confluences(lattice, carried.order, receiver, side, catchment, is_wet)
    if notes:
        catchment = np.maximum(own, 0.0)
        flood.accumulate(carried.order, receiver, catchment)

    filled = heights.mean_m.copy()
    for cell in carried.order[::-1]:
        filled[cell] = max(filled[cell], filled[receiver[cell]])
    return draw_watercourses(
        heights=heights,
        filled_m=filled,
        receiver=receiver,
        receiver_side=side,
        order=carried.order,
        catchment_m2=catchment,
        is_watercourse=is_wet,
        comes_in=comes_in,
        notes=notes,
    )


def _rings_in_pixels(drained: Drainage, lattice: Lattice) -> NDArray[np.float64]:
    """Outlines of the cells in the pixel space of the window; points where there is no place."""
    to_raster = _transformer(lattice.crs, drained.elevation.crs)

    def carried(points: NDArray[np.float64]) -> NDArray[np.float64]:
        xy = np.column_stack(to_raster.transform(points[:, 0], points[:, 1]))
        return drained.elevation.to_pixel(xy) - (drained.window[2], drained.window[0])

    if lattice.has_straight_sides:
        ring_xy = _smoothly(carried, lattice.corner_xy)[lattice.corner_of]
    else:
        ring_xy = carried(lattice.rings_xy.reshape(-1, 2)).reshape(lattice.n_cells, -1, 2)
    ring_xy[~np.isfinite(ring_xy).all(axis=(1, 2))] = -1.0
    return ring_xy


@lru_cache(maxsize=8)  # finding the best of all transformations takes long
def _transformer(source: str, target: str) -> Transformer:
    return Transformer.from_crs(source, target, always_xy=True)


def _smoothly(
    carried: Callable[[NDArray[np.float64]], NDArray[np.float64]], points: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Carry points, (n, 2), by `carried`, or many by a polynomial that is found to agree.

    It interpolates at Chebyshev nodes over the extent of the points (Trefethen, Approximation
    Theory and Approximation Practice, 2013, chapter 2), and must be true within a hundredth of a
    pixel at points all over: a projection costs far more than the rest of the work.
    """
    if len(points) < _MANY_POINTS:
        return carried(points)
    x, y = points.T  # one at a time: along the short axis numpy is slow
    least, most = np.array([x.min(), y.min()]), np.array([x.max(), y.max()])
    middle, half = (least + most) / 2.0, (most - least) / 2.0
    node = np.cos((np.arange(_N_NODES) + 0.5) * np.pi / _N_NODES)
    grid = np.stack(np.meshgrid(node, node, indexing="ij"), axis=-1).reshape(-1, 2)
    inverse = np.linalg.inv(chebyshev.chebvander(node, _N_NODES - 1))
    value = carried(middle + half * grid).reshape(_N_NODES, _N_NODES, 2)
    coefficient = np.einsum("ik,jl,klc->icj", inverse, inverse, value)
    x, y = ((points - middle) / half).T
    by_y = chebyshev.chebvander(x, _N_NODES - 1) @ coefficient.reshape(_N_NODES, -1)
    by_y = by_y.reshape(len(points), 2, _N_NODES)
    xy = np.einsum("ncj,nj->nc", by_y, chebyshev.chebvander(y, _N_NODES - 1))
    tried = slice(None, None, len(points) // _N_TRIED)
    agrees = (abs(xy[tried] - carried(points[tried])) <= _NEAR_PIXELS).all()  # never with NaN
    return xy if agrees else carried(points)


def _ways(lattice: Lattice) -> NDArray[np.int32]:
    """Neighbours, (n, 6) int32; across sides that no water crosses -2 - the neighbour."""
    neighbours, open_ = lattice.neighbours, lattice.water_neighbours
    ways: NDArray[np.int32] = np.where((open_ < 0) & (neighbours >= 0), -2 - neighbours, open_)
    return ways


def _choose(
    lattice: Lattice,
    neighbours: NDArray[np.int32],
    begin: NDArray[np.int32],
    then: NDArray[np.int32],
    cell_of: NDArray[np.int32],
    area: NDArray[np.float64],
) -> tuple[NDArray[np.int32], NDArray[np.bool_], NDArray[np.int64]]:
    """Choose the outlet of every cell; return them, which are wrong, and the cells by size."""
    outlet = outlets.largest_exits(begin, area)
    size = np.where(outlet >= 0, area[outlet], 0.0)
    visit = np.argsort(-size, kind="stable")
    is_wrong = np.zeros(lattice.n_cells, dtype=np.bool_)
    importance = np.where(size >= LARGE_CELLS * lattice.area_m2, _IMPORTANCE, 1)
    forest = (then, *outlets.list_sources(then, cell_of), cell_of, neighbours)
    outlets.mark_wrong(then, cell_of, outlet, neighbours, is_wrong)
    for share, sign, pairs in _PASSES:
        least = share * np.minimum(size, lattice.area_m2)
        choice = (outlet, is_wrong, importance, sign * size)
        outlets.choose_outlets(begin, area, least, visit, _SWEEPS, pairs, forest, choice)
    return outlet, is_wrong, visit
