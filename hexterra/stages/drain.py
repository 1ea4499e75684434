"""Elevation -> Drainage: where water runs on the pixels of a raster, and how much ground it drains.

What comes in is read as one window. What goes out is a surface without depressions, the direction
of every pixel and its catchment: what `route` carries onto a lattice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from hexterra.elevation.pixels import Window
from hexterra.errors import BriefError, NoHeightsError
from hexterra.kernels import breach, drainage, runoff
from hexterra.stages._pixel_ground import (
    frozen,
    grown,
    pixel_areas,
    pixel_distances,
    pixel_steps,
    pixels_in,
    whole_units,
    window_of,
)
from hexterra.values import Value, readonly

if TYPE_CHECKING:
    from hexterra.elevation import Elevation
    from hexterra.lattice import Lattice

#: What is done to depressions.
Depressions = Literal["breach then fill", "fill"]

#: Code of a pixel from which water leaves the raster, and of one that holds no ground.
OUTLET: Final = int(runoff.OUTLET)
VOID: Final = int(runoff.VOID)

MAX_PIXELS: Final = 2**31 - 1
_MAX_BREACH_PIXELS: Final = 500
_MARGIN: Final = 8  # pixels around a board to begin with


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
        for name, dtype in (
            ("surface_m", self.surface_m.dtype),
            ("direction", np.uint8),
            ("catchment_m2", np.float64),
            ("is_lake", np.bool_),
        ):
            held = readonly(getattr(self, name), dtype=dtype, shape=shape, name=name)
            object.__setattr__(self, name, held)


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
    outlets. A depression is filled to its lowest pass. Before that, if asked for, a pit is
    breached: the cheapest way to lower ground or an outlet, within a length and a depth, is cut
    down to the level of the pit (after Lindsay, Efficient hybrid breaching-filling sink removal
    methods, Hydrological Processes 30, 2016); the highest pit first, of equals the first pixel.

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
        Depressions at least as deep and as large are lakes: not breached, and marked. None (both)
        keeps no lakes.
    sea_level_m
        Ground at or below it is sea and counts as void; None for no sea.

    Raises
    ------
    BriefError
        If a limit is out of range, or the window has too many pixels.
    NoHeightsError
        If no pixel of the window is usable.

    Notes
    -----
    Catchments are sums of whole numbers (pixels, or on geographic rasters 2^-20 of the largest
    pixel's true area), so that they do not depend on the order of adding up; those of the outlets
    add up to the ground area. Filling is exact. Less than 16 bytes per pixel are needed beside
    what was read, for float32 heights.
    """
    _check(depressions, breach_length_pixels, breach_depth_m, lake_depth_m, lake_area_m2)
    rows, columns = elevation.shape
    whole = Window(0, rows, 0, columns)
    board = whole if around is None else window_of(elevation, around)
    limit = whole
    if surroundings_m is not None:
        rows, columns = pixels_in(elevation, board, surroundings_m)
        limit = grown(board, whole, (rows, rows, columns, columns))
    window = grown(board, limit, (_MARGIN,) * 4)
    while True:
        arrays = _drain_window(
            elevation,
            window,
            depressions=depressions,
            breach_length_pixels=breach_length_pixels,
            breach_depth_m=breach_depth_m,
            lakes=None if lake_depth_m is None else (lake_depth_m, lake_area_m2 or 0.0),
            sea_level_m=sea_level_m,
        )
        enters = (False,) * 4 if around is None else _entries(arrays[1], window, board, whole)
        height, width = window.shape
        by = (height // 2 + 1, height // 2 + 1, width // 2 + 1, width // 2 + 1)
        larger = grown(window, limit, tuple(n * side for n, side in zip(by, enters, strict=True)))
        if larger == window:
            return Drainage(elevation, window, *arrays, is_complete=not any(enters))
        window = larger


def fill(heights: NDArray[Any]) -> NDArray[Any]:
    """Fill the depressions of (rows, columns) float32 or float64 heights to their lowest passes.

    The rim is the outlet; -inf stands for voids. Equal to the reconstruction by erosion from the
    rim (Vincent, Morphological grayscale reconstruction, IEEE Transactions on Image Processing 2,
    1993), to the last bit.
    """
    surface = heights.copy()
    _fill(surface, None, np.empty(heights.shape))
    return surface


def stream_order(drained: Drainage, *, threshold_m2: float) -> NDArray[np.uint8]:
    """Order the streams after Strahler (1957), (rows, columns) uint8; 0 off the streams.

    A stream runs where the catchment reaches `threshold_m2`. Its first pixels have order 1; where
    two or more of the highest order meet, the order rises by one.
    """
    shape = drained.direction.shape
    order, inflows = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    is_stream = drained.catchment_m2 >= max(threshold_m2, np.finfo(np.float64).tiny)
    runoff.order_streams(
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
    drainage.label_basins(code.ravel(), pixel_steps(code.shape[1]), label.ravel(), 1)
    return label


def _check(
    depressions: str,
    length_pixels: int,
    breach_depth_m: float,
    lake_depth_m: float | None,
    lake_area_m2: float | None,
) -> None:
    if depressions not in {"breach then fill", "fill"}:
        raise BriefError(
            f"depressions is {depressions!r}; it is 'breach then fill' or 'fill'",
            remedy="choose one of the two",
            depressions=depressions,
        )
    for name, value, most in (
        ("breach_length_pixels", length_pixels, _MAX_BREACH_PIXELS),
        ("breach_depth_m", breach_depth_m, math.inf),
        ("lake_depth_m", lake_depth_m or 0.0, math.inf),
        ("lake_area_m2", lake_area_m2 or 0.0, math.inf),
    ):
        if not 0 <= value <= most:  # also catches NaN
            raise BriefError(
                f"{name} is {value!r}; it must be from 0 to {most:g}",
                remedy=f"choose another {name}",
                name=name,
                value=value,
            )
    if (lake_depth_m is None) != (lake_area_m2 is None):
        raise BriefError(
            "one of lake_depth_m and lake_area_m2 is given without the other",
            remedy="give both, or neither to keep no lakes",
            lake_depth_m=lake_depth_m,
            lake_area_m2=lake_area_m2,
        )


def _drain_window(
    elevation: Elevation,
    window: Window,
    *,
    depressions: Depressions,
    breach_length_pixels: int,
    breach_depth_m: float,
    lakes: tuple[float, float] | None,
    sea_level_m: float | None,
) -> tuple[NDArray[Any], NDArray[np.uint8], NDArray[np.float64], NDArray[np.bool_]]:
    """Return surface, directions, catchments and lakes of a window."""
    n_rows, n_columns = window.shape
    if n_rows * n_columns > MAX_PIXELS:
        raise BriefError(
            f"{n_rows} x {n_columns} pixels are {n_rows * n_columns:,}; at most {MAX_PIXELS:,} can"
            " be drained in one piece",
            remedy="give surroundings_m, or a coarser raster",
            n_pixels=n_rows * n_columns,
        )
    ground, usable = elevation.read(*window)
    if usable is not None or sea_level_m is not None:
        is_void = np.zeros(window.shape, np.bool_) if usable is None else ~usable
        if sea_level_m is not None:
            is_void |= ground <= sea_level_m
        ground = ground.copy()
        ground[is_void] = -np.inf
        if is_void.all():
            raise NoHeightsError(
                f"no pixel of rows {window.row0}:{window.row1}, columns {window.column0}:"
                f"{window.column1} of {elevation.name!r} is usable ground",
                remedy="drain another part, or check the voids and the sea level",
                window=tuple(window),
            )
    area_m2 = pixel_areas(elevation, window)
    surface = ground.copy()
    is_lake = np.zeros(window.shape, dtype=np.bool_)
    # Fresh memory costs as much as half of the work, so what ends as catchments serves all steps.
    catchment, inflows = np.empty(window.shape), np.empty(window.shape, dtype=np.uint8)
    if depressions == "breach then fill":
        if lakes is not None:
            _fill(surface, (*lakes, float(area_m2.mean()), is_lake), catchment)
            np.copyto(surface, ground)
        _breach(surface, is_lake, breach_length_pixels, breach_depth_m, catchment)
    kept = None if lakes is None else (*lakes, float(area_m2.mean()), is_lake)
    _fill(surface, kept, catchment)
    code = _direct(surface, ground, pixel_distances(elevation, window), catchment, inflows)
    np.copyto(surface, 0.0, where=code == VOID)
    _accumulate(code, area_m2, inflows, catchment)
    for array in (surface, code, catchment, is_lake):
        array.flags.writeable = False
    return surface, code, catchment, is_lake


def _fill(
    surface: NDArray[Any],
    lakes: tuple[float, float, float, NDArray[np.bool_]] | None,
    scratch: NDArray[np.float64],
) -> None:
    """Fill `surface` in place; mark depressions of a depth and area (and pixel area) as lakes."""
    n_columns = surface.shape[1]
    code, label = _point_down(surface, scratch)
    flat_surface, flat_label = surface.ravel(), label.ravel()
    n = drainage.label_basins(frozen(code.ravel()), pixel_steps(n_columns), flat_label, 1)
    pair, height = drainage.find_passes(flat_surface, flat_label, n_columns)
    level, water = drainage.spill_levels(pair, height, n)
    if lakes is not None:
        depth_m, least_area_m2, pixel_m2, is_lake = lakes
        size, depth = np.zeros(n, np.int64), np.zeros(n)
        drainage.measure_depressions(flat_surface, flat_label, level, size, depth)
        n_pixels, deepest = np.bincount(water, size, n), np.zeros(n)
        np.maximum.at(deepest, water, depth)
        is_kept = (n_pixels * pixel_m2 >= least_area_m2) & (deepest >= depth_m) & (n_pixels > 0)
        drainage.mark_lakes(flat_surface, flat_label, level, is_kept[water], is_lake.ravel())
    drainage.raise_to(flat_surface, flat_label, level)


def _point_down(
    surface: NDArray[Any], scratch: NDArray[np.float64]
) -> tuple[NDArray[np.uint8], NDArray[np.int32]]:
    """Point every pixel down; return codes and labels, which lie in the memory of `scratch`."""
    bytes_ = scratch.ravel().view(np.uint8)
    label = bytes_[: 4 * surface.size].view(np.int32).reshape(surface.shape)
    code = bytes_[4 * surface.size : 5 * surface.size].reshape(surface.shape)
    label[[0, -1]] = 0
    code[[0, -1]] = 0
    drainage.point_down(surface, code, label)
    return code, label


def _breach(
    surface: NDArray[Any],
    is_lake: NDArray[np.bool_],
    length: int,
    depth_m: float,
    scratch: NDArray[np.float64],
) -> None:
    """Breach the pits of `surface` in place, save for those under lakes."""
    code, label = _point_down(surface, scratch)
    pits = np.flatnonzero((code == 0) & (label < 0) & ~is_lake)
    highest_first = np.argsort(-surface.ravel()[pits], kind="stable")
    breach.breach_pits(surface, pits[highest_first], length, depth_m)


def _direct(
    surface: NDArray[Any],
    ground: NDArray[Any],
    distance_m: NDArray[np.float64],
    scratch: NDArray[np.float64],
    more_scratch: NDArray[np.uint8],
) -> NDArray[np.uint8]:
    code = np.empty(surface.shape, dtype=np.uint8)
    code[[0, -1]] = np.where(surface[[0, -1]] == -np.inf, runoff.VOID, runoff.OUTLET)
    n_flat = runoff.direct(surface, 1.0 / distance_m, code)
    runoff.direct_flats(
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
    area_m2: NDArray[np.float64],
    inflows: NDArray[np.uint8],
    catchment_m2: NDArray[np.float64],
) -> None:
    """Write catchments, (rows, columns); `inflows` is overwritten."""
    units, unit_m2 = whole_units(area_m2)
    catchment_m2[:] = units
    np.copyto(catchment_m2, 0.0, where=code == VOID)
    inflows[:] = 0
    runoff.count_inflows(code, inflows)
    runoff.accumulate(
        frozen(code.ravel()), pixel_steps(code.shape[1]), inflows.ravel(), catchment_m2.ravel()
    )
    catchment_m2 *= unit_m2


def _entries(
    code: NDArray[np.uint8], window: Window, board: Window, whole: Window
) -> tuple[bool, ...]:
    """Tell on which sides of the window, save the raster's own, water runs on to the board.

    The sides are those of the first and last row, and of the first and last column. Their own
    pixels are outlets, so those beside them are looked at.
    """
    rows, columns = window.shape
    label = np.full(code.shape, -1, dtype=np.int32)
    label[(code == VOID) | (code == OUTLET)] = 0
    board_part = label[
        board.row0 - window.row0 : board.row1 - window.row0,
        board.column0 - window.column0 : board.column1 - window.column0,
    ]
    board_part[board_part < 0] = 1
    drainage.label_basins(code.ravel(), pixel_steps(columns), label.ravel(), 2)
    sides = (
        (window.row0 > whole.row0, label[1]),
        (window.row1 < whole.row1, label[rows - 2]),
        (window.column0 > whole.column0, label[:, 1]),
        (window.column1 < whole.column1, label[:, columns - 2]),
    )
    return tuple(is_cut and bool((along == 1).any()) for is_cut, along in sides)
