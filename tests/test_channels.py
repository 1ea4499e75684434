"""Widths, banks and falls of watercourses: worked by hand, and laws."""

from __future__ import annotations

import numpy as np
import pytest

from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.errors import BriefError
from hexterra.stages.levels.cliffs import mark_cliffs
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.levels.quantise import quantise
from hexterra.stages.mapping.ways import ways
from hexterra.stages.sampling.gather import Heights
from hexterra.stages.tiles.channels import Fall, falls, upright_cells, width_classes
from hexterra.stages.tiles.fit import Tiles, fit
from hexterra.stages.water.flow import Watercourses, WaterKind, flow
from tests.level_ground import heights_of
from tests.map_lines import board, features, through
from tests.water_laws import fractal


def tree() -> Watercourses:
    """Draw ten cells by hand: water of 1 to 10 m2 that joins, whatever their places."""
    receiver = np.array([2, 2, 4, 4, 8, 7, 7, 8, 9, 9])
    heights = heights_of(board(5, 2), np.zeros(10))
    n = 10
    return Watercourses(
        heights=heights,
        filled_m=np.zeros(n),
        receiver=receiver,
        receiver_side=np.zeros(n, dtype=np.int8),
        order=np.arange(n, dtype=np.int32),
        catchment_m2=np.array([1, 1, 3, 1, 5, 1, 1, 3, 9, 10.0]),
        is_watercourse=np.ones(n, dtype=bool),
        ports=np.zeros((n, 6), dtype=bool),
        outflow=np.full(n, -1),
        kind=np.full(n, WaterKind.REACH),
    )


def test_width_classes_of_a_tree() -> None:
    """A class begins where its limit is reached."""
    water = tree()
    assert width_classes(water, limits=(3.0, 9.5)).tolist() == [1, 1, 2, 1, 2, 1, 1, 2, 2, 3]
    assert width_classes(water, limits=()).tolist() == [1] * 10


@pytest.mark.parametrize("seed", range(5))
def test_widths_never_fall_downstream(seed: int) -> None:
    """On any ground; dry cells have none."""
    heights = heights_of(board(15, 12), fractal(12, 15, seed).ravel())
    cell_m2 = float(heights.lattice.area_m2[0])
    water = flow(heights, threshold_m2=3.0 * cell_m2)
    runs = np.flatnonzero(water.outflow >= 0)
    width = width_classes(water, limits=(6.0 * cell_m2, 24.0 * cell_m2))
    assert (width[water.receiver[runs]] >= width[runs]).all()
    np.testing.assert_array_equal(width > 0, water.is_watercourse)


def test_canals_have_upright_banks() -> None:
    """The wet cells of a canal, and no others."""
    lattice = board(6, 3)
    heights = heights_of(lattice, 100.0 * np.abs(lattice.row - 1.0) - 1.0 * lattice.column + 90.0)
    water = flow(heights, threshold_m2=2.0 * float(lattice.area_m2[0]))
    lines = [through(lattice, "C2", "E2"), through(lattice, "A1", "A3")]
    held = ways(features(lines, lattice, kinds=["canal", "road"]), lattice)
    stands = upright_cells(water, held, ["canal"])
    expected = {lattice.labels.index(name) for name in ("C2", "D2", "E2")}
    assert set(np.flatnonzero(stands).tolist()) == expected & set(
        np.flatnonzero(water.is_watercourse).tolist()
    )
    assert stands.any()


def stepped() -> Heights:
    """Make a valley along the middle row that drops by 200 m between columns C and D."""
    lattice = board(6, 3)
    drop = np.where(lattice.column < 3, 200.0, 0.0)
    ground = 30.0 * np.abs(lattice.row - 1.0) - 1.0 * lattice.column + drop + 10.0
    return heights_of(lattice, ground)


def built(heights: Heights, *, rise_steps: int | None) -> Tiles:
    """Build ground with water, cliffs marked from a rise on."""
    water = flow(heights, threshold_m2=2.0 * float(heights.lattice.area_m2[0]))
    levels = quantise(heights, metres_per_step=50.0)
    cliffs = None if rise_steps is None else mark_cliffs(levels, rise_steps=rise_steps)
    return fit(legalise(levels, water=water, cliffs=cliffs), load_catalogue(None))


def test_water_falls_where_its_way_out_is_a_cliff() -> None:
    """A drop of 200 m is 4 steps of 50 m; from C2 over side 0 to D2."""
    tiles = built(stepped(), rise_steps=3)
    lattice = tiles.legal.levels.heights.lattice
    start, end = lattice.labels.index("C2"), lattice.labels.index("D2")
    assert Fall(start, 0, end, 4) in falls(tiles)
    for fall in falls(tiles):
        assert tiles.cliff[fall.cell, fall.side]
        assert fall.steps > 0


def test_without_cliffs_nothing_falls() -> None:
    """The same ground built with ramps has no fall."""
    tiles = built(stepped(), rise_steps=None)
    assert falls(tiles) == ()


def test_a_dry_board_has_no_falls() -> None:
    """Without water there is nothing to fall."""
    levels = quantise(stepped(), metres_per_step=50.0)
    tiles = fit(legalise(levels), load_catalogue(None))
    assert falls(tiles) == ()


@pytest.mark.parametrize(
    "limits", [(0.0,), (2.0, 1.0), (float("nan"),), (1.0, 1.0), (1.0, 2.0, 3.0, 4.0)]
)
def test_limits_must_ascend(limits: tuple[float, ...]) -> None:
    """Limits ascend from above 0, and there are three at most."""
    with pytest.raises(BriefError, match="ascend"):
        width_classes(tree(), limits=limits)
