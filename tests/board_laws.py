"""What is promised of every board of tiles."""

from __future__ import annotations

import numpy as np
import pytest

from hexterra.stages.search.refined import Refined
from hexterra.stages.tiles.fit import Tiles

#: What HiGHS takes for equal, relative to the whole cost.
SOLVER = 4e-6


def check_built(tiles: Tiles) -> None:
    """Check cell by cell and side by side that a board can be built as it says."""
    lattice, catalogue, water = tiles.lattice, tiles.catalogue, tiles.legal.water
    for i in range(lattice.n_cells):
        rises = catalogue.patterns[tiles.pattern[i]].rises
        turned = [tiles.level[i] + rises[(s - tiles.turn[i]) % 6] for s in range(6)]
        assert tiles.corners[i].tolist() == turned
        assert tiles.legal.lower <= tiles.level[i]
        assert max(turned) <= tiles.legal.upper
        for s in range(6):
            j, back = lattice.neighbours[i, s], lattice.back_sides[i, s]
            if j < 0:
                assert not tiles.cliff[i, s]
                continue
            here = (tiles.corners[i, s], tiles.corners[i, (s + 1) % 6])
            there = (tiles.corners[j, (back + 1) % 6], tiles.corners[j, back])
            assert tiles.cliff[i, s] == tiles.cliff[j, back] == (here != there)
            if water is not None and water.ports[i, s]:
                assert here[0] == here[1]
            if water is not None and water.outflow[i] == s:
                assert here[0] == here[1] == tiles.level[i]
                assert there[0] <= here[0]
                assert there[1] <= here[1]
                assert tiles.level[j] <= tiles.level[i]
    is_extra = (tiles.cliff & ~tiles.legal.cliff).any(axis=1)
    assert len(tiles.notes) == int(is_extra.any())
    if is_extra.any():
        named = tiles.notes[0].split(" faces are at ")[1].split(" and ")[0].rstrip(".").split(", ")
        assert named == [lattice.labels[i] for i in np.flatnonzero(is_extra)][:12]
    for cell, level in tiles.legal.pins:
        filled = int(tiles.legal.limit.max())  # a pit as deep as a ramp rises is filled
        assert level <= tiles.level[cell] <= level + filled


def check_sums(refined: Refined) -> None:
    """Check that bound, cost and breakdown agree."""
    assert refined.bound <= refined.cost <= refined.start_cost + 1e-9
    assert sum(amount for _, amount in refined.breakdown) == pytest.approx(refined.cost, rel=1e-9)
    assert min(amount for _, amount in refined.breakdown) >= 0.0
