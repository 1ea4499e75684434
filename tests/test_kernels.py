"""All kernels through their callers on small inputs, to be run in three ways.

As they are; with bounds of arrays checked, by ``NUMBA_BOUNDSCHECK=1``; and as plain Python, by
``NUMBA_DISABLE_JIT=1``, where NumPy warns of whole numbers that wrap around, which is an error.
"""

from __future__ import annotations

import importlib
import os
import pkgutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from affine import Affine
from numba import config
from numpy.typing import NDArray

import hexterra.kernels
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.fidelity.built_surface import SurfaceGrid
from hexterra.fidelity.intervisibility import intervisibility
from hexterra.lattice.board import Board
from hexterra.stages.drainage.band_drain import drain_by_bands
from hexterra.stages.drainage.drain import OUTLET, VOID, drain, label_catchments, stream_order
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.levels.quantise import quantise
from hexterra.stages.sampling.gather import gather
from hexterra.stages.search.refine import refine
from hexterra.stages.search.stock_prices import count_tile_kinds
from hexterra.stages.water.flow import flow
from hexterra.stages.water.route import carry
from tests.invented_boards import SMALL, invented_board, searched
from tests.level_ground import heights_of
from tests.plain_kernels import watched

IS_PLAIN = bool(vars(config)["DISABLE_JIT"])
MODULES = [
    importlib.import_module(module.name)
    for module in pkgutil.walk_packages(hexterra.kernels.__path__, "hexterra.kernels.")
    if not module.ispkg and module.name != "hexterra.kernels.compiled"
]
FUNCTIONS = [
    held
    for module in MODULES
    for held in vars(module).values()
    if getattr(held, "__module__", "") == module.__name__ and not isinstance(held, type)
]
pytestmark = [  # voids hold -inf, and a level edge has no columns per row
    pytest.mark.filterwarnings(f"ignore:{words} encountered:RuntimeWarning")
    for words in ("invalid value", "divide by zero")
]


@pytest.fixture(scope="module", autouse=True)
def called() -> Iterator[set[Any]]:
    """Tell which functions were called as plain Python; they are watched for all tests here."""
    if IS_PLAIN:
        with watched(FUNCTIONS) as called:
            yield called
    else:
        yield set()


BOARD = Board(5, 5, 30.0, "points", "whole", 10_000.0, 9.0, 46.0)
PIXEL_M = 30.0


def under(board: Board, heights: NDArray[Any], pixel_m: float = PIXEL_M) -> Elevation:
    """Lay n x n heights under the middle of a board."""
    half_m = len(heights) / 2 * pixel_m
    affine = Affine(pixel_m, 0.0, -half_m, 0.0, -pixel_m, half_m)
    return read_elevation(heights, crs=board.crs, affine=affine, vertical_unit="m")


def rough(n: int) -> NDArray[np.float32]:
    """Invent n x n heights with many basins."""
    random = np.random.default_rng(0)
    return (30.0 * random.random((n, n)) + 0.3 * np.indices((n, n)).sum(0)).astype(np.float32)


