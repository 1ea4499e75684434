"""Earlier plans -> what a new one takes from them: open keys of the brief, tiles and corners held.

A brief names such plans in [keep], whose tiles stay, and in [join], whose boards stand against this
one. Boards join where their lattices go on: with straight edges the cut cells along the joint are
two halves of the same tiles, with whole edges the hexagons of one board fit between the other's.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

import numpy as np
from pyproj import Transformer

from hexterra.errors import BriefError
from hexterra.lattice.board import Board
from hexterra.lattice.hexagon import N_SIDES, side_length
from hexterra.place.siting import count_cells
from hexterra.plan.defaults import find_cell
from hexterra.plan.earlier_plans import Earlier, read_earlier
from hexterra.text import cleaned
from hexterra.values import Value, readonly

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.brief.brief import Brief
    from hexterra.brief.sections import BoardBrief

#: Edges of a table at which boards can join, and which way the neighbour lies.
EDGES: Final = {"left": (-1, 0), "right": (1, 0), "front": (0, -1), "back": (0, 1)}
_JOIN_RULE: Final = (
    "with points to the front, whole edges join left and right, and front and back if the board in"
    " front has an even number of rows; straight edges join front and back if it has an odd number."
    " With flats to the front, the same holds with columns for rows, and left and right for front"
    " and back"
)
#: Sizes of boards agree if they differ by no more than this share.
_NEAR: Final = 1e-6


@dataclass(frozen=True, eq=False, repr=False)
class Held(Value):
    """What earlier plans hold fast on a board of n cells.

    Parameters
    ----------
    lattice
        The cells.
    corners
        Height of the six corners of earlier tiles, (n, 6) int32, in steps; 0 where none is known.
    is_known
        Cells of which an earlier tile is known, (n,) bool.
    is_kept
        Of these, the ones that keep it, (n,) bool.
    is_joined
        Of these, the ones that keep it because another board has their other half, (n,) bool.
    cliff
        Sides where the earlier tiles have a step face, (n, 6) bool, symmetric.
    profile
        Lattice corners and the height in steps that a joining board has there.
    assumed
        What was taken from the earlier plans, in sentences.
    """

    lattice: Board
    corners: NDArray[np.int32]
    is_known: NDArray[np.bool_]
    is_kept: NDArray[np.bool_]
    is_joined: NDArray[np.bool_]
    cliff: NDArray[np.bool_]
    profile: tuple[tuple[int, int], ...] = ()
    assumed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n = self.lattice.n_cells
        for name, dtype, shape in (
            ("corners", np.int32, (n, N_SIDES)),
            ("is_known", np.bool_, (n,)),
            ("is_kept", np.bool_, (n,)),
            ("is_joined", np.bool_, (n,)),
            ("cliff", np.bool_, (n, N_SIDES)),
        ):
            held = readonly(getattr(self, name), dtype=dtype, shape=shape, name=name)
            object.__setattr__(self, name, held)

    @classmethod
    def nothing(cls, board: Board) -> Self:
        """Hold nothing."""
        none, corners = np.zeros(board.n_cells, bool), np.zeros((board.n_cells, N_SIDES), np.int32)
        return cls(board, corners, none, none, none, corners.astype(bool))

    @property
    def holds(self) -> bool:
        """Whether anything is held fast."""
        return bool(self.profile) or bool(self.is_kept.any())

    @property
    def joints(self) -> Held:
        """What joining boards hold, which is so for good; tiles that were kept once may change."""
        only = self.is_joined
        return replace(
            self,
            corners=np.where(only[:, None], self.corners, 0),
            is_known=only,
            is_kept=only,
            cliff=self.cliff & only[:, None] & only[self.lattice.neighbours],
            assumed=(),
        )


def take_over(brief: Brief) -> tuple[Brief, tuple[str, ...]]:
    """Take what a brief leaves open about board and heights from the earlier plans it names.

    Returns
    -------
    tuple[Brief, tuple[str, ...]]
        The brief with these keys set, and what was set, in the form ``key = value (reason)``.

    Raises
    ------
    PlanFolderError
        If such a plan cannot be read.
    """
    assumed: list[str] = []
    if brief.keep.plan is not None:
        earlier = read_earlier(brief.keep.plan)
        names = ("columns", "rows", "scale", "lon_deg", "lat_deg", *_SHAPE)
        brief = _take(
            brief, earlier, {name: getattr(earlier.board, name) for name in names}, assumed
        )
        _check_shape("keep.plan", ("columns", "rows", "scale", *_SHAPE), brief.board, earlier)
    for edge, earlier in _joined(brief):
        names = _shape_beside(edge)
        brief = _take(
            brief, earlier, {name: getattr(earlier.board, name) for name in names}, assumed
        )
        _check_shape(f"join.{edge}", names, brief.board, earlier)
        lon_deg, lat_deg = _place_beside(brief, edge, earlier)
        brief = _take(brief, earlier, {"lon_deg": lon_deg, "lat_deg": lat_deg}, assumed)
    return brief, tuple(assumed)


_SHAPE: Final = ("across_flats_mm", "facing", "edges", "bearing_deg")
#: What is given instead of a key.
_INSTEAD: Final = {
    "columns": "width_mm", "rows": "depth_mm", "lon_deg": "x", "lat_deg": "y",
    "metres_per_step": "exaggeration",
}  # fmt: skip


def _take(
    brief: Brief, earlier: Earlier, of_board: Mapping[str, object], assumed: list[str]
) -> Brief:
    """Set keys of [board] and [heights] of which neither they nor what stands for them is set."""
    names = ["step_mm"]
    if brief.heights.method == earlier.method == "even":
        names += ["metres_per_step", "datum_m"]
    wanted = {"board": of_board, "heights": {name: getattr(earlier, name) for name in names}}
    changes: dict[str, dict[str, object]] = {}
    for section, values in wanted.items():
        held = getattr(brief, section)
        for name, value in values.items():
            is_open = name not in held.model_fields_set or getattr(held, name) is None
            if is_open and (name not in _INSTEAD or getattr(held, _INSTEAD[name]) is None):
                changes.setdefault(section, {})[name] = value
                shown = f"{value:.10g}" if isinstance(value, float) else json.dumps(value)
                assumed.append(
                    f"{section}.{name} = {shown} (as in {cleaned(Path(earlier.folder).name)})"
                )
    return brief.changed(changes) if changes else brief


def hold(brief: Brief, board: Board, metres_per_step: float) -> Held:
    """Find what the earlier plans of a brief hold fast on its board.

    Parameters
    ----------
    brief
        What is wanted, from `take_over`.
    board
        The cells.
    metres_per_step
        Ground height of a step.

    Raises
    ------
    BriefError
        If such a plan is of another board, has other steps, its lattice does not go on in this
        one, or the brief names a cell that the board does not have.
    PlanFolderError
        If such a plan cannot be read.
    """
    held = Held.nothing(board)
    if brief.keep.plan is not None:
        earlier = read_earlier(brief.keep.plan)
        _check_same_board(board, earlier)
        _check_heights("keep.plan", brief, earlier, metres_per_step)
        is_kept = cells_of(board, brief.keep.cells) & ~cells_of(board, brief.keep.free)
        held = keep(held, earlier.corners, earlier.cliff, is_kept)
        name = Path(earlier.folder).name
        held = replace(
            held, assumed=(f"{is_kept.sum():,} cells keep the tile they have in {name}",)
        )
    for edge, earlier in _joined(brief):
        key = f"join.{edge}"
        _check_shape(key, _shape_beside(edge), board, earlier)
        _check_heights(key, brief, earlier, metres_per_step)
        _check_step(key, brief, earlier)
        held = _join(held, key, edge, earlier)
    return held


def keep(
    held: Held,
    corners: NDArray[np.int32],
    cliff: NDArray[np.bool_],
    is_kept: NDArray[np.bool_],
) -> Held:
    """Hold the tiles of an earlier plan of the same board in some of its cells."""
    every = np.ones_like(is_kept)
    return replace(
        held, corners=corners, is_known=every, is_kept=held.is_kept | is_kept, cliff=cliff
    )


def cells_of(board: Board, names: tuple[str, ...]) -> NDArray[np.bool_]:
    """Mark the cells that a brief names: single ones, blocks from corner to corner, or all.

    Raises
    ------
    BriefError
        If the board does not have such a cell.
    """
    marked = np.zeros(board.n_cells, dtype=np.bool_)
    for name in names:
        if name.strip().lower() == "all":
            marked[:] = True
            continue
        ends = [find_cell(board, end.strip()) for end in name.split(":", 1)]
        column, row = board.column, board.row
        marked |= (
            (column >= column[ends].min())
            & (column <= column[ends].max())
            & (row >= row[ends].min())
            & (row <= row[ends].max())
        )
    return marked


def _joined(brief: Brief) -> Iterator[tuple[str, Earlier]]:
    """Read the plans that this one joins, by edge."""
    for edge in EDGES:
        folder = getattr(brief.join, edge)
        if folder is not None:
            yield edge, read_earlier(folder)


# Where boards stand ------------------------------------------------------------------------------


def _shift_mm(edge: str, size_mm: tuple[float, float], earlier: Board) -> NDArray[np.float64]:
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


def _place_beside(brief: Brief, edge: str, earlier: Earlier) -> tuple[float, float]:
    """Return longitude and latitude of the middle of a board whose ground adjoins an earlier's."""
    columns, rows = count_cells(brief.board, [])
    board = replace(earlier.board, columns=columns, rows=rows, places=None)
    middle_mm = _shift_mm(edge, board.size_mm, earlier.board) + np.array(board.size_mm) / 2.0
    x, y = earlier.board.bench_mm_to_ground_m(middle_mm[None, :])[0]
    to_wgs84 = Transformer.from_crs(earlier.board.crs, "EPSG:4326", always_xy=True)
    lon_deg, lat_deg = to_wgs84.transform(float(x), float(y))
    return round(lon_deg, 9), round(lat_deg, 9)


