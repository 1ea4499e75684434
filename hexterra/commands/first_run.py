"""The first run on a machine: compile the later kernels in a second process, beside the first.

Compiling is the only slow part of a first run, and numba compiles one kernel at a time in a
process. While the command samples the ground, this module, run as a program, puts a tiny board
through the stages that come after; what it compiles is cached, and found when the command gets
there. If it is late, the command compiles for itself: the result is the same.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Generator
from contextlib import contextmanager

import numpy as np

from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.lattice.board import Board
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.levels.quantise import quantise
from hexterra.stages.sampling.gather import Heights
from hexterra.stages.search.refine import refine
from hexterra.stages.tiles.fit import fit


@contextmanager
def compiling_beside() -> Generator[None, None, None]:
    """Compile the later kernels in a second process while the block runs."""
    beside = subprocess.Popen(
        # Without -P, a copy of the package in the working folder would be compiled instead.
        [sys.executable, "-P", "-m", "hexterra.commands.first_run"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield
    finally:
        beside.kill()
        beside.wait()


def compile_later_kernels() -> None:
    """Put a tiny board through the stages after `gather`."""
    board = Board(4, 4, 100.0, "points", "straight", 1000.0, 0.0, 0.0)
    mean_m = np.add.outer(np.arange(4.0), 2.0 * np.arange(4.0)).ravel()
    heights = Heights(
        lattice=board,
        mean_m=mean_m,
        min_m=mean_m,
        max_m=mean_m,
        quantiles=(),
        quantile_m=np.empty((16, 0)),
        coverage=np.ones(16),
        corner_m=np.zeros(board.n_corners),
    )
    legal = legalise(quantise(heights, metres_per_step=1.0))
    refine(fit(legal, load_catalogue()))


if __name__ == "__main__":
    compile_later_kernels()
