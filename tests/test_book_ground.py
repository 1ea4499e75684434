"""Tests of roads and cover in the build book, read back with pypdf."""

from __future__ import annotations

import io
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pypdf

from hexterra.brief.brief import Brief
from hexterra.elevation.elevation import read_elevation
from hexterra.plan.pipeline import make_plan
from hexterra.plan.plan import Plan
from hexterra.workshop.book.book import book_pdf
from hexterra.workshop.book.book_words import first_corner
from hexterra.workshop.book.ground_pages import cover_word, road_words
from hexterra.workshop.estimate.estimate import estimate
from hexterra.workshop.sheets.foam import foam

GROUND = Path(__file__).parents[1] / "sample_data"


@cache
def plan() -> Plan:
    """Plan the middle of the sample, with its rivers, roads and areas."""
    brief = Brief.model_validate({
        "board": {"columns": 14, "rows": 10, "scale": 6000.0, "facing": "points"},
        "ramps": {"cliff_rise_steps": 2},
        "water": {"wider_from_km2": [6, 20]},
        "rivers": _map("rivers"),
        "roads": _map("roads") | {"sunken": ["holloway"]},
        "areas": {"file": str(GROUND / "imbleth-areas.geojson"), "kind_field": "kind"},
    })  # fmt: skip
    return make_plan(read_elevation(GROUND / "imbleth.tif"), brief)


def _map(what: str) -> dict[str, object]:
    file = str(GROUND / f"imbleth-{what}.geojson")
    return {"file": file, "kind_field": "kind", "name_field": "name"}


@cache
def pages() -> list[str]:
    """Return the words of each page, with single blanks."""
    data = book_pdf(plan(), estimate(foam(plan().pieces)))
    return [
        " ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(data)).pages
    ]


def under(heading: str) -> str:
    """Return the words of the pages of a heading."""
    found = [
        page for page in pages() if f"{heading} Fumes" in page or f"{heading}, continued" in page
    ]
    assert found, heading
    return " ".join(found)


def test_roads_are_listed_from_cell_to_cell() -> None:
    """Each road is listed with its name and all its cells, each crossing with its cell."""
    roads, names = plan().roads, plan().board.labels
    assert roads is not None
    assert roads.crossings
    listed = under("Roads")
    for way in roads.ways:
        assert f"{way.title} {' > '.join(names[cell] for cell in way.cells.tolist())}" in listed
    for at in roads.crossings:
        assert f"{at.how} {names[at.cell]}, water of width {at.width}" in listed


def test_rows_say_how_roads_run_and_what_covers_the_ground() -> None:
    """The words of each cell are in the row of its number; they name every kind that it has."""
    held, listed = plan(), under("Row by row")
    roads, cover = held.roads, held.cover
    assert roads is not None
    assert cover is not None
    for cell in range(held.board.n_cells):
        words = road_words(held.pieces, roads, cell)
        for kind, ports in zip(roads.kinds, roads.ports[:, cell], strict=True):
            assert (kind in words) >= bool(ports.any())
        assert ("sunken" in words) >= bool(held.pieces.cuts.road[cell].any())
        assert words in listed
        assert (cover_word(cover, cell) == "") == (cover.given[cell] < 0)


def test_plans_name_roads_and_cover() -> None:
    """The plan of roads names each of their cells or the crossing in it, that of cover kinds."""
    held = plan()
    assert held.roads is not None
    assert held.cover is not None
    passages = {at.cell for at in held.roads.crossings}
    drawn = under("Where roads run").split()
    for cell in np.flatnonzero(held.roads.any_ports.any(axis=1)).tolist():
        assert cell in passages or held.board.labels[cell] in drawn
    covers = under("What covers the ground")
    for number, kind in enumerate(held.cover.kinds):
        assert covers.count(kind) == int((held.cover.given == number).sum())


def test_finishing_has_the_length_of_roads_and_the_area_of_cover() -> None:
    """By hand: half the distance across flats a side; sqrt(3)/2 of its square a whole cell."""
    held, bought = plan(), under("What to buy")
    assert held.roads is not None
    assert held.cover is not None
    flats_mm = held.board.across_flats_mm
    for kind, ports in zip(held.roads.kinds, held.roads.ports, strict=True):
        for is_cut, how in ((True, "sunken"), (False, "laid on top")):
            n_halves = int((ports & (held.pieces.cuts.road == is_cut)).sum())
            words = f"{kind}, {how} {n_halves * flats_mm / 2000.0:,.2f} m"
            assert (words in bought) == (n_halves > 0)
    share = {"whole": 1.0, "quarter": 0.25, "left quarter": 0.25, "right quarter": 0.25}
    for number, kind in enumerate(held.cover.kinds):
        cells = np.flatnonzero(held.cover.given == number).tolist()
        shares = sum(share.get(held.board.parts[cell], 0.5) for cell in cells)
        if cells:
            area_cm2 = shares * np.sqrt(3.0) / 2.0 * flats_mm**2 / 100.0
            assert f"{kind} {area_cm2:,.0f} cm²" in bought


def test_parts_of_the_map_name_their_signs() -> None:
    """Below each part of the map stands what its lines and signs mean."""
    held = plan()
    assert held.cover is not None
    parts = [page for page in pages() if "In each hexagon:" in page]
    assert parts
    for kind in held.cover.kinds:
        if (held.cover.given == held.cover.kinds.index(kind)).any():
            assert all(kind in page for page in parts)


def test_flat_tile_with_a_sunken_road_has_a_first_corner() -> None:
    """What is cut across a top says how the tile is turned, on a flat one too."""
    held = plan().pieces
    is_whole = ~held.board.kept.any(axis=1)
    is_dry = held.tiles.legal.water is None or ~held.tiles.legal.water.is_watercourse
    cell = int(np.flatnonzero(is_whole & is_dry & ~held.cuts.road.any(axis=1))[0])
    corners = held.tiles.corners.copy()
    corners[cell] = corners[cell].min()
    held = replace(held, tiles=replace(held.tiles, corners=corners))
    assert first_corner(held, cell) == ""
    road = held.cuts.road.copy()
    road[cell, :2] = True
    tiles = replace(held.tiles, cuts=replace(held.cuts, road=road))
    assert first_corner(replace(held, tiles=tiles), cell)
