"""Campaigns from plan folders: one set of pieces, a plan for each board, all written or none."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from hexterra import catalogue
from hexterra.brief.brief import UNTITLED, Brief
from hexterra.elevation.elevation import Elevation
from hexterra.elevation.invention import invent
from hexterra.errors import BriefError, OutputError
from hexterra.inputs.owned_pieces import read_owned, tile_kind
from hexterra.outputs.campaign_folder import write_campaign
from hexterra.outputs.plan_files import write_plan
from hexterra.outputs.reopen import read_plan
from hexterra.plan.pipeline import make_plan
from hexterra.plan.plan import Plan
from hexterra.plan.share import Shared, share_plans
from hexterra.verification.verify import verify
from tests.command_line import run


@cache
def valley() -> Elevation:
    """Invent 13 x 10 km of hills."""
    return invent(3, rows=200, columns=260, pixel_m=50.0)


def board(number: int, **changes: Any) -> Plan:
    """Plan one of several boards along a valley."""
    brief = Brief(
        title=f"Reach {number}",
        board={
            "columns": 8, "rows": 6, "scale": 3000, "x": 496_000.0 + 2500.0 * number,
            "y": 3_320_000.0, **changes.get("board", {}),
        },
        heights={"metres_per_step": 20.0, **changes.get("heights", {})},
        catalogue=changes.get("catalogue"),
    )  # fmt: skip
    return make_plan(valley(), brief)


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Give the folders of three boards."""
    top = tmp_path_factory.mktemp("boards")
    for number in (1, 2, 3):
        write_plan(board(number), top / f"reach{number}")
    return [top / f"reach{number}" for number in (1, 2, 3)]


@pytest.fixture(scope="module")
def shared(folders: list[Path]) -> Shared:
    """Let the three boards share their pieces."""
    names = [folder.name for folder in folders]
    return share_plans([read_plan(folder) for folder in folders], names=names)


def tiles_of(plan: Plan) -> Counter[Any]:
    """Count the tiles of a plan by kind."""
    return Counter({tile_kind(p): p.count for p in plan.pieces.pieces if p.kind == "tile"})


def test_the_common_set_is_small_and_builds_each(shared: Shared) -> None:
    """It is at least 30 % smaller than three sets, and of each kind holds the most."""
    assert shared.n_apart == 3 * 48
    assert shared.n_pieces <= 0.7 * shared.n_apart
    assert shared.n_pieces <= shared.n_before
    counts = [tiles_of(plan) for plan in shared.plans]
    assert shared.n_pieces == (counts[0] | counts[1] | counts[2]).total()
    for plan in shared.plans:
        needed = plan.schedule.query("kind != 'finish'").set_index("piece")["count"]
        assert (needed <= shared.pieces.set_index("piece")["count"][needed.index]).all()


def test_what_is_to_cut_adds_up_to_the_set(shared: Shared) -> None:
    """Each board cuts what the ones before it have not: together just the common set."""
    first, *others = shared.plans
    assert first.stock is None
    to_cut = int(first.schedule.query("kind != 'finish'")["count"].sum())
    for plan in others:
        assert plan.stock is not None
        to_cut += int(plan.stock["to_cut"].sum())
    assert to_cut == int(shared.pieces["count"].sum())


def test_the_folder_is_read_back(shared: Shared, folders: list[Path], tmp_path: Path) -> None:
    """Plans verify and open again; the set is a stock list; the same bytes come out again."""
    written = write_campaign(shared, tmp_path / "set")
    assert {"pieces.csv", "campaign.json", "2-reach2/plan.json"} <= set(written)
    for number, plan in enumerate(shared.plans, start=1):
        folder = tmp_path / "set" / f"{number}-reach{number}"
        verdict = verify(folder)
        assert verdict.agrees, verdict.describe()
        assert (read_plan(folder).fitted.corners == plan.fitted.corners).all()
    owned = read_owned(tmp_path / "set" / "pieces.csv")
    assert sum(count for _, count in owned.tiles) == shared.n_pieces
    for plan in shared.plans:
        assert tiles_of(plan) <= Counter(dict(owned.tiles))
    document = json.loads((tmp_path / "set" / "campaign.json").read_text())
    assert document["n_tiles"] == shared.n_pieces
    assert [entry["title"] for entry in document["boards"]] == ["Reach 1", "Reach 2", "Reach 3"]

    result = run("share", *folders, "--out", tmp_path / "again")
    assert result.exit_code == 0, result.output
    assert f"One set of {shared.n_pieces} tiles builds 3 boards" in result.output
    for name in written:
        assert (tmp_path / "set" / name).read_bytes() == (tmp_path / "again" / name).read_bytes()


