"""`hexterra.drawing.board_map`: the map is complete, legible, to scale, and the same every time."""

from __future__ import annotations

import io
import itertools
import math
import re
from collections import Counter
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import matplotlib as mpl
import numpy as np
import pytest
from PIL import Image, ImageFont
from shapely import Polygon, box

from hexterra.drawing.board_map import MAX_PIXELS, board_map, map_png, map_svg
from hexterra.drawing.lettering import text_width
from hexterra.drawing.map_style import CLIFF, INK, WATER, Tints
from hexterra.drawing.scene import Scene, Text
from hexterra.drawing.svg import number, scene_svg
from hexterra.lattice.board import Board
from tests.small_plans import small_plan

BOTH = pytest.mark.parametrize("facing", ["points", "flats"])
OUTLINES = pytest.mark.parametrize("edges", ["straight", "whole"])
SVG = "{http://www.w3.org/2000/svg}"


@cache
def drawn(*plan: Any) -> ET.Element:
    """Draw a plan and read the document again."""
    return ET.fromstring(map_svg(small_plan(*plan)))


@cache
def font(bold: bool) -> ImageFont.FreeTypeFont:
    """Open the font that the pictures are drawn with."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    return ImageFont.truetype(str(folder / f"DejaVuSans{'-Bold' if bold else ''}.ttf"), 1000)


def words(root: ET.Element) -> list[ET.Element]:
    """Return the words that stand on tiles, but for the names of cells."""
    (group,) = root.findall(f"{SVG}g[@id='tiles']")
    return group.findall(f"{SVG}text")


def cells(root: ET.Element) -> list[ET.Element]:
    """Return the names of cells that stand on tiles."""
    (group,) = root.findall(f"{SVG}g[@id='cells']")
    return group.findall(f"{SVG}text")


def window(root: ET.Element) -> ET.Element:
    """Return the view that shows the ground of a board with straight edges."""
    (inner,) = root.findall(f".//{SVG}svg")
    return inner


def boards_place(root: ET.Element, board: Board) -> tuple[float, np.ndarray]:
    """Find scale and origin of the board on the page from its column labels.

    The label of a column stands at the x of its cells, so two labels tell the scale.
    """
    labels = {t.text: float(t.get("x", "")) for t in root.iter(f"{SVG}text") if t.get("y")}
    first = board.labels.index("A1")
    second = board.labels.index("B1")
    apart_mm = board.centre_mm[second, 0] - board.centre_mm[first, 0]
    scale = (labels["B"] - labels["A"]) / apart_mm
    return scale, np.array([labels["A"] - board.centre_mm[first, 0] * scale, np.nan])


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 (W3C, 2023) defines it."""
    channels = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


# Colours ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("top", [1, 2, 9, 40])
def test_higher_tints_are_lighter(top: int) -> None:
    """Luminance grows strictly with height, so grey copies and all eyes keep the order."""
    lights = [luminance(Tints(top).at(level)) for level in range(top + 1)]
    assert all(low < high for low, high in itertools.pairwise(lights))


def test_text_is_legible_on_every_tint() -> None:
    """Ink has a contrast of 4.5 on each tint (WCAG 2.2, success criterion 1.4.3, level AA)."""
    tints = Tints(20)
    assert min(contrast(INK, tints.at(step / 2)) for step in range(41)) >= 4.5


@pytest.mark.parametrize("colour", [WATER, CLIFF])
def test_lines_stand_out_from_every_tint(colour: str) -> None:
    """Water and step faces have a contrast of 3 on each tint (WCAG 2.2, 1.4.11)."""
    tints = Tints(20)
    assert min(contrast(colour, tints.at(step / 2)) for step in range(41)) >= 3.0


def test_one_level_has_a_tint() -> None:
    """A board that is all flat is drawn too."""
    assert re.fullmatch("#[0-9a-f]{6}", Tints(0).at(0))


