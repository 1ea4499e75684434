"""The tables of a brief that speak of plans made earlier: cells to keep, boards to join."""

from __future__ import annotations

import re
from typing import Annotated, Final, Self

from pydantic import AfterValidator, Field, model_validator

from hexterra.brief.sections import Section


def _check_cells(text: str) -> str:
    if not _CELLS.fullmatch(text.strip()):
        raise ValueError(
            'it must be a cell as "B3", a block from corner to corner as "C4:E6", or "all"'
        )
    return text


_CELLS: Final = re.compile(r"all|[a-z]+[0-9]+(\s*:\s*[a-z]+[0-9]+)?", re.IGNORECASE)
_Cells = Annotated[str, AfterValidator(_check_cells)]


class KeepBrief(Section):
    """[keep]: tiles of an earlier plan of the same board that stay as they are."""

    plan: str | None = Field(
        default=None,
        description="Folder of the earlier plan, relative to the brief. What [board] and [heights]"
        " leave open is as there. Default: none.",
    )
    cells: tuple[_Cells, ...] = Field(
        default=("all",),
        description='Cells that keep their tile: single ones as "B3", blocks from corner to corner'
        ' as "C4:E6", or "all".',
    )
    free: tuple[_Cells, ...] = Field(
        default=(), description="Cells among them that may get another tile after all."
    )

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        if self.plan is None and self.model_fields_set - {"plan"}:
            raise ValueError("name the plan whose tiles are kept")
        return self


class JoinBrief(Section):
    """[join]: plans of the boards that this one stands against, so that tops meet there."""

    left: str | None = Field(
        default=None,
        description="Folder of the plan of the board to the left, relative to the brief. What"
        " [board] and [heights] leave open follows from it. Default: none.",
    )
    right: str | None = Field(default=None, description="The same for the board to the right,")
    front: str | None = Field(default=None, description="for the one before the front edge,")
    back: str | None = Field(default=None, description="and for the one behind.")
