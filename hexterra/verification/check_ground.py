"""Do longitudes and latitudes lie on the ground as the cells lie on the board."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from pyproj import Proj

from hexterra.verification.rebuilt_board import RebuiltBoard
from hexterra.verification.verdict import Finding

#: How far the ground between two cells may be off its length, as a share of it. A board may be off
#: by 0.1 % at its rim, and so may the map that it is compared on, and both may be turned a little.
MOST_OFF: Final = 4e-3
#: How much farther than most one way may be off, and what is nothing: maps of small boards agree.
TIMES_OFF: Final = 8.0
LEAST_OFF: Final = 2e-5
#: Degrees are printed with seven decimals: two places are off by at most this together, in metres.
ROUNDED_M: Final = 0.02
#: Millimetres on the bench are printed with three: two places are off by at most this, in metres.
ROUNDED_BENCH_M: Final = 1.5e-6


def check_ground(board: RebuiltBoard) -> Iterator[Finding]:
    """See that the way from cell to cell on the ground is the way on the board, scaled and turned.

    Looked at are the ways to each neighbour and to the next cell of the table, on a map of equal
    areas around the middle of all places. Scale and bearing are the medians over ways that lead
    half the board further along its longer edge, and most ways tell how true the map is. Where a
    way is off, the cell with more such ways is found first.
    """
    ground = _map_m(board)
    bench = np.array([complex(tile.x_mm, tile.y_mm) for tile in board.tiles]) / 1000.0
    n = len(bench)
    extent = bench.real if np.ptp(bench.real) >= np.ptp(bench.imag) else bench.imag
    order = np.argsort(extent, kind="stable")
    start, end = order[: n // 2], order[n - n // 2 :]
    length_m = np.abs(bench[end] - bench[start])
    least_m = float(np.median(length_m)) if n > 1 else 0.0
    if least_m == 0.0:
        return
    start, end = start[length_m >= least_m], end[length_m >= least_m]
    ratio = (ground[end] - ground[start]) / (bench[end] - bench[start])
    scale = complex(np.median(ratio.real), np.median(ratio.imag))
    rounded_m = ROUNDED_M + abs(scale) * ROUNDED_BENCH_M
    if abs(scale) < 1.0 - rounded_m / least_m:
        yield Finding("", -1, "lon, lat", "ground no smaller than the board",
                      f"1 : {abs(scale):.3g}")  # fmt: skip
    cell, side = np.nonzero(board.across > np.arange(n)[:, None])
    here = np.concatenate((cell, np.arange(n - 1)))
    there = np.concatenate((board.across[cell, side], np.arange(1, n)))
    on_bench = bench[there] - bench[here]
    wanted_m = np.abs(scale * on_bench)
    off_m = np.abs(ground[there] - ground[here] - scale * on_bench)
    rounded_m = rounded_m * (1.0 + np.abs(on_bench) / least_m)  # by the scale too
    usual = float(np.median(np.maximum(off_m - rounded_m, 0.0) / np.maximum(wanted_m, ROUNDED_M)))
    share = min(LEAST_OFF + TIMES_OFF * usual, MOST_OFF)
    bad = np.flatnonzero(off_m > share * wanted_m + rounded_m)
    n_bad = np.bincount(np.concatenate((here[bad], there[bad])), minlength=n)
    worst: dict[int, int] = {}
    for way in bad[np.argsort(-np.maximum(n_bad[here[bad]], n_bad[there[bad]]), kind="stable")]:
        first, second = int(here[way]), int(there[way])
        if first not in worst and second not in worst:
            worst[first if n_bad[first] >= n_bad[second] else second] = int(way)
    for number in sorted(worst):
        way = worst[number]
        other = int(here[way] + there[way]) - number
        yield Finding(board.tiles[number].cell, -1, "lon, lat",
                      f"{wanted_m[way]:.6g} m from {board.tiles[other].cell}, as on the board",
                      f"{off_m[way]:.6g} m beside")  # fmt: skip


def _map_m(board: RebuiltBoard) -> NDArray[np.complex128]:
    """Carry all places to a map around their middle, east + i north, in metres."""
    lon, lat = np.array([(tile.lon, tile.lat) for tile in board.tiles]).T
    x, y = np.cos(np.radians(lon)), np.sin(np.radians(lon))
    over = np.cos(np.radians(lat))
    middle = [float(np.median(part)) for part in (over * x, over * y, np.sin(np.radians(lat)))]
    lon_0 = float(np.degrees(np.arctan2(middle[1], middle[0])))
    lat_0 = float(np.degrees(np.arctan2(middle[2], np.hypot(middle[0], middle[1]))))
    frame: Any = Proj(proj="laea", lon_0=lon_0, lat_0=lat_0, datum="WGS84")
    east, north = frame(lon, lat)
    far_m = 1e8  # the opposite point of the earth is nowhere on the map
    bounded = np.nan_to_num([east, north], nan=far_m, posinf=far_m, neginf=-far_m)
    return bounded[0] + 1j * bounded[1]
