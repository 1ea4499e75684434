"""Streams of a raster: stretches, their order, length and ground; and its lakes."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pyflwdir
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from pyproj import Geod

from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.errors import BriefError
from hexterra.stages.drainage.band_drain import drain_by_bands
from hexterra.stages.drainage.drain import OUTLET, VOID, Drainage, drain
from hexterra.stages.drainage.lakes import lakes
from hexterra.stages.drainage.streams import Streams, default_threshold_m2, label_stretches, streams
from tests.plain import drain as plain
from tests.plain import streams as plain_streams
from tests.raster_grids import rough
from tests.silence_output import silence_output

PIXEL_M = 30.0
PIXEL_M2 = PIXEL_M**2
ROOT_2 = math.sqrt(2.0)

ARROWS = {">": 1, "\\": 2, "v": 4, "/": 8, "<": 16, "^": 64, ".": OUTLET}


def on_grid(heights: Any, affine: Affine | None = None, crs: str = "EPSG:32616") -> Elevation:
    """Lay heights on a grid, of 30 m pixels in UTM zone 16 north unless told."""
    return read_elevation(
        np.asarray(heights),
        crs=crs,
        affine=affine or Affine(PIXEL_M, 0.0, 500_000.0, 0.0, -PIXEL_M, 4_000_000.0),
        vertical_unit="m",
        name="grid",
    )


def drawn(*rows: str, affine: Affine | None = None, crs: str = "EPSG:32616") -> Drainage:
    """Make a drainage from arrows; each pixel is as high as the longest way to its outlet."""
    direction = np.array([[ARROWS[arrow] for arrow in row] for row in rows], dtype=np.uint8)
    surface_m = np.zeros(direction.shape)
    for start in np.ndindex(*direction.shape):
        pixel = start
        while step := plain.STEPS.get(int(direction[pixel])):
            pixel = (pixel[0] + step[0], pixel[1] + step[1])
            surface_m[start] += 1.0
    return Drainage(
        elevation=on_grid(np.zeros(direction.shape), affine, crs),
        window=(0, direction.shape[0], 0, direction.shape[1]),
        surface_m=surface_m,
        direction=direction,
        catchment_m2=(plain.accumulate(direction) * PIXEL_M2).astype(np.float64),
        is_lake=np.zeros(direction.shape, dtype=np.bool_),
    )


def ways(found: Streams) -> list[list[tuple[int, int]]]:
    """List the points of each stretch."""
    parts = np.split(found.points, found.point_start[1:-1])
    return [[(int(row), int(column)) for row, column in part] for part in parts]


# ---------------------------------------------------------------- known answers

HAND = (
    r">\v/>v<",
    r".>v..v.",
    r".>v<<<.",
    r".>v<...",
    r".......",
)


def test_stretches_of_a_raster_by_hand() -> None:
    """Every pixel is a stream here; the thirteen stretches were found with a pencil."""
    found = streams(drawn(*HAND), threshold_m2=PIXEL_M2)
    assert ways(found) == [
        [(0, 0), (0, 1), (1, 2)],
        [(0, 2), (1, 2)],
        [(0, 3), (1, 2)],
        [(0, 4), (0, 5)],
        [(0, 6), (0, 5)],
        [(1, 1), (1, 2)],
        [(1, 2), (2, 2)],
        [(2, 1), (2, 2)],
        [(2, 2), (3, 2)],
        [(0, 5), (1, 5), (2, 5), (2, 4), (2, 3), (2, 2)],
        [(3, 1), (3, 2)],
        [(3, 3), (3, 2)],
        [(3, 2), (4, 2)],
    ]
    assert found.downstream.tolist() == [6, 6, 6, 9, 9, 6, 8, 8, 12, 8, 12, 12, -1]
    assert found.order.tolist() == [1, 1, 1, 1, 1, 1, 2, 1, 3, 2, 1, 1, 3]
    assert (found.catchment_m2 / PIXEL_M2).tolist() == [2, 1, 1, 1, 1, 1, 6, 1, 15, 7, 1, 1, 19]
    assert (found.own_m2 / PIXEL_M2).tolist() == [2, 1, 1, 1, 1, 1, 1, 1, 1, 5, 1, 1, 2]
    assert (found.length_m / PIXEL_M).tolist() == pytest.approx(
        [1 + ROOT_2, 1, ROOT_2, 1, 1, 1, 1, 1, 1, 5, 1, 1, 1]
    )
    assert found.from_height_m.tolist() == [5, 4, 4, 8, 8, 4, 3, 3, 2, 7, 2, 2, 1]
    assert found.to_height_m.tolist() == [3, 3, 3, 7, 7, 3, 2, 2, 1, 2, 1, 1, 0]


def test_order_of_streams_that_join_in_pairs() -> None:
    """Eight fingertips that join two by two make 8, 4, 2 and 1 stretches of orders 1 to 4.

    Strahler, "Quantitative analysis of watershed geomorphology", Transactions of the American
    Geophysical Union 38, 1957: fingertip channels are of order 1, two of order u join to u + 1,
    and a basin with a bifurcation ratio of 2 has half as many of each higher order.
    """
    found = streams(
        drawn(
            ">v<.>v<.>v<.>v<",
            ".>>v<<...>>v<<.",
            "...>>>>v<<<<...",
            ".......v.......",
            "...............",
        ),
        threshold_m2=PIXEL_M2,
    )
    assert np.bincount(found.order).tolist() == [0, 8, 4, 2, 1]
    joined = found.downstream >= 0
    assert (found.order[found.downstream[joined]] == found.order[joined] + 1).all()
    assert (found.downstream == -1).sum() == 1


def test_stretches_that_share_an_outlet() -> None:
    """Both end in the outlet, neither owns it, and ground that runs straight there is no one's."""
    found = streams(drawn(".>.<.", ".....", ".^..."), threshold_m2=PIXEL_M2)
    assert ways(found) == [[(0, 1), (0, 2)], [(0, 3), (0, 2)], [(2, 1), (1, 1)]]
    assert found.downstream.tolist() == [-1, -1, -1]
    assert (found.catchment_m2 / PIXEL_M2).tolist() == [1, 1, 2]
    assert label_stretches(found).tolist() == [[0, 1, 0, 2, 0], [0, 3, 0, 0, 0], [0, 3, 0, 0, 0]]


