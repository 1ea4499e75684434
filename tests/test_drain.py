"""Draining a raster: fills, breaches, directions, catchments, streams, windows."""

from __future__ import annotations

import warnings
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
from scipy import ndimage
from skimage.graph import MCP
from skimage.morphology import reconstruction

from hexterra.elevation.elevation import read_elevation
from hexterra.errors import InputError, NoHeightsError
from hexterra.stages.drainage.drain import (
    OUTLET,
    VOID,
    Drainage,
    drain,
    fill,
    label_catchments,
    stream_order,
)
from tests.plain import drain as plain
from tests.raster_grids import PIXEL_M, PIXEL_M2, on_grid, rough, small_board, valley
from tests.silence_output import silence_output

with silence_output():  # it warns of its own syntax
    import richdem


def reconstruct(heights: NDArray[Any]) -> NDArray[Any]:
    """Fill with scikit-image: reconstruction by erosion from the rim."""
    seed = np.full_like(heights, heights.max())
    seed[[0, -1]] = heights[[0, -1]]
    seed[:, [0, -1]] = heights[:, [0, -1]]
    return reconstruction(seed, heights, method="erosion").astype(heights.dtype)


small_grids = arrays(
    np.float64, st.tuples(st.integers(3, 7), st.integers(3, 7)), elements=st.integers(0, 5)
)


# ---------------------------------------------------------------- fill


@pytest.mark.parametrize("slope", [0.0, 1.0, 1.6, 2.0, 2.5])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_fill_equals_reconstruction_by_erosion(slope: float, dtype: Any) -> None:
    """The filled surface is scikit-image's reconstruction, bit for bit."""
    heights = rough(257, seed=3, slope=slope).astype(dtype)
    assert np.array_equal(fill(heights), reconstruct(heights))


def test_fill_equals_reconstruction_on_whole_metres() -> None:
    """Plateaus and equal passes, as in rasters of whole metres, are filled the same."""
    heights = np.round(rough(300, seed=8, slope=1.3) / 20.0)
    assert np.array_equal(fill(heights), reconstruct(heights))


@given(small_grids)
@settings(derandomize=True, deadline=None)
def test_fill_equals_priority_flood(heights: NDArray[np.float64]) -> None:
    """The fill of small grids full of ties is that of the plain priority-flood."""
    assert np.array_equal(fill(heights), plain.fill(heights))


@given(small_grids)
@settings(derandomize=True, deadline=None, max_examples=50)
def test_fill_does_nothing_twice(heights: NDArray[np.float64]) -> None:
    """A filled surface has nothing left to fill."""
    once = fill(heights)
    assert np.array_equal(fill(once), once)


def test_fill_follows_a_path_longer_than_the_trail() -> None:
    """A single valley that winds through thousands of pixels is one basin."""
    n = 121
    heights = np.full((n, n), 1e6)
    height, valley = 0.0, []
    for row in range(1, n - 1, 2):  # there and back through every second row
        columns = range(1, n - 1) if row % 4 == 1 else range(n - 2, 0, -1)
        valley += [(row, column) for column in columns] + [(row + 1, columns[-1])]
    for row, column in valley:
        height += 1.0
        heights[row, column] = height
    heights[0, 1] = 0.5
    filled = fill(heights)
    assert np.array_equal(filled, heights)


# ---------------------------------------------------------------- directions and catchments


