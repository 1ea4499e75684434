"""Refining boards of 600, 10,000 and 100,000 cells: time, gap, size; and against HiGHS alone.

Reference: HiGHS on every label of the model, in the same run.
"""

from __future__ import annotations

import time
from collections import Counter
from typing import Any

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from hexterra.stages.search.cell_settings import settings_of
from hexterra.stages.search.prices import Prices
from hexterra.stages.search.refine import refine
from hexterra.stages.search.refined import SearchEffort
from hexterra.stages.search.stock_prices import count_tile_kinds
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.tiles.tile_kinds import TileKind
from hexterra.stages.variants.share_pieces import share_pieces
from tests.invented_boards import SMALL, invented_board
from tests.plain.boards import least_by_program, model_of

SIZES = {600: (30, 20), 10_000: (125, 80), 100_000: (400, 250)}


def report(benchmark: Any, words: str, **facts: object) -> None:
    """Print what was measured and keep it with the benchmark."""
    benchmark.extra_info.update(facts)
    print(f"\n{words}: " + ", ".join(f"{name} {value}" for name, value in facts.items()))


def board(n_cells: int, is_rough: bool) -> Tiles:
    """Make a board with watercourses."""
    return invented_board(1, *SIZES[n_cells], is_rough=is_rough)


@pytest.mark.parametrize("is_rough", [False, True], ids=["smooth", "rough"])
@pytest.mark.parametrize(
    ("n_cells", "effort", "rounds"),
    [
        (600, "instant", 20),
        (600, "bounded", 5),
        (600, "proven", 1),
        (10_000, "instant", 3),
        (10_000, "bounded", 1),
        (100_000, "bounded", 1),
    ],
)
def test_refine(
    benchmark: Any, n_cells: int, effort: SearchEffort, rounds: int, is_rough: bool
) -> None:
    """Time each effort at each size, warm."""
    tiles = board(n_cells, is_rough)
    refine(invented_board(2, 6, 5), effort="proven")
    refined = benchmark.pedantic(refine, (tiles,), {"effort": effort}, rounds=rounds)
    report(
        benchmark,
        f"{n_cells} cells, {'rough' if is_rough else 'smooth'}, {effort}",
        seconds=f"{benchmark.stats.stats.min:.3f}",
        gap=f"{refined.gap:.3%}",
        start=f"{refined.start_cost / refined.cost - 1.0:.1%} dearer",
        faces=int(refined.tiles.cliff.sum()) // 2,
    )


@pytest.mark.parametrize("is_rough", [False, True], ids=["smooth", "rough"])
def test_proven_against_highs(benchmark: Any, is_rough: bool) -> None:
    """Time the proof on 64 cells against HiGHS on all labels of the same model."""
    tiles = invented_board(2, is_rough=is_rough, catalogue=SMALL)
    refine(tiles, effort="proven")
    refined = benchmark.pedantic(refine, (tiles,), {"effort": "proven"}, rounds=5)
    model = model_of(tiles, Prices())
    begin = time.perf_counter()
    least = least_by_program(model)
    highs_s = time.perf_counter() - begin
    report(
        benchmark,
        f"64 cells, {'rough' if is_rough else 'smooth'}, proven",
        seconds=f"{benchmark.stats.stats.min:.3f}",
        highs=f"{highs_s:.2f} s",
        ratio=f"{highs_s / benchmark.stats.stats.min:.0f}",
        difference=f"{refined.cost - least:.1e}",
    )


def unavoidable(tiles: Tiles, stock: Counter[TileKind]) -> int:
    """Count the pieces that must be cut whatever the tops: each cell for itself.

    The largest matching of cells and owned pieces leaves so many cells without one.
    """
    held = settings_of(tiles, Prices(), tiles.catalogue)
    first = np.cumsum([0, *(stock[kind] for kind in held.kinds)])
    cell: list[int] = []
    piece: list[int] = []
    for number, setting in enumerate(held.setting.tolist()):
        for kind in set(held.kind_of[setting][held.is_allowed[setting]].tolist()):
            owned = range(first[kind], first[kind + 1])
            cell += [number] * len(owned)
            piece += owned
    n = tiles.lattice.n_cells
    fits = coo_array((np.ones(len(cell), np.int8), (cell, piece)), shape=(n, max(first[-1], 1)))
    return int((maximum_bipartite_matching(fits.tocsr(), perm_type="column") < 0).sum())


@pytest.mark.parametrize("is_rough", [False, True], ids=["smooth", "rough"])
@pytest.mark.parametrize("water", [False, True], ids=["dry", "water"])
def test_stock(benchmark: Any, water: bool, is_rough: bool) -> None:
    """Time a board of 600 cells with the pieces of another in stock."""
    tiles = invented_board(1, 30, 20, is_rough=is_rough, water=water)
    other = invented_board(51, 30, 20, is_rough=is_rough, water=water)
    stock = count_tile_kinds(refine(other).tiles)
    blind = (count_tile_kinds(refine(tiles).tiles) - stock).total()
    refined = benchmark.pedantic(refine, (tiles,), {"stock": stock}, rounds=1)
    least = unavoidable(tiles, stock)
    report(
        benchmark,
        f"600 cells, {'water' if water else 'dry'}, {'rough' if is_rough else 'smooth'}, stock of"
        " another board",
        seconds=f"{benchmark.stats.stats.min:.2f}",
        gap=f"{refined.gap:.2%}",
        to_cut=f"{refined.stock.n_to_cut} instead of {blind}; {least} cannot be avoided",
    )


def test_campaign(benchmark: Any) -> None:
    """Time three boards of 300 cells that share their pieces."""
    boards = [invented_board(seed, 20, 15) for seed in (1, 2, 3)]
    campaign = benchmark.pedantic(share_pieces, (boards,), rounds=1)
    report(
        benchmark,
        "three boards of 300 cells",
        seconds=f"{benchmark.stats.stats.min:.2f}",
        apart=campaign.n_apart,
        shared_before=campaign.n_before,
        shared=campaign.n_pieces,
    )
