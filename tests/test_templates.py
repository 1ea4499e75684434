"""Templates measured with independent readers: pypdf, ezdxf and the XML of the standard library."""

from __future__ import annotations

import io
import math
import re
from typing import Any

import ezdxf
import numpy as np
import pytest
from numpy.typing import NDArray
from pypdf import PdfReader

from hexterra.brief.bench_sections import BenchBrief, FoamBrief
from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.drawing.dxf import scene_dxf
from hexterra.drawing.layers import dimension, stroke
from hexterra.drawing.scene import Scene
from hexterra.drawing.svg import scene_svg
from hexterra.workshop.solids.courses import Course
from hexterra.workshop.solids.grooves import Grooves
from hexterra.workshop.solids.guides import CAUTIONS, Guides, offset
from hexterra.workshop.solids.hollows import stretches
from hexterra.workshop.solids.solids import Solid
from hexterra.workshop.templates.channel_plans import banks_mm
from hexterra.workshop.templates.footprints import footprint_figure
from hexterra.workshop.templates.profiles import guide_outline_mm, profile_figure, profile_mm
from hexterra.workshop.templates.template_pdf import template_pdf
from hexterra.workshop.templates.templates import template_figures, template_files
from tests.page_lines import MM_PER_POINT, Line, dxf_lines, matches, pdf_lines, svg_lines
from tests.small_plans import small_plan

PATTERNS = {pattern.name: pattern.rises for pattern in load_catalogue(None).patterns}
GUIDES = Guides(
    FoamBrief(kerf_mm=1.2), BenchBrief(wire_mm=0.4)
)  # guides 0.4 mm outside the finished face


def solid(pattern: str = "flat", part: Any = "whole", hand: Any = "") -> Solid:
    """Make a tile of common sizes."""
    return Solid(part, hand, PATTERNS[pattern], across_flats_mm=100.0, base_mm=15.0, step_mm=7.5)


def edges(lines: list[Line], *, n_edges: int) -> list[NDArray[np.float64]]:
    """Return the lengths of the edges of every closed line with so many, sorted."""
    closed = [points for points, is_closed in lines if is_closed and len(points) == n_edges]
    return [np.sort(np.linalg.norm(p - np.roll(p, -1, axis=0), axis=1)) for p in closed]


def everywhere(figure: Scene) -> dict[str, list[Line]]:
    """Write a figure in all formats and read its guides back."""
    page = PdfReader(io.BytesIO(template_pdf([figure], paper="A4"))).pages[1]
    return {
        "pdf": pdf_lines(page),
        "svg": svg_lines(scene_svg(figure))["guide"],
        "dxf": dxf_lines(scene_dxf(figure))["GUIDE"],
    }


def test_the_guide_of_a_hexagon_by_hand() -> None:
    """With a slot of 1.2 and a wire of 0.4 mm the guide is 100.8 mm across flats.

    Its sides are then 100.8 / sqrt 3 = 58.19691 mm.
    """
    for lines in everywhere(footprint_figure(solid(), GUIDES)).values():
        assert [np.full(6, 58.19691)] == [
            pytest.approx(e, abs=0.01) for e in edges(lines, n_edges=6)
        ]


def test_the_guide_of_a_bank_by_hand() -> None:
    """The upper edge of the guide is the finished top, 0.4 mm further out along its normal.

    Level at 15 mm for 15 mm of run-out and 50 mm of tile, up 7.5 mm in 50 mm, level at 22.5 mm for
    15 mm. The slope has the angle atan(0.15); its ends move back by 0.4 tan(atan(0.15) / 2), up by
    0.4.
    """
    back = 0.4 * math.tan(math.atan(0.15) / 2.0)
    expected = np.array(
        [
            [-65.0, 0.0],
            [65.0, 0.0],
            [65.0, 22.9],
            [50.0 - back, 22.9],
            [0.0 - back, 15.4],
            [-65.0, 15.4],
        ]
    )
    for lines in everywhere(profile_figure(solid("bank"), GUIDES, pattern="bank")).values():
        assert matches(lines, expected)
        assert matches(lines, expected[::-1] * [-1.0, 1.0]) or matches(
            lines, np.roll(expected[::-1] * [-1.0, 1.0], 2, axis=0)
        )


