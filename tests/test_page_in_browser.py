"""The page as its readers meet it, in Chromium: seen, clicked, typed at, printed, on a phone."""

from __future__ import annotations

import io
import json
import math
import re
import shutil
from collections.abc import Generator
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader
from scipy.interpolate import LinearNDInterpolator

from hexterra.catalogue.tops import surface_rise
from hexterra.csvfile import csv_text
from hexterra.drawing.map_style import WATER, Tints
from hexterra.page.pack import decoded, encoded, packed, unpacked
from hexterra.page.page import page_html
from hexterra.plan.pipeline import plan_heights
from hexterra.plan.plan import Plan
from hexterra.stages.tiles.fit import level_to_metres
from hexterra.stages.water.flow import WaterKind
from tests.seeded_plans import seeded_plan
from tests.small_plans import small_ground, small_plan

sync_api = pytest.importorskip("playwright.sync_api", reason="of the extra test")
if TYPE_CHECKING:
    from playwright.sync_api import (  # pyright: ignore[reportMissingImports] - an extra
        Browser,
        Locator,
        Page,
    )

AXE = Path(__file__).parent.parent / "hexterra/page/viewer/node_modules/axe-core/axe.min.js"
HOSTILE = '<img src=x onerror="window.ran=1"></script><script>window.ran=1</script>=1+1'
PHONE = {"width": 390, "height": 844}
TABS = ("Cell", "Pieces", "Rows", "Section", "View", "About")