def test_directions_of_the_published_example() -> None:
    """Directions and counts are those of the 6 x 6 example of Jenson and Domingue's method.

    Heights, codes and counts as in the manuals of GIS programs that cite Jenson and Domingue,
    "Extracting topographic structure from digital elevation data for geographic information
    system analysis", Photogrammetric Engineering & Remote Sensing 54, 1988. Values from memory.
    """
    heights = np.array(
        [
            [78, 72, 69, 71, 58, 49],
            [74, 67, 56, 49, 46, 50],
            [69, 53, 44, 37, 38, 48],
            [64, 58, 55, 22, 31, 24],
            [68, 61, 47, 21, 16, 19],
            [74, 53, 34, 12, 11, 12],
        ]
    )
    codes = np.array(
        [
            [2, 2, 2, 4, 4, 8],
            [2, 2, 2, 4, 4, 8],
            [1, 1, 2, 4, 8, 4],
            [128, 128, 1, 2, 4, 8],
            [2, 2, 1, 4, 4, 4],
            [1, 1, 1, 1, 4, 16],
        ]
    )
    counts = np.array(
        [
            [0, 0, 0, 0, 0, 0],
            [0, 1, 1, 2, 2, 0],
            [0, 3, 7, 5, 4, 0],
            [0, 0, 0, 20, 0, 1],
            [0, 0, 0, 1, 24, 0],
            [0, 2, 4, 7, 35, 1],
        ]
    )
    walled = np.pad(heights.astype(np.float64), 1, constant_values=100.0)
    walled[7, 5] = 10.9  # the only way out, below the lowest pixel
    drained = drain(on_grid(walled), depressions="fill")
    assert np.array_equal(drained.direction[1:-1, 1:-1], codes)
    assert np.array_equal(drained.catchment_m2[1:-1, 1:-1] / PIXEL_M2 - 1, counts)


@given(small_grids)
@settings(derandomize=True, deadline=None)
def test_directions_and_catchments_equal_their_plain_twins(heights: NDArray[np.float64]) -> None:
    """On small grids full of ties and flats, every direction and count is the twin's."""
    drained = drain(on_grid(heights), depressions="fill")
    code = plain.direct(plain.fill(heights), heights)
    assert np.array_equal(drained.direction, code)
    assert np.array_equal(drained.catchment_m2, plain.accumulate(code) * PIXEL_M2)


def test_a_flat_drains_to_its_nearest_way_out() -> None:
    """Water runs to the only gap the shortest way, along the row where ways tie."""
    heights = np.array(
        [
            [9, 9, 9, 9, 9],
            [9, 2, 2, 2, 9],
            [9, 2, 2, 2, 1],
            [9, 2, 2, 2, 9],
            [9, 9, 9, 9, 9],
        ],
        dtype=np.float32,
    )
    code = drain(on_grid(heights), depressions="fill").direction
    assert code[1:4, 1:4].tolist() == [[1, 1, 2], [1, 1, 1], [1, 1, 128]]


@pytest.mark.parametrize("slope", [1.3, 2.0])
def test_catchments_equal_pyflwdir(slope: float) -> None:
    """Counting pixels down our directions gives pyflwdir's upstream areas."""
    drained = drain(on_grid(rough(200, seed=5, slope=slope)))
    other = pyflwdir.from_array(drained.direction, ftype="d8")
    assert np.array_equal(other.upstream_area("cell") * PIXEL_M2, drained.catchment_m2)


def herringbone() -> NDArray[np.float64]:
    """Lay parallel valleys without depressions or ties.

    The steepest neighbour, by drop per distance, is the lowest one everywhere: slopes along rows
    and columns are so alike that a diagonal between two falling ones wins by either rule.
    """
    row, column = np.mgrid[:120, :160]
    ripples = np.random.default_rng(3).uniform(0.0, 0.05, row.shape)
    return 3.0 * abs(column % 24 - 12) + 2.3 * row + ripples


