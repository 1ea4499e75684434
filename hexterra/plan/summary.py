"""A plan in a few lines of text, and what a maker may not expect of its board."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.fidelity.landforms import find_summits
from hexterra.stages.water.flow import WaterKind
from hexterra.units import bench_mm_to_ground_m

if TYPE_CHECKING:
    import pandas as pd

    from hexterra.brief.brief import Brief
    from hexterra.fidelity.fidelity import Fidelity
    from hexterra.plan.overlay import Overlay
    from hexterra.stages.levels.legalise import LegalLevels
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.stages.search.refined import Refined


#: Share of the cells from which flattened levels are noted; and of wet cells and kinds of tiles.
FLATTENED: Final = 0.05
MANY: Final = 0.2


def plan_facts(
    brief: Brief,
    overlay: Overlay,
    refined: Refined,
    pieces: Schedule,
    *,
    step_m: float,
    exaggeration: float,
    fidelity: Fidelity,
    stock: pd.DataFrame | None,
) -> dict[str, str]:
    """Say what was planned: a heading and a line of words for each subject.

    Parameters
    ----------
    brief, overlay, refined, pieces, step_m, exaggeration, fidelity, stock
        As of a `Plan`.
    """
    board, tiles, legal = pieces.board, refined.tiles, refined.tiles.legal
    width_mm, depth_mm = board.size_mm
    ground_km = [bench_mm_to_ground_m(size, board.scale) / 1000 for size in board.size_mm]
    step_mm = brief.heights.step_mm
    on_average = "" if brief.heights.method == "even" else " on average"
    aim = "a balance" if brief.fit.prefer == "balanced" else brief.fit.prefer
    of_all = f"for {aim} on levels {legal.lower} to {legal.upper}"
    near = f"within {max(refined.gap, 1e-4):.2%} of the best board {of_all}"
    if refined.gap < 1e-9:
        near = f"the best board there is {of_all}"
    if refined.cost > 0.0 and not refined.bound:
        near = "not compared with the best board there is"
    facts = {
        "table": f"{width_mm:,.0f} x {depth_mm:,.0f} mm, {board.columns:,} x {board.rows:,} cells"
        f" of {board.across_flats_mm:g} mm across flats, {board.facing} to the front,"
        f" {board.edges} edges",
        "ground": f"{ground_km[0]:,.4g} x {ground_km[1]:,.4g} km at 1:{board.scale:,.0f}, middle"
        f" {board.lat_deg:z.5f}, {board.lon_deg:z.5f}, bearing {board.bearing_deg:g}°",
        "height": f"steps of {step_mm:g} mm for {step_m:,.4g} m{on_average},"
        f" {exaggeration:.3g} times true to scale; levels {tiles.level.min()} to"
        f" {tiles.corners.max()}, {tiles.corners.max() * step_mm:,g} mm above level 0",
        "ramps": f"{_nearness(legal)}; {_count(int(legal.cliff.sum()) // 2, 'marked cliff')}",
        "water": _water(overlay),
        "fit": f"{near}{_spared(refined)}; {_count(int(tiles.cliff.sum()) // 2, 'step face')}",
        "truth": fidelity.sentence(),
        "pieces": _pieces(pieces),
    }
    if on_top := words_for_map_features(overlay):
        facts["maps"] = on_top
    if stock is not None:
        totals = stock[["owned", "to_cut", "unused"]].sum()
        facts["stock"] = (
            f"{_count(totals['owned'], 'piece')} owned; {totals['to_cut']:,} to cut,"
            f" {totals['unused']:,} stay unused"
        )
    return facts


def cautions(pieces: Schedule, step_m: float) -> tuple[str, ...]:
    """Note what a maker may not expect of a board, in sentences.

    Parameters
    ----------
    pieces
        The board.
    step_m
        Ground height of a step, in metres. Tops farther off their ground are flattened.
    """
    tiles, board = pieces.tiles, pieces.board
    n, notes = board.n_cells, list[str]()
    off_m = np.abs(tiles.residual_m)
    n_off = int((off_m > step_m).sum())
    if n_off > FLATTENED * n:
        notes.append(
            f"Levels are flattened: {n_off:,} of {n:,} tops lie more than a step off their ground,"
            f" up to {off_m.max():,.0f} m, where it is steeper than ramps may be."
        )
    summits = find_summits(board, tiles.legal.levels.heights.mean_m, tiles.built_m, step_m)
    if summits.n_lost:
        notes.append(
            f"Summits are cut: {summits.n_lost:,} of {summits.n:,} that rise more than a step are"
            " built no higher than a cell beside them."
        )
    if (water := tiles.legal.water) is not None:
        is_wet = water.is_watercourse
        if water.standing is not None:
            is_wet = is_wet | water.standing.is_under
        n_wet, n_running = int(is_wet.sum()), int(water.is_watercourse.sum())
        if n_wet > MANY * n:
            notes.append(
                f"Much of the board is wet: {n_wet:,} of {n:,} cells, {n_running:,} of them with"
                " running water, which a greater water.threshold_km2 makes fewer."
            )
    n_kinds = sum(piece.kind == "tile" for piece in pieces.pieces)
    if n_kinds > MANY * n:
        gentler = " or ramps.limit = 1" if tiles.legal.limit.max() > 1 else ""
        notes.append(
            f"The {n:,} tiles are of {n_kinds:,} kinds, each with its own cuts;"
            f' fit.prefer = "fewest different pieces"{gentler} needs fewer.'
        )
    return tuple(notes)


def _spared(refined: Refined) -> str:
    """Say what was spent on fewer kinds of tile."""
    if not refined.spent_on_kinds:
        return ""
    share = refined.spent_on_kinds / (refined.cost - refined.spent_on_kinds)
    return (
        f", {share:.1%} of which was then given up for fewer kinds of tile; no board needs fewer"
        f" than {refined.least_kinds}"
    )


def _nearness(legal: LegalLevels) -> str:
    """Say how far the legal levels are from the ground, and that none are nearer if that is so.

    What is least is the distance from the ground in all, not how many levels move.
    """
    unit = "steps" if legal.measure == "absolute" else "squared steps"
    moved = (
        f"{np.count_nonzero(legal.edit):,} of {len(legal.level):,} levels moved; together they are"
        f" {legal.cost:,.1f} {unit} off the ground,"
    )
    of_all = f"legal levels from {legal.lower} to {legal.upper}"
    if legal.cost <= legal.least_cost:
        return f"{moved} and no {of_all} are nearer"
    return f"{moved} and {of_all} are {legal.least_cost:,.1f} off at least"


def _water(overlay: Overlay) -> str:
    if (water := overlay.water) is None:
        return "not shown"
    kinds = np.bincount(water.kind, minlength=len(WaterKind)).tolist()
    named = ("entry", "spring", "confluence", "mouth", "pool")
    counts = [_count(kinds[WaterKind[name.upper()]], name) for name in named]
    words = f"{_count(int(water.is_watercourse.sum()), 'cell')}: {', '.join(counts)}"
    if (standing := water.standing) is not None:
        for kind in dict.fromkeys(standing.kinds):
            bodies = [body for body, name in enumerate(standing.kinds) if name == kind]
            n_cells = int(np.isin(standing.body, bodies).sum())
            words += f"; {_count(len(bodies), kind)} over {_count(n_cells, 'cell')}"
    if overlay.routing is None:
        words += "; it follows the means of cells, not the pixels of the raster"
    if (routing := overlay.routing) is not None:
        words += f"; {routing.share_wrong:.1%} of all cells drain differently from the raster"
    return words


def words_for_map_features(overlay: Overlay) -> str:
    """Say what the maps put on the board."""
    words: list[str] = []
    if overlay.roads is not None:
        n_sides = int(overlay.road_sides.sum()) // 2
        length_m = n_sides * overlay.lattice.across_flats_mm / 1000.0
        words.append(f"{length_m:,.1f} m of roads")
        for how in ("ford", "bridge"):
            words.append(
                _count(sum(at.times for at in overlay.roads.crossings if at.how == how), how)
            )
    if (cover := overlay.cover) is not None:
        counts = np.bincount(cover.given[cover.given >= 0], minlength=1).tolist()
        words += [
            f"{_count(n_cells, 'cell')} of {kind}"
            for kind, n_cells in zip(cover.kinds, counts, strict=False)
        ]
    return ", ".join(words)


def _pieces(pieces: Schedule) -> str:
    n_kinds = Counter(piece.kind for piece in pieces.pieces)
    n_pieces: Counter[str] = Counter()
    for piece in pieces.pieces:
        n_pieces[piece.kind] += piece.count
    return ", ".join(
        f"{_count(n_pieces[kind], kind)} of {_count(n, 'kind')}" for kind, n in n_kinds.items()
    )


def _count(number: int, noun: str) -> str:
    if number == 1:
        return f"{number} {noun}"
    return f"{number:,} {noun[:-1]}ies" if noun.endswith("y") else f"{number:,} {noun}s"
