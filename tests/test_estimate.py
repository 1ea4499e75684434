"""Cuts, set-ups, time, weight, finishing and boxes: by hand and by conservation."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Polygon

from hexterra.brief.amounts import Amounts, TimedBrief
from hexterra.brief.bench_sections import BenchBrief, FoamBrief, SheetBrief
from hexterra.brief.timing import minutes_of
from hexterra.errors import BriefError, StockError
from hexterra.inputs.owned_pieces import OwnedPieces, left_to_cut, stock_frame, tile_kind
from hexterra.stages.schedule.schedule import Schedule, schedule
from hexterra.workshop.estimate.cutting import SET_UP_KINDS, top_passes
from hexterra.workshop.estimate.estimate import SURFACE_KINDS, Estimate, estimate
from hexterra.workshop.sheets.boxes import fill_boxes
from hexterra.workshop.sheets.foam import foam
from hexterra.workshop.sheets.nesting import Nest
from hexterra.workshop.solids.carved import schedule_measures
from hexterra.workshop.solids.grooves import Groove, Grooves
from hexterra.workshop.solids.keyed_footings import keyed_footings
from hexterra.workshop.solids.solids import Solid
from tests.bench_tables import sheet_of
from tests.invented_boards import invented_board
from tests.plain.tops import top_mm2

SIDE_MM = 100.0 / math.sqrt(3.0)
HEXAGON_MM2 = math.sqrt(3.0) / 2.0 * 100.0**2


@cache
def pieces(edges: str = "straight", seed: int = 3) -> Schedule:
    """Schedule a rough, wet board with cliffs."""
    return schedule(invented_board(seed, 14, 11, edges=edges, is_rough=True, cliff_steps=2.0))


@cache
def estimated(edges: str = "straight", seed: int = 3) -> Estimate:
    """Estimate that board from common sheets."""
    return estimate(foam(pieces(edges, seed)))


@cache
def plain_board() -> Estimate:
    """Estimate nine flat whole tiles of 15 mm, from sheets of just that thickness."""
    tiles = invented_board(0, 3, 3, water=False, edges="whole")
    flat = replace(
        tiles, corners=np.zeros((9, 6)), level=np.zeros(9), pattern=np.zeros(9), turn=np.zeros(9)
    )
    level = schedule(replace(flat, cliff=np.zeros((9, 6))), footings="none")
    return estimate(
        foam(
            level,
            FoamBrief(sheets=(SheetBrief(thickness_mm=15.0, price=7.0),), density_kg_per_m3=30.0),
        )
    )


def solid(rises: tuple[int, ...], part: str = "whole", step_mm: float = 7.5) -> Solid:
    """Make a tile of 100 mm across flats."""
    return Solid(part, "", rises, 100.0, 15.0, step_mm)  # type: ignore[arg-type]


# Cuts ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rises", "n_passes", "wire_mm"),
    [
        ((1, 1, 0, 0, 0, 0), 1, 50.0 + math.hypot(50.0, 7.5)),  # half the tile slopes
        ((1, 1, 1, 1, 0, 0), 1, 50.0 + math.hypot(50.0, 7.5)),
        ((1, 1, 0, 1, 1, 0), 2, 2.0 * math.hypot(50.0, 7.5)),  # a slope from either side
        ((2, 2, 1, 0, 0, 1), 1, math.hypot(100.0, 15.0)),  # one plane, side to side
        # From corner to corner the tile is two sides long; between the chords of next corners
        # but one lies half a side, then one side, then half a side.
        ((1, 0, 0, 0, 0, 0), 1, math.hypot(SIDE_MM / 2, 7.5) + 1.5 * SIDE_MM),
        ((1, 1, 1, 0, 0, 0), 1, math.hypot(SIDE_MM, 7.5) + SIDE_MM),
        ((2, 2, 0, 0, 0, 0), 1, 50.0 + math.hypot(50.0, 15.0)),
    ],
)
def test_passes_over_tops_by_hand(rises, n_passes, wire_mm):
    """The wire travels square to the folds, along the slope."""
    found = top_passes(solid(rises))
    assert found[0] == n_passes
    assert math.isclose(found[1], wire_mm, rel_tol=1e-12)


@pytest.mark.parametrize("turn", range(6))
def test_a_turned_top_takes_the_same_passes(turn):
    """How the corners are numbered does not matter."""
    for rises in ((1, 1, 1, 0, 0, 0), (1, 1, 0, 1, 1, 0), (2, 2, 1, 0, 0, 1)):
        turned = tuple(int(rise) for rise in np.roll(rises, turn))
        n_passes, wire_mm = top_passes(solid(turned))
        assert n_passes == top_passes(solid(rises))[0]
        assert math.isclose(wire_mm, top_passes(solid(rises))[1], rel_tol=1e-9)


def test_a_half_that_keeps_only_the_level_ground_takes_one_level_pass():
    """Of a bank cut through its middle fold the lower half is level, 50 mm deep."""
    n_passes, wire_mm = top_passes(solid((0, 0, 0, 1, 1, 0), "corner-cut half"))
    assert n_passes == 1
    assert math.isclose(wire_mm, 50.0, rel_tol=1e-9)


def test_nine_flat_tiles_by_hand():
    """Sheets of just the thickness need outlines only: six sides of 57.735 mm for each tile.

    A side that two blocks on the sheet have in common is cut once.
    """
    result = plain_board()
    (set_up,) = result.set_ups
    assert set_up.name == "whole outline"
    n_cuts = 54 - n_touching(result.foam.nests[0])
    assert n_cuts < 54
    assert (set_up.n_items, set_up.n_cuts) == (9, n_cuts)
    assert math.isclose(set_up.wire_mm, n_cuts * SIDE_MM, rel_tol=1e-9)
    assert math.isclose(result.wire_mm[0], n_cuts * SIDE_MM / 9, rel_tol=1e-9)
    assert result.n_cuts.tolist() == [n_cuts / 9]
    rates = result.bench
    wire_m = n_cuts * SIDE_MM / 1000
    cutting = wire_m * (rates.minutes_per_m_wire + 0.015 * rates.minutes_per_m2_cut)
    cutting += n_cuts * rates.minutes_per_cut
    assert math.isclose(result.minutes["cutting"], cutting, rel_tol=1e-9)
    assert math.isclose(set_up.minutes, cutting + rates.minutes_per_set_up, rel_tol=1e-9)
    assert result.minutes["gluing"] == 0.0  # no layers, no rails, no faces
    assert math.isclose(result.minutes["cleaning"], 9 * rates.minutes_per_piece)
    assert math.isclose(result.hours, sum(result.minutes.values()) / 60.0)
    assert result.prices["foam"] == 7.0
    assert result.prices["panels"] is result.price is None  # what the panels cost is not told
    # 9 hexagons of 8660 mm2, 15 mm thick, at 30 kg/m3
    assert math.isclose(
        result.weights_kg["pieces"], 9 * HEXAGON_MM2 * 15.0 * 30.0 / 1e9, rel_tol=1e-9
    )
    area_m2 = 9 * HEXAGON_MM2 / 1e6
    assert np.allclose(result.surface_mm2, [9 * HEXAGON_MM2, 0.0, 0.0, 0.0])
    assert math.isclose(result.materials["paint_ml"], area_m2 * BenchBrief().paint_ml_per_m2)
    assert result.materials["varnish_ml"] == 0.0


def n_touching(laid_out: Nest) -> int:
    """Count the pairs of blocks on all sheets that lie a kerf apart along a whole side."""
    n_pairs = 0
    for sheet in laid_out.sheets:
        blocks = [Polygon(sheet.outline_mm(number)) for number in range(sheet.n_pieces)]
        grown = [block.buffer(0.51 * laid_out.kerf_mm, join_style="mitre") for block in blocks]
        n_pairs += sum(
            one.intersection(other).length > SIDE_MM for one, other in combinations(grown, 2)
        )
    return n_pairs


def test_a_curved_channel_takes_minutes():
    """100 mm by hand take 2 minutes, marking and cleaning 3: common practice, no source."""
    result = estimated()
    for entry in result.work:
        if entry.kind == "loop":
            of_entry = Amounts(n_channels=entry.count, loop_m=entry.wire_mm / 1000.0)
            minutes = sum(minutes_of(of_entry, result.bench).values()) / entry.count
            assert minutes == pytest.approx(3.0 + 20.0 * entry.wire_mm / entry.count / 1000.0)
            assert minutes > 3.5
    assert result.minutes["channels"] > 0.0


def test_a_metre_through_50_mm_takes_as_long_as_common_practice_has_it():
    """1.7 minutes a metre, twice as thick takes longer: common practice, no source."""
    thin, common, thick = (
        sum(minutes_of(Amounts(wire_m=1.0, cut_m2=mm / 1000), BenchBrief()).values())
        for mm in (20, 50, 100)
    )
    assert math.isclose(common, 1.7)
    assert thin < common < thick


def test_slices_of_a_block_by_hand():
    """A slice is a cut; under one of 7.5 mm, with a kerf of 1 mm, the wire's middle is 8 mm up."""
    result = estimate(foam(pieces(), FoamBrief(sheets=(sheet_of(50.0),), kerf_mm=1.0)))
    sliced = [entry for entry in result.work if entry.kind == "slice"]
    assert "slices of 7.5 mm, middle of the wire 8 mm above the table" in {
        entry.set_up for entry in sliced
    }
    assert all(entry.n_cuts == entry.count for entry in sliced)


