"""`hexterra.outputs.folder`: nothing is lost when a run is killed or meets another."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock

from hexterra.errors import HexterraWarning, OutputError
from hexterra.outputs import swap as swap_module
from hexterra.outputs.folder import check_folder, recover, write_folder
from hexterra.outputs.single_file import write_file
from tests.small_folders import plan

ROOT = Path(__file__).parent.parent
#: Writes a plan over another one and is killed at the k-th call that changes a folder's names.
KILLED = """
import os, pathlib, shutil, signal, sys
from hexterra.outputs import folder, swap
target, k, swaps = sys.argv[1], int(sys.argv[2]), sys.argv[3] == "swaps"
count = 0
def counted(call):
    def wrapper(*args, **kwargs):
        global count
        count += 1
        if count == k:
            os.kill(os.getpid(), signal.SIGKILL)
        return call(*args, **kwargs)
    return wrapper
for name in ("rename", "replace", "mkdir", "rmdir", "unlink", "link"):
    setattr(os, name, counted(getattr(os, name)))
swap.exchange = counted(swap.exchange) if swaps else lambda one, other: False
from tests.small_folders import plan
folder.write_folder(target, plan("new"), replace=True)
"""


def content(folder: Path) -> dict[str, str]:
    """Give every file below a folder with its text."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8") for path in files}


@pytest.fixture
def target(tmp_path: Path) -> Path:
    """Give a folder with an earlier plan and a file of the user's own."""
    write_folder(tmp_path / "plan", plan("old"))
    (tmp_path / "plan" / "notes.txt").write_text("mine", encoding="utf-8")
    return tmp_path / "plan"