def with_voids(n: int, height_m: float) -> NDArray[np.float64]:
    """Give n x n equal heights with voids among them, one of them large."""
    ground = np.where(np.random.default_rng(3).random((n, n)) < 0.02, np.nan, height_m)
    ground[: n // 2, : n // 8] = np.nan
    return ground


def valley(n: int) -> NDArray[np.float64]:
    """Fold one valley that falls all the way, between walls, over n x n pixels."""
    ground = np.full((n, n), 9_000.0)
    height_m = 8_000.0
    for row in range(1, n - 1, 2):
        columns = np.arange(1, n - 1)[:: 1 if row % 4 == 1 else -1]
        for at in [(row, c) for c in columns] + [(row + 1, columns[-1])]:
            height_m -= 1.0
            ground[at] = height_m
    return ground


@pytest.mark.parametrize(("dtype", "pixel_m"), [(np.float32, 30.0), (np.float64, 12.0)])
def test_gather(dtype: type, pixel_m: float) -> None:
    """The mean under a cell of a plane is its height in the middle, and the median is near it."""
    n = round(1_920.0 / pixel_m)
    row, column = np.indices((n, n))
    raster = under(BOARD, (2.0 * row + column).astype(dtype), pixel_m)
    heights = gather(raster, BOARD, quantiles=(0.5,))
    x, y = BOARD.centre_xy.T / pixel_m
    expected = 1.5 * (n - 1) - 2.0 * y + x
    assert heights.mean_m == pytest.approx(expected, abs=0.01)
    assert heights.quantile_m[:, 0] == pytest.approx(expected, abs=1.0)


@pytest.mark.parametrize("is_turned", [False, True], ids=["projected", "turned degrees"])
def test_gather_with_voids(is_turned: bool) -> None:
    """Equal heights have that mean, whatever voids there are and whatever pixels weigh."""
    board = replace(BOARD, facing="flats")
    raster = under(board, with_voids(64, 250.0))
    if is_turned:
        step = 0.0003
        affine = Affine(step, step / 9.0, 8.988, step / 9.0, -step, 46.007)
        ground = with_voids(80, 250.0)
        raster = read_elevation(ground, crs="EPSG:4326", affine=affine, vertical_unit="m")
    heights = gather(raster, board, quantiles=(0.9, 0.1), minimum_coverage=0.01, below="leave out")
    for found in (heights.mean_m, heights.min_m, heights.max_m, heights.quantile_m):
        assert found == pytest.approx(250.0, abs=1e-9)
    assert heights.coverage.min() < 1.0 >= heights.coverage.max()


def test_drain(tmp_path: Path) -> None:
    """All ground drains through the outlets, and by bands everything comes out the same."""
    ground = rough(70).astype(np.float64)
    ground[with_voids(70, 0.0) != 0.0] = np.nan
    raster = under(BOARD, ground)
    every: tuple[dict[str, Any], ...] = (
        {}, {"depressions": "fill"}, {"lake_depth_m": 2.0, "lake_area_m2": 5_000.0}
    )  # fmt: skip
    for number, rules in enumerate(every):
        whole: Any = drain(raster, **rules)
        n_ground = np.isfinite(ground).sum()
        assert whole.catchment_m2[whole.direction == OUTLET].sum() == n_ground * PIXEL_M**2
        assert (label_catchments(whole) == 0).sum() == (whole.direction == VOID).sum()
        folder = tmp_path / str(number)
        folder.mkdir()
        assert drain_by_bands(raster, folder, band_rows=23, **rules).same_as(whole)


def test_drain_a_long_valley() -> None:
    """All but the rim drains through the end of one folded valley of two thousand pixels."""
    drained = drain(under(BOARD, valley(67)), depressions="fill")
    assert drained.catchment_m2.max() == (65**2 + 1) * PIXEL_M**2
    assert np.bincount(label_catchments(drained).ravel()).max() == 65**2 + 1
    order = stream_order(drained, threshold_m2=PIXEL_M**2)
    assert order.max() == 2  # of walls and the valley that they drain to


def test_drain_many_basins() -> None:
    """In noise without order, with more pairs of basins than there is room for at first."""
    ground = np.random.default_rng(2).random((220, 220))
    drained = drain(under(BOARD, ground), depressions="fill")
    assert (drained.surface_m >= ground).all()
    assert drained.catchment_m2[drained.direction == OUTLET].sum() == ground.size * PIXEL_M**2


def test_route() -> None:
    """Receivers are neighbours further down, and outlets drain all that comes in."""
    board = Board(26, 26, 30.0, "points", "whole", 3_500.0, 9.0, 46.0)
    carried = carry(drain(under(board, rough(90))), board)
    runs_on = carried.receiver != np.arange(board.n_cells)
    across = board.neighbours[runs_on, carried.receiver_side[runs_on]]
    assert np.array_equal(across, carried.receiver[runs_on])
    place = np.argsort(carried.order)
    assert (place[carried.receiver] >= place).all()
    assert 0.0 < carried.share_wrong < 0.5


def test_flow() -> None:
    """Without a pool every cell drains to the rim; a deep hollow keeps one."""
    board = Board(66, 64, 30.0, "points", "whole", 4_000.0, 9.0, 46.0)
    mean_m = np.random.default_rng(1).uniform(-50.0, 50.0, board.n_cells)
    heights = heights_of(board, mean_m)
    courses = flow(heights, threshold_m2=1.0)
    is_outlet = courses.receiver == np.arange(board.n_cells)
    assert courses.catchment_m2[is_outlet].sum() == pytest.approx(board.area_m2.sum())
    assert board.is_rim[is_outlet].all()
    with_pools = flow(heights, threshold_m2=1.0, pool_depth_m=5.0)
    assert (with_pools.filled_m <= courses.filled_m).all()
    assert (with_pools.filled_m < courses.filled_m).any()


def test_levels() -> None:
    """Three groups of heights make three levels, which pins then spread apart by ramps."""
    board = Board(6, 2, 30.0, "points", "whole", 4_000.0, 9.0, 46.0)
    heights = heights_of(board, [-10.0, -9.0, 0.0, 1.0, 20.0, 21.0] * 2)
    levels = quantise(heights, metres_per_step=5.0, method="natural breaks", n_levels=3)
    assert levels.level.tolist() == [0, 0, 1, 1, 2, 2] * 2
    legal = legalise(levels, pins=[(0, 0), (5, 5)], bounds=(0, 5))
    assert legal.level[:6].tolist() == [0, 1, 2, 3, 4, 5]


def test_search() -> None:
    """No effort finds a board below the bound, and what is proven costs no more."""
    tiles = invented_board(3, 3, 3, is_rough=True, catalogue=SMALL)
    instant, proven = refine(tiles, effort="instant"), refine(tiles, effort="proven")
    assert instant.bound <= proven.bound == pytest.approx(proven.cost)
    assert proven.cost <= instant.cost <= instant.start_cost
    stock = count_tile_kinds(proven.tiles)
    assert refine(tiles, stock=stock).cost == pytest.approx(proven.cost)


def test_search_with_little_room() -> None:
    """With room for few partial boards many are dropped, and nothing is proven."""
    search = searched(4, 4, 1, 3)
    found = search.field.search_partial_boards(search.bound + 5.0, 20)
    assert found is not None
    assert not found[1]
    assert search.choices.price_board(found[0]) >= search.bound
    assert search.field.search_partial_boards(search.bound - 1.0, 20) is None


def test_sight() -> None:
    """Over level ground everyone is seen, and behind a wall along the middle nobody."""
    n = 48
    level = np.zeros((n, n))
    wall = level.copy()
    wall[n // 2] = 90.0
    grid = SurfaceGrid(BOARD, under(BOARD, level).affine, BOARD.crs)
    ground_m, built_m = (
        height_m[grid.first_row :, grid.first_column :][: grid.height, : grid.width].copy()
        for height_m in (wall, level)
    )
    found = intervisibility(
        BOARD, grid, ground_m, built_m, eye_m=2.0, target_m=2.0, n_pairs=99, seed=1
    )
    for seen in (found.near, found.overall):
        assert 0 < seen.on_board_only < seen.n_pairs
        assert seen.on_both + seen.on_board_only == seen.n_pairs == 99


def test_every_kernel_was_called(called: set[Any]) -> None:
    """What runs above runs every function there is, and compiles each kernel once.

    Kernels of rasters may be compiled for heights of both kinds.
    """
    if IS_PLAIN:
        assert [f"{f.__module__}.{f.__name__}" for f in FUNCTIONS if f not in called] == []
        return
    for function in FUNCTIONS:
        kinds = {str(kind).replace("float32", "float64") for kind in function.signatures}
        if function.targetoptions.get("no_cpython_wrapper") is None:
            assert len(kinds) == 1, function.__name__


@pytest.mark.skipif(IS_PLAIN, reason="nothing is compiled")
def test_a_kernel_follows_what_it_calls(tmp_path: Path) -> None:
    """It is compiled again where a helper or a tuple beside it was changed, and only there."""
    kept = {"PYTHONPATH": str(Path(hexterra.__file__).parents[1]), "PYTHONDONTWRITEBYTECODE": "1"}
    environment = os.environ | kept | {"NUMBA_CACHE_DIR": str(tmp_path / "cache")}
    head = "from typing import NamedTuple\nfrom hexterra.kernels.compiled import helper, kernel\n"
    outer = "from inner import *\n@kernel\ndef outer(given):\n    return inner(given.x)\n"
    (tmp_path / "outer.py").write_text(head + outer)
    show = "from outer import *; print(outer(GIVEN), sum(outer.stats.cache_misses.values()))"
    for factor, name, n_compiled in ((2, "One", 1), (3, "One", 1), (4, "Two", 1), (4, "Two", 0)):
        given = f"class {name}(NamedTuple):\n    x: int\nGIVEN = {name}(7)\n"
        inner = f"@helper\ndef inner(x):\n    return {factor} * x\n"
        (tmp_path / "inner.py").write_text(head + given + inner)
        run = [sys.executable, "-c", show]
        shown = subprocess.check_output(run, cwd=tmp_path, env=environment, text=True)
        assert shown.split() == [str(7 * factor), str(n_compiled)]
