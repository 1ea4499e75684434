"""The part of a board where cost and bound still differ: messages are passed there only.

Part of `refine`. On most of a board cost and bound soon meet. The cells that remain depend on each
other far along the water and need many more rounds; all other cells do not.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.stages.search.bounds import Search
from hexterra.stages.search.message_passing import MessagePassing

#: A cell is open if the cost of the best board exceeds the bound there by more than this; so are
#: all cells at most so many cells away.
OPEN: Final = 0.02
REACH: Final = 4
#: If a greater share of the board is open, rounds run on all of it.
MANY: Final = 0.6
#: Rounds on the open cells, and on the whole board.
N_ROUNDS: Final = 20
N_ROUNDS_ON_ALL: Final = 8
#: The share of a watercourse cell's outgoing messages that goes along the water, in open cells.
ALONG_WATER: Final = 0.95


def pass_messages(
    search: Search, passing: MessagePassing, n_rounds: int
) -> Generator[None, None, None]:
    """Raise the bound by rounds on a board or a part of it, pausing between them."""
    for _ in range(n_rounds):
        search.raise_bound(passing.round(search.cost))
        yield
        search.raise_bound(passing.leap(search.cost))
        yield


def raise_bound_where_open(search: Search) -> Generator[None, None, None]:
    """Raise the bound by rounds on the open cells, or on the whole board if they are many or none.

    The last sweep must have been up, and is after it.
    """
    lattice = search.choices.tiles.lattice
    is_open = lattice.spread(search.excess(search.corners) > OPEN, REACH)
    is_worth = 0 < np.count_nonzero(is_open) < MANY * len(is_open)
    if not (is_worth and (yield from _pass_messages_within(search, np.flatnonzero(is_open)))):
        yield from pass_messages(search, search.passing, N_ROUNDS_ON_ALL)


def _pass_messages_within(search: Search, cells: NDArray[np.intp]) -> Generator[None, None, bool]:
    """Raise the bound by rounds on some cells; return whether the whole board proves it too."""
    whole = search.passing
    field, rest = search.field.extract(cells, ALONG_WATER)
    yield from pass_messages(search, MessagePassing(field, rest - search.field.margin), N_ROUNDS)
    message, bound = search.field.messages.value.copy(), whole.bound
    search.field.merge(cells, field)
    whole.restart()
    search.round()
    if whole.bound >= bound:
        return True
    search.field.messages.value[:] = message
    whole.restart()
    search.round()
    return False