def ways_by_pyflwdir(heights: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Find directions with pyflwdir alone."""
    pixels = pyflwdir.from_dem(
        heights, nodata=-9999.0, transform=Affine(PIXEL_M, 0, 0, 0, -PIXEL_M, 0)
    )
    return pixels.to_array("d8")


def test_directions_equal_those_of_pyflwdir_and_richdem() -> None:
    """Where definitions agree and nothing ties, both libraries find our directions themselves.

    On the rim they do not agree: to pyflwdir a pixel of the rim may run along it; here it is an
    outlet, as it is to richdem.
    """
    heights = herringbone()
    drained = drain(on_grid(heights), depressions="fill")
    inside = np.s_[1:-1, 1:-1]
    assert np.array_equal(ways_by_pyflwdir(heights)[inside], drained.direction[inside])
    with silence_output():
        grid = richdem.rdarray(heights, no_data=-9999.0)
        counts = np.asarray(richdem.FlowAccumulation(grid, method="D8"))
    assert np.array_equal(drained.catchment_m2, counts * PIXEL_M2)


def test_directions_differ_from_pyflwdir_by_the_distance_alone() -> None:
    """Elsewhere pyflwdir runs to the lowest neighbour, we to the steepest: both as defined.

    O'Callaghan and Mark, "The extraction of drainage networks from digital elevation data",
    Computer Vision, Graphics and Image Processing 28, 1984, and Jenson and Domingue, 1988, weigh
    the drop by the distance.
    """
    row, column = np.mgrid[:100, :100]
    heights = (rough(100, seed=9, slope=2.5) / 10.0 + row * 7.1 + column * 3.3).astype(np.float64)
    ours, theirs = drain(on_grid(heights)).direction, ways_by_pyflwdir(heights)
    names = np.array(list(plain.STEPS))
    around = np.stack(
        [np.roll(heights, (-d_row, -d_column), (0, 1)) for d_row, d_column in plain.STEPS.values()]
    )
    length = np.hypot(*np.array(list(plain.STEPS.values())).T)[:, None, None]
    inside = np.s_[1:-1, 1:-1]
    assert np.array_equal(theirs[inside], names[around.argmin(axis=0)][inside])
    steepest = names[((heights - around) / length).argmax(axis=0)]
    assert np.array_equal(ours[inside], steepest[inside])
    assert (ours != theirs)[inside].any()


def test_catchments_equal_richdem() -> None:
    """Counting pixels down our directions gives richdem's accumulation.

    Its own D8 runs to the lowest neighbour without regard to the longer way along diagonals, so it
    is given our directions, as proportions.
    """
    drained = drain(on_grid(rough(150, seed=2)))
    clockwise_from_west = (16, 32, 64, 128, 1, 2, 4, 8)  # its neighbours 1 to 8
    share = np.zeros((150, 150, 9), dtype=np.float32)
    share[..., 0] = np.where(drained.direction == OUTLET, -1.0, 0.0)
    for place, code in enumerate(clockwise_from_west, start=1):
        share[..., place] = drained.direction == code
    with silence_output():
        counts = np.asarray(richdem.FlowAccumFromProps(richdem.rd3array(share, no_data=-2)))
    assert np.array_equal(drained.catchment_m2, counts * PIXEL_M2)


def test_catchments_of_outlets_add_up_to_the_ground() -> None:
    """All usable ground leaves by some outlet, with voids inside, exactly."""
    heights = rough(120, seed=4).astype(np.float64)
    heights[40:60, 30:50] = np.nan
    heights[0, 7] = np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        drained = drain(on_grid(heights))
    n_usable = np.isfinite(heights).sum()
    assert drained.catchment_m2[drained.direction == OUTLET].sum() == n_usable * PIXEL_M2
    assert np.array_equal(drained.direction == VOID, ~np.isfinite(heights))
    assert (drained.catchment_m2[drained.direction == VOID] == 0.0).all()


def test_pixels_beside_a_void_are_outlets() -> None:
    """Water leaves beside a void, whatever lies around."""
    heights = rough(40, seed=6).astype(np.float64)
    heights[20, 20] = np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        code = drain(on_grid(heights)).direction
    around = code[19:22, 19:22].ravel().tolist()
    assert around == [OUTLET] * 4 + [VOID] + [OUTLET] * 4


def test_the_sea_is_a_void() -> None:
    """Ground at or below sea level drains nothing, and its shore is an outlet."""
    heights = np.tile(np.arange(12.0), (9, 1))
    drained = drain(on_grid(heights), sea_level_m=3.0)
    assert (drained.direction[:, :4] == VOID).all()
    assert (drained.direction[:, 4] == OUTLET).all()
    assert (drained.direction[1:-1, 5:-1] == 16).all()


def test_geographic_pixels_count_by_true_area() -> None:
    """Catchments of the outlets add up to the ellipsoidal area of the raster.

    The area of the bounding polygon is pyproj's (Karney, Algorithms for geodesics, Journal of
    Geodesy 87, 2013), its parallels followed by many vertices.
    """
    rows, columns = 60, 80
    affine = Affine(0.01, 0.0, 10.0, 0.0, -0.01, 61.0)
    elevation = read_elevation(
        rough(80, seed=1)[:rows], crs="EPSG:4326", affine=affine, vertical_unit="m", name="north"
    )
    drained = drain(elevation)
    lon = np.linspace(10.0, 10.0 + 0.01 * columns, 2001)
    ring = np.concatenate([lon, lon[::-1]]), np.repeat([61.0 - 0.01 * rows, 61.0], len(lon))
    area_m2, _ = Geod(ellps="WGS84").polygon_area_perimeter(*ring)
    total = drained.catchment_m2[drained.direction == OUTLET].sum()
    assert total == pytest.approx(area_m2, rel=1e-6)


def test_geographic_slopes_use_ground_distances() -> None:
    """At 60 degrees north a degree of longitude is half as long, so equal drops run east."""
    heights = np.array([[9, 9, 9, 9], [9, 5, 4, 3], [9, 4, 9, 9], [9, 3, 9, 9]], dtype=np.float32)
    affine = Affine(0.01, 0.0, 10.0, 0.0, -0.01, 60.0)
    north = read_elevation(heights, crs="EPSG:4326", affine=affine, vertical_unit="m")
    heights[1, 2], heights[2, 1] = 4.0, 3.5
    steeper_south = read_elevation(heights, crs="EPSG:4326", affine=affine, vertical_unit="m")
    assert drain(north).direction[1, 1] == 1
    assert drain(steeper_south).direction[1, 1] == 1
    assert drain(on_grid(heights)).direction[1, 1] == 4


def test_turned_ground_drains_turned() -> None:
    """Draining the transposed raster gives the transposed catchments where nothing ties."""
    heights = rough(100, seed=9, slope=2.5)
    row, column = np.mgrid[:100, :100]
    sloping = (heights / 10.0 + row * 7.1 + column * 3.3).astype(np.float64)
    assert np.array_equal(fill(sloping), sloping)
    one = drain(on_grid(sloping)).catchment_m2
    other = drain(on_grid(sloping.T)).catchment_m2
    assert np.array_equal(one, other.T)


# ---------------------------------------------------------------- streams and catchment labels


def by_hand(code: Any) -> Drainage:
    """Make a drainage from directions alone."""
    direction = np.array(code, dtype=np.uint8)
    return Drainage(
        elevation=on_grid(np.zeros(direction.shape)),
        window=(0, direction.shape[0], 0, direction.shape[1]),
        surface_m=np.zeros(direction.shape),
        direction=direction,
        catchment_m2=(plain.accumulate(direction) * PIXEL_M2).astype(np.float64),
        is_lake=np.zeros(direction.shape, dtype=np.bool_),
    )


def test_stream_order_by_hand() -> None:
    """Orders follow Strahler's rule: equal orders that meet make the next, others do not.

    Strahler, "Quantitative analysis of watershed geomorphology", Transactions of the American
    Geophysical Union 38, 1957: fingertip channels are of order 1, two of order u join to u + 1.
    """
    drained = by_hand(
        [
            [1, 2, 4, 8, 1, 4, 16],
            [0, 1, 4, 0, 0, 4, 0],
            [0, 1, 4, 16, 16, 16, 0],
            [0, 1, 4, 16, 0, 0, 0],
            [0, 0, 0, 0, 0, 0, 0],
        ]
    )
    order = stream_order(drained, threshold_m2=PIXEL_M2)
    assert order[0].tolist() == [1, 1, 1, 1, 1, 2, 1]
    assert order[1, [1, 2, 5]].tolist() == [1, 2, 2]
    assert order[2].tolist() == [1, 1, 3, 2, 2, 2, 1]
    assert order[3, 2] == 3
    assert order[4, 2] == 3


def test_stream_order_equals_pyflwdir() -> None:
    """On rough ground the orders of streams over a threshold are pyflwdir's."""
    drained = drain(on_grid(rough(200, seed=12)))
    other = pyflwdir.from_array(drained.direction, ftype="d8")
    threshold_m2 = 40 * PIXEL_M2
    expected = other.stream_order(type="strahler", mask=drained.catchment_m2 >= threshold_m2)
    assert np.array_equal(stream_order(drained, threshold_m2=threshold_m2), expected)


