"""Refined boards: against every board, against HiGHS on all labels, legal on 200, and refusals."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from hexterra.catalogue.catalogue import Catalogue, Pattern
from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.errors import BriefError, CatalogueError, InfeasibleError
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.search import refine as refine_module
from hexterra.stages.search.prices import PRESETS, Prices
from hexterra.stages.search.refine import refine
from hexterra.stages.tiles.fit import fit
from tests.board_laws import SOLVER, check_built, check_sums
from tests.drawn_boards import boards
from tests.invented_boards import SMALL, invented_board
from tests.plain.boards import least_by_program, least_of_all, model_of, n_boards

SLOPED = Catalogue(SMALL.patterns[:2], SMALL.crossings)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(seed=st.integers(0, 10_000), water=st.booleans(), n_cells=st.integers(3, 7))
def test_nothing_beats_every_board(seed: int, water: bool, n_cells: int) -> None:
    """On a few cells the proven board costs what the best of all boards does, and no bound more."""
    only = np.arange(9) < n_cells
    tiles = invented_board(seed, 3, 3, water=water, catalogue=SLOPED, only=only)
    model = model_of(tiles, Prices(), reach=0)
    assume(n_boards(model) < 4_000_000)
    least = least_of_all(model)
    for effort in ("instant", "bounded", "proven"):
        refined = refine(tiles, effort=effort, reach=0)
        assert refined.bound <= least <= refined.cost + 1e-9
    assert refined.cost == pytest.approx(least, rel=SOLVER)
    assert refined.gap <= SOLVER


@pytest.mark.parametrize(
    ("seed", "is_rough", "cliff_steps", "catalogue"),
    [(1, False, None, SMALL), (2, False, None, None), (2, True, 2.0, SMALL)],
)
def test_highs_on_all_labels_agrees(
    seed: int, is_rough: bool, cliff_steps: float | None, catalogue: Catalogue | None
) -> None:
    """On 64 cells the proven board costs what HiGHS finds among all labels, unreduced."""
    tiles = invented_board(seed, is_rough=is_rough, cliff_steps=cliff_steps, catalogue=catalogue)
    prices = Prices(marked_cliff=0.25)
    least = least_by_program(model_of(tiles, prices))
    refined = refine(tiles, prices=prices, effort="proven")
    assert refined.cost == pytest.approx(least, rel=SOLVER)
    assert refined.gap <= SOLVER


@settings(derandomize=True, deadline=None, max_examples=25)
@given(
    seed=st.integers(0, 10_000),
    is_rough=st.booleans(),
    preset=st.sampled_from(sorted(PRESETS)),
    step_face=st.sampled_from([0.0, 0.1, 1.0, 30.0]),
)
def test_a_bound_never_exceeds_the_optimum(
    seed: int, is_rough: bool, preset: str, step_face: float
) -> None:
    """Whatever the prices, no bound lies above the best cost that any effort finds."""
    tiles = invented_board(seed, 6, 5, is_rough=is_rough)
    prices = replace(PRESETS[preset], step_face=step_face)
    efforts = [refine(tiles, prices=prices, effort=e) for e in ("instant", "bounded", "proven")]
    best = min(refined.cost for refined in efforts)
    assert max(refined.bound for refined in efforts) <= best
    for refined in efforts:
        check_sums(refined)
    assert efforts[2].gap <= SOLVER
    assert efforts[2].cost <= efforts[1].cost + 1e-9


CASES = list(
    itertools.product(
        range(13),
        (False, True),
        (None, 2.0),
        ((True, (), "straight"), (False, ((5, 1), (20, 2)), "whole")),
        (SMALL, None),
    )
)[:200]


def test_every_board_can_be_built() -> None:
    """200 boards, smooth and rough, with cliffs, water, pins, part cells and small catalogues."""
    assert len(CASES) == 200
    for seed, is_rough, cliff_steps, (water, pins, edges), catalogue in CASES:
        tiles = invented_board(
            seed, 7, 6, is_rough=is_rough, cliff_steps=cliff_steps, water=water, pins=pins,
            edges=edges, catalogue=catalogue, facing="flats" if seed % 2 else "points",
            ramp_limit=2 if seed % 3 == 0 else 1,
        )  # fmt: skip
        for effort in ("instant", "bounded"):
            refined = refine(tiles, effort=effort)
            check_built(refined.tiles)
            check_sums(refined)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(boards())
def test_every_board_with_cliffs_can_be_built(case: Any) -> None:
    """Cliffs anywhere, also where water falls over them: every port is level in both its cells."""
    levels, water, limit, cliffs, pins = case
    try:
        legal = legalise(levels, water=water, ramp_limit=limit, cliffs=cliffs, pins=pins)
    except InfeasibleError:
        assume(False)
    tiles = fit(legal, load_catalogue())
    for effort in ("instant", "bounded"):
        check_built(refine(tiles, effort=effort).tiles)
        closed = refine(tiles, effort=effort, closed=~tiles.cliff)
        check_built(closed.tiles)
        assert not (closed.tiles.cliff & ~tiles.cliff).any()


def test_step_faces_are_rare() -> None:
    """On smooth ground without marked cliffs tops meet on every side, as they do in the start."""
    for seed in range(6):
        assert not refine(invented_board(seed)).tiles.cliff.any()


def test_notes_are_those_of_the_board_that_is_built() -> None:
    """A note of the start about step faces goes when the refined board has none, and comes back."""
    lone = Catalogue((Pattern("flat", (0,) * 6),), load_catalogue().crossings)
    start = invented_board(3, water=False, catalogue=lone)
    assert start.notes[0].startswith("No top in the catalogue meets")
    closed = refine(start, catalogue=load_catalogue())
    assert not closed.tiles.cliff.any()
    assert closed.tiles.notes == ()
    cheap = Prices(step_face=0.1, step_face_rise=0.1)
    parted = refine(closed.tiles, catalogue=lone, prices=cheap)
    n_faces = int(parted.tiles.cliff.sum()) // 2
    assert parted.tiles.notes[0].startswith(f"Tops do not meet on {n_faces} sides")


def test_a_plane_is_built_of_flats() -> None:
    """Level ground at a whole step costs nothing: every tile is flat and the bound is the cost."""
    tiles = invented_board(0, 4, 4, water=False)
    heights = tiles.legal.levels.heights
    level_m = np.full(len(heights.mean_m), 30.0)
    corner_m = np.full(len(heights.corner_m), 30.0)
    levels = replace(
        tiles.legal.levels,
        heights=replace(heights, mean_m=level_m, corner_m=corner_m),
        datum_m=0.0,
        thresholds_m=np.array([5.0, 15.0, 25.0, 35.0]),
        position=level_m / 10.0,
        level=np.full(16, 3),
    )
    refined = refine(replace(tiles, legal=replace(tiles.legal, levels=levels, lower=0, upper=4)))
    assert (refined.tiles.corners == 3).all()
    assert refined.cost == refined.bound == 0.0


def test_the_same_board_comes_out_again() -> None:
    """Two runs give equal values."""
    tiles = invented_board(4, is_rough=True)
    assert refine(tiles).same_as(refine(tiles))


def test_frozen_cells_keep_their_tile() -> None:
    """Frozen cells stay as they are, and a board frozen whole is proven at once."""
    tiles = invented_board(3, is_rough=True)
    frozen = np.arange(64) % 3 == 0
    refined = refine(tiles, frozen=frozen)
    assert (refined.tiles.corners[frozen] == tiles.corners[frozen]).all()
    assert (refined.tiles.corners != tiles.corners).any()
    whole = refine(tiles, frozen=np.ones(64, dtype=bool))
    assert whole.cost == pytest.approx(whole.start_cost)
    assert whole.bound == pytest.approx(whole.cost, rel=1e-6)


def test_no_step_face_on_a_closed_side() -> None:
    """A step face that pays elsewhere is not put where the side is closed."""
    prices = Prices(step_face=0.01, step_face_rise=0.01)
    tiles = invented_board(5, is_rough=True, water=False)
    free = refine(tiles, prices=prices)
    closed = free.tiles.cliff.copy()
    assert closed.any()
    held = refine(tiles, prices=prices, closed=closed)
    assert not (held.tiles.cliff & closed).any()
    assert held.cost >= free.bound


def test_an_edge_profile_is_kept() -> None:
    """All tiles stand at the agreed height at corners of the edge."""
    tiles = invented_board(6, water=False)
    corners = tiles.lattice.corner_of[:4, 4].tolist()
    refined = refine(tiles, edge_profile=[(corner, 1) for corner in corners])
    at = np.isin(tiles.lattice.corner_of, corners)
    assert set(refined.tiles.corners[at].tolist()) == {1}
    check_built(refined.tiles)


def test_a_time_limit_returns_a_board_and_a_bound() -> None:
    """Out of time, the best board so far and an honest bound come back."""
    tiles = invented_board(8, is_rough=True)
    refined = refine(tiles, effort="proven", time_limit_s=1e-4)
    assert refined.stopped == "time"
    check_built(refined.tiles)
    assert refined.bound <= refine(tiles, effort="proven").cost <= refined.cost + 1e-9


def test_interrupting_returns_the_best_so_far(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C during the exact search gives the board that the sweeps had found."""
    tiles = invented_board(9, is_rough=True)

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(refine_module, "search_frontier", interrupt)
    refined = refine(tiles, prices=Prices(cutting=0.3), effort="proven")
    assert refined.stopped == "interrupted"
    assert refined.cost < refined.start_cost
    check_built(refined.tiles)


