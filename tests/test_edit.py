"""What becomes of a plan that is opened again: a tile changed by hand, another catalogue."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from hexterra.brief.brief import Brief
from hexterra.errors import BriefError, CatalogueError
from hexterra.outputs.plan_files import write_plan
from hexterra.outputs.reopen import read_plan
from hexterra.plan.compare import compare
from hexterra.plan.edit import edit_plan, recut_plan
from hexterra.plan.pipeline import make_plan
from hexterra.plan.plan import Plan
from hexterra.verification.verify import verify
from tests.command_line import run
from tests.small_plans import small_ground

DEFAULT = Path(__file__).parent.parent / "hexterra" / "catalogue" / "default.toml"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of a plan."""
    path = tmp_path_factory.mktemp("plans") / "hills"
    brief = Brief(
        title="Hills in wide steps",
        board={"columns": 12, "rows": 9, "x": 500_000.0, "y": 3_320_000.0},
        heights={"metres_per_step": 45.0},
        ramps={"limit": 1, "cliff_rise_steps": "none"},
        water={"threshold_km2": 2.0},
    )
    write_plan(make_plan(small_ground(), brief), path)
    return path


@pytest.fixture(scope="module")
def opened(folder: Path) -> Plan:
    """Give that plan as it is opened."""
    return read_plan(folder)


def catalogue_without(path: Path, *names: str) -> Path:
    """Write the default catalogue without some tops."""
    lines = DEFAULT.read_text().splitlines(keepends=True)
    path.write_text("".join(line for line in lines if not line.startswith(names)))
    return path


def flat_cell(plan: Plan) -> str:
    """Name a dry flat cell in the middle that no cliff touches and that could stand higher."""
    tiles = plan.fitted
    fits = (tiles.pattern == 0) & (tiles.crossing < 0) & ~tiles.cliff.any(axis=1)
    fits &= (tiles.level < tiles.legal.upper) & ~plan.board.is_rim
    fits &= (tiles.crossing[plan.board.neighbours] < 0).all(axis=1)
    return plan.board.labels[int(np.flatnonzero(fits)[0])]


# A tile changed by hand --------------------------------------------------------------------------


def test_an_edit_costs_what_follows_from_it(opened: Plan, tmp_path: Path) -> None:
    """A dry flat tile one step up opens its six sides, 1 step each, and one more spacer layer.

    By the default prices (`Prices`) a side off by one step costs 3 + 1; the ground does not move.
    """
    cell = flat_cell(opened)
    at = opened.board.labels.index(cell)
    edited = edit_plan(opened, cell, level=int(opened.fitted.level[at]) + 1)
    told = compare(opened, edited)
    assert told.changed_cells == (cell,)
    assert told.costs is not None
    faults = told.costs["difference"]
    assert faults["step faces"] == pytest.approx(6 * (3.0 + 1.0))
    assert abs(faults["mean height"]) <= 1.0 + 1e-9
    assert faults["in all"] == pytest.approx(faults.drop("in all").sum())
    assert told.pieces.loc[told.pieces.index.str.startswith("spacer"), "difference"].any()
    assert told.pieces.loc[~told.pieces.index.str.startswith("spacer"), "difference"].sum() == 0
    assert f"{cell} = flat, turned 0, level {edited.fitted.level[at]} (changed by hand)" in (
        edited.assumed
    )
    write_plan(edited, tmp_path / "edited")
    assert verify(tmp_path / "edited").agrees
    again = read_plan(tmp_path / "edited")
    write_plan(again, tmp_path / "again")
    for file in (tmp_path / "again").iterdir():
        assert file.read_bytes() == (tmp_path / "edited" / file.name).read_bytes()


def test_an_edit_can_be_taken_back(opened: Plan) -> None:
    """Two edits of one cell leave one line about it; the first tile back gives the first cost."""
    cell = flat_cell(opened)
    level = int(opened.fitted.level[opened.board.labels.index(cell)])
    back = edit_plan(edit_plan(opened, cell, level=level + 1), cell.lower(), level=level)
    assert (back.fitted.corners == opened.fitted.corners).all()
    assert back.refined.cost == pytest.approx(opened.refined.cost)
    assert sum("changed by hand" in entry for entry in back.assumed) == 1


def test_edits_that_cannot_be_are_refused(opened: Plan) -> None:
    """Cells and patterns that are not there, and levels out of bounds, are named."""
    cell = flat_cell(opened)
    with pytest.raises(BriefError, match="has no cell 'ZZ9'"):
        edit_plan(opened, "ZZ9")
    with pytest.raises(CatalogueError, match="no pattern 'tower'"):
        edit_plan(opened, cell, pattern="tower")
    with pytest.raises(BriefError, match="turn is 6"):
        edit_plan(opened, cell, turn=6)
    with pytest.raises(BriefError, match="stands at 99 steps, where levels run from"):
        edit_plan(opened, cell, level=99)


