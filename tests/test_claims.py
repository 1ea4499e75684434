"""What is said to be least is so over every level and every top, by integer programs."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hexterra.catalogue.catalogue import Catalogue, Pattern
from hexterra.stages.search.prices import Prices
from hexterra.stages.search.refine import refine
from tests.invented_boards import SMALL, invented_board
from tests.plain.boards import least_by_program, model_of

#: What a maker with guides for two steps can cut as well.
STEEP = Catalogue(
    (
        *SMALL.patterns,
        Pattern("steep bank", (2, 2, 0, 0, 0, 0)),
        Pattern("steep shoulder", (2, 2, 2, 2, 0, 0)),
    ),
    SMALL.crossings,
)
#: HiGHS takes what is this near to a whole number for whole.
SOLVER = 1e-6
#: Positions of levels are rounded to 20 binary places.
FIXED_POINT = 1e-4


@settings(derandomize=True, deadline=None, max_examples=8)
@given(
    seed=st.integers(0, 10_000),
    ramp_limit=st.sampled_from([1, 2]),
    measure=st.sampled_from(["absolute", "square"]),
    water=st.booleans(),
    cliff_steps=st.sampled_from([None, 3.0]),
    is_closed=st.booleans(),
    is_pinned=st.booleans(),
    frozen=st.sampled_from([(), (5,)]),
)
def test_no_board_on_any_level_costs_less(
    seed: int,
    ramp_limit: int,
    measure: Any,
    water: bool,
    cliff_steps: float | None,
    is_closed: bool,
    is_pinned: bool,
    frozen: tuple[int, ...],
) -> None:
    """On steep ground, bounds and proven costs agree with HiGHS on all tops of all levels."""
    tiles = invented_board(
        seed, 3, 3, is_rough=True, relief_steps=30.0, water=water, cliff_steps=cliff_steps,
        ramp_limit=ramp_limit, measure=measure, pins=((0, 2),) if is_pinned else (),
        catalogue=SMALL if ramp_limit == 1 else STEEP,
    )  # fmt: skip
    closed = ~tiles.cliff if is_closed else None
    kept = np.isin(np.arange(tiles.lattice.n_cells), frozen)
    least = least_by_program(
        model_of(tiles, Prices(), ramp_limit=ramp_limit, closed=closed, frozen=kept)
    )
    bounded = refine(tiles, closed=closed, frozen=kept)
    proven = refine(tiles, closed=closed, frozen=kept, effort="proven")
    assert bounded.bound <= least * (1.0 + SOLVER)
    assert bounded.cost >= least * (1.0 - SOLVER)
    assert proven.cost == pytest.approx(least, rel=SOLVER)
    assert proven.gap <= SOLVER


@settings(derandomize=True, deadline=None, max_examples=4)
@given(
    seed=st.integers(0, 10_000),
    ramp_limit=st.sampled_from([1, 2]),
    measure=st.sampled_from(["absolute", "square"]),
)
def test_no_levels_whose_tops_exist_are_nearer(seed: int, ramp_limit: int, measure: Any) -> None:
    """Of all boards whose tops meet, none has levels nearer to the ground than `least_cost`."""
    tiles = invented_board(
        seed, 3, 3, is_rough=True, water=False, ramp_limit=ramp_limit, measure=measure
    )
    legal, power = tiles.legal, 1 if measure == "absolute" else 2
    model = model_of(tiles, Prices(), ramp_limit=ramp_limit, closed=np.ones((9, 6), dtype=bool))
    model.labels = [
        [(corners, abs(min(corners) - position) ** power) for corners, _ in held]
        for held, position in zip(model.labels, legal.levels.position.tolist(), strict=True)
    ]
    least = least_by_program(model)
    assert legal.least_cost <= least + FIXED_POINT
    # A pit that is filled stands a step above its level, and tops that part meet nowhere.
    if (tiles.level == legal.level).all() and not tiles.cliff.any():
        assert least <= legal.cost + FIXED_POINT
        assert legal.cost <= least + FIXED_POINT or legal.asked is not None