@pytest.fixture(params=["swaps", "renames"])
def how(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Exchange folders at once where the system can, or rename them one after the other."""
    if request.param == "renames":
        monkeypatch.setattr(swap_module, "exchange", lambda *_: False)
    elif sys.platform not in {"linux", "darwin"}:
        pytest.skip("this system cannot exchange folders")
    return request.param


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_a_kill_at_any_step_loses_nothing(target: Path, how: str) -> None:
    """The old plan or the new is whole after each kill, with the user's file, and is found."""
    before = content(target)
    wanted = {**content_of("new", target.parent), "notes.txt": "mine"}
    n_killed = 0
    for k in range(1, 60):
        code = [sys.executable, "-c", KILLED, str(target), str(k), how]
        done = subprocess.run(code, check=False, capture_output=True, text=True, cwd=ROOT)
        if done.returncode == 0:
            break
        assert done.returncode == -signal.SIGKILL, done.stderr
        n_killed += 1
        if how == "renames" and not target.exists():
            with pytest.warns(HexterraWarning, match="contents are restored"):
                recover(target)
        assert content(target) in (before, wanted), k
        write_folder(target, plan("old"), replace=True)  # the next run clears up
        assert sorted(path.name for path in target.parent.iterdir()) == ["plan"]
        assert content(target) == before
    else:
        pytest.fail("the run never came to its end")
    assert n_killed >= 8
    assert content(target) == wanted


def content_of(text: str, beside: Path) -> dict[str, str]:
    """Give what a plan holds that says `text`."""
    folder = beside / "other" / "plan"
    write_folder(folder, plan(text))
    held = content(folder)
    for path in sorted(folder.parent.rglob("*"), reverse=True):
        path.unlink() if path.is_file() else path.rmdir()
    folder.parent.rmdir()
    return held


def test_failing_swap_is_undone(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the new folder cannot take its place, the earlier one is put back."""
    before = content(target)
    rename = Path.rename

    def fragile(self: Path, other: Path) -> Path:
        if self.name == ".plan.new":
            raise PermissionError(13, "Permission denied", str(other))
        return rename(self, other)

    monkeypatch.setattr(swap_module, "exchange", lambda *_: False)
    monkeypatch.setattr(Path, "rename", fragile)
    with pytest.raises(OutputError, match="Permission denied"):
        write_folder(target, plan("new"), replace=True)
    assert content(target) == before
    assert [path.name for path in target.parent.iterdir()] == ["plan"]


def test_what_is_the_users_comes_along(target: Path, how: str) -> None:
    """Files, folders and links of the user stay, in our folders too; of ours none is left over."""
    (target / "below" / "mine").write_text("mine", encoding="utf-8")
    (target / "photos").mkdir()
    (target / "photos" / "table.jpg").write_text("table", encoding="utf-8")
    (target / "link").symlink_to("photos")
    fewer = plan("new")
    del fewer["one"]
    write_folder(target, fewer, replace=True)
    assert {*content(target)} == {
        "below/mine", "below/two", "notes.txt", "photos/table.jpg", "plan.json",
    }  # fmt: skip
    assert (target / "link").is_symlink()


def test_a_link_to_a_folder_stays_one(target: Path, tmp_path: Path) -> None:
    """A plan written to a link goes to the folder that the link names."""
    link = tmp_path / "link"
    link.symlink_to(target)
    write_folder(link, plan("new"), replace=True)
    assert link.is_symlink()
    assert content(target)["one"] == "new"


def test_another_plan_is_replaced_only_when_asked(target: Path) -> None:
    """The refusal says what differs and what to do; the same plan may be written again."""
    before = content(target)
    write_folder(target, plan("old"))
    with pytest.raises(OutputError, match='title is "old" there and "new" here') as caught:
        write_folder(target, plan("new"))
    assert "--replace" in caught.value.remedy
    assert content(target) == before
    with pytest.raises(OutputError, match="another plan"):
        check_folder(target, document={"title": "new"})
    check_folder(target, document={"title": "old"})
    check_folder(target, document={"title": "new"}, replace=True)
    write_folder(target, plan("new"), replace=True)
    assert content(target)["one"] == "new"


def test_two_runs_do_not_share_a_folder(target: Path) -> None:
    """While one run writes, another is refused; a lock that a dead run left holds nobody up."""
    before = content(target)
    lock = FileLock(target.with_name(".plan.lock"))
    with lock, pytest.raises(OutputError, match="another run is writing"):
        write_folder(target, plan("new"), replace=True)
    assert content(target) == before
    target.with_name(".plan.lock").touch()
    write_folder(target, plan("new"), replace=True)
    assert [path.name for path in target.parent.iterdir()] == ["plan"]


def test_the_current_folder_is_not_pulled_from_under_the_user(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A shell that stands in the folder would be left in one that is gone."""
    monkeypatch.chdir(target)
    with pytest.raises(OutputError, match="the folder you are in") as caught:
        write_folder(".", plan("new"), replace=True)
    assert "cd .." in caught.value.remedy


def test_a_file_is_replaced_only_when_asked(tmp_path: Path) -> None:
    """An edited file is kept; the same content may be written again."""
    path = tmp_path / "brief.toml"
    write_file(path, b"mine", replace=False)
    write_file(path, b"mine", replace=False)
    with pytest.raises(OutputError, match="is there already"):
        write_file(path, b"new", replace=False)
    assert path.read_bytes() == b"mine"
    write_file(path, b"new", replace=True)
    assert [name.name for name in tmp_path.iterdir()] == ["brief.toml"]


def test_commands_do_not_replace_another_plan(tmp_path: Path) -> None:
    """A plan of an edited brief is refused before the work, and written with --replace."""
    from click.testing import CliRunner

    from hexterra.cli import main

    def run(*words: str) -> Any:
        return CliRunner().invoke(main, words)

    ground, out = str(tmp_path / "ground.tif"), str(tmp_path / "board")
    assert run("invent", "--rows", "60", "--columns", "80", "--out", ground).exit_code == 0
    again = run("invent", "--rows", "60", "--columns", "90", "--out", ground)
    assert again.exit_code == 40
    assert "--replace" in again.stderr
    words = ("plan", ground, "--out", out, "--set", "board.columns=6", "--set", "board.rows=5")
    assert run(*words).exit_code == 0
    assert run(*words).exit_code == 0
    other = run(*words, "--set", "water.show=false")
    assert other.exit_code == 40
    assert "brief.water.show is true there and false here" in other.stderr
    assert "following the water" not in other.stderr
    change = ["edit", out, "C3", "--pattern", "flat", "--level"]
    level = next(level for level in "0123456789" if "1 of 30 cells" in run(*change, level).stdout)
    level = (*change, level, "--out", out)
    assert run(*level).exit_code == 40
    assert run(*level, "--replace").exit_code == 0
    assert run(*words).exit_code == 40  # what was changed by hand is not lost
    assert run(*words, "--replace").exit_code == 0
