"""The table: a rectangular lattice of hexagons on the bench, laid on the ground.

Rows run along the front edge. With points to the front every even row is shifted half a cell to
the right; with flats to the front every even column is shifted half a cell away. So each row
holds exactly `columns` cells, and with straight edges the outermost centres lie *on* the edges:
the rectangle is filled by whole, half and quarter hexagons and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final, Literal, Self

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import BoardError
from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import Facing, Part
from hexterra.lattice.lattice import Lattice
from hexterra.units import bench_mm_to_ground_m
from hexterra.values import readonly

#: How the outline of the board runs: cut straight through part tiles, or round whole hexagons.
Edges = Literal["straight", "whole"]

MAX_CELLS: Final = 2_000_000
#: Least and greatest value of each size, and its unit.
LIMITS: Final[dict[str, tuple[float, float, str]]] = {
    "columns": (2, 20_000, "cells"),
    "rows": (2, 20_000, "cells"),
    "across_flats_mm": (5.0, 2_000.0, "mm"),
    "scale": (1.0, 1e9, ""),
    "lon_deg": (-180.0, 180.0, "degrees"),
    "lat_deg": (-90.0, 90.0, "degrees"),
    "bearing_deg": (-360.0, 360.0, "degrees"),
}

EARTH_RADIUS_M: Final = 6_371_008.8  # mean radius of WGS 84: NIMA TR8350.2 (2000), table 3.6
MAX_DISTORTION: Final = 1e-3

# (d column, d row) across each side, for shifted (even) and other rows or columns.
_STEPS: Final[dict[tuple[Facing, bool], tuple[tuple[int, int], ...]]] = {
    ("points", True): ((1, 0), (1, 1), (0, 1), (-1, 0), (0, -1), (1, -1)),
    ("points", False): ((1, 0), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1)),
    ("flats", True): ((1, 1), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, 0)),
    ("flats", False): ((1, 0), (0, 1), (-1, 0), (-1, -1), (0, -1), (1, -1)),
}


def board_size_mm(
    columns: int, rows: int, across_flats_mm: float, facing: Facing, edges: Edges
) -> tuple[float, float]:
    """Width along the front edge and depth of a board, in millimetres.

    Both are linear in the number of cells along them.
    """
    half_x, half_y = _half_pitch_mm(across_flats_mm, facing)
    margin = -1 if edges == "straight" else 1
    if facing == "points":
        rows_half = 3 * (rows - 1) if edges == "straight" else 3 * rows + 1
        return (2 * columns + margin) * half_x, rows_half * half_y
    columns_half = 3 * (columns - 1) if edges == "straight" else 3 * columns + 1
    return columns_half * half_x, (2 * rows + margin) * half_y


def _half_pitch_mm(across_flats_mm: float, facing: Facing) -> tuple[float, float]:
    """Spacing of the grid on which all centres and corners lie, along x and y, in millimetres."""
    half_flats = across_flats_mm / 2.0
    half_side = hexagon.side_length(across_flats_mm) / 2.0
    return (half_flats, half_side) if facing == "points" else (half_side, half_flats)


@dataclass(frozen=True, eq=False, repr=False)
class Board(Lattice):
    """A rectangular table of `rows` x `columns` hexagons and the ground under it.

    Parameters
    ----------
    columns, rows
        Cells along the front edge and away from it.
    across_flats_mm
        Distance between opposite sides of a tile on the bench.
    facing
        "points" or "flats" toward the front edge.
    edges
        "straight" cuts the rim into part tiles that fill a rectangle; "whole" leaves it ragged.
    scale
        Ground length per bench length: 25000 stands for 1:25 000.
    lon_deg, lat_deg
        WGS 84 position of the middle of the board.
    bearing_deg
        Where "away from the front edge" points on the ground, clockwise from north.
    places
        The places that are filled, (n_cells,) int32, ascending; a place is
        ``row * columns + column``. All of them by default.

    Raises
    ------
    BoardError
        If a size is out of its range (`LIMITS`), there are more than `MAX_CELLS` places, or the
        board covers so much ground that no plane frame is true to 0.1 %.

    Notes
    -----
    Bench coordinates `x_mm`, `y_mm` start at the front left corner of the board, x to the right
    and y away from the front edge. The ground frame is the Lambert azimuthal equal-area projection
    around the middle of the board (Snyder, Map Projections: A Working Manual, USGS Professional
    Paper 1395, 1987, p. 182): lengths at distance d are off by about d^2 / (8 R^2) at most.
    """

    columns: int
    rows: int
    across_flats_mm: float
    facing: Facing
    edges: Edges
    scale: float
    lon_deg: float
    lat_deg: float
    bearing_deg: float = 0.0
    places: NDArray[np.int32] = field(default=None)  # type: ignore[assignment]

    def __post_init__(self) -> None:
        for name, (least, greatest, unit) in LIMITS.items():
            value = getattr(self, name)
            is_in_range = least <= value <= greatest  # NaN never is
            if not is_in_range or (unit == "cells" and value != round(value)):
                raise BoardError(
                    f"the board's {name} is {value!r}; it must be from {least:g} to {greatest:g}"
                    f" {unit}".rstrip(),
                    remedy=f"choose another {name}",
                    name=name,
                    value=value,
                )
            # NumPy numbers and whole floats are welcome, but held as plain Python numbers.
            object.__setattr__(self, name, int(value) if unit == "cells" else float(value))
        if self.columns * self.rows > MAX_CELLS:
            raise BoardError(
                f"{self.columns} columns x {self.rows} rows are {self.columns * self.rows:,} cells;"
                f" at most {MAX_CELLS:,} fit one plan",
                remedy="use fewer columns or rows, or cut the region into several boards",
                columns=self.columns,
                rows=self.rows,
            )
        reach_m = bench_mm_to_ground_m(float(np.hypot(*self.size_mm)) / 2.0, self.scale)
        distortion = reach_m**2 / (8.0 * EARTH_RADIUS_M**2)
        if distortion > MAX_DISTORTION:
            raise BoardError(
                f"the board reaches {reach_m / 1000:,.0f} km from its middle, where a plane frame"
                f" is off by {distortion:.2%}; at most {MAX_DISTORTION:.1%} is allowed",
                remedy="choose a smaller scale denominator or a smaller board",
                reach_m=reach_m,
            )
        n_places = self.columns * self.rows
        places = np.arange(n_places, dtype=np.int32) if self.places is None else self.places  # pyright: ignore[reportUnnecessaryComparison]
        object.__setattr__(
            self, "places", readonly(places, dtype=np.int32, shape=(None,), name="places")
        )

    @property
    def n_cells(self) -> int:
        return len(self.places)

    @cached_property
    def column(self) -> NDArray[np.int32]:
        """Column of each cell, (n_cells,) int32."""
        return self.places % np.int32(self.columns)

    @cached_property
    def row(self) -> NDArray[np.int32]:
        """Row of each cell, counted from the front edge, (n_cells,) int32."""
        return self.places // np.int32(self.columns)

    def only(self, present: NDArray[np.bool_]) -> Self:
        return replace(self, places=self.places[present])

    # Bench -------------------------------------------------------------------------------------

    @property
    def corner0_deg(self) -> float:
        """Angle of corner 0 in bench coordinates, counter-clockwise from x, in degrees."""
        return hexagon.CORNER0_DEG[self.facing]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width along the front edge and depth of the board, in millimetres."""
        return board_size_mm(self.columns, self.rows, self.across_flats_mm, self.facing, self.edges)

    @cached_property
    def centre_mm(self) -> NDArray[np.float64]:
        """Centre of each whole hexagon on the bench, (n_cells, 2) float64, in millimetres."""
        return self._bench_mm(self._centre_grid)

    @cached_property
    def corner_mm(self) -> NDArray[np.float64]:
        """Lattice corners on the bench, (n_corners, 2) float64, in millimetres."""
        return self._bench_mm(self._corner_tables[1])

    @cached_property
    def kept(self) -> NDArray[np.int8]:
        """Which half of each hexagon the board keeps, (n_cells, 2) int8, along x and y.

        +1 keeps the half toward greater coordinates, -1 the other, 0 means uncut.
        """
        kept = np.zeros((self.n_cells, 2), dtype=np.int8)
        if self.edges == "straight":
            centre = self.centre_mm
            near = 1e-6 * self.across_flats_mm
            kept[centre < near] = 1
            kept[centre > np.array(self.size_mm) - near] = -1
        return kept

    @cached_property
    def parts(self) -> tuple[Part, ...]:
        """What each cell is cut to, one name per cell."""
        return tuple(hexagon.part_name(self.facing, int(x), int(y)) for x, y in self.kept)

    def outline_mm(self, cell: int) -> NDArray[np.float64]:
        """Outline of one cell's tile on the bench, counter-clockwise, (k, 2) float64, in mm."""
        kept_x, kept_y = (int(k) for k in self.kept[cell])
        outline = hexagon.part_outline(self.across_flats_mm, self.facing, kept_x, kept_y)
        return outline + self.centre_mm[cell]

    # Ground ------------------------------------------------------------------------------------

    @property
    def crs(self) -> str:
        return (
            f"+proj=laea +lat_0={self.lat_deg!r} +lon_0={self.lon_deg!r}"
            " +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs"
        )

    @cached_property
    def kept_rings_xy(self) -> NDArray[np.float64]:
        rings = self.rings_xy
        if not self.is_cut:
            return rings
        rings = rings.copy()
        for cell in np.flatnonzero(self.kept.any(axis=1)):
            outline = self.outline_mm(int(cell))
            last = np.minimum(np.arange(hexagon.N_SIDES), len(outline) - 1)
            rings[cell] = self.bench_mm_to_ground_m(outline[last])
        rings.flags.writeable = False
        return rings

    @property
    def is_cut(self) -> bool:
        return self.edges == "straight"

    @property
    def across_flats_m(self) -> float:
        """Distance between opposite sides of a cell on the ground, in metres."""
        return bench_mm_to_ground_m(self.across_flats_mm, self.scale)

    @cached_property
    def corner_xy(self) -> NDArray[np.float64]:
        return self.bench_mm_to_ground_m(self.corner_mm)

    @cached_property
    def centre_xy(self) -> NDArray[np.float64]:
        return self.bench_mm_to_ground_m(self.centre_mm)

    @cached_property
    def area_m2(self) -> NDArray[np.float64]:
        return np.full(self.n_cells, hexagon.area(self.across_flats_m))

    def bench_mm_to_ground_m(self, bench_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Carry bench points, (k, 2) in millimetres, to the ground frame `crs`, in metres."""
        from_middle = bench_mm - np.array(self.size_mm) / 2.0
        return bench_mm_to_ground_m(1.0, self.scale) * (from_middle @ self._axes)

    def ground_m_to_bench_mm(self, ground_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Carry points in the ground frame `crs`, (k, 2) in metres, to the bench, in mm."""
        from_middle = (ground_m / bench_mm_to_ground_m(1.0, self.scale)) @ self._axes.T
        return from_middle + np.array(self.size_mm) / 2.0

    @property
    def _axes(self) -> NDArray[np.float64]:
        """Bench x and y axes as ground vectors, one per row."""
        bearing = np.deg2rad(self.bearing_deg)
        return np.array([[np.cos(bearing), -np.sin(bearing)], [np.sin(bearing), np.cos(bearing)]])

    # Topology ----------------------------------------------------------------------------------

    @cached_property
    def labels(self) -> tuple[str, ...]:
        letters = [_letters(column) for column in range(self.columns)]
        return tuple(f"{letters[c]}{r + 1}" for c, r in zip(self.column, self.row, strict=True))

    @cached_property
    def neighbours(self) -> NDArray[np.int32]:
        cell_at = np.full((self.rows + 2, self.columns + 2), -1, dtype=np.int32)  # a rim of -1
        cell_at[self.row + 1, self.column + 1] = np.arange(self.n_cells, dtype=np.int32)
        table = np.empty((self.n_cells, hexagon.N_SIDES), dtype=np.int32)
        for shifted in (True, False):
            here = self._is_shifted == shifted
            for side, (d_column, d_row) in enumerate(_STEPS[self.facing, shifted]):
                row, column = self.row[here] + d_row, self.column[here] + d_column
                table[here, side] = cell_at[row + 1, column + 1]
        table.flags.writeable = False
        return table

    @cached_property
    def water_neighbours(self) -> NDArray[np.int32]:
        if self.edges == "whole":
            return self.neighbours
        outward = np.deg2rad(self.corner0_deg + 30.0 + 60.0 * np.arange(hexagon.N_SIDES))
        to_middle = self.across_flats_mm / 2.0 * np.column_stack((np.cos(outward), np.sin(outward)))
        middle = self.centre_mm[:, None, :] + to_middle
        near = 1e-6 * self.across_flats_mm
        is_inside = ((middle > near) & (middle < np.array(self.size_mm) - near)).all(axis=2)
        table = np.where(is_inside, self.neighbours, np.int32(-1))
        table.flags.writeable = False
        return table

    @cached_property
    def corner_of(self) -> NDArray[np.int32]:
        return self._corner_tables[0]

    @cached_property
    def _corner_tables(self) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
        """`corner_of`, and the grid points of the lattice corners, ordered away, then right."""
        offset = np.array([(1, -1), (1, 1), (0, 2), (-1, 1), (-1, -1), (0, -2)])
        if self.facing == "flats":  # the same corners, turned by 30 degrees
            offset = np.array([(2, 0), (1, 1), (-1, 1), (-2, 0), (-1, -1), (1, -1)])
        grid = self._centre_grid[:, None, :] + offset + 2  # 2 keeps every corner in the table
        is_used = np.zeros(grid.max(axis=(0, 1))[::-1] + 1, dtype=bool)
        is_used[grid[..., 1], grid[..., 0]] = True
        number = np.cumsum(is_used, axis=None, dtype=np.int32).reshape(is_used.shape) - 1
        corner_of = number[grid[..., 1], grid[..., 0]]
        points = np.argwhere(is_used)[:, ::-1] - 2
        for table in (corner_of, points):
            table.flags.writeable = False
        return corner_of, points

    @property
    def _is_shifted(self) -> NDArray[np.bool_]:
        return (self.row if self.facing == "points" else self.column) % 2 == 0

    @cached_property
    def _centre_grid(self) -> NDArray[np.int64]:
        """Centres on a grid of `_half_pitch_mm`, (n_cells, 2) int64."""
        column, row = self.column.astype(np.int64), self.row.astype(np.int64)
        if self.facing == "points":
            return np.column_stack((2 * column + self._is_shifted, 3 * row))
        return np.column_stack((3 * column, 2 * row + self._is_shifted))

    def _bench_mm(self, grid: NDArray[np.int64]) -> NDArray[np.float64]:
        """Carry grid points to bench coordinates."""
        margin = (1, 2) if self.facing == "points" else (2, 1)
        shift = np.array(margin if self.edges == "whole" else (0, 0))
        return (grid + shift).astype(np.float64) * np.array(
            _half_pitch_mm(self.across_flats_mm, self.facing)
        )


def _letters(column: int) -> str:
    """Name a column as spreadsheets do: A to Z, AA, AB and so on."""
    name = ""
    column += 1
    while column:
        column, digit = divmod(column - 1, 26)
        name = chr(ord("A") + digit) + name
    return name
