"""A plan folder -> the plan again: made anew from the ground heights that plan.json keeps."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any, NoReturn, cast

import numpy as np
from affine import Affine

from hexterra.brief import Brief
from hexterra.catalogue import Catalogue, Crossing, Pattern
from hexterra.elevation import Elevation
from hexterra.elevation.pixels import Pixels, Source, Window
from hexterra.errors import BriefError, CatalogueError, PlanFolderError
from hexterra.lattice.board import Board
from hexterra.outputs.folder import FORMAT, PLAN_FILE
from hexterra.owned import Owned
from hexterra.plan import Plan, plan_heights
from hexterra.progress import Progress, silent
from hexterra.stages.gather import Heights
from hexterra.stages.settings import TileKind


@dataclass(frozen=True, eq=False, repr=False)
class Remembered(Source):
    """The pixels of a raster of which only the digest is known."""

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


def read_plan(directory: str | Path, *, progress: Progress = silent) -> Plan:
    """Open a plan that was written with `write_plan`.

    The stages after sampling run again on the heights that ``plan.json`` keeps, and must come to
    the same tiles. The raster itself is not needed, and not known.

    Raises
    ------
    PlanFolderError
        If the folder holds no plan, its document is damaged, or the tiles come out otherwise, as
        they can with another version or after a search that was cut short.
    """
    path = Path(directory) / PLAN_FILE
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise PlanFolderError(
            f"{path} cannot be read: {error}",
            remedy="name a folder that `hexterra plan` has written",
            path=str(path),
        ) from error
    if not isinstance(document, dict) or document.get("format") != FORMAT:  # pyright: ignore[reportUnknownMemberType]
        _refuse(path, "does not hold a hexterra plan")
    try:
        plan = _remake(cast("dict[str, Any]", document), progress)
        rows = [(c["piece"], c["turn"], c["corners"]) for c in document["cells"]]
    except (KeyError, TypeError, ValueError, BriefError, CatalogueError) as error:
        raise PlanFolderError(
            f"{path} is damaged: {type(error).__name__}: {error}",
            remedy="plan the board again from its elevation",
            path=str(path),
        ) from error
    pieces = plan.pieces
    made = [
        (pieces.pieces[number].name, turn, corners)
        for number, turn, corners in zip(
            pieces.piece.tolist(), pieces.turn.tolist(), plan.fitted.corners.tolist(), strict=True
        )
    ]
    if made != rows:
        _refuse(path, "was made by another version, or by a search that was cut short")
    return plan


def _remake(document: dict[str, Any], progress: Progress) -> Plan:
    """Run the stages after `gather` on what the document keeps."""
    given, board, ground = document["input"], document["board"], document["ground"]
    lattice = Board(
        **{
            name: board[name]
            for name in (
                "columns", "rows", "across_flats_mm", "facing", "edges", "scale", "lon_deg",
                "lat_deg", "bearing_deg",
            )
        },
        places=np.array(ground["places"], dtype=np.int32),
    )  # fmt: skip
    heights = Heights(
        lattice=lattice,
        quantiles=(),
        quantile_m=np.empty((lattice.n_cells, 0)),
        **{name: np.array(values) for name, values in ground.items() if name != "places"},
    )
    elevation = Elevation(
        shape=tuple(given["shape"]),
        affine=Affine(*given["affine"]),
        crs=given["crs"],
        metres_per_unit=given["metres_per_unit"],
        source=Remembered(given["pixels"]),
        name=given["name"],
    )
    plan = plan_heights(
        elevation,
        heights,
        Brief(**document["brief"]),
        catalogue=_catalogue(document["catalogue"]),
        owned=_owned(document["owned"]),
        progress=progress,
    )
    return replace(plan, assumed=tuple(document["assumed"]))


def _catalogue(held: dict[str, Any]) -> Catalogue:
    return Catalogue(
        patterns=tuple(
            Pattern(name, tuple(int(rise) for rise in rises), held["minutes"].get(name))
            for name, rises in held["patterns"].items()
        ),
        crossings=tuple(
            Crossing(name, entry["water"], tuple(tuple(sides) for sides in entry["ports"]))
            for name, entry in held["crossings"].items()
        ),
        faces=tuple(held["faces"]),
        banks=tuple(held["banks"]),
    )


def _owned(held: dict[str, Any] | None) -> Owned | None:
    if held is None:
        return None
    tiles = (
        (
            TileKind(
                row["pattern"], row["part"], row["hand"], row["turn"], row["crossing"],
                tuple(row["ports"]),
            ),
            row["count"],
        )
        for row in held["tiles"]
    )  # fmt: skip
    return Owned(tuple(tiles), tuple((row["piece"], row["count"]) for row in held["blocks"]))


def _refuse(path: Path, problem: str) -> NoReturn:
    raise PlanFolderError(
        f"{path} {problem}",
        remedy="plan the board again from its elevation",
        path=str(path),
    )
