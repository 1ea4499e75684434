"""Tests of the build book: read back with pypdf, which shares no code with what writes it."""

from __future__ import annotations

import io
import math
import re
from collections import Counter
from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import Any, Literal

import numpy as np
import pypdf
import pytest
from PIL import ImageFont
from pypdf.generic import DictionaryObject
from shapely import Polygon

from hexterra.brief.bench_sections import BaseBrief, FoamBrief
from hexterra.brief.brief import Brief
from hexterra.drawing.flowables import Heading
from hexterra.drawing.lettering import own_font
from hexterra.drawing.pdf_document import Margins, write_document
from hexterra.drawing.scene import Lines
from hexterra.inputs.owned_pieces import OwnedPieces, left_to_cut, tile_kind
from hexterra.plan.pipeline import make_plan
from hexterra.plan.plan import Plan
from hexterra.stages.water.flow import WaterKind
from hexterra.workshop.book.book import book_pdf
from hexterra.workshop.book.book_tables import Column, Group, RowTable
from hexterra.workshop.book.book_words import (
    corner_word,
    duration,
    first_corner,
    part_words,
    side_word,
    stack_words,
    water_words,
)
from hexterra.workshop.book.ground_pages import courses
from hexterra.workshop.book.layout import content_mm
from hexterra.workshop.book.map_pages import map_parts
from hexterra.workshop.estimate.estimate import SURFACE_KINDS, Estimate, estimate
from hexterra.workshop.sheets.facing_sheets import facing_solids
from hexterra.workshop.sheets.foam import foam
from hexterra.workshop.solids.base import base
from hexterra.workshop.solids.keyed_footings import keyed_footings
from hexterra.workshop.solids.solids import piece_solids
from hexterra.workshop.templates.relief import board_view
from tests.small_plans import small_ground, small_plan

Facing = Literal["points", "flats"]
Paper = Literal["A4", "Letter"]

#: Width and height in millimetres. A4: ISO 216:2007, table 1, which allows 1.5 mm up to 150 mm
#: and 2 mm above. Letter: 8.5 x 11 inches, ANSI/ASME Y14.1, size A.
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
#: What content may cover of A4 in landscape.
LANDSCAPE = content_mm(PAPERS["A4"], is_landscape=True)

SECTIONS = [
    "The board",
    "How true the board is",
    "What to buy",
    "Hours, cost and weight",
    "Cautions",
    "How to cut",
    "Set-ups in order",
    "Cut list",
    "Drawings with dimensions",
    "Sheet layouts",
    "Labels to stick under tiles",
    "The base",
    "The map",
    "Row by row",
    "Stacks",
    "Where water runs",
    "Packing list",
]


@cache
def work(facing: Facing = "points", columns: int = 8, rows: int = 6) -> tuple[Plan, Estimate]:
    """Plan a small board and estimate what it takes."""
    plan = small_plan(facing, columns=columns, rows=rows)
    return plan, estimate(foam(plan.pieces))


@cache
def book(facing: Facing = "points", paper: Paper = "A4", columns: int = 8, rows: int = 6) -> bytes:
    """Write the book of a small board."""
    plan, result = work(facing, columns, rows)
    return book_pdf(plan, result, paper=paper)


@cache
def reader(*args: Any) -> pypdf.PdfReader:
    """Open the book of a small board."""
    return pypdf.PdfReader(io.BytesIO(book(*args)))


@cache
def page_text(number: int, *args: Any) -> str:
    """Return the text of a page, counted from 1, its blanks made single."""
    words = reader(*args).pages[number - 1].extract_text()
    return re.sub(r"\s+", " ", words).strip() + " "


def texts(*args: Any) -> list[str]:
    """Return the text of each page."""
    return [page_text(number + 1, *args) for number in range(len(reader(*args).pages))]


def outline(held: pypdf.PdfReader) -> list[tuple[str, int, int]]:
    """Return title, depth and page, from 1, of every bookmark."""

    def walk(items: list[Any], depth: int) -> list[tuple[str, int, int]]:
        found: list[tuple[str, int, int]] = []
        for item in items:
            if isinstance(item, list):
                found += walk(item, depth + 1)
            else:
                number = held.get_destination_page_number(item)
                assert number is not None
                found.append((str(item.title), depth, number + 1))
        return found

    return walk(held.outline, 0)