def test_another_catalogue_is_kept_to() -> None:
    """A board refined with fewer tops uses no other, wherever it started."""
    tiles = invented_board(10)
    refined = refine(tiles, catalogue=SMALL)
    assert refined.tiles.catalogue is SMALL
    check_built(refined.tiles)
    assert refined.start_cost == float("inf")


def test_a_missing_crossing_is_named() -> None:
    """A catalogue without the crossing that the water needs is refused, with the sides."""
    tiles = invented_board(11)
    dry = Catalogue((Pattern("flat", (0, 0, 0, 0, 0, 0)),), ())
    with pytest.raises(CatalogueError, match="joins the sides") as caught:
        refine(tiles, catalogue=dry)
    assert caught.value.facts["ports"] is not None


def test_what_cannot_be_kept_is_refused() -> None:
    """An edge profile that no tile can meet names the cell."""
    tiles = invented_board(12)
    corner = int(tiles.lattice.corner_of[0, 0])
    with pytest.raises(InfeasibleError, match="heights along the rim") as caught:
        refine(tiles, edge_profile=[(corner, 90)])
    assert tiles.lattice.labels[0] in caught.value.facts["cells"]  # type: ignore[operator]


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"effort": "heroic"}, "effort is 'heroic'"),
        ({"reach": -1}, "reach is -1 steps"),
        ({"time_limit_s": 0.0}, "time_limit_s is 0.0 s"),
        ({"closed": np.zeros((3, 6), dtype=bool)}, "closed is bool of shape"),
        ({"frozen": np.zeros(64)}, "frozen is float64 of shape"),
    ],
)
def test_wrong_arguments_are_refused(wrong: dict[str, object], words: str) -> None:
    """Each argument out of its range is named, with its value."""
    with pytest.raises(BriefError, match=words):
        refine(invented_board(0), **wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize(("name", "price"), [("cutting", -1.0), ("marked_cliff", 1.5)])
def test_prices_have_a_range(name: str, price: float) -> None:
    """Negative prices, and more than the whole of one, are refused by name."""
    with pytest.raises(BriefError, match=f"the price {name} is") as caught:
        replace(Prices(), **{name: price})
    assert caught.value.facts["value"] == price
