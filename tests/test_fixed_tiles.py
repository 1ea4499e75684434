"""Earlier plans that a brief names: tiles that stay, and boards that stand against each other."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import Transformer
from scipy.spatial import KDTree

from hexterra.brief.brief import Brief, read_brief
from hexterra.elevation.elevation import Elevation
from hexterra.elevation.invention import invent
from hexterra.errors import BriefError, HexterraError, InfeasibleError, PlanFolderError
from hexterra.inputs.inputs import read_inputs
from hexterra.outputs.plan_files import write_plan
from hexterra.outputs.reopen import read_plan
from hexterra.place.siting import Site
from hexterra.plan.fixed_tiles import fix_tiles
from hexterra.plan.pipeline import make_plan
from hexterra.plan.plan import Plan
from hexterra.verification.verify import verify

BOARD: dict[str, Any] = {"columns": 8, "rows": 7, "scale": 3000, "x": 500_000.0, "y": 3_320_000.0}
HEIGHTS = {"metres_per_step": 20.0}
WATER = {"threshold_km2": 0.8}
RAMPS = {"limit": 1, "cliff_rise_steps": "none"}


@cache
def ground() -> Elevation:
    """Invent 13 x 10 km of hills, room for boards on every side of one."""
    return invent(3, rows=200, columns=260, pixel_m=50.0)


def plan(**sections: Any) -> Plan:
    """Plan a board of these sections of a brief."""
    return make_plan(ground(), Brief.model_validate({"water": WATER, "ramps": RAMPS, **sections}))


@cache
def earlier_plan(facing: str, edges: str) -> Plan:
    """Plan the board that is there already."""
    return plan(board=BOARD | {"facing": facing, "edges": edges}, heights=HEIGHTS)


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder in which earlier plans are kept."""
    return tmp_path_factory.mktemp("earlier")


@pytest.fixture(scope="module")
def folder(shelf: Path) -> Path:
    """Give the folder of an earlier plan."""
    return written(shelf, "points", "straight")


def written(shelf: Path, facing: str, edges: str) -> Path:
    """Write an earlier plan, once."""
    path = shelf / f"{facing} {edges}" / "first"
    if not path.exists():
        write_plan(earlier_plan(facing, edges), path)
    return path


def check_folder(made: Plan, path: Path) -> None:
    """Written, the plan verifies, and opened again it is written alike."""
    write_plan(made, path)
    verdict = verify(path)
    assert verdict.agrees, verdict.describe()
    again = path.with_name(f"{path.name}-again")
    write_plan(read_plan(path), again)
    for file in again.iterdir():
        assert (path / file.name).read_bytes() == file.read_bytes(), file.name


# Tiles that stay ---------------------------------------------------------------------------------


def test_kept_tiles_stay_and_the_rest_adapts(folder: Path, tmp_path: Path) -> None:
    """With steep prices and other water the free cells change, and no kept one does."""
    first = earlier_plan("points", "straight")
    keep = {"plan": str(folder), "cells": ["A1:C7", "h2"], "free": ["B3", "B4:B5"]}
    fit = {"prices": {"sloping": 30.0}, "step_faces": "where they pay"}
    second = plan(keep=keep, fit=fit, water={"threshold_km2": 3.0})
    labels = np.array(first.board.labels)
    is_free = ~np.isin(first.board.column, (0, 1, 2)) | np.isin(labels, ("B3", "B4", "B5"))
    is_free &= labels != "H2"
    differs = (second.fitted.corners != first.fitted.corners).any(axis=1)
    assert not differs[~is_free].any()
    assert differs[is_free].any()
    assert f"{(~is_free).sum()} cells keep the tile they have in first" in second.assumed
    check_folder(second, tmp_path / "second")


def test_a_brief_names_the_earlier_plan_from_its_own_folder(folder: Path, tmp_path: Path) -> None:
    """A relative folder starts at the brief, and what the brief leaves open is as it was there."""
    brief = tmp_path / "brief.toml"
    path = Path("..") / folder.relative_to(tmp_path.parent)
    brief.write_text(f'[keep]\nplan = "{path.as_posix()}"\n[water]\nthreshold_km2 = 0.8\n')
    second = make_plan(ground(), read_brief(brief))
    first = earlier_plan("points", "straight")
    assert second.board.same_as(first.board)
    assert (second.fitted.corners == first.fitted.corners).all()
    assert "board.columns = 8 (as in first)" in second.assumed