def _join(held: Held, key: str, edge: str, earlier: Earlier) -> Held:
    """Hold what a neighbouring board has along the joint."""
    board, other = held.lattice, earlier.board
    shift_mm = _shift_mm(edge, board.size_mm, other)
    _check_lattice(key, board, other, shift_mm)
    theirs = {point: cell for cell, point in enumerate(_points(other.centre_mm, other))}
    shared = [
        (cell, theirs[point])
        for cell, point in enumerate(_points(board.centre_mm + shift_mm, other))
        if point in theirs
    ]
    if shared:
        return _share_cells(held, key, shared, earlier)
    heights: dict[tuple[int, int], set[int]] = {}
    corner_mm = other.corner_mm[other.corner_of].reshape(-1, 2)
    for point, height in zip(
        _points(corner_mm, other), earlier.corners.ravel().tolist(), strict=True
    ):
        heights.setdefault(point, set()).add(height)
    profile = dict(held.profile)
    n_free = 0
    for corner, point in enumerate(_points(board.corner_mm + shift_mm, other)):
        wanted = heights.get(point, set()) | ({profile[corner]} if corner in profile else set())
        if point in heights and len(wanted) == 1:
            profile[corner] = wanted.pop()
        elif point in heights:
            n_free += 1
            profile.pop(corner, None)
    said = held.assumed
    if n_free:
        said += (
            f"{n_free:,} corners of the {edge} edge are free: step faces of"
            f" {Path(earlier.folder).name} end there",
        )
    return replace(held, profile=tuple(sorted(profile.items())), assumed=said)


