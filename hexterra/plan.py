"""The plan: the stages in order, on one screen, and everything they found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final, cast

import numpy as np

from hexterra.brief import Brief
from hexterra.catalogue import Catalogue, load_catalogue
from hexterra.errors import BriefError, CatalogueError
from hexterra.lattice.board import Board
from hexterra.owned import Owned, read_owned, stock_frame
from hexterra.proposal import LEAST_RELIEF_M
from hexterra.rounding import round_nearest
from hexterra.siting import site_board
from hexterra.stages.cliffs import mark_cliffs
from hexterra.stages.fit import Tiles, fit
from hexterra.stages.flow import Kind, Watercourses, flow
from hexterra.stages.gather import Heights, gather
from hexterra.stages.legalise import LegalLevels, legalise
from hexterra.stages.prices import PRESETS, Prices
from hexterra.stages.quantise import Levels, quantise
from hexterra.stages.refine import Refined, refine
from hexterra.stages.schedule import Schedule, schedule
from hexterra.tables import schedule_frame, tiles_frame
from hexterra.units import MM_PER_M, bench_mm_to_ground_m
from hexterra.values import Value

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from hexterra.elevation import Elevation

#: Steps that the relief of a board takes where the brief does not say: common practice, no source.
DEFAULT_STEPS: Final = 10
DEFAULT_LEVELS: Final = 8

#: Told the name of each stage as it begins.
Progress = Callable[[str], None]


def _silent(_: str) -> None:
    """Report nothing."""


@dataclass(frozen=True, eq=False, repr=False)
class Plan(Value):
    """A buildable board and how it came about.

    Each stage's value holds the one before it, so the whole chain is reachable: `fitted` (the
    tiles), `legal`, `water`, `levels`, `heights`, `board`; `tiles` and `schedule` are the same as
    tables.
    """

    elevation: Elevation
    brief: Brief
    refined: Refined
    pieces: Schedule
    owned: Owned | None
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
        """What the maker can cut."""
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
        return (*self._sunken(), *water, *self.fitted.notes, *self.pieces.notes)

    def _sunken(self) -> tuple[str, ...]:
        """Note cells whose ground lies below level 0 and could not go down with it."""
        n_sunken = int((self.levels.position < -0.5 - 1e-9).sum())
        if self.brief.heights.method != "even" or not n_sunken:
            return ()
        lowest_m = float(self.heights.mean_m.min())
        return (
            f"The ground of {n_sunken} of {self.board.n_cells} cells lies below level 0, down to"
            f" {lowest_m:.0f} m; they are wanted on level 0: lower datum_m to show them.",
        )

    @cached_property
    def tiles(self) -> pd.DataFrame:
        """One row per cell; the columns of ``tiles.csv``."""
        return tiles_frame(self.pieces)

    @cached_property
    def schedule(self) -> pd.DataFrame:
        """One row per distinct piece to make, with its count."""
        return schedule_frame(self.pieces)

    @cached_property
    def stock(self) -> pd.DataFrame | None:
        """Per piece: needed, owned, to cut, unused; None if the brief names no stock."""
        return None if self.owned is None else stock_frame(self.pieces, self.owned)

    def describe(self) -> str:
        """Say in a few lines what was planned, what was assumed, and what deserves a look."""
        board, tiles = self.board, self.fitted
        width_mm, depth_mm = board.size_mm
        step_mm = self.brief.heights.step_mm
        residual_m = self.fitted.residual_m
        n_cliffs = int(tiles.cliff.sum()) // 2
        n_marked = int(self.legal.cliff.sum()) // 2
        on_average = "" if self.brief.heights.method == "even" else " on average"
        lines = [
            self.brief.title,
            f"  table   {width_mm:.0f} x {depth_mm:.0f} mm, {board.columns} x {board.rows} cells of"
            f" {board.across_flats_mm:g} mm across flats, {board.facing} to the front,"
            f" {board.edges} edges",
            f"  ground  {bench_mm_to_ground_m(width_mm, board.scale) / 1000:.4g} x"
            f" {bench_mm_to_ground_m(depth_mm, board.scale) / 1000:.4g} km at"
            f" 1:{board.scale:,.0f}, middle {board.lat_deg:.5f}, {board.lon_deg:.5f},"
            f" bearing {board.bearing_deg:g}°",
            f"  height  steps of {step_mm:g} mm for {self.step_m:.4g} m{on_average},"
            f" {self.exaggeration:.3g} times true to scale; levels {tiles.level.min()} to"
            f" {tiles.corners.max()}, {tiles.corners.max() * step_mm:g} mm above level 0",
            f"  ramps   {int((self.legal.edit != 0).sum())} of {board.n_cells} levels moved to make"
            f" every slope cuttable, the least there is; {n_marked} sides marked as cliffs",
            f"  water   {self._water_line()}",
            f"  fit     within {self.refined.gap:.2%} of the best board for"
            f" {self.brief.fit.prefer}; {n_cliffs} step faces",
            f"  truth   built tops are {residual_m.mean():+.1f} m from the ground on average,"
            f" {np.sqrt(np.mean(np.square(residual_m))):.1f} m root mean square",
            f"  pieces  {self._piece_line()}",
        ]
        if self.stock is not None:
            totals = self.stock[["owned", "to_cut", "unused"]].sum()
            lines.append(
                f"  stock   {totals['owned']} pieces owned; {totals['to_cut']} to cut,"
                f" {totals['unused']} stay unused"
            )
        for heading, entries in (("Assumed", self.assumed), ("To note", self.notes)):
            if entries:
                lines += [f"{heading}:", *(f"  - {entry}" for entry in entries)]
        return "\n".join(lines)

    def _water_line(self) -> str:
        if self.water is None:
            return "not shown"
        kinds = np.bincount(self.water.kind, minlength=len(Kind))
        return (
            f"{int(self.water.is_watercourse.sum())} cells: {kinds[Kind.SPRING]} springs,"
            f" {kinds[Kind.CONFLUENCE]} confluences, {kinds[Kind.MOUTH]} mouths,"
            f" {kinds[Kind.POOL]} pools"
        )

    def _piece_line(self) -> str:
        by_kind = self.schedule.groupby("kind", sort=False)["count"].agg(["sum", "size"])
        return ", ".join(
            f"{row['sum']} {kind}s of {row['size']} kinds" for kind, row in by_kind.iterrows()
        )


def make_plan(
    elevation: Elevation, brief: Brief | None = None, *, progress: Progress = _silent
) -> Plan:
    """Turn ground into a plan that can be cut and laid out.

    Parameters
    ----------
    elevation
        The ground, from `read_elevation` or `invent`.
    brief
        What is wanted; ``Brief()`` by default.
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
    brief = brief or Brief()
    site = site_board(elevation, brief)
    progress("sampling the ground")
    heights = gather(
        elevation,
        site.board,
        minimum_coverage=brief.heights.minimum_coverage,
        below=brief.heights.below_coverage,
    )
    return plan_heights(elevation, heights, brief, assumed=site.assumed, progress=progress)


