"""The plan: everything that the stages found, and what follows from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, cast

import numpy as np

from hexterra.brief.brief import Brief
from hexterra.catalogue.catalogue import Catalogue
from hexterra.fidelity.fidelity import Fidelity, measure
from hexterra.inputs.owned_pieces import OwnedPieces, stock_frame
from hexterra.lattice.board import Board
from hexterra.plan.choice import Choice
from hexterra.plan.fixed_tiles import FixedTiles
from hexterra.plan.overlay import Overlay
from hexterra.plan.rules import Rules
from hexterra.plan.summary import cautions, plan_facts
from hexterra.plan.tables import schedule_frame, tiles_frame
from hexterra.stages.levels.legalise import LegalLevels
from hexterra.stages.levels.quantise import Levels
from hexterra.stages.sampling.gather import Heights
from hexterra.stages.schedule.schedule import Schedule
from hexterra.stages.search.refined import Refined
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
    rules: Rules
    refined: Refined
    pieces: Schedule
    choice: Choice
    owned: OwnedPieces | None
    fixed: FixedTiles
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

    @cached_property
    def fidelity(self) -> Fidelity:
        """How true the board is to the ground; measured the first time that it is asked for.

        What needs the raster is None in a plan that was opened again and then changed: only the
        heights of its cells are at hand.
        """
        return measure(
            self.fitted,
            self.elevation if self.elevation.source.is_at_hand else None,
            self.brief.fidelity,
            step_m=self.step_m,
            water=self.water,
        )

    def with_fidelity(self, measured: Fidelity | None) -> Plan:
        """Return this plan with what was measured earlier, when its raster was at hand."""
        plan = replace(self)
        if measured is not None and measured.is_of(self.fitted):
            vars(plan)["fidelity"] = measured  # as if it had been asked for already
        return plan

    @property
    def notes(self) -> tuple[str, ...]:
        """What was changed, dropped or deserves a look, in sentences."""
        water = self.water.notes if self.water is not None else ()
        return (
            *self._sunken(),
            *self._cautions,
            *self.overlay.notes,
            *water,
            *self._cut_short(),
            *self.fitted.notes,
            *self._open_joints(),
            *self._broken_roads(),
            *self.pieces.cuts.notes,
            *self.pieces.notes,
        )

    @cached_property
    def _cautions(self) -> tuple[str, ...]:
        return cautions(self.pieces, self.step_m)

    @property
    def advice(self) -> tuple[str, ...]:
        """The changes of the brief that would help most, each with its effect, in sentences."""
        return self.choice.advice

    def _cut_short(self) -> tuple[str, ...]:
        """Note a search that did not come to its end."""
        if not self.refined.stopped:
            return ()
        how = "was interrupted" if self.refined.stopped == "interrupted" else "ran out of time"
        return (f"The search for the best tiles {how}; this is the best board found until then.",)

    def _open_joints(self) -> tuple[str, ...]:
        """Note the cells whose tops do not meet those of a board that joins."""
        board, fixed, corners = self.board, self.fixed, self.fitted.corners
        wanted = np.where(fixed.is_joined[:, None], fixed.corners, corners)
        for corner, height in fixed.profile:
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

    @property
    def tiles(self) -> pd.DataFrame:
        """One row per cell; the columns of ``tiles.csv``. A copy: the plan stays as it is."""
        return self._tiles.copy()

    @property
    def schedule(self) -> pd.DataFrame:
        """One row per distinct piece to make, with its count, then per job of finishing; a copy."""
        return self._schedule.copy()

    @property
    def stock(self) -> pd.DataFrame | None:
        """Per piece: needed, owned, to cut, unused; None if the brief names no stock."""
        return None if self.owned is None else stock_frame(self.pieces, self.owned)

    @cached_property
    def _tiles(self) -> pd.DataFrame:
        return tiles_frame(self.pieces, self.overlay)

    @cached_property
    def _schedule(self) -> pd.DataFrame:
        return schedule_frame(self.pieces, self.overlay)

    def describe(self) -> str:
        """Say in a few lines what was planned, what was assumed, and what deserves a look."""
        lines = [self.brief.title]
        facts = plan_facts(
            self.brief,
            self.overlay,
            self.refined,
            self.pieces,
            step_m=self.step_m,
            exaggeration=self.exaggeration,
            fidelity=self.fidelity,
            stock=self.stock,
        )
        lines += [f"  {heading:<7} {words}" for heading, words in facts.items()]
        for heading, entries in (
            ("Assumed", self.assumed),
            ("To note", self.notes),
            ("Advice", self.advice),
        ):
            if entries:
                lines += [f"{heading}:", *(f"  - {entry}" for entry in entries)]
        return "\n".join(lines)
