"""The command line as a user meets it: files, plain messages, exit codes, nothing half-written."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio

from hexterra.brief.brief import Brief, read_brief
from hexterra.outputs.reopen import read_plan
from tests.command_line import SAMPLE, run, write_raster


@pytest.fixture(scope="module")
def slope(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """4 x 3 km of ground that falls to the north-east."""
    row, column = np.mgrid[0:300, 0:400]
    height = (row - 0.5 * column + 300.0).astype(np.float32)
    return write_raster(tmp_path_factory.mktemp("ground") / "slope.tif", height)


def test_plan_writes_and_verifies(jacksboro_file: Path, tmp_path: Path) -> None:
    """One word and a file are enough; the folder it makes verifies."""
    out = tmp_path / "plan"
    result = run("plan", jacksboro_file, "--out", out)
    assert result.exit_code == 0, result.output
    assert {path.name for path in out.iterdir()} == {
        "tiles.csv", "schedule.csv", "plan.json", "cells.geojson", "surface.tif", "map.svg",
        "map.png",
    }  # fmt: skip
    assert "Assumed:" in result.output
    assert json.loads((out / "plan.json").read_text())["assumed"]
    assert run("verify", out).exit_code == 0


def test_a_file_that_does_not_say_its_unit_is_planned_in_metres(
    slope: Path, tmp_path: Path
) -> None:
    """What was assumed comes first: in the summary, in plan.json and in the plan opened again."""
    with rasterio.open(slope) as dataset:
        bare = write_raster(tmp_path / "bare.tif", dataset.read(1), unit="")
    out = tmp_path / "plan"
    result = run("plan", bare, "--set", "board.columns=6", "--set", "board.rows=5", "--out", out)
    assert result.exit_code == 0, result.output
    assert "Assumed:\n  - vertical unit = m (" in result.output
    assumed = json.loads((out / "plan.json").read_text())["assumed"]
    assert assumed[0].startswith("vertical unit = m (")
    assert read_plan(out).elevation.assumed == (assumed[0],)
    assert "assumed  vertical unit = m (" in run("inspect", bare).output
    drained = run("drain", bare, "--out", tmp_path / "drained")
    assert drained.output.partition("Assumed    ")[2].startswith("vertical unit = m (")


def test_the_sample_and_its_brief(tmp_path: Path) -> None:
    """README's sample command works as printed."""
    out = tmp_path / "imbleth-plan"
    result = run("plan", SAMPLE, "--brief", SAMPLE.with_suffix(".toml"), "--out", out)
    assert result.exit_code == 0, result.output
    assert "Imbleth vale" in result.output
    assert run("verify", out).exit_code == 0


def test_verify_finds_a_changed_row(slope: Path, tmp_path: Path) -> None:
    """A tile table that was edited by hand no longer agrees, and verify says where."""
    out = tmp_path / "plan"
    assert run("plan", slope, "--out", out, "--set", "board.columns=6").exit_code == 0
    table = out / "tiles.csv"
    lines = table.read_text().splitlines()
    header = lines[0].split(",")
    cells = lines[7].split(",")
    level = header.index("level")
    cells[level] = str(int(cells[level]) + 1)
    table.write_text("\n".join([*lines[:7], ",".join(cells), *lines[8:]]) + "\n")
    result = run("verify", out)
    assert result.exit_code == 3
    assert cells[0] in result.output


def test_settings_lie_over_the_brief(slope: Path, tmp_path: Path) -> None:
    """--set changes one key and leaves the others as the brief has them."""
    brief = tmp_path / "brief.toml"
    brief.write_text('title = "Slope"\n[board]\ncolumns = 5\nrows = 4\n')
    out = tmp_path / "plan"
    result = run("plan", slope, "--brief", brief, "--set", "board.columns=7", "--out", out)
    assert result.exit_code == 0, result.output
    board = json.loads((out / "plan.json").read_text())["board"]
    assert (board["columns"], board["rows"]) == (7, 4)


def test_inspect_speaks_plainly(slope: Path) -> None:
    """Inspect names the size on the ground and proposes boards."""
    result = run("inspect", slope)
    assert result.exit_code == 0
    assert "400 columns x 300 rows" in result.output
    assert "4 km" in result.output
    assert "1:" in result.output


def test_brief_prints_or_writes_a_starter(tmp_path: Path) -> None:
    """The starter brief asks for the defaults, printed or written."""
    path = tmp_path / "brief.toml"
    assert run("brief", "--out", path).exit_code == 0
    assert read_brief(path) == Brief()
    assert run("brief").output == path.read_text()


