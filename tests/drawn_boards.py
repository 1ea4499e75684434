"""Boards drawn at random, with heights, cliffs, pins and water."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import assume
from hypothesis import strategies as st

from hexterra.lattice.board import Board
from hexterra.stages.levels.quantise import quantise
from hexterra.stages.water.flow import flow
from tests.level_ground import heights_of

FACINGS = ("points", "flats")


def board(columns: int, rows: int, facing: Any = "points", edges: Any = "whole") -> Board:
    """Make a small table."""
    return Board(columns, rows, 100.0, facing, edges, 25000.0, 10.0, 20.0)


SIZES = st.tuples(st.integers(2, 7), st.integers(2, 7))


@st.composite
def boards(draw):
    """Draw a board, random heights, cliffs, pins and water, and the limit of its ramps."""
    columns, rows = draw(SIZES)
    lattice = board(columns, rows, draw(st.sampled_from(FACINGS)), "straight")
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    if draw(st.booleans()):
        lattice = lattice.only(random.random(lattice.n_cells) < 0.9)
        assume(lattice.n_cells > 1)
    height = random.normal(scale=draw(st.sampled_from([0.5, 2.0, 5.0])), size=lattice.n_cells)
    height += lattice.row * draw(st.sampled_from([0.0, 0.7, 1.9]))
    heights = heights_of(lattice, height - height.min())
    levels = quantise(heights, metres_per_step=1.0, datum_m=0.0)
    cliffs = np.zeros((lattice.n_cells, 6), dtype=bool)
    share = draw(st.sampled_from([0.0, 0.1, 0.4]))
    for i, side in lattice.seams:
        if random.random() < share:
            other = lattice.neighbours[i, side]
            cliffs[i, side] = cliffs[other, lattice.back_sides[i, side]] = True
    pins = [
        (int(i), int(random.integers(0, len(levels.thresholds_m) + 1)))
        for i in random.permutation(lattice.n_cells)[: draw(st.integers(0, 2))]
    ]
    water = flow(heights, threshold_m2=draw(st.sampled_from([2.0, 4.0])) * lattice.area_m2[0])
    limit = draw(st.sampled_from([1, 2]))
    return levels, draw(st.sampled_from([water, None])), limit, cliffs, pins