# The drawing -----------------------------------------------------------------------------------


@BOTH
@OUTLINES
def test_every_tile_shows_its_level(facing: Any, edges: Any) -> None:
    """The bold words are the levels of all cells, in their order."""
    plan = small_plan(facing, edges)
    bold = [t.text for t in words(drawn(facing, edges)) if t.get("font-weight") == "bold"]
    assert bold == [str(level) for level in plan.fitted.level.tolist()]


@BOTH
def test_sloped_tiles_show_their_pattern(facing: Any) -> None:
    """Every pattern name is there as often as tiles have it; flat needs no name."""
    plan = small_plan(facing)
    shown = Counter(t.text for t in words(drawn(facing)))
    expected = Counter(plan.tiles["pattern"])
    for name, count in expected.items():
        assert shown[name] == (0 if name == "flat" else count)


@BOTH
@OUTLINES
def test_words_fit_inside_their_tiles(facing: Any, edges: Any) -> None:
    """The box of every word, measured with the font file itself, lies in a tile's outline.

    Oracles: glyph widths by Pillow, containment by shapely.
    """
    board = small_plan(facing, edges).board
    root = drawn(facing, edges)
    scale, origin = boards_place(root, board)
    _, depth = board.size_mm
    rows = {
        t.text: float(t.get("y", "")) - 0.36 * float(t.get("font-size", ""))
        for t in root.iter(f"{SVG}text")
        if t.get("text-anchor") == "end"
    }
    top = rows["1"] - (depth - board.centre_mm[board.labels.index("A1"), 1]) * scale
    outlines = [
        Polygon(
            np.column_stack(
                [
                    origin[0] + board.outline_mm(cell)[:, 0] * scale,
                    top + (depth - board.outline_mm(cell)[:, 1]) * scale,
                ]
            )
        ).buffer(0.05)
        for cell in range(board.n_cells)
    ]
    for word in (*words(root), *cells(root)):
        size = float(word.get("font-size", ""))
        x, y = float(word.get("x", "")), float(word.get("y", ""))
        width = font(word.get("font-weight") == "bold").getlength(str(word.text)) * size / 1000
        placed = box(x - width / 2, y - 0.73 * size, x + width / 2, y)
        assert any(outline.contains(placed) for outline in outlines), (word.text, word.attrib)


@BOTH
@OUTLINES
def test_tiles_name_their_cells(facing: Any, edges: Any) -> None:
    """Every cell is named on its tile, but for quarters that are full of other words."""
    board = small_plan(facing, edges).board
    named = [t.text for t in cells(drawn(facing, edges))]
    assert named == [label for label in board.labels if label in named]
    unnamed = [cell for cell, label in enumerate(board.labels) if label not in named]
    assert all(board.parts[cell].endswith("quarter") for cell in unnamed)


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_nothing_of_the_ground_lies_outside_the_frame(facing: Any) -> None:
    """Tiles are drawn in a view of the board's size, which SVG clips (SVG 2, 8.2 and 3.4)."""
    plan = small_plan(facing)
    root = drawn(facing)
    scale, _ = boards_place(root, plan.board)
    sides = [float(window(root).get(name, "")) for name in ("width", "height")]
    assert sides == pytest.approx([scale * side for side in plan.board.size_mm], abs=0.05)
    assert window(root).get("overflow") is None
    tops = root.findall(f".//{SVG}g[@shape-rendering]")
    assert tops
    assert tops == window(root).findall(f".//{SVG}g[@shape-rendering]")


@BOTH
def test_water_has_an_arrow_for_each_outflow(facing: Any) -> None:
    """There are as many arrow heads as cells that water leaves."""
    water = small_plan(facing).water
    assert water is not None
    heads = [
        g
        for g in drawn(facing).iter(f"{SVG}g")
        if g.get("fill") == WATER and g.get("stroke") == "#ffffff"
    ]
    data = "".join(p.get("d", "") for g in heads for p in g)
    assert data.count("Z") == int((water.outflow >= 0).sum())
    assert data.count("Z") > 0