@pytest.fixture(scope="module")
def browser() -> Generator[Browser]:
    """Start Chromium, that of the system or that of playwright."""
    with sync_api.sync_playwright() as playwright:
        own = playwright.chromium.executable_path
        system = shutil.which("chromium") or shutil.which("chromium-browser")
        if system is None and not Path(own).exists():
            pytest.skip("there is no Chromium here")
        started = playwright.chromium.launch(executable_path=system)
        yield started
        started.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the pages that are opened from disk."""
    where = tmp_path_factory.mktemp("pages")
    (where / "one.html").write_text(page_html([shown_plan()]), encoding="utf-8")
    both = [shown_plan(), other_plan()]
    (where / "both.html").write_text(page_html(both, ["first", "second"]), encoding="utf-8")
    (where / "flats.html").write_text(page_html([flats_plan()]), encoding="utf-8")
    (where / "hostile.html").write_text(hostile_page(), encoding="utf-8")
    return where


def flats_plan() -> Plan:
    """Give a plan with flat sides to the front."""
    return small_plan("flats")


@cache
def replanned(metres_per_step: float) -> Plan:
    """Plan the small board with steps so tall that it has flat ground."""
    plan = small_plan()
    brief = plan.brief.changed({"heights": {"metres_per_step": metres_per_step}})
    return plan_heights(small_ground(), plan.heights, brief, overlay=plan.overlay)


def shown_plan() -> Plan:
    """Give the plan that most pages show."""
    return replanned(60.0)


def other_plan() -> Plan:
    """Give another plan of the same board."""
    return replanned(45.0)


def hostile_page() -> str:
    """Put markup in place of every word that a map, brief or catalogue may hold."""
    data = packed(shown_plan())
    head, _ = unpacked(data)
    body = data[4 + int.from_bytes(data[:4], "little") :]
    for key in ("title", "name"):
        head[key] = HOSTILE
    head["facts"] = dict.fromkeys(head["facts"], HOSTILE)
    head["notes"] = [HOSTILE]
    head["ways"] = [{"name": HOSTILE, "cells": [0, 1, 2]}]
    for key in ("patterns", "crossings", "water_kinds"):
        head[key] = [HOSTILE] * len(head[key])
    for piece in head["pieces"]:
        piece["piece"] += HOSTILE
    text = json.dumps(head).encode()
    text += b" " * (-(len(text) + 4) % 8)
    made = encoded(len(text).to_bytes(4, "little") + text + body)
    return page_html([shown_plan()]).replace(encoded(data), made)


@pytest.fixture
def opened(browser: Browser, folder: Path, request: pytest.FixtureRequest) -> Generator[Page]:
    """Open a page; at the end there was no error, and nothing was asked of any network."""
    name, options = getattr(request, "param", ("one", {}))
    asked: Any = {"viewport": {"width": 1200, "height": 800}, **options}
    context = browser.new_context(**asked)
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text) if is_bad(message) else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda asked: said.append(asked.url) if is_remote(asked.url) else None)
    page.goto((folder / f"{name}.html").as_uri())
    page.wait_for_selector("[data-ready]")
    yield page
    context.close()
    assert said == []


def is_bad(message: Any) -> bool:
    """Tell errors and broken policies from what the driver says of its speed."""
    return message.type == "error" or (
        message.type == "warning" and "GL Driver Message" not in message.text
    )


def is_remote(url: str) -> bool:
    """Tell whether an address is another than those of the page itself."""
    return not url.startswith(("file:", "data:", "blob:"))


def tab(page: Page, name: str) -> Locator:
    """Go to a panel."""
    page.get_by_role("tab", name=name, exact=True).click()
    return page.get_by_role("tabpanel", name=name)


def find(page: Page, label: str) -> None:
    """Search for a cell."""
    page.get_by_role("searchbox", name="Find a cell").fill(label)
    page.keyboard.press("Enter")


def where(page: Page, cell: int) -> tuple[float, float]:
    """Ask where on the screen the middle of a cell is."""
    x, y = page.evaluate(
        "(cell) => document.getElementById('viewer').viewer.view.where(cell)", cell
    )
    return x, y


def colour(page: Page, x: float, y: float) -> tuple[int, int, int]:
    """Read a pixel of the screen once it is drawn."""
    page.evaluate("() => new Promise((d) => requestAnimationFrame(() => requestAnimationFrame(d)))")
    with Image.open(io.BytesIO(page.screenshot())) as picture:
        red, green, blue = picture.convert("RGB").getpixel((round(x), round(y)))  # pyright: ignore[reportGeneralTypeIssues]
        return red, green, blue


def bare(page: Page) -> None:
    """Leave water, roads and cliffs only."""
    for words in ("Names and levels", "Outlines", "Woods and other ground"):
        tab(page, "View").get_by_label(words).uncheck()


def flat_cells() -> list[int]:
    """List whole flat cells without water."""
    plan = shown_plan()
    assert plan.water is not None
    is_flat = plan.fitted.corners.min(axis=1) == plan.fitted.corners.max(axis=1)
    is_whole = ~plan.board.kept.any(axis=1)
    return np.flatnonzero(is_flat & is_whole & (plan.water.kind == WaterKind.DRY)).tolist()


def reaches() -> list[int]:
    """List whole cells that water runs straight through, from one side to the opposite one."""
    water, board = shown_plan().water, shown_plan().board
    assert water is not None
    is_straight = [
        bool(ports.sum() == 2 and np.ptp(np.flatnonzero(ports)) == 3) for ports in water.ports
    ]
    is_reach = (water.kind == WaterKind.REACH) & np.array(is_straight)
    return np.flatnonzero(is_reach & ~board.kept.any(axis=1)).tolist()


@pytest.mark.parametrize(
    ("opened", "plan"),
    [(("one", {}), shown_plan), (("flats", {}), flats_plan)],
    indirect=["opened"],
)
def test_the_viewer_knows_the_built_tops(opened: Page, plan: Any) -> None:
    """Heights and neighbours in the browser are those of the library, anywhere on the board."""
    plan = plan()
    board, draw = plan.board, np.random.default_rng(1)
    cells = draw.integers(board.n_cells, size=300)
    offset = draw.uniform(-0.28, 0.28, size=(300, 2))  # within the hexagon
    points = board.centre_mm[cells] + offset * board.across_flats_mm
    level = plan.fitted.level
    rises = (plan.fitted.corners - level[:, None]).tolist()
    wanted = [
        level[cell] + surface_rise(rises[cell], 0, at[None], board.corner0_deg)[0]
        for cell, at in zip(cells.tolist(), offset, strict=True)
    ]
    found = opened.evaluate(
        """([cells, points]) => { const { board } = document.getElementById('viewer').viewer;
        return cells.map((cell, k) => board.heightAt(cell, ...points[k])) }""",
        [cells.tolist(), points.tolist()],
    )
    assert found == pytest.approx(wanted, abs=1e-4)
    neighbours = opened.evaluate(
        "() => [...document.getElementById('viewer').viewer.board.neighbours]"
    )
    assert neighbours == board.neighbours.ravel().tolist()


@pytest.mark.parametrize("opened", [("one", {}), ("flats", {})], indirect=True)
def test_the_ground_of_a_section_runs_through_the_means(opened: Page) -> None:
    """Ground stands at its mean in the middle of a cell, and half way between two on a side."""
    apart = opened.evaluate(
        """() => { const { viewer } = document.getElementById('viewer');
        const { board } = viewer, groundAt = (x, y) => viewer.groundAt(x, y);
        const apart = [];
        for (let cell = 0; cell < board.n; cell++) {
            if (board.kept(cell).some(Boolean)) continue;
            const own = board.of.ground[cell];
            apart.push(groundAt(...board.centre(cell)) - own);
            for (let side = 0; side < 6; side++) {
                const other = board.neighbours[6 * cell + side];
                const between = (own + (other < 0 ? own : board.of.ground[other])) / 2;
                apart.push(groundAt(...board.port(cell, side)) - between);
            }
        }
        return apart }"""
    )
    assert apart == pytest.approx([0.0] * len(apart), abs=1e-3)


def test_the_flat_map_has_the_colours_of_the_map(opened: Page) -> None:
    """On the flat map a cell has the tint of its level, and a river the colour of water."""
    bare(opened)
    opened.get_by_role("button", name="Flat map").click()
    plan = shown_plan()
    tints = Tints(int(plan.fitted.corners.max()))
    for cell in flat_cells()[::5]:
        tint = bytes.fromhex(tints.at(float(plan.fitted.level[cell]))[1:])
        assert colour(opened, *where(opened, cell)) == pytest.approx(tuple(tint), abs=3)
    for cell in reaches()[:4]:
        tint = tuple(bytes.fromhex(WATER[1:]))
        assert colour(opened, *where(opened, cell)) == pytest.approx(tint, abs=3)


def test_the_relief_shows_hills_and_rivers(opened: Page) -> None:
    """In relief high ground is lighter than low ground, a river is blue, and heights stretch."""
    bare(opened)
    opened.get_by_role("button", name="From above").click()
    level = shown_plan().fitted.level
    flat = sorted(flat_cells(), key=lambda cell: int(level[cell]))
    low, high = flat[0], flat[-1]
    assert level[high] > level[low]
    assert sum(colour(opened, *where(opened, high))) > sum(colour(opened, *where(opened, low))) + 60
    red, _, blue = colour(opened, *where(opened, reaches()[0]))
    assert blue > red + 40
    opened.get_by_role("button", name="Whole view").click()
    opened.get_by_label("Heights drawn taller").fill("1")
    before = where(opened, high)[1] - where(opened, low)[1]
    opened.get_by_label("Heights drawn taller").fill("5")
    assert where(opened, high)[1] - where(opened, low)[1] < before  # the screen runs downward


def test_pointing_and_clicking_tell_of_a_cell(opened: Page) -> None:
    """A cell is named where the mouse is, and a click shows its stack, piece and turn."""
    cell = flat_cells()[3]
    row = shown_plan().tiles.iloc[cell]
    at = where(opened, cell)
    opened.mouse.move(*at)
    status = opened.locator(".status")
    sync_api.expect(status).to_contain_text(f"Cell {row['cell']} · level {row['level']}")
    opened.mouse.click(*at)
    panel = opened.get_by_role("tabpanel", name="Cell")
    sync_api.expect(panel.get_by_role("heading", level=2)).to_have_text(f"Cell {row['cell']}")
    layers = panel.locator("tbody tr").all_inner_texts()
    assert layers[0].split("\t")[1] == row["piece"]
    thick = [float(text.split("\t")[2]) for text in layers[1:-1]]
    assert thick[::-1] == [float(mm) for mm in row["spacers"].split()]  # the list runs downward
    red, green, _ = colour(opened, *at)
    assert red > green + 50  # the chosen cell is marked


def test_a_search_finds_a_cell_or_says_which_there_are(opened: Page) -> None:
    """A name finds its cell in either case of letters; a wrong one is answered with the range."""
    find(opened, " c4 ")
    sync_api.expect(opened.get_by_role("heading", name="Cell C4")).to_be_visible()
    find(opened, "ZZ99")
    sync_api.expect(opened.locator(".status")).to_contain_text("cells run from A1 to L9")


def test_layers_come_apart(opened: Page) -> None:
    """Taken apart, the board covers more of the screen than together, and comes back."""

    def n_covered() -> int:
        colour(opened, 0, 0)
        canvas = opened.locator("canvas.relief")
        with Image.open(io.BytesIO(canvas.screenshot())) as picture:
            grey = np.asarray(picture.convert("L"), dtype=int)
        sky = np.abs(grey - grey[:, :1]) < 6
        return int((~sky).sum())

    slider = tab(opened, "View").get_by_label("Take the layers apart")
    together = n_covered()
    slider.fill("0.5")
    assert n_covered() > 1.15 * together
    slider.fill("0")
    assert n_covered() == pytest.approx(together, rel=0.01)


def test_rows_are_laid_one_by_one(opened: Page) -> None:
    """The first row lists its cells, nothing else can be clicked, and a tick of it stays."""
    plan = shown_plan()
    panel = tab(opened, "Rows")
    panel.get_by_role("button", name="Next row").click()
    cells = panel.locator("tbody tr").all_inner_texts()
    assert len(cells) == int((plan.board.row == 0).sum())
    table = plan.tiles
    for text, (_, row) in zip(cells, table[table["row"] == 1].iterrows(), strict=True):
        label, footing, spacers, piece, turn = text.split("\t")
        assert [label.strip(), footing, piece, turn] == [
            row["cell"], row["footing"], row["piece"], str(row["turn"])
        ]  # fmt: skip
        assert spacers.replace(" + ", " ") == row["spacers"]
    far = int(np.flatnonzero(plan.board.row == plan.board.rows - 1)[5])
    picked = "([x, y]) => document.getElementById('viewer').viewer.view.pick(x, y)"
    assert opened.evaluate(picked, where(opened, far)) != far
    panel.get_by_label("This row is laid").check()
    opened.reload()
    opened.wait_for_selector("[data-ready]")
    tab(opened, "Rows").get_by_role("button", name="Next row").click()
    sync_api.expect(opened.get_by_label("This row is laid")).to_be_checked()


def test_pieces_are_sorted_filtered_and_ticked(opened: Page) -> None:
    """The table sorts by count, shows a piece on the board, and keeps its ticks on reload."""
    plan = shown_plan()
    panel = tab(opened, "Pieces")
    count = panel.get_by_role("columnheader", name="Count")
    for way in ("ascending", "descending"):
        count.get_by_role("button").click()
        sync_api.expect(count).to_have_attribute("aria-sort", way)
        counts = [int(text) for text in panel.locator("tbody td:last-child").all_inner_texts()]
        assert counts == sorted(plan.schedule["count"], reverse=way == "descending")
    panel.get_by_label("Find a piece").first.fill("tile flat")
    panel.get_by_role("button", name="flat", exact=True).click()
    states = opened.evaluate(
        "() => [...document.getElementById('viewer').viewer.states()].map((s) => s === 2)"
    )
    assert states == [name == "flat" for name in plan.pieces.piece_names]
    box = panel.get_by_label("Done: tile flat", exact=True)
    box.check()
    sync_api.expect(panel.locator(".progress")).to_contain_text("1 of ")
    opened.reload()
    opened.wait_for_selector("[data-ready]")
    sync_api.expect(
        tab(opened, "Pieces").get_by_label("Done: tile flat", exact=True)
    ).to_be_checked()


def test_every_piece_is_found_where_it_stands(browser: Browser, tmp_path: Path) -> None:
    """On boards of many kinds, as many cells show a piece or a job as the schedule counts."""
    plans = [seeded_plan(seed, tmp_path) for seed in range(4)]
    kinds = {kind for plan in plans for kind in plan.schedule["kind"]}
    assert kinds == {"tile", "spacer", "footing", "finish"}
    path = tmp_path / "page.html"
    path.write_text(page_html(plans, [f"plan {k}" for k in range(4)]), encoding="utf-8")
    page = browser.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto(path.as_uri())
    page.wait_for_selector("[data-ready]")
    for k in range(len(plans)):
        wrong = page.evaluate(
            """(k) => { const { viewer } = document.getElementById('viewer');
            viewer.open(k);
            const users = viewer.board.head.pieces.map((piece, number) =>
                [piece.kind, piece.piece, piece.count, viewer.usersOf(number).length]);
            return users.filter(([kind, , count, n]) => kind !== 'spacer' && n !== count) }""",
            k,
        )
        assert wrong == []
    page.close()
    assert errors == []


def test_tables_are_handed_out(opened: Page) -> None:
    """The tables that are saved from the page are those of the plan folder, to the byte."""
    plan = shown_plan()
    panel = tab(opened, "Pieces")
    for name, table in (("tiles.csv", plan.tiles), ("schedule.csv", plan.schedule)):
        with opened.expect_download() as saved:
            panel.get_by_role("button", name=name).click()
        assert saved.value.suggested_filename == name
        assert saved.value.path().read_bytes() == csv_text(table).encode()
    sync_api.expect(panel.get_by_role("button", name="stock.csv")).to_be_hidden()


def test_a_section_sets_the_built_tops_against_the_ground(opened: Page) -> None:
    """The largest gap along a line is that of SciPy's ground through the means of the cells."""
    plan = shown_plan()
    board, level = plan.board, plan.fitted.level
    panel = tab(opened, "Section")
    panel.get_by_label("From cell").first.fill("b4")
    panel.get_by_label("To cell").first.fill("K6")
    panel.get_by_role("button", name="Draw").click()
    assert panel.locator("svg path.built, svg path.ground").count() == 2
    said = re.search(
        r"at (\w+): ([\d.]+) mm too (high|low)", panel.get_by_role("status").inner_text()
    )
    assert said is not None
    ground = LinearNDInterpolator(board.centre_mm, plan.levels.position)
    start, end = (board.centre_mm[board.labels.index(label)] for label in ("B4", "K6"))
    gaps = []
    for at in start + np.linspace(0.0, 1.0, 4000)[:, None] * (end - start):
        cell = int(np.linalg.norm(board.centre_mm - at, axis=1).argmin())
        local = (at - board.centre_mm[cell])[None] / board.across_flats_mm
        rises = (plan.fitted.corners[cell] - level[cell]).tolist()
        built = level[cell] + surface_rise(rises, 0, local, board.corner0_deg)[0]
        gaps.append((built - float(ground(*at))) * plan.pieces.step_mm)
    worst = max(gaps, key=abs)
    assert float(said[2]) == pytest.approx(abs(worst), abs=0.15)
    assert said[3] == ("high" if worst > 0 else "low")
    panel.get_by_label("To cell").first.fill("K99")
    panel.get_by_role("button", name="Draw").click()
    sync_api.expect(panel.get_by_role("status")).to_contain_text("There is no cell K99")


