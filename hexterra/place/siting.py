"""Where the board lies: from a brief and an elevation to the `Board` that shows its ground."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hexterra.arguments import checked
from hexterra.errors import BoardError
from hexterra.lattice.board import Board, board_size_mm
from hexterra.place.scales import fit_scale, middle, place_on_globe
from hexterra.values import Value

if TYPE_CHECKING:
    from hexterra.brief.brief import Brief
    from hexterra.brief.sections import BoardBrief
    from hexterra.elevation.elevation import Elevation

DEFAULT_COLUMNS = 24
DEFAULT_ROWS = 16


@dataclass(frozen=True, eq=False, repr=False)
class Site(Value):
    """A board on its ground, and what had to be assumed to put it there."""

    board: Board
    assumed: tuple[str, ...]


@checked
def site_board(elevation: Elevation, brief: Brief) -> Site:
    """Lay the board that `brief` asks for on the ground that `elevation` shows.

    What the brief leaves open is chosen here: 24 x 16 cells, the middle of the raster, and the
    largest ground (the greatest round scale denominator) whose hexagons all lie on the raster.

    Raises
    ------
    BoardError
        If the table is too small for the tiles, or a size is out of range.
    CoverageError
        If the middle of the board lies off the raster, or no scale fits.
    """
    board_brief = brief.board
    assumed: list[str] = []
    columns, rows = count_cells(board_brief, assumed)
    lon_deg, lat_deg = _middle(elevation, board_brief, assumed)
    scale = board_brief.scale
    if scale is None:
        scale = fit_scale(
            elevation,
            columns=columns,
            rows=rows,
            across_flats_mm=board_brief.across_flats_mm,
            facing=board_brief.facing,
            edges=board_brief.edges,
            bearing_deg=board_brief.bearing_deg,
            lon_deg=lon_deg,
            lat_deg=lat_deg,
        )
        assumed.append(f"board.scale = {scale:g} (the most ground that the elevation covers)")
    board = Board(
        columns=columns,
        rows=rows,
        across_flats_mm=board_brief.across_flats_mm,
        facing=board_brief.facing,
        edges=board_brief.edges,
        scale=scale,
        lon_deg=lon_deg,
        lat_deg=lat_deg,
        bearing_deg=board_brief.bearing_deg,
    )
    return Site(board, tuple(assumed))


def count_cells(board_brief: BoardBrief, assumed: list[str]) -> tuple[int, int]:
    """Choose columns and rows, from the table size where that is given; add what is assumed."""
    counts: list[int] = []
    for axis, name, size_name, default in (
        (0, "columns", "width_mm", DEFAULT_COLUMNS),
        (1, "rows", "depth_mm", DEFAULT_ROWS),
    ):
        count: int | None = getattr(board_brief, name)
        size_mm: float | None = getattr(board_brief, size_name)
        if size_mm is not None:
            count = _most_cells(board_brief, axis, size_mm)
            if count < 2:
                raise BoardError(
                    f"board.{size_name} is {size_mm:g} mm, which holds {max(count, 0)} {name} of"
                    f" {board_brief.across_flats_mm:g} mm tiles; at least 2 are needed",
                    remedy=f"give a larger {size_name} or smaller tiles (across_flats_mm)",
                    size_mm=size_mm,
                )
            assumed.append(f"board.{name} = {count} (the most that fit {size_name} {size_mm:g})")
        elif count is None:
            count = default
            assumed.append(f"board.{name} = {count}")
        counts.append(count)
    return counts[0], counts[1]


def _most_cells(board_brief: BoardBrief, axis: int, size_mm: float) -> int:
    """Most columns (axis 0) or rows (axis 1) whose board is no longer than `size_mm`."""

    def length_mm(count: int) -> float:
        return board_size_mm(
            count, count, board_brief.across_flats_mm, board_brief.facing, board_brief.edges
        )[axis]

    pitch_mm = length_mm(2) - length_mm(1)  # a board's length is linear in its cells
    return math.floor(1 + (size_mm - length_mm(1)) / pitch_mm + 1e-9)


def _middle(
    elevation: Elevation, board_brief: BoardBrief, assumed: list[str]
) -> tuple[float, float]:
    """Longitude and latitude of the middle of the board."""
    if board_brief.lon_deg is not None and board_brief.lat_deg is not None:
        return board_brief.lon_deg, board_brief.lat_deg
    if board_brief.x is not None and board_brief.y is not None:
        return place_on_globe(elevation, board_brief.x, board_brief.y)
    lon_deg, lat_deg = middle(elevation)
    assumed.append(
        f"board.lon_deg = {lon_deg:.6f}, board.lat_deg = {lat_deg:.6f} (middle of the raster)"
    )
    return lon_deg, lat_deg
