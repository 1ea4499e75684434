"""The proof where boards are narrow: all boards that may be the best, built up cell after cell.

Part of `refine`. What is still to be decided is priced by the messages, so only beginnings that may
end as a better board go on; a narrow board has few of them.
"""

from __future__ import annotations

import time
from collections.abc import Generator
from typing import Final

from hexterra.stages.bounding import Search

#: Beginnings that have room at first, and how many times more each time.
FEWEST_BEGUN: Final = 300
MORE: Final = 4
#: With more, `prove` is quicker.
MOST_BEGUN: Final = 80_000
#: Rounds of sweeps after a better board was found, to drop the labels that it rules out.
ROUNDS_BETWEEN: Final = 10


def decide(search: Search, end: float | None) -> Generator[None, None, bool]:
    """Look for the best board, pausing between attempts; return whether it is proven.

    Dynamic programming over layers (Held and Karp, Journal of the Society for Industrial and
    Applied Mathematics 10(1), 1962) with bounds. A better board is offered without a proof too.
    """
    n_most, took_s = FEWEST_BEGUN, 0.0
    while n_most <= MOST_BEGUN:
        begun = time.monotonic()
        if end is not None and begun + MORE * took_s > end:
            return False
        search.sweep(True)
        found = search.field.decide(search.cost, n_most)
        before = search.cost
        if found is not None:
            corners, is_proven = found
            search.offer(corners)
            if is_proven:
                search.prove(search.cost - search.field.margin)
                return True
        yield
        if search.cost < before:
            for _ in range(ROUNDS_BETWEEN):
                search.round()
        n_most, took_s = MORE * n_most, time.monotonic() - begun
    return False
