"""How long a build book takes, against drawing the map of the same board as an SVG."""

from __future__ import annotations

import time
from typing import Any

from hexterra.brief.brief import Brief
from hexterra.drawing.board_map import map_svg
from hexterra.elevation.invention import invent
from hexterra.plan.pipeline import make_plan
from hexterra.workshop.book.book import book_pdf
from hexterra.workshop.estimate.estimate import estimate
from hexterra.workshop.sheets.foam import foam


def test_book_of_600_cells(benchmark: Any) -> None:
    """Write the book of 30 x 20 cells and print its size and its time in maps."""
    brief = Brief.model_validate({
        "board": {"columns": 30, "rows": 20},
        "heights": {"metres_per_step": 20.0},
        "ramps": {"cliff_rise_steps": 3},
    })  # fmt: skip
    plan = make_plan(invent(3, rows=192, columns=256, pixel_m=50.0), brief)
    result = estimate(foam(plan.pieces))
    book_pdf(plan, result)  # fonts and tops are read once
    map_s = min(_seconds(lambda: map_svg(plan)) for _ in range(5))
    data = benchmark.pedantic(book_pdf, args=(plan, result), rounds=3)
    best_s = min(benchmark.stats.stats.data) if benchmark.stats else float("nan")
    benchmark.extra_info["maps"] = best_s / map_s
    benchmark.extra_info["megabytes"] = len(data) / 1e6
    print(
        f"\nbook of {plan.board.n_cells} cells: {best_s:.2f} s, {best_s / map_s:.1f} x the map"
        f" ({map_s:.3f} s), {len(data) / 1e6:.2f} MB"
    )


def _seconds(work: Any) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start