def test_a_campaign_is_replaced_unless_something_was_added(
    shared: Shared, folders: list[Path], tmp_path: Path
) -> None:
    """A campaign takes the place of an earlier one, but leaves no book of it behind unsaid."""
    write_campaign(shared, tmp_path / "set")
    fewer = share_plans([read_plan(folders[0])])
    with pytest.raises(OutputError, match="another campaign"):
        write_campaign(fewer, tmp_path / "set")
    write_campaign(fewer, tmp_path / "set", replace=True)
    assert sorted(path.name for path in (tmp_path / "set").iterdir()) == [
        "1-board", "campaign.json", "pieces.csv",
    ]  # fmt: skip
    assert run("book", tmp_path / "set" / "1-board", "--sheets").exit_code == 0
    refused = run("share", *folders, "--out", tmp_path / "set")
    assert refused.exit_code == 40
    assert "was added to" in refused.output
    with pytest.raises(OutputError, match="was added to"):
        write_campaign(fewer, tmp_path / "set")
    document = tmp_path / "set" / "campaign.json"
    document.write_text('{"format": "hexterra campaign", "files": 3}')
    with pytest.raises(OutputError, match="is damaged"):
        write_campaign(fewer, tmp_path / "set")


def test_one_board_is_its_own_set(folders: list[Path]) -> None:
    """A campaign of one board is that board, as it was planned."""
    plan = read_plan(folders[0])
    alone = share_plans([plan])
    assert (alone.plans[0].fitted.corners == plan.fitted.corners).all()
    assert alone.n_pieces == alone.n_apart == plan.board.n_cells
    pieces = plan.schedule.query("kind != 'finish'")
    pd.testing.assert_frame_equal(
        alone.pieces.reset_index(drop=True), pieces.reset_index(drop=True)
    )


def test_boards_are_called_by_title_or_else_by_name(folders: list[Path]) -> None:
    """A summary of boards without titles tells them apart; of one board it compares nothing."""
    titled = read_plan(folders[0])
    bare = replace(titled, brief=titled.brief.changed({"title": UNTITLED}))
    alone = share_plans([bare], names=["reach-one"]).describe()
    assert alone.splitlines() == [
        "One set of 48 tiles builds 1 board.",
        "  1 reach-one: 48 tiles, 48 of them to cut; cells are within"
        f" {(bare.fitted.residual_m**2).mean() ** 0.5:.3g} m (rms) of the ground, as alone",
    ]
    several = share_plans([bare, titled, bare], names=["a", "b", "c"]).describe().splitlines()
    assert several[0].startswith("One set of 48 tiles builds 3 boards, one at a time: 67% fewer")
    assert [line.split(":")[0] for line in several[1:]] == ["  1 a", "  2 Reach 1", "  3 c"]
    assert share_plans([bare]).describe().splitlines()[1].startswith("  1 board: 48 tiles")
    other = board(2, heights={"step_mm": 15.0})
    with pytest.raises(BriefError, match=r"'a' has heights.step_mm = 7\.5, but 'Reach 2' 15\.0"):
        share_plans([bare, other], names=["a", "b"])


def test_boards_of_other_tiles_are_refused(folders: list[Path], tmp_path: Path) -> None:
    """Another tile size, step or meaning of a pattern's name cannot be shared."""
    first = read_plan(folders[0])
    with pytest.raises(BriefError, match=r"across_flats_mm = 100\.0, but 'Reach 2' 50\.0"):
        share_plans([first, board(2, board={"across_flats_mm": 50.0})])
    with pytest.raises(BriefError, match=r"step_mm = 7\.5, but 'Reach 2' 15\.0"):
        share_plans([first, board(2, heights={"step_mm": 15.0})])
    # The first of three names neither top that the other two mean differently.
    known = (Path(catalogue.__file__).parent / "default.toml").read_text(encoding="utf-8")
    tops = '\nhollow = "111110"\nsaddle = "110110"\n'
    assert tops in known
    plans: list[Plan] = []
    for number, hollow, saddle in ((1, "dip", "pass"), (2, "hollow", "saddle"),
                                   (3, "saddle", "pass")):  # fmt: skip
        path = tmp_path / f"{number}.toml"
        path.write_text(known.replace(tops, f'\n{hollow} = "111110"\n{saddle} = "110110"\n'))
        plans.append(board(number, catalogue=str(path)))
    with pytest.raises(BriefError, match="'Reach 2' and 'Reach 3' mean different tops by 'saddle'"):
        share_plans(plans)
    with pytest.raises(BriefError, match="no boards"):
        share_plans([])
    with pytest.raises(BriefError, match="1 names are given for 3 boards"):
        share_plans([first] * 3, names=["one"])


def test_nothing_is_written_over_a_plan(folders: list[Path]) -> None:
    """A campaign does not replace a plan, and says so before it is fitted."""
    before = sorted(path.name for path in folders[2].iterdir())
    result = run("share", *folders[:2], "--out", folders[2])
    assert result.exit_code == 40
    assert "holds no earlier campaign" in result.output
    assert "fitting" not in result.output
    assert sorted(path.name for path in folders[2].iterdir()) == before
    assert (
        run("share", folders[0], folders[0].parent, "--out", folders[0].parent / "x").exit_code
        == 22
    )