def test_lengths_on_oblong_pixels() -> None:
    """A step along a row is 30 m here, one along a column 40 m, a diagonal 50 m."""
    affine = Affine(30.0, 0.0, 500_000.0, 0.0, -40.0, 4_000_000.0)
    found = streams(drawn(r">>\.", "...v", "....", affine=affine), threshold_m2=PIXEL_M2)
    assert found.length_m.tolist() == [30.0 + 30.0 + 50.0 + 40.0]


def test_lengths_on_a_geographic_raster() -> None:
    """A line along a parallel and then a meridian is as long as pyproj's geodesic pieces."""
    affine = Affine(0.001, 0.0, 10.0, 0.0, -0.001, 60.002)
    found = streams(drawn(">>v", "..v", "...", affine=affine, crs="EPSG:4326"), threshold_m2=1.0)
    lon, lat = [10.0005, 10.0015, 10.0025, 10.0025, 10.0025], [60.0015] * 3 + [60.0005, 59.9995]
    assert found.length_m[0] == pytest.approx(Geod(ellps="WGS84").line_length(lon, lat), rel=1e-6)


def test_points_lie_in_the_raster_when_a_window_was_drained() -> None:
    """Rows and columns count from the raster's corner, not from the window's."""
    whole = drawn(*HAND)
    elevation = on_grid(np.zeros((20, 30)))
    part = Drainage(
        elevation, (10, 15, 20, 27), whole.surface_m, whole.direction, whole.catchment_m2,
        whole.is_lake,
    )  # fmt: skip
    found, moved = (streams(one, threshold_m2=PIXEL_M2) for one in (whole, part))
    assert np.array_equal(moved.points, found.points + np.array([10, 20]))
    assert np.array_equal(label_stretches(moved), label_stretches(found))


