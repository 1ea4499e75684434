"""A board -> a better one: places are searched again where it costs more than it may have to.

Part of `refine`. Moves that must be made together in a dozen cells are beyond the small ones, and
cells that choose in turn choose wrong where messages leave a tie. The bound tells in which cells a
board pays for that; all around such a cell is solved for itself while the others stay.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.stages.search.bounds import Search
from hexterra.stages.search.message_passing import Passing
from hexterra.stages.search.prices import FORBIDDEN


class SearchWindow(NamedTuple):
    """How many cells around a place are searched, and how hard."""

    radius: int
    n_rounds: int
    n_most: int


#: Tried in turn until a place is better.
WINDOWS: Final = (SearchWindow(2, 3, 20), SearchWindow(4, 4, 30), SearchWindow(6, 8, 50))
#: Where it takes more to repair a board that breaks rules.
WIDE_WINDOWS: Final = (*WINDOWS, SearchWindow(9, 12, 100), SearchWindow(10, 12, 800))
#: Cells so far from the edge of a window have been searched as well.
RIM: Final = 2
#: Cells in which a board pays less than this too much are left alone.
WORTH: Final = 0.3
#: A board that breaks rules is searched so many times.
MOST_TIMES: Final = 3
#: Cheaper by less may be rounding.
LEAST_GAIN: Final = 1e-6


class Review:
    """The best board so far, improved again and again; what was searched already is left alone."""

    def __init__(self, search: Search) -> None:
        self._search = search
        self._corners = search.corners
        self._is_best = np.zeros(len(search.corners), dtype=bool)

    def improve(self) -> Generator[None, None, None]:
        """Search again wherever the board costs too much, pausing between windows.

        The last sweep must have been up, here and in `repair`.
        """
        search, lattice = self._search, self._search.choices.tiles.lattice
        corners = search.corners.copy()
        is_new = (corners != self._corners).any(axis=1)
        self._is_best &= ~lattice.spread(is_new, WINDOWS[-1].radius)
        is_done = self._is_best.copy()
        for cell in _dearest(search.excess(corners), WORTH):
            if is_done[cell]:
                continue
            for window in WINDOWS:
                is_improved = _improve_around(search, corners, cell, window)
                yield
                if is_improved:
                    is_done[lattice.around(cell, window.radius - RIM)] = True
                    break
            else:
                inner = lattice.around(cell, WINDOWS[-1].radius - RIM)
                is_done[inner] = self._is_best[inner] = True
        self._corners = corners
        search.try_candidate(corners)


def repair(
    search: Search, corners: NDArray[np.int32], windows: tuple[SearchWindow, ...]
) -> Generator[None, None, None]:
    """Search a board again wherever it breaks a rule and propose it, pausing between windows.

    What the messages suggest may cost hardly more than the bound and break rules in a few places
    only, while no small moves lead there from a board that keeps them.
    """
    choices, lattice = search.choices, search.choices.tiles.lattice
    corners = corners.copy()
    for _ in range(MOST_TIMES):
        is_improved = False
        for cell in _dearest(search.excess(corners), 0.5 * FORBIDDEN):
            for window in windows:
                if choices.price_around(lattice.around(cell, 1), corners) < FORBIDDEN:
                    break
                is_improved |= _improve_around(search, corners, cell, window)
                yield
        if not is_improved:
            break
    search.try_candidate(corners)


def _dearest(excess: NDArray[np.float64], least: float) -> list[int]:
    """List the cells in which a board pays too much, worst first."""
    n = np.count_nonzero(excess >= least)
    return np.argsort(-excess, kind="stable")[:n].tolist()


def _improve_around(
    search: Search, corners: NDArray[np.int32], cell: int, window: SearchWindow
) -> bool:
    """Improve a board in place, around a cell only; return whether it was possible."""
    cells = search.choices.tiles.lattice.around(cell, window.radius)
    cost = search.price_around(cells, corners) - LEAST_GAIN
    passing = Passing(search.field.within(cells, corners))
    for _ in range(window.n_rounds):
        if passing.round(cost) > cost:
            return False
    found = passing.field.decide(cost, window.n_most)
    if found is None:
        return False
    corners[cells] = found[0]
    return True