def test_what_is_seen_agrees_with_slow_lines_of_sight(opened: Page) -> None:
    """From a cell the page sees the cells that lines over the built tops leave in sight."""
    plan = shown_plan()
    cell = max(flat_cells(), key=lambda c: int(plan.fitted.level[c]))
    find(opened, plan.board.labels[cell])
    opened.get_by_role("button", name="What is seen from here").click()
    seen = opened.evaluate("() => [...document.getElementById('viewer').viewer.seen]")
    wanted = [int(sees(plan, cell, other)) for other in range(plan.board.n_cells)]
    # Samples of the two fall on either side of edges: a line that grazes one may differ.
    assert np.mean(np.array(seen) == np.array(wanted)) > 0.97
    assert 0 < sum(seen) < plan.board.n_cells
    sync_api.expect(opened.get_by_text(f"They see {sum(seen)} cells")).to_be_visible()


def sees(plan: Plan, cell: int, other: int) -> bool:
    """Look along a line at 400 points of the built tops."""
    board, tiles = plan.board, plan.fitted

    def middle(number: int) -> np.ndarray:
        outline = board.outline_mm(number)
        return (outline.min(axis=0) + outline.max(axis=0)) / 2.0

    def top_m(at: np.ndarray) -> float:
        under = int(np.linalg.norm(board.centre_mm - at, axis=1).argmin())
        local = (at - board.centre_mm[under]) / board.across_flats_mm
        rises = tiles.corners[under] - tiles.level[under]
        rise = surface_rise(rises.tolist(), 0, local[None], board.corner0_deg)
        return float(level_to_metres(plan.levels, tiles.level[under] + rise)[0])

    start, end = middle(cell), middle(other)
    eye = top_m(start) + plan.brief.fidelity.eye_m
    target = top_m(end) + plan.brief.fidelity.target_m
    n = 400
    return all(
        top_m(start + (end - start) * k / n) <= eye + (target - eye) * k / n + 1e-6
        for k in range(1, n)
    )