def test_wire_of_slices_and_outlines_by_hand():
    """The wire crosses a part the short way, and goes around it, where no neighbour shares a side.

    Of all outlines on a sheet some sides are shared, so less wire than around all blocks cuts them.
    """
    across_mm = {
        "whole": 100.0,
        "corner-cut half": 50.0,
        "side-cut half": SIDE_MM,
        "quarter": 50.0,
    }
    around_mm = {
        "whole": 6 * SIDE_MM,
        "corner-cut half": 5 * SIDE_MM,  # three sides and the cut from corner to corner
        "side-cut half": 3 * SIDE_MM + 100.0,
        "quarter": 1.5 * SIDE_MM + 50.0 + SIDE_MM,
    }
    for entry in estimated().work:
        part = entry.layer_key[0] if entry.layer_key else ""
        if entry.kind == "slice":
            assert math.isclose(entry.wire_mm, entry.n_cuts * across_mm[part], rel_tol=1e-9)
        elif entry.kind == "outline":
            around = entry.count * around_mm[part]
            assert 0.45 * around < entry.wire_mm < around * (1.0 + 1e-9)
            assert entry.layer_key is not None
            assert math.isclose(entry.cut_mm2, entry.wire_mm * entry.layer_key[1], rel_tol=1e-9)


@pytest.mark.parametrize("edges", ["straight", "whole"])
def test_each_guide_is_mounted_once(edges):
    """Set-ups never recur once another has begun, and kinds follow each other in order."""
    work = estimated(edges).work
    names = [entry.set_up for entry in work]
    changes = [name for name, before in zip(names, ["", *names], strict=False) if name != before]
    assert len(changes) == len(set(changes)) == len(estimated(edges).set_ups)
    kinds = [SET_UP_KINDS.index(entry.kind) for entry in work]
    assert kinds == sorted(kinds)
    assert set(kinds) == set(range(len(SET_UP_KINDS)))


