"""From an elevation and a brief to a plan: the stages in order, on one screen.

    read_inputs ─▶ gather ─▶ drape ─▶ choose ─▶ legal_levels ─▶ rules_for ─▶ fit_problem ─▶ solve
                                                                                     └─▶ complete

`make_plan` runs all of it, `plan_heights` from `drape` or `choose` on. A plan keeps the value
of every stage, so `edit`, `share` and reopening enter the same chain where they need it, and no
stage runs twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np

from hexterra.arguments import checked
from hexterra.brief.brief import Brief
from hexterra.errors import GridMismatchError, InfeasibleError
from hexterra.inputs.inputs import Inputs, read_inputs
from hexterra.place.siting import Site, site_board
from hexterra.plan.choice import Choice, choose
from hexterra.plan.defaults import check_board, pins_of, spacers_of
from hexterra.plan.fit_problem import evaluate_board, fit_problem, solve, stock_of
from hexterra.plan.fixed_tiles import FixedTiles, fix_tiles
from hexterra.plan.overlay import Overlay, drape
from hexterra.plan.plan import Plan
from hexterra.plan.rules import Rules, legal_levels, rules_for
from hexterra.progress import Progress, silent
from hexterra.stages.sampling.gather import Heights, gather
from hexterra.stages.schedule.schedule import schedule
from hexterra.stages.search.refined import Refined

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation
    from hexterra.inputs.owned_pieces import OwnedPieces
    from hexterra.lattice.board import Board


@checked
def make_plan(
    elevation: Elevation,
    brief: Brief | None = None,
    *,
    trust_sources: bool = False,
    progress: Progress = silent,
) -> Plan:
    """Turn ground into a plan that can be cut and laid out.

    Parameters
    ----------
    elevation
        The ground, from `read_elevation` or `invent`.
    brief
        What is wanted; ``Brief()`` by default.
    trust_sources
        Whether the maps that the brief names may lead elsewhere; see `read_elevation`.
    progress
        Called with a few words as each stage begins.

    Returns
    -------
    Plan
        Every tile is in the catalogue, every seam closed but for the listed cliffs, and water
        never runs uphill.

    Raises
    ------
    HexterraError
        See `read_inputs`, `site_board`, `gather` and `plan_heights`.
    """
    inputs = read_inputs(
        brief or Brief(), lambda filled: site_board(elevation, filled), trust_sources=trust_sources
    )
    asked = inputs.brief.heights
    progress("sampling the ground")
    heights = gather(
        elevation,
        inputs.board,
        minimum_coverage=asked.minimum_coverage,
        below=asked.below_coverage,
    )
    overlay = drape(elevation, heights, inputs.brief, inputs.maps, progress=progress)
    return _plan(elevation, heights, overlay, inputs, progress)


@checked
def plan_heights(
    elevation: Elevation,
    heights: Heights,
    brief: Brief,
    *,
    overlay: Overlay | None = None,
    trust_sources: bool = False,
    progress: Progress = silent,
) -> Plan:
    """Plan a board whose ground heights are known already: the chain of `make_plan` after `gather`.

    This is the call to repeat while thresholds are tuned: ``plan_heights(plan.elevation,
    plan.heights, new_brief, overlay=plan.overlay)`` samples nothing again. Without `overlay`, water
    and maps are found for the heights once more.

    Raises
    ------
    GridMismatchError
        If the heights were gathered from a raster of another place or pixel grid.
    BriefError
        If the overlay was made from other heights or with other keys, the brief names a cell that
        the board does not have, or thresholds that make no sense.
    InfeasibleError
        If pins, ramp limits and falling water contradict each other.
    CatalogueError
        If the catalogue lacks what the board needs.
    StockError
        If a stack cannot be made of the stocked thicknesses.
    """
    board = cast("Board", heights.lattice)
    check_board(board, brief)
    if heights.grid and heights.grid != elevation.grid_digest:
        raise GridMismatchError(
            f"the heights were not gathered from {elevation.name!r}: its pixels lie elsewhere",
            remedy="give the elevation that they were gathered from, or gather them again",
            elevation=elevation.name,
        )
    inputs = read_inputs(
        brief,
        lambda _: Site(board, ()),
        has_maps=overlay is None,
        trust_sources=trust_sources,
    )
    if overlay is None:
        overlay = drape(elevation, heights, inputs.brief, inputs.maps, progress=progress)
    overlay.check_made_from(heights, inputs.brief)
    return _plan(elevation, heights, overlay, inputs, progress)


def _plan(
    elevation: Elevation,
    heights: Heights,
    overlay: Overlay,
    inputs: Inputs,
    progress: Progress,
) -> Plan:
    """Run the chain from levels to pieces."""
    brief, board, stock = inputs.brief, inputs.board, stock_of(inputs.owned)
    board = cast("Board", heights.lattice)
    progress("choosing step, ramps and cliffs")
    choice = choose(heights, overlay, brief, inputs.catalogue)
    chosen, metres_per_step = choice.chosen, choice.chosen.metres_per_step
    fixed = fix_tiles(brief, board, metres_per_step, inputs.kept, inputs.joined)

    def rules_from(datum_m: float) -> Rules:
        legal = legal_levels(
            heights,
            overlay,
            brief,
            metres_per_step=metres_per_step,
            datum_m=datum_m,
            ramp_limit=chosen.ramp_limit,
            cliff_rise_steps=chosen.cliff_rise_steps,
            progress=progress,
        )
        return rules_for(legal, overlay, brief, inputs.catalogue, progress=progress)

    rules = rules_from(chosen.datum_m)
    progress("optimising the fit")
    problem = fit_problem(rules, fixed)
    refined = solve(problem, brief, stock)
    lowest = int(refined.tiles.level.min())
    is_free = brief.heights.datum_m is None and brief.heights.method == "even"
    if lowest and is_free and not pins_of(board, brief) and not fixed.is_kept.any():
        # Nobody asked for steps below the whole board; they would be spacers under every tile.
        rules = rules_from(rules.legal.levels.datum_m + lowest * metres_per_step)
        # Its levels are among those searched, so the bound holds if it allows the same otherwise.
        lowered = fit_problem(rules, fixed)
        bound = refined.bound if lowered.allows_same(problem) else 0.0
        try:
            refined = evaluate_board(
                lowered,
                refined.tiles.corners - np.int32(lowest),
                brief,
                stock,
                bound=bound,
                start_cost=refined.start_cost,
                stopped=refined.stopped,
                spent_on_kinds=refined.spent_on_kinds,
                least_kinds=refined.least_kinds,
            )
        except InfeasibleError:  # of equally good levels others were taken, and their steep ramps
            refined = solve(lowered, brief, stock)
    progress("counting pieces")
    return complete(
        elevation,
        brief,
        overlay,
        rules,
        refined,
        choice=choice,
        owned=inputs.owned,
        fixed=fixed,
        assumed=(
            *elevation.assumed,
            *inputs.assumed,
            *choice.assumed,
            *spacers_of(brief)[1],
            *overlay.assumed,
            *fixed.assumed,
        ),
    )


def complete(
    elevation: Elevation,
    brief: Brief,
    overlay: Overlay,
    rules: Rules,
    refined: Refined,
    *,
    choice: Choice,
    owned: OwnedPieces | None,
    fixed: FixedTiles,
    assumed: tuple[str, ...],
) -> Plan:
    """Count the pieces of a board, however its tiles were found; the end of every chain.

    Raises
    ------
    StockError
        If a stack cannot be made of the stocked thicknesses.
    """
    pieces = schedule(
        refined.tiles,
        step_mm=brief.heights.step_mm,
        stock_thickness_mm=spacers_of(brief)[0],
        footings=brief.stock.footings,
        tall_stack_mm=brief.stock.tall_stack_mm,
    )
    return Plan(elevation, brief, overlay, rules, refined, pieces, choice, owned, fixed, assumed)