@BOTH
def test_step_faces_have_a_line_and_five_ticks(facing: Any) -> None:
    """Each seam with a step face is drawn once."""
    plan = small_plan(facing)
    n_faces = int(plan.fitted.cliff.sum()) // 2
    data = [
        "".join(p.get("d", "") for p in group)
        for group in window(drawn(facing)).iter(f"{SVG}g")
        if group.get("stroke") == CLIFF
    ]
    assert [text.count("M") for text in data] == [n_faces, 5 * n_faces]
    assert n_faces > 0


def test_title_is_escaped_and_whole() -> None:
    """The title of the brief is there, ampersand and all."""
    texts = [element.text for element in drawn().iter(f"{SVG}text")]
    assert "The hills behind & beyond" in texts


@BOTH
def test_rows_and_columns_are_named_on_both_sides(facing: Any) -> None:
    """Each column letter and row number stands at two edges."""
    shown = Counter(
        t.text for t in drawn(facing).iter(f"{SVG}text") if t not in words(drawn(facing))
    )
    for column in "ABCDEFGHIJKL":
        assert shown[column] == 2
    for row in range(1, 10):
        assert shown[str(row)] == 2


def test_key_names_each_level_with_its_height() -> None:
    """The key gives the ground height that each level stands for."""
    plan = small_plan()
    texts = [element.text for element in drawn().iter(f"{SVG}text")]
    for level in range(int(plan.fitted.corners.max()) + 1):
        metres = round(plan.levels.datum_m + 20.0 * level)  # thresholds 20 m apart
        assert f"{level}: {metres} m" in texts


def test_scale_bars_are_to_scale() -> None:
    """Both bars measure what they say, on the paper of the column labels."""
    board = small_plan().board
    root = drawn()
    scale, _ = boards_place(root, board)
    texts = list(root.iter(f"{SVG}text"))
    for ending, mm_per_unit in (
        ("mm on the bench", 1.0),
        ("km on the ground", 1e6 / board.scale),
    ):
        (said,) = [t for t in texts if str(t.text).endswith(ending)]
        y = float(said.get("y", ""))
        boxes = [
            np.array(re.findall(r"[\d.]+", p.get("d", "")), dtype=float).reshape(-1, 2)
            for p in root.iter(f"{SVG}path")
            if p.get("d", "").endswith("Z") and p.get("d", "").count("L") == 3
        ]
        quarters = [box for box in boxes if 0 < box[:, 1].min() - y < 2.5 and np.ptp(box[:, 1]) < 3]
        length = sum(float(np.ptp(box[:, 0])) for box in quarters)
        stated = float(str(said.text).split()[0]) * mm_per_unit
        assert len(quarters) == 4
        assert length == pytest.approx(stated * scale, abs=0.01)


@pytest.mark.parametrize(
    ("bearing_deg", "way"), [(0.0, (0, -1)), (90.0, (-1, 0)), (180.0, (0, 1)), (-90.0, (1, 0))]
)
def test_arrow_points_north(bearing_deg: float, way: tuple[int, int]) -> None:
    """With "away" to the east, north lies to the left; with it to the south, at the bottom."""
    root = drawn("points", "straight", 5, 4, bearing_deg)
    (letter,) = [t for t in root.iter(f"{SVG}text") if t.text == "N"]
    halves = [
        [float(n) for n in re.findall(r"[\d.]+", p.get("d", ""))]
        for g in root.iter(f"{SVG}g")
        for p in g
        if g.get("stroke-width") == "0.25" and p.get("d", "").endswith("Z")
    ]
    tips = {(points[0], points[1]) for points in halves}
    assert len(halves) == 2
    assert len(tips) == 1
    tip = np.array(tips.pop())
    tail = np.array([points[2:4] for points in halves]).mean(axis=0)
    direction = (tip - tail) / np.linalg.norm(tip - tail)
    assert direction == pytest.approx(way, abs=1e-3)
    at = np.array([float(letter.get("x", "")), float(letter.get("y", "")) - 1.2])
    assert (at - tip) @ direction > 0


