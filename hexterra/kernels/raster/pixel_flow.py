"""Flow on a raster without depressions: direct every pixel, add up and order what flows.

Called by `hexterra.stages.drainage.drain` and `hexterra.stages.drainage.band_drain`, which
guarantee this of every array:

- rasters are C-contiguous; pixels are numbered row by row, and ``step`` turns a direction code
  into a difference of numbers;
- voids and the sea hold -inf, nothing else does, and there is no NaN;
- the outermost columns are outlets, and so are the outermost rows unless they are the halo of a
  band: then they belong to the bands above and below and are only looked at.

Directions are those of `hexterra.kernels.raster.direction_codes`.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import kernel
from hexterra.kernels.raster.direction_codes import (
    FLAT,
    NE,
    NW,
    OUTLET,
    SE,
    SW,
    VOID,
    E,
    N,
    S,
    W,
)

_QUEUED: Final = np.uint8(254)
_SEEN: Final = np.uint8(253)
_DONE: Final = np.uint8(255)  # as a number of inflows

_BATCH: Final = 1 << 15
_WAYS: Final = 8


@kernel
def direct(
    surface: NDArray[Any],
    per_m: NDArray[np.float64],
    code: NDArray[np.uint8],
) -> int:
    """Direct every pixel to its steepest lower neighbour; of equals, the first clockwise from east.

    `per_m` holds, for every row, one over the distance to the neighbours along the row, along the
    column and along the diagonal. Pixels beside a void are outlets. Pixels without a lower
    neighbour get FLAT; return how many. The first and last row are left alone.
    """
    n_rows, n_columns = surface.shape
    n_flat = 0
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
        along, across, diagonal = per_m[row, 0], per_m[row, 1], per_m[row, 2]
        code[row, 0] = VOID if surface[row, 0] == -np.inf else OUTLET
        code[row, n_columns - 1] = VOID if surface[row, n_columns - 1] == -np.inf else OUTLET
        for i in range(n_columns - 2):
            z = np.float64(here[i])
            best = (z - east[i]) * along
            k = E
            slope = (z - south_east[i]) * diagonal
            k = SE if slope > best else k
            best = max(best, slope)
            slope = (z - south[i]) * across
            k = S if slope > best else k
            best = max(best, slope)
            slope = (z - south_west[i]) * diagonal
            k = SW if slope > best else k
            best = max(best, slope)
            slope = (z - west[i]) * along
            k = W if slope > best else k
            best = max(best, slope)
            slope = (z - north_west[i]) * diagonal
            k = NW if slope > best else k
            best = max(best, slope)
            slope = (z - north[i]) * across
            k = N if slope > best else k
            best = max(best, slope)
            slope = (z - north_east[i]) * diagonal
            k = NE if slope > best else k
            best = max(best, slope)
            k = k if best > 0.0 else FLAT
            k = OUTLET if best == np.inf else k
            k = VOID if z == -np.inf else k
            code_here[i] = k
            n_flat += k == FLAT
    return n_flat


@kernel
def direct_flats(
    surface: NDArray[Any],
    ground: NDArray[Any],
    step: NDArray[np.int64],
    code: NDArray[np.uint8],
    queue: NDArray[np.int32],
    pick: NDArray[np.uint8],
) -> None:
    """Direct the FLAT pixels toward the nearest way out of their flat; arrays are flat.

    Flats are taken one by one. Of each, rings of equal distance (in pixels, through the flat) are
    taken one after the other from the ways out; of the neighbours one ring nearer, the lowest
    original `ground` receives, and of equals the first clockwise from east. `pick` has room
    for as many numbers as there are FLAT pixels, `queue` for twice as many.
    """
    member = queue[len(queue) // 2 :]
    around = np.empty(8, np.int64)
    for k in range(8):
        around[k] = step[1 << k]
    for first in range(code.size):
        if code[first] != FLAT:
            continue
        level = surface[first]
        code[first] = _SEEN
        member[0] = first
        n_members = 1
        taken = 0
        end = 0
        while taken < n_members:
            pixel = member[taken]
            taken += 1
            is_way_out = False
            for k in range(8):
                # A FLAT pixel beside another is as high: neither has a lower neighbour.
                there = np.uint64(pixel + around[k])
                if code[there] == FLAT:
                    code[there] = _SEEN
                    member[n_members] = there
                    n_members += 1
                elif code[there] < _SEEN and surface[there] == level:
                    is_way_out = True
            queue[end] = pixel
            end += is_way_out
        for i in range(end):
            code[queue[i]] = _QUEUED
        start = 0
        while start < end:
            ring = end
            for i in range(start, ring):
                pixel = queue[i]
                lowest = np.inf
                for k in range(8):
                    there = np.uint64(pixel + around[k])
                    if code[there] == _SEEN:
                        code[there] = _QUEUED
                        queue[end] = there
                        end += 1
                    elif code[there] < _SEEN and surface[there] == level and ground[there] < lowest:
                        lowest = ground[there]
                        pick[i] = np.uint8(1) << k
            for i in range(start, ring):
                code[queue[i]] = pick[i]
            start = ring


@kernel
def relax_flats(
    surface: NDArray[Any], code: NDArray[np.uint8], distance: NDArray[np.int32]
) -> None:
    """Shorten the distances of FLAT pixels to their ways out until none can be shortened.

    Ways out have distance 0. The first and last row are only looked at. From a way out, and from
    what lies in these rows, pixels are visited ring by ring; one that is reached by a shorter way
    later on is visited again.
    """
    n_rows, n_columns = surface.shape
    n_flat = 0
    for row in range(1, n_rows - 1):
        for column in range(1, n_columns - 1):
            n_flat += code[row, column] == FLAT
    queue = np.empty(n_flat + 1, np.int64)  # goes round
    is_queued = np.zeros((n_rows, n_columns), np.bool_)
    first = 0
    end = 0
    for row in range(1, n_rows - 1):
        for column in range(1, n_columns - 1):
            if code[row, column] != FLAT:
                continue
            nearest = distance[row, column]
            for r in range(row - 1, row + 2):
                is_seen_only = r in (0, n_rows - 1)
                for c in range(column - 1, column + 2):
                    is_start = is_seen_only or code[r, c] != FLAT
                    if is_start and surface[r, c] == surface[row, column]:
                        nearest = min(nearest, distance[r, c] + 1)
            if nearest < distance[row, column]:
                distance[row, column] = nearest
                is_queued[row, column] = True
                queue[end] = row * n_columns + column
                end += 1
    while first != end:
        row = queue[first] // n_columns
        column = queue[first] % n_columns
        first = first + 1 if first < n_flat else 0
        is_queued[row, column] = False
        further = distance[row, column] + 1
        for r in range(max(row - 1, 1), min(row + 2, n_rows - 1)):
            for c in range(column - 1, column + 2):
                # A FLAT pixel beside another is as high: neither has a lower neighbour.
                if code[r, c] == FLAT and further < distance[r, c]:
                    distance[r, c] = further
                    if not is_queued[r, c]:
                        is_queued[r, c] = True
                        queue[end] = r * n_columns + c
                        end = end + 1 if end < n_flat else 0


@kernel
def pick_by_distance(
    surface: NDArray[Any],
    ground: NDArray[Any],
    distance: NDArray[np.int32],
    step: NDArray[np.int64],
    n_columns: int,
    code: NDArray[np.uint8],
) -> None:
    """Direct FLAT pixels as `direct_flats` does, once distances are known; arrays are flat.

    The first and last row are left alone.
    """
    directions = (E, SE, S, SW, W, NW, N, NE)
    for pixel in range(n_columns, code.size - n_columns):
        if code[pixel] != FLAT:
            continue
        lowest = np.inf
        for k in directions:
            there = pixel + step[k]
            if (
                distance[there] == distance[pixel] - 1
                and surface[there] == surface[pixel]
                and ground[there] < lowest
            ):
                lowest = ground[there]
                code[pixel] = k


@kernel
def count_inflows(code: NDArray[np.uint8], inflows: NDArray[np.uint8]) -> None:
    """Count the neighbours that run to each pixel; two-dimensional arrays.

    Inflow from the first and last row counts, but is not counted there; nothing runs from the
    outermost columns. Nothing waits for the inflow of these rows and columns: they are `_DONE`.
    """
    n_rows, n_columns = code.shape
    inflows[0] = inflows[n_rows - 1] = _DONE
    for row in range(1, n_rows - 1):
        north = code[row - 1]
        here = code[row]
        south = code[row + 1]
        into = inflows[row]
        into[0] = into[n_columns - 1] = _DONE
        for i in range(n_columns - 2):
            count = np.uint8(north[i] == SE) + np.uint8(here[i] == E)
            count += np.uint8(south[i] == NE) + np.uint8(north[i + 1] == S)
            count += np.uint8(south[i + 1] == N) + np.uint8(north[i + 2] == SW)
            count += np.uint8(here[i + 2] == W) + np.uint8(south[i + 2] == NW)
            into[i + 1] = count


@kernel
def accumulate(
    code: NDArray[np.uint8],
    step: NDArray[np.int64],
    inflows: NDArray[np.uint8],
    total: NDArray[np.float64],
) -> None:
    """Add every pixel's total to all pixels downstream; arrays are flat, `inflows` is used up.

    Totals are whole numbers, so the order of adding them up does not matter. Several ways are
    followed in turn, each from a pixel without inflows down to one that waits for others; a way
    that ends is replaced by the next without a branch that a processor would guess wrong.
    Pixel 0 is an outlet: what runs on there does nothing.
    """
    one = np.uint8(1)
    is_spring = np.empty(_BATCH, np.uint8)
    spring = np.empty(_BATCH + _WAYS, np.uint32)
    way = np.empty(_WAYS, np.uint32)
    for start in range(0, code.size, _BATCH):
        code_here = code[start : start + _BATCH]
        inflows_here = inflows[start : start + _BATCH]
        for i in range(len(code_here)):
            runs_on = (code_here[i] != OUTLET) & (code_here[i] != VOID)
            is_spring[i] = (inflows_here[i] == 0) & runs_on
        n = 0
        for i in range(len(code_here)):
            spring[n] = start + i
            n += int(is_spring[i])
        for i in range(_WAYS):
            spring[n + i] = 0
        for i in range(_WAYS):
            way[i] = spring[i]
        taken = _WAYS
        while taken < n:
            for i in range(_WAYS):
                pixel = way[i]
                by = step[code[pixel]]
                there = np.uint32(pixel + by)
                total[there] += total[pixel] if by != 0 else 0.0
                left = inflows[there] - one
                inflows[there] = left if left != 0 else _DONE
                way[i] = spring[taken] if left != 0 else there
                taken += left != 0
        for i in range(_WAYS):
            pixel = way[i]
            by = step[code[pixel]]
            while by != 0:
                there = np.uint32(pixel + by)
                total[there] += total[pixel]
                left = inflows[there] - one
                inflows[there] = left if left != 0 else _DONE
                pixel = there
                by = step[code[pixel]] if left == 0 else 0


@kernel
def order_streams(
    code: NDArray[np.uint8],
    step: NDArray[np.int64],
    is_stream: NDArray[np.bool_],
    inflows: NDArray[np.uint8],
    order: NDArray[np.uint8],
) -> None:
    """Give stream pixels their order after Strahler (1957); others keep 0. Arrays are flat.

    What is downstream of a stream pixel must be one too. `inflows` and `order` come as zeros.
    """
    two = np.uint8(128)  # marks that two streams of the highest order met
    for pixel in range(code.size):
        if is_stream[pixel] and step[code[pixel]] != 0:
            inflows[pixel + step[code[pixel]]] += np.uint8(1)
    for start in range(code.size):
        if not is_stream[start] or inflows[start] != 0:
            continue
        pixel = start
        order[pixel] = np.uint8(1)
        while True:
            inflows[pixel] = np.uint8(255)
            by = step[code[pixel]]
            if by == 0:
                break
            brought = order[pixel]
            pixel += by
            highest = order[pixel] & np.uint8(127)
            if brought > highest:
                order[pixel] = brought
            elif brought == highest:
                order[pixel] = highest | two
            inflows[pixel] -= np.uint8(1)
            if inflows[pixel] != 0:
                break
            if order[pixel] >= two:
                order[pixel] = order[pixel] - two + np.uint8(1)
