"""Round numbers as makers like them: 1, 2, 2.5 or 5 times a power of ten."""

from __future__ import annotations

import math
from typing import Final

_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)


def round_up(value: float) -> float:
    """Return the least round number that is at least `value`, which must be positive."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(s * power for s in _STEPS if s * power >= value * (1 - 1e-9))


def round_down(value: float) -> float:
    """Return the greatest round number that is at most `value`, which must be positive."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(s * power for s in reversed(_STEPS) if s * power <= value * (1 + 1e-9))
