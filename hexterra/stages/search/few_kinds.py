"""A board -> one of fewer different tiles: kinds are taken off it, the cheapest to spare first.

Part of `refine`. A maker sets up guides for every kind of tile, so each kind is work, however few
tiles are of it. What a board may cost more for fewer of them is given as a share of its cost.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.stages.search.bounds import Search
from hexterra.stages.search.candidates import Choices
from hexterra.stages.search.cell_settings import Settings
from hexterra.stages.search.local_search import SearchWindow
from hexterra.stages.search.message_passing import MessagePassing

#: Ways to go about it: what sparing one kind may cost, pass by pass, as a share of all that may be
#: spent; and which kinds are tried first.
WAYS: Final = (
    ((0.1, 1.0), "rarest"),
    ((0.05, 0.3, 1.0), "commonest"),
    ((1.0,), "commonest"),
)
#: On boards of more cells only the first way is tried.
MOST_CELLS: Final = 100
#: How far around a tile its neighbours may change with it.
WINDOWS: Final = (SearchWindow(1, 2, 20), SearchWindow(2, 3, 20))
_FAR: Final = 1e4  # more than any board may spend
_ROUNDING: Final = 1e-9


def spare_kinds(choices: Choices, corners: NDArray[np.int32], share: float) -> NDArray[np.int32]:
    """Return a board with fewer kinds of tile that costs little more.

    All tiles of a kind are replaced, each together with the tiles around it, by tiles of kinds that
    are on the board, at the least cost there. What sparing one may cost grows from pass to pass.
    The rules of the choices are kept.

    Parameters
    ----------
    choices
        Tiles and prices; n is the number of cells.
    corners
        A board of them that breaks no rule, (n, 6) int32.
    share
        How much more the board may cost, as a share of what it costs.
    """
    search = Search(choices, np.zeros(len(choices.settings.kinds), np.int64), 0.0)
    ways = WAYS if len(corners) <= MOST_CELLS else WAYS[:1]
    found = [_spare(search, corners, share, steps, first) for steps, first in ways]
    return min(found, key=lambda board: (len(_used(search, board)), search.price(board)))


def _spare(
    search: Search,
    corners: NDArray[np.int32],
    share: float,
    steps: tuple[float, ...],
    first: str,
) -> NDArray[np.int32]:
    """Spare kinds in passes, the rarest or the commonest first."""
    cost = search.price(corners)
    budget = share * cost
    most = cost + budget + _ROUNDING
    for step in steps:
        kinds = _used(search, corners)
        for kind in kinds if first == "rarest" else kinds[::-1]:
            if search.n_used(corners)[kind] == 0:  # spared together with another
                continue
            limit = min(most, cost + step * budget)
            found = _without(search, corners, kind, limit)
            if found is not None:
                corners, cost = found, search.price(found)
    return corners


def least_kinds(settings: Settings) -> int:
    """Return a number of kinds of tile that no board with these settings goes below.

    Every setting needs a tile of one of the kinds that it allows. The fewest kinds that serve all
    are bounded by the linear relaxation of that covering problem.
    """
    from scipy.optimize import linprog  # slow to load
    from scipy.sparse import csr_array

    rows = [
        (number, kind)
        for number, (kinds, is_allowed) in enumerate(
            zip(settings.kind_of, settings.is_allowed, strict=True)
        )
        for kind in np.unique(kinds[is_allowed]).tolist()
    ]
    row, column = np.array(rows).T
    shape = len(settings.kind_of), len(settings.kinds)
    serves = csr_array((-np.ones(len(row)), (row, column)), shape=shape)
    cover = linprog(np.ones(shape[1]), A_ub=serves, b_ub=-np.ones(shape[0]), method="highs")
    return math.ceil(float(cover.fun) - _ROUNDING)


def _used(search: Search, corners: NDArray[np.int32]) -> list[int]:
    """List the kinds on a board, those of the fewest tiles first; ties go to the lower number."""
    n_used = search.n_used(corners)
    return [kind for kind in np.argsort(n_used, kind="stable").tolist() if n_used[kind] > 0]


def _without(
    search: Search, corners: NDArray[np.int32], kind: int, limit: float
) -> NDArray[np.int32] | None:
    """Return the board without a kind of tile, at most at this cost; None if none was found."""
    may_be_used = search.n_used(corners) > 0
    may_be_used[kind] = False
    cost = search.price(corners)
    for cell in np.flatnonzero(search.kinds(corners) == kind).tolist():
        if search.kinds(corners)[cell] != kind:
            continue
        for window in WINDOWS:
            found = _replace(search, corners, cell, window, may_be_used, limit - cost)
            if found is not None:
                corners, cost = found, search.price(found)
                break
        else:
            return None
    return corners


def _replace(
    search: Search,
    corners: NDArray[np.int32],
    cell: int,
    window: SearchWindow,
    may_be_used: NDArray[np.bool_],
    extra: float,
) -> NDArray[np.int32] | None:
    """Solve the cells around one again with some kinds only, for at most so much more than now."""
    choices = search.choices
    cells = choices.tiles.lattice.around(cell, window.radius)
    most = choices.price_around(cells, corners) + extra
    field = search.field.fix_others(cells, corners)
    setting = np.repeat(choices.settings.setting[cells], np.diff(field.labels.first))
    kind = search.stock.kind_of[setting, field.labels.oriented]
    field.labels.price[~may_be_used[kind]] += _FAR
    passing = MessagePassing(field)
    for _ in range(window.n_rounds):
        if passing.round(most) > most:
            return None
    found = passing.field.search_partial_boards(most, window.n_kept)
    if found is None:
        return None
    replaced = corners.copy()
    replaced[cells] = found[0]
    return replaced