def test_the_command_shows_or_writes(folder: Path, opened: Plan, tmp_path: Path) -> None:
    """Without --out nothing is written; with it a plan that verifies."""
    cell = flat_cell(opened)
    level = int(opened.fitted.level[opened.board.labels.index(cell)]) + 2
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    shown = run("edit", folder, cell, "--level", level)
    assert shown.exit_code == 0, shown.output
    assert f"Cells: {cell}" in shown.output
    assert "Step faces opened: side " in shown.output
    assert "more to cut and glue" in shown.output
    assert "minutes more than before" in shown.output
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    written = run("edit", folder, cell, "--level", level, "--out", tmp_path / "edited")
    assert written.exit_code == 0, written.output
    assert run("verify", tmp_path / "edited").exit_code == 0
    assert run("edit", folder, "ZZ9", "--level", level).exit_code == 20
    assert run("edit", folder, cell, "--pattern", "tower").exit_code == 21
    assert run("edit", tmp_path, cell, "--level", level).exit_code == 22
    assert run("edit", folder, cell).exit_code == 2


# Another catalogue -------------------------------------------------------------------------------


def test_tiles_that_a_catalogue_can_cut_stay(opened: Plan, tmp_path: Path) -> None:
    """With one top struck out, all of those go, the board still fits, and most others stay."""
    smaller = catalogue_without(tmp_path / "smaller.toml", "hollow", "spur")
    after = recut_plan(opened, smaller)
    names = {pattern.name for pattern in after.catalogue.patterns}
    assert not names & {"hollow", "spur"}
    told = compare(opened, after)
    had = opened.tiles["pattern"].isin(["hollow", "spur"]).to_numpy()
    assert had.any()
    assert told.is_changed[had].all()
    assert (
        f"{(~had).sum()} of {had.size} tiles can be cut from smaller.toml too"
        in (after.assumed[-1])
    )
    write_plan(after, tmp_path / "after")
    assert verify(tmp_path / "after").agrees
    assert (read_plan(tmp_path / "after").fitted.corners == after.fitted.corners).all()


def test_the_same_catalogue_changes_nothing(opened: Plan) -> None:
    """Locked to a catalogue that has all of its tops, a plan stays as it is."""
    told = compare(opened, recut_plan(opened, DEFAULT))
    assert told.changed_cells == ()
    assert not told.pieces["difference"].any()


def test_the_command_compares(folder: Path, tmp_path: Path) -> None:
    """Two folders, or one and a catalogue, are compared; anything else is a usage error."""
    smaller = catalogue_without(tmp_path / "smaller.toml", "hollow")
    result = run("compare", folder, "--catalogue", smaller, "--out", tmp_path / "after")
    assert result.exit_code == 0, result.output
    assert "tiles can be cut from smaller.toml too" in result.output
    assert run("verify", tmp_path / "after").exit_code == 0
    both = run("compare", folder, tmp_path / "after")
    assert both.exit_code == 0, both.output
    assert "hollow" in both.output
    same = run("compare", folder, folder)
    assert "0 of 108 cells have another tile. Both plans need the same pieces." in same.output
    assert run("compare", folder).exit_code == 2
    assert run("compare", folder, folder, "--out", tmp_path / "x").exit_code == 2
    assert run("compare", folder, "--catalogue", tmp_path / "none.toml").exit_code == 11
    shutil.copytree(folder, tmp_path / "damaged")
    (tmp_path / "damaged" / "tiles.csv").unlink()
    assert run("compare", folder, tmp_path / "damaged").exit_code == 22


# A search cut short ------------------------------------------------------------------------------


def test_an_interrupted_search_is_written_and_said(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Ctrl-C in the exact search ends it at once; the best board so far is written, with a note."""
    from hexterra.stages.search import refine

    calls: list[object] = []

    def interrupt(*given: object) -> None:
        calls.append(given)
        raise KeyboardInterrupt

    monkeypatch.setattr(refine, "search_frontier", interrupt)
    ground = Path(__file__).parent.parent / "sample_data" / "imbleth.tif"
    asked = ("board.columns=10", 'fit.effort="proven"', 'fit.step_faces="where they pay"')
    settings = [word for key in asked for word in ("--set", key)]
    result = run("plan", ground, *settings, "--out", tmp_path / "plan")
    assert result.exit_code == 0, result.output
    assert len(calls) == 1
    assert "The search for the best tiles was interrupted" in result.output
    assert run("verify", tmp_path / "plan").exit_code == 0
    assert read_plan(tmp_path / "plan").refined.stopped == "interrupted"
