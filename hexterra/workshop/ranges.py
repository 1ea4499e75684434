"""Ranges and choices of the workshop's settings: the checks and their messages."""

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


def check_choice(name: str, value: str, allowed: tuple[str, ...]) -> None:
    """Refuse a word that is none of those allowed.

    Raises
    ------
    BriefError
        If `value` is not in `allowed`.
    """
    if value not in allowed:
        listed = " or ".join(repr(word) for word in allowed)
        raise BriefError(
            f"{name} is {value!r}; it must be {listed}",
            remedy=f"choose another value of {name}",
            name=name,
            value=value,
        )
