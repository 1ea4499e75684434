"""Natural breaks: the best split of sorted numbers into classes.

Called by `hexterra.stages.levels.quantise` only, which sorts, merges equal numbers and sums them
up.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.compiled import kernel


@kernel
def natural_breaks(
    count: NDArray[np.float64],
    total: NDArray[np.float64],
    square: NDArray[np.float64],
    n_classes: int,
) -> NDArray[np.int32]:
    """Find the first item of classes 1, 2, ... so that squares within classes sum to the least.

    `count`, `total` and `square`, (n + 1,), are running sums over the items: of how often each
    occurs, times its value, times its square. Dynamic programming over the last class (Fisher,
    "On grouping for maximum homogeneity", Journal of the American Statistical Association 53,
    1958), where the best start of the last class never moves down as items are added, so each
    class takes n log n sums by halving. Equally good splits: the lowest starts win.
    """
    n = len(count) - 1
    start = np.zeros((n_classes, n), np.int32)
    best = np.empty(n)
    grown = np.empty(n)
    for i in range(n):
        best[i] = square[i + 1] - total[i + 1] * total[i + 1] / count[i + 1]
    task = np.empty((64, 4), np.int32)  # item range and start range; a halving is 31 deep at most
    for c in range(1, n_classes):
        task[0, 0], task[0, 1], task[0, 2], task[0, 3] = c, n - 1, c, n - 1
        n_tasks = 1
        while n_tasks > 0:
            n_tasks -= 1
            low, high = task[n_tasks, 0], task[n_tasks, 1]
            least, most = task[n_tasks, 2], task[n_tasks, 3]
            if low > high:
                continue
            i = (low + high) // 2
            smallest = np.inf
            chosen = least
            for m in range(least, min(i, most) + 1):
                t = total[i + 1] - total[m]
                cost = best[m - 1] + square[i + 1] - square[m] - t * t / (count[i + 1] - count[m])
                if cost < smallest:
                    smallest = cost
                    chosen = m
            grown[i] = smallest
            start[c, i] = chosen
            task[n_tasks, 0], task[n_tasks, 1] = low, i - 1
            task[n_tasks, 2], task[n_tasks, 3] = least, chosen
            n_tasks += 1
            task[n_tasks, 0], task[n_tasks, 1] = i + 1, high
            task[n_tasks, 2], task[n_tasks, 3] = chosen, most
            n_tasks += 1
        for i in range(c, n):
            best[i] = grown[i]

    cut = np.empty(n_classes - 1, np.int32)
    last = n - 1
    for c in range(n_classes - 1, 0, -1):
        cut[c - 1] = start[c, last]
        last = start[c, last] - 1
    return cut
