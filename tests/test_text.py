"""Text from outside: the one rule, and that any script comes through everything a plan writes."""

from __future__ import annotations

import csv
import io
import json
import unicodedata
import warnings
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pandas as pd
import pypdf
import pytest
import rasterio
import shapely
from affine import Affine
from click.testing import CliRunner
from hypothesis import example, given, settings
from hypothesis import strategies as st
from matplotlib import ft2font

import hexterra as hx
from hexterra.brief.brief import Brief
from hexterra.cli import main
from hexterra.csvfile import CsvReader, csv_text
from hexterra.drawing import lettering
from hexterra.errors import HexterraWarning, VectorError
from hexterra.outputs.plan_files import write_plan
from hexterra.text import cleaned, cleaned_kind
from tests.command_line import write_raster
from tests.vector_files import ROAD, UTM, WOOD, write

#: Any string of Python, lone surrogates and noncharacters among them.
ANY = st.text(st.characters(exclude_categories=()))
#: Scripts, and what text must not do: steer, ring, break lines, break XML, run as a formula.
WORDS = (
    "東京の川", "長江 & <河>", "한국의 강", "हिन्दी नदी", "แม่น้ำ", "نهر النيل", "שלום (12)",
    "🌊🏞️", "👩‍👩‍👧", "Żółć", "a\x00b\x07", "line\nbreak\r\ttab", "\x1b[31mred", "\u202eevil\u202c",
    "\ud800x", "\ufffe\uffff\x85\u2028", "=1+2", "+cmd", "-3", "@sum", "'=1", '"q"', "a; b",
    "$x$ 100%%",
)  # fmt: skip