@pytest.mark.parametrize("edges", ["straight", "whole"])
def test_shares_of_the_pieces_add_up(edges):
    """Wire and cuts of each piece, times its count, are those of all work but the facings'."""
    result = estimated(edges)
    check_shares(result)
    wire_mm = sum(entry.wire_mm for entry in result.work)
    assert math.isclose(sum(s.wire_mm for s in result.set_ups), wire_mm, rel_tol=1e-9)
    minutes = sum(s.minutes for s in result.set_ups)
    kinds = ("cutting", "channels", "set-ups")
    assert math.isclose(minutes, sum(result.minutes[kind] for kind in kinds))  # type: ignore[index]


def check_shares(result: Estimate) -> None:
    """Check that the cuts of all pieces to be made are those of the work, facings apart."""
    counts = result.foam.to_cut
    work = [entry for entry in result.work if entry.kind != "facing"]
    wire_mm = sum(entry.wire_mm for entry in work)
    assert math.isclose(counts @ result.wire_mm, wire_mm, rel_tol=1e-9)
    assert math.isclose(counts @ result.n_cuts, sum(e.n_cuts for e in work), rel_tol=1e-9)


def test_footings_are_weighed_against_a_board_without():
    """What footings take is what the board takes less without them, but for marking and sawing."""
    result = estimated()
    bare = estimate(foam(schedule(pieces().tiles, footings="none")))
    kinds = ("set-ups", "cutting", "cleaning", "gluing")
    fewer = sum(result.minutes[kind] - bare.minutes[kind] for kind in kinds) / 60.0  # type: ignore[index]
    assert math.isclose(result.footing_hours, fewer, rel_tol=0.1)
    assert bare.footing_hours == 0.0