@BOTH
def test_a_usual_board_fits_a_sheet(facing: Any) -> None:
    """24 x 16 cells fit ISO 216 A3 in landscape, 420 x 297 mm."""
    root = drawn(facing, "straight", 24, 16)
    assert float(root.get("width", "").removesuffix("mm")) <= 420.0
    assert float(root.get("height", "").removesuffix("mm")) <= 297.0


def test_a_large_board_keeps_its_text_legible() -> None:
    """On 60 x 50 cells a hexagon is still 9 mm wide, and its level 1.8 mm high."""
    root = drawn("points", "straight", 60, 50)
    inside = [float(t.get("font-size", "")) for t in words(root) if t.get("font-weight")]
    assert max(inside) == pytest.approx(0.2 * 9.0)


def test_equal_plans_give_equal_maps() -> None:
    """Drawing twice gives the same text."""
    assert map_svg(small_plan()) == map_svg(small_plan())


# The picture -----------------------------------------------------------------------------------


def test_picture_shows_the_drawing() -> None:
    """The picture has 5 pixels to the millimetre, and the tints of the board in it."""
    scene = board_map(small_plan("points", "straight", 5, 4)).scene
    content = map_png(scene)
    assert content == map_png(scene)
    picture: Any = Image.open(io.BytesIO(content)).convert("RGB")
    assert picture.size == tuple(5 * math.ceil(side) for side in scene.size_mm)
    colours = {f"#{r:02x}{g:02x}{b:02x}" for _, (r, g, b) in picture.getcolors(1 << 24) or []}
    top = int(small_plan("points", "straight", 5, 4).fitted.corners.max())
    assert {Tints(top).at(level) for level in range(1, top)} & colours
    assert {INK, "#ffffff"} <= colours


def test_text_is_drawn_without_system_fonts() -> None:
    """A page of nothing but text is not blank."""
    page = Scene((Text((2.0, 2.0), 6.0, "hollow"),), page_mm=(40.0, 10.0))
    grey = Image.open(io.BytesIO(map_png(page))).convert("L")
    assert (np.asarray(grey) < 100).mean() > 0.03


def test_picture_is_bounded() -> None:
    """A sheet of three metres becomes a picture of at most 5000 pixels on a side."""
    picture: Any = Image.open(io.BytesIO(map_png(Scene((), page_mm=(3000.0, 10.0)))))
    assert picture.size == (MAX_PIXELS, 17)


# The writer ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "text"),
    [(1.0, "1"), (0.12345, "0.123"), (-0.0001, "0"), (100.0, "100"), (-2.5, "-2.5"), (0.0, "0")],
)
def test_numbers_are_short(value: float, text: str) -> None:
    """Three decimals at most, no trailing zeros, no negative zero."""
    assert number(value) == text


@pytest.mark.parametrize("text", ["shoulder", "1:25 000", "W", ""])
def test_text_width_is_the_fonts(text: str) -> None:
    """Widths agree with Pillow's reading of the same font file."""
    assert text_width(text, 10.0) == pytest.approx(font(False).getlength(text) / 100, abs=0.02)


def test_attributes_are_escaped() -> None:
    """Quotes and angle brackets in text and attributes stay well-formed XML."""
    text = Text((1.0, 1.0), 1.0, "<&>", ink='"')
    root = ET.fromstring(scene_svg(Scene((text,), title='a < b & "c"', page_mm=(10.0, 10.0))))
    assert root.findtext(f"{SVG}title") == 'a < b & "c"'
    assert root.find(f".//{SVG}text").get("fill") == '"'  # type: ignore[union-attr]