def test_without_a_cell_nothing_stays(folder: Path) -> None:
    """An empty list of cells keeps the board alone."""
    second = plan(keep={"plan": str(folder), "cells": []})
    assert not second.fixed.is_kept.any()


# Boards that join --------------------------------------------------------------------------------


def places(made: Plan) -> np.ndarray:
    """Longitude and latitude of the corners of all cells, (n * 6, 2)."""
    board = made.board
    x, y = board.bench_mm_to_ground_m(board.corner_mm[board.corner_of].reshape(-1, 2)).T
    to_wgs84 = Transformer.from_crs(board.crs, "EPSG:4326", always_xy=True)
    return np.column_stack(to_wgs84.transform(x, y))


@pytest.mark.parametrize("step_faces", ["marked cliffs only", "where they pay"])
@pytest.mark.parametrize(
    ("facing", "edges", "edge", "size"),
    [
        ("points", "straight", "front", {"rows": 6}),
        ("points", "straight", "back", {"rows": 5}),
        ("flats", "straight", "right", {"columns": 5}),
        ("points", "whole", "left", {"columns": 6}),
        ("points", "whole", "right", {"columns": 5}),
        ("points", "whole", "back", {"rows": 6}),
        ("flats", "whole", "left", {"columns": 6}),
        ("flats", "whole", "front", {"rows": 5}),
    ],
)
def test_boards_join_flush(
    facing: str,
    edges: str,
    edge: str,
    size: dict[str, int],
    step_faces: str,
    shelf: Path,
    tmp_path: Path,
) -> None:
    """Where the corners of two boards are one place on Earth, their tops stand alike there.

    Cells where water forbids it are named. The places are compared as longitudes and latitudes, of
    which a hundredth of a cell is 3 m or some 3e-5 degrees.
    """
    first = earlier_plan(facing, edges)
    join = {edge: str(written(shelf, facing, edges))}
    second = plan(join=join, board=size, fit={"step_faces": step_faces})
    assert second.levels.datum_m == first.levels.datum_m

    apart, _ = KDTree(places(first)).query(places(second))
    theirs, n = first.fitted.corners.ravel(), second.board.n_cells
    met = apart < 3e-5
    if edges == "straight":  # the boards have halves of the same tiles; next to them, faces may be
        met = np.repeat(met.reshape(n, 6).all(axis=1), 6)
    assert met.sum() >= 12
    # A corner of the first board may stand at several heights, where a step face ends.
    alike = KDTree(places(first)).query_ball_point(places(second)[met], 3e-5)
    heights = [{int(theirs[k]) for k in near} for near in alike]
    mine = second.fitted.corners.ravel()[met].tolist()
    is_off = np.zeros(6 * n, dtype=bool)
    is_off[met] = [
        len(wanted) == 1 and height not in wanted
        for height, wanted in zip(mine, heights, strict=True)
    ]
    off = [second.board.labels[cell] for cell in np.flatnonzero(is_off.reshape(n, 6).any(axis=1))]
    told = [note for note in second.notes if "board that joins" in note]
    named = told[0].split(" at ")[1].split(".")[0].split(", ") if told else []
    assert off == named
    check_folder(second, tmp_path / "second")


def test_a_joint_is_rather_flush_than_seamless_within(shelf: Path) -> None:
    """Of two places for one step face it is put within the board, not at the joint."""
    join = {"right": str(written(shelf, "flats", "whole"))}
    closed = plan(join=join, board={"columns": 6})
    opened = plan(join=join, board={"columns": 6}, fit={"step_faces": "where they pay"})
    off = [dict(made.refined.breakdown)["joint"] for made in (closed, opened)]
    assert off[1] < off[0]
    assert any('With fit.step_faces = "where they pay"' in note for note in closed.notes)