@pytest.mark.parametrize("part", ["whole", "corner-cut half", "side-cut half", "quarter"])
def test_every_footprint_measures_right(part: Any) -> None:
    """Read from each format, the guide is the outline moved out by 0.4 mm on every edge."""
    piece = solid(part=part, hand="right" if part == "quarter" else "")
    for lines in everywhere(footprint_figure(piece, GUIDES)).values():
        assert matches(lines, offset(piece.outline_mm, 0.4))
    finished = dxf_lines(scene_dxf(footprint_figure(piece, GUIDES)))["FINISH"]
    assert matches(finished, piece.outline_mm)


@pytest.mark.parametrize("name", [name for name in PATTERNS if name != "flat"])
def test_every_profile_measures_right(name: str) -> None:
    """Both guides have the heights of the built top, 0.4 mm out, wherever the slope changes."""
    piece = solid(name)
    profile = profile_mm(piece)
    for mirror in (1.0, -1.0):
        view = profile[:: int(mirror)] * [mirror, 1.0]
        expected = guide_outline_mm(view, GUIDES, 0.4)
        for lines in everywhere(profile_figure(piece, GUIDES, pattern=name)).values():
            assert matches(lines, expected)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("bank", [(-50.0, 15.0), (0.0, 15.0), (50.0, 22.5)]),
        ("flank", [(-57.735, 15.0), (-28.868, 15.0), (28.868, 22.5), (57.735, 22.5)]),
        ("spur", [(-57.735, 15.0), (28.868, 15.0), (57.735, 22.5)]),
        ("shoulder", [(-50.0, 15.0), (0.0, 22.5), (50.0, 22.5)]),
        ("hollow", [(-57.735, 15.0), (-28.868, 22.5), (57.735, 22.5)]),
        ("saddle", [(-50.0, 22.5), (0.0, 15.0), (50.0, 22.5)]),
        ("tilt", [(-50.0, 15.0), (50.0, 30.0)]),
        ("steep bank", [(-50.0, 15.0), (0.0, 15.0), (50.0, 30.0)]),
    ],
)
def test_profiles_by_hand(name: str, expected: list[tuple[float, float]]) -> None:
    """Side views of the patterns, by the geometry of the hexagon: corners at 0, 1/2 and 1 of R."""
    assert profile_mm(solid(name)) == pytest.approx(np.array(expected), abs=1e-3)


def test_offset_by_hand() -> None:
    """A unit square grows to 3 by 3, and a level line is raised."""
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    assert offset(square, 1.0).tolist() == [[-1.0, -1.0], [2.0, -1.0], [2.0, 2.0], [-1.0, 2.0]]
    line = np.array([[5.0, 1.0], [0.0, 1.0]])
    assert offset(line, 0.5, is_closed=False).tolist() == [[5.0, 1.5], [0.0, 1.5]]


@pytest.mark.parametrize(
    ("paper", "width_mm", "height_mm"),
    [("A4", 210.0, 297.0), ("Letter", 8.5 * 25.4, 11.0 * 25.4)],
)
def test_pages(paper: Any, width_mm: float, height_mm: float) -> None:
    """Every page has its true size, a bar of 100 mm, its number and the cautions.

    A4 is 210 x 297 mm: ISO 216:2007, table 1. Letter is 8.5 x 11 inches: ANSI/ASME Y14.1, size A.
    """
    data = template_files(small_plan().pieces, GUIDES, title="Two hills")[
        f"templates-{paper.lower()}.pdf"
    ]
    reader = PdfReader(io.BytesIO(data))
    assert reader.viewer_preferences is not None
    assert reader.viewer_preferences.print_scaling == "/None"
    assert len(reader.outline) == len(template_figures(small_plan().pieces, Guides())) + 1
    for number, page in enumerate(reader.pages, start=1):
        size_mm = [float(v) * MM_PER_POINT for v in page.mediabox[2:]]
        assert size_mm == pytest.approx([width_mm, height_mm], abs=0.01)
        lines = pdf_lines(page)
        bars = [p for p, _ in lines if np.ptp(p, axis=0) == pytest.approx([100.0, 2.0], abs=0.01)]
        assert len(bars) == 1
        text = page.extract_text()
        assert f"page {number} of {len(reader.pages)}" in text
        assert all(caution in text for caution in CAUTIONS)
        marks = np.concatenate([points for points, _ in lines])
        assert (marks >= 5.0).all()  # desktop printers leave about 5 mm: common practice, no source
        assert (marks <= [width_mm - 5.0, height_mm - 5.0]).all()