def plan_heights(
    elevation: Elevation,
    heights: Heights,
    brief: Brief,
    *,
    catalogue: Catalogue | None = None,
    owned: Owned | None = None,
    assumed: tuple[str, ...] = (),
    progress: Progress = _silent,
) -> Plan:
    """Plan a board whose ground heights are known already: the chain of `make_plan` after `gather`.

    This is the call to repeat while thresholds are tuned: ``plan_heights(plan.elevation,
    plan.heights, new_brief)`` samples nothing again. A `catalogue` or stock (`owned`) given here
    counts before the files that the brief names.

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
    metres_per_step, step_assumed = _metres_per_step(heights, board, brief)
    threshold_m2, water_assumed = _water_threshold(board, brief)
    catalogue = catalogue or load_catalogue(brief.catalogue)
    if owned is None and brief.stock.owned is not None:
        owned = read_owned(brief.stock.owned)

    progress("choosing levels")
    levels = quantise(
        heights,
        method=brief.heights.method,
        metres_per_step=metres_per_step,
        datum_m=brief.heights.datum_m,
        n_levels=_n_levels(brief),
        thresholds_m=brief.heights.thresholds_m,
    )
    progress("following the water")
    water = (
        flow(heights, threshold_m2=threshold_m2, pool_depth_m=brief.water.pool_depth_m)
        if brief.water.show
        else None
    )
    progress("making every slope cuttable")
    legal = legalise(
        levels,
        water=water,
        ramp_limit=brief.ramps.limit,
        cliffs=_cliffs(levels, board, brief),
        pins=tuple((_cell(board, name), level) for name, level in brief.ramps.pins.items()),
        measure=brief.ramps.measure,
    )
    can_face = _check_catalogue(catalogue, legal, brief)
    progress("fitting tiles")
    tiles = fit(legal, catalogue)
    progress("bettering the fit")
    may_face = legal.cliff if brief.fit.step_faces == "marked cliffs only" else can_face
    refined = refine(
        tiles,
        prices=_prices(brief, catalogue),
        effort=brief.fit.effort,
        roads=~(may_face | tiles.cliff),
        stock=None if owned is None else dict(owned.tiles),
        time_limit_s=brief.fit.time_limit_s,
    )
    progress("counting pieces")
    pieces = schedule(
        refined.tiles,
        step_mm=brief.heights.step_mm,
        stock_thickness_mm=brief.stock.spacer_mm,
        footings=brief.stock.footings,
        tall_stack_mm=brief.stock.tall_stack_mm,
    )
    return Plan(elevation, brief, refined, pieces, owned, (*assumed, *step_assumed, *water_assumed))


def _metres_per_step(heights: Heights, board: Board, brief: Brief) -> tuple[float, tuple[str, ...]]:
    """Settle the ground height of a step: given, from the exaggeration, or from the relief."""
    asked = brief.heights
    if asked.metres_per_step is not None:
        return asked.metres_per_step, ()
    if asked.exaggeration is not None:
        return asked.step_mm / MM_PER_M * board.scale / asked.exaggeration, ()
    relief_m = float(np.ptp(heights.mean_m))
    if relief_m < LEAST_RELIEF_M:
        metres = asked.step_mm / MM_PER_M * board.scale
        return metres, (f"heights.metres_per_step = {metres:g} (no relief: true to scale)",)
    metres = round_nearest(relief_m / DEFAULT_STEPS)
    why = f"relief of {relief_m:.0f} m in about {max(1, round(relief_m / metres))} steps"
    if asked.method != "even":
        why = "beyond the lowest and the highest threshold"
    return metres, (f"heights.metres_per_step = {metres:g} ({why})",)


def _n_levels(brief: Brief) -> int | None:
    """Levels for the methods that count them."""
    if brief.heights.method in ("quantile", "natural breaks"):
        return brief.heights.n_levels or DEFAULT_LEVELS
    return None


def _water_threshold(board: Board, brief: Brief) -> tuple[float, tuple[str, ...]]:
    """Settle the catchment that makes a watercourse.

    Without a word in the brief it grows with the side of the board, so that boards of any size
    carry about as many rivers across: common practice, no source.
    """
    if brief.water.threshold_km2 is not None:
        return brief.water.threshold_km2 * 1e6, ()
    n_cells = max(6, round(0.6 * board.n_cells**0.5))
    threshold_m2 = n_cells * float(board.area_m2.mean())
    if not brief.water.show:
        return threshold_m2, ()
    return threshold_m2, (
        f"water.threshold_km2 = {threshold_m2 / 1e6:.4g} (the ground of {n_cells} cells)",
    )


def _check_catalogue(catalogue: Catalogue, legal: LegalLevels, brief: Brief) -> NDArray[np.bool_]:
    """Refuse banks and marked cliffs that cannot be cut; return where a step face can be."""
    if brief.water.show and brief.water.banks not in catalogue.banks:
        raise CatalogueError(
            f"the brief asks for {brief.water.banks} banks, which the catalogue cannot cut;"
            f" it has {', '.join(catalogue.banks) or 'none'}",
            remedy="change water.banks in the brief, or banks in the catalogue",
            banks=brief.water.banks,
        )
    lattice = legal.levels.heights.lattice
    is_wet = (
        np.zeros(lattice.n_cells, dtype=bool)
        if legal.water is None
        else (legal.water.is_watercourse)
    )
    waterside = is_wet[:, None] | is_wet[lattice.neighbours] & (lattice.neighbours >= 0)
    can_face = np.where(waterside, "waterside" in catalogue.faces, "land" in catalogue.faces)
    refused = np.argwhere(legal.cliff & ~can_face)
    if len(refused):
        cell, side = refused[0]
        kind = "waterside" if waterside[cell, side] else "land"
        raise CatalogueError(
            f"{len(refused) // 2} marked cliffs need a {kind} face, which the catalogue does not"
            f" have, the first between {lattice.labels[cell]} and"
            f" {lattice.labels[lattice.neighbours[cell, side]]}",
            remedy="mark fewer cliffs (ramps.cliff_rise_steps), or add to faces in the catalogue",
            cell=int(cell),
            side=int(side),
        )
    return can_face


def _prices(brief: Brief, catalogue: Catalogue) -> Prices:
    """Take the prices of a preset, with those that the brief changes, and the maker's minutes."""
    known = {field.name for field in fields(Prices)} - {"effort"}
    unknown = sorted(set(brief.fit.prices) - known)
    if unknown:
        raise BriefError(
            f"fit.prices has no price named {unknown[0]!r}; there are {', '.join(sorted(known))}",
            remedy="correct or remove the name",
            keys=tuple(unknown),
        )
    timed = tuple((p.name, p.minutes) for p in catalogue.patterns if p.minutes is not None)
    return replace(PRESETS[brief.fit.prefer], **brief.fit.prices, effort=timed)


def _cliffs(levels: Levels, board: Board, brief: Brief) -> NDArray[np.bool_] | None:
    """Mark the sides that the brief's rule or its list makes cliffs."""
    if brief.ramps.cliff_rise_steps is None and not brief.ramps.cliffs:
        return None
    pairs = tuple((_cell(board, one), _cell(board, other)) for one, other in brief.ramps.cliffs)
    return mark_cliffs(levels, rise_steps=brief.ramps.cliff_rise_steps, pairs=pairs)


def _cell(board: Board, name: str) -> int:
    """Find a cell by its name."""
    try:
        return board.labels.index(name.upper())
    except ValueError:
        raise BriefError(
            f"the brief names the cell {name!r}, which this board does not have;"
            f" its cells run from {board.labels[0]} to {board.labels[-1]}",
            remedy="name cells by column letter and row number, counted from the front left",
            cell=name,
        ) from None
