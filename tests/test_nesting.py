"""Layouts of hexagons on sheets: against geometry (shapely), brute force and counts by hand."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import STRtree
from shapely.geometry import LineString, Polygon, box

from hexterra.brief.bench_sections import FoamBrief
from hexterra.errors import StockError
from hexterra.lattice.hexagon import Part
from hexterra.stages.schedule.schedule import Schedule, schedule
from hexterra.workshop.sheets.facing_sheets import facing_nests
from hexterra.workshop.sheets.foam import foam
from hexterra.workshop.sheets.nesting import FACINGS, Nest, nest, part_shapes
from hexterra.workshop.sheets.slots import SLOT_PARTS
from hexterra.workshop.solids.facings import facings
from tests.bench_tables import sheet_of
from tests.invented_boards import invented_board

NEAR_MM = 1e-6


def check(result: Nest, joints_mm: tuple[float, ...] = ()) -> None:
    """Check with shapely that all pieces are there, on the sheet, and a kerf apart."""
    margin_mm, size = result.margin_mm, result.stock
    usable = box(
        margin_mm, margin_mm, size.length_mm - margin_mm, size.width_mm - margin_mm
    ).buffer(NEAR_MM)
    joints = [LineString([(x, 0.0), (x, size.width_mm)]) for x in joints_mm]
    shapes = dict(zip(SLOT_PARTS, part_shapes(result.across_flats_mm), strict=True))
    counts: Counter[str] = Counter()
    for sheet in result.sheets:
        outlines = [Polygon(sheet.outline_mm(i)) for i in range(sheet.n_pieces)]
        for part, outline in zip(sheet.parts, outlines, strict=True):
            assert usable.covers(outline)
            assert math.isclose(outline.area, shapes[part].area, rel_tol=1e-9)
            for joint in joints:
                assert outline.distance(joint) >= result.kerf_mm / 2.0 - NEAR_MM
                assert not outline.buffer(-NEAR_MM).intersects(joint)
        shrunk = [outline.buffer(-NEAR_MM) for outline in outlines]
        one, other = STRtree(shrunk).query(shrunk, predicate="dwithin", distance=result.kerf_mm)
        assert (one == other).all()
        counts.update(sheet.parts)
    wanted = dict(zip(SLOT_PARTS, result.counts, strict=True))
    assert counts == Counter({part: n for part, n in wanted.items() if n})


def packing_bound(result: Nest) -> int:
    """Return a number of sheets that no layout on interlocked hexagons can do without.

    The greatest of the bound by area and kerf, the sheets that the wholes alone take at the best
    regular packing, and those that all pieces take by area at the most that a layout holds. Parts
    are counted as if they fitted any room of their area, so no layout need reach it.
    """
    bounds = [result.area_bound]
    if result.sheets:
        bounds.append(math.ceil(result.n_whole_equivalents / result.most_per_sheet - 1e-9))
    if result.counts[0]:
        bounds.append(math.ceil(result.counts[0] / result.n_whole_per_sheet))
    return max(bounds)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    st.tuples(*[st.integers(0, n) for n in (90, 40, 40, 30)]),
    st.floats(40.0, 140.0),
    st.floats(0.0, 8.0),
    st.floats(0.0, 20.0),
    st.sampled_from([(1250.0, 600.0), (600.0, 400.0), (417.0, 903.0)]),
    st.booleans(),
)
def test_nothing_overlaps_or_leaves_the_sheet(counts, flats_mm, kerf_mm, margin_mm, size, joint):
    """Whatever is laid out is there once, inside the margins, a kerf apart, and off the joints."""
    joints_mm = (0.55 * size[0],) if joint else ()
    result = nest(
        dict(zip(SLOT_PARTS, counts, strict=True)),
        flats_mm,
        sheet_of(30.0, *size),
        kerf_mm=kerf_mm,
        margin_mm=margin_mm,
        joints_mm=joints_mm,
    )
    check(result, joints_mm)
    assert result.n_sheets >= packing_bound(result) >= result.area_bound


def best_by_trial(size_mm: tuple[float, float], flats_mm: float, kerf_mm: float) -> int:
    """Count the hexagons of regular lattices with both facings at very many offsets."""
    best = 0
    pitch_mm = flats_mm + kerf_mm
    row_mm = pitch_mm * math.sqrt(3.0) / 2.0
    for length_mm, width_mm in (size_mm, size_mm[::-1]):
        reach_x, reach_y = flats_mm / 2.0, flats_mm / math.sqrt(3.0)
        for shift_x in np.linspace(0.0, pitch_mm, 41):
            x = np.arange(-2, length_mm / pitch_mm + 3) * pitch_mm + shift_x
            rows = [
                int(((s >= reach_x - 1e-9) & (s <= length_mm - reach_x + 1e-9)).sum())
                for s in (x + reach_x, x + reach_x + pitch_mm / 2.0)
            ]
            for shift_y in np.linspace(0.0, 2.0 * row_mm, 41):
                y = np.arange(-2, width_mm / row_mm + 3) * row_mm + shift_y + reach_y
                fits = (y >= reach_y - 1e-9) & (y <= width_mm - reach_y + 1e-9)
                for first in (0, 1):
                    n_first, n_second = fits[first::2].sum(), fits[1 - first :: 2].sum()
                    best = max(best, rows[0] * int(n_first) + rows[1] * int(n_second))
    return best


@pytest.mark.parametrize(
    ("size", "flats_mm", "kerf_mm"),
    [
        *itertools.product([(1250.0, 600.0)], (45.0, 60.0, 75.0, 100.0, 150.0, 200.0), (1.0, 3.0)),
        *itertools.product([(600.0, 400.0), (2500.0, 1200.0)], (50.0, 100.0, 120.0), (2.0,)),
    ],
)
def test_equal_hexagons_are_packed_as_well_as_any_regular_lattice(size, flats_mm, kerf_mm):
    """No offset of a regular lattice, of 1681 for each facing, holds more than a full sheet."""
    result = nest({"whole": 1000}, flats_mm, sheet_of(30.0, *size), kerf_mm=kerf_mm, margin_mm=5.0)
    usable = (size[0] - 10.0, size[1] - 10.0)
    best = best_by_trial(usable, flats_mm, kerf_mm)
    assert result.n_whole_per_sheet >= best
    full = [sheet.n_pieces for sheet in result.sheets[:-1]]
    assert all(n == result.n_whole_per_sheet for n in full)


def test_a_full_sheet_by_hand():
    """On 1240 x 590 mm hexagons of 100 mm with a kerf of 2 mm lie in rows of 12 and 11.

    12 x 102 - 2 = 1222 mm and 1222 - 51 mm fit 1240 mm; six rows take 2 x 57.735 + 5 x 88.335 =
    557.1 mm of 590.
    """
    result = nest({"whole": 69}, 100.0, sheet_of(30.0), kerf_mm=2.0, margin_mm=5.0)
    assert result.n_whole_per_sheet == 69
    assert result.n_sheets == 1
    assert math.isclose(result.used_share, 69 * 8660.254 / (1250 * 600), rel_tol=1e-6)


def test_the_rim_of_a_full_sheet_takes_halves_for_nothing():
    """Beside those 69 hexagons, halves lie where the sheet's edge cuts the lattice.

    The rows of 11 have half a hexagon left at both ends; a seventh row centred on the edge needs
    590 >= 57.735 + 6 x 88.335 = 587.7 mm and has 11 slots for side-cut halves.
    """
    counts: dict[Part, int] = {"whole": 69, "corner-cut half": 6, "side-cut half": 11}
    result = nest(counts, 100.0, sheet_of(30.0), kerf_mm=2.0, margin_mm=5.0)
    check(result)
    assert result.n_sheets == 1


@pytest.mark.parametrize(
    ("part", "size"),
    [("corner-cut half", (102.0, 115.5)), ("side-cut half", (100.0, 117.5))],
)
def test_two_halves_share_a_slot_only_with_a_kerf_between(part, size):
    """A sheet of one hexagon's size holds one half; one that is a kerf longer holds two."""
    options: dict[str, Any] = {"kerf_mm": 2.0, "margin_mm": 0.0, "facings": ("points",)}
    roomy = nest({part: 2}, 100.0, sheet_of(30.0, *size), **options)
    check(roomy)
    assert roomy.n_sheets == 1
    tight = nest({part: 2}, 100.0, sheet_of(30.0, 100.0, 115.5), **options)
    check(tight)
    assert tight.n_sheets == 2


