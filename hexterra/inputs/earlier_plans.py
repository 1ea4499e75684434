"""Earlier plans, read for what later ones take from them: their board, heights and built tops.

`hexterra.outputs.reopen` opens a whole plan again; this reads a few entries of its document.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, cast

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import HexterraError, PlanFolderError
from hexterra.lattice.board import Board
from hexterra.lattice.hexagon import N_SIDES
from hexterra.text import cleaned
from hexterra.values import Value, freeze_arrays

#: The document that marks a folder as a plan, what it says of itself, and the version read here.
PLAN_FILE: Final = "plan.json"
FORMAT: Final = "hexterra plan"
VERSION: Final = 4
PLAN_AGAIN: Final = "plan the board again from its elevation"
#: What a document raises that holds something else than was written.
DAMAGE: Final = (LookupError, TypeError, ValueError, AttributeError, ArithmeticError, HexterraError)


@dataclass(frozen=True, eq=False, repr=False)
class EarlierPlan(Value):
    """What an earlier plan built on its board of n cells.

    Parameters
    ----------
    folder
        Where it lies, as it was named.
    board
        Its cells.
    method
        How its heights became levels.
    step_mm, metres_per_step, datum_m
        Height of a step on the bench and on the ground, and the ground height of level 0.
    limit, cliff_rise_steps
        Of its ramps, as a brief gives them.
    corners
        Height of the six corners of each tile, (n, 6) int32, in steps above level 0.
    cliff
        Sides with a step face, (n, 6) bool, symmetric.
    """

    folder: str
    board: Board
    method: str
    step_mm: float
    metres_per_step: float
    datum_m: float
    limit: int
    cliff_rise_steps: float | str
    corners: NDArray[np.int32]
    cliff: NDArray[np.bool_]

    def __post_init__(self) -> None:
        shape = (self.board.n_cells, N_SIDES)
        freeze_arrays(self, ("corners", np.int32, shape), ("cliff", np.bool_, shape))

    @property
    def name(self) -> str:
        """What to call it: the name of its folder."""
        return cleaned(Path(self.folder).name)


def read_document(path: Path) -> dict[str, Any]:
    """Read the document of a plan.

    Raises
    ------
    PlanFolderError
        If it cannot be read, is no plan's, or is of another version.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        because = error.strerror if isinstance(error, OSError) else error
        raise PlanFolderError(
            f"{path} cannot be read: {because}",
            remedy="name a folder that `hexterra plan` has written",
            path=str(path),
        ) from error
    if not isinstance(document, dict) or document.get("format") != FORMAT:  # pyright: ignore[reportUnknownMemberType]
        raise PlanFolderError(
            f"{path} does not hold a hexterra plan",
            remedy="name a folder that `hexterra plan` has written",
            path=str(path),
        )
    document = cast("dict[str, Any]", document)
    if document.get("version") != VERSION:
        raise PlanFolderError(
            f"{path} is of version {document.get('version')}; only version {VERSION} can be opened",
            remedy=PLAN_AGAIN,
            path=str(path),
            version=document.get("version"),
        )
    return document


def read_earlier(folder: str | Path) -> EarlierPlan:
    """Read the built tops of an earlier plan.

    Raises
    ------
    PlanFolderError
        If the folder holds no plan of this version, or its document is damaged.
    """
    path = Path(folder) / PLAN_FILE
    document = read_document(path)
    try:
        cells, stored = document["cells"], document["stored"]
        lattice: dict[str, Any] = dict(stored["heights"]["lattice"])
        del lattice["class"]
        chosen = stored["choice"]["chosen"]
        rise_steps = chosen["cliff_rise_steps"]
        board = Board(**lattice)
        cliff = np.zeros((board.n_cells, N_SIDES), dtype=bool)
        for cell, row in enumerate(cells):
            cliff[cell, row["cliffs"]] = True
        return EarlierPlan(
            folder=str(folder),
            board=board,
            method=document["brief"]["heights"]["method"],
            step_mm=float(document["heights"]["step_mm"]),
            metres_per_step=float(stored["metres_per_step"]),
            datum_m=float(stored["datum_m"]),
            limit=int(chosen["ramp_limit"]),
            cliff_rise_steps="none" if rise_steps is None else float(rise_steps),
            corners=np.array([row["corners"] for row in cells], dtype=np.int32),
            cliff=cliff,
        )
    except DAMAGE as error:
        problem = error.problem if isinstance(error, HexterraError) else str(error)
        raise PlanFolderError(
            f"{path} is damaged: {type(error).__name__}: {problem}",
            remedy=PLAN_AGAIN,
            path=str(path),
        ) from error
