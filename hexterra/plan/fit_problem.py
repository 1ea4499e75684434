"""Rules, fixed tiles -> what `refine` is asked, and its answer."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

import numpy as np

from hexterra.errors import InfeasibleError
from hexterra.plan.fixed_tiles import FixedTiles
from hexterra.plan.rules import Rules
from hexterra.stages.search.prices import FORBIDDEN, Prices
from hexterra.stages.search.refine import refine
from hexterra.stages.search.refined import Refined, SearchEffort, Stopped
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.variants.evaluate import evaluate, find_faults, with_corners
from hexterra.values import Value, readonly

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from hexterra.brief.brief import Brief
    from hexterra.inputs.owned_pieces import OwnedPieces
    from hexterra.stages.tiles.tile_kinds import TileKind


@dataclass(frozen=True, eq=False, repr=False)
class FitProblem(Value):
    """A legal start, and what any board must keep to.

    Parameters
    ----------
    start
        Tiles to start from; n is their number.
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
    """

    start: Tiles
    prices: Prices
    can_face: NDArray[np.bool_]
    may_face: NDArray[np.bool_]
    unwanted: NDArray[np.bool_]
    profile: tuple[tuple[int, int], ...]
    joint: tuple[tuple[int, int], ...]
    frozen: NDArray[np.bool_]

    def __post_init__(self) -> None:
        n = self.start.lattice.n_cells
        for name, shape in (
            ("can_face", (n, 6)), ("may_face", (n, 6)), ("unwanted", (n, 6)), ("frozen", (n,))
        ):  # fmt: skip
            array = readonly(getattr(self, name), dtype=np.bool_, shape=shape, name=name)
            object.__setattr__(self, name, array)

    def allows_same(self, other: FitProblem) -> bool:
        """Tell whether the same tops and step faces are allowed, and so a bound holds for both."""
        return all(
            np.array_equal(mine, theirs)
            for mine, theirs in (
                (self.may_face, other.may_face),
                (self.can_face, other.can_face),
                (self.unwanted, other.unwanted),
                (self.start.is_steep, other.start.is_steep),
            )
        )

    @property
    def frozen_cells(self) -> NDArray[np.bool_] | None:
        """`frozen`, or None where no cell is."""
        return self.frozen if self.frozen.any() else None


def fit_problem(rules: Rules, fixed: FixedTiles) -> FitProblem:
    """Put together what a search must keep to: the rules of the brief, and fixed tiles.

    Raises
    ------
    InfeasibleError
        If a fixed tile cannot stand where it is.
    """
    board, start = fixed.lattice, rules.fitted
    can_face = rules.can_face
    both_kept = fixed.is_kept[:, None] & fixed.is_kept[board.neighbours] & (board.neighbours >= 0)
    may_face = rules.may_face | can_face & fixed.cliff & both_kept
    # Nobody saw to the far halves of a neighbour's cut tiles; tops may have to part from them.
    beside_joint = fixed.is_joined[:, None] ^ fixed.is_joined[board.neighbours]
    may_face |= can_face & beside_joint & (board.neighbours >= 0)
    unwanted = start.cliff & ~may_face
    may_face |= unwanted
    frozen = _allowed(start, fixed)
    start = _start_from(start, fixed, frozen, may_face, rules.profile)
    return FitProblem(
        start=start,
        prices=rules.prices,
        can_face=can_face,
        may_face=may_face,
        unwanted=unwanted,
        profile=rules.profile,
        joint=fixed.profile,
        frozen=frozen,
    )


def solve(problem: FitProblem, brief: Brief, stock: Mapping[TileKind, int] | None) -> Refined:
    """Search the best board that a problem allows, as a brief wants it.

    Sides that the brief wants closed are closed wherever a board is found on which they are. All
    searches for it together take no longer than the brief allows.

    Raises
    ------
    InfeasibleError
        If none was found.
    """
    limit_s = brief.fit.time_limit_s
    end = None if limit_s is None else time.monotonic() + limit_s

    def search(unwanted: NDArray[np.bool_], effort: SearchEffort) -> Refined:
        left_s = None if end is None else max(end - time.monotonic(), 1e-3)
        return refine(
            problem.start,
            prices=problem.prices,
            effort=effort,
            closed=~problem.may_face | unwanted,
            frozen=problem.frozen_cells,
            edge_profile=problem.profile,
            joint=problem.joint,
            stock=stock,
            time_limit_s=left_s,
        )

    board, unwanted = problem.start.lattice, problem.unwanted
    effort = brief.fit.effort
    while True:
        try:
            return search(unwanted, effort)
        except InfeasibleError as error:
            if effort == "instant":  # a quick look was not enough
                effort = "bounded"
                continue
            if not unwanted.any():
                raise
            is_bad = np.isin(board.labels, cast("tuple[str, ...]", error.facts["cells"]))
            near = is_bad[:, None] | (is_bad[board.neighbours] & (board.neighbours >= 0))
            # Where no side near the trouble is left to be opened, all are.
            unwanted = unwanted & ~near & (unwanted & near).any()


def evaluate_board(
    problem: FitProblem,
    corners: NDArray[np.int32],
    brief: Brief,
    stock: Mapping[TileKind, int] | None,
    *,
    bound: float,
    start_cost: float,
    stopped: Stopped,
    spent_on_kinds: float = 0.0,
    least_kinds: int = 0,
) -> Refined:
    """Check a board against a problem and price it, however it was found; see `evaluate`.

    Raises
    ------
    InfeasibleError
        If it breaks a rule.
    """
    refined = evaluate(
        problem.start,
        corners,
        prices=problem.prices,
        can_face=problem.can_face,
        frozen=problem.frozen_cells,
        edge_profile=problem.profile,
        joint=problem.joint,
        stock=stock,
        effort=brief.fit.effort,
        bound=bound,
        start_cost=start_cost,
        stopped=stopped,
    )
    return replace(refined, spent_on_kinds=spent_on_kinds, least_kinds=least_kinds)


def _allowed(start: Tiles, fixed: FixedTiles) -> NDArray[np.bool_]:
    """Mark the cells that keep an earlier tile: not those whose water the joining board forgot."""
    merged = np.where(fixed.is_kept[:, None], fixed.corners, start.corners).astype(np.int32)
    choices, _ = find_faults(start, merged, prices=Prices())
    return fixed.is_kept & ~(fixed.is_joined & (choices.top_prices(merged) >= FORBIDDEN))


def _start_from(
    start: Tiles,
    fixed: FixedTiles,
    is_kept: NDArray[np.bool_],
    may_face: NDArray[np.bool_],
    profile: tuple[tuple[int, int], ...],
) -> Tiles:
    """Put the fixed tiles into a start.

    Where a whole earlier board is known and still legal, it is the start: nothing need move.
    """
    if fixed.is_known.all() and is_kept.any():
        _, faults = find_faults(
            start, fixed.corners, prices=Prices(), can_face=may_face, edge_profile=profile
        )
        if not faults:
            return with_corners(start, fixed.corners)
    if not is_kept.any():
        return start
    merged = np.where(is_kept[:, None], fixed.corners, start.corners).astype(np.int32)
    return with_corners(start, merged)


def stock_of(owned: OwnedPieces | None) -> dict[TileKind, int] | None:
    """Return the owned tiles as `refine` takes them."""
    return None if owned is None else dict(owned.tiles)
