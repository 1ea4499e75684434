"""Heights, overlay, brief -> what `refine` is asked: the stages up to `fit`, and what holds fast.

`plan` runs them to look for the best board; a plan that is opened again runs them to judge the
board that it holds.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, cast

import numpy as np

from hexterra.errors import InfeasibleError
from hexterra.plan.defaults import (
    cliffs_of,
    count_levels,
    pins_of,
    prices_of,
    rim_profile,
    settle_step,
    where_faces_can_be,
)
from hexterra.plan.fixed_tiles import Held
from hexterra.progress import Progress, silent
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.levels.quantise import quantise
from hexterra.stages.search.evaluate import appraise, judge, with_corners
from hexterra.stages.search.prices import FORBIDDEN, Prices
from hexterra.stages.search.refine import MOST_REACH, Refined, Stopped, refine
from hexterra.stages.tiles.cuts import cuts
from hexterra.stages.tiles.fit import Tiles, fit
from hexterra.values import Value, readonly

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from hexterra.brief.brief import Brief
    from hexterra.catalogue.catalogue import Catalogue
    from hexterra.lattice.board import Board
    from hexterra.plan.overlay import Overlay
    from hexterra.stages.sampling.gather import Heights
    from hexterra.stages.tiles.tile_kinds import TileKind


#: How far from the start tiles are looked for, at least, where it has faces that are unwanted.
REACH_TO_CLOSE: Final = 2


@dataclass(frozen=True, eq=False, repr=False)
class Prepared(Value):
    """A legal start, and what any board must keep to.

    Parameters
    ----------
    start
        The tiles that `fit` chose; n is their number.
    prices
        What faults cost, by the brief.
    can_face
        Sides where a step face can be cut, (n, 6) bool, symmetric: none across a road.
    may_face
        Sides where the brief allows one, (n, 6) bool, symmetric. Those that `start` could not
        close are among both.
    unwanted
        Of these, those that the brief wants closed.
    profile
        Lattice corners and the height in steps that all tiles must have there.
    joint
        Lattice corners and the height in steps that a neighbouring board has there.
    frozen
        Cells that keep the tile of `start`, (n,) bool.
    reach
        How far from `start` tiles must be looked for, in steps, for the others to adapt.
    """

    start: Tiles
    prices: Prices
    can_face: NDArray[np.bool_]
    may_face: NDArray[np.bool_]
    unwanted: NDArray[np.bool_]
    profile: tuple[tuple[int, int], ...]
    joint: tuple[tuple[int, int], ...]
    frozen: NDArray[np.bool_]
    reach: int

    def __post_init__(self) -> None:
        n = self.start.lattice.n_cells
        for name, shape in (
            ("can_face", (n, 6)), ("may_face", (n, 6)), ("unwanted", (n, 6)), ("frozen", (n,))
        ):  # fmt: skip
            held = readonly(getattr(self, name), dtype=np.bool_, shape=shape, name=name)
            object.__setattr__(self, name, held)


def prepare(
    heights: Heights,
    overlay: Overlay,
    brief: Brief,
    catalogue: Catalogue,
    *,
    held: Held,
    datum_m: float | None,
    progress: Progress = silent,
) -> Prepared:
    """Run the stages from `quantise` to `fit` as a brief wants them.

    Parameters
    ----------
    heights, overlay
        The ground, and what lies on it.
    brief
        What is wanted.
    catalogue
        What can be cut, of it the tops that rise no more than a ramp may.
    held
        What earlier plans hold fast.
    datum_m
        Ground height of level 0, in metres; None takes that of the lowest cell.
    progress
        Called with a few words as each stage begins.

    Raises
    ------
    BriefError, CatalogueError, InfeasibleError
        As `plan_heights`.
    """
    board = cast("Board", heights.lattice)
    progress("choosing levels")
    levels = quantise(
        heights,
        method=brief.heights.method,
        metres_per_step=settle_step(heights, board, brief)[0],
        datum_m=datum_m,
        n_levels=count_levels(brief),
        thresholds_m=brief.heights.thresholds_m,
    )
    progress("making every slope cuttable")
    cliffs = cliffs_of(levels, board, brief)
    legal = legalise(
        levels,
        water=overlay.water,
        ramp_limit=brief.ramps.limit,
        cliffs=None if cliffs is None else cliffs & ~overlay.road_sides,
        pins=pins_of(board, brief).items(),
        measure=brief.ramps.measure,
    )
    can_face = where_faces_can_be(catalogue, legal, brief)
    progress("fitting tiles")
    start = fit(
        legal,
        catalogue,
        cuts=cuts(
            overlay.lattice,
            catalogue,
            overlay.water,
            width=overlay.width,
            upright=overlay.upright,
            roads=overlay.roads,
            sunken=brief.roads.sunken,
        ),
    )
    by_brief = legal.cliff if brief.fit.step_faces == "marked cliffs only" else can_face
    off_roads = ~overlay.road_sides
    can_face = can_face & off_roads | start.cliff
    both_kept = held.is_kept[:, None] & held.is_kept[board.neighbours] & (board.neighbours >= 0)
    may_face = by_brief & off_roads | can_face & held.cliff & both_kept
    # Nobody saw to the far halves of a neighbour's cut tiles; tops may have to part from them.
    beside_joint = held.is_joined[:, None] ^ held.is_joined[board.neighbours]
    may_face |= can_face & beside_joint & (board.neighbours >= 0)
    unwanted = start.cliff & ~may_face
    may_face |= unwanted
    profile = rim_profile(board, brief)
    frozen = _allowed(start, held)
    start, reach = _start_from(start, held, frozen, may_face, profile)
    return Prepared(
        start=start,
        prices=prices_of(brief, catalogue),
        can_face=can_face,
        may_face=may_face,
        unwanted=unwanted,
        profile=profile,
        joint=held.profile,
        frozen=frozen,
        reach=reach,
    )


def look(asked: Prepared, brief: Brief, stock: Mapping[TileKind, int] | None) -> Refined:
    """Look for the best board that keeps to what was prepared, as a brief wants it.

    Sides that the brief wants closed are closed wherever a board is found on which they are. All
    searches for it together take no longer than the brief allows.

    Raises
    ------
    InfeasibleError
        If none was found.
    """
    limit_s = brief.fit.time_limit_s
    end = None if limit_s is None else time.monotonic() + limit_s

    def search(unwanted: NDArray[np.bool_]) -> Refined:
        left_s = None if end is None else max(end - time.monotonic(), 1e-3)
        return refine(
            asked.start,
            prices=asked.prices,
            effort=brief.fit.effort,
            reach=max(asked.reach, REACH_TO_CLOSE) if unwanted.any() else asked.reach,
            closed=~asked.may_face | unwanted,
            frozen=asked.frozen if asked.frozen.any() else None,
            edge_profile=asked.profile,
            joint=asked.joint,
            stock=stock,
            time_limit_s=left_s,
        )

    board, unwanted = asked.start.lattice, asked.unwanted
    while True:
        try:
            return search(unwanted)
        except InfeasibleError as error:
            if not unwanted.any():
                raise
            is_bad = np.isin(board.labels, cast("tuple[str, ...]", error.facts["cells"]))
            near = is_bad[:, None] | (is_bad[board.neighbours] & (board.neighbours >= 0))
            # Where no side near the trouble is left to be opened, all are.
            unwanted = unwanted & ~near & (unwanted & near).any()


def judge_board(
    asked: Prepared,
    corners: NDArray[np.int32],
    brief: Brief,
    stock: Mapping[TileKind, int] | None,
    *,
    bound: float,
    start_cost: float,
    stopped: Stopped,
) -> Refined:
    """Judge a board by what was prepared, however it was found; see `appraise`.

    Raises
    ------
    InfeasibleError
        If it breaks a rule.
    """
    return appraise(
        asked.start,
        corners,
        prices=asked.prices,
        can_face=asked.can_face,
        frozen=asked.frozen if asked.frozen.any() else None,
        edge_profile=asked.profile,
        joint=asked.joint,
        stock=stock,
        effort=brief.fit.effort,
        bound=bound,
        start_cost=start_cost,
        stopped=stopped,
    )


def _allowed(start: Tiles, held: Held) -> NDArray[np.bool_]:
    """Mark the cells that keep an earlier tile: not those whose water the joining board forgot."""
    merged = np.where(held.is_kept[:, None], held.corners, start.corners).astype(np.int32)
    choices, _ = judge(start, merged, prices=Prices())
    return held.is_kept & ~(held.is_joined & (choices.top_prices(merged) >= FORBIDDEN))


def _start_from(
    start: Tiles,
    held: Held,
    is_kept: NDArray[np.bool_],
    may_face: NDArray[np.bool_],
    profile: tuple[tuple[int, int], ...],
) -> tuple[Tiles, int]:
    """Put the held tiles into a start; return it, and how far the others may have to move.

    Where a whole earlier board is known and still legal, it is the start: nothing need move.
    """
    if held.is_known.all() and is_kept.any():
        _, faults = judge(
            start, held.corners, prices=Prices(), can_face=may_face, edge_profile=profile
        )
        if not faults:
            return with_corners(start, held.corners), 1
    merged = np.where(is_kept[:, None], held.corners, start.corners).astype(np.int32)
    corner_of = start.lattice.corner_of
    apart = np.abs(merged - start.corners).max(initial=0)
    for corner, height in held.profile:
        apart = max(apart, np.abs(start.corners[corner_of == corner] - height).max(initial=0))
    reach = min(MOST_REACH, 1 + int(apart))
    return (with_corners(start, merged) if is_kept.any() else start), reach