def test_every_sloping_piece_is_cut_under_its_pattern():
    """Each tile of a sloping pattern occurs once under its guides, with its count."""
    result = estimated()
    tops = {entry.of: entry for entry in result.work if entry.kind == "top"}
    for number, piece in enumerate(pieces().pieces):
        is_sloping = piece.kind == "tile" and piece.pattern != "flat"
        assert (number in tops) == is_sloping
        if is_sloping:
            assert tops[number].set_up == f"{piece.pattern} guides"
            assert tops[number].count == piece.count
    grooved = {entry.of for entry in result.work if entry.kind == "groove"}
    assert {pieces().pieces[number].name.split(" ")[0] for number in grooved} == {"keyed"}


def test_gluing_takes_a_joint_less_than_layers():
    """With sheets of 7.5 mm alone a tile of 15 mm is one joint, one of 22.5 mm two."""
    result = estimate(foam(pieces(), FoamBrief(sheets=(sheet_of(7.5),), slicing="none")))
    n_joints = sum(p.count * (round(p.thickness_mm / 7.5) - 1) for p in pieces().pieces)
    n_joints += result.n_facings + len(result.wood.rail_lengths_mm)
    assert math.isclose(result.minutes["gluing"], n_joints * BenchBrief().minutes_per_joint)


# Grooves of keyed footings ---------------------------------------------------------------------


@pytest.mark.parametrize("edges", ["straight", "whole"])
def test_grooves_are_as_long_as_rails_under_their_footings(edges):
    """Two passes of each groove: their wire is twice the middle lines within the blocks."""
    result = estimated(edges)
    length_mm = 0.0
    footings = keyed_footings(result.base)
    for footing in footings:
        block = Polygon(footing.solid.outline_mm)
        for angle_deg, at in footing.lines:
            normal = np.array(
                [math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))]
            )
            along = 500.0 * np.array([-normal[1], normal[0]])
            line = LineString([at * normal - along, at * normal + along])
            length_mm += footing.count * block.intersection(line).length
    cut = [entry for entry in result.work if entry.kind == "groove"]
    assert math.isclose(sum(entry.wire_mm for entry in cut), 2.0 * length_mm, rel_tol=1e-9)
    n_grooves = sum(footing.count * len(footing.lines) for footing in footings)
    assert sum(entry.n_cuts for entry in cut) == 2 * n_grooves


# Owned pieces ----------------------------------------------------------------------------------


def test_owned_tiles_of_nine_by_hand():
    """Four of nine owned leave five hexagons to cut, and five ninths of the finishing."""
    board = plain_board().foam
    five = estimate(foam(board.pieces, board.stock, to_cut=[5]))
    (set_up,) = five.set_ups
    assert (set_up.n_items, set_up.n_cuts) == (5, 30 - n_touching(five.foam.nests[0]))
    assert five.foam.n_owned == 4
    assert math.isclose(five.materials["paint_ml"], plain_board().materials["paint_ml"] * 5 / 9)
    assert five.minutes["cleaning"] == 5 * five.bench.minutes_per_piece
    assert five.weights_kg == plain_board().weights_kg  # all of the board is carried
    assert five.boxes[0].n_pieces == 9


