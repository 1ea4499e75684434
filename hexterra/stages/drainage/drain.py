"""Elevation -> Drainage: where water runs on the pixels of a raster, and how much ground it drains.

What comes in is read as one window. What goes out is a surface without depressions, the direction
of every pixel and its catchment: what `route` carries onto a lattice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.elevation.pixels import Window
from hexterra.elevation.undeclared import refusing_voids
from hexterra.errors import BriefError
from hexterra.kernels.compiled import frozen
from hexterra.kernels.raster import breach, depression_fill, direction_codes, pixel_flow
from hexterra.memory import ask_for
from hexterra.stages.drainage.drainage_rules import (
    DrainageRules,
    Sides,
    are_lakes,
    check_rules,
    drain_board,
    label_water_bodies,
    list_pits,
    point_down,
    read_ground,
    refuse_no_ground,
)
from hexterra.stages.sampling.pixel_geometry import (
    area_unit,
    in_units,
    pixel_areas,
    pixel_distances,
    pixel_steps,
)
from hexterra.values import Value, freeze_arrays

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation
    from hexterra.lattice.lattice import Lattice

#: What is done to depressions.
Depressions = Literal["breach then fill", "fill"]

#: Code of a pixel from which water leaves the raster, and of one that holds no ground.
OUTLET: Final = int(direction_codes.OUTLET)
VOID: Final = int(direction_codes.VOID)

#: Most pixels that are drained in one piece.
MAX_PIXELS: Final = 2**31 - 1


@dataclass(frozen=True, eq=False, repr=False)
class Drainage(Value):
    """Where water runs on the pixels of a window of a raster.

    Parameters
    ----------
    elevation
        The raster.
    window
        First row, row after the last, first column, column after the last.
    surface_m
        Ground without depressions, (rows, columns) float32 or float64 as read, in metres; 0 in
        voids.
    direction
        (rows, columns) uint8: the neighbour that water runs to, as a power of two clockwise from
        1 = next column to 128 = row before and next column; `OUTLET` where it leaves the raster,
        `VOID` where there is no ground.
    catchment_m2
        Ground area that drains through each pixel, its own included, (rows, columns) float64; 0
        in voids.
    is_lake
        Pixels under the water of a depression that was kept as a lake, (rows, columns) bool.
    is_complete
        Whether all water of the board comes from within the window; True without a board.
    """

    elevation: Elevation
    window: tuple[int, int, int, int]
    surface_m: NDArray[Any]
    direction: NDArray[np.uint8]
    catchment_m2: NDArray[np.float64]
    is_lake: NDArray[np.bool_]
    is_complete: bool = True

    def __post_init__(self) -> None:
        shape = Window(*self.window).shape
        freeze_arrays(
            self,
            ("surface_m", self.surface_m.dtype, shape),
            ("direction", np.uint8, shape),
            ("catchment_m2", np.float64, shape),
            ("is_lake", np.bool_, shape),
        )


@checked
def drain(
    elevation: Elevation,
    *,
    around: Lattice | None = None,
    surroundings_m: float | None = None,
    depressions: Depressions = "breach then fill",
    breach_length_pixels: int = 20,
    breach_depth_m: float = 10.0,
    lake_depth_m: float | None = None,
    lake_area_m2: float | None = None,
    sea_level_m: float | None = None,
) -> Drainage:
    """Send the water of every pixel to a neighbour, and add up the ground it drains.

    Water leaves at the rim of the raster, beside voids and beside the sea: those pixels are
    outlets. A depression is filled to its lowest pass. Before that, if asked for, each pit is
    breached: the cheapest way to lower ground or an outlet, within a length and a depth, is cut
    down to the level of the pit (after Lindsay, Efficient hybrid breaching-filling sink removal
    methods, Hydrological Processes 30, 2016). All ways are found on the ground as it was, so no
    pit's way depends on another's, and none is cut deeper than allowed where they cross.

    Each pixel runs to its steepest lower neighbour (O'Callaghan and Mark, 1984; codes after Jenson
    and Domingue, 1988, as commonly written), of equals the first clockwise from the next column.
    Flats and filled depressions run toward their nearest way out (the gradient toward lower
    terrain of Garbrecht and Martz, 1997, and Barnes, Lehman and Mulla, 2014), of equal ways over
    the lowest original ground.

    Parameters
    ----------
    elevation
        The raster.
    around
        Only these cells matter: the window is grown until no water comes in from outside it.
        Without it, the whole raster is drained.
    surroundings_m
        How far from the cells the window may reach; None sets no limit.
    depressions
        "breach then fill", or "fill" alone.
    breach_length_pixels, breach_depth_m
        Longest breach, and deepest cut.
    lake_depth_m, lake_area_m2
        Depressions at least as deep and as large are lakes: filled and marked, and no breach cuts
        the ground beside one to below its water. None (both) keeps no lakes.
    sea_level_m
        Ground at or below it is sea and counts as void; None for no sea.

    Raises
    ------
    BriefError
        If a limit is out of range, or the window has too many pixels.
    NoHeightsError
        If no pixel of the window is usable.
    NotElevationError
        If the raster contains numbers that seem to mark voids, but are not declared. Without
        `around` only: `gather` checks the ground under cells.

    Notes
    -----
    Catchments are sums of whole numbers (pixels, or on geographic rasters 2^-20 of the largest
    pixel's true area), so that they do not depend on the order of adding up; those of the outlets
    add up to the ground area. Filling is exact. Less than 16 bytes per pixel are needed beside
    what was read, for float32 heights.
    """
    rules = check_rules(
        depressions,
        breach_length_pixels,
        breach_depth_m,
        lake_depth_m,
        lake_area_m2,
        sea_level_m,
    )
    ground = refusing_voids(elevation) if around is None else elevation
    window, arrays, is_complete = drain_board(
        elevation,
        around,
        surroundings_m,
        lambda window: _drain_window(ground, window, rules),
        lambda arrays, board, is_cut: _find_entries(arrays[1], board, is_cut),
    )
    return Drainage(elevation, window, *arrays, is_complete=is_complete)


def bytes_to_drain(elevation: Elevation, n_pixels: int) -> int:
    """Return the memory that it takes to drain pixels in one piece and to outline their streams.

    Measured as the peak of a process on rough and smooth ground, with some to spare.
    """
    dtype = elevation.read(0, 1, 0, 1)[0].dtype
    return 100_000_000 + n_pixels * (25 if dtype == np.float32 else 38)


def fill(heights: NDArray[Any]) -> NDArray[Any]:
    """Fill the depressions of (rows, columns) float32 or float64 heights to their lowest passes.

    The rim is the outlet; -inf stands for voids. Equal to the reconstruction by erosion from the
    rim (Vincent, Morphological grayscale reconstruction, IEEE Transactions on Image Processing 2,
    1993), to the last bit.
    """
    surface = heights.copy()
    _fill(surface, np.empty(heights.shape))
    return surface


def stream_order(drained: Drainage, *, threshold_m2: float) -> NDArray[np.uint8]:
    """Order the streams after Strahler (1957), (rows, columns) uint8; 0 off the streams.

    A stream runs where the catchment reaches `threshold_m2`. Its first pixels have order 1; where
    two or more of the highest order meet, the order rises by one.
    """
    shape = drained.direction.shape
    order, inflows = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    is_stream = drained.catchment_m2 >= max(threshold_m2, np.finfo(np.float64).tiny)
    pixel_flow.order_streams(
        drained.direction.ravel(),
        pixel_steps(shape[1]),
        is_stream.ravel(),
        inflows.ravel(),
        order.ravel(),
    )
    return order


def label_catchments(drained: Drainage) -> NDArray[np.int32]:
    """Label each pixel with its catchment, from 1 in the order of the outlets; 0 in voids."""
    code = drained.direction
    is_outlet = code == OUTLET
    label = np.full(code.shape, -1, dtype=np.int32)
    label[code == VOID] = 0
    label[is_outlet] = np.arange(1, np.count_nonzero(is_outlet) + 1)
    depression_fill.label_basins(code.ravel(), pixel_steps(code.shape[1]), label.ravel(), 1)
    return label


def _drain_window(
    elevation: Elevation, window: Window, rules: DrainageRules
) -> tuple[NDArray[Any], NDArray[np.uint8], NDArray[np.float64], NDArray[np.bool_]]:
    """Return surface, directions, catchments and lakes of a window."""
    n_rows, n_columns = window.shape
    if n_rows * n_columns > MAX_PIXELS:
        raise BriefError(
            f"{n_rows} x {n_columns} pixels are {n_rows * n_columns:,}; at most {MAX_PIXELS:,} can"
            " be drained in one piece",
            remedy="drain by bands, give surroundings_m, or a coarser raster",
            n_pixels=n_rows * n_columns,
        )
    ask_for(
        bytes_to_drain(elevation, n_rows * n_columns),
        f"draining {n_rows:,} x {n_columns:,} pixels in one piece",
        remedy="use coarser pixels, cut the raster, or limit how far around the board"
        " water is followed (drainage.surroundings_km)",
    )
    ground = read_ground(elevation, window, rules.sea_level_m)
    if not np.isfinite(ground.max()):
        refuse_no_ground(elevation, window)
    area_m2 = pixel_areas(elevation, window)
    unit_m2 = area_unit(float(area_m2.min()), float(area_m2.max()))
    units = in_units(area_m2, unit_m2)
    surface = ground.copy()
    is_lake = np.zeros(window.shape, dtype=np.bool_)
    # Fresh memory costs as much as half of the work, so what ends as catchments serves all steps.
    catchment, inflows = np.empty(window.shape), np.empty(window.shape, dtype=np.uint8)
    if rules.lakes is not None:
        _fill(surface, catchment)
        _mark_lakes(ground, surface, units, unit_m2, rules.lakes, is_lake, catchment)
    if rules.breach is not None:
        if rules.lakes is not None:
            np.copyto(surface, ground, where=~is_lake)
        _breach(surface, is_lake, rules.breach, catchment)
    if rules.lakes is None or rules.breach is not None:
        _fill(surface, catchment)
    code = _direct(surface, ground, pixel_distances(elevation, window), catchment, inflows)
    np.copyto(surface, 0.0, where=code == VOID)
    _accumulate(code, units, inflows, catchment)
    catchment *= unit_m2
    for array in (surface, code, catchment, is_lake):
        array.flags.writeable = False
    return surface, code, catchment, is_lake


def _fill(surface: NDArray[Any], scratch: NDArray[np.float64]) -> None:
    """Fill `surface` in place."""
    n_columns = surface.shape[1]
    code, label = point_down(surface, scratch)
    flat_surface, flat_label = surface.ravel(), label.ravel()
    n = depression_fill.label_basins(frozen(code.ravel()), pixel_steps(n_columns), flat_label, 1)
    points = depression_fill.find_pour_points(flat_surface, flat_label, n_columns)
    depression_fill.raise_to(flat_surface, flat_label, depression_fill.spill_levels(points, n))


def _mark_lakes(
    ground: NDArray[Any],
    surface: NDArray[Any],
    units: NDArray[np.float64],
    unit_m2: float,
    least: tuple[float, float],
    is_lake: NDArray[np.bool_],
    scratch: NDArray[np.float64],
) -> None:
    """Mark the depressions, filled in `surface`, that are deep and large enough for lakes."""
    water = scratch.ravel().view(np.int32)[: ground.size].reshape(ground.shape)
    n = label_water_bodies(ground, surface, water) + 1
    size, depth_m = np.zeros(n), np.zeros(n)
    depression_fill.measure_water_bodies(frozen(ground), surface, water, units, size, depth_m)
    is_kept = are_lakes(size, depth_m, unit_m2, least)
    depression_fill.mark_lakes(water.ravel(), is_kept, is_lake.ravel())


def _breach(
    surface: NDArray[Any],
    is_lake: NDArray[np.bool_],
    limits: tuple[int, float],
    scratch: NDArray[np.float64],
) -> None:
    """Breach the pits of `surface` in place, save for those under lakes."""
    pits = list_pits(surface, is_lake, scratch)
    uncut = scratch.ravel().view(surface.dtype)[: surface.size].reshape(surface.shape)
    np.copyto(uncut, surface)
    breach.breach_pits(uncut, is_lake, pits, *limits, surface)


def _direct(
    surface: NDArray[Any],
    ground: NDArray[Any],
    distance_m: NDArray[np.float64],
    scratch: NDArray[np.float64],
    more_scratch: NDArray[np.uint8],
) -> NDArray[np.uint8]:
    code = np.empty(surface.shape, dtype=np.uint8)
    code[[0, -1]] = np.where(surface[[0, -1]] == -np.inf, VOID, OUTLET)
    n_flat = pixel_flow.direct(surface, 1.0 / distance_m, code)
    pixel_flow.direct_flats(
        surface.ravel(),
        frozen(ground.ravel()),
        pixel_steps(surface.shape[1]),
        code.ravel(),
        scratch.ravel().view(np.int32)[: 2 * n_flat],
        more_scratch.ravel(),
    )
    return code


def _accumulate(
    code: NDArray[np.uint8],
    units: NDArray[np.float64],
    inflows: NDArray[np.uint8],
    catchment: NDArray[np.float64],
) -> None:
    """Write catchments in units, (rows, columns); `inflows` is overwritten."""
    catchment[:] = units
    np.copyto(catchment, 0.0, where=code == VOID)
    pixel_flow.count_inflows(code, inflows)
    pixel_flow.accumulate(
        frozen(code.ravel()), pixel_steps(code.shape[1]), inflows.ravel(), catchment.ravel()
    )


def _find_entries(code: NDArray[np.uint8], board: Window, is_cut: Sides) -> Sides:
    """Tell on which sides of the window that are cut water runs on to the board.

    The pixels of a side are outlets, so those beside them are looked at.
    """
    label = np.full(code.shape, -1, dtype=np.int32)
    label[(code == VOID) | (code == OUTLET)] = 0
    board_part = label[board.row0 : board.row1, board.column0 : board.column1]
    board_part[board_part < 0] = 1
    depression_fill.label_basins(code.ravel(), pixel_steps(code.shape[1]), label.ravel(), 2)
    sides = (label[1], label[-2], label[:, 1], label[:, -2])
    top, bottom, left, right = (
        cut and bool((side == 1).any()) for cut, side in zip(is_cut, sides, strict=True)
    )
    return top, bottom, left, right
