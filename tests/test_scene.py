"""`hexterra.drawing.scene` and its formats: one drawing, the same places in SVG, PDF and DXF."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from collections.abc import Sequence
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas

from hexterra.drawing.dxf import scene_dxf
from hexterra.drawing.flowables import Heading, Picture, paragraph, section
from hexterra.drawing.layers import stroke
from hexterra.drawing.pdf import draw_scene, register_fonts
from hexterra.drawing.pdf_document import Margins, PageFacts, write_document
from hexterra.drawing.scene import (
    Circles,
    Clipped,
    Lines,
    Scene,
    SharedScene,
    Style,
    Text,
    rectangle,
)
from hexterra.drawing.svg import scene_svg
from tests.page_lines import dxf_lines, pdf_lines, svg_lines

SVG = "{http://www.w3.org/2000/svg}"
INKED = Style("#000000", 0.2)
MM = st.floats(-200.0, 200.0).map(lambda value: round(value, 3))


def page(scene: Scene, *, times: int = 1) -> PdfReader:
    """Draw a scene on as many pages of a PDF, its origin 20 mm from the left and 30 from below."""
    register_fonts()
    stream = io.BytesIO()
    canvas = Canvas(stream)
    for _ in range(times):
        draw_scene(canvas, scene, 20.0, 30.0)
        canvas.showPage()
    canvas.save()
    return PdfReader(io.BytesIO(stream.getvalue()))


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.lists(st.tuples(MM, MM), min_size=4, max_size=4, unique=True))
def test_lines_lie_at_the_same_place_in_every_format(points: list[tuple[float, float]]) -> None:
    """Four points, read back with pypdf, ezdxf and XML, are those of the scene to 0.01 mm."""
    scene = Scene((stroke("guide", points, is_closed=True),))
    wanted, (left, low, _, _) = np.array(points), scene.bounds
    (dxf,) = dxf_lines(scene_dxf(scene))["GUIDE"]
    (svg,) = svg_lines(scene_svg(scene))["guide"]
    (pdf,) = pdf_lines(page(scene).pages[0])
    height = scene.size_mm[1]
    assert dxf[0] == pytest.approx(wanted, abs=0.01)
    assert svg[0] + (left, low + height) == pytest.approx(wanted, abs=0.01)
    assert pdf[0] - (20.0, 30.0) == pytest.approx(wanted, abs=0.01)
    assert dxf[1]
    assert svg[1]
    assert pdf[1]


def test_bounds_by_hand() -> None:
    """A line, a circle, a window and turned text: the box around all of them."""
    line = Lines(np.array([[1.0, 2.0], [5.0, 3.0]]), INKED)
    circle = Circles(np.array([[0.0, 0.0]]), 4.0, INKED)
    window = Clipped((2.0, 2.0, 6.0, 8.0), (Lines(rectangle(-99.0, -99.0, 999.0, 999.0), INKED),))
    assert Scene((line,)).bounds == (1.0, 2.0, 5.0, 3.0)
    assert Scene((line, circle, window)).bounds == (-4.0, -4.0, 6.0, 8.0)
    text = Text((10.0, 20.0), 4.0, "abc", "end", 90.0)
    width = text.width_mm
    assert Scene((text,)).bounds == pytest.approx((6.8, 20.0 - width, 11.0, 20.0))
    assert Scene((line,), page_mm=(30.0, 40.0)).bounds == (0.0, 0.0, 30.0, 40.0)


@settings(derandomize=True, deadline=None)
@given(MM, MM, st.floats(0.1, 5.0), MM, MM)
def test_placing_twice_is_placing_once(
    x: float, y: float, scale: float, then_x: float, then_y: float
) -> None:
    """A map x -> s x + t, then another of scale 2, is 2 s x + (2 t + u), for every item."""
    inner = Scene((Lines(np.array([[0.0, 1.0], [2.0, 5.0]]), INKED),), "inner")
    scene = Scene((
        Lines(np.array([[1.0, 2.0], [5.0, 3.0]]), INKED),
        Circles(np.array([[0.0, 3.0]]), 4.0, INKED),
        Text((1.0, 1.0), 2.0, "word"),
        Clipped((0.0, 0.0, 3.0, 3.0), (Text((2.0, 2.0), 1.0, "in"),)),
        SharedScene(inner, 1.0, 2.0, 3.0),
    ))  # fmt: skip
    twice = scene.placed(x, y, scale).placed(then_x, then_y, 2.0)
    once = scene.placed(2.0 * x + then_x, 2.0 * y + then_y, 2.0 * scale)
    for one, other in zip(twice.items, once.items, strict=True):
        assert one.marks == pytest.approx(other.marks, abs=1e-9)


def test_what_is_fitted_fills_one_side() -> None:
    """A drawing of 4 x 2 mm is 10 x 5 mm in a room of 10 x 9, and 6 x 3 in one of 10 x 3."""
    scene = Scene((Lines(rectangle(1.0, 1.0, 4.0, 2.0), INKED, "closed"),))
    assert scene.fitted(10.0, 9.0).size_mm == pytest.approx((10.0, 5.0))
    assert scene.fitted(10.0, 3.0).size_mm == pytest.approx((6.0, 3.0))


def test_a_curve_is_the_same_in_svg_and_pdf() -> None:
    """A quadratic curve is raised to the cubic one that it is: controls two thirds of the way."""
    scene = Scene((Lines(np.array([[0.0, 0.0], [3.0, 6.0], [6.0, 0.0]]), INKED, "curve"),))
    assert 'd="M0 6Q3 0 6 6"' in scene_svg(scene)
    content = page(scene).pages[0].get_contents()
    assert content is not None
    assert b"2 4 4 4 6 0 c" in content.get_data()


def test_windows_clip_in_svg_and_pdf() -> None:
    """In SVG a window is a view of its size; in PDF a path that clips (ISO 32000-1, 8.5.4)."""
    inside = Lines(rectangle(-50.0, -50.0, 100.0, 100.0), INKED, "closed")
    scene = Scene((Clipped((2.0, 3.0, 12.0, 9.0), (inside,)),), page_mm=(20.0, 20.0))
    (view,) = ET.fromstring(scene_svg(scene)).findall(f".//{SVG}svg")
    named = {name: view.get(name) for name in ("x", "y", "width", "height", "viewBox")}
    assert named == {"x": "2", "y": "11", "width": "10", "height": "6", "viewBox": "2 11 10 6"}
    content = page(scene).pages[0].get_contents()
    assert content is not None
    assert re.search(rb"2 3 10 6 re\s+W\*? n", content.get_data())


def test_a_shared_scene_is_kept_once() -> None:
    """Two pages show one form, and its line where the scene and its scale put it; SVG repeats."""
    inner = Scene((Lines(np.array([[1.0, 1.0], [2.0, 3.0]]), INKED),), "inner")
    scene = Scene((SharedScene(inner, 5.0, 7.0, 2.0),), page_mm=(20.0, 20.0))
    pages: Any = page(scene, times=2).pages
    found = [list(one["/Resources"]["/XObject"].values()) for one in pages]
    assert [len(forms) for forms in found] == [1, 1]
    first, second = (forms[0].get_object().indirect_reference for forms in found)
    assert first == second
    (group,) = ET.fromstring(scene_svg(scene)).findall(f".//{SVG}g[@transform]")
    across, down, scale = map(float, re.findall(r"-?[\d.]+", group.get("transform", "")))
    (path,) = group.iter(f"{SVG}path")
    drawn = np.array(re.findall(r"[\d.]+", path.get("d", "")), dtype=float).reshape(-1, 2)
    on_page = drawn * scale + (across, down)
    assert on_page * (1.0, -1.0) + (0.0, 20.0) == pytest.approx(np.array([[7.0, 9.0], [9.0, 13.0]]))


def test_layers_are_brought_together() -> None:
    """Lines of a meaning are one group with its name, though others are drawn between them."""
    line = [(0.0, 0.0), (1.0, 1.0)]
    items = (stroke("piece", line), stroke("fold", line), stroke("piece", line))
    groups = ET.fromstring(scene_svg(Scene(items))).findall(f"{SVG}g")
    assert [(group.get("id"), len(group)) for group in groups] == [("piece", 2), ("fold", 1)]


def test_dxf_is_the_same_in_every_process() -> None:
    """Bytes do not hang on the seed of Python's hashes, by which sets of words are ordered."""
    code = (
        "import sys; from hexterra.drawing.dxf import scene_dxf;"
        "from hexterra.drawing.layers import stroke; from hexterra.drawing.scene import Scene;"
        "lines = Scene((stroke('guide', [(0.0, 0.0), (1.0, 1.0)]),));"
        "sys.stdout.buffer.write(scene_dxf(lines))"
    )
    one, two = (
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed}, capture_output=True, check=True,
        ).stdout
        for seed in ("0", "4")
    )  # fmt: skip
    assert one.startswith(b"  0\nSECTION")
    assert one == two


