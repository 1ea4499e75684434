"""What base and facings are cut from: layouts against shapely, sums against bodies, by hand."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from functools import cache
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from hexterra.brief.bench_sections import BaseBrief, FoamBrief, SheetBrief
from hexterra.errors import StockError
from hexterra.stages.schedule.schedule import Schedule, schedule
from hexterra.workshop.estimate.estimate import estimate
from hexterra.workshop.sheets.facing_sheets import facing_nests, facing_passes, facing_solids
from hexterra.workshop.sheets.foam import foam
from hexterra.workshop.sheets.lengths import cut_lengths, equal_parts
from hexterra.workshop.sheets.rectangles import Rectangle, RectangleNest, nest_rectangles
from hexterra.workshop.sheets.wood import wood
from hexterra.workshop.solids.base import base
from hexterra.workshop.solids.bodies import base_bodies, facing_body
from hexterra.workshop.solids.facings import FacingPiece, facings
from tests.bench_tables import sheet_of
from tests.invented_boards import invented_board

SIDE_MM = 100.0 / math.sqrt(3.0)


def framed(**settings: float) -> BaseBrief:
    """Ask for a frame and small panels."""
    return BaseBrief(frame_width_mm=20.0, panel_length_mm=500.0, panel_width_mm=400.0, **settings)


@cache
def pieces() -> Schedule:
    """Schedule a rough, wet board with cliffs."""
    return schedule(invented_board(3, 14, 11, is_rough=True, cliff_steps=2.0))


# Rectangles ------------------------------------------------------------------------------------


def check(nest: RectangleNest) -> None:
    """Check that all rectangles are there, inside the margins, and a kerf apart."""
    margin_mm, stock = nest.margin_mm, nest.stock
    usable = box(margin_mm, margin_mm, stock.length_mm - margin_mm, stock.width_mm - margin_mm)
    for sheet in nest.sheets:
        lying = [box(p.x_mm, p.y_mm, p.x_mm + p.length_mm, p.y_mm + p.width_mm) for p in sheet]
        assert all(usable.buffer(1e-5).covers(one) for one in lying)
        assert all(
            one.distance(other) >= nest.kerf_mm - 1e-5 for one, other in combinations(lying, 2)
        )
        for place in sheet:
            one = nest.rectangles[place.of]
            assert sorted((one.length_mm, one.width_mm)) == sorted(
                (place.length_mm, place.width_mm)
            )
    counts = Counter(place.of for sheet in nest.sheets for place in sheet)
    assert counts == Counter({of: one.count for of, one in enumerate(nest.rectangles)})


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    st.lists(
        st.builds(
            Rectangle,
            st.just("a panel"),
            st.floats(20.0, 390.0),
            st.floats(20.0, 590.0),
            st.integers(1, 9),
        ),
        min_size=1,
        max_size=6,
    ),
    st.floats(0.0, 5.0),
    st.floats(0.0, 5.0),
)
def test_rectangles_lie_apart_on_sheets(rectangles, kerf_mm, margin_mm):
    """Whatever is laid out is there once, and takes no fewer sheets than its area does."""
    sheet = sheet_of(9.0, 600.0, 400.0)
    found = nest_rectangles(rectangles, sheet, kerf_mm=kerf_mm, margin_mm=margin_mm)
    check(found)
    assert found.n_sheets >= found.area_bound


def test_panels_by_hand():
    """Of 2440 x 1220 mm come four panels of 1175 x 462 mm, in two rows; six take two sheets.

    2 x 1175 + 3 = 2353 mm fit 2440; 2 x 462 + 3 = 927 mm fit 1220, and a third row does not. On
    each sheet a cut frees each row, and one each panel.
    """
    sheet = SheetBrief(thickness_mm=9.0, length_mm=2440.0, width_mm=1220.0, price=28.0)
    found = nest_rectangles([Rectangle("a panel", 1175.0, 462.0, 6)], sheet, kerf_mm=3.0)
    assert [len(lying) for lying in found.sheets] == [4, 2]
    assert found.n_cuts == (2 + 4) + (1 + 2)
    assert found.price == 56.0


def test_a_row_takes_lower_rectangles_for_a_cut_more():
    """A rectangle of 50 mm beside one of 80 needs a cut along it."""
    held = [Rectangle("a panel", 100.0, 80.0, 1), Rectangle("a panel", 100.0, 50.0, 1)]
    found = nest_rectangles(held, sheet_of(9.0, 300.0, 100.0), kerf_mm=3.0)
    assert found.n_sheets == 1
    assert found.n_cuts == 1 + 2 + 1


def test_a_long_rectangle_is_turned():
    """What fits the sheet only across it is laid so."""
    found = nest_rectangles(
        [Rectangle("a panel", 90.0, 580.0, 3)], sheet_of(9.0, 300.0, 600.0), kerf_mm=1.0
    )
    check(found)
    assert found.n_sheets == 1


def test_a_panel_larger_than_its_sheet_is_refused():
    """The message tells both sizes."""
    with pytest.raises(StockError, match=r"500\.0 x 400\.0 mm does not fit a sheet of 450 x 390"):
        nest_rectangles(
            [Rectangle("a panel", 500.0, 400.0, 1)], sheet_of(9.0, 450.0, 390.0), kerf_mm=1.0
        )


# Lengths ---------------------------------------------------------------------------------------


@settings(derandomize=True, deadline=None)
@given(st.lists(st.floats(10.0, 1000.0), max_size=30), st.floats(0.0, 5.0))
def test_lengths_fit_their_bars(lengths, kerf_mm):
    """Every length is sawn once, no bar is over-full, and no two bars are half empty."""
    found = cut_lengths(lengths, 1000.0, kerf_mm)
    assert sorted(length for bar in found.bars for length in bar) == sorted(lengths)
    used = [sum(bar) + (len(bar) - 1) * kerf_mm for bar in found.bars]
    assert all(each <= 1000.0 + 1e-5 for each in used)
    assert sum(each < 500.0 - kerf_mm for each in used) <= 1
    assert found.n_bars >= math.ceil(sum(lengths) / 1000.0 - 1e-9)


def test_lengths_by_hand():
    """1000 mm give 600 + 397 at a kerf of 3, and nothing is left to cut off after the second."""
    found = cut_lengths([397.0, 600.0, 500.0], 1000.0, 3.0)
    assert found.bars == ((600.0, 397.0), (500.0,))
    assert found.n_cuts == 2
    assert equal_parts(2500.0, 1000.0) == (2500.0 / 3.0,) * 3
    assert equal_parts(1000.0, 1000.0) == (1000.0,)


# Wood ------------------------------------------------------------------------------------------


def test_wood_is_what_the_bodies_hold():
    """Volumes of panels, frame and rails are those of the bodies of the base."""
    under = base(pieces(), framed(wood_density_kg_per_m3=500.0))
    made = wood(under)
    volumes: defaultdict[str, float] = defaultdict(float)
    for body in base_bodies(under):
        kind = {"panel": "panels", "bar": "frame", "rail": "rails"}[body.name.split()[0]]
        volumes[kind] += body.count * body.volume_mm3
    for kind, volume_mm3 in made.volume_mm3.items():
        assert math.isclose(volumes[kind], volume_mm3, rel_tol=1e-6)
        assert math.isclose(made.weights_kg[kind], volume_mm3 * 500.0 / 1e9, rel_tol=1e-9)
    assert made.n_pieces == len(under.panels) + 4 + len(made.rail_lengths_mm)


def test_rails_come_in_pairs_from_strips():
    """A strip is cut into lengths, and each from corner to corner into two rails."""
    made = wood(base(pieces(), framed()))
    from_strips = Counter(
        {length: 2 * n for length, n in Counter(sum(made.strips.bars, ())).items()}
    )
    for length, count in Counter(made.rail_lengths_mm).items():
        assert count <= from_strips[length] <= count + 1
    assert math.isclose(made.strip_mm**2, 2.0 * made.base.rail_mm**2)
    n_across = made.panels.n_cuts + made.bars.n_cuts + made.strips.n_cuts
    assert made.n_saw_cuts == n_across + made.strips.n_lengths


def test_what_is_longer_than_a_bar_is_joined():
    """With bars of 300 mm every length is shorter, and the frame is as long as before."""
    whole, joined = (
        wood(base(pieces(), framed(bar_length_mm=length))) for length in (2400.0, 300.0)
    )
    assert math.isclose(whole.bars.total_mm, joined.bars.total_mm)
    assert max(sum(joined.bars.bars, ())) <= 300.0
    assert joined.n_joints > whole.n_joints


def test_prices_of_wood_by_hand():
    """A price for each of what must be bought; what is unknown stays so."""
    prices = {"sheet_price": 20.0, "bar_price": 3.0}
    made = wood(base(pieces(), framed(**prices)))
    assert made.prices == {
        "panels": 20.0 * made.panels.n_sheets, "frame": 3.0 * made.bars.n_bars, "rails": None
    }  # fmt: skip
    assert set(wood(base(pieces(), BaseBrief(**prices))).prices) == {"panels", "rails"}


def test_work_on_the_base_is_timed():
    """A frame takes more cuts of the saw and more glue, all else alike."""
    plain = estimate(foam(pieces()))
    framed = estimate(foam(pieces()), base=base(pieces(), BaseBrief(frame_width_mm=20.0)))
    assert framed.amounts.n_saw_cuts == plain.amounts.n_saw_cuts + framed.wood.bars.n_cuts
    assert framed.amounts.n_joints == plain.amounts.n_joints + framed.wood.bars.n_lengths
    assert framed.hours > plain.hours
    assert framed.minutes["cutting"] == plain.minutes["cutting"]


# Facings ---------------------------------------------------------------------------------------


def test_an_upright_facing_by_hand():
    """Around a face of 57.7 x 15 mm the wire makes four passes."""
    piece = FacingPiece("land", SIDE_MM, 15.0, 15.0, 0.0, 1)
    n_passes, wire_mm = facing_passes(piece, facing_body(piece, thickness_mm=3.0))
    assert (n_passes, wire_mm) == (4, pytest.approx(2.0 * SIDE_MM + 30.0))


def test_a_leaning_triangle_by_hand():
    """A face that ends in nothing has three edges; leaning by 45 degrees is a pass more."""
    piece = FacingPiece("land", SIDE_MM, 15.0, 0.0, 45.0, 1)
    n_passes, wire_mm = facing_passes(piece, facing_body(piece, thickness_mm=3.0))
    around = SIDE_MM + 15.0 + math.hypot(SIDE_MM, 15.0)
    assert (n_passes, wire_mm) == (4, pytest.approx(around + 15.0 * math.sqrt(2.0)))


@pytest.mark.parametrize("batter_deg", [0.0, 20.0])
def test_every_facing_has_a_blank(batter_deg):
    """Blanks are as large as the facings, lie apart, and come from sheets thick enough."""
    stock = FoamBrief(facing_mm=4.0)
    faces = facings(pieces(), batter_deg=batter_deg)
    nests = facing_nests(faces, stock)
    blanks = Counter[str]()
    thickness_mm = {}
    for nest in nests:
        check(nest)
        for one in nest.rectangles:
            blanks[one.name] += one.count
            thickness_mm[one.name] = nest.stock.thickness_mm
    assert sum(blanks.values()) == faces.n_faces
    for _, body in facing_solids(faces, stock):
        assert thickness_mm[body.name] >= body.size_mm[1] - 1e-9
    if not batter_deg:
        assert [nest.stock.thickness_mm for nest in nests] == [4.0]


def test_facings_are_cut_cleaned_and_glued():
    """Without facings there are fewer cuts and joints, by theirs, and the foam is the same."""
    stocks = FoamBrief(facing_least_mm=0.0), FoamBrief(facing_mm=0.0)
    with_them, bare = (estimate(foam(pieces(), stock)) for stock in stocks)
    cut = [entry for entry in with_them.work if entry.kind == "facing"]
    assert sum(entry.count for entry in cut) == with_them.n_facings == with_them.facings.n_faces
    assert bare.n_facings == 0
    assert bare.amounts.n_pieces == with_them.amounts.n_pieces - with_them.n_facings
    assert bare.amounts.n_joints == with_them.amounts.n_joints - with_them.n_facings
    n_cuts = sum(entry.n_cuts for entry in cut)
    assert bare.amounts.n_cuts == with_them.amounts.n_cuts - n_cuts
    assert bare.weights_kg["facings"] == 0.0 < with_them.weights_kg["facings"]
    assert "facings" in with_them.prices
    assert "facings" not in bare.prices


def test_a_facing_thicker_than_any_sheet_is_refused():
    """A foot that leans out farther than the thickest sheet is named, with its thickness."""
    thin = FoamBrief(sheets=(sheet_of(5.0),))
    with pytest.raises(StockError, match=r"mm thick at its foot; the thickest sheet has 5 mm"):
        facing_nests(facings(pieces(), batter_deg=45.0), thin)
