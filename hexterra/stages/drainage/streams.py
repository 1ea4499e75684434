"""Drainage -> Streams: the stretches of the streams of a raster, and what joins them.

What comes in is where every pixel's water runs. What goes out is a tree of stretches, each with its
line, its order, its catchment and the stretch it runs into: what a map of streams is drawn from.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.elevation.elevation import Elevation
from hexterra.elevation.pixels import Window
from hexterra.kernels.raster import depression_fill
from hexterra.ranges import check_positive
from hexterra.rounding import round_nearest
from hexterra.stages.drainage.drain import OUTLET, VOID, Drainage, stream_order
from hexterra.stages.sampling.pixel_geometry import pixel_areas, pixel_distances, pixel_steps
from hexterra.values import Value, freeze_arrays

#: Share of the ground that makes a stream if nobody says how much does.
DEFAULT_SHARE: Final = 1.0 / 1000.0

_ALONG: Final = (1, 16)
_ACROSS: Final = (4, 64)


@dataclass(frozen=True, eq=False, repr=False)
class Streams(Value):
    """Stretches of streams, from a spring or a confluence to the next confluence or an outlet.

    Stretches are numbered from 0 in the order of their last own pixels, row by row. Every pixel of
    a stream belongs to one stretch, that of a confluence to the one that begins there. An outlet in
    which several stretches meet is the end of all and belongs to none.

    Parameters
    ----------
    drainage
        Where water runs.
    threshold_m2
        Catchment that makes a stream.
    points
        (k, 2) int32, row and column in the raster of all points of all stretches, from the first
        pixel down. Where a stretch runs into another, its last point is the other's first.
    point_start
        (n + 1,) int64, where in `points` each stretch begins.
    downstream
        (n,) int32, the stretch that each runs into; -1 where it ends in an outlet.
    order
        (n,) uint8, after Strahler (1957).
    pixel_order
        (rows, columns) uint8, the order of each pixel of the drainage; 0 off the streams. An outlet
        in which several stretches meet has one too, and so has a stream of one pixel.
    catchment_m2
        (n,) float64, ground that drains through the last own pixel.
    length_m
        (n,) float64, on the ground from the first point to the last, through pixel centres.
    from_height_m, to_height_m
        (n,) float64, heights of the surface without depressions at the first and the last point.
    """

    drainage: Drainage
    threshold_m2: float
    points: NDArray[np.int32]
    point_start: NDArray[np.int64]
    downstream: NDArray[np.int32]
    order: NDArray[np.uint8]
    pixel_order: NDArray[np.uint8]
    catchment_m2: NDArray[np.float64]
    length_m: NDArray[np.float64]
    from_height_m: NDArray[np.float64]
    to_height_m: NDArray[np.float64]

    def __post_init__(self) -> None:
        n = len(self.downstream)
        freeze_arrays(
            self,
            ("points", np.int32, (None, 2)),
            ("point_start", np.int64, (n + 1,)),
            ("downstream", np.int32, (n,)),
            ("order", np.uint8, (n,)),
            ("pixel_order", np.uint8, self.drainage.direction.shape),
            ("catchment_m2", np.float64, (n,)),
            ("length_m", np.float64, (n,)),
            ("from_height_m", np.float64, (n,)),
            ("to_height_m", np.float64, (n,)),
        )

    @property
    def n_stretches(self) -> int:
        """How many stretches there are."""
        return len(self.downstream)

    @cached_property
    def last_own(self) -> NDArray[np.int64]:
        """Where in `points` the last own pixel of each stretch is, (n,) int64.

        The point before the last, where a stretch ends in a pixel in which others end too.
        """
        last = self.point_start[1:] - 1
        _, which, n_ending = np.unique(
            self.points[last], axis=0, return_inverse=True, return_counts=True
        )
        return last - (n_ending[which] > 1)

    @cached_property
    def own_m2(self) -> NDArray[np.float64]:
        """Ground that drains to each stretch but to none above it, (n,) float64."""
        joined = self.downstream >= 0
        above = np.bincount(
            self.downstream[joined], self.catchment_m2[joined], minlength=self.n_stretches
        )
        return self.catchment_m2 - above


@checked
def streams(drained: Drainage, *, threshold_m2: float) -> Streams:
    """Cut the streams of a raster into stretches between confluences, and join them.

    A stream runs where the catchment reaches the threshold. A pixel that one stream pixel runs to
    carries the stretch on; one that several run to is a confluence, one that none runs to a spring,
    and both begin a stretch. A stretch of one pixel alone, a spring that is an outlet, is left out.

    Parameters
    ----------
    drained
        Where water runs.
    threshold_m2
        Catchment that makes a stream.

    Returns
    -------
    Streams
        `catchment_m2` is `own_m2` and the catchments of the stretches that run into it; heights
        never rise downstream, and following `downstream` always ends.

    Raises
    ------
    BriefError
        If the threshold is not a finite number above 0.

    Notes
    -----
    Beside the drainage, 3 bytes per pixel are needed.
    """
    check_positive("threshold_m2", threshold_m2, "m2")
    n_columns = drained.direction.shape[1]
    pixel_order = stream_order(drained, threshold_m2=threshold_m2)
    pixel = np.flatnonzero(pixel_order)
    code = drained.direction.ravel()[pixel]
    runs_on = code != OUTLET
    below = np.searchsorted(pixel, pixel + pixel_steps(n_columns)[code])  # place in `pixel`
    n_above = np.bincount(below[runs_on], minlength=len(pixel))
    is_last = np.where(runs_on, n_above[below] > 1, n_above == 1)
    stretch = _first_below(below, is_last)
    last = np.flatnonzero(is_last)
    n = len(last)

    catchment_m2 = drained.catchment_m2.ravel()[pixel]
    # Catchments grow downstream, so within a stretch they put its pixels in order.
    own = np.lexsort((catchment_m2, stretch))
    own = own[np.searchsorted(stretch[own], 0) :]
    joins = runs_on[last]  # ends in the first pixel of another, or in an outlet that others share
    n_own = np.bincount(stretch[own], minlength=n)
    end = np.cumsum(n_own)
    place = np.insert(own, end[joins], below[last[joins]])
    point_start = np.concatenate([[0], np.cumsum(n_own + joins)])

    row, column = np.divmod(pixel[place], n_columns)
    window = Window(*drained.window)
    step_m = _step_lengths(drained, row, code[place])
    step_m[point_start[1:] - 1] = 0.0
    first_point, last_point = place[point_start[:-1]], place[point_start[1:] - 1]
    height_m = drained.surface_m.ravel()[pixel].astype(np.float64)
    length_m: Any = np.bincount(np.repeat(np.arange(n), n_own + joins), step_m, minlength=n)
    return Streams(
        drainage=drained,
        threshold_m2=threshold_m2,
        points=np.column_stack([row + window.row0, column + window.column0]),
        point_start=point_start,
        downstream=np.where(joins, stretch[last_point], -1),
        order=pixel_order.ravel()[pixel[last]],
        pixel_order=pixel_order,
        catchment_m2=catchment_m2[last],
        length_m=length_m,
        from_height_m=height_m[first_point],
        to_height_m=height_m[last_point],
    )


def default_threshold_m2(drained: Drainage) -> float:
    """Return the catchment that makes a stream unless told: a round area near 1/1000 of the ground.

    The share has no source; it shows a few hundred stretches on rasters of any size.
    """
    ground_m2 = float(drained.catchment_m2[drained.direction == OUTLET].sum())
    return round_nearest(ground_m2 * DEFAULT_SHARE)


def bytes_for_waters(elevation: Elevation, *, threshold_km2: float | None, has_lakes: bool) -> int:
    """Return the memory for streams and lakes beyond what draining takes.

    About ``2 a**-0.43`` of the pixels drain `a` pixels or more (the exponent is that of
    Rodriguez-Iturbe et al., Power law distributions of discharge mass and energy in river basins,
    Water Resources Research 28, 1992). What one of them takes was measured, with some to spare.
    """
    n_pixels = elevation.shape[0] * elevation.shape[1]
    a = n_pixels * DEFAULT_SHARE
    if threshold_km2 is not None:
        row, column = elevation.shape[0] // 2, elevation.shape[1] // 2
        middle = pixel_areas(elevation, Window(row, row + 1, column, column + 1))
        a = threshold_km2 * 1e6 / float(middle.mean())
    share = min(1.0, 2.0 * max(a, 1.0) ** -0.43)
    return int(n_pixels * (90.0 * share + (20.0 if has_lakes else 0.0)))


def label_stretches(found: Streams) -> NDArray[np.int32]:
    """Label each pixel with the stretch that its water comes to first, counted from 1.

    (rows, columns); 0 where it comes to none: in voids, and where it leaves the raster before.
    """
    window, code = Window(*found.drainage.window), found.drainage.direction
    row, column = (found.points[found.last_own] - (window.row0, window.column0)).T
    label = np.full(code.shape, -1, dtype=np.int32)
    label[(code == VOID) | (code == OUTLET)] = 0
    label[row, column] = np.arange(1, found.n_stretches + 1)
    depression_fill.label_basins(code.ravel(), pixel_steps(code.shape[1]), label.ravel(), 1)
    return label


def _first_below(below: NDArray[np.intp], is_last: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Find the first last pixel that each stream pixel comes to: its number, or -1 for none.

    Every round doubles how far down each has been followed.
    """
    at = np.where(is_last, np.arange(len(below)), below)
    while not np.array_equal(at, further := at[at]):
        at = further
    return np.where(is_last, np.cumsum(is_last) - 1, -1)[at]


def _step_lengths(
    drained: Drainage, row: NDArray[np.int64], code: NDArray[np.uint8]
) -> NDArray[np.float64]:
    """Length of the step out of pixels of these rows, in metres."""
    length_m = pixel_distances(drained.elevation, Window(*drained.window))
    kind = np.where(np.isin(code, _ALONG), 0, np.where(np.isin(code, _ACROSS), 1, 2))
    return length_m[row, kind]