def test_catchment_labels_have_the_area_of_their_outlets() -> None:
    """Each label covers as much ground as its outlet drains."""
    drained = drain(on_grid(rough(90, seed=13)))
    label = label_catchments(drained)
    is_outlet = drained.direction == OUTLET
    assert np.array_equal(
        np.bincount(label.ravel())[1:] * PIXEL_M2, drained.catchment_m2[is_outlet]
    )
    assert label[is_outlet].tolist() == list(range(1, is_outlet.sum() + 1))


# ---------------------------------------------------------------- breaching and lakes

DAM = np.array(
    [
        [90, 90, 90, 90, 90, 90, 90, 90],
        [90, 3, 4, 5, 6, 4, 2, 1],
        [90, 90, 90, 90, 90, 90, 90, 90],
    ],
    dtype=np.float32,
)


def test_a_breach_cuts_the_dam_to_the_level_of_the_pit() -> None:
    """The pit at 3 m reaches the 2 m pixel through a trench at 3 m."""
    drained = drain(on_grid(DAM))
    assert drained.surface_m[1].tolist() == [90, 3, 3, 3, 3, 3, 2, 1]
    assert drained.direction[1, 1:-1].tolist() == [1] * 6


@pytest.mark.parametrize(
    "limits", [{"breach_depth_m": 2.5}, {"breach_length_pixels": 4}, {"depressions": "fill"}]
)
def test_what_no_breach_reaches_is_filled(limits: Any) -> None:
    """A dam that is too high or too wide, or no breaching at all, leaves the pit to be filled."""
    drained = drain(on_grid(DAM), **limits)
    assert drained.surface_m[1].tolist() == [90, 6, 6, 6, 6, 4, 2, 1]


