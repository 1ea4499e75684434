"""Several boards -> Campaign: one set of pieces from which each of them can be built, in turn.

The set needs as many tiles of a kind as the board that needs most. `refine` can prefer
pieces that are owned already; here, these are the pieces that the other boards need.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from hexterra.errors import BriefError
from hexterra.progress import Progress, silent
from hexterra.stages.search.prices import DEFAULT_PRICES, Prices
from hexterra.stages.search.refine import refine
from hexterra.stages.search.refined import Refined, SearchEffort
from hexterra.stages.search.stock_prices import count_tile_kinds
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.tiles.tile_kinds import TileKind
from hexterra.values import Value

#: Fits one board, alone or with a stock.
Fit = Callable[[Mapping[TileKind, int] | None], Refined]
#: Times that every board is fitted to the others again, at most.
MOST_TURNS: Final = 4


@dataclass(frozen=True, eq=False, repr=False)
class Campaign(Value):
    """Boards that share one set of pieces.

    Parameters
    ----------
    boards
        Each board, in the order given, as it was fitted last.
    pieces
        The common set: kinds of tile and how many of each.
    n_apart
        How many tiles the boards would need if each had its own, fitted alone.
    n_before
        How many a common set of the boards fitted alone would need.
    """

    boards: tuple[Refined, ...]
    pieces: tuple[tuple[TileKind, int], ...]
    n_apart: int
    n_before: int

    @property
    def n_pieces(self) -> int:
        """How many tiles the common set has."""
        return sum(count for _, count in self.pieces)


def share_pieces(
    boards: Sequence[Tiles],
    *,
    prices: Prices = DEFAULT_PRICES,
    effort: SearchEffort = "bounded",
) -> Campaign:
    """Fit several boards so that a small common set of pieces builds each, one at a time.

    Each board is first fitted alone. Then, board after board in the order given, each is fitted
    again with the set that the other boards need as its stock, until a turn of all boards leaves
    the set as it is; of all turns the smallest set is kept; ties go to the earliest.

    Parameters
    ----------
    boards
        Legal boards, from `fit`.
    prices
        What faults cost; ``prices.new_piece`` is what one piece more in the set costs.
    effort
        As for `refine`.

    Returns
    -------
    Campaign
        Its set holds, of every kind, what the board that needs most of it needs, and is never
        larger than that of the boards fitted alone.

    Raises
    ------
    BriefError
        If no board is given.
    """

    def fit_of(tiles: Tiles) -> Fit:
        return lambda stock: refine(tiles, prices=prices, effort=effort, stock=stock)

    return share_fits([fit_of(tiles) for tiles in boards])


def share_fits(fits: Sequence[Fit], *, progress: Progress = silent) -> Campaign:
    """Share pieces as `share_pieces` does between boards that each have their own rules.

    Parameters
    ----------
    fits
        Fit one board each, alone (None) or with a stock, as `refine` does.
    progress
        Called with a few words before each fit.

    Raises
    ------
    BriefError
        If no board is given.
    HexterraError
        What a fit raises.
    """
    if not fits:
        raise BriefError("a campaign has no boards", remedy="give at least one board")
    n_boards, fitted = len(fits), list[Refined]()
    for number, fit in enumerate(fits):
        progress(f"fitting board {number + 1} of {n_boards} alone")
        fitted.append(fit(None))
    needs = [count_tile_kinds(board.tiles) for board in fitted]
    n_apart = sum(need.total() for need in needs)
    n_before = n_least = _common(needs).total()
    best = tuple(fitted)
    is_cut_short = any(board.stopped == "interrupted" for board in fitted)
    for turn in range(MOST_TURNS if n_boards > 1 and not is_cut_short else 0):
        for number, fit in enumerate(fits):
            progress(f"fitting board {number + 1} of {n_boards} to the others, turn {turn + 1}")
            others = _common(needs[:number] + needs[number + 1 :])
            fitted[number] = fit(others)
            needs[number] = count_tile_kinds(fitted[number].tiles)
            is_cut_short |= fitted[number].stopped == "interrupted"
            if is_cut_short:
                break
        n_pieces = _common(needs).total()
        is_smaller = n_pieces < n_least
        if is_smaller:
            n_least, best = n_pieces, tuple(fitted)
        if is_cut_short or not is_smaller:
            break
    pieces = _common([count_tile_kinds(board.tiles) for board in best])
    return Campaign(best, tuple(sorted(pieces.items())), n_apart, n_before)


def _common(needs: Sequence[Counter[TileKind]]) -> Counter[TileKind]:
    """Return the most of each kind that any board needs."""
    common: Counter[TileKind] = Counter()
    for need in needs:
        common |= need
    return common
