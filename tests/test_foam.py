"""Blanks, layers, blocks and sheets: by hand, against brute force, and by conservation."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hexterra.brief.bench_sections import FoamBrief, SheetBrief
from hexterra.errors import StockError
from hexterra.lattice.hexagon import Part
from hexterra.stages.schedule.schedule import Schedule, schedule
from hexterra.workshop.sheets.blocks import MAX_LAYERS, Block, Layer, build_up
from hexterra.workshop.sheets.foam import foam
from hexterra.workshop.sheets.nesting import FACINGS, Nest, nest
from hexterra.workshop.sheets.offcuts import lay_out, reuse_offcuts
from hexterra.workshop.sheets.slots import SLOT_PARTS
from tests.bench_tables import sheet_of
from tests.invented_boards import invented_board


def sheets(*thickness_mm: float, price: float | None = None) -> tuple[SheetBrief, ...]:
    """List sheets of these thicknesses."""
    return tuple(SheetBrief(thickness_mm=thickness, price=price) for thickness in thickness_mm)


@cache
def pieces(facing: str = "points") -> Schedule:
    """Schedule a board with parts, spacers and footings."""
    return schedule(invented_board(3, 14, 11, facing=facing, is_rough=True))


# Layers ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "sheet", FoamBrief().sheets, ids=lambda sheet: f"{sheet.thickness_mm:g} mm"
)
def test_common_sheets_are_of_their_standard(sheet):
    """Each could be declared under EN 13164:2012, the product standard of extruded polystyrene.

    Its clause 1 leaves out boards that resist heat by less than 0.25 m2 K/W or conduct more than
    0.060 W/(m K); so the thinnest that it covers at any conductivity is 15 mm. Table 2 has boards
    below 50 mm, from 50 to 120 mm and above lie at most 2, 3 and 8 mm over nominal in its widest
    class, T1: up to 120 mm none is more than 3 mm off. All from memory.
    """
    assert sheet.thickness_mm / 1000.0 / 0.060 >= 0.25
    assert sheet.thickness_mm <= 120.0  # so that what the module says, at most 3 mm off, holds


def test_a_stock_thickness_is_used_as_it_is():
    """A 30 mm blank is one layer of a true 30 mm sheet."""
    (layer,) = build_up(30.0, FoamBrief(tolerance_mm=0.0))
    assert (layer.thickness_mm, layer.stock_mm, layer.n_slices) == (30.0, 30.0, 1)
    assert not layer.is_sliced


@pytest.mark.parametrize(
    ("thickness_mm", "stock_mm", "n_slices"),
    [
        (15.0, 50.0, 3),  # 3 x 16 = 48, and 2 to spare: 16.7 mm each; 100 gives 6 (96): the same
        (22.5, 50.0, 2),  # 2 x 23.5 = 47: 25 mm each; 100 gives 4 (94): 25 too, but thicker
        (7.5, 80.0, 9),  # 9 x 8.5 = 76.5: 8.9 mm each; 50 gives 5 (42.5): 10, 100 gives 11: 9.1
        (30.0, 100.0, 3),  # 3 x 31 = 93: 33.3 mm each; a sheet of 30 may be 28
    ],
)
def test_slices_lose_the_least_foam_by_hand(thickness_mm, stock_mm, n_slices):
    """With a kerf of 1 mm and sheets up to 2 mm thin, these lose the least to a slice."""
    (layer,) = build_up(thickness_mm, FoamBrief(kerf_mm=1.0))
    assert (layer.stock_mm, layer.n_slices) == (stock_mm, n_slices)
    assert layer.is_sliced


def test_thick_blanks_are_laminated_by_hand():
    """150 mm of 60 mm sheets and thinner takes three layers that add up: 60, 60 and 30."""
    layers = build_up(150.0, FoamBrief(sheets=sheets(20.0, 30.0, 60.0), tolerance_mm=0.0))
    assert [layer.thickness_mm for layer in layers] == [60.0, 60.0, 30.0]


def test_a_thick_blank_is_equal_slices_where_sheets_are_not_true():
    """70 mm of sheets that are 50 mm within 2 mm is two slices of 35 mm, 14 mm to spare."""
    layers = build_up(70.0, FoamBrief(sheets=sheets(50.0)))
    assert [(layer.thickness_mm, layer.n_slices) for layer in layers] == [(35.0, 1)] * 2


def test_a_laminated_blank_takes_a_slice_where_nothing_adds_up():
    """70 mm of 50 mm sheets is one sheet and a slice of 20 mm, two to a sheet."""
    first, second = build_up(70.0, FoamBrief(sheets=sheets(50.0), tolerance_mm=0.0))
    assert (first.thickness_mm, first.n_slices) == (50.0, 1)
    assert (second.thickness_mm, second.stock_mm, second.n_slices) == (20.0, 50.0, 2)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(
    st.lists(st.integers(4, 40), min_size=1, max_size=4, unique=True),
    st.integers(1, 90),
    st.sampled_from(["blocks", "none"]),
    st.sampled_from([0.0, 2.0]),
)
def test_layers_add_up_and_are_the_fewest(stock, thickness, slicing, tolerance_mm):
    """Trying all multisets of sheets finds none smaller: exact, or thick enough to slice."""
    choices = FoamBrief(
        sheets=sheets(*map(float, stock)), slicing=slicing, tolerance_mm=tolerance_mm
    )
    lost_mm = choices.kerf_mm + tolerance_mm
    fewest = next(
        (
            n
            for n in range(1, MAX_LAYERS + 1)
            if (slicing == "blocks" and not tolerance_mm and thickness + 1 <= n * max(stock))
            or (
                slicing == "blocks"
                and tolerance_mm
                and thickness / n + lost_mm <= max(stock) + 1e-9
            )
            or any(
                sum(layers) == thickness
                for layers in itertools.combinations_with_replacement(stock, n)
            )
        ),
        None,
    )
    if fewest is None:
        with pytest.raises(StockError):
            build_up(float(thickness), choices)
        return
    layers = build_up(float(thickness), choices)
    assert len(layers) == fewest
    assert math.isclose(sum(layer.thickness_mm for layer in layers), thickness)
    assert list(layers) == sorted(layers, key=lambda layer: -layer.thickness_mm)
    for layer in layers:
        assert_fits(layer, choices)
        assert layer.stock_mm in stock


def assert_fits(layer: Layer, stock: FoamBrief) -> None:
    """Check that slices and a kerf above each come out of a sheet that is as thin as it may be."""
    if layer.is_sliced:
        taken_mm = layer.n_slices * (layer.thickness_mm + stock.kerf_mm)
        assert taken_mm <= layer.stock_mm - stock.tolerance_mm + 1e-6


def test_stock_that_does_not_add_up_is_refused():
    """The message tells the thickness and the stock."""
    with pytest.raises(StockError, match=r"22.5 mm, which sheets of 20 mm") as caught:
        build_up(22.5, FoamBrief(sheets=sheets(20.0), slicing="none"))
    assert caught.value.facts == {"thickness_mm": 22.5, "stock_mm": (20.0,)}


# Blanks and blocks -----------------------------------------------------------------------------


@pytest.mark.parametrize("facing", FACINGS)
@pytest.mark.parametrize("kind", ["common", "laminated"])
def test_blocks_give_every_piece_its_blank(facing, kind):
    """Counted piece by piece, layers are no more than the blocks on the sheets give."""
    thin = FoamBrief(sheets=sheets(5.0, 12.0), kerf_mm=2.0)
    stock = FoamBrief() if kind == "common" else thin
    result = foam(pieces(facing), stock)
    wanted: Counter[tuple[str, float]] = Counter()
    for piece in pieces(facing).pieces:
        layers = build_up(piece.thickness_mm, stock)
        assert math.isclose(sum(layer.thickness_mm for layer in layers), piece.thickness_mm)
        for layer in layers:
            wanted[piece.part, layer.thickness_mm] += piece.count
    made: Counter[tuple[str, float]] = Counter()
    on_sheets: Counter[tuple[str, float]] = Counter()
    for block in result.blocks:
        layer = block.layer
        assert_fits(layer, stock)
        assert (block.count - 1) * layer.n_slices < block.n_layers <= block.count * layer.n_slices
        made[block.part, layer.thickness_mm] += block.n_layers
        on_sheets[block.part, layer.stock_mm] += block.count
    assert made == wanted
    laid_out = {
        (part, result_nest.stock.thickness_mm): n
        for result_nest in result.nests
        for part, n in zip(SLOT_PARTS, result_nest.counts, strict=True)
        if n
    }
    assert laid_out == dict(on_sheets)
    assert result.n_sheets == sum(len(result_nest.sheets) for result_nest in result.nests)


def test_blanks_count_the_pieces():
    """Blanks of all thicknesses are as many as the pieces."""
    result = foam(pieces())
    assert sum(blank.count for blank in result.blanks) == sum(p.count for p in pieces().pieces)


# Offcuts ---------------------------------------------------------------------------------------


def reuse(*blocks: Block, kerf_mm: float = 1.0) -> tuple[tuple[Block, ...], dict[float, Nest]]:
    """Reuse the offcuts of common sheets, on which 69 hexagons of 100 mm lie."""

    def nest_counts(stock_mm: float, counts: Counter[Part]) -> Nest:
        return nest(counts, 100.0, sheet_of(stock_mm), kerf_mm=kerf_mm, margin_mm=5.0)

    return reuse_offcuts(blocks, lay_out(blocks, nest_counts), nest_counts, kerf_mm)


def test_a_lone_block_moves_to_another_offcut_by_hand():
    """Of 70 blocks of 30 mm the one on the second sheet is sliced from a 50 mm sheet instead."""
    thin, thick = Layer(30.0, 30.0, 1), Layer(50.0, 50.0, 1)
    blocks, nests = reuse(Block("whole", thin, 70), Block("whole", thick, 10))
    assert [(b.layer.stock_mm, b.layer.thickness_mm, b.count) for b in blocks] == [
        (30.0, 30.0, 69),
        (50.0, 30.0, 1),
        (50.0, 50.0, 10),
    ]
    assert {mm: found.n_sheets for mm, found in nests.items()} == {30.0: 1, 50.0: 1}


def test_a_thickness_may_be_given_up_by_hand():
    """Ten layers of 15 mm, three to a block of 50 mm, are four blocks on its half empty sheet."""
    blocks, nests = reuse(
        Block("whole", Layer(15.0, 20.0, 1), 10), Block("whole", Layer(50.0, 50.0, 1), 30)
    )
    assert (blocks[1].n_layers, blocks[1].count) == (30, 30)
    assert (blocks[0].layer.stock_mm, blocks[0].layer.n_slices, blocks[0].count) == (50.0, 3, 4)
    assert list(nests) == [50.0]


def test_thick_layers_stay_where_they_are():
    """A layer of 50 mm cannot come out of a sheet of 30 mm, nor any out of a full sheet."""
    thin, thick = Layer(30.0, 30.0, 1), Layer(50.0, 50.0, 1)
    given_blocks = (Block("whole", thin, 5), Block("whole", thick, 69))
    blocks, nests = reuse(*given_blocks)
    assert blocks == given_blocks
    assert [found.n_sheets for found in nests.values()] == [1, 1]


@pytest.mark.parametrize("seed", range(6))
def test_reuse_never_takes_more_sheets(seed):
    """Layers stay the same, no thickness takes more sheets, and what was saved is counted."""
    random = np.random.default_rng(seed)
    blocks = tuple(
        Block(part, Layer(thickness, stock, n_slices), int(random.integers(1, 120)))
        for stock, thickness, n_slices in ((20.0, 9.0, 2), (30.0, 30.0, 1), (50.0, 15.0, 3))
        for part in SLOT_PARTS
    )
    before = lay_out(blocks, lambda mm, n: nest(n, 100.0, sheet_of(mm), kerf_mm=1.0, margin_mm=5.0))
    changed, after = reuse(*blocks)
    assert set(after) <= set(before)
    assert all(after[mm].n_sheets <= before[mm].n_sheets for mm in after)
    for layers in (blocks, changed):
        totals: Counter[tuple[str, float]] = Counter()
        for block in layers:
            totals[block.part, block.layer.thickness_mm] += block.n_layers
        assert totals == Counter({(b.part, b.layer.thickness_mm): b.n_layers for b in blocks})


def test_lamination_is_noted():
    """What must be glued is told, and that sheets as bought are not as true as slices."""
    assert foam(pieces()).notes == ()
    stock = FoamBrief(sheets=sheets(7.5, 15.0, 30.0), slicing="none")
    glued, untrue = foam(pieces(), stock).notes
    assert "22.5 mm of 15 + 7.5 mm" in glued
    assert "7.5, 15, 30 mm are used as bought and may be 2 mm off" in untrue


def test_price_needs_every_price():
    """Sheets are paid one by one; one unknown price leaves the sum unknown."""
    assert foam(pieces()).price is None
    result = foam(pieces(), FoamBrief(sheets=sheets(30.0, 50.0, price=4.5)))
    assert result.price == 4.5 * result.n_sheets


@pytest.mark.parametrize(
    ("facing", "grain", "lies"),
    [
        ("points", "along", "points"),
        ("points", "across", "flats"),
        ("flats", "along", "flats"),
        ("flats", "across", "points"),
    ],
)
def test_grain_turns_the_pieces(facing, grain, lies):
    """Along the front edge, pieces lie on the sheet as on the board; across, turned by 90."""
    result = foam(pieces(facing), FoamBrief(grain=grain))
    for result_nest in result.nests:
        for sheet in result_nest.sheets:
            assert {FACINGS[number] for number in sheet.facing.tolist()} == {lies}


def test_foam_is_repeatable():
    """Equal input gives an equal digest."""
    assert foam(pieces()).digest == foam(pieces()).digest
