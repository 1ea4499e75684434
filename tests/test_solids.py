"""Tops against hand-worked prisms, an independent surface and shapely."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Point, Polygon

from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.catalogue.tops import facet_planes, facets, mean_rise, mean_rise_of_part, surface_rise
from hexterra.errors import CatalogueError
from hexterra.lattice import hexagon

PATTERNS = load_catalogue().patterns
FACINGS = (-30.0, 0.0)


def clipped_surface(rises: tuple[int, ...], turn: int, points: np.ndarray, corner0_deg: float):
    """Height as the guides see it: a ramp across the tile, cut off at the low and high level.

    Independent of facets: the wire's lines are parallel, so a top depends only on the distance
    along one direction, the one toward the middle of the raised run.
    """
    rise = max(rises)
    if rise == 0:
        return np.zeros(len(points))
    n_raised = sum(r > 0 for r in rises)
    middle = {"110110": 0.5, "220220": 0.5, "221001": 0.5}.get(
        "".join(map(str, rises)), (n_raised - 1) / 2.0
    )
    angle = np.deg2rad(corner0_deg + 60.0 * (middle + turn))
    along = points @ np.array([np.cos(angle), np.sin(angle)])
    if rises == (2, 2, 1, 0, 0, 1):
        return 1.0 + 2.0 * along
    if n_raised == 4 and rises[2] == 0:
        return rise * 2.0 * np.abs(along)
    reach = 1.0 / math.sqrt(3.0)  # from the middle to a corner
    at = [reach * math.cos(math.radians(60.0 * (s - middle))) for s in range(6)]
    low = max(at[s] for s in range(6) if rises[s] == 0)
    high = min(at[s] for s in range(6) if rises[s] > 0)
    return rise * np.clip((along - low) / (high - low), 0.0, 1.0)


def points_inside(n: int, corner0_deg: float) -> np.ndarray:
    """Middles of the n * n equal small triangles in each of the six sectors."""
    angle = np.deg2rad(corner0_deg + 60.0 * np.arange(7))
    corner = np.column_stack([np.cos(angle), np.sin(angle)]) / math.sqrt(3.0)
    weights = []
    for i, j in itertools.product(range(n), repeat=2):
        if i + j < n:
            weights.append(((i + 1 / 3) / n, (j + 1 / 3) / n))
        if i + j < n - 1:
            weights.append(((i + 2 / 3) / n, (j + 2 / 3) / n))
    w = np.array(weights)
    return np.concatenate([w @ np.stack([corner[s], corner[s + 1]]) for s in range(6)])


@pytest.mark.parametrize(
    ("rises", "mean", "centre"),
    [
        ((0, 0, 0, 0, 0, 0), Fraction(0), Fraction(0)),
        # a pyramid on one of the hexagon's six triangles, a third of its height on average
        ((1, 0, 0, 0, 0, 0), Fraction(1, 18), Fraction(0)),
        # by hand: a wedge over half the hexagon (sides 1 and 2, so its centroid is at 4/9)
        ((1, 1, 0, 0, 0, 0), Fraction(2, 9), Fraction(0)),
        ((1, 1, 1, 0, 0, 0), Fraction(1, 2), Fraction(1, 2)),  # its own mirror image, upside down
        ((1, 1, 1, 1, 0, 0), Fraction(7, 9), Fraction(1)),  # the bank upside down
        ((1, 1, 1, 1, 1, 0), Fraction(17, 18), Fraction(1)),  # the spur upside down
        ((1, 1, 0, 1, 1, 0), Fraction(4, 9), Fraction(0)),  # two banks
        ((2, 2, 1, 0, 0, 1), Fraction(1), Fraction(1)),
        ((2, 2, 2, 2, 0, 0), Fraction(14, 9), Fraction(2)),
    ],
)
def test_mean_and_centre_by_hand(rises, mean, centre):
    """Mean and middle heights equal the values worked out by hand, the mean exactly."""
    assert mean_rise(rises) == mean
    [height] = surface_rise(rises, 0, np.zeros((1, 2)), -30.0)
    assert math.isclose(height, float(centre), abs_tol=1e-12)


@pytest.mark.parametrize("pattern", PATTERNS, ids=lambda p: p.name)
@pytest.mark.parametrize("corner0_deg", FACINGS)
def test_surface_is_the_clipped_ramp(pattern, corner0_deg):
    """The surface equals an independent description of it, in every turn."""
    points = points_inside(9, corner0_deg)
    for turn in range(6):
        ours = surface_rise(pattern.rises, turn, points, corner0_deg)
        expected = clipped_surface(pattern.rises, turn, points, corner0_deg)
        np.testing.assert_allclose(ours, expected, atol=1e-12)


@pytest.mark.parametrize("pattern", PATTERNS, ids=lambda p: p.name)
def test_mean_is_the_integral_of_the_surface(pattern):
    """The closed-form mean agrees with summing the independent surface over small triangles."""
    points = points_inside(60, -30.0)
    numeric = clipped_surface(pattern.rises, 0, points, -30.0).mean()
    # a crease crosses about one small triangle in 60, where a middle misses by less than 1/60
    assert abs(numeric - float(mean_rise(pattern.rises))) < 2 / 60**2


@pytest.mark.parametrize("pattern", PATTERNS, ids=lambda p: p.name)
@pytest.mark.parametrize("facing", ["points", "flats"])
def test_mean_of_a_part_is_the_integral_over_it(pattern, facing):
    """The mean over every half and quarter agrees with summing the independent surface over it."""
    corner0_deg = hexagon.CORNER0_DEG[facing]
    points = points_inside(60, corner0_deg)
    for turn in range(6):
        turned = tuple(pattern.rises[(s - turn) % 6] for s in range(6))
        height = clipped_surface(pattern.rises, turn, points, corner0_deg)
        for kept_x, kept_y in itertools.product((-1, 0, 1), repeat=2):
            is_in = (points[:, 0] * kept_x >= 0.0) & (points[:, 1] * kept_y >= 0.0)
            ours = mean_rise_of_part(turned, facing, kept_x, kept_y)
            assert abs(height[is_in].mean() - ours) < 0.02


@pytest.mark.parametrize("pattern", PATTERNS, ids=lambda p: p.name)
@pytest.mark.parametrize("facing", ["points", "flats"])
def test_surface_meets_corners(pattern, facing):
    """At the corners the surface stands at the rises."""
    corner = hexagon.corner_offsets(1.0, facing)
    for turn in range(6):
        height = surface_rise(pattern.rises, turn, corner, hexagon.CORNER0_DEG[facing])
        expected = [pattern.rises[(s - turn) % 6] for s in range(6)]
        np.testing.assert_allclose(height, expected, atol=1e-12)


@pytest.mark.parametrize("pattern", PATTERNS, ids=lambda p: p.name)
def test_sides_of_a_top_are_straight(pattern):
    """Along every side the surface is the straight line between its corners, so seams close."""
    corner = hexagon.corner_offsets(1.0, "points")
    share = np.linspace(0.0, 1.0, 11)[:, None]
    for side in range(6):
        ends = corner[side], corner[(side + 1) % 6]
        points = ends[0] * (1 - share) + ends[1] * share
        rise = pattern.rises[side], pattern.rises[(side + 1) % 6]
        expected = rise[0] * (1 - share[:, 0]) + rise[1] * share[:, 0]
        np.testing.assert_allclose(
            surface_rise(pattern.rises, 0, points, -30.0), expected, atol=1e-12
        )


@pytest.mark.parametrize("pattern", PATTERNS, ids=lambda p: p.name)
def test_facets_tile_the_hexagon(pattern):
    """Facets are planar, counter-clockwise, do not overlap and fill the hexagon (shapely)."""
    corner = hexagon.corner_offsets(1.0, "points")
    polygons = [Polygon(corner[list(facet)]) for facet in facets(pattern.rises)]
    assert all(polygon.exterior.is_ccw for polygon in polygons)
    assert math.isclose(sum(p.area for p in polygons), hexagon.area(1.0), rel_tol=1e-12)
    for one, other in itertools.combinations(polygons, 2):
        assert one.intersection(other).area < 1e-12
    for facet, plane in zip(facets(pattern.rises), facet_planes(pattern.rises, -30.0), strict=True):
        at = corner[list(facet)]
        height = at @ plane[:2] + plane[2]
        np.testing.assert_allclose(height, [pattern.rises[c] for c in facet], atol=1e-12)


def test_point_outside_is_measured_on_the_nearest_facet():
    """A point just off the raised side of a bank continues the ramp."""
    height = surface_rise((1, 1, 0, 0, 0, 0), 0, np.array([[0.6, 0.0]]), -30.0)
    np.testing.assert_allclose(height, [1.2])


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    st.integers(0, len(PATTERNS) - 1), st.integers(0, 5), st.floats(-0.6, 0.6), st.floats(-0.6, 0.6)
)
def test_turning_the_tile_turns_the_surface(number, turn, x, y):
    """A turned pattern at a turned point has the height of the unturned pattern there."""
    corner = hexagon.corner_offsets(1.0, "points")
    if not Polygon(corner).contains(Point(x, y)):
        return
    rises = PATTERNS[number].rises
    angle = math.radians(60.0 * turn)
    turned = [x * math.cos(angle) - y * math.sin(angle), x * math.sin(angle) + y * math.cos(angle)]
    height = surface_rise(rises, 0, np.array([[x, y]]), -30.0)
    np.testing.assert_allclose(
        surface_rise(rises, turn, np.array([turned]), -30.0), height, atol=1e-9
    )


def test_every_top_that_is_not_a_run_pair_or_plane_is_refused():
    """Of all 665 rises from 0 to 2 with a zero, exactly the ruled ones have facets."""
    accepted = set()
    for rises in itertools.product(range(3), repeat=6):
        if min(rises) == 0:
            try:
                facets(rises)
            except CatalogueError:
                continue
            accepted.add(rises)
    expected = {
        tuple(int(r) for r in np.roll(pattern.rises, turn))
        for pattern in PATTERNS
        for turn in range(6)
    }
    assert accepted == expected


@pytest.mark.parametrize("rises", [(1, 0, 1, 0, 0, 0), (2, 1, 0, 0, 0, 0), (1, 1, 0, 1, 0, 0)])
def test_uncuttable_top_is_named(rises):
    """The error carries the rises and says what a wire can cut."""
    with pytest.raises(CatalogueError, match="straight wire") as caught:
        facets(rises)
    assert caught.value.facts["rises"] == rises
    assert "one unbroken run" in caught.value.remedy