def section(name: str, *args: Any) -> str:
    """Return the text of all pages from one section's first to before the next section's."""
    starts = [(title, page) for title, depth, page in outline(reader(*args)) if depth == 0]
    ends = [page for _, page in starts[1:]] + [len(reader(*args).pages) + 1]
    (span,) = [
        (start, end) for (title, start), end in zip(starts, ends, strict=True) if title == name
    ]
    return "".join(page_text(number, *args) for number in range(*span))


BOARDS = [("points", "A4"), ("flats", "A4"), ("points", "Letter"), ("flats", "Letter")]


@pytest.mark.parametrize(("facing", "paper"), BOARDS)
def test_every_page_is_that_paper_one_way_or_the_other(facing: Facing, paper: Paper) -> None:
    """Pages are A4 (ISO 216) or Letter (ANSI/ASME Y14.1), portrait or landscape; no others."""
    width, height = PAPERS[paper]
    for page in reader(facing, paper).pages:
        size = sorted(float(side) * 25.4 / 72.0 for side in page.mediabox[2:])
        assert size == pytest.approx([width, height], abs=0.01)
        assert page.mediabox[:2] == [0, 0]


def test_first_page_is_portrait() -> None:
    """The cover is a portrait page."""
    page = reader().pages[0]
    assert page.mediabox.width < page.mediabox.height


@pytest.mark.parametrize(("facing", "paper"), BOARDS)
def test_pages_are_numbered(facing: Facing, paper: Paper) -> None:
    """Every page but the cover says which page of how many it is."""
    pages = texts(facing, paper)
    assert "page 1 of" not in pages[0]
    for number, text in enumerate(pages[1:], start=2):
        assert f"page {number} of {len(pages)} " in text


def test_outline_names_the_sections_in_order() -> None:
    """Bookmarks hold the cover, the contents and the twelve sections, in the order of the job."""
    titles = [title for title, depth, _ in outline(reader()) if depth == 0]
    assert titles == ["Cover", "Contents", *SECTIONS]


def test_bookmarks_lead_to_their_headings() -> None:
    """The page a bookmark leads to carries its words, but for the labels' and the cover's."""
    for title, _, page in outline(reader()):
        if title not in {"Cover", "Labels to stick under tiles"}:
            assert title in page_text(page)


def test_contents_agree_with_the_bookmarks() -> None:
    """The contents list every bookmark after them with its page number, and link to it."""
    held = reader()
    listed = held.pages[1].extract_text(extraction_mode="layout")
    entries = outline(held)[2:]
    for title, _, page in entries:
        assert re.search(rf"{re.escape(title)}[ .]+ {page}\b", listed), title
    links = [note.get_object() for note in held.pages[1]["/Annots"]]  # type: ignore[union-attr]
    pages = [page.indirect_reference for page in held.pages]
    led = [pages.index(link["/Dest"][0]) + 1 for link in links]
    assert set(led) == {page for _, _, page in entries}


def test_cautions_are_found_from_every_page() -> None:
    """Every page but the cover names the page of the cautions, which speak of all the dangers."""
    (page,) = [page for title, _, page in outline(reader()) if title == "Cautions"]
    assert all(f"read the cautions on page {page} first" in text for text in texts()[1:])
    for word in (
        "styrene", "outdoors", "low voltage", "burns", "flammable", "dust", "Solvents",
        "data sheet", "local rules", "navigation", "flood",
    ):  # fmt: skip
        assert word in texts()[page - 1]


def fonts(held: pypdf.PdfReader) -> dict[str, Any]:
    """Return every font of every page and form, by its name."""
    found: dict[str, Any] = {}

    def visit(resources: Any) -> None:
        resources = resources.get_object()
        for font in resources.get("/Font", DictionaryObject()).get_object().values():
            found[str(font.get_object()["/BaseFont"])] = font.get_object()
        for form in resources.get("/XObject", DictionaryObject()).get_object().values():
            if "/Resources" in form.get_object():
                visit(form.get_object()["/Resources"])

    for page in held.pages:
        visit(page["/Resources"])
    return found


