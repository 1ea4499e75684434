"""Ranges and choices of settings: the checks and their messages."""

from __future__ import annotations

import math

from hexterra.errors import BriefError


def check_range(name: str, value: float, least: float, greatest: float, unit: str = "") -> None:
    """Refuse a setting outside its range, and NaN with it.

    Raises
    ------
    BriefError
        If `value` is not from `least` to `greatest`.
    """
    if not least <= value <= greatest:
        raise BriefError(
            f"{name} is {value!r}; it must be from {least:g} to {greatest:g} {unit}".rstrip(),
            remedy=f"choose another value of {name}",
            name=name,
            value=value,
        )


def check_positive(name: str, value: float, unit: str) -> None:
    """Refuse a threshold that is not a finite number above 0.

    Raises
    ------
    BriefError
        Naming it, with its value and unit.
    """
    if not 0.0 < value < math.inf:  # also catches NaN
        raise BriefError(
            f"{name} is {value!r} {unit}; it must be a finite number above 0 {unit}",
            remedy=f"give a positive {name}",
            name=name,
            value=value,
        )
