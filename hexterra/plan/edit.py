"""Plan -> Plan without looking at the ground again: a tile changed by hand, another catalogue.

A plan that was opened from its folder is enough. What comes before the fit stays as it is.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np

from hexterra.arguments import checked
from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.errors import InfeasibleError
from hexterra.plan.defaults import find_cell
from hexterra.plan.fit_problem import FitProblem, evaluate_board, fit_problem, solve, stock_of
from hexterra.plan.fixed_tiles import keep
from hexterra.plan.pipeline import complete
from hexterra.plan.plan import Plan
from hexterra.plan.rules import rules_for
from hexterra.progress import Progress, silent
from hexterra.stages.variants.edit_cell import edit_cell
from hexterra.text import cleaned

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.lattice.board import Board


@checked
def edit_plan(
    plan: Plan,
    cell: str,
    *,
    pattern: str | None = None,
    turn: int | None = None,
    level: int | None = None,
) -> Plan:
    """Put another tile into one cell of a plan by hand; all other cells keep theirs.

    ``compare(plan, edit_plan(plan, "C4", level=3))`` tells what that costs.

    Parameters
    ----------
    plan
        The plan.
    cell
        Name of the cell, as "C4".
    pattern
        Name of the pattern; by default the one that is there.
    turn
        By how many sides it is turned counter-clockwise, 0 to 5; by default as it is.
    level
        Level of the tile's lowest corner, in steps; by default as it is.

    Returns
    -------
    Plan
        With the pieces, stacks and cost that follow. Where tops no longer meet, a step face stands.

    Raises
    ------
    BriefError
        If the board has no such cell, or the tile is not allowed there, with the reason.
    CatalogueError
        If the catalogue has no such pattern.
    StockError
        If the stack cannot be made of the stocked thicknesses.
    """
    at, tiles = find_cell(plan.board, cell), plan.fitted
    pattern = pattern or plan.catalogue.patterns[tiles.pattern[at]].name
    turn = int(tiles.turn[at]) if turn is None else turn
    level = int(tiles.level[at]) if level is None else level
    problem = problem_of(plan)
    edited = edit_cell(
        tiles,
        at,
        level=level,
        pattern=pattern,
        turn=turn,
        prices=problem.prices,
        can_face=problem.can_face,
        frozen=problem.frozen_cells,
        edge_profile=problem.profile,
        joint=problem.joint,
    )
    refined = evaluate_board(
        problem,
        edited.tiles.corners,
        plan.brief,
        stock_of(plan.owned),
        bound=bound_of_any(plan),
        start_cost=plan.refined.start_cost,
        stopped=plan.refined.stopped,
    )
    name = plan.board.labels[at]
    before = tuple(entry for entry in plan.assumed if not entry.startswith(f"{name} = "))
    said = f"{name} = {pattern}, turned {turn}, level {level} (changed by hand)"
    return complete(
        plan.elevation,
        plan.brief,
        plan.overlay,
        plan.rules,
        refined,
        choice=plan.choice,
        owned=plan.owned,
        fixed=plan.fixed.joints,
        assumed=(*before, said),
    )


@checked
def recut_plan(plan: Plan, catalogue: str | Path, *, progress: Progress = silent) -> Plan:
    """Plan the same board from another catalogue, keeping every tile that it can still cut.

    The other cells get new tiles. Where these cannot fit the kept ones, the cells around that place
    are freed too, ring after ring. ``compare(plan, recut_plan(plan, "new.toml"))`` tells what
    changes.

    Parameters
    ----------
    plan
        The plan.
    catalogue
        Catalogue file (TOML).
    progress
        Called with a few words as each stage begins.

    Returns
    -------
    Plan
        Its `assumed` ends with how many tiles can be cut from both, and how many stay.

    Raises
    ------
    FileMissingError
        If the catalogue cannot be opened.
    CatalogueError
        If it is not one, or lacks what the board cannot do without, as a crossing.
    InfeasibleError
        If no board was found, even with all cells free.
    StockError
        If a stack cannot be made of the stocked thicknesses.
    """
    brief = plan.brief.changed({"catalogue": str(catalogue)})
    rules = rules_for(
        plan.rules.legal, plan.overlay, brief, load_catalogue(catalogue), progress=progress
    )
    corners, lattice = plan.fitted.corners, plan.board
    rises = corners - corners.min(axis=1)[:, None]
    is_free = rules.fitted.catalogue.find_patterns(rises)[0] < 0
    n_can_cut = int((~is_free).sum())
    stock = stock_of(plan.owned)
    while True:
        fixed = keep(plan.fixed.joints, corners, plan.fitted.cliff, ~is_free)
        try:
            progress("fitting what must change")
            refined = solve(fit_problem(rules, fixed), brief, stock)
        except InfeasibleError as error:
            if is_free.all():
                raise
            named = np.isin(lattice.labels, cast("tuple[str, ...]", error.facts.get("cells", ())))
            more = is_free | named | _beside(lattice, named)
            if (more == is_free).all():
                more = is_free | _beside(lattice, is_free)
            is_free = np.ones_like(is_free) if (more == is_free).all() else more
            continue
        break
    if not is_free.all():  # what was proven holds among boards that keep those tiles only
        refined = evaluate_board(
            fit_problem(rules, plan.fixed.joints),
            refined.tiles.corners,
            brief,
            stock,
            bound=0.0,
            start_cost=refined.start_cost,
            stopped=refined.stopped,
        )
    n_stay = int((refined.tiles.corners == corners).all(axis=1).sum())
    said = (
        f"{n_can_cut:,} of {lattice.n_cells:,} tiles can be cut from"
        f" {cleaned(Path(catalogue).name)} too; {n_stay:,} stay"
    )
    return complete(
        plan.elevation,
        brief,
        plan.overlay,
        rules,
        refined,
        choice=plan.choice,
        owned=plan.owned,
        fixed=plan.fixed.joints,
        assumed=(*plan.assumed, said),
    )


def _beside(board: Board, cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mark the cells that adjoin others, (n,) bool."""
    beside = cells[board.neighbours] & (board.neighbours >= 0)
    return np.asarray(beside.any(axis=1), dtype=np.bool_)


def problem_of(plan: Plan) -> FitProblem:
    """Return what any board of a plan must keep to: tiles that were kept once may change."""
    return fit_problem(plan.rules, plan.fixed.joints)


def bound_of_any(plan: Plan) -> float:
    """Return what no board costs less than, be tiles kept or pieces owned or not."""
    is_of_any = plan.brief.keep.plan is None and plan.owned is None
    return plan.refined.bound if is_of_any else 0.0
