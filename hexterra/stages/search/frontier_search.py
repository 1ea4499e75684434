"""The proof where boards are narrow: all boards that may be the best, built up cell by cell.

Part of `refine`. The messages bound the cost of what is still open, so only partial boards that may
become a better board are extended; a narrow board has few of them.
"""

from __future__ import annotations

import time
from collections.abc import Generator
from typing import Final

from hexterra.stages.search.bounds import Search
from hexterra.stages.search.exact_search import relax, seconds_left

#: Partial boards to keep, attempt by attempt. With more, `prove` is quicker.
N_PARTIAL: Final = (300, 4_800, 76_800)
#: One more attempt once the best messages are known. With more labels left than this, finding them
#: takes longer than it saves.
MOST_PARTIAL: Final = 2_000_000
MOST_LABELS: Final = 6_000
#: Rounds after a better board or bound was found, to drop the labels that it rules out.
ROUNDS_BETWEEN: Final = 10


def search_frontier(search: Search, end: float | None) -> Generator[None, None, bool]:
    """Search for the best board, pausing between attempts; return whether it is proven.

    The last sweep must have been up.

    Dynamic programming over layers (Held and Karp, Journal of the Society for Industrial and
    Applied Mathematics 10(1), 1962) with bounds. A better board that is not proven is kept too.
    """
    if (yield from _attempt(search, N_PARTIAL[0])):
        return True
    limits = N_PARTIAL[1:]
    if int(search.field.labels.n_left.sum()) <= MOST_LABELS:
        relax(search, seconds_left(end))
        yield
        _rule_out(search)
        limits = (*limits, MOST_PARTIAL)
    took_s, last = 0.0, N_PARTIAL[0]
    for n_kept in limits:
        left_s = seconds_left(end)
        if left_s is not None and n_kept / last * took_s > left_s:
            return False
        start = time.monotonic()
        if (yield from _attempt(search, n_kept)):
            return True
        took_s, last = time.monotonic() - start, n_kept
    return False


def _attempt(search: Search, n_kept: int) -> Generator[None, None, bool]:
    """Try with this many partial boards; return whether the best board is proven."""
    found = search.field.search_partial_boards(search.cost, n_kept)
    before = search.cost
    if found is not None:
        corners, is_proven = found
        search.try_candidate(corners)
        if is_proven:
            search.raise_bound(search.cost - search.field.margin)
            return True
    yield
    if search.cost < before:
        _rule_out(search)
    return False


def _rule_out(search: Search) -> None:
    """Drop the labels that a better board or bound rules out."""
    for _ in range(ROUNDS_BETWEEN):
        search.round()
