"""Plain twin of the gather kernels: every pixel clipped to every cell, one by one."""

from __future__ import annotations

from collections.abc import Sequence

Point = tuple[float, float]


def clip_to_pixel(ring: Sequence[Point], row: int, column: int) -> list[Point]:
    """Clip a convex ring to one pixel (Sutherland and Hodgman, CACM 17, 1974)."""
    clipped = list(ring)
    for axis, border, sign in ((0, column, 1), (0, column + 1, -1), (1, row, 1), (1, row + 1, -1)):
        kept: list[Point] = []
        for i, here in enumerate(clipped):
            there = clipped[(i + 1) % len(clipped)]
            h, t = sign * (here[axis] - border), sign * (there[axis] - border)
            if h >= 0:
                kept.append(here)
            if (h < 0 < t) or (t < 0 < h):
                share = h / (h - t)
                kept.append(
                    (
                        here[0] + share * (there[0] - here[0]),
                        here[1] + share * (there[1] - here[1]),
                    )
                )
        clipped = kept
    return clipped


def ring_area(ring: Sequence[Point]) -> float:
    """Area by the shoelace rule, relative to the first vertex."""
    total = 0.0
    for i, (x, y) in enumerate(ring):
        next_x, next_y = ring[(i + 1) % len(ring)]
        x0, y0 = ring[0]
        total += (x - x0) * (next_y - y0) - (next_x - x0) * (y - y0)
    return abs(total) / 2.0


def pixels_under(
    ring: Sequence[Point], n_rows: int, n_columns: int
) -> list[tuple[int, int, float]]:
    """Row, column and overlap of all pixels of the raster that a ring overlaps."""
    xs, ys = [x for x, _ in ring], [y for _, y in ring]
    found = []
    for row in range(max(int(min(ys)) - 1, 0), min(int(max(ys)) + 2, n_rows)):
        for column in range(max(int(min(xs)) - 1, 0), min(int(max(xs)) + 2, n_columns)):
            area = ring_area(clipped) if (clipped := clip_to_pixel(ring, row, column)) else 0.0
            if area > 1e-12:
                found.append((row, column, area))
    return found


def weighted_mean(heights: Sequence[float], areas: Sequence[float]) -> float:
    """Mean by area."""
    total = sum(areas)
    return sum(h * a for h, a in zip(heights, areas, strict=True)) / total


def weighted_quantile(heights: Sequence[float], areas: Sequence[float], quantile: float) -> float:
    """Sort, and take the first height with at least that share at or below it."""
    total = sum(areas)
    at_or_below = 0.0
    pairs = sorted(zip(heights, areas, strict=True))
    for height, area in pairs:
        at_or_below += area
        if at_or_below >= quantile * total:
            return height
    return pairs[-1][0]