def test_fonts_are_embedded() -> None:
    """Every font that a page names is a subset whose file is in the PDF."""
    found = fonts(reader())
    assert found
    for name, font in found.items():
        assert re.fullmatch(r"/[A-Z]{6}\+DejaVuSans(-Bold)?", name)
        assert "/FontFile2" in font["/FontDescriptor"].get_object()
        assert "/ToUnicode" in font  # so that text can be selected and searched


def test_nothing_is_pixels() -> None:
    """No page or form holds an image."""
    for page in reader().pages:
        assert len(page.images) == 0


def test_viewers_are_asked_not_to_scale() -> None:
    """The viewer preferences turn print scaling off (ISO 32000-1, table 150)."""
    root = reader().trailer["/Root"]
    assert root["/ViewerPreferences"]["/PrintScaling"] == "/None"  # type: ignore[index]


def test_equal_values_give_equal_bytes() -> None:
    """A second book of the same plan is the same file, and tells no time."""
    plan, result = work()
    again = book_pdf(plan, result)
    assert again == book()
    dates = reader().metadata
    assert dates is not None
    assert dates.creation_date is not None
    assert dates.creation_date.year == 2000


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_every_piece_is_in_the_cut_list(facing: Facing) -> None:
    """Each piece stands there once with its count, and its boxes stand for as many pieces."""
    plan, result = work(facing)
    listed = section("Cut list", facing)
    for number, piece in enumerate(plan.pieces.pieces):
        pattern = (
            rf" {re.escape(piece.name)} (\d+\.\d) cm³, \d+ cm² all round, \d+\.\d g {piece.count}"
            rf" [^c]*?sheet ((?:\d+ )+)"
        )
        found = re.findall(pattern, listed)
        assert len(found) == 1, piece.name
        volume_cm3, boxes = found[0]
        assert float(volume_cm3) == pytest.approx(result.volume_mm3[number] / 1000.0, abs=0.051)
        assert sum(map(int, boxes.split())) == piece.count


def test_owned_pieces_are_not_cut() -> None:
    """What the maker owns is told apart in the cut list, and has no box, drawing or set-up."""
    plan, _ = work()
    pieces = plan.pieces.pieces
    tile = next(piece for piece in pieces if piece.pattern == "bank")
    spacer = next(piece for piece in pieces if piece.kind == "spacer")
    owned = OwnedPieces(((tile_kind(tile), 5000),), ((spacer.name, 1),))
    result = estimate(foam(plan.pieces, to_cut=left_to_cut(plan.pieces, owned)))
    held = pypdf.PdfReader(io.BytesIO(book_pdf(replace(plan, owned=owned), result)))
    words = re.sub(r"\s+", " ", " ".join(page.extract_text() for page in held.pages))
    total = sum(piece.count for piece in pieces)
    n_owned = tile.count + 1
    assert f"{n_owned} of {total} owned, {total - n_owned} to cut." in words
    assert f"{5000 - tile.count:,} owned pieces beyond that stay unused." in words
    assert f" 1 of {spacer.count} owned {spacer.count - 1} " in words
    assert f" {tile.name} {tile.count} of {tile.count} owned " in words
    starts = [(title, page) for title, depth, page in outline(held) if depth == 0]
    for name in ("Set-ups in order", "Drawings with dimensions"):
        (first,) = [page for title, page in starts if title == name]
        last = min(page for _, page in starts if page > first)
        pages = (page.extract_text() for page in held.pages[first - 1 : last - 1])
        text = re.sub(r"\s+", " ", " ".join(pages))
        assert not re.search(rf"(?i) {tile.name} \d", text)


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_every_piece_has_a_drawing(facing: Facing) -> None:
    """Each distinct piece and facing is drawn once, with count, volume and surface as cut."""
    plan, result = work(facing)
    drawn = section("Drawings with dimensions", facing)
    notes = Counter(
        f"volume {volume_mm3 / 1000.0:.2f} cm³ surface {around_mm2 / 100.0:.2f} cm²"
        for volume_mm3, around_mm2 in zip(
            result.volume_mm3.tolist(), result.around_mm2.tolist(), strict=True
        )
    )
    uncut = [solid.volume_mm3 for solid in piece_solids(plan.pieces)]
    assert (result.volume_mm3 < np.array(uncut) - 1.0).any()  # watercourses are cut out
    for words, count in notes.items():
        volume, surface = words.split(" surface ")
        assert drawn.count(volume) >= count
        assert drawn.count(f"surface {surface}") >= count
    for piece in plan.pieces.pieces:
        assert f"{piece.count} needed, from a blank of {piece.thickness_mm:g} mm" in drawn
        assert f"{piece.name[0].upper()}{piece.name[1:]}" in drawn
    for _, body in facing_solids(result.facings, result.foam.stock):
        assert f"{body.name[0].upper()}{body.name[1:]}" in drawn
    width = plan.board.across_flats_mm
    assert {f"{width:.2f}", f"{2.0 * width / math.sqrt(3.0):.2f}"} <= set(drawn.split())