@pytest.mark.parametrize("seed", range(4))
def test_what_is_owned_is_not_cut(seed):
    """Blanks, work and shares are of what is left; tiles owned in full appear in no work."""
    random = np.random.default_rng(seed)
    counts = np.array([piece.count for piece in pieces().pieces])
    owned = random.integers(0, 3 * counts) * (random.random(len(counts)) < 0.5)
    tiles = [
        (tile_kind(p), int(n))
        for p, n in zip(pieces().pieces, owned, strict=True)
        if p.kind == "tile"
    ]
    blocks = [
        (p.name, int(n)) for p, n in zip(pieces().pieces, owned, strict=True) if p.kind != "tile"
    ]
    stock = OwnedPieces(tuple(tiles), tuple(blocks))
    left = left_to_cut(pieces(), stock)
    assert left == tuple(stock_frame(pieces(), stock)["to_cut"][: len(counts)])
    assert left == tuple(np.maximum(counts - owned, 0))
    result = estimate(foam(pieces(), to_cut=left))
    assert sum(blank.count for blank in result.foam.blanks) == sum(left)
    check_shares(result)
    for entry in result.work:
        if entry.of >= 0:
            assert 0 < entry.count <= left[entry.of]
    assert result.amounts.n_pieces == sum(left) + result.n_facings
    assert result.hours < estimated().hours
    assert result.weight_kg == estimated().weight_kg


def test_a_board_that_is_owned_takes_no_foam():
    """With every piece owned nothing is bought for them, and only facings are cut."""
    result = estimate(foam(pieces(), to_cut=[0] * len(pieces().pieces)))
    assert result.foam.n_sheets == 0
    assert {entry.kind for entry in result.work} == {"facing"}
    assert result.surface_mm2[:3].sum() == 0.0
    assert result.foam.price == 0.0


def test_more_than_the_board_has_is_refused():
    """The message names the piece and both numbers."""
    counts = [piece.count for piece in pieces().pieces]
    with pytest.raises(BriefError, match=rf"{counts[0] + 1} of the piece 'flat'.*the {counts[0]}"):
        foam(pieces(), to_cut=[counts[0] + 1, *counts[1:]])


# Surfaces and weight ---------------------------------------------------------------------------


def test_surfaces_of_a_dry_board_are_the_tops():
    """Without water, level ground and slopes add up to the triangles of the tops."""
    tiles = invented_board(5, 9, 8, water=False, edges="whole", is_rough=True)
    result = estimate(foam(schedule(tiles)))
    rises = [pattern.rises for pattern in tiles.catalogue.patterns]
    area_mm2 = sum(top_mm2(rises[number], 7.5) for number in tiles.pattern)
    assert math.isclose(result.surface_mm2[:3].sum(), area_mm2, rel_tol=1e-9)
    assert result.surface_mm2[2] == 0.0
    n_flat = sum(not any(rises[number]) for number in tiles.pattern)
    assert result.surface_mm2[0] >= n_flat * HEXAGON_MM2 - 1e-6
    assert result.surface_mm2[3] == result.facings.area_mm2.sum()


def test_water_is_taken_off_the_ground():
    """A wider channel makes more water, and the tops stay what they are."""
    held = [Grooves.alike(Groove(width_mm, 3.0, 2.0)) for width_mm in (10.0, 20.0)]
    narrow, wide = (estimate(foam(pieces()), grooves=grooves) for grooves in held)
    assert wide.surface_mm2[2] > narrow.surface_mm2[2] > 0.0
    for grooves, found in zip(held, (narrow, wide), strict=True):
        measures = zip(pieces().pieces, schedule_measures(pieces(), grooves), strict=True)
        tops_mm2 = sum(p.count * m.top_mm2 for p, m in measures if p.kind == "tile")
        assert math.isclose(found.surface_mm2[:3].sum(), tops_mm2, rel_tol=1e-9)
    assert len(SURFACE_KINDS) == len(wide.surface_mm2)


