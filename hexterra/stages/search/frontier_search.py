"""The proof where boards are narrow: all boards that may be the best, built up cell after cell.

Part of `refine`. What is still to be decided is priced by the messages, so only partial assignments
that may end as a better board go on; a narrow board has few of them.
"""

from __future__ import annotations

import time
from collections.abc import Generator
from typing import Final

from hexterra.stages.search.bounds import Search
from hexterra.stages.search.exact_search import seconds_left
from hexterra.stages.search.linear_relaxation import relax

#: Partial assignments that there is room for, attempt by attempt. With more, `prove` is quicker.
N_PARTIAL: Final = (300, 4_800, 76_800)
#: One attempt more where the best messages are known. With more labels left than these, they take
#: longer to find than they save.
MOST_PARTIAL: Final = 2_000_000
MOST_LABELS: Final = 6_000
#: Rounds after a better board or bound was found, to drop the labels that it rules out.
ROUNDS_BETWEEN: Final = 10


def decide(search: Search, end: float | None) -> Generator[None, None, bool]:
    """Look for the best board, pausing between attempts; return whether it is proven.

    The last sweep must have been up.

    Dynamic programming over layers (Held and Karp, Journal of the Society for Industrial and
    Applied Mathematics 10(1), 1962) with bounds. A better board is kept without a proof too.
    """
    if (yield from _attempt(search, N_PARTIAL[0])):
        return True
    n_partial = N_PARTIAL[1:]
    if int(search.field.labels.n_left.sum()) <= MOST_LABELS:
        relax(search, seconds_left(end))
        yield
        _rule_out(search)
        n_partial = (*n_partial, MOST_PARTIAL)
    took_s, last = 0.0, N_PARTIAL[0]
    for n_most in n_partial:
        left_s = seconds_left(end)
        if left_s is not None and n_most / last * took_s > left_s:
            return False
        start = time.monotonic()
        if (yield from _attempt(search, n_most)):
            return True
        took_s, last = time.monotonic() - start, n_most
    return False


def _attempt(search: Search, n_most: int) -> Generator[None, None, bool]:
    """Try with room for so many partial assignments; return whether the best board is proven."""
    found = search.field.decide(search.cost, n_most)
    before = search.cost
    if found is not None:
        corners, is_proven = found
        search.try_candidate(corners)
        if is_proven:
            search.prove(search.cost - search.field.margin)
            return True
    yield
    if search.cost < before:
        _rule_out(search)
    return False


def _rule_out(search: Search) -> None:
    """Drop the labels that a better board or bound rules out."""
    for _ in range(ROUNDS_BETWEEN):
        search.round()