def test_schemas_are_json() -> None:
    """Both schemas are printed as JSON Schema objects."""
    for what in ("brief", "plan"):
        schema = json.loads(run("schema", what).output)
        assert schema["type"] == "object"
        assert schema["properties"]


def test_invent_reproduces_the_sample(tmp_path: Path) -> None:
    """README's command for the sample ground gives its heights in its place."""
    out = tmp_path / "imbleth.tif"
    assert run("invent", "--seed", 2, "--columns", 500, "--out", out).exit_code == 0
    with rasterio.open(out) as made, rasterio.open(SAMPLE) as kept:
        np.testing.assert_array_equal(made.read(1), kept.read(1))
        assert (made.transform, made.crs, made.units) == (kept.transform, kept.crs, kept.units)


def test_help_and_misspelling() -> None:
    """Help is help; an unknown command is a usage error."""
    assert run("--help").exit_code == 0
    assert run("plans").exit_code == 2
    assert run("plan").exit_code == 2


FLAT = np.zeros((300, 400), dtype=np.float32)

BAD_FILES = {
    "missing": (None, 11, "no file"),
    "not a raster": ("text", 12, "not a raster"),
    "folder": ("folder", 12, "folder"),
    "no crs": ({"crs": None}, 13, "--crs"),
    "metres as degrees": ({"crs": "EPSG:4326"}, 13, "degrees"),
    "no unit on a grid of feet": ({"unit": "", "crs": "EPSG:2277"}, 14, "--vertical-unit"),
    "all nodata": ({"nodata": 0.0}, 15, "void"),
    "all NaN": ({"height": np.full_like(FLAT, np.nan)}, 15, "void"),
    "all infinite": ({"height": np.full_like(FLAT, np.inf)}, 15, "void"),
    "one pixel": ({"height": FLAT[:1, :1]}, 15, "1 x 1"),
}


@pytest.mark.parametrize("case", BAD_FILES)
def test_bad_files(case: str, tmp_path: Path) -> None:
    """A file that cannot be used ends with its own exit code, a remedy, and no output folder."""
    what, code, said = BAD_FILES[case]
    path = tmp_path / "bad.tif"
    if what == "text":
        path.write_text("no heights here")
    elif what == "folder":
        path.mkdir()
    elif isinstance(what, dict):
        changes: dict[str, Any] = dict(what)
        height = changes.pop("height", FLAT)
        write_raster(path, height, **changes)
    result = run("plan", path, "--out", tmp_path / "plan")
    assert result.exit_code == code, result.output
    assert said in result.output
    assert "To fix it:" in result.output
    assert not (tmp_path / "plan").exists()


@pytest.mark.parametrize(
    ("setting", "code", "said"),
    [
        ("board.rows=0", 20, "at least 2"),
        ("board.across_flats_mm=-5", 20, "at least 5"),
        ("board.columns=1000000000", 20, "at most 20000"),
        ("board.colums=5", 20, "'columns'"),
        ("board.columns", 20, "KEY=VALUE"),
        ("heights.step_mm=0", 20, "at least 0.5"),
        ("board.scale=200000", 17, "50%"),
        ("catalogue='absent.toml'", 11, "absent.toml"),
        ("catalogue=absent.toml", 11, "absent.toml"),
        ("board.facing=north", 20, "'points' or 'flats'"),
        ("heights.thresholds_m=[1, 2", 20, "Unclosed array"),
        ("foam.sheets=[{ thicknes_mm = 5 }]", 20, "did you mean 'thickness_mm'?"),
        ("foam.sheets=[{ price = 5 }]", 20, "foam.sheets.0.thickness_mm: it must be given"),
        ("stock.spacer_mm=[40]", 32, "40"),
    ],
)
def test_bad_briefs(setting: str, code: int, said: str, slope: Path, tmp_path: Path) -> None:
    """A brief that cannot be met ends with its own exit code, and no output folder."""
    result = run("plan", slope, "--set", setting, "--out", tmp_path / "plan")
    assert result.exit_code == code, result.output
    assert said in result.output
    assert not (tmp_path / "plan").exists()


def test_a_plain_word_needs_no_quotes(slope: Path, tmp_path: Path) -> None:
    """A shell takes quotes away; text is text all the same."""
    small = ("--set", "board.columns=4", "--set", "board.rows=3")
    words = ("--set", "title=Low moor", "--set", "board.facing=flats")
    result = run("plan", slope, *small, *words, "--out", tmp_path / "plan")
    assert result.exit_code == 0, result.output
    assert "Low moor" in result.output
    assert "flats to the front" in result.output


