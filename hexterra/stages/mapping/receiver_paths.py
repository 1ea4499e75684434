"""Courses on a receiver table: without loops, their ends, and their order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def without_loops(cells: list[int]) -> list[int]:
    """Cut out what lies between two visits to a cell."""
    last_visit = {cell: i for i, cell in enumerate(cells)}
    kept: list[int] = []
    i = 0
    while i < len(cells):
        kept.append(cells[i])
        i = last_visit[cells[i]] + 1
    return kept


def root_of(receiver: NDArray[np.int32]) -> NDArray[np.int32]:
    """Find the sink that each cell drains to."""
    root = receiver
    while (root != root[root]).any():
        root = root[root]
    return root


def order_of(receiver: NDArray[np.int32]) -> NDArray[np.int32]:
    """Order cells upstream before downstream: by their number of steps to a sink, then number.

    Steps are counted by doubling jumps, so this takes time n log n whatever the courses.
    """
    jump = receiver
    steps = (receiver != np.arange(len(receiver))).astype(np.int64)
    while (jump != jump[jump]).any():
        steps = steps + steps[jump]
        jump = jump[jump]
    return np.argsort(-steps, kind="stable").astype(np.int32)