def test_four_quarters_share_a_slot():
    """With a kerf both ways a hexagon's room takes its four quarters."""
    options: dict[str, Any] = {"kerf_mm": 2.0, "margin_mm": 0.0, "facings": ("points",)}
    result = nest({"quarter": 4}, 100.0, sheet_of(30.0, 102.0, 117.5), **options)
    check(result)
    assert result.n_sheets == 1


def test_area_bound_by_hand():
    """Without a kerf ten hexagons of 8660 mm2 take more than one sheet of 80 000 mm2, not two."""
    sheet = sheet_of(30.0, 400.0, 200.0)
    assert nest({"whole": 10}, 100.0, sheet, kerf_mm=0.0, margin_mm=0.0).area_bound == 2
    assert nest({"whole": 9}, 100.0, sheet, kerf_mm=0.0, margin_mm=0.0).area_bound == 1
    assert nest({}, 100.0, sheet, kerf_mm=1.0, margin_mm=5.0).area_bound == 0


def test_area_bound_counts_the_kerf_by_hand():
    """With a kerf of 4 mm nine hexagons no longer go by area into 400 x 200 mm.

    Grown by 2 mm a hexagon has 8660 + 2 x 346.4 + 12.6 = 9366 mm2, the sheet 82 413 mm2.
    """
    sheet = sheet_of(30.0, 400.0, 200.0)
    assert nest({"whole": 8}, 100.0, sheet, kerf_mm=4.0, margin_mm=0.0).area_bound == 1
    assert nest({"whole": 9}, 100.0, sheet, kerf_mm=4.0, margin_mm=0.0).area_bound == 2


