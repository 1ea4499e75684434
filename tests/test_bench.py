"""What the bench gets on request, and plans that are opened again."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from click.testing import CliRunner
from pypdf import PdfReader

import hexterra as hx
from hexterra.cli import main
from hexterra.errors import PlanFolderError
from hexterra.outputs.plan_files import write_plan
from hexterra.workshop.estimate.estimate import estimate
from hexterra.workshop.sheets.foam import foam
from hexterra.workshop.solids.courses import piece_course
from hexterra.workshop.solids.grooves import schedule_grooves
from hexterra.workshop.solids.guides import Guides
from hexterra.workshop.templates.sheet_layouts import sheet_files

BOARD = {"columns": 7, "rows": 5}


@pytest.fixture(scope="module")
def plan(jacksboro: hx.Elevation) -> hx.Plan:
    """A small plan."""
    return hx.make_plan(jacksboro, hx.Brief(title="Small", board=BOARD))


def test_all_extras_are_written(plan: hx.Plan, tmp_path: Path) -> None:
    """Book, templates, sheets and solids lie in the folder, and the plan still verifies."""
    extras = ("book", "templates", "sheets", "mesh")
    written = write_plan(plan, tmp_path / "plan", extras=extras)
    assert len(PdfReader(tmp_path / "plan" / "book.pdf").pages) > 5
    for folder in extras[1:]:
        assert any((tmp_path / "plan" / folder).iterdir())
        assert any(name.startswith(f"{folder}/") for name in written)
    assert hx.verify(tmp_path / "plan").agrees
    listed = json.loads((tmp_path / "plan" / "plan.json").read_text())["files"]
    assert listed == list(written)


def test_sheet_drawings_hold_every_block(plan: hx.Plan) -> None:
    """Read by ezdxf, the drawings show as many outlines as blocks lie on the sheets, 1:1."""
    made = estimate(foam(plan.pieces))
    files = sheet_files(made)
    layouts = {(n.stock.thickness_mm, s.digest): s for n in made.foam.nests for s in n.sheets}
    drawings = [name for name in files if name.startswith("sheet") and name.endswith(".dxf")]
    assert len(drawings) == len(layouts)
    n_outlines = 0
    for name in drawings:
        document: Any = ezdxf.read(io.StringIO(files[name].decode()))
        shapes = document.modelspace().query('LWPOLYLINE[layer=="PIECE"]')
        n_outlines += len(shapes)
        for shape in shapes:
            points = np.array([(x, y) for x, y, *_ in shape.get_points()])
            assert np.ptp(points, axis=0).max() <= 100.0 * 2 / np.sqrt(3) + 1e-6
    assert n_outlines == sum(sheet.n_pieces for sheet in layouts.values())


def test_what_was_timed_sets_the_rates(plan: hx.Plan) -> None:
    """0.8 m2 painted in 50 minutes are 62.5 a square metre, however long the brief says."""
    timed = [{"minutes": 50.0, "paint_m2": 0.8}]
    brief = hx.Brief(bench={"timed": timed, "paint_minutes_per_m2": 5.0})
    bench = estimate(foam(plan.pieces), bench=brief.bench).bench
    assert bench.paint_minutes_per_m2 == pytest.approx(62.5)
    assert bench.minutes_per_cut == hx.Brief().bench.minutes_per_cut


def test_a_plan_is_opened_again(plan: hx.Plan, tmp_path: Path) -> None:
    """The plan that is opened writes the same files, byte for byte."""
    write_plan(plan, tmp_path / "plan", extras=("book",))
    again = hx.read_plan(tmp_path / "plan")
    write_plan(again, tmp_path / "again", extras=("book",))
    for path in (tmp_path / "plan").iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name


def test_a_plan_with_its_own_catalogue_and_stock_is_opened_again(
    jacksboro: hx.Elevation, plan: hx.Plan, tmp_path: Path
) -> None:
    """Neither the catalogue file nor the stock list is needed to open the plan."""
    write_plan(plan, tmp_path / "earlier")
    catalogue = tmp_path / "mine.toml"
    catalogue.write_text(
        '[patterns]\nflat = "000000"\nbank = "110000"\nflank = "111000"\nshoulder = "111100"\n'
        'hollow = "111110"\nsaddle = "110110"\nspur = "100000"\n'
    )
    stock = {"owned": str(tmp_path / "earlier" / "schedule.csv")}
    brief = hx.Brief(board=BOARD, catalogue=str(catalogue), stock=stock, water={"show": False})
    made = hx.make_plan(jacksboro, brief)
    write_plan(made, tmp_path / "plan")
    catalogue.unlink()
    again = hx.read_plan(tmp_path / "plan")
    assert again.pieces.same_as(made.pieces)
    assert again.stock is not None
    assert made.stock is not None
    assert again.stock.equals(made.stock)


def test_the_raster_is_not_kept(plan: hx.Plan, tmp_path: Path) -> None:
    """Asking an opened plan for pixels says where they are not."""
    write_plan(plan, tmp_path / "plan")
    with pytest.raises(PlanFolderError, match="not the raster"):
        hx.read_plan(tmp_path / "plan").elevation.read(0, 1, 0, 1)


@pytest.mark.parametrize(
    "damage", ["no json", "foreign", "missing key", "other tiles", "huge number", "no ways"]
)
def test_damaged_plans_are_refused(damage: str, plan: hx.Plan, tmp_path: Path) -> None:
    """A document that is no plan, or another than its tiles, is refused."""
    write_plan(plan, tmp_path / "plan")
    path = tmp_path / "plan" / "plan.json"
    document = json.loads(path.read_text())
    if damage == "foreign":
        document["format"] = "other"
    elif damage == "missing key":
        del document["stored"]["heights"]["mean_m"]
    elif damage == "other tiles":
        document["cells"][0]["turn"] = (document["cells"][0]["turn"] + 1) % 6
    elif damage == "huge number":
        document["stored"]["overlay"]["water"]["order"][0] = 10**12
    elif damage == "no ways":
        document["stored"]["overlay"]["rivers"] = "none"
    path.write_text("{" if damage == "no json" else json.dumps(document))
    with pytest.raises(PlanFolderError, match=r"plan\.json"):
        hx.read_plan(tmp_path / "plan")


def test_book_is_added_to_a_plan(plan: hx.Plan, tmp_path: Path) -> None:
    """`hexterra book` adds the book to a folder and leaves the plan as it was."""
    write_plan(plan, tmp_path / "plan")
    tiles = (tmp_path / "plan" / "tiles.csv").read_bytes()
    result = CliRunner().invoke(main, ["book", str(tmp_path / "plan")], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert (tmp_path / "plan" / "book.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "plan" / "tiles.csv").read_bytes() == tiles
    missing = CliRunner().invoke(main, ["book", str(tmp_path / "none")], catch_exceptions=False)
    assert missing.exit_code == 22


def test_banks_are_cut_as_the_brief_asks(jacksboro: hx.Elevation) -> None:
    """Upright banks take no room on the plan; sloping ones do."""
    for banks, takes_room in (("upright", False), ("sloping", True)):
        brief = hx.Brief(board=BOARD, water={"banks": banks})
        pieces = hx.make_plan(jacksboro, brief).pieces
        grooves = schedule_grooves(pieces, Guides())
        courses = [piece_course(piece) for piece in pieces.pieces if piece.crossing]
        held = [groove for one in courses if one for groove in grooves.at_sides(one)]
        assert held
        assert all((groove.bank_mm > 0.0) == takes_room for groove in held)