@pytest.mark.parametrize("opened", [("both", {})], indirect=True)
def test_plans_of_one_board_are_compared(opened: Page) -> None:
    """The overview lists both plans; compared, the changed cell is named, and A and B swap."""
    assert opened.get_by_role("tabpanel", name="Plans").locator(".card").count() == 2
    panel = tab(opened, "Compare")
    panel.get_by_label("Compare with").select_option("second")
    said = ["level", "piece", "turn", "spacers"]
    one, two = shown_plan().tiles, other_plan().tiles
    changed = one.loc[(one[said] != two[said]).any(axis=1), "cell"].tolist()
    assert panel.locator(".cells button").all_inner_texts() == changed
    cell = int(np.flatnonzero(one["level"] != two["level"])[0])
    level = "(cell) => document.getElementById('viewer').viewer.board.of.level[cell]"
    for table in (two, one):
        opened.locator(".stage").focus()
        opened.keyboard.press("b")
        assert opened.evaluate(level, cell) == table["level"][cell]


def test_the_keyboard_is_enough(opened: Page) -> None:
    """Arrows choose cells, keys zoom, turn and clear; tabs are walked with arrows."""
    opened.locator(".stage").focus()
    for key in ("ArrowRight", "ArrowUp", "ArrowRight"):
        opened.keyboard.press(key)
    sync_api.expect(opened.locator(".status")).to_contain_text("Cell B2")
    before = where(opened, 20)
    opened.keyboard.press("+")
    opened.keyboard.press("Shift+ArrowLeft")
    assert where(opened, 20) != pytest.approx(before, abs=1)
    opened.keyboard.press("Home")
    assert where(opened, 20) == pytest.approx(before, abs=1)
    opened.keyboard.press("Escape")
    sync_api.expect(opened.get_by_text("Click a cell")).to_be_visible()
    find(opened, "B2")
    opened.get_by_role("button", name="What is seen from here").focus()
    opened.keyboard.press("Enter")
    sync_api.expect(opened.get_by_role("heading", name="Cell B2")).to_be_focused()
    opened.get_by_role("tab", name="Cell").focus()
    opened.keyboard.press("ArrowRight")
    sync_api.expect(opened.get_by_role("tabpanel", name="Pieces")).to_be_visible()


