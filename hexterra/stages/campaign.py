"""Several boards -> Campaign: one set of pieces from which each of them can be built, in turn.

The set needs as many tiles of a kind as the board that needs most. `refine` knows how to prefer
pieces that are there already; here, what is there is what the other boards ask for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from hexterra.errors import BriefError
from hexterra.stages.fit import Tiles
from hexterra.stages.kinds import TileKind
from hexterra.stages.ownership import pieces_of
from hexterra.stages.prices import PRESETS, Prices
from hexterra.stages.refine import Effort, Refined, refine
from hexterra.values import Value

#: Times that every board is fitted to the others anew, at most.
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
    prices: Prices = PRESETS["truest ground"],
    effort: Effort = "bounded",
) -> Campaign:
    """Fit several boards so that a small common set of pieces builds each, one at a time.

    Each board is first fitted alone. Then, board after board in the order given, each is fitted
    anew with the set that the other boards need as its stock, until a turn of all boards leaves
    the set as it is; of all turns the smallest set is kept, of equals the earliest.

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
    if not boards:
        raise BriefError("a campaign has no boards", remedy="give at least one board")
    fitted = [refine(tiles, prices=prices, effort=effort) for tiles in boards]
    needs = [pieces_of(board.tiles) for board in fitted]
    n_apart = sum(need.total() for need in needs)
    n_before = n_least = _common(needs).total()
    best = tuple(fitted)
    for _ in range(MOST_TURNS if len(boards) > 1 else 0):
        for number in range(len(boards)):
            others = _common(needs[:number] + needs[number + 1 :])
            fitted[number] = refine(boards[number], prices=prices, effort=effort, stock=others)
            needs[number] = pieces_of(fitted[number].tiles)
        n_pieces = _common(needs).total()
        if n_pieces >= n_least:
            break
        n_least, best = n_pieces, tuple(fitted)
    pieces = _common([pieces_of(board.tiles) for board in best])
    return Campaign(best, tuple(sorted(pieces.items())), n_apart, n_before)


def _common(needs: Sequence[Counter[TileKind]]) -> Counter[TileKind]:
    """Return the most of each kind that any board needs."""
    common: Counter[TileKind] = Counter()
    for need in needs:
        common |= need
    return common
