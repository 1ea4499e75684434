"""Passing messages round by round, and the lower bound that they prove.

Part of `refine`: raises the bound of a `MessageField`, of a whole board or a part.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.kernels.board.tile_costs import INFEASIBLE_SUM
from hexterra.stages.search.message_tables import MessageField

#: Extrapolation multiplies the change of messages by this at first and at most. A change greater
#: than the last does not come from costs but from what is allowed.
_BOLDNESS: Final = 4.0
_MOST_BOLDNESS: Final = 50.0
_MOST_CHANGE: Final = 1e3


class MessagePassing:
    """A field, and the bound that its messages prove so far.

    Parameters
    ----------
    field
        Labels and messages; changed in place.
    rest
        Added to its bound: no board costs less than both together.
    """

    def __init__(self, field: MessageField, rest: float = 0.0) -> None:
        self.field = field
        self.rest = rest
        self.bound = -np.inf  # of the last sweep
        self._bounds = [-np.inf, -np.inf]  # of the last sweeps down and up
        self._before: NDArray[np.float64] | None = None
        self._greatest_before = field.greatest
        self._boldness = _BOLDNESS

    def restart(self) -> None:
        """Forget bounds, as prices or messages were changed from outside."""
        self.field.measure()
        self.bound, self._bounds = -np.inf, [-np.inf, -np.inf]
        self._before = None

    def sweep(self, is_up: bool, cost: float) -> float:
        """Pass messages once, drop labels that no board cheaper than `cost` has; return a bound."""
        # A label is removed only if it is worse by more than any rounding. During a sweep, the
        # bound is at least that of the last sweep the other way.
        margin = self.field.margin
        slack = cost - self._bounds[not is_up] + margin
        proven = self.field.sweep(is_up, min(INFEASIBLE_SUM / 2, slack))
        self.bound = proven + self.rest - max(margin, self.field.margin)
        self._bounds[is_up] = self.bound
        return self.bound

    def round(self, cost: float) -> float:
        """Pass messages down and up; return a bound."""
        return max(self.sweep(False, cost), self.sweep(True, cost))

    def leap(self, cost: float) -> float:
        """Extrapolate the change of the messages since the last call, if that proves more.

        Where costs have to spread along a watercourse, many sweeps change the messages a little in
        the same direction. Any messages prove a bound, so extrapolating them is sound; if the
        result proves less, it is undone and the next step is smaller. Returns a bound.
        """
        field, bound, bounds = self.field, self.bound, self._bounds
        value, greatest = field.messages.value, field.greatest.copy()
        message, part = value.copy(), field.part.copy()
        proven = bound
        if self._before is not None:
            change = np.clip(message - self._before, -_MOST_CHANGE, _MOST_CHANGE)
            value += self._boldness * change
            field.greatest = greatest + self._boldness * (greatest + self._greatest_before)
            self._bounds = [-np.inf, -np.inf]
            proven = self.round(cost)
            if self.bound > bound:
                self._boldness = min(1.5 * self._boldness, _MOST_BOLDNESS)
            else:
                value[:], field.part[:], field.greatest = message, part, greatest
                self.bound, self._bounds = bound, bounds
                self._boldness = max(0.5 * self._boldness, 1.0)
        self._before, self._greatest_before = value.copy(), field.greatest.copy()
        return max(proven, bound)
