"""Amounts of work, as the build book gives them and as a maker times them."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from hexterra.brief.sections import Section


def within(least: float, most: float, default: float, description: str) -> Any:
    """Say range, default and meaning of a number."""
    return Field(default=default, ge=least, le=most, description=description)


class Amounts(Section):
    """How much work of each kind there is."""

    wire_m: float = within(0.0, 1e9, 0.0, "Wire through foam.")
    cut_m2: float = within(0.0, 1e9, 0.0, "Area of foam cut: travel by length of wire in foam.")
    n_cuts: float = within(0.0, 1e9, 0.0, "Cuts.")
    n_channels: int = within(0, 10**9, 0, "Tiles with a channel or sunken road to cut.")
    loop_m: float = within(0.0, 1e9, 0.0, "Length of channels shaped with a loop or knife.")
    n_set_ups: int = within(0, 10**9, 0, "Guides mounted.")
    n_pieces: int = within(0, 10**9, 0, "Pieces cleaned.")
    n_sheets: int = within(0, 10**9, 0, "Sheets marked out.")
    n_joints: int = within(0, 10**9, 0, "Joints glued.")
    n_saw_cuts: int = within(0, 10**9, 0, "Cuts of a saw.")
    texture_m2: float = within(0.0, 1e9, 0.0, "Area textured.")
    paint_m2: float = within(0.0, 1e9, 0.0, "Area painted.")
    scatter_m2: float = within(0.0, 1e9, 0.0, "Area scattered.")


class TimedBrief(Amounts):
    """[[bench.timed]]: work that was timed, in the amounts that the build book gives."""

    minutes: float = Field(ge=0.1, le=1e5, description="How long it took.")