def test_limits_of_a_breach_are_inclusive() -> None:
    """A cut of just the depth and length that is allowed is made."""
    drained = drain(on_grid(DAM), breach_depth_m=3.0, breach_length_pixels=5)
    assert drained.surface_m[1, 4] == 3.0


def test_breaching_raises_less_ground_than_filling() -> None:
    """With breaches first, no surface is higher than the fill, and some is lower."""
    heights = rough(150, seed=21, slope=1.7)
    breached = drain(on_grid(heights)).surface_m
    filled = drain(on_grid(heights), depressions="fill").surface_m
    assert (breached <= filled).all()
    assert (breached < filled).any()


def walls_and_pits(seed: int) -> NDArray[np.float64]:
    """Lay whole heights at random, so that many ways cost the same."""
    return np.random.default_rng(seed).integers(0, 9, (14, 17)).astype(np.float64)


@given(
    st.integers(0, 2**32),
    st.integers(0, 7),
    st.integers(0, 6),
    st.none() | st.tuples(st.integers(1, 5), st.integers(1, 9)),
)
@settings(derandomize=True, deadline=None, max_examples=150)
def test_breaches_and_lakes_equal_their_plain_twins(
    seed: int, reach: int, depth: int, least: tuple[int, int] | None
) -> None:
    """Where everything ties, each cut, lake and direction is that of the plain twins."""
    heights = walls_and_pits(seed)
    keywords: Any = {}
    is_lake = np.zeros(heights.shape, np.bool_)
    if least is not None:
        is_lake = plain.lakes(heights, *least)
        keywords = {"lake_depth_m": least[0], "lake_area_m2": least[1] * PIXEL_M2}
    drained = drain(on_grid(heights), breach_length_pixels=reach, breach_depth_m=depth, **keywords)
    ground = np.where(is_lake, plain.fill(heights), heights)
    surface = plain.fill(plain.breach(ground, is_lake, reach, depth))
    assert np.array_equal(drained.is_lake, is_lake)
    assert np.array_equal(drained.surface_m, surface)
    assert np.array_equal(drained.direction, plain.direct(surface, heights))