def test_weight_is_density_times_volume():
    """Twice the density is twice the weight, and spacers weigh what their box of foam does."""
    result = estimated()
    heavy = estimate(foam(pieces(), FoamBrief(density_kg_per_m3=66.0)))
    for name in ("pieces", "facings"):
        assert math.isclose(heavy.weights_kg[name], 2.0 * result.weights_kg[name], rel_tol=1e-9)
    assert heavy.weights_kg["panels"] == result.weights_kg["panels"]
    assert math.isclose(result.weight_kg, sum(result.weights_kg.values()), rel_tol=1e-12)
    for piece, weight_g in zip(pieces().pieces, result.piece_weight_g, strict=True):
        if piece.kind == "spacer" and piece.part == "side-cut half":
            expected = HEXAGON_MM2 / 2.0 * piece.thickness_mm * 33.0 / 1e6
            assert math.isclose(weight_g, expected, rel_tol=1e-9)


# Rates -----------------------------------------------------------------------------------------


def test_a_batch_twice_as_slow_doubles_the_rates_of_cutting():
    """Finishing and gluing are not touched."""
    batch = TimedBrief(wire_m=4.0, n_cuts=40.0, n_set_ups=2, n_pieces=10, minutes=1.0)
    slow = batch.model_copy(update={"minutes": 2.0 * expected_minutes(BenchBrief(), batch)})
    rates = BenchBrief(timed=(slow,)).calibrated
    assert math.isclose(rates.minutes_per_m_wire, 2.0 * BenchBrief().minutes_per_m_wire)
    assert math.isclose(rates.minutes_per_cut, 2.0 * BenchBrief().minutes_per_cut)
    assert math.isclose(rates.minutes_per_set_up, 2.0 * BenchBrief().minutes_per_set_up)
    assert math.isclose(rates.minutes_per_piece, 2.0 * BenchBrief().minutes_per_piece)
    assert rates.paint_minutes_per_m2 == BenchBrief().paint_minutes_per_m2
    assert rates.minutes_per_joint == BenchBrief().minutes_per_joint


def test_expected_minutes_by_hand():
    """2 m of wire, 10 cuts, 1 set-up and 4 pieces at 1.5, 0.2, 5 and 0.5 minutes take 12."""
    rates = BenchBrief(
        minutes_per_m_wire=1.5, minutes_per_cut=0.2, minutes_per_set_up=5.0, minutes_per_piece=0.5
    )
    took = minutes_of(Amounts(wire_m=2.0, n_cuts=10.0, n_set_ups=1, n_pieces=4), rates)
    assert math.isclose(sum(took.values()), 12.0)
    assert {kind for kind, minutes in took.items() if minutes} == {
        "cutting", "set-ups", "cleaning"
    }  # fmt: skip


def test_kinds_timed_apart_have_rates_of_their_own():
    """0.5 m2 painted in 30 minutes are 60 a square metre; sawing is twice as fast as assumed."""
    paint = TimedBrief(paint_m2=0.5, minutes=30.0)
    sawing = TimedBrief(n_saw_cuts=20, minutes=10.0 * BenchBrief().minutes_per_saw_cut)
    rates = BenchBrief(timed=(paint, sawing)).calibrated
    assert math.isclose(rates.paint_minutes_per_m2, 60.0)
    assert math.isclose(rates.minutes_per_saw_cut, 0.5 * BenchBrief().minutes_per_saw_cut)
    others = {
        name: getattr(BenchBrief(), name)
        for name in ("paint_minutes_per_m2", "minutes_per_saw_cut")
    }
    assert rates.model_copy(update=others) == BenchBrief()