def test_base_is_drawn_with_its_panels_and_keyed_footings() -> None:
    """Panels, bars and rails have drawings; each keyed footing's cells are listed."""
    plan, _ = work()
    ground = base(plan.pieces, BaseBrief(frame_width_mm=20.0, panel_length_mm=400.0))
    result = estimate(foam(plan.pieces), base=ground)
    held = pypdf.PdfReader(io.BytesIO(book_pdf(plan, result)))
    starts = [(title, page) for title, _, page in outline(held)]
    first = dict(starts)["The base"]
    last = dict(starts)["The map"]
    pages = [re.sub(r"\s+", " ", page.extract_text()) for page in held.pages[first - 1 : last - 1]]
    listed = " ".join(pages)
    for panel in ground.panels:
        assert pages[0].count(f"{panel.name} {panel.width_mm:.1f} x {panel.depth_mm:.1f}") == 1
        assert f"Base: {panel.name}" in listed
    assert f"{ground.size_mm[0]:.1f}" in pages[0]
    assert "Bar front and back" in listed
    for footing in keyed_footings(ground):
        labels = ", ".join(plan.board.labels[cell] for cell in footing.cells.tolist())
        assert f" {footing.count} {labels} " in listed
        assert f"{footing.name[0].upper()}{footing.name[1:]}" in listed
    for bar in result.wood.bars.bars:
        assert f"{bar[0]:.1f}" in listed