def test_a_breach_is_the_cheapest_way() -> None:
    """The depths cut add up to the least cost that scikit-image finds from the pit to the rim.

    Around a single pit no other breach interferes, and nothing but the rim is lower.
    """
    heights = np.random.default_rng(5).uniform(10.0, 20.0, (31, 31))
    heights[15, 15] = 1.0
    drained = drain(on_grid(heights), breach_length_pixels=500, breach_depth_m=100.0)
    costs, _ = MCP(np.maximum(heights - 1.0, 0.0), fully_connected=True).find_costs([(15, 15)])
    rim = np.concatenate([costs[0], costs[-1], costs[:, 0], costs[:, -1]])
    cut = (heights - drained.surface_m)[drained.surface_m == 1.0]
    assert cut.sum() == pytest.approx(rim.min(), abs=1e-6)


@pytest.mark.parametrize("slope", [1.3, 2.0])
def test_no_breach_is_cut_deeper_than_allowed(slope: float) -> None:
    """However many ways cross, the ground is nowhere lowered by more than the limit."""
    heights = rough(150, seed=14, slope=slope)
    cut = heights - drain(on_grid(heights), breach_depth_m=5.0).surface_m
    assert 4.0 < cut.max() <= 5.0


def test_a_breached_pit_drains_without_filling() -> None:
    """With limits that reach every way out, breaches alone leave nothing to fill."""
    heights = rough(60, seed=15, slope=1.5).astype(np.float64)
    drained = drain(on_grid(heights), breach_length_pixels=60, breach_depth_m=1e6)
    assert (drained.surface_m <= heights).all()


def test_lakes_are_deep_and_large_depressions() -> None:
    """The lakes of a fill are the connected flooded areas that scipy finds, both limits met."""
    heights = rough(200, seed=30, slope=1.6)
    drained = drain(
        on_grid(heights), depressions="fill", lake_depth_m=3.0, lake_area_m2=30 * PIXEL_M2
    )
    depth = drained.surface_m - heights
    labels: Any = ndimage.label(depth > 0, np.ones((3, 3)))
    water, n = labels
    names = np.arange(n + 1)
    is_kept = ndimage.maximum(depth, water, names) >= 3.0
    is_kept &= np.bincount(water.ravel()) >= 30
    is_kept[0] = False
    assert 0 < is_kept.sum() < n
    assert np.array_equal(drained.is_lake, is_kept[water])


def test_a_lake_is_not_breached() -> None:
    """The same dam holds when the water behind it is a lake."""
    drained = drain(on_grid(DAM), lake_depth_m=3.0, lake_area_m2=3 * PIXEL_M2)
    assert drained.is_lake[1].tolist() == [False, True, True, True, False, False, False, False]
    assert drained.surface_m[1, 1:4].tolist() == [6, 6, 6]


