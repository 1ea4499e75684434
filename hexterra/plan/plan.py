"""The plan: the stages in order, on one screen, and everything they found."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, cast

import numpy as np

from hexterra.brief.brief import Brief
from hexterra.catalogue.catalogue import Catalogue
from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.lattice.board import Board
from hexterra.place.siting import site_board
from hexterra.plan.defaults import check_board, pins_of, settle_step, tops_within
from hexterra.plan.fit_problem import look, prepare
from hexterra.plan.fixed_tiles import Held, hold, take_over
from hexterra.plan.overlay import Overlay, lay_over
from hexterra.plan.owned_pieces import Owned, read_owned, stock_frame
from hexterra.plan.summary import describe_plan
from hexterra.plan.tables import schedule_frame, tiles_frame
from hexterra.progress import Progress, silent
from hexterra.stages.levels.legalise import LegalLevels
from hexterra.stages.levels.quantise import Levels
from hexterra.stages.sampling.gather import Heights, gather
from hexterra.stages.schedule.schedule import Schedule, schedule
from hexterra.stages.search.refine import Refined
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.water.flow import Watercourses
from hexterra.units import MM_PER_M
from hexterra.values import Value

if TYPE_CHECKING:
    import pandas as pd

    from hexterra.elevation.elevation import Elevation
    from hexterra.stages.mapping.cover import Cover
    from hexterra.stages.mapping.ways import Ways


@dataclass(frozen=True, eq=False, repr=False)
class Plan(Value):
    """A buildable board and how it came about.

    Each stage's value holds the one before it, so the whole chain is reachable: `fitted` (the
    tiles), `legal`, `levels`, `heights`, `board`; `overlay` holds water, roads and cover; `tiles`
    and `schedule` are the same as tables.
    """

    elevation: Elevation
    brief: Brief
    overlay: Overlay
    refined: Refined
    pieces: Schedule
    owned: Owned | None
    held: Held
    assumed: tuple[str, ...]

    @property
    def fitted(self) -> Tiles:
        """The tile of every cell."""
        return self.pieces.tiles

    @property
    def legal(self) -> LegalLevels:
        """Levels that can be built."""
        return self.fitted.legal

    @property
    def water(self) -> Watercourses | None:
        """Where water runs; None if the brief shows none."""
        return self.legal.water

    @property
    def roads(self) -> Ways | None:
        """Roads of the brief's map; None if it names none."""
        return self.overlay.roads

    @property
    def cover(self) -> Cover | None:
        """Woods, lakes, built-up ground and the like; None if there are none."""
        return self.overlay.cover

    @property
    def levels(self) -> Levels:
        """Levels as the thresholds give them."""
        return self.legal.levels

    @property
    def heights(self) -> Heights:
        """Ground heights of the cells."""
        return self.levels.heights

    @property
    def board(self) -> Board:
        """The lattice of the board, cells that were left out excluded."""
        return cast("Board", self.heights.lattice)

    @property
    def catalogue(self) -> Catalogue:
        """What the maker can cut, of it the tops that rise no more than a ramp may."""
        return self.fitted.catalogue

    @property
    def step_m(self) -> float:
        """Ground height of a step, in metres: the mean between thresholds that lie unevenly."""
        thresholds_m = self.levels.thresholds_m
        if self.brief.heights.method == "even" or len(thresholds_m) < 2:
            return self.levels.metres_per_step
        return float(np.ptp(thresholds_m)) / (len(thresholds_m) - 1)

    @property
    def exaggeration(self) -> float:
        """How many times taller than true to scale the board is built, by its mean step."""
        true_mm = self.step_m * MM_PER_M / self.board.scale
        return self.brief.heights.step_mm / true_mm

    @property
    def notes(self) -> tuple[str, ...]:
        """What was changed, dropped or deserves a look, in sentences."""
        water = self.water.notes if self.water is not None else ()
        return (
            *self._sunken(),
            *self.overlay.notes,
            *water,
            *self._cut_short(),
            *self.fitted.notes,
            *self._open_joints(),
            *self._broken_roads(),
            *self.pieces.cuts.notes,
            *self.pieces.notes,
        )

    def _cut_short(self) -> tuple[str, ...]:
        """Note a search that did not come to its end."""
        if not self.refined.stopped:
            return ()
        how = "was interrupted" if self.refined.stopped == "interrupted" else "ran out of time"
        return (f"The search for the best tiles {how}; this is the best board found until then.",)

    def _open_joints(self) -> tuple[str, ...]:
        """Note the cells whose tops do not meet those of a board that joins."""
        board, held, corners = self.board, self.held, self.fitted.corners
        wanted = np.where(held.is_joined[:, None], held.corners, corners)
        for corner, height in held.profile:
            wanted[board.corner_of == corner] = height
        apart = [board.labels[cell] for cell in np.flatnonzero((wanted != corners).any(axis=1))]
        if not apart:
            return ()
        said = f"Tops do not meet those of the board that joins at {', '.join(apart)}."
        if self.brief.fit.step_faces == "marked cliffs only":
            said += ' With fit.step_faces = "where they pay" more of them may.'
        return (said,)

    def _broken_roads(self) -> tuple[str, ...]:
        """Note step faces across roads, which no change of the tops could close."""
        board, is_broken = self.board, self.overlay.road_sides & self.fitted.cliff
        return tuple(
            f"A road meets a step face between {board.labels[cell]} and"
            f" {board.labels[board.neighbours[cell, side]]}: build a ramp or steps there."
            for cell, side in np.argwhere(is_broken).tolist()
            if cell < board.neighbours[cell, side]
        )

    def _sunken(self) -> tuple[str, ...]:
        """Note cells whose ground lies below the level 0 that was asked for."""
        n_sunken = int((self.levels.position < -0.5 - 1e-9).sum())
        asked = self.brief.heights
        if asked.method != "even" or asked.datum_m is None or not n_sunken:
            return ()
        lowest_m = float(self.heights.mean_m.min())
        return (
            f"The ground of {n_sunken:,} of {self.board.n_cells:,} cells lies below level 0, down"
            f" to {lowest_m:,.0f} m; they are wanted on level 0: lower datum_m to show them.",
        )

    @cached_property
    def tiles(self) -> pd.DataFrame:
        """One row per cell; the columns of ``tiles.csv``."""
        return tiles_frame(self.pieces, self.overlay)

    @cached_property
    def schedule(self) -> pd.DataFrame:
        """One row per distinct piece to make, with its count, then per job of finishing."""
        return schedule_frame(self.pieces, self.overlay)

    @cached_property
    def stock(self) -> pd.DataFrame | None:
        """Per piece: needed, owned, to cut, unused; None if the brief names no stock."""
        return None if self.owned is None else stock_frame(self.pieces, self.owned)

    def describe(self) -> str:
        """Say in a few lines what was planned, what was assumed, and what deserves a look."""
        return describe_plan(self)


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
        See `site_board`, `gather` and `plan_heights`.
    """
    brief, taken = take_over(brief or Brief())
    site = site_board(elevation, brief)
    progress("sampling the ground")
    heights = gather(
        elevation,
        site.board,
        minimum_coverage=brief.heights.minimum_coverage,
        below=brief.heights.below_coverage,
    )
    return plan_heights(
        elevation,
        heights,
        brief,
        assumed=(*taken, *site.assumed),
        trust_sources=trust_sources,
        progress=progress,
    )


def plan_heights(
    elevation: Elevation,
    heights: Heights,
    brief: Brief,
    *,
    overlay: Overlay | None = None,
    held: Held | None = None,
    catalogue: Catalogue | None = None,
    owned: Owned | None = None,
    assumed: tuple[str, ...] = (),
    trust_sources: bool = False,
    progress: Progress = silent,
) -> Plan:
    """Plan a board whose ground heights are known already: the chain of `make_plan` after `gather`.

    This is the call to repeat while thresholds are tuned: ``plan_heights(plan.elevation,
    plan.heights, new_brief, overlay=plan.overlay)`` samples nothing again. Without `overlay`, water
    and maps are laid over the heights anew. A `catalogue`, stock (`owned`) or `held` given here
    count before the files and folders that the brief names.

    Raises
    ------
    BriefError
        If the brief names a cell that the board does not have, or thresholds that make no sense.
    InfeasibleError
        If pins, ramp limits and falling water contradict each other.
    CatalogueError
        If the catalogue lacks what the board needs.
    StockError
        If a stack cannot be made of the stocked thicknesses.
    """
    board = cast("Board", heights.lattice)
    check_board(board, brief)
    brief, taken = take_over(brief)
    metres_per_step, step_assumed = settle_step(heights, board, brief)
    held = held or hold(brief, board, metres_per_step)
    catalogue = tops_within(catalogue or load_catalogue(brief.catalogue), brief.ramps.limit)
    if owned is None and brief.stock.owned is not None:
        owned = read_owned(brief.stock.owned)

    overlay = overlay or lay_over(
        elevation, heights, brief, trust_sources=trust_sources, progress=progress
    )

    def refined_from(datum_m: float | None) -> Refined:
        asked = prepare(
            heights, overlay, brief, catalogue, held=held, datum_m=datum_m, progress=progress
        )
        progress("bettering the fit")
        return look(asked, brief, None if owned is None else dict(owned.tiles))

    refined = refined_from(brief.heights.datum_m)
    lowest = int(refined.tiles.level.min())
    is_free = brief.heights.datum_m is None and brief.heights.method == "even"
    is_free &= not pins_of(board, brief) and not held.is_kept.any()
    if lowest and is_free and refined.stopped != "interrupted":
        # Nobody asked for steps below the whole board; they would be spacers under every tile.
        datum_m = refined.tiles.legal.levels.datum_m
        refined = refined_from(datum_m + lowest * metres_per_step)
    progress("counting pieces")
    settled = (*taken, *step_assumed, *overlay.assumed, *held.assumed)
    assumed = (*elevation.assumed, *assumed, *settled)
    return complete(elevation, brief, overlay, refined, owned=owned, held=held, assumed=assumed)


def complete(
    elevation: Elevation,
    brief: Brief,
    overlay: Overlay,
    refined: Refined,
    *,
    owned: Owned | None,
    held: Held,
    assumed: tuple[str, ...],
) -> Plan:
    """Count the pieces of a board, however its tiles were found; the end of every chain.

    Raises
    ------
    StockError
        If a stack cannot be made of the stocked thicknesses.
    """
    tiles = refined.tiles
    pieces = schedule(
        tiles,
        step_mm=brief.heights.step_mm,
        stock_thickness_mm=brief.stock.spacer_mm,
        footings=brief.stock.footings,
        tall_stack_mm=brief.stock.tall_stack_mm,
    )
    return Plan(elevation, brief, overlay, refined, pieces, owned, held, assumed)