def test_hours_cost_and_weight_add_up() -> None:
    """Every kind of work, price, weight and surface is told, and so are their sums."""
    plan, _ = work()
    sheets = tuple(sheet.model_copy(update={"price": 6.0}) for sheet in FoamBrief().sheets)
    stock = FoamBrief(sheets=sheets, facing_price=2.5)
    ground = base(plan.pieces, BaseBrief(sheet_price=30.0, strip_price=1.5))
    made = estimate(foam(plan.pieces, stock), base=ground)
    held = pypdf.PdfReader(io.BytesIO(book_pdf(plan, made)))
    page = next(page for title, _, page in outline(held) if title == "Hours, cost and weight")
    told = re.sub(r"\s+", " ", held.pages[page - 1].extract_text())
    for kind, minutes in made.minutes.items():
        assert not minutes or re.search(rf" {kind} .*? {re.escape(duration(minutes))} ", told)
    assert f"foam {6.0 * made.foam.n_sheets:.2f}" in told
    assert made.price is not None
    assert f"all {made.price:,.2f} " in told
    assert f"all {made.weight_kg:.2f} kg" in told
    for kind, area_mm2 in zip(SURFACE_KINDS, made.surface_mm2.tolist(), strict=True):
        assert f"{kind} {area_mm2 / 1e6:.3f} m²" in told


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_every_cell_is_in_the_row_lists(facing: Facing) -> None:
    """Each cell is listed once, with tile, turn, level, spacers, height and footing."""
    plan, _ = work(facing)
    pieces = plan.pieces
    listed = section("Row by row", facing)
    for cell, label in enumerate(pieces.board.labels):
        level = int(pieces.tiles.level[cell])
        words = (
            f" {label} {pieces.piece_names[cell]} {first_corner(pieces, cell) or '-'} {level}"
            f" {stack_words(pieces, level)}"
            f" {level * pieces.step_mm:g} {pieces.footing_names[cell].split()[0]} "
            f"{f'water {words}' if (words := water_words(pieces, cell)) else ''}"
        )
        assert listed.count(words) == 1, words


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_every_tile_has_a_label(facing: Facing) -> None:
    """Each cell has one label, with its level and its piece."""
    plan, _ = work(facing)
    listed = section("Labels to stick under tiles", facing)
    for cell, label in enumerate(plan.board.labels):
        level = int(plan.fitted.level[cell])
        stack = f"on {stack_words(plan.pieces, level)} mm" if level else "on no spacers"
        words = f" {label} level {level} {stack} {plan.pieces.piece_names[cell]} "
        assert listed.count(words) == 1, words


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_every_cell_is_on_one_part_of_the_map(facing: Facing) -> None:
    """Quarters share no cell and leave none out, and each names its own cells only."""
    args = facing, "A4", 24, 17
    plan, _ = work(facing, 24, 17)
    named: Counter[str] = Counter()
    pages = [page for title, _, page in outline(reader(*args)) if title.startswith("The map: ")]
    parts = map_parts(plan.board, LANDSCAPE)
    assert len(pages) == len(parts) >= 4
    for page, part in zip(pages, parts, strict=True):
        words = page_text(page, *args).split()
        own = {word for word in words if re.fullmatch(r"[A-Z]\d+", word)}
        inside = {plan.board.labels[cell] for cell in np.flatnonzero(part.contains(plan.board))}
        assert own <= inside
        named.update(own)
        # A quarter tile with a watercourse has no room for its name, which the edges give.
        unnamed = [plan.board.labels.index(label) for label in inside - own]
        assert all(plan.board.parts[cell] == "quarter" for cell in unnamed)
    assert set(named.values()) == {1}


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_parts_of_a_map_cover_the_board(facing: Facing) -> None:
    """Every cell is in exactly one part, on either paper, landscape and portrait."""
    for paper in ("A4", "Letter"):
        for is_landscape in (True, False):
            board = work(facing, 24, 17)[0].board
            room_mm = content_mm(PAPERS[paper], is_landscape=is_landscape)
            held = sum(part.contains(board).astype(int) for part in map_parts(board, room_mm))
            assert np.all(held == 1)


def test_small_board_needs_no_parts() -> None:
    """A board of 8 x 6 cells is readable on one page."""
    assert len(map_parts(work()[0].board, LANDSCAPE)) == 1


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_courses_pass_every_link_once(facing: Facing) -> None:
    """Together the courses run over every side that water leaves a cell by, once."""
    plan, _ = work(facing, 24, 17)
    water = plan.water
    assert water is not None
    found = courses(plan.pieces, water)
    links = Counter(pair for path, _ in found for pair in pairwise(path))
    leaving = np.flatnonzero(water.outflow >= 0).tolist()
    assert links == Counter((cell, int(water.receiver[cell])) for cell in leaving)
    assert {cell for path, _ in found for cell in path} == set(
        np.flatnonzero(water.is_watercourse).tolist()
    )
    ends = sum(end == "leaves the board" for _, end in found)
    assert ends == int((water.kind == WaterKind.MOUTH).sum())


def test_courses_are_listed() -> None:
    """The list of watercourses names their cells in order."""
    plan, _ = work()
    assert plan.water is not None
    listed = section("Where water runs")
    for path, end in courses(plan.pieces, plan.water):
        assert " > ".join(plan.board.labels[cell] for cell in path) in listed
        assert end in listed


