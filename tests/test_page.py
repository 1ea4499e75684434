"""The page: what is packed is what the tables say, and nothing of a plan can run or reach out."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import re
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hexterra.brief.brief import Brief
from hexterra.errors import ArgumentError, OutputError
from hexterra.outputs.plan_files import write_page, write_plan
from hexterra.outputs.reopen import read_plan
from hexterra.page.pack import decoded, encoded, packed, unpacked
from hexterra.page.page import page_html
from hexterra.plan.plan import Plan
from tests.command_line import run
from tests.small_plans import small_plan

HOSTILE = '</script><script>alert(1)</script><img src=x onerror=alert(2)> =1+1 " & $policy'


@cache
def small_page() -> str:
    """Give the page of the small plan."""
    return page_html([small_plan()])


def hostile_plan() -> Plan:
    """Give a plan whose title is markup, script, a formula and a placeholder of the template."""
    plan = small_plan()
    return replace(plan, brief=plan.brief.changed({"title": HOSTILE}))


class Parts(HTMLParser):
    """Scripts, styles and attributes of a page, as a reader of HTML finds them."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: dict[str, list[str]] = {}
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        """Note the text of an element."""
        if self.tags:
            self.texts.setdefault(self.tags[-1][0], []).append(data)


def sides(bits: int) -> str:
    """Write the bits of a byte as the tables write sides."""
    return " ".join(str(side) for side in range(6) if bits >> side & 1)


@pytest.mark.parametrize("facing", ["points", "flats"])
def test_what_is_packed_is_what_the_table_says(facing: Any) -> None:
    """Every cell of the packed plan agrees with its row of tiles.csv."""
    plan = small_plan(facing)
    head, arrays = unpacked(decoded(encoded(packed(plan, "small"))))
    rows = list(csv.DictReader(io.StringIO(arrays["tiles.csv"].tobytes().decode())))
    assert head["labels"].split(" ") == [row["cell"] for row in rows]
    for cell, row in enumerate(rows):
        shape = head["shapes"][arrays["shape"][cell]]["rises"]
        level = int(arrays["level"][cell])
        assert row["corners"] == " ".join(str(level + rise) for rise in shape)
        assert row["level"] == str(level)
        assert [float(row["x_mm"]), float(row["y_mm"])] == pytest.approx(
            arrays["centre_mm"][cell].tolist(), abs=1e-3
        )
        assert float(row["height_m"]) == pytest.approx(float(arrays["ground_m"][cell]), abs=1e-3)
        assert row["piece"] == head["pieces"][arrays["piece"][cell]]["piece"]
        assert row["turn"] == str(arrays["turn"][cell])
        assert row["footing"] == head["pieces"][arrays["footing"][cell]]["piece"]
        assert row["spacers"] == " ".join(f"{mm:g}" for mm in head["stacks_mm"][level])
        assert row["cliffs"] == sides(int(arrays["cliff"][cell]))
        assert row["outflow"] == ("" if (out := arrays["outflow"][cell]) < 0 else str(out))
        widths = arrays["width"][cell]
        assert row["widths"] == (" ".join(map(str, widths)) if widths.any() else "")


def test_the_schedule_of_the_page_counts_what_stands() -> None:
    """The pieces of the page are the rows of schedule.csv, each as often as cells use it."""
    plan = small_plan()
    head, arrays = unpacked(packed(plan, ""))
    rows = list(csv.DictReader(io.StringIO(arrays["schedule.csv"].tobytes().decode())))
    assert [(r["kind"], r["piece"], int(r["count"])) for r in rows] == [
        (p["kind"], p["piece"], p["count"]) for p in head["pieces"]
    ]
    counts = np.bincount(arrays["piece"], minlength=len(rows))
    tiles = [(k, p["count"]) for k, p in enumerate(head["pieces"]) if p["kind"] == "tile"]
    assert [counts[k] for k, _ in tiles] == [count for _, count in tiles]


@given(st.binary(max_size=500))
def test_packed_bytes_come_back(data: bytes) -> None:
    """Compressing and writing as text loses nothing."""
    assert decoded(encoded(data)) == data