def facts_of(story: Sequence[Any]) -> tuple[list[PageFacts], PdfReader]:
    """Write a document on paper of 100 x 140 mm; return the last facts of each page, and it."""
    known: dict[int, PageFacts] = {}

    def around(facts: PageFacts) -> list[Text]:
        known[facts.number] = facts
        return []

    data = write_document(
        story, title="Title", subject="", paper_mm=(100.0, 140.0), margins=Margins(10, 10, 10),
        around=around,
    )  # fmt: skip
    return list(known.values()), PdfReader(io.BytesIO(data))


def test_pages_know_their_section() -> None:
    """Sections begin pages, portrait or landscape; what goes on says so, and all know the count."""
    long = [paragraph("word " * 40, after_mm=2.0) for _ in range(20)]
    story = [Heading("One"), *long, *section("Two", [paragraph("end")], is_landscape=True)]
    facts, reader = facts_of(story)
    assert len(facts) == len(reader.pages) >= 3
    assert {one.n_pages for one in facts} == {len(facts)}
    assert [one.heading for one in facts] == ["One"] * (len(facts) - 1) + ["Two"]
    assert [one.is_continued for one in facts] == [False, *[True] * (len(facts) - 2), False]
    assert facts[0].page_of == {"One": 1, "Two": len(facts)}
    assert (facts[-1].width_mm, facts[-1].height_mm) == pytest.approx((140.0, 100.0))


