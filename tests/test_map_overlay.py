"""`hexterra.drawing`, sheet and overlay of the map: roads and signs stand where cells have them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import shapely

from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.drawing.map_features import (
    SIGNS,
    cover_signs,
    draw_roads,
    key,
    symbol,
    way_names,
)
from hexterra.drawing.map_style import MapSheet
from hexterra.drawing.scene import Item, Scene
from hexterra.drawing.svg import scene_svg
from hexterra.lattice.board import Board
from hexterra.plan.overlay import Overlay
from hexterra.stages.mapping.cover import Cover, cover
from hexterra.stages.mapping.ways import Ways, ways
from hexterra.stages.tiles.cuts import Cuts, cuts
from hexterra.stages.water.flow import flow
from tests.level_ground import heights_of
from tests.map_lines import board, features, through

BOTH = pytest.mark.parametrize("facing", ["points", "flats"])
SVG = "{http://www.w3.org/2000/svg}"


def sheet(lattice: Board) -> MapSheet:
    """Lay a board on paper at a tenth of its size, 10 mm from the left and 20 mm from the foot."""
    return MapSheet(lattice, 0.1, 10.0, 20.0)


def read(items: Iterable[Item]) -> ET.Element:
    """Write items on a page of 200 x 200 mm and read it again."""
    return ET.fromstring(scene_svg(Scene(tuple(items), page_mm=(200.0, 200.0))))


def points(data: str) -> list[list[tuple[float, float]]]:
    """Read the numbers of path data, y up, a list of points for each of its lines."""
    return [together(re.findall(r"-?[\d.]+", part)) for part in data.split("M") if part.strip()]


def together(numbers: list[str]) -> list[tuple[float, float]]:
    """Put every two numbers together."""
    return [(float(x), 200.0 - float(y)) for x, y in zip(numbers[::2], numbers[1::2], strict=True)]


def circles(root: ET.Element) -> list[tuple[float, float, float]]:
    """Read middle, y up, and radius of all circles."""
    return [
        (float(c.get("cx", "")), 200.0 - float(c.get("cy", "")), float(c.get("r", "")))
        for c in root.iter(f"{SVG}circle")
    ]


def lines(root: ET.Element, **style: str) -> list[list[tuple[float, float]]]:
    """Read all lines of the groups of a style."""
    found: list[list[tuple[float, float]]] = []
    for group in root.iter(f"{SVG}g"):
        if all(group.get(name.replace("_", "-")) == value for name, value in style.items()):
            found += [line for path in group for line in points(path.get("d", ""))]
    return found


def port(lattice: Board, label: str, side: int) -> np.ndarray:
    """Middle of a side on the paper, by plain trigonometry."""
    cell = lattice.labels.index(label)
    angle = np.deg2rad(lattice.corner0_deg + 30.0 + 60.0 * side)
    x, y = lattice.centre_mm[cell] + 50.0 * np.array([np.cos(angle), np.sin(angle)])
    return np.array([10.0 + 0.1 * x, 20.0 + 0.1 * y])


def roads_of(lattice: Board, *drawn: Any, kinds: list[str], **more: Any) -> Ways:
    """Carry lines to the cells of a board."""
    return ways(features(list(drawn), lattice, kinds=kinds), lattice, **more)


def overlay_of(lattice: Board, *, roads: Ways | None = None, held: Cover | None = None) -> Overlay:
    """Make an overlay without water."""
    n = lattice.n_cells
    return Overlay(
        lattice, None, np.zeros(n, np.int8), np.zeros(n, np.bool_), roads=roads, cover=held
    )


def no_cuts(lattice: Board) -> Cuts:
    """Cut nothing."""
    return cuts(lattice, load_catalogue())


# The sheet --------------------------------------------------------------------------------------


def test_bench_points_on_the_paper() -> None:
    """By hand: the front left corner lies at the lower left, and the paper's y runs up."""
    lattice = board(4, 3)
    on = sheet(lattice)
    width, depth = lattice.size_mm
    assert on.flats_mm == pytest.approx(10.0)
    assert on.box == pytest.approx((10.0, 20.0, 10.0 + width / 10.0, 20.0 + depth / 10.0))
    corners = np.array([[0.0, 0.0], [width, depth]])
    assert on.place(corners) == pytest.approx(
        np.array([[10.0, 20.0], [10.0 + width / 10.0, 20.0 + depth / 10.0]])
    )