def test_the_policy_lets_the_viewer_run_and_nothing_else() -> None:
    """The hashes of the policy are those of the one script and the one style (CSP Level 3, 6.7)."""
    parts = Parts(small_page())
    [policy] = [a["content"] for _, a in parts.tags if "http-equiv" in a]
    assert policy is not None
    directives = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert directives["default-src"] == "'none'"
    assert "unsafe" not in policy
    text = {
        "script-src": re.search(r'<script type="module">(.*?)</script>', small_page(), re.DOTALL),
        "style-src": re.search(r"<style>(.*?)</style>", small_page(), re.DOTALL),
    }
    for directive, found in text.items():
        assert found is not None
        digest = base64.b64encode(hashlib.sha256(found[1].encode()).digest()).decode()
        assert directives[directive] == f"'sha256-{digest}'"


def test_the_page_names_no_other_place() -> None:
    """No attribute leads out of the page, and no style loads anything."""
    parts = Parts(small_page())
    links = [a[key] for _, a in parts.tags for key in ("src", "href", "action") if key in a]
    assert links == ["data:,"]
    assert "url(" not in "".join(parts.texts["style"])
    assert "@import" not in "".join(parts.texts["style"])


def test_names_are_never_markup() -> None:
    """A title made of markup adds no element and no attribute to the page."""
    page = page_html([hostile_plan()])
    assert [tag for tag, _ in Parts(page).tags] == [tag for tag, _ in Parts(small_page()).tags]
    assert HOSTILE not in page


def test_a_page_is_small() -> None:
    """A page of 408 cells has less than 1.2 MB, and at that rate one of 10,000 less than 4 MB."""
    plan = small_plan(columns=24, rows=17)
    size = len(page_html([plan]).encode())
    assert size < 1_200_000
    packed_size = len(encoded(packed(plan)))
    assert size - packed_size + packed_size / plan.board.n_cells * 10_000 < 4_000_000


def test_equal_plans_make_equal_pages(tmp_path: Path) -> None:
    """The page of a plan that was opened again is the page that was written with it."""
    write_plan(small_plan(), tmp_path / "plan", extras=["page"])
    written = (tmp_path / "plan" / "page.html").read_text()
    assert written == small_page() == page_html([read_plan(tmp_path / "plan")])


def test_the_command_adds_a_page_to_a_plan(tmp_path: Path) -> None:
    """`hexterra page` puts the page into the folder, and several plans into one file."""
    write_plan(small_plan(), tmp_path / "one")
    assert run("page", tmp_path / "one").exit_code == 0
    assert (tmp_path / "one" / "page.html").read_text() == small_page()
    assert run("verify", tmp_path / "one").exit_code == 0
    write_plan(small_plan(), tmp_path / "other")
    both = tmp_path / "both.html"
    assert run("page", tmp_path / "one", tmp_path / "other", "--out", both).exit_code == 0
    assert both.read_text().count('class="plan"') == 2
    assert "give --out" in run("page", tmp_path / "one", tmp_path / "other").output


def test_another_file_is_not_replaced_unasked(tmp_path: Path) -> None:
    """A file with other content stays unless it may be replaced."""
    path = tmp_path / "notes.html"
    path.write_text("mine")
    with pytest.raises(OutputError, match="is there already"):
        write_page(small_plan(), path, replace=False)
    assert path.read_text() == "mine"


@pytest.mark.parametrize(("plans", "names"), [([], []), ([small_plan], ["one", "two"])])
def test_names_and_plans_must_agree(tmp_path: Path, plans: list[Any], names: list[str]) -> None:
    """A page needs a plan, and a name for each or none."""
    with pytest.raises(ArgumentError, match="at least one plan"):
        write_page([make() for make in plans], tmp_path / "page.html", names=names)


def test_what_is_no_plan_is_refused(tmp_path: Path) -> None:
    """A brief is not shown as a plan."""
    with pytest.raises(ArgumentError, match="must be a Plan"):
        write_page([Brief()], tmp_path / "page.html")  # pyright: ignore[reportArgumentType]
