"""A board -> a better one: small regions are solved again where the cost exceeds the bound.

Part of `refine`. Local moves do not find changes that must be made in a dozen cells together, and
cells that choose in turn choose wrong where messages leave a tie. The bound shows which cells
cost too much; the region around such a cell is then solved while all others stay fixed.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.stages.search.bounds import Search
from hexterra.stages.search.message_passing import MessagePassing
from hexterra.stages.search.prices import FORBIDDEN


class SearchWindow(NamedTuple):
    """How far around a cell to search, rounds of messages, and partial boards to keep."""

    radius: int
    n_rounds: int
    n_kept: int


#: Tried in turn until the board improves around a cell.
WINDOWS: Final = (SearchWindow(2, 3, 20), SearchWindow(4, 4, 30), SearchWindow(6, 8, 50))
#: Tried where a board that breaks rules is far from the bound.
WIDE_WINDOWS: Final = (*WINDOWS, SearchWindow(9, 12, 100), SearchWindow(10, 12, 800))
#: Cells at least so far inside a window count as searched too.
RIM: Final = 2
#: Cells whose cost exceeds the bound by less than this are left alone.
WORTH: Final = 0.3
#: Passes over a board that breaks rules.
MOST_TIMES: Final = 3
#: A smaller gain may be rounding.
LEAST_GAIN: Final = 1e-6


class Review:
    """Improves the best board so far, again and again; skips what was searched already."""

    def __init__(self, search: Search) -> None:
        self._search = search
        self._corners = search.corners
        self._is_searched = np.zeros(len(search.corners), dtype=bool)

    def improve(self) -> Generator[None, None, None]:
        """Search again wherever the board costs too much, pausing between windows.

        The last sweep must have been up, here and in `repair`.
        """
        search, lattice = self._search, self._search.choices.tiles.lattice
        corners = search.corners.copy()
        is_new = (corners != self._corners).any(axis=1)
        self._is_searched &= ~lattice.spread(is_new, WINDOWS[-1].radius)
        is_done = self._is_searched.copy()
        for cell in _costliest_cells(search.excess(corners), WORTH):
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
                is_done[inner] = self._is_searched[inner] = True
        self._corners = corners
        search.try_candidate(corners)


def repair(
    search: Search, corners: NDArray[np.int32], windows: tuple[SearchWindow, ...]
) -> Generator[None, None, None]:
    """Search a board again wherever it breaks a rule and propose it, pausing between windows.

    A board that the messages suggest may cost hardly more than the bound and break rules in a few
    cells only, while no local moves lead there from a board that keeps the rules.
    """
    choices, lattice = search.choices, search.choices.tiles.lattice
    corners = corners.copy()
    for _ in range(MOST_TIMES):
        is_improved = False
        for cell in _costliest_cells(search.excess(corners), 0.5 * FORBIDDEN):
            for window in windows:
                if choices.price_around(lattice.around(cell, 1), corners) < FORBIDDEN:
                    break
                is_improved |= _improve_around(search, corners, cell, window)
                yield
        if not is_improved:
            break
    search.try_candidate(corners)


def _costliest_cells(excess: NDArray[np.float64], least: float) -> list[int]:
    """List the cells whose excess is at least this, greatest first."""
    n = np.count_nonzero(excess >= least)
    return np.argsort(-excess, kind="stable")[:n].tolist()


def _improve_around(
    search: Search, corners: NDArray[np.int32], cell: int, window: SearchWindow
) -> bool:
    """Improve a board in place, around a cell only; return whether it was possible."""
    cells = search.choices.tiles.lattice.around(cell, window.radius)
    cost = search.price_around(cells, corners) - LEAST_GAIN
    passing = MessagePassing(search.field.fix_others(cells, corners))
    for _ in range(window.n_rounds):
        if passing.round(cost) > cost:
            return False
    found = passing.field.search_partial_boards(cost, window.n_kept)
    if found is None:
        return False
    corners[cells] = found[0]
    return True
