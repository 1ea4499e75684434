"""Ground, brief -> Watercourses: which way water is found, and from which catchment it is shown."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Final, NamedTuple, cast

import numpy as np

from hexterra.elevation.averaging import average
from hexterra.elevation.pixels import Window
from hexterra.stages.drainage.drain import drain
from hexterra.stages.sampling.pixel_geometry import pixel_areas
from hexterra.stages.water.flow import ROUNDING, Watercourses, flow
from hexterra.stages.water.route import carry, draw
from hexterra.stages.water.standing import find_standing_water, sea_of_means

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.brief.brief import Brief
    from hexterra.elevation.elevation import Elevation
    from hexterra.lattice.board import Board
    from hexterra.stages.drainage.drain import Drainage
    from hexterra.stages.sampling.gather import Heights

#: Fewest pixels across a cell for its water to follow them.
LEAST_PIXELS_ACROSS: Final = 2.0
#: Least depth of a hollow that is a lake where the brief does not say, in metres, and its least
#: area in cells.
LAKE_DEPTH_M: Final = 2.0
LAKE_CELLS: Final = 1.0
#: Share of the dry land that watercourses should cross where the brief names no threshold, and the
#: shares of cells above the threshold that are tried: short headwaters are left out of them.
WET_SHARE: Final = 0.12
_TRIED_SHARES: Final = (0.12, 0.14, 0.17, 0.2, 0.24, 0.3)
#: No brook comes from less ground. Channels in soil begin at about this much: from memory, after
#: Montgomery and Dietrich, Where do channels begin?, Nature 336 (1988).
LEAST_THRESHOLD_M2: Final = 50_000.0


class RoutingQuality(NamedTuple):
    """How true the water of the cells is to that of the pixels.

    Parameters
    ----------
    share_wrong, area_error, mean_displacement_cells
        As of `hexterra.stages.water.route.RoutingReport`; the last is None where no river is large.
    is_complete
        Whether all ground that drains to the board was looked at.
    pixels_averaged
        Pixels of the raster along each edge of one that was looked at.
    """

    share_wrong: float
    area_error: float
    mean_displacement_cells: float | None
    is_complete: bool
    pixels_averaged: int


class WaterSource(NamedTuple):
    """Where water comes from on a board, before it is known from which catchment it is shown.

    Parameters
    ----------
    draw
        Draws the watercourses of a least catchment in m2.
    catchment_m2
        What drains through each of n cells, (n,) float64.
    quality
        How true this is to the raster; None if it follows the means of the cells.
    """

    draw: Callable[[float], Watercourses]
    catchment_m2: NDArray[np.float64]
    quality: RoutingQuality | None


def source_of_water(
    elevation: Elevation, heights: Heights, brief: Brief
) -> tuple[WaterSource, tuple[str, ...]]:
    """Find where water runs on a board, as the brief wants it; and say what was assumed.

    Raises
    ------
    HexterraError
        See `drain`, `carry`, `flow`.
    """
    board = cast("Board", heights.lattice)
    factor, assumed = _pixels_averaged(elevation, board, brief)
    water, sea_level_m = brief.water, brief.drainage.sea_level_m
    if not factor:
        standing = None
        if water.standing and sea_level_m is not None:
            standing = sea_of_means(heights, sea_level_m)

        def flow_from(threshold_m2: float) -> Watercourses:
            return flow(
                heights,
                threshold_m2=threshold_m2,
                pool_depth_m=water.pool_depth_m,
                least_cells=water.least_cells,
                standing=standing,
            )

        everywhere = flow_from(float(board.area_m2.min()))
        return WaterSource(flow_from, everywhere.catchment_m2, None), assumed
    drained = _drained(average(elevation, factor), board, brief)
    lakes = None
    if water.standing:
        asked = brief.drainage
        area_m2 = LAKE_CELLS * float(board.area_m2.mean())
        lakes = find_standing_water(
            drained,
            board,
            least_depth_m=LAKE_DEPTH_M if asked.lake_depth_m is None else asked.lake_depth_m,
            least_area_m2=area_m2 if asked.lake_area_km2 is None else asked.lake_area_km2 * 1e6,
            sea_level_m=sea_level_m,
        )
    carried = carry(drained, board)
    displacement = carried.mean_displacement_cells
    quality = RoutingQuality(
        carried.share_wrong,
        carried.area_error,
        None if math.isnan(displacement) else displacement,
        drained.is_complete,
        factor,
    )

    def route_from(threshold_m2: float) -> Watercourses:
        return draw(
            carried,
            heights,
            threshold_m2=threshold_m2,
            least_cells=water.least_cells,
            standing=lakes,
        )

    return WaterSource(route_from, carried.catchment_m2, quality), assumed


def show_water(
    water_from: Callable[[float], Watercourses], catchment_m2: NDArray[np.float64], brief: Brief
) -> tuple[Watercourses, tuple[str, ...]]:
    """Draw watercourses from the threshold of the brief, or choose one; and say what was assumed.

    The threshold that is chosen leaves about `WET_SHARE` of the dry land wet, and is never below
    `LEAST_THRESHOLD_M2`.

    Parameters
    ----------
    water_from
        Draws the watercourses of a least catchment in m2.
    catchment_m2
        What drains through each of n cells, (n,) float64.
    brief
        What is wanted.
    """
    if brief.water.threshold_km2 is not None:
        return water_from(brief.water.threshold_km2 * 1e6), ()
    best = None
    descending = np.sort(catchment_m2)[::-1]
    n = len(descending)
    for share in _TRIED_SHARES:
        least_m2 = max(float(descending[min(int(share * n), n - 1)]), LEAST_THRESHOLD_M2)
        threshold_m2 = _rounded_up(least_m2 * (1.0 + ROUNDING))
        water = water_from(threshold_m2)
        dry = n - (0 if water.standing is None else int(water.standing.is_under.sum()))
        off = abs(water.is_watercourse.sum() / max(dry, 1) - WET_SHARE)
        if best is None or off < best[0]:
            best = off, threshold_m2, water
        if water.is_watercourse.sum() >= WET_SHARE * dry or least_m2 == LEAST_THRESHOLD_M2:
            break
    _, threshold_m2, water = cast("tuple[float, float, Watercourses]", best)
    share = float(water.is_watercourse.mean())
    return water, (
        f"water.threshold_km2 = {threshold_m2 / 1e6:g} (so that {share:.0%} of the cells have a"
        " watercourse: a smaller one shows more brooks)",
    )


def _rounded_up(area_m2: float) -> float:
    """Round up to three digits, as it is written."""
    unit = 10.0 ** (math.floor(math.log10(area_m2)) - 2)
    return math.ceil(area_m2 / unit) * unit


def _pixels_averaged(
    elevation: Elevation, board: Board, brief: Brief
) -> tuple[int, tuple[str, ...]]:
    """Choose how many pixels are averaged into one for water to follow; 0 for cell means."""
    asked = brief.drainage
    if asked.follow == "cell means" or brief.water.pool_depth_m is not None:
        return 0, ()
    rows, columns = elevation.shape
    row, column = rows // 2, columns // 2
    pixel_m2 = float(pixel_areas(elevation, Window(row, row + 1, column, column + 1)).mean())
    across = math.sqrt(float(board.area_m2.max()) / pixel_m2 * 2.0 / math.sqrt(3.0))
    if asked.follow is None and across < LEAST_PIXELS_ACROSS:
        return 0, (
            f'drainage.follow = "cell means" (a cell is only {across:.2g} pixels across, and'
            " narrower valleys are lost)",
        )
    factor = max(1, math.ceil(across / asked.pixels_across))
    how = "" if factor == 1 else f", {factor} x {factor} pixels averaged into one"
    said = () if asked.follow is not None else (
        f'drainage.follow = "pixels" (a cell is {across:.2g} pixels across{how})',
    )  # fmt: skip
    return factor, said


def _drained(elevation: Elevation, board: Board, brief: Brief) -> Drainage:
    asked = brief.drainage
    return drain(
        elevation,
        around=board,
        surroundings_m=None if asked.surroundings_km is None else asked.surroundings_km * 1e3,
        depressions=asked.depressions,
        breach_length_pixels=asked.breach_length_pixels,
        breach_depth_m=asked.breach_depth_m,
        lake_depth_m=asked.lake_depth_m,
        lake_area_m2=None if asked.lake_area_km2 is None else asked.lake_area_km2 * 1e6,
        sea_level_m=asked.sea_level_m,
    )
