"""Boards that stand side by side: how they lie to each other, and what they must have in common.

Boards join where their lattices go on: with straight edges the cut cells along the joint are two
halves of the same tiles, with whole edges the hexagons of one board fit between the other's.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from pyproj import Transformer

from hexterra.errors import BriefError
from hexterra.inputs.earlier_plans import EarlierPlan
from hexterra.lattice.board import Board
from hexterra.lattice.hexagon import side_length
from hexterra.place.siting import count_cells

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.brief.brief import Brief
    from hexterra.brief.sections import BoardBrief

#: Edges of a table at which boards can join, and which way the neighbour lies.
EDGES: Final = {"left": (-1, 0), "right": (1, 0), "front": (0, -1), "back": (0, 1)}
#: What boards that join have in common, beside scale and the length of the joint.
SHAPE: Final = ("across_flats_mm", "facing", "edges", "bearing_deg")
JOIN_RULE: Final = (
    "with points to the front, whole edges join left and right, and front and back if the board in"
    " front has an even number of rows; straight edges join front and back if it has an odd number."
    " With flats to the front, the same holds with columns for rows, and left and right for front"
    " and back"
)
#: Heights of steps agree if they differ by no more than this share.
NEAR: Final = 1e-6


def shape_beside(edge: str) -> tuple[str, ...]:
    """Name what boards that join at an edge have in common."""
    return ("rows" if EDGES[edge][0] else "columns", "scale", *SHAPE)


def joint_shift_mm(edge: str, size_mm: tuple[float, float], earlier: Board) -> NDArray[np.float64]:
    """Return where the front left corner of a board lies on the bench of its neighbour, in mm.

    `edge` is that edge of the board at which the neighbour stands, `size_mm` the board's size.
    """
    half = earlier.across_flats_mm / 2.0, side_length(earlier.across_flats_mm) / 2.0
    overhang = half if earlier.facing == "points" else half[::-1]
    shift = np.zeros(2)
    for axis, way in enumerate(EDGES[edge]):
        length = (0.0, size_mm[axis], earlier.size_mm[axis])[way]
        shift[axis] = -way * (length - (overhang[axis] if earlier.edges == "whole" else 0.0))
    return shift


def place_beside(brief: Brief, edge: str, earlier: EarlierPlan) -> tuple[float, float]:
    """Return longitude and latitude of the middle of a board whose ground adjoins an earlier's."""
    columns, rows = count_cells(brief.board, [])
    board = replace(earlier.board, columns=columns, rows=rows, places=None)
    middle_mm = joint_shift_mm(edge, board.size_mm, earlier.board) + np.array(board.size_mm) / 2.0
    x, y = earlier.board.bench_mm_to_ground_m(middle_mm[None, :])[0]
    to_wgs84 = Transformer.from_crs(earlier.board.crs, "EPSG:4326", always_xy=True)
    lon_deg, lat_deg = to_wgs84.transform(float(x), float(y))
    return round(lon_deg, 9), round(lat_deg, 9)


def grid_points(point_mm: NDArray[np.float64], board: Board) -> list[tuple[int, int]]:
    """Round points of the bench to a grid far finer than cells, so that equal ones compare."""
    return [
        (x, y) for x, y in np.rint(point_mm / (1e-3 * board.across_flats_mm)).astype(int).tolist()
    ]


def check_shape(
    key: str, names: tuple[str, ...], board: Board | BoardBrief, earlier: EarlierPlan
) -> None:
    """Refuse a board, or a brief that wants one, of another shape."""
    for name in names:
        mine, theirs = getattr(board, name), getattr(earlier.board, name)
        if mine is not None and mine != theirs:
            raise disagreement(key, f"board.{name}", mine, theirs, earlier)


def check_same_board(board: Board, earlier: EarlierPlan) -> None:
    """Refuse to keep tiles of another board."""
    names = (*SHAPE, "columns", "rows", "scale", "lon_deg", "lat_deg")
    check_shape("keep.plan", names, board, earlier)
    if not board.same_as(earlier.board):
        raise BriefError(
            f"keep.plan: {earlier.folder} leaves out other cells than this board",
            remedy="keep tiles of a plan of the same elevation and coverage only",
            key="keep.plan",
        )


def check_heights(key: str, brief: Brief, earlier: EarlierPlan, metres_per_step: float) -> None:
    """Refuse steps that stand for other ground, where steps are even."""
    if not brief.heights.method == earlier.method == "even":
        return
    for name, mine, theirs in (
        ("metres_per_step", metres_per_step, earlier.metres_per_step),
        ("datum_m", brief.heights.datum_m, earlier.datum_m),
    ):
        if mine is None or abs(mine - theirs) > NEAR * max(1.0, abs(theirs)):
            raise disagreement(key, f"heights.{name}", mine, theirs, earlier)


def check_step(key: str, brief: Brief, earlier: EarlierPlan) -> None:
    """Refuse steps of another height on the bench."""
    if brief.heights.step_mm != earlier.step_mm:
        raise disagreement(key, "heights.step_mm", brief.heights.step_mm, earlier.step_mm, earlier)


def check_lattice(key: str, board: Board, other: Board, shift_mm: NDArray[np.float64]) -> None:
    """Refuse boards whose cells do not lie on one lattice."""
    way_mm = board.centre_mm[0] + shift_mm - other.centre_mm[0]
    along, away = way_mm if board.facing == "points" else way_mm[::-1]
    n_away = away / (1.5 * side_length(board.across_flats_mm))
    n_along = along / board.across_flats_mm - n_away / 2.0
    off = max(abs(n - round(n)) for n in (float(n_away), float(n_along)))
    # Each row or column is shifted against the last by half a cell, to and fro.
    if off > 1e-3:
        raise BriefError(
            f"{key}: the cells of the two boards do not line up at that edge"
            f" ({board.facing} to the front, {board.edges} edges, {other.columns} x {other.rows}"
            f" and {board.columns} x {board.rows} cells)",
            remedy=JOIN_RULE,
            key=key,
        )


def disagreement(
    key: str, name: str, mine: object, theirs: object, earlier: EarlierPlan
) -> BriefError:
    """Say which key disagrees with an earlier plan."""
    return BriefError(
        f"{key}: {name} is {mine!r}, but {theirs!r} in {earlier.folder}",
        remedy=f"leave {name} out of the brief, so that it is taken from there, or name another"
        " plan",
        key=key,
        name=name,
    )