def test_step_faces_that_are_held_are_the_same_from_both_sides(
    folder: Path, tmp_path: Path
) -> None:
    """Also beside a joint, where one cell is kept for its own sake and one for its other half."""
    join = {"front": str(folder)}
    second = plan(join=join, board={"rows": 6})
    write_plan(second, tmp_path / "second")
    path = tmp_path / "second" / "plan.json"
    document, board = json.loads(path.read_text()), second.board
    for cell, row in enumerate(document["cells"]):
        row["cliffs"] = np.flatnonzero(board.neighbours[cell] >= 0).tolist()
    path.write_text(json.dumps(document))
    brief = Brief.model_validate({"keep": {"plan": str(path.parent)}, "join": join})
    inputs = read_inputs(brief, lambda _: Site(board, ()))
    step_m = second.levels.metres_per_step
    held = fix_tiles(inputs.brief, board, step_m, inputs.kept, inputs.joined)
    assert held.is_joined.any()
    cell, side = np.nonzero(held.cliff)
    assert len(cell) > 100
    back = board.neighbours[cell, side], board.back_sides[cell, side]
    assert held.cliff[back].all()


# What cannot be ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sections", "error", "said"),
    [
        ({"keep": {"cells": ["Z9"]}}, BriefError, "has no cell 'Z9'"),
        ({"keep": {"cells": ["A1:Q2"]}}, BriefError, "has no cell 'Q2'"),
        ({"keep": {"free": ["B99"]}}, BriefError, "has no cell 'B99'"),
        ({"keep": {}, "board": {"columns": 7}}, BriefError, "board.columns is 7, but 8 in"),
        ({"keep": {}, "board": {"scale": 2000}}, BriefError, "board.scale is 2000.0, but 3000.0"),
        ({"keep": {}, "board": {"x": 500_100.0, "y": 3.32e6}}, BriefError, "board.lon_deg is"),
        ({"keep": {}, "heights": {"metres_per_step": 9}}, BriefError, "heights.metres_per_step"),
        ({"keep": {}, "heights": {"datum_m": -500}}, BriefError, "heights.datum_m is -500.0"),
        ({"keep": {}, "ramps": {"pins": {"B2": 9}}}, InfeasibleError, "the brief pins it to 9"),
        ({"join": "front", "board": {"columns": 7}}, BriefError, "board.columns is 7, but 8"),
        ({"join": "front", "board": {"facing": "flats"}}, BriefError, "board.facing is 'flats'"),
        (
            {"join": "front", "heights": {"step_mm": 15}, "board": {"rows": 4}},
            BriefError,
            "join.front: heights.step_mm is 15.0, but 7.5 in",
        ),
        ({"join": "left", "board": {"columns": 4}}, BriefError, "do not line up at that edge"),
    ],
)
def test_what_cannot_be_held_is_refused(
    sections: dict[str, Any], error: type[HexterraError], said: str, folder: Path
) -> None:
    """Cells that are not there and boards that do not fit are named, with both values."""
    asked = dict(sections)
    if "keep" in asked:
        asked["keep"] = {"plan": str(folder), **asked["keep"]}
    if "join" in asked:
        asked["join"] = {asked["join"]: str(folder)}
    with pytest.raises(error) as caught:
        plan(**asked)
    assert said in caught.value.problem
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (None, "cannot be read: No such file or directory"),
        ({"version": 1}, "is of version 1; only version"),
        ({"format": "other"}, "does not hold a hexterra plan"),
        ({"cells": []}, "is damaged"),
    ],
)
def test_folders_that_hold_no_plan_are_refused(
    change: dict[str, object] | None, said: str, folder: Path, tmp_path: Path
) -> None:
    """A missing, foreign, outdated or damaged document is refused by its path."""
    path = tmp_path / "other" / "plan.json"
    if change is not None:
        path.parent.mkdir()
        document = json.loads((folder / "plan.json").read_text())
        path.write_text(json.dumps(document | change))
    for sections in ({"keep": {"plan": str(path.parent)}}, {"join": {"back": str(path.parent)}}):
        with pytest.raises(PlanFolderError) as caught:
            plan(**sections)
        assert said in caught.value.problem
        assert str(path) in caught.value.problem


def test_what_is_kept_needs_a_plan() -> None:
    """Cells to keep without the plan that has them make no sense."""
    with pytest.raises(ValueError, match="name the plan whose tiles are kept"):
        Brief.model_validate({"keep": {"cells": ["A1"]}})