def test_the_setting_at_fault_is_named_alone(slope: Path, tmp_path: Path) -> None:
    """Others that are right are not blamed with it; a key set twice is refused."""
    out = tmp_path / "plan"
    for wrong in ("board.rows", "board.columns=5"):
        result = run("plan", slope, "--set", "board.columns=4", "--set", wrong, "--out", out)
        assert result.exit_code == 20
        assert f"--set {wrong} is" in result.output
        assert "--set board.columns=4 is" not in result.output


def test_a_board_smaller_than_a_pixel(slope: Path, tmp_path: Path) -> None:
    """Its built surface has no pixel on it, and it is planned all the same."""
    tiny = ("--set", "board.columns=2", "--set", "board.rows=2", "--set", "board.scale=10")
    result = run("plan", slope, *tiny, "--out", tmp_path / "plan")
    assert result.exit_code == 0, result.output


def test_a_later_book_keeps_what_was_added_before(slope: Path, tmp_path: Path) -> None:
    """`book` adds to a plan: guides that were asked for once stay."""
    out = tmp_path / "plan"
    small = ("--set", "board.columns=3", "--set", "board.rows=3", "--set", "water.show=false")
    assert run("plan", slope, *small, "--out", out, "--sheets").exit_code == 0
    result = run("book", out)
    assert result.exit_code == 0, result.output
    assert (out / "book.pdf").is_file()
    assert any((out / "sheets").iterdir())


def test_an_interruption_has_its_exit_code(
    slope: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """128 + 2, the number of SIGINT: what shells expect; nothing is written."""

    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("hexterra.plan.pipeline.make_plan", interrupt)
    result = run("plan", slope, "--out", tmp_path / "plan")
    assert result.exit_code == 130
    assert "stopped" in result.output
    assert not (tmp_path / "plan").exists()


def test_nowhere_to_keep_compiled_code(
    slope: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Numba raises a bare RuntimeError where neither the package nor the home may be written to."""

    def refuse(*_: object, **__: object) -> None:
        raise RuntimeError("cannot cache function 'rank': no locator available for file 'x.py'")

    monkeypatch.setattr("hexterra.plan.pipeline.make_plan", refuse)
    result = run("plan", slope, "--out", tmp_path / "plan")
    assert result.exit_code == 40
    assert "NUMBA_CACHE_DIR" in result.output


def test_absurd_boards_are_refused_before_anything_is_made(slope: Path, tmp_path: Path) -> None:
    """400 million cells are refused by their number."""
    big = ("--set", "board.columns=20000", "--set", "board.rows=20000")
    result = run("plan", slope, *big, "--out", tmp_path / "plan")
    assert result.exit_code == 18
    assert "400,000,000" in result.output


def test_a_board_off_the_raster(slope: Path, tmp_path: Path) -> None:
    """A board placed elsewhere is told so."""
    away = ("--set", "board.lon_deg=100", "--set", "board.lat_deg=10", "--set", "board.scale=1000")
    result = run("plan", slope, *away, "--out", tmp_path / "plan")
    assert result.exit_code == 17
    assert "off" in result.output


def test_unwritable_output(slope: Path, tmp_path: Path) -> None:
    """An output that is a file, or a folder of other things, is left as it is."""
    file = tmp_path / "file"
    file.write_text("mine")
    full = tmp_path / "full"
    full.mkdir()
    (full / "mine.txt").write_text("mine")
    for out in (file, full, "/proc/hexterra/plan"):
        result = run("plan", slope, "--out", out, "--set", "board.columns=4")
        assert result.exit_code == 40, result.output
    assert file.read_text() == "mine"
    assert [path.name for path in full.iterdir()] == ["mine.txt"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "full"]


def test_a_folder_that_cannot_be_used_is_refused_first(slope: Path, tmp_path: Path) -> None:
    """The refusal comes before the ground is sampled."""
    file = tmp_path / "file"
    file.write_text("mine")
    result = run("plan", slope, "--out", file)
    assert result.exit_code == 40
    assert "sampling" not in result.output


def test_verify_of_no_plan(tmp_path: Path) -> None:
    """A folder without a plan is refused by name."""
    result = run("verify", tmp_path)
    assert result.exit_code == 22
    assert "tiles.csv" in result.output
