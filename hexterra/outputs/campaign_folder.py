"""A campaign's folder: the common set of pieces, and a plan folder for each board."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hexterra.arguments import checked
from hexterra.csvfile import csv_text
from hexterra.errors import OutputError
from hexterra.inputs.earlier_plans import DAMAGE
from hexterra.outputs.folder import PLAN, FolderKind, Writer, check_folder, write_folder
from hexterra.outputs.plan_files import plan_writers
from hexterra.progress import Progress, silent

if TYPE_CHECKING:
    from hexterra.plan.share import Shared

CAMPAIGN: Final = FolderKind("campaign.json", "hexterra campaign", "campaign")
#: The common set; a brief reads it back with stock.owned.
PIECES_FILE: Final = "pieces.csv"


@checked
def write_campaign(
    shared: Shared,
    directory: str | os.PathLike[str],
    *,
    replace: bool = False,
    progress: Progress = silent,
) -> tuple[str, ...]:
    """Write plans that share pieces into one folder, whole or not at all; see `write_folder`.

    Parameters
    ----------
    shared
        The plans, from `share_plans`.
    directory
        A new or empty folder, or one that holds this campaign already.
    replace
        Whether another campaign in the folder may be replaced.
    progress
        Called with a few words before each file.

    Returns
    -------
    tuple[str, ...]
        The names of the files: ``pieces.csv``, the common set with the columns of
        ``schedule.csv``, ``campaign.json``, and those of each plan in a folder below that has its
        number and name, as ``1-board/plan.json``.

    Raises
    ------
    OutputError
        See `write_folder`; or if something, as a book, was added to a plan of the earlier campaign.
    """
    check_campaign_folder(directory)
    folders = [f"{number}-{Path(name).name}" for number, name in enumerate(shared.names, start=1)]
    writers: dict[str, Writer] = {PIECES_FILE: _text(csv_text(shared.pieces))}
    for folder, plan in zip(folders, shared.plans, strict=True):
        for name, write in plan_writers(plan, progress=progress).items():
            writers[f"{folder}/{name}"] = write
    document = {
        "format": CAMPAIGN.format,
        "version": 1,
        "files": list(writers),
        "n_tiles": shared.n_pieces,
        "n_tiles_apart": shared.n_apart,
        "n_tiles_fitted_alone": shared.n_before,
        "boards": [
            {"folder": folder, "title": plan.brief.title, "n_cells": plan.board.n_cells}
            for folder, plan in zip(folders, shared.plans, strict=True)
        ],
    }
    writers[CAMPAIGN.document] = _text(json.dumps(document, indent=2, ensure_ascii=False) + "\n")
    write_folder(directory, writers, kind=CAMPAIGN, replace=replace)
    return tuple(writers)


def check_campaign_folder(directory: str | os.PathLike[str]) -> None:
    """Refuse early a folder that `write_campaign` would refuse late.

    Raises
    ------
    OutputError
        As `write_campaign`.
    """
    check_folder(directory, kind=CAMPAIGN)
    target = Path(directory)
    if not (target / CAMPAIGN.document).is_file():
        return
    try:
        added = _added(target)
    except DAMAGE as error:
        raise OutputError(
            f"the campaign in {target} is damaged: {type(error).__name__}: {error}",
            remedy="choose another output folder, or delete this one first",
            path=str(target),
        ) from error
    if added:
        raise OutputError(
            f"{added[0].name} was added to {added[0].parent} after the campaign was written; it"
            " would be out of date",
            remedy="choose another output folder, or delete this one first",
            path=str(added[0]),
        )


def _added(target: Path) -> list[Path]:
    """List the files that the plans of a campaign hold beside those that were written with it."""
    document = json.loads((target / CAMPAIGN.document).read_text(encoding="utf-8"))
    written, added = set(document["files"]), list[Path]()
    for board in document["boards"]:
        folder = board["folder"]
        plan = target / folder / PLAN.document
        present = json.loads(plan.read_text(encoding="utf-8"))["files"] if plan.is_file() else []
        added += [plan.parent / name for name in present if f"{folder}/{name}" not in written]
    return added


def _text(text: str) -> Writer:
    def write(path: Path) -> None:
        path.write_bytes(text.encode())

    return write