def test_fonts_are_embedded() -> None:
    """Every font that a page names carries its file."""
    data = template_files(small_plan().pieces, GUIDES)["templates-a4.pdf"]
    names = set()
    page: Any
    for page in PdfReader(io.BytesIO(data)).pages:
        for font in page["/Resources"]["/Font"].values():
            descriptor = font.get_object()["/FontDescriptor"].get_object()
            assert "/FontFile2" in descriptor
            names.add(str(font.get_object()["/BaseFont"]).split("+")[1])
    assert names == {"DejaVuSans", "DejaVuSans-Bold"}


def test_words_keep_apart() -> None:
    """No two lines of text of a figure lie over each other."""
    small = Solid("whole", "", (0, 0, 0, 1, 1, 1), across_flats_mm=40.0, base_mm=15.0, step_mm=7.5)
    narrow = profile_figure(small, GUIDES, pattern="flank")
    for figure in (narrow, *template_figures(small_plan().pieces, Guides())):
        boxes = []
        for words in figure.words:
            corners = words.marks
            boxes.append((corners.min(axis=0), corners.max(axis=0)))
        for number, (low, high) in enumerate(boxes):
            for other_low, other_high in boxes[:number]:
                assert (high <= other_low).any() or (other_high <= low).any(), figure.name


def crosses(lines: list[Line]) -> NDArray[np.float64]:
    """Find the middles of pairs of upright and level lines of 8 mm."""
    spans = [(np.ptp(p, axis=0), p.mean(axis=0)) for p, _ in lines if len(p) == 2]
    level = [m for s, m in spans if s == pytest.approx([8.0, 0.0], abs=1e-3)]
    upright = [m for s, m in spans if s == pytest.approx([0.0, 8.0], abs=1e-3)]
    return np.array([a for a in level for b in upright if np.abs(a - b).max() < 1e-3])


def test_a_large_figure_is_tiled() -> None:
    """Sheets that are joined at their crosses show the whole guide, and no sheet hides a corner.

    A hexagon of 300 mm across flats, 346.4 mm long, needs 2 x 2 sheets of A4.
    """
    large = Solid("whole", "", (0,) * 6, across_flats_mm=300.0, base_mm=15.0, step_mm=7.5)
    figure = footprint_figure(large, GUIDES)
    pages = PdfReader(io.BytesIO(template_pdf([figure], paper="A4"))).pages[1:]
    assert [re.findall(r"sheet (\w\d)", page.extract_text()) for page in pages] == [
        ["A1"],
        ["B1"],
        ["A2"],
        ["B2"],
    ]
    expected = offset(large.outline_mm, 0.4)
    on_figure, seen = [], set()
    for page in pages:
        lines = pdf_lines(page)
        (guide,) = [p for p, closed in lines if closed and len(p) == 6]
        assert matches([(guide, True)], expected)
        shift = guide[0] - expected[0]
        marks = crosses(lines)
        assert len(marks) == 4
        on_figure.append({tuple(mark) for mark in (marks - shift).round(2).tolist()})
        window = next(p for p, _ in lines if np.ptp(p, axis=0)[0] == pytest.approx(190.0, abs=0.01))
        inside = ((guide > window.min(axis=0)) & (guide < window.max(axis=0))).all(axis=1)
        seen |= set(np.flatnonzero(inside).tolist())
    assert seen == set(range(6))
    assert len(on_figure[0] & on_figure[1]) == 2
    assert len(on_figure[0] & on_figure[2]) == 2
    assert len(on_figure[1] & on_figure[3]) == 2


