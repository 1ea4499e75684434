"""Heights that are level within each cell, which is all that levels and water are made from."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from hexterra.lattice.lattice import Lattice
from hexterra.stages.sampling.gather import Heights


def heights_of(lattice: Lattice, mean_m: ArrayLike) -> Heights:
    """Give each cell its mean height, in metres, as its lowest and highest too."""
    mean = np.array(mean_m, dtype=np.float64)
    n = lattice.n_cells
    return Heights(
        lattice, mean, mean, mean, (), np.empty((n, 0)), np.ones(n), np.zeros(lattice.n_corners)
    )
