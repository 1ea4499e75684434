"""Boards of fewer kinds of tile: against integer programs that count them, and by laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hexterra.stages.search.cell_settings import settings_of
from hexterra.stages.search.few_kinds import least_kinds
from hexterra.stages.search.prices import PRESETS, Prices
from hexterra.stages.search.refine import refine
from hexterra.stages.search.stock_prices import count_tile_kinds
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.variants.evaluate import with_corners
from tests.board_laws import check_built
from tests.invented_boards import invented_board
from tests.plain.boards import Model, fewest_kinds_by_program, model_of

WITHOUT = Prices()


def kinds_of_labels(model: Model, tiles: Tiles) -> list[list[str]]:
    """Name the kind of every label of every cell."""
    names: list[list[str]] = []
    found = settings_of(tiles, WITHOUT, tiles.catalogue)
    for cell, held in enumerate(model.labels):
        rises = np.array([corners for corners, _ in held])
        rises -= rises.min(axis=1, keepdims=True)
        oriented = (found.rises[None] == rises[:, None]).all(axis=2).argmax(axis=1)
        numbers = found.kind_of[found.setting[cell], oriented]
        names.append([str(found.kinds[number]) for number in numbers])
    return names


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("water", [True, False])
def test_hardly_more_kinds_than_the_fewest_there_are(seed: int, water: bool) -> None:
    """For 5 % of the cost, a tenth more kinds than an integer program finds, or one more."""
    tiles = invented_board(seed, 6, 6, water=water)
    best = refine(tiles, prices=WITHOUT, effort="proven")
    spared = refine(tiles, prices=replace(WITHOUT, fewer_kinds=0.05), effort="proven")
    n_kinds = len(count_tile_kinds(spared.tiles))
    most = best.cost * 1.05
    model = model_of(tiles, WITHOUT, reach=2)
    fewest = fewest_kinds_by_program(model, kinds_of_labels(model, tiles), most)
    assert spared.cost <= most + 1e-6
    assert least_kinds(settings_of(tiles, WITHOUT, tiles.catalogue)) <= fewest
    assert n_kinds <= max(1.1 * fewest, fewest + 1)


@settings(derandomize=True, deadline=None, max_examples=15)
@given(
    seed=st.integers(0, 10_000),
    share=st.sampled_from([0.0, 0.01, 0.05, 0.3]),
    water=st.booleans(),
    is_rough=st.booleans(),
    ramp_limit=st.sampled_from([1, 2]),
)
def test_no_more_is_spent_than_allowed(
    seed: int, share: float, water: bool, is_rough: bool, ramp_limit: int
) -> None:
    """Kinds never grow, the board keeps all rules, and costs no more than its share more."""
    tiles = invented_board(seed, 8, 6, water=water, is_rough=is_rough, ramp_limit=ramp_limit)
    closed = ~tiles.cliff
    best = refine(tiles, prices=WITHOUT, closed=closed)
    spared = refine(tiles, prices=replace(WITHOUT, fewer_kinds=share), closed=closed)
    assert best.cost - 1e-9 <= spared.cost <= best.cost * (1.0 + share) + 1e-6
    assert spared.spent_on_kinds == pytest.approx(spared.cost - best.cost, abs=1e-9)
    assert spared.bound == best.bound
    n_before, n_after = (len(count_tile_kinds(found.tiles)) for found in (best, spared))
    assert n_after <= n_before
    assert n_after >= spared.least_kinds
    assert not (spared.tiles.cliff & closed).any()
    check_built(spared.tiles)


def test_kept_tiles_stay() -> None:
    """What is frozen is not exchanged for another kind."""
    tiles = invented_board(3, 8, 8)
    best = refine(tiles, prices=WITHOUT)
    kept = np.arange(tiles.lattice.n_cells) % 5 == 0
    start = with_corners(tiles, best.tiles.corners)
    spared = refine(start, prices=replace(WITHOUT, fewer_kinds=0.2), frozen=kept)
    assert (spared.tiles.corners[kept] == best.tiles.corners[kept]).all()
    assert len(count_tile_kinds(spared.tiles)) < len(count_tile_kinds(best.tiles))


@pytest.mark.parametrize("seed", range(4))
def test_each_preference_gets_what_it_is_for(seed: int) -> None:
    """By height error, by kinds, by level tops: none of the four is better than the one named."""
    tiles = invented_board(seed, 12, 10)
    found = {name: refine(tiles, prices=prices).tiles for name, prices in PRESETS.items()}
    rms_m = {name: np.sqrt(np.mean(t.residual_m**2)) for name, t in found.items()}
    n_kinds = {name: len(count_tile_kinds(t)) for name, t in found.items()}
    n_level = {name: int((np.ptp(t.corners, axis=1) == 0).sum()) for name, t in found.items()}
    assert rms_m["truest ground"] == min(rms_m.values())
    assert n_kinds["fewest different pieces"] == min(n_kinds.values())
    assert n_level["most standing room"] == max(n_level.values())
    assert n_kinds["balanced"] < n_kinds["truest ground"]
