"""What draining in one piece and draining by bands share: rules, windows, depressions of an array.

Used by `drain` and `drain_bands`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NoReturn, TypeVar

import numpy as np
from numpy.typing import NDArray

from hexterra.elevation.pixels import Window
from hexterra.errors import BriefError, NoHeightsError
from hexterra.kernels.raster import depression_fill
from hexterra.stages.sampling.pixel_geometry import grown, pixels_in, window_of

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation
    from hexterra.lattice.lattice import Lattice

_MAX_BREACH_PIXELS: Final = 500
_MARGIN: Final = 8  # pixels around a board to begin with

_Drained = TypeVar("_Drained")

#: Something about the first and last row and the first and last column of a window.
Sides = tuple[bool, bool, bool, bool]


@dataclass(frozen=True)
class DrainageRules:
    """What is sea, what is a lake, and what is breached.

    Parameters
    ----------
    breach
        Longest breach in pixels and deepest cut in metres; None to breach nothing.
    lakes
        Least depth in metres and least area in square metres of a lake; None to keep none.
    sea_level_m
        Ground at or below it is sea; None for no sea.
    """

    breach: tuple[int, float] | None
    lakes: tuple[float, float] | None
    sea_level_m: float | None


def check_rules(
    depressions: str,
    breach_length_pixels: int,
    breach_depth_m: float,
    lake_depth_m: float | None,
    lake_area_m2: float | None,
    sea_level_m: float | None,
) -> DrainageRules:
    """Check the keywords of `drain`, and put them together."""
    if depressions not in {"breach then fill", "fill"}:
        raise BriefError(
            f"depressions is {depressions!r}; it is 'breach then fill' or 'fill'",
            remedy="choose one of the two",
            depressions=depressions,
        )
    for name, value, most in (
        ("breach_length_pixels", breach_length_pixels, _MAX_BREACH_PIXELS),
        ("breach_depth_m", breach_depth_m, math.inf),
        ("lake_depth_m", lake_depth_m or 0.0, math.inf),
        ("lake_area_m2", lake_area_m2 or 0.0, math.inf),
    ):
        if not 0 <= value <= most:  # also catches NaN
            allowed = "a number from 0 up" if math.isinf(most) else f"from 0 to {most:g}"
            raise BriefError(
                f"{name} is {value!r}; it must be {allowed}",
                remedy=f"choose another value of {name}",
                name=name,
                value=value,
            )
    if (lake_depth_m is None) != (lake_area_m2 is None):
        raise BriefError(
            "of the least depth and the least area of a lake, one is given without the other",
            remedy="give both, or neither to keep no lakes",
            lake_depth_m=lake_depth_m,
            lake_area_m2=lake_area_m2,
        )
    if breach_length_pixels != int(breach_length_pixels):
        raise BriefError(
            f"breach_length_pixels is {breach_length_pixels!r}; it must be a whole number",
            remedy="choose a whole number of pixels",
            name="breach_length_pixels",
            value=breach_length_pixels,
        )
    if sea_level_m is not None and not math.isfinite(sea_level_m):
        raise BriefError(
            f"sea_level_m is {sea_level_m!r}; it must be a finite number of metres",
            remedy="give the height up to which ground is sea, or None for no sea",
            name="sea_level_m",
            value=sea_level_m,
        )
    is_breached = depressions == "breach then fill"
    return DrainageRules(
        (int(breach_length_pixels), float(breach_depth_m)) if is_breached else None,
        None if lake_depth_m is None or lake_area_m2 is None else (lake_depth_m, lake_area_m2),
        sea_level_m,
    )


def drain_board(
    elevation: Elevation,
    around: Lattice | None,
    surroundings_m: float | None,
    drain_window: Callable[[Window], _Drained],
    find_entries: Callable[[_Drained, Window, Sides], Sides],
) -> tuple[Window, _Drained, bool]:
    """Drain a window that grows until no water runs from outside it to the board.

    Parameters
    ----------
    elevation, around, surroundings_m
        As in `drain`.
    drain_window
        Drains a window.
    find_entries
        Tells of what `drain_window` gave, where the board lies in it, and which sides of the
        window are not those of the raster: on which of these water runs on to the board.

    Returns
    -------
    tuple
        The window, what `drain_window` gave, and whether all water of the board is within.

    Raises
    ------
    BriefError
        If `surroundings_m` is out of range.
    """
    if surroundings_m is not None and not 0.0 <= surroundings_m < math.inf:
        raise BriefError(
            f"surroundings_m is {surroundings_m!r} m; it must be a finite number from 0 m on",
            remedy="give how far from the board water is followed, or None for no limit",
            name="surroundings_m",
            value=surroundings_m,
        )
    whole = Window(0, elevation.shape[0], 0, elevation.shape[1])
    if around is None:
        return whole, drain_window(whole), True
    board = window_of(elevation, around)
    limit = whole
    if surroundings_m is not None:
        rows, columns = pixels_in(elevation, board, surroundings_m)
        limit = grown(board, whole, (rows, rows, columns, columns))
    window = grown(board, limit, (_MARGIN,) * 4)
    while True:
        drained = drain_window(window)
        is_cut = (
            window.row0 > whole.row0,
            window.row1 < whole.row1,
            window.column0 > whole.column0,
            window.column1 < whole.column1,
        )
        in_window = Window(
            board.row0 - window.row0,
            board.row1 - window.row0,
            board.column0 - window.column0,
            board.column1 - window.column0,
        )
        enters = find_entries(drained, in_window, is_cut)
        height, width = window.shape
        by = (height // 2 + 1, height // 2 + 1, width // 2 + 1, width // 2 + 1)
        larger = grown(window, limit, tuple(n * side for n, side in zip(by, enters, strict=True)))
        if larger == window:
            return window, drained, not any(enters)
        window = larger


def read_ground(elevation: Elevation, window: Window, sea_level_m: float | None) -> NDArray[Any]:
    """Read the ground of a window, with -inf for voids and sea; it may be read-only."""
    ground, usable = elevation.read(*window)
    if usable is None and sea_level_m is None:
        return ground
    is_void = np.zeros(window.shape, np.bool_) if usable is None else ~usable
    if sea_level_m is not None:
        is_void |= ground <= sea_level_m
    ground = ground.copy()
    ground[is_void] = -np.inf
    return ground


def refuse_no_ground(elevation: Elevation, window: Window) -> NoReturn:
    """Raise the error of a window without any ground."""
    raise NoHeightsError(
        f"no pixel of rows {window.row0}:{window.row1}, columns {window.column0}:"
        f"{window.column1} of {elevation.name!r} is usable ground",
        remedy="drain another part, or check the voids and the sea level",
        window=tuple(window),
    )


def point_down(
    surface: NDArray[Any], scratch: NDArray[np.float64]
) -> tuple[NDArray[np.uint8], NDArray[np.int32]]:
    """Point every pixel down; return codes and labels, which lie in the memory of `scratch`."""
    bytes_ = scratch.ravel().view(np.uint8)
    label = bytes_[: 4 * surface.size].view(np.int32).reshape(surface.shape)
    code = bytes_[4 * surface.size : 5 * surface.size].reshape(surface.shape)
    label[[0, -1]] = 0
    code[[0, -1]] = 0
    depression_fill.point_down(surface, code, label)
    return code, label


def list_pits(
    surface: NDArray[Any], is_lake: NDArray[np.bool_], scratch: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Numbers of the pixels that lie lower than all around, except those under lakes."""
    code, label = point_down(surface, scratch)
    return np.flatnonzero((code == 0) & (label < 0) & ~is_lake)


def label_water_bodies(
    ground: NDArray[Any], surface: NDArray[Any], water: NDArray[np.int32]
) -> int:
    """Label the pixels that a fill raised, together where they touch, from 1 on; return how many.

    Waters of two levels never touch: the higher would run off into the lower.
    """
    from scipy import ndimage  # slow to load, and only lakes need it

    n: Any = ndimage.label(surface > ground, np.ones((3, 3)), output=water)
    return n


def are_lakes(
    size: NDArray[np.float64],
    depth_m: NDArray[np.float64],
    unit_m2: float,
    least: tuple[float, float],
) -> NDArray[np.bool_]:
    """Tell which waters, of sizes in units, are deep and large enough for lakes."""
    least_depth_m, least_area_m2 = least
    return (size > 0) & (depth_m >= least_depth_m) & (size * unit_m2 >= least_area_m2)