def test_a_threshold_that_nothing_reaches_finds_nothing() -> None:
    """No stretch, and no ground of one."""
    found = streams(drawn(*HAND), threshold_m2=1e9)
    assert found.n_stretches == 0
    assert found.own_m2.shape == found.last_own.shape == (0,)
    assert not label_stretches(found).any()


@pytest.mark.parametrize("threshold_m2", [0.0, -1.0, math.nan, math.inf])
def test_impossible_thresholds_are_refused(threshold_m2: float) -> None:
    """A threshold is a finite area above 0."""
    with pytest.raises(BriefError, match="threshold_m2") as caught:
        streams(drawn(*HAND), threshold_m2=threshold_m2)
    assert caught.value.facts["name"] == "threshold_m2"


def test_default_threshold_is_round_and_near_a_thousandth() -> None:
    """40 000 pixels of 900 m2 are 36 km2, a thousandth 36 000 m2; round areas beside: 30, 40."""
    assert default_threshold_m2(drain(on_grid(rough(200, 1)))) == 40_000.0


# ---------------------------------------------------------------- laws

small_grids = arrays(
    np.float64, st.tuples(st.integers(3, 9), st.integers(3, 9)), elements=st.integers(0, 5)
)


@given(small_grids, st.integers(1, 6))
@settings(derandomize=True, deadline=None)
def test_stretches_equal_their_plain_twins(heights: NDArray[np.float64], n_pixels: int) -> None:
    """On small grids full of ties, all stretches, orders and grounds are the twin's."""
    drained = drain(on_grid(heights), depressions="fill")
    found = streams(drained, threshold_m2=n_pixels * PIXEL_M2)
    twins = plain_streams.stretches(drained.direction, drained.catchment_m2 >= n_pixels * PIXEL_M2)
    assert ways(found) == [list(twin.pixels) for twin in twins] or not twins
    assert found.n_stretches == len(twins)
    assert found.order.tolist() == [twin.order for twin in twins]
    label = label_stretches(found)
    assert np.array_equal(label, plain_streams.first_stretch(drained.direction, twins))
    n_own = np.bincount(label.ravel(), minlength=len(twins) + 1)[1:]
    assert np.array_equal(found.own_m2, n_own * PIXEL_M2)


def test_laws_of_streams_on_rough_ground_with_voids() -> None:
    """Nothing runs in circles or uphill, each begins where others end, and all ground counts."""
    heights = rough(150, seed=4)
    heights[40:60, 30:50] = np.nan
    drained = drain(on_grid(heights))
    found = streams(drained, threshold_m2=25 * PIXEL_M2)
    first, last = found.points[found.point_start[:-1]], found.points[found.point_start[1:] - 1]
    joined = found.downstream >= 0
    below = found.downstream[joined]
    assert np.array_equal(last[joined], first[below])
    assert np.array_equal(found.to_height_m[joined], found.from_height_m[below])
    assert (found.from_height_m >= found.to_height_m).all()
    assert (drained.direction[tuple(last[~joined].T)] == OUTLET).all()
    assert (found.catchment_m2[below] > found.catchment_m2[joined]).all()  # so no circles
    assert (found.order[below] >= found.order[joined]).all()
    label = label_stretches(found)
    is_ground = drained.direction != VOID
    n_elsewhere = np.count_nonzero(is_ground & (label == 0))
    assert found.own_m2.sum() == (np.count_nonzero(is_ground) - n_elsewhere) * PIXEL_M2
    own = np.concatenate([found.points[a : b + 1] for a, b in
                          zip(found.point_start[:-1], found.last_own, strict=True)])  # fmt: skip
    assert len(np.unique(own, axis=0)) == len(own)


