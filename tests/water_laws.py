"""What is promised of all watercourses, and rough ground to run them on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hexterra.stages.water.flow import (
    MAX_INFLOWS,
    MAX_INFLOWS_AT_SINK,
    Watercourses,
    WaterKind,
)
from tests.plain import flow as plain


def fractal(rows: int, columns: int, seed: int) -> NDArray[np.float64]:
    """Make rough ground of 0 to 800 m, (rows, columns), with many depressions."""
    noise = np.random.default_rng(seed).standard_normal((rows, columns))
    waves = np.hypot(*np.meshgrid(np.fft.fftfreq(rows), np.fft.fftfreq(columns), indexing="ij"))
    waves[0, 0] = 1.0
    ground = np.fft.ifft2(np.fft.fft2(noise) / waves**1.6).real
    return 800.0 * (ground - ground.min()) / np.ptp(ground)


def check_laws(water: Watercourses) -> None:
    """Check all that is promised of watercourses, whatever the ground."""
    lattice = water.heights.lattice
    n = lattice.n_cells
    cells = np.arange(n)
    neighbours = lattice.neighbours
    is_sink = water.receiver == cells
    down = water.receiver[~is_sink]

    np.testing.assert_array_equal(neighbours[~is_sink, water.receiver_side[~is_sink]], down)
    assert (water.receiver_side[is_sink] == -1).all()
    visit = np.empty(n, dtype=int)
    visit[water.order] = cells
    assert (visit[~is_sink] < visit[down]).all()
    assert (water.filled_m >= water.heights.mean_m).all()
    assert (water.filled_m[down] <= water.filled_m[~is_sink]).all()
    np.testing.assert_allclose(water.catchment_m2[is_sink].sum(), lattice.area_m2.sum(), rtol=1e-12)
    np.testing.assert_allclose(
        water.catchment_m2, plain.catchments(water.receiver.tolist(), lattice.area_m2.tolist())
    )

    wet = water.is_watercourse
    runs = wet & ~is_sink
    np.testing.assert_array_equal(water.outflow, np.where(runs, water.receiver_side, -1))
    assert wet[water.receiver[runs]].all()
    inflows = np.bincount(water.receiver[runs], minlength=n)
    assert (inflows[is_sink] <= MAX_INFLOWS_AT_SINK).all()
    assert (inflows[~is_sink] <= MAX_INFLOWS).all()
    np.testing.assert_array_equal(water.ports.sum(axis=1), inflows + runs)
    for cell, side in zip(*np.nonzero(water.ports), strict=True):
        other, back = neighbours[cell, side], lattice.back_sides[cell, side]
        assert other >= 0
        assert water.ports[other, back]
        assert (water.outflow[cell] == side) != (water.outflow[other] == back)
    expected = np.select(
        [~wet, is_sink & lattice.is_rim, is_sink, inflows == 0, inflows == 1],
        [WaterKind.DRY, WaterKind.MOUTH, WaterKind.POOL, WaterKind.SPRING, WaterKind.REACH],
        WaterKind.CONFLUENCE,
    )
    comes_in = water.kind == WaterKind.ENTRY
    assert lattice.is_rim[comes_in].all()
    expected[comes_in & (expected == WaterKind.SPRING)] = WaterKind.ENTRY
    np.testing.assert_array_equal(water.kind, expected)
    assert (inflows[wet & is_sink] > 0).all()
