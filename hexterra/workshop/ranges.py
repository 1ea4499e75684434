"""Ranges that follow from the board at hand: the check and its message."""

from __future__ import annotations

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
