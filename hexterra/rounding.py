"""Round numbers as makers like them: few digits, close enough together to waste little."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

_ROUND: Final = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def round_up(value: float) -> float:
    """Return the least round number that is at least `value`, which must be positive."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(digits * power for digits in _ROUND if digits * power >= value * (1 - 1e-9))


def round_down(value: float) -> float:
    """Return the greatest round number that is at most `value`, which must be positive."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(d * power for d in reversed(_ROUND) if d * power <= value * (1 + 1e-9))


def round_numbers(least: float, most: float) -> tuple[float, ...]:
    """List the round numbers from `least` to `most`, ascending; `least` must be positive."""
    found = [round_up(least)]
    while found[-1] <= most * (1 + 1e-9):
        found.append(round_up(found[-1] * (1 + 1e-6)))
    return tuple(found[:-1])


def told_apart(ascending: Sequence[float]) -> list[str]:
    """Write numbers with as few decimals, at most 6, as keep a tenth of each difference."""
    least = min((high - low for low, high in pairwise(ascending)), default=math.inf)
    decimals = next(
        (n for n in range(6) if all(abs(round(one, n) - one) <= 0.1 * least for one in ascending)),
        6,
    )
    return [f"{one:,.{decimals}f}" for one in ascending]


def round_nearest(value: float) -> float:
    """Return the round number nearest to `value` by ratio, the lower one if both are as near."""
    low, high = round_down(value), round_up(value)
    return low if value / low <= high / value else high