@contextmanager
def own_fonts_only() -> Iterator[None]:
    """Hide the fonts of the machine, so that every machine shows the same."""
    kept = (lettering._font_of, lettering._is_plain, lettering._advance, lettering.outlines)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(lettering, "_system_fonts", tuple)
        for cache in kept:
            cache.cache_clear()
        yield
    for cache in kept:
        cache.cache_clear()


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give 4 x 3 km of ground that falls to the north-east."""
    row, column = np.mgrid[0:75, 0:100]
    height = (4.0 * row - 2.0 * column + 300.0).astype(np.float32)
    transform = Affine(40.0, 0.0, 500_000.0, 0.0, -40.0, 5_000_000.0)
    return write_raster(tmp_path_factory.mktemp("ground") / "g.tif", height, transform=transform)


# The rule ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("Imbleth vale", "Imbleth vale"),
        ("  two\r\n\tlines\u2028 ", "two lines"),
        ("nul\x00bell\x07del\x7f", "nulbelldel"),
        ("\u202eright\u202c \u200fto\u200e \u2066left\u2069\ufeff", "right to left"),
        ("e\u0301", "\u00e9"),
        ("\ud800", "\ufffd"),
        ("\ufffe\U0001ffff\ufdd0", "\ufffd\ufffd\ufffd"),
        ("\u200d\u0915\u094d\u200d\u0937\u200d", "\u0915\u094d\u200d\u0937"),
        ("\u202e\x00", ""),
    ],
)
def test_text_is_cleaned(text: str, plain: str) -> None:
    """White space is a blank, what is not seen is left out, what is no character is replaced."""
    assert cleaned(text) == plain


@settings(derandomize=True, deadline=None)
@given(ANY)
@example("\u0344\u200d \u200d")
def test_clean_text_goes_anywhere(text: str) -> None:
    """It is one line, valid in UTF-8 and XML, composed, and stays as it is when cleaned again."""
    plain = cleaned(text)
    assert cleaned(plain) == plain
    assert plain.splitlines() in ([], [plain])
    assert plain.encode("utf-8").decode("utf-8") == plain
    assert all(unicodedata.category(one) not in {"Cc", "Cs", "Zl", "Zp"} for one in plain)
    assert unicodedata.is_normalized("NFC", plain)
    element = ElementTree.Element("text")
    element.text = plain
    assert (ElementTree.fromstring(ElementTree.tostring(element)).text or "") == plain


def test_a_kind_goes_into_a_list_of_kinds() -> None:
    """Tables list kinds with a semicolon and a blank between, so no kind has those."""
    assert cleaned_kind("wet;dry") == "wet;dry"
    assert cleaned_kind("wet;\n dry") == "wet, dry"


def test_a_brief_is_cleaned_as_maps_are(tmp_path: Path) -> None:
    """A kind of the brief matches that of a map, whatever marks and accents either has."""
    road = write(
        tmp_path / "road.gpkg", [ROAD], crs=UTM, geometry_type="LineString",
        fields={"class": ["Stra\u00dfe e\u0301\u200e"]},
    )  # fmt: skip
    brief = Brief(
        title="\u202eA\nB",
        roads={
            "file": str(road), "kind_field": "class",
            "kinds": {"\u200fStra\u00dfe \u00e9": "lane\x00"}, "sunken": ["lane\u200e"],
        },
    )  # fmt: skip
    assert brief.title == "A B"
    found = hx.read_lines(road, kind_field="class", kinds=brief.roads.kinds)
    assert found.kind == brief.roads.sunken == ("lane",)
    assert hx.read_lines(road, kind_field="class", kinds={"Straße e\u0301": "\x00way"}).kind == (
        "way",
    )


def test_text_of_a_map_that_is_not_utf8_is_refused(tmp_path: Path) -> None:
    """The message shows the bytes and names the remedy."""
    line = {"type": "LineString", "coordinates": [[0.0, 0.0], [1.0, 1.0]]}
    feature = {"type": "Feature", "properties": {"class": "XX"}, "geometry": line}
    path = tmp_path / "road.geojson"
    text = json.dumps({"type": "FeatureCollection", "features": [feature]})
    path.write_bytes(text.encode().replace(b"XX", b"\xff\xfe"))
    with pytest.raises(VectorError, match=r"not in UTF-8: b'\\xff\\xfe'") as caught:
        hx.read_lines(path, kind_field="class")
    assert "UTF-8" in caught.value.remedy


# A plan with any script --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def written(ground: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[hx.Plan, Path]:
    """Plan a board on which every title, kind and name is strange, and write all there is."""
    folder = tmp_path_factory.mktemp("scripts")
    shifts = np.linspace(-900.0, 900.0, len(WORDS))
    lines = [shapely.affinity.translate(ROAD, 0.0, shift) for shift in shifts.tolist()]
    in_file = [one.encode("utf-8", "replace").decode().partition("\0")[0] for one in WORDS]
    kinds = [in_file[number % 3 + 16] for number in range(len(WORDS))]
    road = write(
        folder / "地図\u202e.geojson", lines, crs=UTM, geometry_type="LineString",
        fields={"class": kinds, "name": in_file},
    )  # fmt: skip
    wood = write(
        folder / "wood.geojson", [WOOD], crs=UTM, geometry_type="Polygon",
        fields={"class": [in_file[0]]},
    )  # fmt: skip
    of_map: dict[str, Any] = {"kind_field": "class", "crs": UTM}
    brief = Brief(
        title=" ".join(WORDS)[:120],
        board={"columns": 6, "rows": 5},
        fit={"effort": "instant"},
        roads={"file": str(road), "name_field": "name", "sunken": [kinds[0]], **of_map},
        areas={"file": str(wood), **of_map},
    )
    plan = hx.make_plan(hx.read_elevation(ground, name="=東京\u202e\x00"), brief)
    with own_fonts_only(), pytest.warns(HexterraWarning, match="no font on this") as warned:
        write_plan(plan, folder / "plan", extras=("book", "templates", "sheets", "mesh"))
    assert [one.category for one in warned].count(HexterraWarning) == 1
    return plan, folder / "plan"


def test_any_script_is_planned_verified_and_opened(written: tuple[hx.Plan, Path]) -> None:
    """The plan has every name, verifies, and writes the same tables once it is opened again."""
    plan, folder = written
    names = {way.name for way in plan.overlay.named}
    assert names >= {
        "東京の川",
        "長江 & <河>",
        "हिन्दी नदी",
        "نهر النيل",
        "line break tab",
        "evil",
        "=1+2",
    }
    assert hx.verify(folder).agrees
    again = hx.read_plan(folder)
    assert again.tiles.equals(plan.tiles)
    assert again.brief.title == plan.brief.title == cleaned(" ".join(WORDS)[:120])


def test_every_file_of_any_script_can_be_read(written: tuple[hx.Plan, Path]) -> None:
    """XML, JSON, CSV, DXF, PDF, GeoTIFF: independent readers take each file, and find the title."""
    plan, folder = written
    found: set[str] = set()
    for path in sorted(folder.rglob("*.*")):
        found.add(path.suffix)
        if path.suffix == ".svg":
            root = ElementTree.parse(path).getroot()
            if path.name == "map.svg":
                assert root.findtext("{http://www.w3.org/2000/svg}title") == plan.brief.title
        elif path.suffix in {".json", ".geojson"}:
            assert json.loads(path.read_text(encoding="utf-8"))
        elif path.suffix == ".3mf":
            with zipfile.ZipFile(path) as archive:
                for name in archive.namelist():
                    ElementTree.fromstring(archive.read(name))
        elif path.suffix == ".dxf":
            assert not ezdxf.readfile(path).audit().has_errors
        elif path.suffix == ".pdf":
            meta = pypdf.PdfReader(path).metadata
            assert meta is not None
            assert str(meta.title).endswith(plan.brief.title) or path.name.startswith("base")
        elif path.suffix == ".tif":
            with rasterio.open(path) as dataset:
                assert dataset.count
        elif path.suffix == ".csv":
            with path.open(newline="", encoding="utf-8") as stream:
                assert len(list(csv.reader(stream))) > 1
    assert found >= {".svg", ".json", ".geojson", ".3mf", ".dxf", ".pdf", ".tif", ".csv", ".png"}


def test_a_terminal_that_has_no_such_letters_gets_their_numbers(
    ground: Path, tmp_path: Path
) -> None:
    """A terminal in Latin-1 shows what it can, the rest with escapes, and nothing fails."""
    words = ["plan", str(ground), "--out", str(tmp_path / "plan"), "--set", "title=東 é"]
    words += ["--set", "board.columns=4", "--set", "board.rows=3", "--set", "fit.effort=instant"]
    with own_fonts_only(), warnings.catch_warnings():
        warnings.simplefilter("always", HexterraWarning)
        result = CliRunner(charset="latin-1").invoke(main, words, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert "\\u6771 é\n" in result.output
    assert "hexterra: no font on this machine has" in result.output


def test_a_title_with_line_breaks_can_be_set(ground: Path, tmp_path: Path) -> None:
    """What a shell hands over becomes one line."""
    words = ["plan", str(ground), "--out", str(tmp_path / "plan"), "--set", "title=one\x7f\ntwo"]
    words += ["--set", "board.columns=4", "--set", "board.rows=3", "--set", "fit.effort=instant"]
    result = CliRunner().invoke(main, words, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert "one two" in result.output


def test_a_file_name_that_is_no_utf8_is_answered(tmp_path: Path) -> None:
    """GDAL takes names as UTF-8; the message shows the name, without a traceback."""
    path = tmp_path / "bad\udcff.tif"
    try:
        path.write_bytes(b"")
    except OSError:
        pytest.skip("this file system holds no such names")
    result = CliRunner().invoke(main, ["inspect", str(path)])
    assert result.exit_code == 10
    assert "is not text in UTF-8" in result.output
    assert "rename the file" in result.output


# Letters -----------------------------------------------------------------------------------------


def test_what_no_font_has_is_a_square() -> None:
    """Letters become squares, accents on them go; plain words stay, and nothing is said of them."""
    with own_fonts_only():
        assert lettering.shown("a 東\u0940京") == "a □□"
        assert lettering.shown("Żółć") == "Żółć"
        assert lettering.missing_letters("Żółć") == ""
        assert "東 (U+6771)" in lettering.missing_letters("東")
        assert lettering.text_width("東", 10.0) == lettering.text_width("□", 10.0)


@pytest.mark.parametrize(
    ("words", "is_plain"),
    [("Żółć 1:25 000", True), ("", True), ("שלום", False), ("نهر", False), ("q\u0301", False)],
)
def test_plain_words_are_those_set_letter_by_letter(words: str, is_plain: bool) -> None:
    """What runs from right to left, joins, or has loose accents is not."""
    assert lettering.is_plain(words) == is_plain


shapes = pytest.mark.skipif(
    not hasattr(ft2font, "__libraqm_version__"), reason="matplotlib shapes text from 3.11 on"
)


@shapes
@pytest.mark.parametrize("words", ["Vale", "نهر النيل", "שלום (world) 12"])
def test_outlines_are_as_wide_as_another_shaper_says(words: str) -> None:
    """Pillow, which shapes with HarfBuzz on its own, measures the same width."""
    from PIL import ImageFont, features

    if not features.check("raqm"):
        pytest.skip("this Pillow does not shape text")
    font = ImageFont.truetype(lettering.own_font(), 1000, layout_engine=ImageFont.Layout.RAQM)
    assert lettering.outlines(words)[0] == pytest.approx(font.getlength(words) / 1000.0, abs=0.05)


@shapes
def test_hebrew_runs_from_right_to_left() -> None:
    """The last letter of a word stands leftmost, drawn as it is drawn alone."""
    (_, word), (width, last) = lettering.outlines("אל"), lettering.outlines("ל")
    in_word = np.concatenate([points for _, points in word])
    alone = np.concatenate([points for _, points in last])
    leftmost = in_word[in_word[:, 0] < width]
    assert leftmost.min(axis=0) == pytest.approx(alone.min(axis=0), abs=0.02)
    assert leftmost[:, 1].max() == pytest.approx(alone[:, 1].max(), abs=0.02)


# Formulas ----------------------------------------------------------------------------------------


@settings(derandomize=True, deadline=None)
@given(st.lists(st.one_of(ANY.map(cleaned), st.sampled_from(WORDS).map(cleaned)), min_size=1))
def test_no_text_is_a_formula_and_all_is_read_back(texts: list[str]) -> None:
    """A spreadsheet runs what begins with one of = + - @; numbers keep their signs."""
    frame = pd.DataFrame({"names": texts, "residual_m": [-1.5] * len(texts)})
    text = csv_text(frame)
    raw = list(csv.DictReader(io.StringIO(text, newline="")))
    assert not any(row["names"].startswith(("=", "+", "-", "@", "\t", "\r")) for row in raw)
    assert {row["residual_m"] for row in raw} == {"-1.500"}
    assert [row["names"] for row in CsvReader(io.StringIO(text, newline=""))] == texts


def test_formulas_are_marked_by_hand() -> None:
    """One apostrophe precedes what begins so, one more before what has one; no others do."""
    texts = ["=1", "'=1", "'tis", "a=1", ""]
    rows = csv_text(pd.DataFrame({"a": texts, "b": 1})).splitlines()
    assert rows == ["a,b", "'=1,1", "''=1,1", "'tis,1", "a=1,1", ",1"]
