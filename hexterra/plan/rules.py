"""Heights, overlay, brief -> Rules: the stages up to `fit`, and what a brief allows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from hexterra.plan.defaults import (
    cliffs_of,
    count_levels,
    pins_of,
    prices_of,
    rim_profile,
    tops_within,
    where_faces_can_be,
)
from hexterra.progress import Progress, silent
from hexterra.stages.levels.legalise import LegalLevels, legalise
from hexterra.stages.levels.quantise import at_water_level, quantise
from hexterra.stages.search.prices import Prices
from hexterra.stages.tiles.cuts import Cuts, cuts
from hexterra.stages.tiles.fit import Tiles, fit
from hexterra.values import Value, readonly

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from hexterra.brief.brief import Brief
    from hexterra.catalogue.catalogue import Catalogue
    from hexterra.lattice.board import Board
    from hexterra.plan.overlay import Overlay
    from hexterra.stages.sampling.gather import Heights


@dataclass(frozen=True, eq=False, repr=False)
class Rules(Value):
    """A legal board, and what a brief allows of any other on the same levels.

    Parameters
    ----------
    legal
        Levels that can be built, from `legalise`.
    fitted
        The tiles that `fit` chose; n is their number.
    prices
        What faults cost.
    can_face
        Sides where a step face can be cut, (n, 6) bool, symmetric: none across a road. Those that
        `fitted` could not close are among them.
    may_face
        Sides where the brief allows one, (n, 6) bool, symmetric.
    profile
        Lattice corners along the rim and the height in steps that all tiles must have there.
    """

    legal: LegalLevels
    fitted: Tiles
    prices: Prices
    can_face: NDArray[np.bool_]
    may_face: NDArray[np.bool_]
    profile: tuple[tuple[int, int], ...]

    def __post_init__(self) -> None:
        n = self.fitted.lattice.n_cells
        for name in ("can_face", "may_face"):
            array = readonly(getattr(self, name), dtype=bool, shape=(n, 6), name=name)
            object.__setattr__(self, name, array)


def legal_levels(
    heights: Heights,
    overlay: Overlay,
    brief: Brief,
    *,
    metres_per_step: float,
    datum_m: float | None,
    ramp_limit: int,
    cliff_rise_steps: float | None,
    progress: Progress = silent,
) -> LegalLevels:
    """Run the stages from `quantise` to `legalise` as a brief wants them.

    Parameters
    ----------
    heights, overlay
        The ground, and what lies on it.
    brief
        What is wanted.
    metres_per_step
        Ground height of a step.
    datum_m
        Ground height of level 0, in metres; None takes that of the lowest cell.
    ramp_limit
        Steps that a ramp may rise.
    cliff_rise_steps
        Rise from which a side stays a cliff; None for no cliffs but those that the brief lists.
    progress
        Called with a few words as each stage begins.

    Raises
    ------
    BriefError, InfeasibleError
        See `quantise` and `legalise`.
    """
    board = cast("Board", heights.lattice)
    progress("choosing levels")
    levels = quantise(
        heights,
        method=brief.heights.method,
        metres_per_step=metres_per_step,
        datum_m=datum_m,
        n_levels=count_levels(brief),
        thresholds_m=brief.heights.thresholds_m,
    )
    if overlay.water is not None:
        levels = at_water_level(levels, overlay.water.standing)
    progress("making every slope cuttable")
    cliffs = cliffs_of(levels, board, brief, cliff_rise_steps)
    return legalise(
        levels,
        water=overlay.water,
        ramp_limit=ramp_limit,
        cliffs=None if cliffs is None else cliffs & ~overlay.road_sides,
        pins=pins_of(board, brief).items(),
        measure=brief.ramps.measure,
    )


def cuts_for(overlay: Overlay, brief: Brief, catalogue: Catalogue) -> Cuts:
    """Find what the overlay has cut into the tops."""
    return cuts(
        overlay.lattice,
        catalogue,
        overlay.water,
        width=overlay.width,
        upright=overlay.upright,
        roads=overlay.roads,
        sunken=brief.roads.sunken,
    )


def rules_for(
    legal: LegalLevels,
    overlay: Overlay,
    brief: Brief,
    catalogue: Catalogue,
    *,
    progress: Progress = silent,
) -> Rules:
    """Fit tiles to legal levels, and find what the brief allows.

    Raises
    ------
    CatalogueError
        If the catalogue lacks what the board needs.
    """
    catalogue = tops_within(catalogue, int(legal.limit.max()))
    can_face = where_faces_can_be(catalogue, legal, brief)
    progress("fitting tiles")
    fitted = fit(legal, catalogue, cuts=cuts_for(overlay, brief, catalogue))
    by_brief = legal.cliff if brief.fit.step_faces == "marked cliffs only" else can_face
    may_stand = ~overlay.road_sides
    if overlay.water is not None and overlay.water.standing is not None:
        may_stand &= ~overlay.water.standing.joins
    return Rules(
        legal=legal,
        fitted=fitted,
        prices=prices_of(brief, catalogue),
        can_face=can_face & may_stand | fitted.cliff,
        may_face=by_brief & may_stand,
        profile=rim_profile(overlay.lattice, brief),
    )
