"""Carry the drainage of pixels onto cells: which pixels they hold, and their exits.

An *exit* is a pixel whose water leaves its cell. Exits form a forest: the water of each runs
through the next cell to one exit of that. A cell's *outlet* is the exit that stands for it:
`hexterra.kernels.raster.cell_outlets` chooses it, and defines the tables of exits and cells.

Called by `hexterra.stages.water.outlets` and `hexterra.stages.water.route` only, which guarantee
the shapes. Pixels are numbered by unsigned integers, since numba looks whether a signed one is
negative.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import helper, kernel
from hexterra.kernels.raster.cell_outlets import ExitTables

_BATCH: Final = 1 << 12


class CellCorners(NamedTuple):
    """The outlines of n cells.

    Parameters
    ----------
    xy
        Corners in pixel space, (n_corners, 2) float64.
    of_cell
        The corners of each cell, (n, k) int32.
    """

    xy: NDArray[np.float64]
    of_cell: NDArray[np.int32]


class DrainedPixels(NamedTuple):
    """The pixels of a window that was drained, row by row.

    Parameters
    ----------
    n_columns
        Pixels in a row.
    cell_at
        The cell that holds each, int32, -1 for none; or -2 - its row in the table of exits.
    code
        Direction codes, uint8.
    area
        Contributing areas, float64.
    step
        What each code adds to the number of a pixel, (256,) int64.
    """

    n_columns: int
    cell_at: NDArray[np.int32]
    code: NDArray[np.uint8]
    area: NDArray[np.float64]
    step: NDArray[np.int64]


@helper
def _bounds(
    cell: Any, corners: CellCorners, n_rows: int, n_columns: int
) -> tuple[int, int, int, int]:
    """First row and column whose centre a cell reaches, and those after the last."""
    corner_xy, corner_of = corners
    top, bottom, left, right = np.inf, -np.inf, np.inf, -np.inf
    total = 0.0
    for i in range(corner_of.shape[1]):
        x, y = corner_xy[corner_of[cell, i], 0], corner_xy[corner_of[cell, i], 1]
        top, bottom, left, right = min(top, y), max(bottom, y), min(left, x), max(right, x)
        total += x + y
    if not np.isfinite(total):
        return 0, 0, 0, 0
    return (
        int(min(max(np.ceil(top - 0.5), 0.0), float(n_rows))),
        int(min(max(np.ceil(bottom - 0.5), 0.0), float(n_rows))),
        int(min(max(np.ceil(left - 0.5), 0.0), float(n_columns))),
        int(min(max(np.ceil(right - 0.5), 0.0), float(n_columns))),
    )


@kernel
def cells_of_pixels(corners: CellCorners, n_columns: int, cell_at: NDArray[np.int32]) -> None:
    """Write the number of each cell at the pixels whose centres it holds.

    Outlines are convex, in pixel space; a cell with a corner that is not finite holds none. Both
    cells beside a side find the same crossing with a row, so a centre is never in both.
    """
    corner_xy, corner_of = corners
    n_rows = len(cell_at) // n_columns
    n_cells, n_corners = corner_of.shape
    left = np.empty(n_rows)
    right = np.empty(n_rows)
    x = np.empty(n_corners + 1)
    y = np.empty(n_corners + 1)
    for cell in range(n_cells):
        top, bottom, _, _ = _bounds(cell, corners, n_rows, n_columns)
        if top >= bottom:
            continue
        for row in range(top, bottom):
            left[np.uint64(row)], right[np.uint64(row)] = np.inf, -np.inf
        for i in range(n_corners):
            x[i] = corner_xy[corner_of[cell, i], 0]
            y[i] = corner_xy[corner_of[cell, i], 1]
        x[n_corners], y[n_corners] = x[0], y[0]
        for i in range(n_corners):
            x0, y0, x1, y1 = x[i], y[i], x[i + 1], y[i + 1]
            if y0 > y1:
                x0, y0, x1, y1 = x1, y1, x0, y0
            row0 = np.uint64(min(max(np.ceil(y0 - 0.5), 0.0), float(n_rows)))
            row1 = np.uint64(min(max(np.ceil(y1 - 0.5), 0.0), float(n_rows)))
            if row0 >= row1:
                continue
            slope = (x1 - x0) / (y1 - y0)
            for row in range(row0, row1):
                crossing = x0 + (float(row) + 0.5 - y0) * slope
                left[row], right[row] = min(left[row], crossing), max(right[row], crossing)
        for row in range(top, bottom):
            first = min(max(np.ceil(left[np.uint64(row)] - 0.5), 0.0), float(n_columns))
            last = min(max(np.ceil(right[np.uint64(row)] - 0.5), 0.0), float(n_columns))
            start = row * n_columns
            for pixel in range(start + np.int64(first), start + np.int64(last)):
                cell_at[np.uint64(pixel)] = cell


@kernel
def find_exits(pixels: DrainedPixels, n_cells: int, least: float, found: Any) -> Any:
    """Find the exits that drain at least `least`: a table, by cell, then by pixel.

    `found` is room for them, rows of `FOUND`; there may turn out to be too little.
    """
    _, cell_at, code, area, step = pixels
    stream = np.empty(_BATCH, np.uint32)
    n = np.uint64(0)
    for start in range(0, len(cell_at), _BATCH):
        n_stream = np.uint64(0)  # most pixels drain less, which is quickly seen
        for place in range(start, min(start + _BATCH, len(cell_at))):
            stream[n_stream] = place
            n_stream += np.uint64(area[np.uint64(place)] >= least)
        enough = np.int64(n + n_stream)
        if enough > len(found):
            found = _with_room(found, np.int64(n), 2 * enough)
        for i in range(n_stream):
            pixel = np.uint64(stream[i])
            cell = cell_at[pixel]
            found[n].pixel = pixel
            found[n].cell = cell
            found[n].area = area[pixel]
            leaves = cell_at[_next(pixel, code, step)] != cell
            n += np.uint64((cell >= 0) & (leaves | (code[pixel] == 0)))
    place_of = np.zeros(n_cells, np.int32)
    for i in range(n):
        place_of[found[i].cell] += 1
    total = 0
    for cell in range(n_cells):
        total += place_of[cell]
        place_of[cell] = total - place_of[cell]
    by_cell: Any = np.empty(n, found.dtype)
    for i in range(n):
        place = place_of[found[i].cell]
        place_of[found[i].cell] = place + 1
        by_cell[place].pixel = found[i].pixel
        by_cell[place].cell = found[i].cell
        by_cell[place].area = found[i].area
    return by_cell


@helper
def _with_room(found: Any, n: Any, n_room: Any) -> Any:
    """Copy a table of n exits to one that has room for `n_room`."""
    larger: Any = np.empty(n_room, found.dtype)
    for i in range(n):
        larger[i].pixel = found[i].pixel
        larger[i].cell = found[i].cell
        larger[i].area = found[i].area
    return larger


@kernel
def find_smaller_exits(
    chosen: NDArray[np.int32],
    corners: CellCorners,
    pixels: DrainedPixels,
    known: ExitTables,
    least: float,
    most: float,
    found: Any,
) -> Any:
    """Find the exits of chosen cells that drain from `least` to below `most`, as `find_exits` does.

    Those that drain more are in the tables and were followed. Of a cell that has no other, the one
    that drains most, of equals the first, is found although it drains less than `least`.
    """
    n_columns, cell_at, code, area, step = pixels
    exits, cells, _ = known
    n_rows = len(cell_at) // n_columns
    n = 0
    for i in range(len(chosen)):
        cell = np.int64(chosen[i])
        top, bottom, left, right = _bounds(cell, corners, n_rows, n_columns)
        enough = n + (right - left) * (bottom - top) + 1
        if enough > len(found):
            found = _with_room(found, n, 2 * enough)
        has_other = cells[cell].first >= 0
        lone, lone_area = np.uint64(0), 0.0
        for row in range(top, bottom):
            for place in range(row * n_columns + left, row * n_columns + right):
                pixel = np.uint64(place)
                if cell_at[pixel] != cell:
                    continue
                there = cell_at[_next(pixel, code, step)]
                if there < -1:  # at an exit that was followed
                    there = exits[-2 - there].cell
                if (there == cell and code[pixel] != 0) or area[pixel] >= most:
                    continue
                if area[pixel] >= least:
                    found[n].pixel = pixel
                    found[n].cell = cell
                    found[n].area = area[pixel]
                    has_other = True
                    n += 1
                elif area[pixel] > lone_area:
                    lone, lone_area = pixel, area[pixel]
        if not has_other and lone_area > 0.0:
            found[n].pixel = lone
            found[n].cell = cell
            found[n].area = lone_area
            n += 1
    return found[:n]


@kernel
def add_exits(found: Any, pixels: DrainedPixels, known: ExitTables) -> None:
    """Write exits into the last rows of their table, and find what their water comes to next.

    `cell_at` becomes -2 - the row at each. Water of these may come to exits that were added
    earlier, but not the other way. A cell without an outlet gets the exit that drains most, of
    equals the first.
    """
    _, cell_at, code, _, step = pixels
    exits, cells, _ = known
    n_earlier = len(exits) - len(found)
    for i in range(len(found) - 1, -1, -1):  # backwards, so lists run forwards
        number = n_earlier + i
        cell = found[i].cell
        cell_at[found[i].pixel] = -2 - number
        exits[number].above = -1
        exits[number].cell = cell
        exits[number].beside = cells[cell].first
        exits[number].area = found[i].area
        cells[cell].first = number
        outlet = cells[cell].outlet
        if outlet < 0 or (outlet > number and exits[outlet].area <= found[i].area):
            cells[cell].outlet = number
    for i in range(len(found)):
        number = n_earlier + i
        pixel = np.uint64(found[i].pixel)
        below = _next(pixel, code, step)
        while below != pixel and cell_at[below] >= 0:
            pixel = below
            below = _next(pixel, code, step)
        then = max(-2 - cell_at[below], -1) if below != pixel else -1
        exits[number].is_outlet = cells[found[i].cell].outlet == number
        exits[number].then = then
        if then >= 0:
            exits[number].next_above = exits[then].above
            exits[then].above = number


@helper
def _next(pixel: Any, code: NDArray[np.uint8], step: NDArray[np.int64]) -> Any:
    """Return the pixel that the water of one runs to: itself where it runs nowhere."""
    return np.uint64(np.int64(pixel) + step[code[pixel]])


@helper
def _centre(cell: Any, corners: CellCorners) -> tuple[float, float]:
    corner_xy, corner_of = corners
    x, y = 0.0, 0.0
    for i in range(corner_of.shape[1]):
        x += corner_xy[corner_of[cell, i], 0]
        y += corner_xy[corner_of[cell, i], 1]
    return x / corner_of.shape[1], y / corner_of.shape[1]


@helper
def _square_distance(
    dx: float, dy: float, link_x: float, link_y: float, per_square: float
) -> float:
    """Square of the distance of a point from a link; dx and dy are from where that begins."""
    along = min(max((dx * link_x + dy * link_y) * per_square, 0.0), 1.0)
    return (dx - along * link_x) ** 2 + (dy - along * link_y) ** 2


@kernel
def measure_displacement(
    chosen: NDArray[np.int64],
    corners: CellCorners,
    pixels: DrainedPixels,
    outlet: NDArray[np.int64],
    receiver: NDArray[np.int32],
    displacement: NDArray[np.float64],
) -> None:
    """Write how far the way of the water is from the drawn line, in lengths of the first link.

    The way goes from the outlet of a cell to that of its receiver, the line from the centre of the
    cell over that of its receiver to that of the next. Only `chosen` cells are measured. `outlet`,
    (n,), is the pixel of each outlet, -1 for none.
    """
    n_columns, _, code, _, step = pixels
    per_column = 1.0 / n_columns
    for cell in chosen:
        there = np.int64(receiver[cell])
        x0, y0 = _centre(cell, corners)
        x1, y1 = _centre(there, corners)
        x2, y2 = _centre(np.int64(receiver[there]), corners)
        x2, y2, x1, y1 = x2 - x1, y2 - y1, x1 - x0, y1 - y0
        first = 1.0 / (x1 * x1 + y1 * y1)
        second = 1.0 / max(x2 * x2 + y2 * y2, 1e-300)  # no link: 0
        end, pixel = np.uint64(outlet[there]), np.uint64(outlet[cell])
        total, n = 0.0, 0
        while pixel != end and step[code[pixel]] != 0:
            pixel = _next(pixel, code, step)
            middle = np.float64(np.int64(pixel)) + 0.5
            row = np.floor(middle * per_column)  # whole numbers take long to divide
            dx, dy = middle - row * n_columns - x0, row + 0.5 - y0
            nearest = _square_distance(dx, dy, x1, y1, first)
            nearest = min(nearest, _square_distance(dx - x1, dy - y1, x2, y2, second))
            total += np.sqrt(nearest)
            n += 1
        displacement[cell] = total / n * np.sqrt(first)
