"""Two plans of one board side by side: which pieces and which cells differ."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from hexterra.arguments import checked
from hexterra.errors import BoardError
from hexterra.values import Value

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.plan.plan import Plan

#: What makes a board the same board, as a brief names it.
_SITE: Final = (
    "columns", "rows", "across_flats_mm", "facing", "edges", "scale", "lon_deg", "lat_deg",
    "bearing_deg",
)  # fmt: skip


@dataclass(frozen=True, eq=False, repr=False)
class Comparison(Value):
    """What changes between two plans of the same cells."""

    before: Plan
    after: Plan

    @cached_property
    def is_changed(self) -> NDArray[np.bool_]:
        """Cells with another built top or another crossing, (n_cells,) bool."""
        one, other = self.before.fitted, self.after.fitted
        return (one.corners != other.corners).any(axis=1) | (
            self.before.tiles["crossing"].to_numpy() != self.after.tiles["crossing"].to_numpy()
        )

    @cached_property
    def pieces(self) -> pd.DataFrame:
        """Count of each piece in both plans and the difference, most changed first."""
        counts = pd.DataFrame(
            {
                "before": {piece.name: piece.count for piece in self.before.pieces.pieces},
                "after": {piece.name: piece.count for piece in self.after.pieces.pieces},
            }
        )
        counts = counts.fillna(0).astype(int)
        counts["difference"] = counts["after"] - counts["before"]
        order = counts["difference"].abs().sort_values(ascending=False, kind="stable").index
        return counts.loc[order]

    @property
    def changed_cells(self) -> tuple[str, ...]:
        """Names of the cells that `is_changed` marks."""
        return tuple(self.before.board.labels[cell] for cell in np.flatnonzero(self.is_changed))

    @cached_property
    def costs(self) -> pd.DataFrame | None:
        """What each fault costs in both plans and the difference, then all together.

        None where prices or wanted levels differ, so that the costs say different things.
        """
        one, other = self.before.refined, self.after.refined
        is_level = (self.before.levels.position == self.after.levels.position).all()
        if not one.prices.same_as(other.prices) or not is_level:
            return None
        costs = pd.DataFrame({"before": dict(one.breakdown), "after": dict(other.breakdown)})
        costs = costs.fillna(0.0)
        costs.loc["in all"] = one.cost, other.cost
        costs["difference"] = costs["after"] - costs["before"]
        return costs

    def describe(self) -> str:
        """Say in two sentences what differs."""
        n_changed = int(self.is_changed.sum())
        more = int(self.pieces["difference"].clip(lower=0).sum())
        have = "has" if n_changed == 1 else "have"
        cells = f"{n_changed:,} of {len(self.is_changed):,} cells {have} another tile."
        if not self.pieces["difference"].any():
            return f"{cells} Both plans need the same pieces."
        pieces = "piece" if more == 1 else "pieces"
        distinct, before = len(self.after.pieces.pieces), len(self.before.pieces.pieces)
        instead = f" instead of {before:,}" if distinct != before else ", as before"
        return (
            f"{cells} The second plan needs {f'{more:,}' if more else 'no'} {pieces} that the"
            f" first does not, and {distinct:,} distinct pieces{instead}."
        )


@checked
def compare(before: Plan, after: Plan) -> Comparison:
    """Compare two plans of the same board.

    Raises
    ------
    BoardError
        If the plans do not have the same cells in the same places.
    """
    if not before.board.same_as(after.board):
        pairs = [(name, getattr(before.board, name), getattr(after.board, name)) for name in _SITE]
        differ = [f"{name} is {one} and {other}" for name, one, other in pairs if one != other]
        raise BoardError(
            f"the two plans lie on different boards: {'; '.join(differ) or 'other cells left out'};"
            " only plans of one board can be compared cell by cell",
            remedy="make both plans with the same [board] section and the same cells left out",
        )
    return Comparison(before, after)