@BOTH
@pytest.mark.parametrize("edges", ["straight", "whole"])
def test_middles_lie_in_what_is_kept(facing: str, edges: str) -> None:
    """Of a whole tile the centre, of a part a point within its outline. Oracle: shapely."""
    lattice = board(5, 4, facing, edges)
    on = sheet(lattice)
    for cell, (x, y) in enumerate(on.middle().tolist()):
        outline = shapely.Polygon(on.place(lattice.outline_mm(cell)))
        assert outline.contains(shapely.Point(x, y))
        if lattice.parts[cell] == "whole":
            assert (x, y) == pytest.approx((outline.centroid.x, outline.centroid.y))


@BOTH
def test_corners_are_those_of_the_outline(facing: str) -> None:
    """Each hexagon on the paper is that on the bench, carried over."""
    lattice = board(3, 3, facing)
    on = sheet(lattice)
    for cell in range(lattice.n_cells):
        assert on.corner()[cell] == pytest.approx(on.place(lattice.outline_mm(cell)))


# Roads ------------------------------------------------------------------------------------------


@BOTH
def test_roads_run_from_side_to_side(facing: str) -> None:
    """Every line begins and ends at the middle of a side that the road crosses, or of its cell."""
    lattice = board(5, 5, facing)
    roads = roads_of(lattice, through(lattice, "B2", "D4"), kinds=["road"])
    drawing = list(draw_roads(sheet(lattice), roads, no_cuts(lattice)))
    crossed = np.argwhere(roads.any_ports).tolist()
    mids = [port(lattice, lattice.labels[cell], side) for cell, side in crossed]
    ends = [np.array(line[k]) for line in lines(read(drawing), stroke="#ffffff") for k in (0, -1)]
    for mid in mids:
        assert min(np.linalg.norm(end - mid) for end in ends) < 2e-3
    spots = np.vstack([*mids, sheet(lattice).middle()])
    for end in ends:
        assert np.linalg.norm(spots - end, axis=1).min() < 2e-3


def test_a_cell_that_a_road_passes_has_one_line() -> None:
    """Three cells in a row: one line in each, the ends from the side to the middle."""
    lattice = board(5, 3)
    roads = roads_of(lattice, through(lattice, "B2", "D2"), kinds=["road"])
    drawing = list(draw_roads(sheet(lattice), roads, no_cuts(lattice)))
    black = lines(read(drawing), stroke="#16191c", stroke_width="0.85")  # 0.085 of 10 mm
    white = lines(read(drawing), stroke="#ffffff")
    assert black == white
    assert len(white) == 3
    middle = sheet(lattice).middle()[lattice.labels.index("C2")]
    (through_c2,) = [line for line in white if len(line) == 3]
    assert through_c2[1] == pytest.approx(middle, abs=1e-3)


def test_kinds_of_roads_are_told_apart_by_their_dashes() -> None:
    """The first is solid, the second dashed."""
    lattice = board(4, 3)
    roads = roads_of(
        lattice, through(lattice, "A1", "D1"), through(lattice, "A3", "D3"), kinds=["road", "lane"]
    )
    drawing = list(draw_roads(sheet(lattice), roads, no_cuts(lattice)))
    dashes = [
        group.get("stroke-dasharray")
        for group in read(drawing).iter(f"{SVG}g")
        if group.get("stroke") == "#ffffff"
    ]
    assert dashes == [None, "1.4 0.5"]


def test_roads_go_on_over_the_edge() -> None:
    """A road that comes from beyond reaches the middle of the outer side, on a whole tile."""
    lattice = board(4, 3)
    west, east = lattice.centre_xy[[lattice.labels.index(name) for name in ("A2", "D2")]]
    line = shapely.LineString([west - (east - west), east])
    roads = roads_of(lattice, line, kinds=["road"])
    drawing = list(draw_roads(sheet(lattice), roads, no_cuts(lattice)))
    ends = [line[-1] for line in lines(read(drawing), stroke="#ffffff")]
    assert min(np.linalg.norm(np.array(ends) - port(lattice, "A2", 3), axis=1)) < 2e-3


