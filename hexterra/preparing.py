"""Heights, overlay, brief -> what `refine` is asked: the stages up to `fit`, and what holds fast.

`plan` runs them to look for the best board; a plan that is opened again runs them to judge the
board that it holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np

from hexterra.progress import Progress, silent
from hexterra.settling import (
    cliffs_of,
    count_levels,
    pins_of,
    prices_of,
    rim_profile,
    settle_step,
    where_faces_can_be,
)
from hexterra.stages.fit import Tiles, fit
from hexterra.stages.legalise import legalise
from hexterra.stages.prices import Prices
from hexterra.stages.quantise import quantise
from hexterra.values import Value, readonly

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.brief import Brief
    from hexterra.catalogue import Catalogue
    from hexterra.lattice.board import Board
    from hexterra.overlay import Overlay
    from hexterra.stages.gather import Heights


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
    profile
        Lattice corners and the height in steps that all tiles must have there.
    """

    start: Tiles
    prices: Prices
    can_face: NDArray[np.bool_]
    may_face: NDArray[np.bool_]
    profile: tuple[tuple[int, int], ...]

    def __post_init__(self) -> None:
        for name in ("can_face", "may_face"):
            shape = (self.start.lattice.n_cells, 6)
            held = readonly(getattr(self, name), dtype=np.bool_, shape=shape, name=name)
            object.__setattr__(self, name, held)


def prepare(
    heights: Heights,
    overlay: Overlay,
    brief: Brief,
    catalogue: Catalogue,
    *,
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
    start = fit(legal, catalogue)
    by_brief = legal.cliff if brief.fit.step_faces == "marked cliffs only" else can_face
    off_roads = ~overlay.road_sides
    return Prepared(
        start=start,
        prices=prices_of(brief, catalogue),
        can_face=can_face & off_roads | start.cliff,
        may_face=by_brief & off_roads | start.cliff,
        profile=rim_profile(board, brief),
    )