def test_pictures_are_at_full_size() -> None:
    """A rectangle of 30 x 20 mm is that on the page, in the middle of the 80 mm between margins."""
    box = Lines(rectangle(5.0, 5.0, 30.0, 20.0), INKED, "closed")
    _, reader = facts_of([Heading("One"), Picture(Scene((box,)))])
    (line,) = pdf_lines(reader.pages[0])
    assert np.ptp(line[0], axis=0) == pytest.approx([30.0, 20.0], abs=0.01)
    assert line[0].mean(axis=0) == pytest.approx([50.0, 120.0], abs=0.01)


def test_paragraphs_of_other_scripts_are_outlines() -> None:
    """What reportlab would set wrongly comes as shapes, in lines no wider than the page."""
    words = " ".join(chr(0x5D0 + n % 27) * 7 for n in range(60))  # Hebrew, each word of one letter
    assert paragraph("plain").__class__.__name__ == "Paragraph"
    _, reader = facts_of([Heading("One"), paragraph(words), paragraph("after")])
    resources: Any = reader.pages[0]["/Resources"]
    forms = resources["/XObject"]
    widths = [float(form.get_object()["/BBox"][2]) for form in forms.values()]
    assert len(forms) > 1
    size_mm = 3.2
    assert all((width / 100.0 - 1.0) * size_mm <= 80.0 + 1e-6 for width in widths)
    assert "after" in reader.pages[0].extract_text()
