"""A plan folder -> the plan again: what came before the fit is read, and the tiles are checked.

``plan.json`` keeps, to the last bit, what the stages before the fit were given and found. The tiles
of the cells are taken as they stand there, however they came to be: found by a search that ran out
of time, fitted for several boards, or changed by hand. They must keep to the rules of `refine`, and
all that follows from them must be what the folder says.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Final, cast

import numpy as np
from affine import Affine

from hexterra.arguments import checked
from hexterra.brief.brief import Brief, without_folders
from hexterra.csvfile import DECIMALS, CsvReader, csv_text
from hexterra.elevation.elevation import Elevation
from hexterra.elevation.pixels import Pixels, Source, Window
from hexterra.errors import HexterraError, InfeasibleError, PlanFolderError
from hexterra.inputs.earlier_plans import DAMAGE, PLAN_AGAIN, PLAN_FILE, read_document
from hexterra.outputs.folder import recover
from hexterra.outputs.stored_values import from_stored, to_stored
from hexterra.plan.choice import Choice
from hexterra.plan.fit_problem import evaluate_board, fit_problem, stock_of
from hexterra.plan.fixed_tiles import FixedTiles
from hexterra.plan.pipeline import complete
from hexterra.plan.rules import legal_levels, rules_for
from hexterra.progress import Progress, silent

if TYPE_CHECKING:
    from hexterra.plan.plan import Plan

TILES_FILE: Final = "tiles.csv"
_UNDO: Final = (
    "undo the change, or plan the board again; `hexterra edit` changes a tile and all that follows"
    " from it"
)


@dataclass(frozen=True, eq=False, repr=False)
class StoredPixels(Source):
    """The pixels of a raster of which only the digest is known."""

    is_at_hand: ClassVar[bool] = False

    was: str

    @cached_property
    def digest(self) -> str:
        """Digest of the raster that the plan was made from."""
        return self.was

    def read(self, window: Window) -> Pixels:
        """Refuse: the pixels are elsewhere."""
        raise PlanFolderError(
            f"a plan keeps the heights of its cells, not the raster ({window} was asked for)",
            remedy="read the raster itself with read_elevation",
        )


def stored_stages(plan: Plan) -> dict[str, Any]:
    """Return what `read_plan` needs to make a plan again, as plain lists, numbers and texts.

    The brief is stored with names of files, without their folders, which are of this machine.
    """
    refined, joints = plan.refined, plan.fixed.joints
    is_start_legal = np.isfinite(refined.start_cost)
    return {
        "asked": without_folders(plan.brief.model_dump(mode="json", exclude_unset=True)),
        "heights": to_stored(plan.heights),
        "overlay": to_stored(plan.overlay, without=("lattice", "heights")),
        "catalogue": to_stored(plan.catalogue),
        "owned": to_stored(plan.owned),
        "joints": to_stored(joints, without=("lattice",)) if joints.fixes_any else None,
        "datum_m": plan.levels.datum_m,
        "metres_per_step": plan.levels.metres_per_step,
        "choice": to_stored(plan.choice),
        "start_cost": refined.start_cost if is_start_legal else None,
        "bound": refined.bound,
        "spent_on_kinds": refined.spent_on_kinds,
        "least_kinds": refined.least_kinds,
        "stopped": refined.stopped,
        "fidelity": to_stored(plan.fidelity),
    }


@checked
def read_plan(directory: str | Path, *, progress: Progress = silent) -> Plan:
    """Open a plan that was written with `write_plan`.

    The tiles are those of the folder; nothing is searched for. The raster itself is not needed,
    and not known.

    Returns
    -------
    Plan
        Writing it again gives the same bytes.

    Raises
    ------
    PlanFolderError
        If the folder holds no plan, or one of another version, its document is damaged, its tiles
        break a rule, or its tables do not follow from them.
    """
    folder = Path(directory)
    recover(folder)
    path = folder / PLAN_FILE
    document = read_document(path)
    try:
        plan = _remake(document, progress)
        cells = [{str(k): _text(v) for k, v in row.items()} for row in document["cells"]]
        follows = list(CsvReader(io.StringIO(csv_text(plan.tiles))))
    except InfeasibleError as error:
        raise PlanFolderError(
            f"{path} holds a board that cannot be built: {error.problem}",
            remedy=_UNDO,
            path=str(path),
            **error.facts,
        ) from error
    except DAMAGE as error:
        problem = error.problem if isinstance(error, HexterraError) else str(error)
        raise PlanFolderError(
            f"{path} is damaged: {type(error).__name__}: {problem}",
            remedy=PLAN_AGAIN,
            path=str(path),
        ) from error
    _compare(path, cells, follows)
    _compare(folder / TILES_FILE, _read_table(folder / TILES_FILE), follows)
    return plan


def _remake(document: dict[str, Any], progress: Progress) -> Plan:
    """Read what came before the fit, take the tiles as they are, and count the pieces."""
    given, stored = document["input"], document["stored"]
    elevation = Elevation(
        shape=tuple(given["shape"]),
        affine=Affine(*given["affine"]),
        crs=given["crs"],
        metres_per_unit=given["metres_per_unit"],
        source=StoredPixels(given["pixels"]),
        name=given["name"],
        assumed=tuple(given["assumed"]),
    )
    brief = Brief(**stored["asked"])
    heights = from_stored(stored["heights"])
    owned = from_stored(stored["owned"])
    overlay = from_stored(stored["overlay"], lattice=heights.lattice, heights=heights)
    fixed = from_stored(stored["joints"], lattice=heights.lattice) or FixedTiles.nothing(
        heights.lattice
    )
    choice = cast("Choice", from_stored(stored["choice"]))
    legal = legal_levels(
        heights,
        overlay,
        brief,
        metres_per_step=float(stored["metres_per_step"]),
        datum_m=float(stored["datum_m"]),
        ramp_limit=choice.chosen.ramp_limit,
        cliff_rise_steps=choice.chosen.cliff_rise_steps,
        progress=progress,
    )
    rules = rules_for(legal, overlay, brief, from_stored(stored["catalogue"]), progress=progress)
    start_cost = stored["start_cost"]
    refined = evaluate_board(
        fit_problem(rules, fixed),
        np.array([row["corners"] for row in document["cells"]], dtype=np.int32),
        brief,
        stock_of(owned),
        bound=float(stored["bound"]),
        start_cost=float("inf") if start_cost is None else float(start_cost),
        stopped=stored["stopped"],
        spent_on_kinds=float(stored["spent_on_kinds"]),
        least_kinds=int(stored["least_kinds"]),
    )
    plan = complete(
        elevation,
        brief,
        overlay,
        rules,
        refined,
        choice=choice,
        owned=owned,
        fixed=fixed,
        assumed=tuple(document["assumed"]),
    )
    return plan.with_fidelity(from_stored(stored.get("fidelity")))


def _read_table(path: Path) -> list[dict[str, str]]:
    try:
        with path.open(newline="", encoding="utf-8") as stream:
            return list(CsvReader(stream))
    except (OSError, ValueError, csv.Error) as error:
        raise PlanFolderError(
            f"{path} cannot be read: {error}",
            remedy="put the table back, or " + PLAN_AGAIN,
            path=str(path),
        ) from error


def _compare(
    path: Path, present: Sequence[Mapping[str, str]], wanted: list[dict[str, str]]
) -> None:
    """Refuse a table of cells that does not say what follows from the tiles.

    Fractions are not compared: another machine may round them otherwise.
    """
    for row, follows in zip_longest(present, wanted, fillvalue={"cell": "no cell"}):
        for column in follows.keys() - DECIMALS.keys():
            if row.get(column) != follows[column]:
                found = row.get(column)
                raise PlanFolderError(
                    f"{path} was changed by hand: {column} of {follows['cell']} is"
                    f" {'missing' if found is None else repr(found)}, where"
                    f" {follows[column]!r} follows from the tiles",
                    remedy=_UNDO,
                    path=str(path),
                    cell=follows["cell"],
                    column=column,
                )


def _text(value: object) -> str:
    """Write a field of a cell as tables do."""
    if value is None:
        return ""
    if isinstance(value, list):
        return " ".join(_text(part) for part in cast("list[object]", value))
    return f"{value:g}" if isinstance(value, float) else str(value)