def test_streams_and_their_ground_equal_pyflwdir() -> None:
    """From our directions pyflwdir draws the same lines, with the same orders and basins.

    It adds a line of no length at every outlet where streams meet, and draws some lines upward.
    """
    drained = drain(on_grid(rough(200, seed=12)))
    threshold_m2 = 40 * PIXEL_M2
    found = streams(drained, threshold_m2=threshold_m2)
    other = pyflwdir.from_array(drained.direction, ftype="d8", transform=Affine.identity())
    is_stream = drained.catchment_m2 >= threshold_m2
    order = other.stream_order(type="strahler", mask=is_stream)
    theirs: dict[tuple[tuple[int, int], ...], int] = {}
    with silence_output():  # it multiplies affines in a way that is going out of use
        lines = other.streams(mask=is_stream, strord=order)
    for line in lines:
        way = tuple((int(y), int(x)) for x, y in line["geometry"]["coordinates"])
        if len(set(way)) > 1:
            is_up = drained.catchment_m2[way[0]] > drained.catchment_m2[way[-1]]
            theirs[way[::-1] if is_up else way] = int(line["properties"]["strord"])
    ours = dict(zip(map(tuple, ways(found)), found.order.tolist(), strict=True))
    assert ours == theirs
    row, column = found.points[found.last_own].T.astype(np.int64)
    numbers = np.arange(1, found.n_stretches + 1, dtype=np.uint32)
    basins = other.basins(idxs=row * 200 + column, ids=numbers)
    assert np.array_equal(label_stretches(found), basins)


def test_streams_do_not_know_whether_bands_were_drained(tmp_path: Path) -> None:
    """Mapped from files, a drainage gives the same streams as in memory."""
    elevation = on_grid(rough(120, seed=5))
    in_bands = drain_by_bands(elevation, tmp_path, band_rows=32, depressions="fill")
    whole = drain(elevation, depressions="fill")
    one, other = (streams(d, threshold_m2=20 * PIXEL_M2) for d in (whole, in_bands))
    assert one.same_as(other)


# ---------------------------------------------------------------- lakes


def test_lakes_by_hand() -> None:
    """Two basins behind a dam of 9 and one of 7 metres; the pixels of the first touch by a corner.

    The first holds two pixels that are 9 - 1 = 8 m deep, to the pass at 9; the second one pixel of
    7 - 2 = 5 m, to the pass at 7.
    """
    heights = np.array(
        [
            [9, 9, 9, 9, 9, 9, 9],
            [9, 1, 9, 9, 9, 9, 9],
            [9, 9, 1, 9, 9, 2, 7],
            [9, 9, 9, 9, 9, 9, 9],
        ],
        dtype=np.float32,
    )
    found = lakes(drain(on_grid(heights), lake_depth_m=3.0, lake_area_m2=0.0))
    assert found.n_lakes == 2
    assert found.label().tolist() == [[0] * 7, [0, 1] + [0] * 5, [0, 0, 1, 0, 0, 2, 0], [0] * 7]
    assert found.area_m2.tolist() == [2 * PIXEL_M2, PIXEL_M2]
    assert found.height_m.tolist() == [9.0, 7.0]


def test_each_lake_has_one_height() -> None:
    """On rough ground with hundreds of lakes, water that touches is level."""
    drained = drain(on_grid(rough(200, seed=3, slope=1.6)), lake_depth_m=1.0, lake_area_m2=0.0)
    found = lakes(drained)
    assert found.n_lakes > 50
    under = found.label() > 0
    assert np.array_equal(under, drained.is_lake)
    assert np.array_equal(
        found.height_m[found.label()[under] - 1], drained.surface_m[under].astype(np.float64)
    )
    assert found.area_m2.sum() == np.count_nonzero(under) * PIXEL_M2


def test_no_lakes() -> None:
    """Where none was kept, there is none."""
    assert lakes(drain(on_grid(rough(40, seed=3)))).n_lakes == 0
