"""Depressions by bands of rows: fill them, keep lakes, breach pits.

Used by `drain_bands`.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import frozen
from hexterra.kernels.raster import breach, depression_fill
from hexterra.kernels.raster.depression_fill import PourPoints
from hexterra.stages.drainage.drainage_rules import are_lakes, label_water_bodies, list_pits
from hexterra.stages.drainage.raster_bands import Areas, Bands, Rasters, RowBand, RowFile
from hexterra.stages.sampling.pixel_geometry import pixel_steps


class _Basins(NamedTuple):
    """The basins of a band, for arrays with a halo of one row.

    Label 0 is outlets and voids. The next labels, two for each column, are what lies beyond the
    edge pixels around the band; from `n_edge_pixels` on, labels are pits.
    """

    surface: NDArray[Any]
    label: NDArray[np.int32]
    n_edge_pixels: int
    n: int
    points: PourPoints


def label_band(
    bands: Bands, band: RowBand, code: NDArray[np.uint8], label: NDArray[np.int32]
) -> tuple[int, int]:
    """Label a band whose halo holds edge pixels; return how many of them and labels there are."""
    n_columns = bands.shape[1]
    columns = np.arange(n_columns)
    if band.has_above:
        label[0] = np.where(label[0] < 0, columns + 1, 0)
    if band.has_below:
        label[-1] = np.where(label[-1] < 0, columns + 1 + n_columns, 0)
    n_edge_pixels = 1 + 2 * n_columns
    n = depression_fill.label_basins(
        frozen(code.ravel()), pixel_steps(n_columns), label.ravel(), n_edge_pixels
    )
    return n_edge_pixels, n


def _find_basins(bands: Bands, band: RowBand, ground: RowFile) -> _Basins:
    surface = ground.read(band.with_halo())
    code = np.zeros(surface.shape, dtype=np.uint8)
    label = np.zeros(surface.shape, dtype=np.int32)
    label[np.isfinite(surface)] = -1
    label[:, [0, -1]] = 0
    if not band.has_above:
        label[0] = 0
    if not band.has_below:
        label[-1] = 0
    depression_fill.point_down(surface, code, label)
    n_edge_pixels, n = label_band(bands, band, code, label)
    points = depression_fill.find_pour_points(surface.ravel(), label.ravel(), bands.shape[1])
    return _Basins(surface, label, n_edge_pixels, n, points)


def _first_edge_pixels(
    bands: Bands, band: RowBand, label: NDArray[np.int32], n: int
) -> NDArray[np.int64]:
    """Find the first edge pixel of a band with each of its n labels; 0 where there is none."""
    edge_pixel = np.zeros(n, np.int64)
    first, last = bands.edge_pixels(band)
    edge_pixel[label[-1, ::-1]] = last[::-1]
    edge_pixel[label[0, ::-1]] = first[::-1]
    edge_pixel[0] = 0
    return edge_pixel


def _edge_pixels_of_basins(bands: Bands, band: RowBand, basins: _Basins) -> NDArray[np.int64]:
    """Name labels of a band by an edge pixel: the one beyond it, or the first that they reach."""
    edge_pixel = _first_edge_pixels(bands, band, basins.label[band.inner()], basins.n)
    edge_pixel[1 : basins.n_edge_pixels] = np.concatenate(bands.edge_pixels_around(band))
    return edge_pixel


def fill_bands(bands: Bands, ground: RowFile, filled: RowFile) -> None:
    """Fill: join the basins of all bands at their edge pixels, then raise each band by its own."""
    n = bands.n_edge_pixels
    same = np.zeros(n, np.int64)  # an edge pixel in the same basin
    pairs: list[NDArray[np.int64]] = []
    heights: list[NDArray[Any]] = []
    for band in bands:
        basins = _find_basins(bands, band, ground)
        edge_pixel = _edge_pixels_of_basins(bands, band, basins)
        own = basins.label[band.inner()]
        for row, edge_pixels in zip((own[0], own[-1]), bands.edge_pixels(band), strict=True):
            same[edge_pixels] = edge_pixel[row]
        is_kept = edge_pixel > 0
        is_kept[0] = True
        by_height = np.argsort(basins.points.height, kind="stable")
        pair, height = depression_fill.join_basins(basins.points, by_height, is_kept)
        pairs.append(edge_pixel[pair >> 32] << 32 | edge_pixel[pair & 0x7FFFFFFF])
        heights.append(height)
    while not np.array_equal(
        same, same[same]
    ):  # a way leads down from edge pixel to edge pixel, and ends
        same = same[same]
    pair, height = np.concatenate(pairs), np.concatenate(heights)
    a, b = same[pair >> 32], same[pair & 0x7FFFFFFF]
    points = PourPoints((a << 32 | b)[a != b], height[a != b])
    level = depression_fill.spill_levels(points, n)[same]
    for band in bands:
        basins = _find_basins(bands, band, ground)
        edge_pixel = _edge_pixels_of_basins(bands, band, basins)
        known = np.flatnonzero(edge_pixel)
        pair = np.concatenate([basins.points.pair, known])  # one from label 0 to each of them
        height = np.concatenate([basins.points.height, level[edge_pixel[known]]])
        levels = depression_fill.spill_levels(PourPoints(pair, height), basins.n)
        inner = band.inner()
        surface, label = basins.surface[inner], basins.label[inner]
        depression_fill.raise_to(surface.ravel(), label.ravel(), levels)
        filled.write(band.row0, surface)


class _WaterBodies(NamedTuple):
    """The water bodies of a band: labels from 1 on, and the size and depth of each."""

    label: NDArray[np.int32]
    size: NDArray[np.float64]
    depth_m: NDArray[np.float64]


def _find_water_bodies(rasters: Rasters, areas: Areas, band: RowBand) -> _WaterBodies:
    ground, surface = rasters.ground.read(band.rows), rasters.surface.read(band.rows)
    label = np.empty(ground.shape, np.int32)
    n = label_water_bodies(ground, surface, label) + 1
    size, depth_m = np.zeros(n), np.zeros(n)
    depression_fill.measure_water_bodies(
        frozen(ground), surface, label, areas.of(band), size, depth_m
    )
    return _WaterBodies(label, size, depth_m)


def mark_lakes(rasters: Rasters, areas: Areas, least: tuple[float, float]) -> None:
    """Mark the depressions, filled in the surface, that are deep and large enough for lakes."""
    from scipy.sparse import coo_matrix, csgraph  # slow to load, and only lakes need them

    bands = rasters.bands
    n, n_columns = bands.n_edge_pixels, bands.shape[1]
    size, depth_m = np.zeros(n), np.zeros(n)
    links: list[NDArray[np.int64]] = []  # edge pixels of one water, in two bands
    above = np.zeros(n_columns, np.int64)  # first edge pixels of the water bodies in the row above
    for band in bands:
        water_bodies = _find_water_bodies(rasters, areas, band)
        edge_pixel = _first_edge_pixels(bands, band, water_bodies.label, len(water_bodies.size))
        size[edge_pixel], depth_m[edge_pixel] = water_bodies.size, water_bodies.depth_m
        below = edge_pixel[water_bodies.label[0]]
        for shift in range(3):  # water bodies touch straight across and by corners
            beside = np.pad(above, 1)[shift : shift + n_columns]
            touch = (beside > 0) & (below > 0)
            links.append(np.stack([beside[touch], below[touch]]))
        above = edge_pixel[water_bodies.label[-1]]
    link = np.concatenate(links, axis=1)
    graph = coo_matrix((np.ones(link.shape[1], np.int8), (link[0], link[1])), (n, n))
    n_whole, whole = csgraph.connected_components(graph, directed=False)
    size[0] = depth_m[0] = 0.0
    all_size, deepest_m = np.zeros(n_whole), np.zeros(n_whole)
    np.add.at(all_size, whole, size)
    np.maximum.at(deepest_m, whole, depth_m)
    is_kept_at = are_lakes(all_size, deepest_m, areas.unit_m2, least)[whole]
    for band in bands:
        water_bodies = _find_water_bodies(rasters, areas, band)
        edge_pixel = _first_edge_pixels(bands, band, water_bodies.label, len(water_bodies.size))
        is_kept = are_lakes(water_bodies.size, water_bodies.depth_m, areas.unit_m2, least)
        is_kept = np.where(edge_pixel > 0, is_kept_at[edge_pixel], is_kept)
        is_lake = np.zeros(water_bodies.label.shape, np.bool_)
        depression_fill.mark_lakes(water_bodies.label.ravel(), is_kept, is_lake.ravel())
        rasters.lake.write(band.row0, is_lake)


def breach_bands(rasters: Rasters, limits: tuple[int, float]) -> None:
    """Breach the pits of one band after the other, through their neighbours too."""
    reach, _ = limits

    def uncut(rows: slice) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        is_lake = rasters.lake.read(rows)
        return np.where(is_lake, rasters.surface.read(rows), rasters.ground.read(rows)), is_lake

    for band in rasters.bands:
        rasters.carved.write(band.row0, uncut(band.rows)[0])
    for band in rasters.bands:
        rows, inner = band.with_halo(reach + 1), band.inner(reach + 1)
        ground, is_lake = uncut(rows)
        pits = list_pits(ground, is_lake, np.empty(ground.shape))
        own = slice(*np.searchsorted(pits, np.array([inner.start, inner.stop]) * ground.shape[1]))
        carved = rasters.carved.read(rows)
        breach.breach_pits(ground, is_lake, pits[own], *limits, carved)
        rasters.carved.write(rows.start, carved)