def test_batches_that_share_a_kind_of_work_are_estimated_together():
    """Paint alone, paint with scatter, and scatter alone: one factor, from all the time taken."""
    batches = (
        TimedBrief(paint_m2=1.0, minutes=50.0),  # 40 expected
        TimedBrief(scatter_m2=1.0, minutes=10.0),  # 20 expected
        TimedBrief(paint_m2=1.0, scatter_m2=1.0, minutes=90.0),  # 60 expected
    )
    rates = BenchBrief(timed=batches).calibrated
    assert math.isclose(rates.paint_minutes_per_m2, 40.0 * 150.0 / 120.0)
    assert math.isclose(rates.scatter_minutes_per_m2, 20.0 * 150.0 / 120.0)
    assert rates.texture_minutes_per_m2 == BenchBrief().texture_minutes_per_m2


@settings(derandomize=True, deadline=None)
@given(
    st.lists(
        st.builds(
            TimedBrief,
            wire_m=st.sampled_from([0.0, 0.01, 100.0]),
            n_pieces=st.integers(0, 99),
            n_sheets=st.integers(1, 9),
            paint_m2=st.floats(0.0, 9.0),
            minutes=st.floats(1.0, 1e3),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_calibrated_rates_explain_the_batches(batches):
    """Together they are expected to take as long as they took; doing it again changes nothing."""
    rates = BenchBrief(timed=tuple(batches)).calibrated
    expected = expected_minutes(rates, *batches)
    assert math.isclose(expected, sum(batch.minutes for batch in batches), rel_tol=1e-9)
    again = rates.model_copy(update={"timed": tuple(batches)}).calibrated
    assert math.isclose(again.minutes_per_sheet, rates.minutes_per_sheet, rel_tol=1e-9)


def expected_minutes(bench: BenchBrief, *batches: TimedBrief) -> float:
    """Add up how long the rates say that batches take."""
    return sum(sum(minutes_of(batch, bench).values()) for batch in batches)


# Boxes -----------------------------------------------------------------------------------------


def test_boxes_hold_every_piece_and_close():
    """All pieces are stored once, and no box is filled above its rim."""
    bench = BenchBrief()
    loads = fill_boxes(pieces(), bench)
    assert sum(load.n_pieces for load in loads) == sum(p.count for p in pieces().pieces)
    assert all(load.height_mm <= bench.box_height_mm + 1e-6 for load in loads)
    by_kind = {
        kind: sum(t.n_pieces for load in loads for t in load.tiers if t.kind == kind)
        for kind in ("tile", "spacer", "footing")
    }
    for kind, n in by_kind.items():
        assert n == sum(p.count for p in pieces().pieces if p.kind == kind)


def box_of(length_mm: float, width_mm: float, height_mm: float) -> BenchBrief:
    """Ask for storage boxes of this size."""
    return BenchBrief(box_length_mm=length_mm, box_width_mm=width_mm, box_height_mm=height_mm)


def test_boxes_of_nine_tiles_by_hand():
    """On 210 x 204 mm lie 2 + 1 tiles, so nine are three tiers of 15 mm, three to a box of 50.

    Two with a gap of 2 mm are 202 mm wide; two interlocked rows are 2 x 57.74 + 88.33 = 203.8.
    """
    level = plain_board().foam.pieces
    (load,) = fill_boxes(level, box_of(210.0, 204.0, 50.0))
    assert [tier.n_pieces for tier in load.tiers] == [3, 3, 3]
    assert load.height_mm == 45.0
    thick = schedule(level.tiles, footings="none", tile_mm=30.0)
    assert [load.n_pieces for load in fill_boxes(thick, box_of(210.0, 204.0, 65.0))] == [6, 3]


def test_a_piece_wider_than_the_box_is_refused():
    """The message speaks of the box, not of a sheet."""
    with pytest.raises(StockError, match="100 mm across flats does not fit a box of 60 x 360 mm"):
        fill_boxes(pieces(), BenchBrief(box_length_mm=60.0))


def test_a_piece_thicker_than_the_box_is_refused():
    """The message tells both."""
    with pytest.raises(StockError, match="does not fit a box of 50 mm height"):
        fill_boxes(schedule(pieces().tiles, tile_mm=60.0), BenchBrief(box_height_mm=50.0))