def test_dry_board_has_no_page_on_water() -> None:
    """Without watercourses there is nothing to show, and the cover does not speak of them."""
    brief = Brief.model_validate({
        "board": {"columns": 4, "rows": 4, "x": 500_000.0, "y": 3_320_000.0},
        "heights": {"metres_per_step": 20.0},
        "water": {"show": False},
        "stock": {"footings": "none"},
    })  # fmt: skip
    plan = make_plan(small_ground(), brief)
    data = book_pdf(plan, estimate(foam(plan.pieces)))
    held = pypdf.PdfReader(io.BytesIO(data))
    assert "Where water runs" not in [title for title, _, _ in outline(held)]
    assert "watercourses" not in held.pages[0].extract_text()


def test_sheets_hold_every_block() -> None:
    """The layouts speak of every sheet, and their counts add up to the blocks to cut."""
    _, result = work("points", 24, 17)
    listed = section("Sheet layouts", "points", "A4", 24, 17)
    for laid_out in result.foam.nests:
        thickness = f"{laid_out.stock.thickness_mm:g} mm: "
        heads = re.findall(rf"{re.escape(thickness)}sheets? ([\d, and]+) of (\d+).*?\(", listed)
        numbers = [int(word) for which, _ in heads for word in re.findall(r"\d+", which)]
        assert sorted(numbers) == list(range(1, laid_out.n_sheets + 1))
        assert {int(total) for _, total in heads} == {laid_out.n_sheets}


def test_shopping_list_holds_sheets_bars_and_strips() -> None:
    """What to buy names foam by thickness, and what panels, frame and rails are sawn from."""
    plan, _ = work()
    ground = base(plan.pieces, BaseBrief(frame_width_mm=20.0, panel_length_mm=400.0))
    result = estimate(foam(plan.pieces), base=ground)
    held = pypdf.PdfReader(io.BytesIO(book_pdf(plan, result)))
    (page,) = [page for title, _, page in outline(held) if title == "What to buy"]
    listed = re.sub(r"\s+", " ", held.pages[page - 1].extract_text())
    for laid_out in (*result.foam.nests, *result.facing_nests):
        assert f"x {laid_out.stock.thickness_mm:g} mm {laid_out.n_sheets} " in listed
    assert f"2,440 x 1,220 x 9 mm {result.wood.panels.n_sheets} for " in listed
    panels = re.findall(r"(\d+) panels? of [\d.,]+ x [\d.,]+", listed)
    assert sum(map(int, panels)) == len(ground.panels)
    assert f"frame bar 2,400 x 20 x 30 mm {result.wood.bars.n_bars} " in listed
    assert f"square strip 2,400 x 7.8 x 7.8 mm {result.wood.strips.n_bars} " in listed


def test_set_ups_are_in_order() -> None:
    """Every set-up is listed once, numbered as it comes."""
    _, result = work()
    listed = section("Set-ups in order")
    places = [listed.index(f" {n}. {s.name}: ") for n, s in enumerate(result.set_ups, start=1)]
    assert places == sorted(places)


def test_packing_list_holds_every_piece() -> None:
    """Boxes are listed with their size and all pieces of the schedule, panels beside them."""
    plan, result = work()
    listed = section("Packing list")
    box = result.bench
    assert (
        f"{box.box_length_mm:g} x {box.box_width_mm:g} x {box.box_height_mm:g} mm inside" in listed
    )
    assert f"panels with their rails {len(result.base.panels)} " in listed
    packed = sum(map(int, re.findall(r"Box \d+ of \d+: (\d+) pieces?, filled", listed)))
    assert packed == sum(piece.count for piece in plan.pieces.pieces)


def test_thousands_are_parted_by_commas() -> None:
    """In the book and the summary all are, but for what was set as a brief would set it."""
    board = ("points", "A4", 30, 20)
    pages = range(1, len(reader(*board).pages) + 1)
    text = " ".join(page_text(number, *board) for number in pages)
    summary = work("points", 30, 20)[0].describe()
    for words in (text, summary):
        assert re.findall(r"(\S+ = )?(?<![\d.,])\d{4,}", words) == ["board.scale = "]
    assert "A table of 2,950 x 1,645 mm" in text
    assert "2,950 x 1,645 mm, 30 x 20 cells" in summary
    assert re.search(r"600 tiles of \d+ kinds, \d,\d{3} spacers", summary)


