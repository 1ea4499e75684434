"""A plan in a few lines of text."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hexterra.plan.tables import FINISH
from hexterra.stages.water.flow import Kind
from hexterra.units import bench_mm_to_ground_m

if TYPE_CHECKING:
    from hexterra.plan.plan import Plan


def describe_plan(plan: Plan) -> str:
    """Say what was planned, what was assumed, and what deserves a look."""
    lines = [plan.brief.title]
    lines += [f"  {heading:<7} {words}" for heading, words in _facts(plan).items()]
    for heading, entries in (("Assumed", plan.assumed), ("To note", plan.notes)):
        if entries:
            lines += [f"{heading}:", *(f"  - {entry}" for entry in entries)]
    return "\n".join(lines)


def _facts(plan: Plan) -> dict[str, str]:
    board, tiles, brief = plan.board, plan.fitted, plan.brief
    width_mm, depth_mm = board.size_mm
    ground_km = [bench_mm_to_ground_m(size, board.scale) / 1000 for size in board.size_mm]
    step_mm = brief.heights.step_mm
    on_average = "" if brief.heights.method == "even" else " on average"
    n_moved = int((plan.legal.edit != 0).sum())
    refined = plan.refined
    near = f"within {max(refined.gap, 1e-4):.2%} of the best board for {brief.fit.prefer}"
    if refined.gap < 1e-9:
        near = f"the best board there is for {brief.fit.prefer}"
    if refined.cost > 0.0 and not refined.bound:
        near = "not compared with the best board there is"
    residual_m = tiles.residual_m
    facts = {
        "table": f"{width_mm:,.0f} x {depth_mm:,.0f} mm, {board.columns:,} x {board.rows:,} cells"
        f" of {board.across_flats_mm:g} mm across flats, {board.facing} to the front,"
        f" {board.edges} edges",
        "ground": f"{ground_km[0]:,.4g} x {ground_km[1]:,.4g} km at 1:{board.scale:,.0f}, middle"
        f" {board.lat_deg:z.5f}, {board.lon_deg:z.5f}, bearing {board.bearing_deg:g}°",
        "height": f"steps of {step_mm:g} mm for {plan.step_m:,.4g} m{on_average},"
        f" {plan.exaggeration:.3g} times true to scale; levels {tiles.level.min()} to"
        f" {tiles.corners.max()}, {tiles.corners.max() * step_mm:,g} mm above level 0",
        "ramps": f"the nearest board that can be cut moves {n_moved:,} of {board.n_cells:,} levels,"
        f" the least there is; {_count(int(plan.legal.cliff.sum()) // 2, 'marked cliff')}",
        "water": _water(plan),
        "fit": f"{near}; {_count(int(tiles.cliff.sum()) // 2, 'step face')}",
        "truth": f"built tops lie {abs(residual_m.mean()):,.1f} m"
        f" {'above' if residual_m.mean() > 0 else 'below'} the ground on average, and"
        f" {np.sqrt(np.mean(np.square(residual_m))):,.1f} m from it as root mean square",
        "pieces": _pieces(plan),
    }
    if on_top := what_lies_on_top(plan):
        facts["on top"] = on_top
    if plan.stock is not None:
        totals = plan.stock[["owned", "to_cut", "unused"]].sum()
        facts["stock"] = (
            f"{_count(totals['owned'], 'piece')} owned; {totals['to_cut']:,} to cut,"
            f" {totals['unused']:,} stay unused"
        )
    return facts


def _water(plan: Plan) -> str:
    if plan.water is None:
        return "not shown"
    kinds = np.bincount(plan.water.kind, minlength=len(Kind)).tolist()
    named = ("entry", "spring", "confluence", "mouth", "pool")
    counts = [_count(kinds[Kind[name.upper()]], name) for name in named]
    words = f"{_count(int(plan.water.is_watercourse.sum()), 'cell')}: {', '.join(counts)}"
    if (routing := plan.overlay.routing) is not None:
        words += f"; of all cells {routing.share_wrong:.1%} drain otherwise than the pixels"
    return words


def what_lies_on_top(plan: Plan) -> str:
    """Say what the maps put on the board."""
    words: list[str] = []
    if plan.roads is not None:
        n_sides = int(plan.overlay.road_sides.sum()) // 2
        length_m = n_sides * plan.board.across_flats_mm / 1000.0
        words.append(f"{length_m:,.1f} m of roads")
        for how in ("ford", "bridge"):
            words.append(_count(sum(at.times for at in plan.roads.crossings if at.how == how), how))
    if plan.cover is not None:
        counts = np.bincount(plan.cover.given[plan.cover.given >= 0], minlength=1).tolist()
        words += [
            f"{_count(n_cells, 'cell')} of {kind}"
            for kind, n_cells in zip(plan.cover.kinds, counts, strict=False)
        ]
    return ", ".join(words)


def _pieces(plan: Plan) -> str:
    pieces = plan.schedule[plan.schedule["kind"] != FINISH]
    by_kind = pieces.groupby("kind", sort=False)["count"].agg(["sum", "size"])
    return ", ".join(
        f"{_count(int(row['sum']), str(kind))} of {_count(int(row['size']), 'kind')}"
        for kind, row in by_kind.iterrows()
    )


def _count(number: int, noun: str) -> str:
    if number == 1:
        return f"{number} {noun}"
    return f"{number:,} {noun[:-1]}ies" if noun.endswith("y") else f"{number:,} {noun}s"