def test_sunken_roads_have_ticks() -> None:
    """Four to both sides of each half that is cut."""
    lattice = board(4, 3)
    roads = roads_of(lattice, through(lattice, "A2", "D2"), kinds=["holloway"])
    cut = cuts(lattice, load_catalogue(), roads=roads, sunken=["holloway"])
    drawing = list(draw_roads(sheet(lattice), roads, cut))
    ticks = lines(read(drawing), stroke_width="0.18")
    assert len(ticks) == 8 * 6  # of A2 and D2 one half, of B2 and C2 two
    for start, end in ticks:
        assert np.hypot(end[0] - start[0], end[1] - start[1]) == pytest.approx(0.5, abs=2e-3)
    bare = list(draw_roads(sheet(lattice), roads, no_cuts(lattice)))
    assert lines(read(bare), stroke_width="0.18") == []


@pytest.mark.parametrize(("width", "how"), [(1, "ford"), (2, "bridge")])
def test_fords_and_bridges_stand_at_the_road(width: int, how: str) -> None:
    """A ford is three dots, a bridge two bars beside the road, all in the cell of the crossing."""
    lattice = board(7, 5)
    row, column = lattice.row.astype(float), lattice.column.astype(float)
    mean_m = 100.0 * np.abs(row - 2.0) - 10.0 * column + 100.0
    water = flow(heights_of(lattice, mean_m), threshold_m2=4.0 * float(lattice.area_m2[0]))
    widths = np.where(water.is_watercourse, width, 0).astype(np.int8)
    line = through(lattice, "D1", "D3", "D5")
    roads = roads_of(lattice, line, kinds=["road"], water=water, width=widths)
    drawing = list(draw_roads(sheet(lattice), roads, no_cuts(lattice)))
    root = read(drawing)
    dots = [(x, y) for x, y, _ in circles(root)]
    bars = lines(root, stroke="#16191c", stroke_width="0.3")  # 0.03 of 10 mm
    assert (len(dots), len(bars)) == ((3, 0) if how == "ford" else (0, 2))
    cell = shapely.Polygon(sheet(lattice).corner()[lattice.labels.index("D3")])
    for spot in [*dots, *(spot for bar in bars for spot in bar)]:
        assert cell.buffer(0.3).contains(shapely.Point(spot))
    assert list(key(overlay_of(lattice, roads=roads), no_cuts(lattice))) == [
        ("road 0", "road"), (how, how),
    ]  # fmt: skip


# Cover ------------------------------------------------------------------------------------------


def woods(lattice: Board, n_kinds: int) -> Cover:
    """Give each column of a board a kind of its own."""
    x = lattice.centre_xy[:, 0].reshape(lattice.rows, lattice.columns).mean(axis=0)
    half = (x[1] - x[0]) / 2.0
    boxes = [shapely.box(at - half, -9e4, at + half, 9e4) for at in x[:n_kinds]]
    return cover(features(boxes, lattice, kinds=[f"kind {k}" for k in range(n_kinds)]), lattice)


@pytest.mark.parametrize(("facing", "n_signs"), [("points", 4), ("flats", 2)])
def test_every_covered_cell_has_signs(facing: str, n_signs: int) -> None:
    """Squares of the second kind, as many in each cell as there is room for, all inside it."""
    lattice = board(4, 3, facing)
    held = woods(lattice, 2)
    drawing = list(cover_signs(sheet(lattice), held))
    squares = [shapely.Polygon(square) for square in lines(read(drawing), fill="#16191c")]
    cells = np.flatnonzero(held.given == 1)
    assert len(cells) > 0
    assert len(squares) == n_signs * len(cells)
    outlines = [shapely.Polygon(sheet(lattice).corner()[cell]) for cell in cells]
    for square in squares:
        assert sum(outline.contains(square) for outline in outlines) == 1


