"""The table of a brief that says how fidelity is measured."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from hexterra.brief.sections import Section

_HeightM = Annotated[float, Field(ge=0.0, le=1000.0)]


class FidelityBrief(Section):
    """[fidelity]: how lines of sight are compared between the ground and the built board."""

    eye_m: _HeightM = Field(
        default=1.7,
        description="Height of an observer's eyes above the ground, in metres of ground. Default:"
        " somebody standing.",
    )
    target_m: _HeightM = Field(
        default=1.7, description="Height above the ground of what is looked at, in the same metres."
    )
    n_pairs: Annotated[int, Field(ge=100, le=2_000_000)] = Field(
        default=20_000,
        description="Pairs of cells: all of them if there are no more, else so many drawn at"
        " random.",
    )
    seed: Annotated[int, Field(ge=0, le=2**32 - 1)] = Field(
        default=1, description="Which draw; the same gives the same pairs."
    )
