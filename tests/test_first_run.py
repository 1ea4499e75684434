"""`hexterra.commands.first_run`: the second process compiles the package that runs."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from hexterra.commands.first_run import compiling_beside


def test_a_copy_in_the_working_folder_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As in a clone from which the package was installed: the clone is not what is compiled."""
    copy = tmp_path / "hexterra"
    copy.mkdir()
    (copy / "commands").mkdir()
    (copy / "__init__.py").touch()
    (copy / "commands" / "__init__.py").touch()
    (copy / "commands" / "first_run.py").write_text(
        f"open({str(tmp_path / 'mark')!r}, 'w').close()"
    )
    monkeypatch.chdir(tmp_path)
    with compiling_beside():
        end = time.monotonic() + 1.5
        while time.monotonic() < end and not (tmp_path / "mark").exists():
            time.sleep(0.05)
    assert not (tmp_path / "mark").exists()
