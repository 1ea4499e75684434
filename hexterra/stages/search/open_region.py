"""The whole board -> the part of it that is still open, where messages are passed on.

Part of `refine`. On most of a board cost and bound soon meet. What is left are places that depend
on each other far along the water, and these need many more rounds, but not all other cells.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.stages.search.bounds import Search
from hexterra.stages.search.message_passing import Passing

#: A cell is open if the best board costs more there than the bound by this much; so are all that
#: are at most so many steps from it.
OPEN: Final = 0.02
REACH: Final = 4
#: Not worth while for more of the board than this.
MANY: Final = 0.6
#: Rounds on what is open, and on the whole board if that is most of it.
N_ROUNDS: Final = 20
N_ROUNDS_ON_ALL: Final = 8
#: What share of all that a watercourse cell passes on goes along the water where it is open.
ALONG_WATER: Final = 0.95


def pass_on(search: Search, passing: Passing, n_rounds: int) -> Generator[None, None, None]:
    """Raise the bound by rounds on a board or a part of it, pausing between them."""
    for _ in range(n_rounds):
        search.prove(passing.round(search.cost))
        yield
        search.prove(passing.leap(search.cost))
        yield


def narrow(search: Search) -> Generator[None, None, None]:
    """Raise the bound by rounds on the open cells, or on the whole board if they are many or none.

    The last sweep must have been up, and is after it.
    """
    lattice = search.choices.tiles.lattice
    is_open = lattice.spread(search.excess(search.corners) > OPEN, REACH)
    is_worth = 0 < np.count_nonzero(is_open) < MANY * len(is_open)
    if not (is_worth and (yield from _pass_on_within(search, np.flatnonzero(is_open)))):
        yield from pass_on(search, search.passing, N_ROUNDS_ON_ALL)


def _pass_on_within(search: Search, cells: NDArray[np.intp]) -> Generator[None, None, bool]:
    """Raise the bound by rounds on some cells; return whether the whole board proves as much."""
    whole = search.passing
    field, rest = search.field.open(cells, ALONG_WATER)
    yield from pass_on(search, Passing(field, rest - search.field.margin), N_ROUNDS)
    message, bound = search.field.messages.value.copy(), whole.bound
    search.field.close(cells, field)
    whole.restart()
    search.round()
    if whole.bound >= bound:
        return True
    search.field.messages.value[:] = message
    whole.restart()
    search.round()
    return False
