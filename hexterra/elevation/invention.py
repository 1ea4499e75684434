"""Invented ground: a seeded piece of land for trying things out, with nobody's map behind it.

Stands beside `read_elevation` at the head of the flow: numbers in, an `Elevation` out. Rivers are
not drawn on; they cut themselves into rising ground. Each resolution, from coarse to fine, is
eroded by the water that runs over it, so that valleys branch and drain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse import csgraph

from hexterra.arguments import checked
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.elevation.undeclared import GREATEST_M
from hexterra.errors import InputError

#: WGS 84 / UTM zone 8N around 30 degrees north: open ocean, so that nobody mistakes it for a place.
_CRS: Final = "EPSG:32608"
_MIDDLE_X_M: Final = 500_000.0
_MIDDLE_Y_M: Final = 3_320_000.0

#: Least and greatest value of each size, and its unit.
LIMITS: Final[dict[str, tuple[float, float, str]]] = {
    "rows": (32, 4096, "pixels"),
    "columns": (32, 4096, "pixels"),
    "pixel_m": (0.1, 1000.0, "m"),
    "relief_m": (1.0, 8000.0, "m"),
    "base_m": (-500.0, 5000.0, "m"),
}

_HALVINGS: Final = 3
#: Rounds of uplift and erosion at each resolution, coarsest first.
_ROUNDS: Final = (40, 12, 5, 2)
#: Share of the larger side that is eroded beyond the raster, so that its rim looks like the rest.
_MARGIN: Final = 0.15
_RIM: Final = 8  # pixels of that margin that are kept to the end, as rivers cannot cut the rim
_SCARP_SHARE: Final = 0.16  # height of the escarpment, as a share of the relief
_DECIMALS: Final = 1  # heights are rounded to decimetres, which also keeps files small

_Grid = NDArray[np.float64]


@checked
def invent(
    seed: int = 1,
    *,
    rows: int = 360,
    columns: int = 480,
    pixel_m: float = 25.0,
    relief_m: float = 400.0,
    base_m: float = 40.0,
) -> Elevation:
    """Invent a piece of ground: ridges, branching valleys, an escarpment and a lake.

    Fractal ground rises and is cut by its own rivers: the stream-power law, solved implicitly from
    the outlets upstream (Braun & Willett, 2013, Geomorphology 180-181, 170-179), on grids from
    coarse to fine. A lake basin is then laid into a main valley behind a low rim.

    Parameters
    ----------
    seed
        Which land; any whole number from 0.
    rows, columns
        Pixels north to south and west to east, 32 to 4096.
    pixel_m
        Pixel size in metres.
    relief_m
        Highest less lowest ground, in metres.
    base_m
        Lowest ground, in metres.

    Returns
    -------
    Elevation
        float32 metres, in decimetre steps, without voids, on UTM over open ocean. From every
        pixel a path that never rises leads to the rim. The same arguments give the same land.

    Raises
    ------
    InputError
        If a size is out of its range (`LIMITS`), the land higher than any on Earth, or `seed`
        negative.
    """
    _check(seed, rows=rows, columns=columns, pixel_m=pixel_m, relief_m=relief_m, base_m=base_m)
    random = np.random.Generator(np.random.PCG64(seed))
    land = _shape_land(random, rows, columns)
    land = (land - land.min()) / np.ptp(land)
    land = _lay_lake(land, random)
    land = base_m + relief_m * (land - land.min()) / np.ptp(land)
    land = _drain(np.round(land, _DECIMALS)).filled  # rounding digs pits; fill them again
    west, north = _MIDDLE_X_M - columns * pixel_m / 2.0, _MIDDLE_Y_M + rows * pixel_m / 2.0
    return read_elevation(
        land.astype(np.float32),
        crs=_CRS,
        affine=Affine(pixel_m, 0.0, west, 0.0, -pixel_m, north),
        vertical_unit="m",
        name=f"invented-{seed}",
    )


def _check(seed: int, **sizes: float) -> None:
    if seed < 0:
        raise InputError(
            f"the seed is {seed}; it must be a whole number from 0",
            remedy="choose another seed",
            seed=seed,
        )
    for name, (least, greatest, unit) in LIMITS.items():
        if not least <= sizes[name] <= greatest:  # also catches NaN
            raise InputError(
                f"{name} is {sizes[name]!r}; it must be from {least:g} to {greatest:g} {unit}",
                remedy=f"choose another value of {name}",
                name=name,
                value=sizes[name],
            )
    if (highest_m := sizes["base_m"] + sizes["relief_m"]) > GREATEST_M:
        raise InputError(
            f"base_m and relief_m add up to {highest_m:g} m; at most {GREATEST_M:g} m is allowed",
            remedy="choose a smaller base_m or relief_m",
            highest_m=highest_m,
        )


# Shape -----------------------------------------------------------------------------------------


def _shape_land(random: np.random.Generator, rows: int, columns: int) -> _Grid:
    """Raise and erode ground, from coarse to fine; (rows, columns), in any unit."""
    block = 2**_HALVINGS
    margin = int(np.ceil(_MARGIN * max(rows, columns) / block)) * block
    coarse = -(-(rows + 2 * margin) // block), -(-(columns + 2 * margin) // block)
    land, uplift, scarp = _start(random, coarse)
    for halving, n_rounds in zip(range(_HALVINGS, -1, -1), _ROUNDS, strict=True):
        if halving < _HALVINGS:
            land, uplift, scarp = _refine(land), _refine(uplift), _refine(scarp)
            land += 0.012 * 0.5 ** (_HALVINGS - halving) * _noise(random, land.shape, falloff=1.2)
        if halving == 0:
            # Late: the escarpment stays sharp, and only rivers of some size have time to cut it.
            land += _SCARP_SHARE * np.ptp(land) / (1.0 + np.exp(-scarp / 0.004))
            land, uplift = (_cut(grid, margin - _RIM) for grid in (land, uplift))
        spacing = 2.0**halving / (block * max(coarse))
        for _ in range(n_rounds):
            land = _erode(land, uplift, spacing)
    return _cut(ndimage.gaussian_filter(land, 0.6), _RIM)[:rows, :columns]


def _cut(grid: _Grid, margin: int) -> _Grid:
    """Take a margin off all four sides."""
    rows, columns = grid.shape
    return grid[margin : rows - margin, margin : columns - margin]


def _start(random: np.random.Generator, shape: tuple[int, int]) -> tuple[_Grid, _Grid, _Grid]:
    """Lay out a tilted plain, how fast each place rises, and how far beyond the escarpment it lies.

    The plain has no large hollows, so rivers are there before the ridges and hold their ways.
    """
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]] / max(shape)
    turn = random.uniform(0.0, 2.0 * np.pi)
    across = (x - x.mean()) * np.cos(turn) + (y - y.mean()) * np.sin(turn)
    ridges = np.clip(1.0 - np.abs(_noise(random, shape, falloff=2.2)), 0.0, 1.0)
    scarp = across + 0.06 * _noise(random, shape, falloff=2.4) - random.uniform(-0.1, 0.1)
    high = 1.0 / (1.0 + np.exp(-scarp / 0.06))
    rise = 0.3 + 0.4 * ridges + 0.35 * high + 0.3 * across
    plain = 0.35 * across + 0.05 * _noise(random, shape, falloff=2.0)
    return plain, np.clip(rise, 0.15, None), scarp


def _noise(random: np.random.Generator, shape: tuple[int, ...], *, falloff: float) -> _Grid:
    """Fractal noise with standard deviation 1: amplitude falls with frequency^-falloff."""
    rows, columns = shape
    size = 2 * max(shape)  # twice as large as needed: opposite rims must not match
    frequency = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :])
    frequency[0, 0] = 1.0
    spectrum = np.fft.rfft2(random.standard_normal((size, size))) * frequency**-falloff
    spectrum[0, 0] = 0.0
    field = np.fft.irfft2(spectrum, s=(size, size))[:rows, :columns]
    return (field - field.mean()) / field.std()


def _refine(grid: _Grid) -> _Grid:
    """Double the resolution smoothly."""
    return np.asarray(ndimage.zoom(grid, 2, order=3, mode="nearest", grid_mode=True))


def _erode(land: _Grid, uplift: _Grid, spacing: float) -> _Grid:
    """Raise the land once and let its rivers cut it; the rim is the base and stays."""
    drainage = _drain(land)
    area = np.full(land.size, spacing**2)
    for cells in reversed(drainage.ranks):
        np.add.at(area, drainage.receiver[cells], area[cells])
    pace = 1.6
    factor = pace * np.sqrt(area) / (drainage.step * spacing)
    height = land.flatten()
    risen = height + 0.03 * uplift.ravel()
    for cells in drainage.ranks:
        # Rivers cut through what dams them; they do not fill up behind it.
        below = np.minimum(height[drainage.receiver[cells]], risen[cells])
        height[cells] = (risen[cells] + factor[cells] * below) / (1.0 + factor[cells])
    return ndimage.gaussian_filter(height.reshape(land.shape), 0.35)


# Water -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Drainage:
    """Which way water runs.

    `filled` is the land with its hollows filled, (rows, columns); `receiver` the pixel that each
    pixel runs to and `step` the distance in pixels, (n,); `ranks` the pixels that are not on the
    rim, by their number of steps from it, nearest first.
    """

    filled: _Grid
    receiver: NDArray[np.intp]
    step: _Grid
    ranks: list[NDArray[np.intp]]


_OFFSETS: Final = ((0, 1), (1, 0), (1, 1), (1, -1), (0, -1), (-1, 0), (-1, -1), (-1, 1))


def _drain(land: _Grid) -> _Drainage:
    """Fill hollows and let each pixel run to its steepest neighbour; the rim is the outlet.

    The lowest ways out of all hollows lie on the minimum spanning tree of the pixel grid, in which
    a link between two neighbours in a row or column costs the higher of its ends.
    """
    number = np.arange(land.size, dtype=np.int32).reshape(land.shape)  # csgraph takes no other
    flat = land.ravel()
    sea = land.size  # one more node, to which the whole rim is linked
    rim = np.unique(np.r_[number[0], number[-1], number[:, 0], number[:, -1]])
    ends = [np.full_like(rim, sea)], [rim]
    for here, there in ((number[:-1], number[1:]), (number[:, :-1], number[:, 1:])):
        ends[0].append(here.ravel())
        ends[1].append(there.ravel())
    one, other = (np.concatenate(end) for end in ends)
    height = np.append(flat, flat.min())
    cost = np.maximum(height[one], height[other]) - flat.min() + 1.0  # 0 would mean no link
    links = sparse.csr_array((cost, (one, other)), shape=(sea + 1, sea + 1))
    tree = csgraph.minimum_spanning_tree(links)
    order, parent = csgraph.breadth_first_order(tree, sea, directed=False)
    filled = np.append(flat, -np.inf)
    depth = _depth(parent)
    for cells in _by_rank(depth, order[1:]):
        filled[cells] = np.maximum(filled[cells], filled[parent[cells]])
    filled = filled[:-1]
    # Along the tree every flat falls toward its outlet by a little at each step.
    tilted = np.asarray(filled + 1e-9 * np.ptp(flat) * depth[:-1], dtype=np.float64)
    receiver, step = _steepest(tilted.reshape(land.shape))
    receiver[rim], step[rim] = rim, 1.0
    hops = _depth(receiver)
    inner = np.flatnonzero(hops)
    return _Drainage(filled.reshape(land.shape), receiver, step, _by_rank(hops, inner))


def _steepest(land: _Grid) -> tuple[NDArray[np.intp], _Grid]:
    """Find the steepest way down from each pixel, and its length; ties go to the first offset."""
    rows, columns = land.shape
    padded = np.pad(land, 1, constant_values=np.inf)
    best = np.zeros(land.shape)
    number = np.arange(land.size).reshape(land.shape)
    receiver = number.copy()
    step = np.ones(land.shape)
    for d_row, d_column in _OFFSETS:
        length = float(np.hypot(d_row, d_column))
        there = padded[1 + d_row : 1 + d_row + rows, 1 + d_column : 1 + d_column + columns]
        slope = (land - there) / length
        is_better = slope > best
        best[is_better] = slope[is_better]
        receiver[is_better] = (number + d_row * columns + d_column)[is_better]
        step[is_better] = length
    return receiver.ravel(), step.ravel()


def _depth(parent: NDArray[np.integer]) -> NDArray[np.int64]:
    """Count the steps from each node to its root, doubling the stride each time.

    A root has a negative parent, or itself.
    """
    nodes = np.arange(len(parent))
    jump = np.where(parent < 0, nodes, parent)
    depth = (jump != nodes).astype(np.int64)
    while (depth[jump] > 0).any():
        depth, jump = depth + depth[jump], jump[jump]
    return depth


def _by_rank(rank: NDArray[np.int64], cells: NDArray[np.integer]) -> list[NDArray[np.intp]]:
    """Group cells of equal rank, lowest first."""
    order = cells[np.argsort(rank[cells], kind="stable")].astype(np.intp)
    ends = np.flatnonzero(np.diff(rank[order])) + 1
    return np.split(order, ends)


def _lay_lake(land: _Grid, random: np.random.Generator) -> _Grid:
    """Lay a lake into a main valley away from the rim: a flat floor behind a low rim."""
    drainage = _drain(land)
    area = np.ones(land.size)
    for cells in reversed(drainage.ranks):
        np.add.at(area, drainage.receiver[cells], area[cells])
    rows, columns = land.shape
    y, x = np.mgrid[0:rows, 0:columns]
    room = np.minimum.reduce([y, x, rows - 1 - y, columns - 1 - x]) / min(rows, columns)
    # A valley floor with a good catchment, neither high up nor in the lowest plain.
    score = np.where(room > 0.22, np.log(area.reshape(land.shape)), -np.inf)
    score -= 8.0 * np.abs(land - 0.3)
    row, column = np.unravel_index(int(score.argmax()), land.shape)
    radius = 0.08 * min(rows, columns)
    shore = _noise(random, land.shape, falloff=2.2)
    shore = np.clip(1.0 + 0.35 * (shore - shore[row, column]), 0.6, 1.7)
    distance = np.hypot(y - row, x - column) / (radius * shore)
    level = float(land[row, column])
    depth = np.clip(1.5 - distance, 0.0, 1.0)
    bowl = depth**2 * (3.0 - 2.0 * depth)
    land = land + bowl * np.minimum(0.0, level - 0.03 - land)
    ring = np.where(distance > 1.0, level + 0.02 - 0.05 * np.abs(distance - 1.4), -1.0)
    return _drain(np.maximum(land, ring)).filled