def _share_cells(held: Held, key: str, shared: list[tuple[int, int]], earlier: Earlier) -> Held:
    """Keep the tiles of which the neighbour has the other halves."""
    board = held.lattice
    mine, theirs = np.array(shared, dtype=np.intp).T
    corners, cliff = held.corners.copy(), held.cliff.copy()
    wanted = earlier.corners[theirs]
    differs = held.is_joined[mine] & (corners[mine] != wanted).any(axis=1)
    if differs.any():
        raise BriefError(
            f"{key} wants another tile in {board.labels[mine[differs.argmax()]]} than another"
            " board that joins there",
            remedy="join one of the two boards only, or plan one of them to join the other",
            key=key,
        )
    corners[mine], is_joined = wanted, held.is_joined.copy()
    is_joined[mine] = True
    cliff[mine] = earlier.cliff[theirs]
    beyond = (board.neighbours >= 0) & is_joined[board.neighbours]
    cliff = np.where(
        is_joined[:, None] & beyond, cliff, held.cliff & ~(is_joined[:, None] | beyond)
    )
    return replace(
        held,
        corners=corners,
        is_known=held.is_known | is_joined,
        is_kept=held.is_kept | is_joined,
        is_joined=is_joined,
        cliff=cliff,
    )


def _points(point_mm: NDArray[np.float64], board: Board) -> list[tuple[int, int]]:
    """Round points of the bench to a grid far finer than cells, so that equal ones compare."""
    return [
        (x, y) for x, y in np.rint(point_mm / (1e-3 * board.across_flats_mm)).astype(int).tolist()
    ]