def test_book_of_600_cells_is_small() -> None:
    """A book of 30 x 20 cells stays below 15 MB (the job's own limit)."""
    assert len(book("points", "A4", 30, 20)) < 15e6


# Words -------------------------------------------------------------------------------------------


def test_directions() -> None:
    """Corners and sides are named as one sees them from the front edge, worked by hand."""
    # With points to the front, side 0 faces right and corner 2 away from the front edge.
    assert [side_word("points", side) for side in range(6)] == [
        "right", "back right", "back left", "left", "front left", "front right",
    ]  # fmt: skip
    assert [corner_word("points", corner) for corner in range(6)] == [
        "front right", "back right", "back", "back left", "front left", "front",
    ]  # fmt: skip
    # With flats to the front, corner 0 points right and side 1 faces away.
    assert [side_word("flats", side) for side in range(6)] == [
        "back right", "back", "back left", "front left", "front", "front right",
    ]  # fmt: skip
    assert [corner_word("flats", corner) for corner in range(6)] == [
        "right", "back right", "back left", "left", "front left", "front right",
    ]  # fmt: skip


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_water_words_agree_across_sides(facing: Facing) -> None:
    """Where a cell says water leaves to, the next one says it comes from the opposite side."""
    opposite = {"front": "back", "back": "front", "left": "right", "right": "left"}
    plan, _ = work(facing)
    water = plan.water
    assert water is not None
    for cell in np.flatnonzero(water.outflow >= 0).tolist():
        leaves = water_words(plan.pieces, cell).rpartition(" to ")[2]
        comes = " ".join(opposite[word] for word in leaves.split())
        there = water_words(plan.pieces, int(water.receiver[cell]))
        assert comes in re.split(r"from | and | to |, ", there)


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_first_corner_is_where_the_pattern_begins(facing: Facing) -> None:
    """Turned so that its first corner lies there, a whole tile has the built corners."""
    plan, _ = work(facing)
    corner0_deg = {"points": -30, "flats": 0}[facing]
    n_checked = 0
    for cell in range(plan.board.n_cells):
        word = first_corner(plan.pieces, cell)
        if not word:
            continue
        n_checked += 1
        turns = [t for t in range(6) if corner_word(facing, t) == word]
        rises = plan.catalogue.patterns[plan.fitted.pattern[cell]].rises
        built = (plan.fitted.corners[cell] - plan.fitted.level[cell]).tolist()
        assert any([rises[(s - t) % 6] for s in range(6)] == built for t in turns)
        # The word names one corner: no two lie in the same direction.
        angles = {(corner0_deg + 60 * t) % 360 for t in turns}
        assert len(angles) == 1
    assert n_checked > 0


def test_stacks_in_words_are_the_spacers() -> None:
    """The words of a stack, multiplied out, are its spacers from the lowest."""
    pieces = work("points", 30, 20)[0].pieces
    for level in set(pieces.tiles.level.tolist()):
        words = stack_words(pieces, level)
        spacers: list[float] = []
        for term in words.split(" + ") if words != "none" else []:
            count, _, thickness = term.rpartition(" x ")
            spacers += [float(thickness)] * int(count or 1)
        assert tuple(spacers) == pieces.stacks_mm[level]
        assert sum(spacers) == level * pieces.step_mm
    assert "2 x 30" in {stack_words(pieces, level) for level in pieces.tiles.level.tolist()}


def test_amounts_in_words() -> None:
    """Times and counts read as one would say them."""
    assert [duration(minutes) for minutes in (0.0, 0.2, 45.0, 150.0)] == [
        "0 min", "1 min", "45 min", "2.5 h",
    ]  # fmt: skip
    assert duration(75_000.0) == "1,250.0 h"
    assert part_words([("whole", 1433)]) == "1,433 whole"
    assert part_words([("whole", 3), ("corner-cut half", 2), ("quarter", 1)]) == (
        "3 whole, 2 corner-cut halves, 1 quarter"
    )