@pytest.mark.parametrize(("pit_m", "dam_and_pit_m"), [(6.0, [6.0, 6.0]), (4.0, [7.0, 7.0])])
def test_a_breach_ends_in_a_lake_below_but_spares_one_above(
    pit_m: float, dam_and_pit_m: list[float]
) -> None:
    """A pit above a lake of 5 m is let into it; one below its water is filled to the dam of 7 m."""
    heights = np.full((5, 11), 90.0, dtype=np.float32)
    heights[2] = [0.0, 5.0, 1.0, 1.0, 1.0, 1.0, 7.0, pit_m, 8.0, 9.0, 9.0]
    drained = drain(
        on_grid(heights), breach_depth_m=3.0, lake_depth_m=2.0, lake_area_m2=3 * PIXEL_M2
    )
    assert drained.is_lake[2].tolist() == [False, False, *[True] * 4, *[False] * 5]
    assert drained.surface_m[2, 2:6].tolist() == [5.0] * 4
    assert drained.surface_m[2, 6:8].tolist() == dam_and_pit_m


@pytest.mark.parametrize("slope", [1.4, 2.0])
def test_breaches_leave_lakes_as_they_are(slope: float) -> None:
    """Lakes have the same extent and the same level whether pits are breached or only filled."""
    elevation = on_grid(rough(150, seed=16, slope=slope))
    limits: Any = {"lake_depth_m": 3.0, "lake_area_m2": 20 * PIXEL_M2}
    filled = drain(elevation, depressions="fill", **limits)
    drained = drain(elevation, **limits)
    assert drained.is_lake.any()
    assert np.array_equal(drained.is_lake, filled.is_lake)
    assert np.array_equal(drained.surface_m[drained.is_lake], filled.surface_m[filled.is_lake])


# ---------------------------------------------------------------- windows


def test_the_window_grows_until_no_water_comes_from_outside() -> None:
    """The river of the whole valley reaches the board with the area it has on the whole raster."""
    elevation = on_grid(valley(100))
    whole = drain(elevation)
    drained = drain(elevation, around=small_board())
    assert drained.is_complete
    row0, row1, column0, column1 = drained.window
    assert row0 == 0
    assert row1 < 100
    inside = np.s_[row1 - 20 : row1 - 2, 50]
    assert np.array_equal(
        drained.catchment_m2[row1 - 20 - row0 : row1 - 2 - row0, 50 - column0],
        whole.catchment_m2[inside],
    )
    assert column0 >= 0
    assert column1 <= 100


def test_a_cap_on_the_surroundings_is_kept_and_told() -> None:
    """With a short reach the window stays small, and the drainage says that water is missing."""
    drained = drain(on_grid(valley(100)), around=small_board(), surroundings_m=100.0)
    assert not drained.is_complete
    assert drained.window[0] > 30


# ---------------------------------------------------------------- errors


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"depressions": "burn"}, "depressions"),
        ({"breach_length_pixels": -1}, "breach_length_pixels"),
        ({"breach_length_pixels": 501}, "breach_length_pixels"),
        ({"breach_depth_m": float("nan")}, "breach_depth_m"),
        ({"lake_depth_m": -1.0, "lake_area_m2": 1.0}, "lake_depth_m"),
        ({"lake_depth_m": 1.0}, "least area of a lake"),
        ({"sea_level_m": float("nan")}, "sea_level_m"),
        ({"breach_length_pixels": 2.5}, "whole number"),
        ({"surroundings_m": -5.0}, "surroundings_m"),
        ({"surroundings_m": float("inf")}, "surroundings_m"),
        ({"surroundings_m": float("nan")}, "surroundings_m"),
    ],
)
def test_limits_out_of_range_are_refused(wrong: Any, named: str) -> None:
    """Each limit that makes no sense is named in the message."""
    with pytest.raises(InputError, match=named):
        drain(on_grid(DAM), **wrong)


def test_ground_all_under_the_sea_is_refused() -> None:
    """A raster without dry ground cannot be drained."""
    with pytest.raises(NoHeightsError, match="usable ground"):
        drain(on_grid(DAM), sea_level_m=90.0)
