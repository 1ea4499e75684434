"""How long legalising takes, beside HiGHS on the same boards in the same run.

The ground is an invented fractal surface whose neighbouring cells differ by one step or less in
about two of three cases: the rest has to be repaired.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pytest_benchmark.fixture import BenchmarkFixture
from scipy.optimize import linprog
from scipy.sparse import coo_array, vstack

import hexterra.stages.levels.legalise as stage
from hexterra.lattice.board import Board
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.levels.quantise import Levels, quantise
from tests.level_ground import heights_of

ROUGHNESS_STEPS = 1.0  # standard deviation of the rise between neighbours
DECAY = 2.0  # of the amplitude with the wave number


def fractal(columns: int, rows: int, seed: int) -> Levels:
    """Make wanted levels of a board on fractal ground."""
    lattice = Board(columns, rows, 100.0, "points", "straight", 5000.0, 9.0, 46.0)
    n = 512
    waves = np.hypot(*np.meshgrid(np.fft.fftfreq(n), np.fft.fftfreq(n)))
    waves[0, 0] = np.inf
    noise = np.fft.fft2(np.random.default_rng(seed).standard_normal((n, n)))
    ground = np.fft.ifft2(noise * waves**-DECAY).real
    at = np.round(lattice.centre_mm / lattice.across_flats_mm).astype(int) % n
    mean = ground[at[:, 1], at[:, 0]]
    cell, side = lattice.seams.T
    rise = mean[lattice.neighbours[cell, side]] - mean[cell]
    mean = (mean - mean.min()) / rise.std() * ROUGHNESS_STEPS
    return quantise(heights_of(lattice, mean), metres_per_step=1.0, datum_m=0.0)


def programme(levels: Levels) -> tuple[dict[str, Any], float]:
    """Write the same task as a linear programme, and its constant.

    A level is the floor of its position, less what it falls, plus the unit up to the next whole
    level, plus what it rises further.
    """
    lattice = levels.heights.lattice
    n = lattice.n_cells
    floor = np.floor(levels.position)
    rest = levels.position - floor
    cell, side = lattice.seams.T.astype(np.int64)
    pair = np.arange(len(cell))
    one, other = cell, lattice.neighbours[cell, side].astype(np.int64)
    row = np.concatenate([pair] * 6)
    column = np.concatenate([one, n + one, 2 * n + one, other, n + other, 2 * n + other])
    sign = np.repeat([-1.0, 1.0, 1.0, 1.0, -1.0, -1.0], len(pair))
    above = coo_array((sign, (row, column)), shape=(len(pair), 3 * n))
    k = len(levels.thresholds_m)
    bounds = np.zeros((3 * n, 2))
    bounds[:n, 1] = floor
    bounds[n : 2 * n, 1] = np.minimum(1.0, k - floor)
    bounds[2 * n :, 1] = np.maximum(k - floor - 1.0, 0.0)
    both = vstack([above, -above]).tocsr()
    most = np.concatenate([1.0 - floor[one] + floor[other], 1.0 + floor[one] - floor[other]])
    spec: dict[str, Any] = {
        "c": np.concatenate([np.ones(n), 1.0 - 2.0 * rest, np.ones(n)]),
        "A_ub": both,
        "b_ub": most,
        "bounds": bounds,
        "method": "highs-ds",
    }
    return spec, float(rest.sum())


def seconds(call: Callable[[], object]) -> float:
    """Time one call."""
    begin = time.perf_counter()
    call()
    return time.perf_counter() - begin


def kernel_seconds(levels: Levels, monkeypatch: pytest.MonkeyPatch) -> float:
    """Time what one call spends in compiled code."""
    spent = 0.0
    with monkeypatch.context() as patch:
        for name in ("tighten", "raise_levels"):
            compiled = getattr(stage, name)

            def timed(*arrays: NDArray[np.generic], run: Callable[..., None] = compiled) -> None:
                nonlocal spent
                spent += seconds(lambda: run(*arrays))

            patch.setattr(stage, name, timed)
        legalise(levels)
    return spent


@pytest.mark.parametrize(("columns", "rows", "n_runs"), [(30, 20, 15), (100, 100, 3)])
def test_beside_highs(
    columns: int,
    rows: int,
    n_runs: int,
    benchmark: BenchmarkFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The same optimum as HiGHS's dual simplex; print how many times sooner."""
    levels = fractal(columns, rows, seed=1)
    spec, constant = programme(levels)
    answer = linprog(**spec)
    assert legalise(levels).cost == pytest.approx(answer.fun + constant, rel=1e-6)
    ours, kernel, highs, idle = [], [], [], []
    for _ in range(n_runs):  # in turn, so that a busy machine slows all alike
        highs.append(seconds(lambda: linprog(**spec)))
        idle.append(seconds(lambda: linprog(**spec, options={"maxiter": 0})))
        ours += [seconds(lambda: legalise(levels)) for _ in range(5)]
        kernel += [kernel_seconds(levels, monkeypatch) for _ in range(5)]
    solve = min(highs) - min(idle)
    facts = {
        "cells": columns * rows,
        "ours_ms": min(ours) * 1e3,
        "kernel_ms": min(kernel) * 1e3,
        "highs_ms": min(highs) * 1e3,
        "highs_solve_ms": solve * 1e3,
        "call_ratio": min(highs) / min(ours),
        "solve_ratio": solve / min(kernel),
        "solve_to_call_ratio": solve / min(ours),
    }
    benchmark.extra_info.update(facts)
    benchmark.pedantic(legalise, args=(levels,), rounds=5)
    print(
        f"\n{facts['cells']} cells: legalise {facts['ours_ms']:.2f} ms"
        f" (kernels {facts['kernel_ms']:.2f} ms), HiGHS call {facts['highs_ms']:.1f} ms"
        f" (solve {facts['highs_solve_ms']:.1f} ms):"
        f" call to call {facts['call_ratio']:.0f}x, solve to kernels {facts['solve_ratio']:.0f}x,"
        f" solve to whole call {facts['solve_to_call_ratio']:.0f}x"
    )


@pytest.mark.parametrize("measure", ["absolute", "square"])
def test_a_hundred_thousand_cells(measure: Any, benchmark: Any) -> None:
    """A board of 400 x 250 cells, proven optimal."""
    levels = fractal(400, 250, seed=1)
    legalise(levels, measure=measure)
    legal = benchmark.pedantic(legalise, args=(levels,), kwargs={"measure": measure}, rounds=3)
    assert legal.cost_units == legal.bound_units
    best = min(benchmark.stats.stats.data)
    print(f"\n100000 cells, {measure}: legalise {best * 1e3:.0f} ms")
