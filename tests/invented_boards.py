"""Fitted boards over invented ground, for the tests that refine them."""

from __future__ import annotations

from typing import Any

import numpy as np

from hexterra.catalogue.catalogue import Catalogue, Pattern
from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.lattice.board import Board
from hexterra.stages.levels.cliffs import mark_cliffs
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.levels.quantise import quantise
from hexterra.stages.sampling.gather import Heights
from hexterra.stages.search.bounds import Search
from hexterra.stages.search.candidates import choose_among
from hexterra.stages.search.prices import Prices
from hexterra.stages.tiles.fit import Tiles, fit
from hexterra.stages.water.flow import flow

METRES_PER_STEP = 10.0
#: What a maker with two guides can cut.
SMALL = Catalogue(
    (
        Pattern("flat", (0, 0, 0, 0, 0, 0)),
        Pattern("bank", (1, 1, 0, 0, 0, 0)),
        Pattern("shoulder", (1, 1, 1, 1, 0, 0)),
    ),
    load_catalogue().crossings,
)


def hills(seed: int, points_mm: np.ndarray, n_waves: int, relief_steps: float) -> np.ndarray:
    """Height of invented hills at points on the bench, in metres: waves of falling size."""
    random = np.random.default_rng(seed)
    height = np.zeros(len(points_mm))
    for k in range(1, n_waves + 1):
        direction = random.uniform(0.0, 2.0 * np.pi)
        along = points_mm @ (np.cos(direction), np.sin(direction))
        height += np.sin(along * k / 300.0 + random.uniform(0.0, 2.0 * np.pi)) / k
    return METRES_PER_STEP * relief_steps * (height + 2.0) / 4.0


def invented_board(
    seed: int,
    columns: int = 8,
    rows: int = 8,
    *,
    is_rough: bool = False,
    relief_steps: float | None = None,
    water: bool = True,
    cliff_steps: float | None = None,
    ramp_limit: int = 1,
    measure: Any = "absolute",
    pins: Any = (),
    catalogue: Catalogue | None = None,
    facing: Any = "points",
    edges: Any = "straight",
    only: np.ndarray | None = None,
    across_flats_mm: float = 100.0,
) -> Tiles:
    """Fit a board of hills, so many steps high, by default 4 or, where rough, 12."""
    board = Board(columns, rows, across_flats_mm, facing, edges, 2500.0, 9.0, 46.0)
    if only is not None:
        board = board.only(only)
    n_waves, relief = (12, 12.0) if is_rough else (3, 4.0)
    shape = n_waves, relief if relief_steps is None else relief_steps
    mean_m, corner_m = (hills(seed, p, *shape) for p in (board.centre_mm, board.corner_mm))
    n = board.n_cells
    heights = Heights(board, mean_m, mean_m, mean_m, (), np.empty((n, 0)), np.ones(n), corner_m)
    levels = quantise(heights, metres_per_step=METRES_PER_STEP)
    courses = flow(heights, threshold_m2=6.0 * float(board.area_m2[0])) if water else None
    cliffs = None if cliff_steps is None else mark_cliffs(levels, rise_steps=cliff_steps)
    legal = legalise(
        levels, water=courses, cliffs=cliffs, ramp_limit=ramp_limit, pins=pins, measure=measure
    )
    return fit(legal, catalogue or load_catalogue())


def searched(columns: int, rows: int, seed: int, n_rounds: int) -> Search:
    """Pass messages on a rough board of few tops so often; the last sweep is up."""
    tiles = invented_board(seed, columns, rows, is_rough=True, catalogue=SMALL)
    search = Search(choose_among(tiles, Prices()))
    for _ in range(n_rounds):
        search.round()
    return search