@pytest.mark.parametrize(
    "opened", [("one", {"viewport": PHONE, "has_touch": True, "is_mobile": True})], indirect=True
)
def test_a_phone_is_wide_enough(opened: Page) -> None:
    """At 390 pixels nothing runs over the edge, a tap chooses, and what is tapped is 44 pixels."""
    opened.touchscreen.tap(*where(opened, flat_cells()[3]))
    label = shown_plan().board.labels[flat_cells()[3]]
    sync_api.expect(opened.get_by_role("heading", name=f"Cell {label}")).to_be_visible()
    for name in TABS:
        tab(opened, name)
        assert opened.evaluate("() => document.documentElement.scrollWidth") <= 390
        for target in opened.locator("button:visible, select:visible, .box:visible").all():
            box = target.bounding_box()
            assert box is not None
            assert min(box["height"], box["width"]) >= 43.5 or "link" in (
                target.get_attribute("class") or ""
            )


@pytest.mark.parametrize("opened", [("hostile", {})], indirect=True)
def test_hostile_words_stay_words(opened: Page) -> None:
    """Markup in titles, names, kinds and notes is shown as it is written, and never runs."""
    find(opened, "A1")
    for name in TABS:
        panel = tab(opened, name)
        assert panel.locator("img, script").count() == 0
    assert HOSTILE in tab(opened, "About").inner_text()
    assert opened.evaluate("() => window.ran") is None


