"""Gather: against exactextract, shapely, PROJ's geodesics, hand answers and a plain twin."""

from __future__ import annotations

import os
from typing import Any

import numpy as np
import pytest
import shapely
from affine import Affine
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pyproj import Geod, Transformer

from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.errors import BriefError, CoverageError, NoHeightsError
from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.lattice.lattice import Lattice
from hexterra.stages.sampling import raster_passes
from hexterra.stages.sampling.gather import Heights, gather
from hexterra.stages.sampling.outlines import PixelWeights, outline_cells
from tests.plain import gather as plain

N = 240
LON, LAT = 9.1, 47.0
UTM = "EPSG:32632"


def noise(seed: int = 0, n: int = N) -> NDArray[np.float32]:
    """Heights without any pattern, 2000 to 3000 m."""
    return (np.random.default_rng(seed).random((n, n)) * 1000.0 + 2000.0).astype(np.float32)


def holes(seed: int = 1, n: int = N) -> NDArray[np.bool_]:
    """Give a mask with scattered voids, a void block, and rows without voids."""
    usable = np.random.default_rng(seed).random((n, n)) > 0.1
    usable[:, 40:80] = False
    usable[n // 3 : n // 2] = True
    return usable


def board(**changes: object) -> Board:
    """Give a board of 10 x 12 cells that spans about 5 x 5 km."""
    fields = {
        "columns": 10,
        "rows": 12,
        "across_flats_mm": 25.0,
        "facing": "points",
        "edges": "straight",
        "scale": 20_000.0,
        "lon_deg": LON,
        "lat_deg": LAT,
    }
    return Board(**(fields | changes))  # type: ignore[arg-type]


def centred(
    lattice: Board, pixel_m: float, *, rotation: float = 0.0, flip: int = 1, n: int = N
) -> Affine:
    """Give an affine in the board's own frame with the board in the middle of n x n pixels."""
    return (
        Affine.rotation(rotation)
        @ Affine.scale(pixel_m, -pixel_m * flip)
        @ Affine.translation(-n / 2, -n / 2)
    )


def elevation(
    heights: NDArray[np.floating], affine: Affine, crs: str, usable: NDArray[np.bool_] | None = None
) -> Elevation:
    """Describe an array, metres, with what is not `usable` masked."""
    source = heights if usable is None else np.ma.masked_array(heights, ~usable)
    return read_elevation(source, crs=crs, affine=affine, vertical_unit="m")


def pixel_rings(raster: Elevation, lattice: Lattice) -> NDArray[np.float64]:
    """Outlines in pixel space, by PROJ and the inverse affine, point by point."""
    carry = Transformer.from_crs(lattice.crs, raster.crs, always_xy=True).transform
    rings = lattice.kept_rings_xy
    x, y = carry(rings[..., 0], rings[..., 1])
    a, b, c, d, e, f = tuple(~raster.affine)[:6]
    return np.stack([a * x + b * y + c, d * x + e * y + f], axis=-1)


def by_exactextract(
    rings: NDArray[np.float64],
    heights: NDArray[np.floating],
    usable: NDArray[np.bool_] | None = None,
    weights: NDArray[np.float64] | None = None,
) -> dict[str, NDArray[np.float64]]:
    """Mean, min, max and count of the same polygons in pixel space by exactextract.

    Source: D. Baston, exactextract 0.3, https://github.com/isciences/exactextract. Its coverage
    fractions are single precision, so a mean of noise is true to some 1e-10 of the range.
    """
    n_rows, n_columns = heights.shape
    table: Any
    frame = {"xmin": 0, "ymin": 0, "xmax": n_columns, "ymax": n_rows}
    values = heights.astype(np.float64)
    if usable is not None:
        values = np.ma.masked_array(values, ~usable)
    upward = np.stack([rings[..., 0], n_rows - rings[..., 1]], axis=-1)
    polygons: Any = shapely.polygons(upward)
    features = [
        {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(polygon)}
        for polygon in polygons
    ]
    operations = ["mean", "min", "max", "count"]
    source = NumPyRasterSource(values, name="z", **frame)
    if weights is None:
        table = exact_extract(source, features, operations, output="pandas")
    else:
        weight = NumPyRasterSource(np.ascontiguousarray(weights), name="w", **frame)
        table = exact_extract(source, features, ["weighted_mean"], weights=weight, output="pandas")
    return {name: table[name].to_numpy(dtype=np.float64) for name in table.columns}


def whole_area(rings: NDArray[np.float64]) -> NDArray[np.float64]:
    """Areas by shapely."""
    return np.asarray(shapely.area(shapely.polygons(rings)))


# Against exactextract --------------------------------------------------------------------------


@pytest.mark.parametrize("facing", ["points", "flats"])
@pytest.mark.parametrize(
    ("rotation", "flip", "bearing"),
    [(0.0, 1, 0.0), (0.0, -1, 0.0), (0.0, 1, 20.0), (35.0, 1, 0.0), (90.0, 1, 0.0), (160, -1, 7.0)],
)
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_board_agrees_with_exactextract(
    facing: str, rotation: float, flip: int, bearing: float, dtype: type
) -> None:
    """Means agree to 1e-9 of the range, extremes exactly, on any affine, facing and bearing."""
    lattice = board(facing=facing, bearing_deg=bearing)
    heights = noise().astype(dtype)
    raster = elevation(heights, centred(lattice, 40.0, rotation=rotation, flip=flip), lattice.crs)
    ours = gather(raster, lattice)
    rings = pixel_rings(raster, lattice)
    theirs = by_exactextract(rings, heights)
    kept = whole_area(rings) / whole_area(rings).max()  # errors weigh more in smaller parts
    assert np.all(np.abs(ours.mean_m - theirs["mean"]) < 1e-6 / kept)
    assert np.array_equal(ours.min_m, theirs["min"])
    assert np.array_equal(ours.max_m, theirs["max"])
    assert np.array_equal(ours.coverage, np.ones(lattice.n_cells))


@pytest.mark.parametrize("rotation", [0.0, 25.0])
@pytest.mark.parametrize("pixel_m", [40.0, 15.0])
def test_masked_board_agrees_with_exactextract(rotation: float, pixel_m: float) -> None:
    """With voids, and with half of the board off the raster, nothing is lost or invented."""
    lattice, heights, usable = board(), noise(), holes()
    raster = elevation(heights, centred(lattice, pixel_m, rotation=rotation), lattice.crs, usable)
    rings = pixel_rings(raster, lattice)
    theirs = by_exactextract(rings, heights, usable)
    share = theirs["count"] / whole_area(rings)
    ours = gather(raster, lattice, minimum_coverage=0.01, below="leave out")
    kept = share >= 0.01
    assert 0 < kept.sum() < lattice.n_cells
    assert ours.lattice.same_as(lattice.only(kept))
    assert ours.coverage == pytest.approx(share[kept], abs=1e-8)
    # Where little is covered, the single precision of their coverage shows.
    tolerance = 1e-6 / share[kept]
    assert np.all(np.abs(ours.mean_m - theirs["mean"][kept]) < tolerance)
    assert np.array_equal(ours.min_m, theirs["min"][kept])
    assert np.array_equal(ours.max_m, theirs["max"][kept])


def test_projected_to_another_crs_agrees_with_exactextract() -> None:
    """Corners go through PROJ from the board's frame to the raster's."""
    lattice, heights = board(), noise()
    x, y = Transformer.from_crs("OGC:CRS84", UTM, always_xy=True).transform(LON, LAT)
    raster = elevation(heights, Affine.translation(x, y) @ centred(lattice, 40.0), UTM)
    theirs = by_exactextract(pixel_rings(raster, lattice), heights)
    assert gather(raster, lattice).mean_m == pytest.approx(theirs["mean"], abs=1e-6)


def globe_around(lon: float, lat: float, resolution: int, reach_deg: float) -> Globe:
    """H3 cells in a square around a place."""
    area = shapely.box(lon - reach_deg, lat - reach_deg, lon + reach_deg, lat + reach_deg)
    return Globe.covering(area, resolution)


def test_globe_agrees_with_exactextract() -> None:
    """H3 outlines (https://h3geo.org) on a projected raster: same means, extremes and counts."""
    lattice, heights, usable = globe_around(LON, LAT, 8, 0.03), noise(), holes()
    x, y = Transformer.from_crs("OGC:CRS84", UTM, always_xy=True).transform(LON, LAT)
    affine = Affine.translation(x, y) @ Affine.scale(40.0, -40.0) @ Affine.translation(-120, -120)
    raster = elevation(heights, affine, UTM, usable)
    rings = pixel_rings(raster, lattice)
    theirs = by_exactextract(rings, heights, usable)
    ours = gather(raster, lattice, minimum_coverage=1e-6, below="leave out")
    kept = theirs["count"] > 0
    share = theirs["count"] / whole_area(rings)
    assert np.all(np.abs(ours.mean_m - theirs["mean"][kept]) < 1e-6 / share[kept])
    assert np.array_equal(ours.min_m, theirs["min"][kept])
    assert np.array_equal(ours.max_m, theirs["max"][kept])
    assert ours.coverage == pytest.approx(share[kept], abs=1e-8)


def test_globe_cells_with_more_vertices_than_corners_agree_with_exactextract() -> None:
    """Where H3 outlines bend at an edge of the icosahedron, sides are still walked right."""
    lattice = globe_around(23.223, 59.457, 5, 0.6)
    assert lattice.rings_xy.shape[1] > 6
    raster = elevation(noise(), geographic(N, 0.01, lat=59.457, lon=23.223), "EPSG:4326")
    weights = np.repeat(PixelWeights(raster).of_rows(0, N)[:, None], N, axis=1)
    theirs = by_exactextract(pixel_rings(raster, lattice), noise(), weights=weights)
    assert gather(raster, lattice).mean_m == pytest.approx(theirs["weighted_mean"], abs=1e-6)


@pytest.mark.parametrize("resolution", [7, 8])
def test_sides_between_globe_cells_are_walked_once(resolution: int) -> None:
    """One edge for each pair of neighbours, but for the few whose vertices are rounded apart."""
    lattice = globe_around(LON, LAT, resolution, 0.2)
    raster = elevation(noise(), geographic(N, 0.005), "EPSG:4326")
    outlines = outline_cells(raster, lattice)
    assert outlines is not None
    n_between = int((outlines.edge_cells >= 0).all(axis=1).sum())
    assert 0.98 * len(lattice.seams) < n_between <= len(lattice.seams)


# True areas ------------------------------------------------------------------------------------


def geodesic_pixel_areas(raster: Elevation) -> NDArray[np.float64]:
    """Ground area of each pixel by PROJ's geodesic polygons, sides densified.

    Source: Karney, Algorithms for geodesics, J. Geodesy 87 (2013), as pyproj.Geod.
    """
    geod = Geod(ellps="WGS84")
    n_rows, n_columns = raster.shape
    share = np.linspace(0.0, 1.0, 40, endpoint=False)
    square = np.concatenate(
        [
            np.column_stack([share, 0 * share]),
            np.column_stack([1 + 0 * share, share]),
            np.column_stack([1 - share, 1 + 0 * share]),
            np.column_stack([0 * share, 1 - share]),
        ]
    )
    a, b, c, d, e, f = tuple(raster.affine)[:6]
    areas = np.empty(raster.shape)
    for row in range(n_rows):
        for column in range(n_columns):
            x, y = square[:, 0] + column, square[:, 1] + row
            lon, lat = a * x + b * y + c, d * x + e * y + f
            areas[row, column] = abs(geod.polygon_area_perimeter(lon, lat)[0])
    return areas


def geographic(
    n: int, degrees: float, *, rotation: float = 0.0, lat: float = LAT, lon: float = LON
) -> Affine:
    """Give an affine in degrees with a place in the middle of n x n pixels."""
    return (
        Affine.translation(lon, lat)
        @ Affine.rotation(rotation)
        @ Affine.scale(degrees, -degrees)
        @ Affine.translation(-n / 2, -n / 2)
    )


def test_rows_weigh_by_their_area_on_the_ellipsoid() -> None:
    """Row weights are proportional to the areas of geodesic polygons (pyproj.Geod)."""
    raster = elevation(noise(n=12), geographic(12, 0.5, lat=60.0), "EPSG:4326")
    areas = geodesic_pixel_areas(raster)[:, 0]
    weights = PixelWeights(raster).of_rows(0, 12)
    assert weights / weights[0] == pytest.approx(areas / areas[0], rel=1e-6)


@pytest.mark.parametrize("rotation", [0.0, 30.0])
def test_geographic_means_weigh_pixels_by_their_area(rotation: float) -> None:
    """Weighted by geodesic pixel areas, exactextract finds the same means of H3 cells."""
    heights = noise(n=24)
    raster = elevation(heights, geographic(24, 0.25, rotation=rotation, lat=60.0), "EPSG:4326")
    lattice = globe_around(LON, 60.0, 3, 1.2)
    weights = geodesic_pixel_areas(raster)
    theirs = by_exactextract(pixel_rings(raster, lattice), heights, weights=weights / weights[0, 0])
    ours = gather(raster, lattice)
    # The area of a pixel by the weight at its centre is off by less than (0.25 degrees)^2 / 24.
    assert ours.mean_m == pytest.approx(theirs["weighted_mean"], abs=1e-3 if rotation else 1e-4)
    unweighted = by_exactextract(pixel_rings(raster, lattice), heights)["mean"]
    assert np.abs(ours.mean_m - unweighted).max() > 0.05


def test_coverage_on_a_geographic_raster_is_a_share_of_true_area() -> None:
    """A cell of which the raster ends half-way: its share by geodesic areas (pyproj.Geod)."""
    lattice = Globe(np.array([0x831F8DFFFFFFFFF & ~0], dtype=np.uint64))
    ring = lattice.rings_xy[0]
    lat = float(ring[:, 1].mean())
    n = 320
    affine = Affine.translation(ring[:, 0].mean() - 8.0, lat) @ Affine.scale(0.05, -0.05)
    raster = elevation(noise(n=n), affine, "EPSG:4326")
    whole, south = shapely.Polygon(ring), shapely.box(-180.0, -90.0, 180.0, lat)
    geod = Geod(ellps="WGS84")

    def area(polygon: Any) -> float:
        return abs(geod.geometry_area_perimeter(polygon.segmentize(0.005))[0])

    ours = gather(raster, lattice, minimum_coverage=0.01)
    assert ours.coverage[0] == pytest.approx(area(whole & south) / area(whole), abs=5e-5)


# Round the globe -------------------------------------------------------------------------------


def around_the_world(west: float, columns: int = 720) -> Elevation:
    """Heights that depend on the place only, half a degree per pixel, from `west` eastward."""
    lon = np.deg2rad(west + 0.25 + 0.5 * np.arange(columns))
    lat = np.deg2rad(20.0 - 0.25 - 0.5 * np.arange(80))
    heights = 500.0 + 300.0 * np.sin(3 * lon) * np.cos(5 * lat)[:, None] + 100.0 * np.cos(lon)
    affine = Affine.translation(west, 20.0) @ Affine.scale(0.5, -0.5)
    return elevation(heights, affine, "EPSG:4326")


@pytest.mark.parametrize("lattice", [
    board(lon_deg=180.0, lat_deg=3.0, scale=3_000_000.0),
    board(lon_deg=-179.5, lat_deg=-4.0, scale=3_000_000.0, bearing_deg=15.0),
    Globe.covering(shapely.MultiPolygon([shapely.box(176, -5, 180, 5),
                                         shapely.box(-180, -5, -176, 5)]), 3),
])  # fmt: skip
def test_the_antimeridian_is_no_border(lattice: Lattice) -> None:
    """Rasters from -180, from 0, and one that crosses 180 give the same heights and corners."""
    crossing = gather(around_the_world(150.0, 120), lattice, quantiles=(0.5,))
    assert np.array_equal(crossing.coverage, np.ones(lattice.n_cells))
    for west in (-180.0, 0.0):
        ours = gather(around_the_world(west), lattice, quantiles=(0.5,))
        assert ours.mean_m == pytest.approx(crossing.mean_m, abs=1e-9)
        assert ours.min_m == pytest.approx(crossing.min_m, abs=1e-9)
        assert ours.quantile_m == pytest.approx(crossing.quantile_m, abs=1e-9)
        assert ours.corner_m == pytest.approx(crossing.corner_m, abs=1e-9)


def test_a_raster_that_ends_at_the_antimeridian_covers_half_of_the_board() -> None:
    """Cells beyond the end have no coverage, whichever way longitudes are written."""
    lattice = board(lon_deg=180.0, lat_deg=3.0, scale=3_000_000.0)
    east = gather(around_the_world(150.0, 60), lattice, below="leave out")
    west = gather(around_the_world(-180.0, 60), lattice, below="leave out")
    labels = set(east.lattice.labels) | set(west.lattice.labels)
    assert labels == set(lattice.labels)
    assert 0 < east.lattice.n_cells < lattice.n_cells


# Known answers ---------------------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.floats(-500.0, 9000.0), st.sampled_from(["points", "flats"]), st.booleans())
def test_constant_ground_stays_constant(value: float, facing: str, has_holes: bool) -> None:
    """Constant in, exactly that constant out, in every field."""
    lattice = board(facing=facing)
    usable = np.random.default_rng(3).random((N, N)) > 0.2 if has_holes else None
    raster = elevation(np.full((N, N), value), centred(lattice, 40.0), lattice.crs, usable)
    ours = gather(raster, lattice, quantiles=(0.0, 0.3, 1.0))
    for field in (ours.mean_m, ours.min_m, ours.max_m, ours.quantile_m.ravel()):
        assert np.all(field == value)
    assert ours.corner_m == pytest.approx(value)


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_a_plane_averages_to_its_height_at_the_centre(facing: str) -> None:
    """Pixels are symmetric about every centre here, so the mean is the plane at the centroid."""
    lattice = board(facing=facing, columns=4, rows=4, edges="whole")
    half = np.array([12.5, 12.5 / np.sqrt(3.0)])[:: 1 if facing == "points" else -1]
    dx, dy = half * lattice.scale / 1000.0 / 5.0
    middle = lattice.centre_xy[0]
    affine = Affine.translation(*middle) @ Affine.scale(dx, -dy) @ Affine.translation(-100, -100)
    rows, columns = np.mgrid[0:200, 0:200] + 0.5
    x, y = affine.a * columns + affine.c, affine.e * rows + affine.f
    ours = gather(elevation(300.0 + 0.02 * x - 0.05 * y, affine, lattice.crs), lattice)
    expected = 300.0 + lattice.centre_xy @ np.array([0.02, -0.05])
    assert ours.mean_m == pytest.approx(expected, abs=1e-9)
    at_corners = 300.0 + lattice.corner_xy @ np.array([0.02, -0.05])
    assert ours.corner_m == pytest.approx(at_corners, abs=1e-9)


def test_one_bright_pixel_is_shared_by_area() -> None:
    """Each cell gets its overlap with the pixel (by shapely), and all of it arrives somewhere."""
    lattice = board()
    heights = np.zeros((N, N), dtype=np.float32)
    heights[121, 118] = 1000.0
    raster = elevation(heights, centred(lattice, 40.0, rotation=13.0), lattice.crs)
    ours = gather(raster, lattice)
    polygons = shapely.polygons(pixel_rings(raster, lattice))
    overlap = shapely.area(shapely.intersection(polygons, shapely.box(118, 121, 119, 122)))
    assert ours.mean_m == pytest.approx(1000.0 * overlap / shapely.area(polygons), abs=1e-9)
    assert (ours.mean_m * shapely.area(polygons)).sum() == pytest.approx(1000.0, rel=1e-12)
    assert np.array_equal(ours.max_m > 0.0, overlap > 0.0)


def test_nothing_is_lost_between_cells() -> None:
    """Mean times area, summed over the tiling, is the sum of the raster over its union."""
    lattice, heights = board(bearing_deg=11.0), noise()
    raster = elevation(heights, centred(lattice, 40.0), lattice.crs)
    ours = gather(raster, lattice)
    polygons = shapely.polygons(pixel_rings(raster, lattice))
    union = shapely.union_all(polygons)
    inside = sum(
        float(heights[r, c]) * area
        for r in range(N)
        for c in range(N)
        if (area := shapely.intersection(union, shapely.box(c, r, c + 1, r + 1)).area) > 0
    )
    assert (ours.mean_m * shapely.area(polygons)).sum() == pytest.approx(inside, rel=1e-10)


def test_coverage_beyond_the_raster_is_the_overlap() -> None:
    """Coverage of a board that overhangs on all sides, against shapely."""
    lattice = board(bearing_deg=17.0)
    raster = elevation(noise(n=60), centred(lattice, 50.0, n=60), lattice.crs)
    polygons = shapely.polygons(pixel_rings(raster, lattice))
    share: Any = shapely.area(shapely.intersection(polygons, shapely.box(0, 0, 60, 60)))
    share /= shapely.area(polygons)
    ours = gather(raster, lattice, minimum_coverage=1e-9, below="leave out")
    assert ours.coverage == pytest.approx(share[share > 1e-9], abs=1e-12)


@pytest.mark.parametrize("facing", ["points", "flats"])
@pytest.mark.parametrize("rotation", [0.0, 50.0])
@pytest.mark.parametrize("pixel_m", [151.0, 2_000.0])
def test_compiled_equals_plain(facing: str, rotation: float, pixel_m: float) -> None:
    """Every field equals the plain twin that clips pixel by pixel, voids and overhang included.

    Pixels of 2 km are larger than cells; then a cell lies in one to four pixels.
    """
    lattice, n = board(facing=facing), 30 if pixel_m < 1000 else 4
    heights, usable = noise(n=n), np.random.default_rng(5).random((n, n)) > 0.2
    affine = centred(lattice, pixel_m, rotation=rotation, n=n)
    raster = elevation(heights, affine, lattice.crs, usable)
    quantiles = (0.9, 0.0, 0.5, 1.0, 0.25)
    ours = gather(raster, lattice, quantiles=quantiles, minimum_coverage=1e-3, below="leave out")
    kept = dict(zip(ours.lattice.labels, range(ours.lattice.n_cells), strict=True))
    rings = pixel_rings(raster, lattice)
    for cell, label in enumerate(lattice.labels):
        ring = [(float(x), float(y)) for x, y in rings[cell]]
        under = [p for p in plain.pixels_under(ring, n, n) if usable[p[0], p[1]]]
        found = [float(heights[row, column]) for row, column, _ in under]
        areas = [area for *_, area in under]
        share = sum(areas) / plain.ring_area(ring)
        assert (share >= 1e-3) == (label in kept)
        if label not in kept:
            continue
        mine = kept[label]
        assert ours.coverage[mine] == pytest.approx(share, abs=1e-12)
        assert ours.mean_m[mine] == pytest.approx(plain.weighted_mean(found, areas), abs=1e-9)
        assert ours.min_m[mine] == min(found)
        assert ours.max_m[mine] == max(found)
        for k, quantile in enumerate(quantiles):
            expected = plain.weighted_quantile(found, areas, quantile)
            assert ours.quantile_m[mine, k] == expected


def test_quantiles_of_two_heights() -> None:
    """Two thirds at 10 m and one third at 40 m: the quantile jumps at 2/3 (by hand)."""
    lattice = board(columns=2, rows=2)
    heights = np.full((N, N), 10.0)
    heights[:, ::3] = 40.0
    raster = elevation(heights, centred(lattice, 1.0), lattice.crs)
    ours = gather(raster, lattice, quantiles=(0.6, 0.75), minimum_coverage=0.05, below="leave out")
    assert np.all(ours.quantile_m == [10.0, 40.0])


# Masks -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("poison", [1e30, -1e30, np.nan, np.inf])
def test_what_lies_under_a_mask_never_leaks(poison: float) -> None:
    """Any number under the mask gives bit for bit the same heights as zero."""
    lattice, usable = board(), np.random.default_rng(2).random((N, N)) > 0.15
    results = []
    for value in (0.0, poison):
        heights = np.where(usable, noise(), np.float32(value))
        raster = elevation(heights, centred(lattice, 40.0), lattice.crs, usable)
        results.append(gather(raster, lattice, quantiles=(0.5,)).digest)
    assert results[0] == results[1]


def test_voids_elsewhere_change_nothing() -> None:
    """Cells without voids keep their exact coverage and means, whatever lies above them."""
    lattice, heights = board(), noise()
    usable = np.ones((N, N), dtype=np.bool_)
    usable[60:90, ::2] = False
    affine = centred(lattice, 30.0)
    clear = gather(elevation(heights, affine, lattice.crs), lattice)
    ours = gather(elevation(heights, affine, lattice.crs, usable), lattice, minimum_coverage=0.1)
    rings = pixel_rings(elevation(heights, affine, lattice.crs), lattice)
    is_clear = (rings[..., 1].min(axis=1) > 90) | (rings[..., 1].max(axis=1) < 60)
    assert 0 < is_clear.sum() < lattice.n_cells
    assert np.array_equal(ours.coverage == 1.0, is_clear)
    assert ours.mean_m[is_clear] == pytest.approx(clear.mean_m[is_clear], abs=1e-10)


def test_a_single_usable_pixel_keeps_just_the_cells_that_touch_it() -> None:
    """No cell is falsely filled: with one pixel left, only its cells have any coverage."""
    lattice, usable = board(), np.zeros((N, N), dtype=np.bool_)
    usable[100, 130] = True
    raster = elevation(noise(), centred(lattice, 40.0), lattice.crs, usable)
    ours = gather(raster, lattice, minimum_coverage=1e-12, below="leave out")
    polygons = shapely.polygons(pixel_rings(raster, lattice))
    touches: Any = shapely.area(shapely.intersection(polygons, shapely.box(130, 100, 131, 101))) > 0
    assert ours.lattice.same_as(lattice.only(touches))
    assert np.all(ours.mean_m == noise()[100, 130])


# Corners ---------------------------------------------------------------------------------------


def test_a_corner_beside_a_void_takes_the_mean_of_its_cells() -> None:
    """The written rule: bilinear between four usable pixels, else the mean of adjacent means."""
    lattice, heights = board(), noise()
    affine = centred(lattice, 40.0)
    corner = int(np.flatnonzero((lattice.corner_cells >= 0).all(axis=1))[20])
    column, row = np.floor(np.array(~affine @ tuple(lattice.corner_xy[corner])) - 0.5).astype(int)
    usable = np.ones((N, N), dtype=np.bool_)
    usable[row + 1, column] = False
    ours = gather(elevation(heights, affine, lattice.crs, usable), lattice)
    around = ours.mean_m[lattice.corner_cells[corner]]
    assert ours.corner_m[corner] == pytest.approx(around.mean(), rel=1e-12)


def test_corners_keep_their_place_when_cells_are_left_out() -> None:
    """A corner that stays has the same height as with all cells, where pixels give it."""
    lattice, heights, usable = board(), noise(), np.ones((N, N), dtype=np.bool_)
    usable[:, :110] = False
    raster = elevation(heights, centred(lattice, 40.0), lattice.crs, usable)
    ours = gather(raster, lattice, below="leave out")
    whole = gather(elevation(heights, centred(lattice, 40.0), lattice.crs), lattice)
    at = {
        tuple(np.round(xy, 3)): z for xy, z in zip(lattice.corner_xy, whole.corner_m, strict=True)
    }
    pixels = np.array([~raster.affine @ tuple(xy) for xy in ours.lattice.corner_xy])
    inside = pixels[:, 0] > 111.0
    assert inside.sum() > 0
    expected = [at[tuple(np.round(xy, 3))] for xy in ours.lattice.corner_xy[inside]]
    assert ours.corner_m[inside] == pytest.approx(expected, abs=1e-9)
    assert np.isfinite(ours.corner_m).all()


# Laws ------------------------------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=25)
@given(
    seed=st.integers(0, 10_000),
    pixel_m=st.floats(45.0, 400.0),
    rotation=st.floats(-180.0, 180.0),
    facing=st.sampled_from(["points", "flats"]),
    share=st.floats(0.0, 0.5),
)
def test_laws(seed: int, pixel_m: float, rotation: float, facing: str, share: float) -> None:
    """Means and quantiles lie between the extremes, quantiles ascend, a shift only shifts."""
    lattice = board(facing=facing, edges="whole")
    heights = noise(seed, n=130).astype(np.float64)
    usable = np.random.default_rng(seed).random((130, 130)) >= share
    affine = centred(lattice, pixel_m, rotation=rotation, n=130)
    wanted: dict[str, Any] = {
        "quantiles": (0.1, 0.5, 0.9),
        "minimum_coverage": 1e-3,
        "below": "leave out",
    }
    ours = gather(elevation(heights, affine, lattice.crs, usable), lattice, **wanted)
    moved = gather(elevation(heights + 512.0, affine, lattice.crs, usable), lattice, **wanted)
    assert np.all(ours.min_m <= ours.mean_m)
    assert np.all(ours.mean_m <= ours.max_m)
    assert np.all(np.diff(ours.quantile_m, axis=1) >= 0.0)
    assert np.all(ours.min_m <= ours.quantile_m[:, 0])
    assert np.all(ours.quantile_m[:, 2] <= ours.max_m)
    assert np.all((ours.coverage > 0.0) & (ours.coverage <= 1.0))
    assert moved.mean_m == pytest.approx(ours.mean_m + 512.0, abs=1e-7)
    assert np.array_equal(moved.coverage, ours.coverage)
    assert moved.corner_m == pytest.approx(ours.corner_m + 512.0, abs=1e-7)


def test_a_mirrored_raster_gives_mirrored_heights() -> None:
    """South-up storage of the same ground changes no height."""
    lattice, heights = board(), noise()
    north_up = gather(elevation(heights, centred(lattice, 40.0), lattice.crs), lattice)
    south_up = gather(
        elevation(heights[::-1].copy(), centred(lattice, 40.0, flip=-1), lattice.crs), lattice
    )
    assert south_up.mean_m == pytest.approx(north_up.mean_m, abs=1e-9)
    assert np.array_equal(south_up.max_m, north_up.max_m)
    assert south_up.corner_m == pytest.approx(north_up.corner_m, abs=1e-9)


def fingerprint(raster: Elevation, lattice: Lattice) -> str:
    """Digest of everything that gather can give."""
    return gather(
        raster, lattice, quantiles=(0.2, 0.5), minimum_coverage=0.05, below="leave out"
    ).digest


@pytest.mark.parametrize("rotation", [0.0, 33.0])
def test_bands_and_threads_change_no_bit(rotation: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read whole or by 8 rows, worked by one thread or many: bit for bit the same."""
    lattice, usable = board(columns=16, rows=20), holes()
    usable[150:] = True
    raster = elevation(noise(), centred(lattice, 40.0, rotation=rotation), lattice.crs, usable)
    monkeypatch.setattr(raster_passes, "STRIPE_COLUMNS", 16)
    whole = fingerprint(raster, lattice)
    monkeypatch.setattr(raster_passes, "BAND_PIXELS", 1)
    assert fingerprint(raster, lattice) == whole
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert fingerprint(raster, lattice) == whole


def test_stripes_only_round(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut into stripes, the sums start elsewhere, so means may differ by rounding only."""
    lattice, raster = board(columns=16, rows=20), None
    raster = elevation(noise(), centred(lattice, 40.0), lattice.crs)
    whole = gather(raster, lattice)
    monkeypatch.setattr(raster_passes, "STRIPE_COLUMNS", 16)
    cut = gather(raster, lattice)
    assert cut.mean_m == pytest.approx(whole.mean_m, abs=1e-9)
    assert np.array_equal(cut.min_m, whole.min_m)


def test_real_ground(jacksboro: Elevation) -> None:
    """The Jacksboro fault: weighted by geodesic areas, exactextract finds the same means."""
    lattice = board(lon_deg=-84.25, lat_deg=36.59, scale=60_000.0)
    heights, _ = jacksboro.read(0, jacksboro.shape[0], 0, jacksboro.shape[1])
    lat = jacksboro.affine.f + jacksboro.affine.e * (np.arange(len(heights)) + 0.5)
    # Metres per degree along and across, radii of WGS 84 (NIMA TR8350.2): up to a factor.
    e2 = 0.00669437999014
    row_area = np.cos(np.deg2rad(lat)) / (1.0 - e2 * np.sin(np.deg2rad(lat)) ** 2) ** 2
    weights = np.repeat(row_area[:, None], heights.shape[1], axis=1)
    theirs = by_exactextract(pixel_rings(jacksboro, lattice), heights, weights=weights)
    ours = gather(jacksboro, lattice)
    assert ours.mean_m == pytest.approx(theirs["weighted_mean"], abs=1e-6)


# Errors ----------------------------------------------------------------------------------------


@pytest.fixture
def plain_raster() -> Elevation:
    """Give noise with the board in its middle."""
    return elevation(noise(), centred(board(), 40.0), board().crs)


@pytest.mark.parametrize("share", [0.0, -0.1, 1.01, float("nan")])
def test_minimum_coverage_out_of_range(plain_raster: Elevation, share: float) -> None:
    """A share of zero would keep cells without any height."""
    with pytest.raises(BriefError, match="minimum coverage") as caught:
        gather(plain_raster, board(), minimum_coverage=share)
    assert caught.value.facts["minimum_coverage"] is share


@pytest.mark.parametrize("quantile", [-0.1, 50.0, float("nan")])
def test_quantile_out_of_range(plain_raster: Elevation, quantile: float) -> None:
    """A percentage is no quantile."""
    with pytest.raises(BriefError, match="quantile") as caught:
        gather(plain_raster, board(), quantiles=(quantile,))
    assert caught.value.facts["quantile"] is quantile


def test_unknown_rule_for_cells_below(plain_raster: Elevation) -> None:
    """The two known rules are named."""
    with pytest.raises(BriefError, match="leave out"):
        gather(plain_raster, board(), below="ignore")  # type: ignore[arg-type]


def test_cells_with_too_little_are_named() -> None:
    """Refusing counts the cells, names some, and says what would help."""
    lattice = board()
    raster = elevation(noise(n=60), centred(lattice, 50.0, n=60), lattice.crs)
    with pytest.raises(CoverageError, match="leave out") as caught:
        gather(raster, lattice)
    assert 'below="leave out" in Python' in caught.value.remedy
    assert 'heights.below_coverage = "leave out" in the brief' in caught.value.remedy
    kept = gather(raster, lattice, below="leave out").lattice.labels
    missing = tuple(label for label in lattice.labels if label not in kept)
    assert caught.value.facts["cells"] == missing
    assert caught.value.facts["n_cells"] == len(missing)
    assert missing[0] in caught.value.problem


def test_no_cell_with_enough_coverage() -> None:
    """Leaving out every cell leaves no board."""
    lattice, usable = board(), np.random.default_rng(0).random((N, N)) > 0.6
    raster = elevation(noise(), centred(lattice, 40.0), lattice.crs, usable)
    with pytest.raises(CoverageError, match="minimum coverage"):
        gather(raster, lattice, minimum_coverage=0.9, below="leave out")


@pytest.mark.parametrize("lon_deg", [LON + 3.0, -LON, 170.0])
def test_a_board_off_the_raster(plain_raster: Elevation, lon_deg: float) -> None:
    """Both extents are told in longitude and latitude."""
    with pytest.raises(CoverageError, match="off the raster") as caught:
        gather(plain_raster, board(lon_deg=lon_deg))
    assert "longitude" in str(caught.value.facts["board"])
    assert f"{LON:.0f}." in str(caught.value.facts["raster"])


@pytest.mark.parametrize("scale", [2e5, 2e6])
@pytest.mark.parametrize("below", ["refuse", "leave out"])
@pytest.mark.parametrize("crs", [UTM, "EPSG:4326"])
def test_a_board_far_larger_than_the_raster(scale: float, below: str, crs: str) -> None:
    """The raster is a speck under one or a few cells, and most have no pixel at all."""
    affine = Affine(10.0, 0.0, 500_000.0, 0.0, -10.0, 5_205_000.0)
    if crs != UTM:
        affine = Affine(1e-4, 0.0, LON, 0.0, -1e-4, LAT)
    raster = elevation(noise(n=50), affine, crs)
    with pytest.raises(CoverageError, match="cells have heights on less than 50%"):
        gather(raster, board(scale=scale), below=below)  # type: ignore[arg-type]


def test_a_board_that_the_crs_of_the_raster_cannot_hold() -> None:
    """Where PROJ finds no coordinates, the board lies off the raster."""
    raster = elevation(noise(), Affine.scale(1000.0, -1000.0), "+proj=gnom +lat_0=90 +datum=WGS84")
    with pytest.raises(CoverageError, match="off the raster"):
        gather(raster, board(lat_deg=-60.0))


def test_a_board_on_voids_only() -> None:
    """On the raster, but without any height: another error than off the raster."""
    lattice, usable = board(), np.zeros((N, N), dtype=np.bool_)
    usable[0, 0] = True
    raster = elevation(noise(), centred(lattice, 40.0), lattice.crs, usable)
    with pytest.raises(NoHeightsError, match="void"):
        gather(raster, lattice)


def test_heights_check_their_shapes() -> None:
    """A field of the wrong length is a programming error."""
    lattice = board()
    fields: dict[str, Any] = {
        name: np.zeros(lattice.n_cells) for name in ("mean_m", "min_m", "max_m", "coverage")
    }
    with pytest.raises(ValueError, match="corner_m"):
        Heights(
            lattice=lattice,
            quantiles=(),
            quantile_m=np.zeros((lattice.n_cells, 0)),
            corner_m=np.zeros(1),
            **fields,
        )
