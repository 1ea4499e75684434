"""Cover: shares by hand, against shapely and plain counting of pixels, and laws."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.errors import BriefError, CoverageError, VectorError
from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.stages.mapping.cover import Cover, cover, cover_from_classes, join_covers
from hexterra.stages.mapping.local_frame import place_cells
from tests.map_lines import board, features, through

HALF = 1e6  # metres, far beyond any board


def half_plane(x: float) -> shapely.Polygon:
    """Make all ground to the right of x."""
    return shapely.box(x, -HALF, HALF, HALF)


def covered_m2(result: Cover) -> np.ndarray:
    """Tell how much ground each kind covers in each cell."""
    return result.share * result.area_m2[:, None]


# Areas ------------------------------------------------------------------------------------------


def test_an_outline_through_the_middle_of_a_column_halves_it() -> None:
    """Flats to the front: a vertical line through the centres of a column cuts it in halves."""
    lattice = board(3, 2, "flats")
    middle = lattice.centre_xy[lattice.labels.index("B1"), 0]
    result = cover(features([half_plane(middle)], lattice), lattice)
    assert result.share[:, 0] == pytest.approx([0.0, 0.5, 1.0, 0.0, 0.5, 1.0], abs=1e-12)
    assert result.given.tolist() == [-1, 0, 0, -1, 0, 0]
    assert result.area_m2 == pytest.approx(lattice.area_m2)


def test_of_a_cut_cell_the_part_on_the_board_counts() -> None:
    """Straight edges: the halves and quarters at the left edge lie wholly right of it."""
    lattice = board(4, 4, edges="straight")
    width_m, depth_m = (np.array(lattice.size_mm) * lattice.scale / 1000.0).tolist()
    result = cover(features([half_plane(-width_m / 2.0)], lattice), lattice)
    assert result.share[:, 0] == pytest.approx(1.0)
    assert result.area_m2.sum() == pytest.approx(width_m * depth_m)
    assert covered_m2(result).sum() == pytest.approx(width_m * depth_m)


def test_overlaps_count_once_for_the_kind_that_comes_first() -> None:
    """Two overlapping woods count once; a village in them comes before or after, as ordered."""
    lattice = board(3, 3)
    shapes = [half_plane(-HALF + 1.0), half_plane(-HALF + 2.0), half_plane(-HALF + 3.0)]
    given = features(shapes, lattice, kinds=["wood", "wood", "village"])
    by_file = cover(given, lattice)
    assert by_file.kinds == ("wood", "village")
    assert by_file.share.tolist() == [[1.0, 0.0]] * 9
    village_first = cover(given, lattice, order=["village"])
    assert village_first.kinds == ("village", "wood")
    assert village_first.share == pytest.approx(np.array([[1.0, 0.0]] * 9))


def test_least_share_decides_what_a_cell_is_given() -> None:
    """Half a cell of wood makes a wood up to a least share of a half; equals go by order."""
    lattice = board(3, 1 + 1, "flats")
    middle = lattice.centre_xy[1, 0]
    left = shapely.box(-HALF, -HALF, middle, HALF)
    both = features([left, half_plane(middle)], lattice, kinds=["marsh", "wood"])
    assert cover(both, lattice).given.tolist() == [0, 0, 1, 0, 0, 1]
    assert cover(both, lattice, least_share=0.51).given.tolist() == [0, -1, 1, 0, -1, 1]


def test_a_cell_is_given_its_kind_however_many_there_are() -> None:
    """Of 40,001 kinds, more than 16 bits can number, the last alone lies on the board."""
    lattice = board(2, 2)
    elsewhere = shapely.box(HALF, HALF, HALF + 1.0, HALF + 1.0)
    kinds = tuple(f"plot {number}" for number in range(40_000))
    wood = cover(features([half_plane(-HALF)], lattice), lattice)
    assert wood.given.tolist() == [0] * 4
    shapes = [*[elsewhere] * len(kinds), half_plane(-HALF)]
    plots = cover(features(shapes, lattice, kinds=(*kinds, "wood")), lattice)
    assert plots.given.tolist() == [40_000] * 4
    none = Cover(lattice, kinds, np.zeros((4, len(kinds))), lattice.area_m2, np.full(4, -1))
    assert join_covers(none, wood).given.tolist() == [40_000] * 4


def test_a_hole_is_not_covered() -> None:
    """A clearing as large as a cell leaves that cell bare."""
    lattice = board(3, 3)
    clearing = place_cells(lattice).outlines[4]
    wood = shapely.difference(shapely.box(-HALF, -HALF, HALF, HALF), clearing)
    result = cover(features([wood], lattice), lattice)
    assert result.share[:, 0] == pytest.approx([1, 1, 1, 1, 0, 1, 1, 1, 1], abs=1e-9)


def test_areas_in_degrees_cover_their_true_area() -> None:
    """A box in degrees covers the area that PROJ's geodesic polygon has, to a millionth.

    Its edges along parallels are cut small for the reference, as geodesics are no parallels.
    """
    lattice = board(12, 10)
    west, south, east, north = 8.99, 45.99, 9.01, 46.005
    lon = np.linspace(west, east, 500)
    ring = [*((x, south) for x in lon), *((x, north) for x in lon[::-1])]
    area_m2, _ = Geod(ellps="WGS84").polygon_area_perimeter(*np.transpose(ring))
    result = cover(features([shapely.box(west, south, east, north)], "OGC:CRS84"), lattice)
    assert covered_m2(result).sum() == pytest.approx(abs(area_m2), rel=1e-6)


def test_areas_on_the_globe_across_the_antimeridian() -> None:
    """Two boxes that meet at the antimeridian cover the cells on it, and their true area."""
    globe = Globe.covering((179.8, -0.2, -179.8, 0.2), 6)
    boxes = [shapely.box(179.9, -0.1, 180.0, 0.1), shapely.box(-180.0, -0.1, -179.9, 0.1)]
    result = cover(features([shapely.MultiPolygon(boxes)], "OGC:CRS84"), globe)
    ring = [(179.9, -0.1), (-179.9, -0.1), (-179.9, 0.1), (179.9, 0.1)]
    area_m2, _ = Geod(ellps="WGS84").polygon_area_perimeter(*np.transpose(ring))
    assert covered_m2(result).sum() == pytest.approx(area_m2, rel=1e-5)
    on_line = np.abs(np.abs(globe.centre_xy[:, 0]) - 180.0) < 0.02
    near = on_line & (np.abs(globe.centre_xy[:, 1]) < 0.05)
    assert near.any()
    assert result.share[near, 0] == pytest.approx(1.0)


@given(st.integers(0, 2**32 - 1), st.sampled_from(["points", "flats"]),
       st.sampled_from(["whole", "straight"]))  # fmt: skip
@settings(derandomize=True, deadline=None, max_examples=40)
def test_shares_are_those_of_shapely(seed: int, facing: str, edges: str) -> None:
    """Kind by kind, cell by cell: intersect the union of a kind, less all earlier kinds."""
    rng = np.random.default_rng(seed)
    lattice = board(6, 5, facing, edges)
    shapes = [
        shapely.buffer(shapely.Point(*rng.uniform(-1500, 1500, 2)), rng.uniform(100, 1200))
        for _ in range(6)
    ]
    kinds = [str(kind) for kind in rng.choice(["wood", "marsh", "village"], 6)]
    result = cover(features(shapes, lattice, kinds=kinds), lattice)
    assert (result.share >= 0.0).all()
    assert (result.share.sum(axis=1) <= 1.0 + 1e-12).all()
    outlines = place_cells(lattice).outlines
    taken = shapely.Polygon()
    for k, kind in enumerate(result.kinds):
        whole = shapely.union_all([s for s, of in zip(shapes, kinds, strict=True) if of == kind])
        area = shapely.area(shapely.intersection(outlines, shapely.difference(whole, taken)))
        np.testing.assert_allclose(covered_m2(result)[:, k], area, atol=1e-6)
        taken = shapely.union(taken, whole)
    chosen = result.given >= 0
    at_least = result.share.max(axis=1) >= 0.5
    np.testing.assert_array_equal(chosen, at_least)


# Classes ----------------------------------------------------------------------------------------


def raster(classes: object, lattice: Board, pixel_m: float, **more: Any) -> Elevation:
    """Lay a raster of classes with its middle on the middle of a board."""
    held = np.array(classes, dtype=np.uint8)
    rows, columns = held.shape
    affine = Affine(pixel_m, 0, -columns * pixel_m / 2, 0, -pixel_m, rows * pixel_m / 2)
    return read_elevation(held, crs=lattice.crs, affine=affine, vertical_unit="m", **more)


@pytest.mark.parametrize("edges", ["whole", "straight"])
def test_shares_of_classes_are_those_of_their_pixels(edges: str) -> None:
    """Each share is what shapely gets from cutting each pixel with what is kept of the cell."""
    lattice = board(4, 3, edges=edges)
    rng = np.random.default_rng(5)
    classes = rng.integers(1, 5, (18, 20))
    pixel_m = 150.0
    names = {1: "wood", 2: "marsh", 4: "wood"}
    result = cover_from_classes(raster(classes, lattice, pixel_m), lattice, names=names)
    assert result.kinds == ("wood", "marsh")
    row, column = np.indices(classes.shape)
    x, y = (column - 10) * pixel_m, (9 - row) * pixel_m
    boxes: Any = shapely.box(x, y - pixel_m, x + pixel_m, y)
    pixels = boxes.ravel()
    outlines = place_cells(lattice).outlines
    overlap = shapely.area(shapely.intersection(outlines[:, None], pixels[None, :]))
    for k, codes in enumerate(([1, 4], [2])):
        area = overlap[:, np.isin(classes.ravel(), codes)].sum(axis=1)
        np.testing.assert_allclose(covered_m2(result)[:, k], area, rtol=1e-9, atol=1e-4)
    np.testing.assert_allclose(result.area_m2, shapely.area(outlines))


def test_voids_are_not_covered() -> None:
    """Nodata is no class, and what it hides counts as bare."""
    lattice = board(4, 3)
    classes = np.ones((40, 40), dtype=np.uint8)
    classes[:, :20] = 255
    ground = raster(classes, lattice, 100.0, nodata=255)
    result = cover_from_classes(ground, lattice, names={1: "wood", 255: "void"})
    left, right = lattice.centre_xy[:, 0] < -300.0, lattice.centre_xy[:, 0] > 300.0
    assert result.share[left].max() == 0.0
    assert result.share[right, 0] == pytest.approx(1.0)
    assert result.share[:, 1].max() == 0.0
    assert any("void" in note for note in result.notes)


def test_all_classes_add_up_to_the_whole() -> None:
    """On a raster without voids, named completely, every cell is fully covered; on H3 cells too."""
    globe = Globe.covering((8.9, 45.9, 9.1, 46.1), 7)
    classes = np.random.default_rng(2).integers(0, 3, (200, 200)).astype(np.uint8)
    ground = read_elevation(
        classes, crs="EPSG:4326", affine=Affine(0.002, 0, 8.8, 0, -0.002, 46.2), vertical_unit="m"
    )
    result = cover_from_classes(ground, globe, names={0: "a", 1: "b", 2: "c"})
    np.testing.assert_allclose(result.share.sum(axis=1), 1.0, rtol=1e-9)
    assert (result.share.sum(axis=1) <= 1.0 + 1e-12).all()


# Errors -----------------------------------------------------------------------------------------


def test_lines_cover_nothing() -> None:
    """A cover is made of areas."""
    lattice = board(3, 3)
    with pytest.raises(VectorError, match="read as lines"):
        cover(features([through(lattice, "A1", "C1")], lattice), lattice)


def test_nothing_on_the_board() -> None:
    """Areas elsewhere are answered with both places."""
    lattice = board(3, 3)
    with pytest.raises(VectorError, match="nothing of 'map' lies on the board"):
        cover(features([shapely.box(1, 1, 2, 2)], "OGC:CRS84"), lattice)


def test_unknown_kind_in_order() -> None:
    """Only kinds that there are can be ordered."""
    lattice = board(3, 3)
    with pytest.raises(BriefError, match="order names the kind 'heath'"):
        cover(features([half_plane(0.0)], lattice), lattice, order=["heath"])


@pytest.mark.parametrize("share", [0.0, 1.1, float("nan")])
def test_least_share_out_of_range(share: float) -> None:
    """A share is above 0, up to 1."""
    lattice = board(3, 3)
    with pytest.raises(BriefError, match="least_share"):
        cover(features([half_plane(0.0)], lattice), lattice, least_share=share)


def test_cells_off_the_raster_are_noted() -> None:
    """A raster of the left half leaves the right columns bare, and says which cells they are."""
    lattice = board(4, 3, edges="whole")
    half = raster(np.ones((90, 90)), lattice, 50.0)
    west = replace(half, affine=half.affine @ Affine.translation(-45.0, 0.0))
    result = cover_from_classes(west, lattice, names={1: "wood"})
    bare = result.share[:, 0] == 0.0
    assert bare.any()
    assert not bare.all()
    named = ", ".join(lattice.labels[cell] for cell in np.flatnonzero(bare))
    (note,) = result.notes
    assert note.startswith(f"{bare.sum()} of {lattice.n_cells} cells lie off the raster")
    assert note.endswith(f"{named}.")


def test_no_class_is_named() -> None:
    """Without names there is nothing to share out."""
    lattice = board(3, 3)
    with pytest.raises(BriefError, match="no class"):
        cover_from_classes(raster(np.ones((9, 9)), lattice, 300.0), lattice, names={})


def test_classes_elsewhere() -> None:
    """A board off the raster has none of its classes."""
    lattice = Board(3, 3, 100.0, "points", "whole", 5000.0, 20.0, 10.0)
    ground = raster(np.ones((9, 9)), board(3, 3), 300.0)
    with pytest.raises(CoverageError, match="off the raster"):
        cover_from_classes(ground, lattice, names={1: "wood"})