# What must agree ---------------------------------------------------------------------------------


def _check_same_board(board: Board, earlier: Earlier) -> None:
    names = (*_SHAPE, "columns", "rows", "scale", "lon_deg", "lat_deg")
    _check_shape("keep.plan", names, board, earlier)
    if not board.same_as(earlier.board):
        raise BriefError(
            f"keep.plan: {earlier.folder} leaves out other cells than this board",
            remedy="keep tiles of a plan of the same elevation and coverage only",
            key="keep.plan",
        )


def _shape_beside(edge: str) -> tuple[str, ...]:
    """Name what boards that join at an edge have in common."""
    return ("rows" if EDGES[edge][0] else "columns", "scale", *_SHAPE)


def _check_shape(
    key: str, names: tuple[str, ...], board: Board | BoardBrief, earlier: Earlier
) -> None:
    """Refuse a board, or a brief that wants one, of another shape."""
    for name in names:
        mine, theirs = getattr(board, name), getattr(earlier.board, name)
        if mine is not None and mine != theirs:
            raise _other(key, f"board.{name}", mine, theirs, earlier)


def _check_heights(key: str, brief: Brief, earlier: Earlier, metres_per_step: float) -> None:
    """Refuse steps that stand for other ground, where steps are even."""
    if not brief.heights.method == earlier.method == "even":
        return
    for name, mine, theirs in (
        ("metres_per_step", metres_per_step, earlier.metres_per_step),
        ("datum_m", brief.heights.datum_m, earlier.datum_m),
    ):
        if mine is None or abs(mine - theirs) > _NEAR * max(1.0, abs(theirs)):
            raise _other(key, f"heights.{name}", mine, theirs, earlier)


def _check_step(key: str, brief: Brief, earlier: Earlier) -> None:
    if brief.heights.step_mm != earlier.step_mm:
        raise _other(key, "heights.step_mm", brief.heights.step_mm, earlier.step_mm, earlier)


def _check_lattice(key: str, board: Board, other: Board, shift_mm: NDArray[np.float64]) -> None:
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
            remedy=_JOIN_RULE,
            key=key,
        )


def _other(key: str, name: str, mine: object, theirs: object, earlier: Earlier) -> BriefError:
    return BriefError(
        f"{key}: {name} is {mine!r}, but {theirs!r} in {earlier.folder}",
        remedy=f"leave {name} out of the brief, so that it is taken from there, or name another"
        " plan",
        key=key,
        name=name,
    )
