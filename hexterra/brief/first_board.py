"""A board to start with: small, whole hexagons, few kinds, nothing keyed; about a weekend."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import Final

#: Keys of a brief by section; `hexterra.Brief` takes them.
FIRST_BOARD: Final[dict[str, dict[str, int | str]]] = {
    "board": {"columns": 12, "rows": 9, "edges": "whole"},
    "fit": {"prefer": "fewest different pieces"},
    "stock": {"footings": "none"},
}


def first_board_command(files: Sequence[str]) -> str:
    """Return the command that plans a first board from elevation files, over several lines."""
    settings = (
        f"  --set {shlex.quote(f'{section}.{key}={value}')}"
        for section, keys in FIRST_BOARD.items()
        for key, value in keys.items()
    )
    return " \\\n".join([f"hexterra plan {shlex.join(files)}", *settings, "  --book --templates"])