def test_each_kind_has_a_sign_of_its_own_and_the_eighth_is_the_first_again() -> None:
    """Seven signs differ as drawn."""
    marks: list[str] = []
    for number in range(len(SIGNS) + 1):
        marks.append(
            ET.tostring(read(symbol(f"cover {number}", 10.0, 10.0, 1.0)), encoding="unicode")
        )
    assert len(set(marks[:-1])) == len(SIGNS) == 7
    assert marks[-1] == marks[0]


# Key and names ----------------------------------------------------------------------------------


def test_the_key_names_only_what_is_there() -> None:
    """Kinds of road laid on top, sunken ones once, and kinds of cover that a cell is given."""
    lattice = board(4, 3)
    roads = roads_of(
        lattice, through(lattice, "A1", "D1"), through(lattice, "A3", "D3"),
        kinds=["road", "holloway"],
    )  # fmt: skip
    cut = cuts(lattice, load_catalogue(), roads=roads, sunken=["holloway"])
    held = woods(lattice, 2)
    whole = overlay_of(lattice, roads=roads, held=held)
    assert list(key(whole, cut)) == [
        ("road 0", "road"), ("sunken road", "sunken road"),
        ("cover 0", "kind 0"), ("cover 1", "kind 1"),
    ]  # fmt: skip
    assert list(key(overlay_of(lattice), no_cuts(lattice))) == []
    pond = cover(features([shapely.box(0, 0, 9, 9)], lattice, kinds=["pond"]), lattice)
    assert list(key(overlay_of(lattice, held=pond), no_cuts(lattice))) == []  # no cell is one


@pytest.mark.parametrize(
    "name",
    ["road 0", "road 1", "sunken road", "ford", "bridge", *(f"cover {k}" for k in range(7))],
)
def test_symbols_of_the_key_keep_to_their_place(name: str) -> None:
    """All that is drawn lies in 8 x 4.5 units."""
    root = read(symbol(name, 20.0, 30.0, 2.0))
    spots = [
        spot for p in root.iter(f"{SVG}path") for line in points(p.get("d", "")) for spot in line
    ]
    for x, y, r in circles(root):
        spots += [(x - r, y - r), (x + r, y + r)]
    assert spots
    place = shapely.box(20.0, 30.0, 36.0, 39.0)
    assert all(place.covers(shapely.Point(spot)) for spot in spots)


@BOTH
def test_each_name_is_written_once_beside_its_longest_stretch(facing: str) -> None:
    """Two stretches of one name, one name on the map, near a cell of the longer stretch."""
    lattice = board(8, 5, facing)
    lines_of = [through(lattice, "A1", "B1"), through(lattice, "C5", "H5")]
    carried = ways(
        features(lines_of, lattice, kinds=["road"] * 2, names=["Long Lane"] * 2), lattice
    )
    drawing = [text for _, text in way_names(sheet(lattice), carried.ways)]
    (text,) = read(drawing).iter(f"{SVG}text")
    assert text.text == "Long Lane"
    longest = max(carried.ways, key=lambda way: len(way.cells))
    at = np.array([float(text.get("x", "")), 200.0 - float(text.get("y", ""))])
    near = np.linalg.norm(sheet(lattice).centre()[longest.cells] - at, axis=1).min()
    assert near < sheet(lattice).flats_mm


def test_a_way_in_one_cell_has_its_name_there() -> None:
    """With no stretch to stand beside it stands in the cell."""
    lattice = board(3, 3)
    x, y = lattice.centre_xy[lattice.labels.index("B2")]
    line = shapely.LineString([(x - 50.0, y), (x + 50.0, y)])
    carried = ways(features([line], lattice, kinds=["road"], names=["Stub"]), lattice)
    drawing = [text for _, text in way_names(sheet(lattice), carried.ways)]
    (text,) = read(drawing).iter(f"{SVG}text")
    cell = shapely.Polygon(sheet(lattice).corner()[lattice.labels.index("B2")])
    assert cell.contains(shapely.Point(float(text.get("x", "")), 200.0 - float(text.get("y", ""))))


def test_no_names_make_no_group() -> None:
    """Nothing is written for a map without names."""
    drawing = [text for _, text in way_names(sheet(board(3, 3)), ())]
    assert list(read(drawing).iter(f"{SVG}g")) == []