def test_it_prints_as_a_map(opened: Page) -> None:
    """On paper there is one page: title, map and key, and nothing to click."""
    text = PdfReader(io.BytesIO(opened.pdf(prefer_css_page_size=True))).pages
    assert len(text) == 1
    words = text[0].extract_text()
    assert shown_plan().brief.title in words
    assert "Find" not in words
    width, height = (float(side) for side in text[0].mediabox[2:])
    assert width / height == pytest.approx(math.sqrt(2.0), rel=0.01)  # ISO 216, landscape
    opened.emulate_media(media="print")
    sync_api.expect(opened.locator(".printed canvas")).to_be_visible()
    sync_api.expect(opened.locator(".stage")).to_be_hidden()


def test_a_flat_map_stands_in_where_there_is_no_webgl(browser: Browser, folder: Path) -> None:
    """Without WebGL the map is flat, cells are still clicked, and nothing is said to be wrong."""
    page = browser.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text) if is_bad(message) else None)
    page.add_init_script(
        "const get = HTMLCanvasElement.prototype.getContext;"
        "HTMLCanvasElement.prototype.getContext = function (kind, ...more) {"
        " return kind.startsWith('webgl') ? null : get.call(this, kind, ...more); };"
    )
    page.goto((folder / "one.html").as_uri())
    page.wait_for_selector("[data-ready]")
    assert page.locator("canvas.relief").count() == 0
    page.mouse.click(*where(page, flat_cells()[3]))
    label = shown_plan().board.labels[flat_cells()[3]]
    sync_api.expect(page.get_by_role("heading", name=f"Cell {label}")).to_be_visible()
    page.close()
    assert said == []


@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not installed beside the viewer")
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(browser: Browser, folder: Path, scheme: Any) -> None:
    """No panel breaks a rule of accessibility that axe-core calls serious or critical."""
    context = browser.new_context(bypass_csp=True, color_scheme=scheme)
    page = context.new_page()
    page.goto((folder / "both.html").as_uri())
    page.wait_for_selector("[data-ready]")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    find(page, "C4")
    for name in ("Plans", "Compare", *TABS):
        tab(page, name)
        found = page.evaluate("() => axe.run()")["violations"]
        grave = [rule["id"] for rule in found if rule["impact"] in {"serious", "critical"}]
        assert grave == [], name
    context.close()


def test_packed_words_reach_the_page_unchanged() -> None:
    """The hostile page differs from the sound one in its packed plan only."""
    head, _ = unpacked(decoded(hostile_page().split('class="plan">')[1].split("<")[0]))
    assert head["title"] == HOSTILE