# Drawing -----------------------------------------------------------------------------------------


def test_relief_spans_the_board() -> None:
    """A parallel view of a rectangle turned by 14 degrees is as wide as its turned corners."""
    plan, _ = work()
    width, depth = plan.board.size_mm
    points = np.concatenate([item.marks for item in board_view(plan.pieces).items])
    turn = math.radians(14.0)
    assert np.ptp(points[:, 0]) == pytest.approx(width * math.cos(turn) + depth * math.sin(turn))


def test_relief_covers_the_board() -> None:
    """Seen from above at 38 degrees, plan areas of the tops shrink to their sine, and add up.

    Heights shear the picture of a top but change no area of a level one; the board is level here.
    """
    brief = Brief.model_validate({
        "board": {"columns": 5, "rows": 4, "x": 500_000.0, "y": 3_320_000.0},
        "heights": {"metres_per_step": 5000.0},
        "water": {"show": False},
    })  # fmt: skip
    plan = make_plan(small_ground(), brief)
    assert int(np.ptp(plan.fitted.corners)) == 0
    lines = [item for item in board_view(plan.pieces).items if isinstance(item, Lines)]
    lightest = max(item.style.fill for item in lines)
    area = sum(Polygon(item.marks).area for item in lines if item.style.fill == lightest)
    width, depth = plan.board.size_mm
    assert area == pytest.approx(width * depth * math.sin(math.radians(38.0)))


def test_tables_break_between_rows() -> None:
    """A long table goes on over pages; a group's line never stands last, and is said again."""
    rows = [
        Group(f"Group {n}") if n % 10 == 0 else (f"row {n}", str(n)) for n in range(200)
    ]  # fmt: skip
    table = RowTable((Column("What", 3.0), Column("No.", 1.0, "right")), rows)
    data = write_document(
        [Heading("Much"), table], title="", subject="", paper_mm=(100.0, 150.0),
        margins=Margins(10.0, 10.0, 10.0), around=lambda _: (),
    )  # fmt: skip
    pages = [
        re.findall(r"(?:Group|row) \d+(?:, continued)?", page.extract_text())
        for page in pypdf.PdfReader(io.BytesIO(data)).pages
    ]
    assert all("What" in p.extract_text() for p in pypdf.PdfReader(io.BytesIO(data)).pages)
    assert len(pages) > 5
    for before, after in pairwise(pages):
        assert before[-1].startswith("row")
        number = int(before[-1].removeprefix("row "))
        begun = number // 10 * 10
        assert after[0] == (
            f"Group {number + 1}" if number % 10 == 9 else f"Group {begun}, continued"
        )
    said = [words for page in pages for words in page if ", continued" not in words]
    assert said == [f"Group {n}" if n % 10 == 0 else f"row {n}" for n in range(200)]


def test_cells_that_are_too_wide_break() -> None:
    """A row is as high as its words in the width of their column need, and 0.6 of a line more."""
    size = 3.2 * 72.0 / 25.4
    short, long = (
        RowTable((Column("", 1.0),), [("word",)]),
        RowTable((Column("", 1.0),), [("word " * 9,)]),
    )
    assert short.wrap(120.0, 1e6)[1] == pytest.approx((1.35 + 0.6) * size)
    width = ImageFont.truetype(own_font(), 1000).getlength("word word word ") / 1000.0 * size
    assert long.wrap(width + 6.0, 1e6)[1] == pytest.approx((3 * 1.35 + 0.6) * size)


def test_how_to_cut_sets_the_wire_half_a_kerf_above_a_slice() -> None:
    """With a kerf of 1 mm the wire's middle is 8 mm up for 7.5 mm, on blocks of 7.8 mm."""
    words = section("How to cut")
    assert "7.5 + 1 / 2 = 8 mm above the table" in words
    assert "blocks of 7.8 mm" in words  # half of a wire of 0.4 mm stands above them
    assert "The kerf is (B - S - R) / 5" in words
    for example in ("A ramp: ", "A half: ", "A channel: ", "A spacer: ", "A footing: "):
        assert example in words
