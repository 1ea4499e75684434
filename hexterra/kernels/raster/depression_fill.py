"""Depressions of a raster: label basins, find their pour points, raise the ground to their levels.

Called by `hexterra.stages.drainage.drain`, `hexterra.stages.drainage.band_drain`, their helpers and
`hexterra.stages.drainage.streams`, which guarantee this of every array:

- rasters are C-contiguous; pixels are numbered row by row, and ``step`` turns a direction code
  into a difference of numbers;
- voids and the sea hold -inf, nothing else does, and there is no NaN;
- the outermost columns are outlets, and so are the outermost rows unless they are the halo of a
  band: then they belong to the bands above and below and are only looked at.

Directions are those of `hexterra.kernels.raster.direction_codes`.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import kernel
from hexterra.kernels.raster.direction_codes import NE, NW, OUTLET, SE, SW, E, N, S, W

_TRAIL: Final = 1024
_BATCH: Final = 1 << 12
_RECENT: Final = 1 << 13
# Spread pairs of labels over the places of a table; no sum of products exceeds 63 bits.
_SPREAD_LOW: Final = 1_640_531_527
_SPREAD_HIGH: Final = 1_103_515_245


class PourPoints(NamedTuple):
    """The lowest places between neighbouring basins, some of them more than once.

    Parameters
    ----------
    pair
        Two labels in one number, the smaller in the upper half, (n,) int64.
    height
        The height at which water spills from one to the other, (n,) in the dtype of the surface.
    """

    pair: NDArray[np.int64]
    height: NDArray[Any]


@kernel
def point_down(surface: NDArray[Any], code: NDArray[np.uint8], label: NDArray[np.int32]) -> None:
    """Point every pixel at its lowest neighbour if that comes before it by (height, number).

    Pits, outlets and voids get 0. Labels become -1, or 0 at outlets and voids. The first and last
    row are left alone.
    """
    n_rows, n_columns = surface.shape
    for row in range(1, n_rows - 1):
        north_west = surface[row - 1, : n_columns - 2]
        north = surface[row - 1, 1 : n_columns - 1]
        north_east = surface[row - 1, 2:]
        west = surface[row, : n_columns - 2]
        here = surface[row, 1 : n_columns - 1]
        east = surface[row, 2:]
        south_west = surface[row + 1, : n_columns - 2]
        south = surface[row + 1, 1 : n_columns - 1]
        south_east = surface[row + 1, 2:]
        code_here = code[row, 1 : n_columns - 1]
        label_here = label[row, 1 : n_columns - 1]
        code[row, 0] = 0
        label[row, 0] = 0
        code[row, n_columns - 1] = 0
        label[row, n_columns - 1] = 0
        for i in range(n_columns - 2):  # written so that it compiles to vector instructions
            best = here[i]
            k = OUTLET
            label_here[i] = 0 if best == -np.inf else -1
            k = NW if north_west[i] <= best else k
            best = min(best, north_west[i])
            k = N if north[i] <= best else k
            best = min(best, north[i])
            k = NE if north_east[i] <= best else k
            best = min(best, north_east[i])
            k = W if west[i] <= best else k
            best = min(best, west[i])
            k = E if east[i] < best else k
            best = min(best, east[i])
            k = SW if south_west[i] < best else k
            best = min(best, south_west[i])
            k = S if south[i] < best else k
            best = min(best, south[i])
            code_here[i] = SE if south_east[i] < best else k


@kernel
def label_basins(
    code: NDArray[np.uint8], step: NDArray[np.int64], label: NDArray[np.int32], n_labels: int
) -> int:
    """Give every pixel that is labelled -1 the label of where its pointers end.

    A pit gets a new label, counted from `n_labels`. Return how many labels there are then.
    """
    trail = np.empty(_TRAIL, np.uint64)  # unsigned: a number below 0 need not be looked for
    for start in range(label.size):
        if label[start] >= 0:
            continue
        pixel = np.uint64(start)
        length = 0
        while label[pixel] < 0 and code[pixel] != 0:
            if length < _TRAIL:
                trail[length] = pixel
                length += 1
            pixel = np.uint64(np.int64(pixel) + step[code[pixel]])
        found = label[pixel]
        if found < 0:
            found = n_labels
            label[pixel] = found
            n_labels += 1
        for i in range(length):
            label[trail[i]] = found
        if length == _TRAIL:
            pixel = trail[length - 1]
            pixel = np.uint64(np.int64(pixel) + step[code[pixel]])
            while label[pixel] < 0:
                label[pixel] = found
                pixel = np.uint64(np.int64(pixel) + step[code[pixel]])
    return n_labels


@kernel
def find_pour_points(surface: NDArray[Any], label: NDArray[np.int32], n_columns: int) -> PourPoints:
    """List the pour points between neighbouring basins.

    Arrays are flat. Pairs in the last row are not looked at. The recent pairs are remembered, so
    most repetitions are caught.

    Pixels are worked on by batches: those beside another basin are picked out first, then the
    links from basin to basin, without branches that a processor would guess wrong.
    """
    capacity = 1 << 14
    pair = np.empty(capacity, np.int64)
    height = np.empty(capacity, surface.dtype)
    recent = np.zeros(_RECENT, np.int32)
    is_seam = np.empty(_BATCH, np.uint8)
    seam = np.empty(_BATCH + 1, np.uint32)
    here = np.empty(4 * _BATCH + 1, np.uint32)
    there = np.empty(4 * _BATCH + 1, np.uint32)
    pair[0] = -1
    n = 1
    end = surface.size - n_columns - 1
    for start in range(0, end, _BATCH):
        # The outermost columns have label 0 throughout, so a step off a row's end does no harm.
        width = min(_BATCH, end - start)
        here_label = label[start : start + width]
        east = label[start + 1 : start + 1 + width]
        south_west = label[start + n_columns - 1 : start + n_columns - 1 + width]
        south = label[start + n_columns : start + n_columns + width]
        south_east = label[start + n_columns + 1 : start + n_columns + 1 + width]
        for i in range(width):
            a = here_label[i]
            differs = (east[i] ^ a) | (south_west[i] ^ a) | (south[i] ^ a) | (south_east[i] ^ a)
            is_seam[i] = differs != 0
        n_seam = 0
        for i in range(width):
            seam[n_seam] = start + i
            n_seam += int(is_seam[i])
        n_edges = 0
        for i in range(n_seam):
            pixel = np.uint64(seam[i])
            a = label[pixel]
            for offset in (1, n_columns - 1, n_columns, n_columns + 1):
                other = pixel + np.uint64(offset)
                here[n_edges] = pixel
                there[n_edges] = other
                n_edges += label[other] != a
        while n + n_edges > capacity:
            capacity *= 2
            more_pairs = np.empty(capacity, np.int64)
            more_heights = np.empty(capacity, surface.dtype)
            for i in range(n):
                more_pairs[i] = pair[i]
                more_heights[i] = height[i]
            pair = more_pairs
            height = more_heights
        for i in range(n_edges):
            a = label[here[i]]
            b = label[there[i]]
            spill = max(surface[here[i]], surface[there[i]])
            low, high = np.int64(min(a, b)), np.int64(max(a, b))
            key = (low << 32) | high
            slot = np.uint64(((low * _SPREAD_LOW + high * _SPREAD_HIGH) >> 20) & (_RECENT - 1))
            j = np.uint64(recent[slot])
            if pair[j] == key:
                height[j] = min(height[j], spill)
                continue
            pair[n] = key
            height[n] = spill
            recent[slot] = n
            n += 1
    return PourPoints(pair[1:n], height[1:n])


@kernel
def join_basins(
    points: PourPoints, by_height: NDArray[np.int64], is_kept: NDArray[np.bool_]
) -> PourPoints:
    """Leave only pour points between the labels that are kept, fewer than there are of those.

    The lowest way between any two of them has the same highest pour point as before: these are
    visited `by_height`, as Kruskal (1956) does, and those that join two groups with a kept label
    each are returned, as pour points between two of these.
    """
    pair, height = points
    n_labels = len(is_kept)
    root = np.arange(n_labels)
    kept_of = np.where(is_kept, root, -1)
    pairs = np.empty(n_labels, np.int64)
    heights = np.empty(n_labels, height.dtype)
    n = 0
    for i in by_height:
        a = pair[i] >> 32
        b = pair[i] & 0x7FFFFFFF
        while root[a] != a:
            root[a] = root[root[a]]
            a = root[a]
        while root[b] != b:
            root[b] = root[root[b]]
            b = root[b]
        if a == b:
            continue
        root[b] = a
        if kept_of[a] >= 0 and kept_of[b] >= 0:
            pairs[n] = (kept_of[a] << 32) | kept_of[b]
            heights[n] = height[i]
            n += 1
        kept_of[a] = max(kept_of[a], kept_of[b])
    return PourPoints(pairs[:n], heights[:n])


@kernel
def spill_levels(points: PourPoints, n_labels: int) -> NDArray[Any]:
    """Find the level at which each basin spills on its way to label 0; the points are used up.

    Rounds of Boruvka (1926): every group of basins joins the one across its lowest pour point. It
    joins with the height of that as a weight; of two that chose the same, the later joins the
    earlier. All pour points that a group had when it joined are as high as its weight or higher, so
    the level of a basin is the greatest weight on the way to label 0.
    """
    pair, height = points
    joined = np.zeros(n_labels, np.int32)
    level = np.full(n_labels, -np.inf, height.dtype)
    group = np.empty(n_labels, np.int32)
    best = np.empty(n_labels, np.int32)
    active = np.empty(n_labels, np.int32)
    for c in range(n_labels):
        group[c] = c
        best[c] = -1
        active[c] = c
    n_active = n_labels
    n = len(pair)
    while n > 0:
        for i in range(n):
            a = pair[i] >> 32
            b = pair[i] & 0x7FFFFFFF
            if best[a] < 0 or height[i] < height[best[a]]:
                best[a] = i
            if best[b] < 0 or height[i] < height[best[b]]:
                best[b] = i
        for i in range(n_active):
            c = active[i]
            if c == 0 or best[c] < 0:
                continue
            there = (pair[best[c]] >> 32) + (pair[best[c]] & 0x7FFFFFFF) - c
            if there > c and best[there] == best[c]:
                continue
            group[c] = there
            joined[c] = there
            level[c] = height[best[c]]
        kept = 0
        for i in range(n_active):
            c = active[i]
            root = c
            while group[root] != root:
                group[root] = group[group[root]]
                root = group[root]
            group[c] = root
            best[c] = -1
            active[kept] = c
            kept += int(root == c)
        left = 0
        for i in range(n):
            a = np.int64(group[pair[i] >> 32])
            b = np.int64(group[pair[i] & 0x7FFFFFFF])
            if a != b:
                pair[left] = (min(a, b) << 32) | max(a, b)
                height[left] = height[i]
                left += 1
        n = left
        n_active = kept
    is_done = False
    while not is_done:
        is_done = True
        for c in range(1, n_labels):
            to = joined[c]
            if to != 0:
                level[c] = max(level[c], level[to])
                joined[c] = joined[to]
                is_done = is_done and joined[to] == 0
    return level


@kernel
def raise_to(surface: NDArray[Any], label: NDArray[np.int32], level: NDArray[Any]) -> None:
    """Raise every pixel to the level of its basin; flat arrays, in place."""
    for pixel in range(surface.size):
        surface[pixel] = max(surface[pixel], level[label[pixel]])


@kernel
def measure_water_bodies(
    ground: NDArray[Any],
    surface: NDArray[Any],
    water: NDArray[np.int32],
    area: NDArray[np.float64],
    size: NDArray[np.float64],
    depth: NDArray[np.float64],
) -> None:
    """Add up the area of each water body from label 1 on, and find its greatest depth.

    `area` has a column for each of the raster, or one for all.
    """
    n_rows, n_columns = ground.shape
    last = area.shape[1] - 1
    for row in range(n_rows):
        for column in range(n_columns):
            label = water[row, column]
            if label > 0:
                below = np.float64(surface[row, column]) - ground[row, column]
                size[label] += area[row, min(column, last)]
                depth[label] = max(depth[label], below)


@kernel
def mark_lakes(
    water: NDArray[np.int32], is_kept: NDArray[np.bool_], is_lake: NDArray[np.bool_]
) -> None:
    """Mark the pixels of the water bodies that are kept; flat arrays."""
    for pixel in range(water.size):
        is_lake[pixel] = is_kept[water[pixel]]
