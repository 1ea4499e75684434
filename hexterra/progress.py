"""How long work says what it is doing."""

from __future__ import annotations

from collections.abc import Callable

#: Told a few words as each part of the work begins.
Progress = Callable[[str], None]


def silent(_: str) -> None:
    """Say nothing."""
