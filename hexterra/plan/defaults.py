"""Defaults for what a brief leaves open, by board and ground; and what it names on the board."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.brief.sections import HeightsBrief
from hexterra.errors import BriefError, CatalogueError
from hexterra.place.proposal import LEAST_RELIEF_M
from hexterra.rounding import round_nearest
from hexterra.stages.levels.cliffs import mark_cliffs
from hexterra.stages.search.prices import PRESETS, Prices
from hexterra.units import MM_PER_M

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.brief.brief import Brief
    from hexterra.catalogue.catalogue import Catalogue
    from hexterra.lattice.board import Board
    from hexterra.stages.levels.legalise import LegalLevels
    from hexterra.stages.levels.quantise import Levels
    from hexterra.stages.sampling.gather import Heights

#: Steps that the relief of a board takes where the brief does not say: common practice, no source.
DEFAULT_STEPS: Final = 10
DEFAULT_LEVELS: Final = 8
#: Thickest spacer that is not asked for: common practice, no source.
MOST_SPACER_MM: Final = 60.0


def check_board(board: Board, brief: Brief) -> None:
    """Refuse heights of another board than the brief asks for.

    Raises
    ------
    BriefError
        If a key of [board] that the brief sets differs from the board.
    """
    for name in ("columns", "rows", "across_flats_mm", "facing", "edges", "scale", "bearing_deg"):
        asked, found = getattr(brief.board, name), getattr(board, name)
        if name in brief.board.model_fields_set and asked is not None and asked != found:
            raise BriefError(
                f"the brief has board.{name} = {asked!r}, but the heights are those of a board"
                f" with {found!r}",
                remedy="gather heights for that board first, or leave the [board] section as it"
                " was; make_plan does both",
                key=f"board.{name}",
            )


def metres_per_step_of(
    heights: Heights, board: Board, brief: Brief
) -> tuple[float, tuple[str, ...]]:
    """Return the ground height of a step: given, from the exaggeration, or from the relief.

    The last is what thresholds that lie unevenly need; `choose` finds a better one for even ones.
    """
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
    said = f"heights.metres_per_step = {metres:g} (beyond the lowest and the highest threshold)"
    return metres, (said,)


def spacers_of(brief: Brief) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """Return the thicknesses of spacers: given, or one, two and four steps up to 60 mm."""
    if brief.stock.spacer_mm is not None:
        return brief.stock.spacer_mm, ()
    step_mm = brief.heights.step_mm
    found = tuple(n * step_mm for n in (1, 2, 4) if n == 1 or n * step_mm <= MOST_SPACER_MM)
    if step_mm == HeightsBrief().step_mm:
        return found, ()
    listed = ", ".join(f"{thickness:g}" for thickness in found)
    return found, (f"stock.spacer_mm = [{listed}] (whole steps of {step_mm:g} mm)",)


def count_levels(brief: Brief) -> int | None:
    """Levels for the methods that count them."""
    if brief.heights.method in ("quantile", "natural breaks"):
        return brief.heights.n_levels or DEFAULT_LEVELS
    return None


def tops_within(catalogue: Catalogue, ramp_limit: int) -> Catalogue:
    """Leave out the tops that rise more steps than a ramp may."""
    gentle = tuple(p for p in catalogue.patterns if max(p.rises) <= ramp_limit)
    return replace(catalogue, patterns=gentle)


def where_faces_can_be(catalogue: Catalogue, legal: LegalLevels, brief: Brief) -> NDArray[np.bool_]:
    """Refuse banks, roads and marked cliffs that cannot be cut; return where a step face can be."""
    banks = {brief.water.banks, *(("upright",) if brief.rivers.upright else ())}
    if brief.water.show and (lacking := sorted(banks - set(catalogue.banks))):
        raise CatalogueError(
            f"the brief asks for {lacking[0]} banks, which the catalogue cannot cut;"
            f" it has {', '.join(catalogue.banks) or 'none'}",
            remedy="change water.banks or rivers.upright in the brief, or banks in the catalogue",
            banks=lacking[0],
        )
    if brief.roads.sunken and not catalogue.roads:
        raise CatalogueError(
            f"the brief wants the roads {', '.join(brief.roads.sunken)} sunken, and the catalogue"
            " has no sunken roads",
            remedy="leave roads.sunken out of the brief, or add [roads] to the catalogue",
            sunken=brief.roads.sunken,
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


def prices_of(brief: Brief, catalogue: Catalogue) -> Prices:
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


def cliffs_of(
    levels: Levels, board: Board, brief: Brief, rise_steps: float | None
) -> NDArray[np.bool_] | None:
    """Mark the sides that rise so many steps, and those that the brief lists as cliffs."""
    if rise_steps is None and not brief.ramps.cliffs:
        return None
    pairs = tuple(
        (find_cell(board, one), find_cell(board, other)) for one, other in brief.ramps.cliffs
    )
    return mark_cliffs(levels, rise_steps=rise_steps, pairs=pairs)


def pins_of(board: Board, brief: Brief) -> dict[int, int]:
    """Find the cells whose level the brief fixes: the rim, where it is to be flush, and pins.

    Raises
    ------
    BriefError
        If a pin names a cell that the board does not have.
    """
    rim_level = brief.fit.rim_level
    rim = np.flatnonzero(board.is_rim).tolist() if rim_level is not None else []
    fixed = dict.fromkeys(rim, rim_level or 0)
    return fixed | {find_cell(board, name): level for name, level in brief.ramps.pins.items()}


def rim_profile(board: Board, brief: Brief) -> tuple[tuple[int, int], ...]:
    """Fix the corners along the rim, where it is to be flush: corner and height in steps."""
    rim_level = brief.fit.rim_level
    if rim_level is None:
        return ()
    is_open = board.neighbours < 0
    ends = np.unique(
        np.concatenate((board.corner_of[is_open], np.roll(board.corner_of, -1, axis=1)[is_open]))
    )
    return tuple((corner, rim_level) for corner in ends.tolist())


def find_cell(board: Board, name: str) -> int:
    """Find a cell by its name."""
    try:
        return board.labels.index(name.upper())
    except ValueError:
        raise BriefError(
            f"the board has no cell {name!r}; its cells run from {board.labels[0]} to"
            f" {board.labels[-1]}",
            remedy="name cells by column letter and row number, counted from the front left",
            cell=name,
        ) from None