def test_layers_by_meaning() -> None:
    """Every layer of a DXF file is named for what its lines are, and words have their own."""
    figure = profile_figure(solid("flank"), GUIDES, pattern="flank")
    drawing = ezdxf.read(io.StringIO(scene_dxf(figure).decode()))
    used = {entity.dxf.layer for entity in drawing.modelspace()}
    assert used == {"GUIDE", "FINISH", "WIRE", "PIECE", "FOLD", "HIDDEN", "DIMENSION", "WORDS"}
    assert used <= {layer.dxf.name for layer in drawing.layers}


def test_folds_join_corners() -> None:
    """The two folds of a flank are chords of sqrt 3 sides, 57.735 mm apart."""
    folds = dxf_lines(scene_dxf(profile_figure(solid("flank"), GUIDES, pattern="flank")))["FOLD"]
    assert [np.linalg.norm(p[1] - p[0]) for p, _ in folds] == pytest.approx([100.0, 100.0])
    assert abs(folds[0][0][0, 0] - folds[1][0][0, 0]) == pytest.approx(57.735, abs=1e-3)


def test_the_wire_runs_half_a_slot_away() -> None:
    """The path of the wire's middle lies 0.6 mm outside the finished outline."""
    layers = dxf_lines(scene_dxf(footprint_figure(solid(), GUIDES)))
    (wire,) = edges(layers["WIRE"], n_edges=6)
    assert wire == pytest.approx(np.full(6, 101.2 / math.sqrt(3.0)), abs=1e-6)


def test_banks_are_as_far_apart_as_asked() -> None:
    """A straight channel 20 mm wide has two banks of 100 mm, 20 mm apart."""
    course = Course("water", (0, 3), (1, 1), (False, False), "joined")
    laid = stretches(course, Grooves(), solid().corner_mm(), is_whole=True)
    banks = banks_mm(solid(), laid)
    ends = [bank[[0, -1]] for bank in banks]
    assert [np.linalg.norm(b - a) for a, b in ends] == pytest.approx([100.0, 100.0], abs=1e-3)
    along = (ends[0][1] - ends[0][0]) / 100.0
    across = np.array([-along[1], along[0]])
    assert abs((ends[1][0] - ends[0][0]) @ across) == pytest.approx(20.0, abs=1e-6)


def test_every_used_shape_has_a_figure() -> None:
    """Footprints for all parts, profiles for all slopes and channels for all ports of a board."""
    plan = small_plan()
    names = [figure.name for figure in template_figures(plan.pieces, Guides())]
    assert len(set(names)) == len(names)
    for piece in plan.pieces.pieces:
        assert f"footprint-{piece.part.replace(' ', '-')}" in names
        if piece.pattern not in {"", "flat"}:
            assert f"profile-{piece.pattern.replace(' ', '-')}" in names
        if piece.ports:
            start = f"channel-{piece.crossing.replace(' ', '-')}"
            assert any(name.startswith(start) for name in names)


def test_profiles_number_corners_as_the_catalogue_does() -> None:
    """The raised corners on the plan are those of the pattern, however the tile is turned."""
    for figure in template_figures(small_plan().pieces, Guides()):
        if figure.name.startswith("profile-"):
            labels = [
                w.text
                for w in figure.words
                if w.size_mm > 3.0 and re.fullmatch(r"\d(: \+[\d.]+)?", w.text)
            ]
            rises = PATTERNS[figure.title.removeprefix("Profile: ")]
            raised = [f"{s}: +{7.5 * r:g}" if r else f"{s}" for s, r in enumerate(rises)]
            assert sorted(labels) == raised


def test_files_are_the_same_twice() -> None:
    """Equal schedules give equal bytes, in every format."""
    assert template_files(small_plan().pieces, GUIDES) == template_files(
        small_plan().pieces, GUIDES
    )


def test_a_narrow_dimension_has_its_words_beside_it() -> None:
    """Where words do not fit between the arrows they stand outside them."""
    items = dimension((0.0, 0.0), (3.0, 0.0), away_mm=5.0, text="3.00")
    figure = Scene((*items, stroke("piece", ((0.0, 0.0), (3.0, 0.0)))))
    (words,) = figure.words
    assert words.marks[:, 0].min() > 3.0
    assert figure.size_mm[0] > 15.0