def mixed_board(seed: int, random: np.random.Generator) -> Schedule:
    """Schedule a board of any size, of either facing, one in five with whole edges."""
    return schedule(
        invented_board(
            seed,
            int(random.integers(4, 31)),
            int(random.integers(4, 21)),
            facing=FACINGS[seed % 2],
            edges="whole" if seed % 5 == 4 else "straight",
        )
    )


@pytest.mark.parametrize("seed", range(20))
def test_sheets_are_within_one_of_the_packing_bound_on_mixed_boards(seed):
    """Twenty boards of all sizes, with parts, spacers and footings, sliced and unsliced foam."""
    random = np.random.default_rng(seed)
    pieces = mixed_board(seed, random)
    length_mm = float(random.uniform(700.0, 2500.0))
    width_mm = float(random.uniform(400.0, 1200.0))
    stocks = (
        FoamBrief(kerf_mm=float(random.uniform(0.5, 3.0))),
        FoamBrief(
            sheets=tuple(
                sheet_of(thickness, length_mm, width_mm) for thickness in (7.5, 15.0, 30.0)
            ),
            slicing="none",
        ),
    )
    for stock in stocks:
        for result in foam(pieces, stock).nests:
            check(result)
            assert result.n_sheets <= packing_bound(result) + 1


@pytest.mark.parametrize("seed", range(20))
def test_common_sheets_are_within_one_of_the_area_bound_on_mixed_boards(seed):
    """Foam and facings of twenty boards, parts among them, against area and kerf alone."""
    pieces, stock = mixed_board(seed, np.random.default_rng(seed)), FoamBrief()
    laid_out = (*foam(pieces, stock).nests, *facing_nests(facings(pieces), stock))
    assert laid_out
    for result in laid_out:
        assert result.n_sheets <= result.area_bound + 1


def test_grain_keeps_one_facing():
    """Only the facings that are allowed occur, and each holds what it holds alone."""
    for number, facing in enumerate(FACINGS):
        counts: dict[Part, int] = {"whole": 100, "corner-cut half": 9, "side-cut half": 9}
        result = nest(counts, 100.0, sheet_of(30.0), kerf_mm=2.0, margin_mm=5.0, facings=(facing,))
        check(result)
        assert all((sheet.facing == number).all() for sheet in result.sheets)
        assert result.n_whole_per_sheet == (69, 65)[number]  # 12 + 11 six times; 5 thirteen times


def test_the_same_pieces_are_laid_out_alike():
    """Equal input gives an equal digest."""
    counts: dict[Part, int] = {
        "whole": 150,
        "corner-cut half": 20,
        "side-cut half": 31,
        "quarter": 4,
    }
    one, other = (nest(counts, 100.0, sheet_of(30.0), kerf_mm=1.0, margin_mm=5.0) for _ in range(2))
    assert one.digest == other.digest


def test_the_thinnest_kerf_is_as_none():
    """The least number above 0 does as 0, on sheets of one hexagon or of many."""
    for size in ((1250.0, 600.0), (130.0, 130.0)):
        none, least = (
            nest({"whole": 9}, 100.0, sheet_of(30.0, *size), kerf_mm=kerf_mm, margin_mm=5.0)
            for kerf_mm in (0.0, 5e-324)
        )
        assert none.n_sheets == least.n_sheets


def test_a_piece_larger_than_the_sheet_is_refused():
    """The message tells the sizes of both."""
    with pytest.raises(StockError, match=r"700 mm across flats.*1250 x 600 mm") as caught:
        nest({"whole": 1}, 700.0, sheet_of(30.0), kerf_mm=1.0, margin_mm=5.0)
    assert caught.value.facts["across_flats_mm"] == 700.0


def test_joints_can_leave_no_room():
    """Where joints cut a sheet too small, the message names them."""
    with pytest.raises(StockError, match="and its joints"):
        nest(
            {"whole": 1},
            300.0,
            sheet_of(30.0),
            kerf_mm=1.0,
            margin_mm=5.0,
            joints_mm=(250.0, 500.0, 750.0, 1000.0),
        )
