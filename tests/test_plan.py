"""The whole job on real ground: every promise of a plan, checked from its own tables."""

from __future__ import annotations

import pickle
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from affine import Affine

import hexterra as hx
from hexterra.errors import (
    BoardError,
    BriefError,
    CatalogueError,
    CoverageError,
    InfeasibleError,
    StockError,
)
from hexterra.outputs.plan_files import write_plan
from hexterra.verification.verify import verify

#: So fine that slopes of the Jacksboro fault are too steep for ramps.
STEP = {"metres_per_step": 60.0}
BRIEFS: dict[str, dict[str, Any]] = {
    "defaults": {},
    "flats": {"board": {"facing": "flats", "bearing_deg": 33.0}},
    "whole edges": {"board": {"edges": "whole"}},
    "steep": {"ramps": {"limit": 2}},
    "step faces": {
        "heights": {"metres_per_step": 8.0},
        "ramps": {"limit": 1, "cliff_rise_steps": "none"},
        "fit": {"step_faces": "where they pay"},
    },
    "cliffs": {"heights": STEP, "ramps": {"cliff_rise_steps": 2.5}},
    "steep with cliffs": {"ramps": {"limit": 2, "cliff_rise_steps": 2.0}},
    "squares": {"ramps": {"measure": "square"}},
    "quantile": {"heights": {"method": "quantile", "n_levels": 6}},
    "natural breaks": {"heights": {"method": "natural breaks", "n_levels": 7}},
    "given": {"heights": {"method": "given", "thresholds_m": [300, 350, 420, 500, 650, 800]}},
    "pinned": {"ramps": {"pins": {"B2": 1, "M8": 4}}},
    "dry": {"water": {"show": False}},
    "instant": {"fit": {"effort": "instant"}},
    "proven": {"fit": {"effort": "proven", "prefer": "fewest different pieces"}},
    "standing": {"fit": {"prefer": "most standing room", "prices": {"sloping": 2.0}}},
    "wet": {"water": {"threshold_km2": 6.0}},
}


@pytest.fixture(scope="module", params=BRIEFS, ids=list(BRIEFS))
def plan(request: pytest.FixtureRequest, jacksboro: hx.Elevation) -> hx.Plan:
    """24 x 16 cells of the Jacksboro fault (SRTM, from matplotlib's package), in many ways."""
    return hx.make_plan(jacksboro, hx.Brief(**BRIEFS[request.param]))


def test_the_written_plan_verifies(plan: hx.Plan, tmp_path: Path) -> None:
    """An independent rebuild from the tables finds nothing wrong."""
    write_plan(plan, tmp_path / "plan")
    verdict = verify(tmp_path / "plan")
    assert verdict.agrees, verdict.describe()


def test_every_tile_is_in_the_catalogue(plan: hx.Plan) -> None:
    """Corner heights are the level plus the named pattern's rises, turned."""
    rises = np.array([plan.catalogue.patterns[p].rises for p in plan.fitted.pattern])
    turned = np.array([np.roll(r, t) for r, t in zip(rises, plan.fitted.turn, strict=True)])
    assert np.array_equal(plan.fitted.corners, plan.fitted.level[:, None] + turned)


def test_no_top_rises_more_than_a_ramp_may(plan: hx.Plan) -> None:
    """Gentle boards have no steep tops."""
    assert np.ptp(plan.fitted.corners, axis=1).max() <= plan.choice.chosen.ramp_limit


def test_seams_close_outside_the_cliffs(plan: hx.Plan) -> None:
    """Across every side that is not a listed cliff both corners have one height."""
    corners, board = plan.fitted.corners, plan.board
    for cell, side in board.seams:
        if plan.fitted.cliff[cell, side]:
            continue
        other, back = board.neighbours[cell, side], board.back_sides[cell, side]
        assert corners[cell, side] == corners[other, (back + 1) % 6]
        assert corners[cell, (side + 1) % 6] == corners[other, back]


@pytest.mark.parametrize("rise_steps", [2.0, 2.5, 3.0])
def test_seams_that_the_start_left_open_are_closed(
    jacksboro: hx.Elevation, rise_steps: float
) -> None:
    """Where marked cliffs end, the first tops that fit leave steps; the best ones leave none."""
    plan = hx.make_plan(
        jacksboro,
        hx.Brief(heights=STEP, ramps={"limit": 1, "cliff_rise_steps": rise_steps}),
    )
    start = hx.fit(plan.legal, plan.catalogue)
    assert (start.cliff & ~plan.legal.cliff).any()
    assert not (plan.fitted.cliff & ~plan.legal.cliff).any()


def test_without_marked_cliffs_there_are_none(plan: hx.Plan) -> None:
    """Step faces stand only where cliffs are marked, unless the brief lets them where they pay."""
    if plan.brief.fit.step_faces == "where they pay":
        assert plan.fitted.cliff.any()
    elif plan.choice.chosen.cliff_rise_steps is None:
        assert not plan.fitted.cliff.any()
    elif plan.brief.ramps.cliff_rise_steps is not None:
        assert plan.fitted.cliff.any()


def test_water_never_runs_uphill(plan: hx.Plan) -> None:
    """Downstream the tile is not higher, and neither is the side that water leaves by."""
    if plan.water is None:
        assert plan.tiles["outflow"].eq("").all() or plan.tiles["outflow"].isna().all()
        return
    corners, level = plan.fitted.corners, plan.fitted.level
    sources = np.flatnonzero(plan.water.outflow >= 0)
    assert len(sources) > 10
    for cell in sources:
        side = plan.water.outflow[cell]
        receiver = plan.board.neighbours[cell, side]
        assert level[receiver] <= level[cell]
        leaves = corners[cell, [side, (side + 1) % 6]]
        for port in np.flatnonzero(plan.water.ports[cell]):
            assert leaves.mean() <= corners[cell, [port, (port + 1) % 6]].mean()


def test_the_minimum_is_proven(plan: hx.Plan) -> None:
    """Legalising carries a bound that equals its cost, in whole units."""
    assert plan.legal.cost_units == plan.legal.bound_units


def test_the_fit_is_bounded(plan: hx.Plan) -> None:
    """The board costs no less than the bound and no more than the start; terms add up to it."""
    refined = plan.refined
    assert refined.bound <= refined.cost <= refined.start_cost
    assert sum(amount for _, amount in refined.breakdown) == pytest.approx(refined.cost)
    if plan.brief.fit.effort == "proven":
        assert refined.gap < 1e-6


def test_the_schedule_counts_every_tile(plan: hx.Plan) -> None:
    """Counts by piece agree with the rows of the tile table."""
    tiles = plan.schedule[plan.schedule["kind"] == "tile"].set_index("piece")["count"]
    assert tiles.to_dict() == plan.tiles["piece"].value_counts().to_dict()


def test_uneven_steps_are_told_on_average(jacksboro: hx.Elevation) -> None:
    """Thresholds from 300 to 800 m, five steps apart, are 100 m a step; nothing else is claimed.

    At 1:10 000 and 7.5 mm a step that is 7.5 / 10 = 0.75 times true height.
    """
    brief = hx.Brief(**BRIEFS["given"]).changed({"board": {"scale": 10_000.0}})
    plan = hx.make_plan(jacksboro, brief)
    assert plan.exaggeration == pytest.approx(0.75)
    assert "steps of 7.5 mm for 100 m on average, 0.75 times true to scale" in plan.describe()
    (assumed,) = (line for line in plan.assumed if "metres_per_step" in line)
    assert "beyond the lowest and the highest threshold" in assumed


def test_flat_ground_is_true_to_scale() -> None:
    """Without relief nothing can be divided into ten steps; a step is what it is on the ground."""
    flat = hx.read_elevation(
        np.full((60, 90), 5.0),
        affine=Affine(30.0, 0.0, 400_000.0, 0.0, -30.0, 5_200_000.0),
        crs="EPSG:32633",
        vertical_unit="m",
    )
    plan = hx.make_plan(flat, hx.Brief(board={"columns": 6, "rows": 4}))
    assert plan.exaggeration == pytest.approx(1.0)
    assert any("no relief: true to scale" in line for line in plan.assumed)
    assert not plan.fitted.corners.any()


def test_ground_below_level_0_is_noted(jacksboro: hx.Elevation) -> None:
    """A datum above part of the ground flattens it, which is said; one below it is not worth it."""
    brief = {"board": {"columns": 12, "rows": 8}, "heights": {"metres_per_step": 60.0}}
    high = hx.make_plan(jacksboro, hx.Brief(**brief).changed({"heights": {"datum_m": 500.0}}))
    n_below = int((high.heights.mean_m < 470.0).sum())  # half a step of 60 m below 500 m
    assert n_below > 0
    assert high.notes[0].startswith(f"The ground of {n_below} of 96 cells lies below level 0")
    low = hx.make_plan(jacksboro, hx.Brief(**brief))
    assert not any("below level 0" in note for note in low.notes)


def test_equal_input_gives_equal_bytes(jacksboro: hx.Elevation, tmp_path: Path) -> None:
    """Two runs write the same files, byte for byte."""
    for name in ("one", "two"):
        write_plan(hx.make_plan(jacksboro, hx.Brief()), tmp_path / name)
    names = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert "plan.json" in names
    for name in names:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_plans_pickle(jacksboro: hx.Elevation) -> None:
    """A plan that travels to another process is the same plan."""
    plan = hx.make_plan(jacksboro, hx.Brief(board={"columns": 6, "rows": 5}))
    again = pickle.loads(pickle.dumps(plan))
    assert again.same_as(plan)
    pd.testing.assert_frame_equal(again.tiles, plan.tiles)


def test_thresholds_are_retuned_without_sampling_again(jacksboro: hx.Elevation) -> None:
    """`plan_heights` on kept heights equals a plan made from the start."""
    first = hx.make_plan(jacksboro, hx.Brief())
    brief = hx.Brief(heights={"metres_per_step": 80})
    kept = hx.plan_heights(jacksboro, first.heights, brief)
    fresh = hx.make_plan(jacksboro, brief)
    pd.testing.assert_frame_equal(kept.tiles, fresh.tiles)
    assert kept.heights is first.heights


def test_comparing_counts_what_changed(jacksboro: hx.Elevation) -> None:
    """A plan differs from itself nowhere; from another, in the cells whose tops differ."""
    one = hx.make_plan(jacksboro, hx.Brief(board={"columns": 8, "rows": 6}))
    other = hx.plan_heights(jacksboro, one.heights, hx.Brief(heights={"metres_per_step": 120}))
    assert not hx.compare(one, one).is_changed.any()
    comparison = hx.compare(one, other)
    differs = (one.fitted.corners != other.fitted.corners).any(axis=1)
    assert differs.any()
    assert comparison.is_changed[differs].all()
    assert comparison.pieces["difference"].abs().sum() > 0
    elsewhere = hx.make_plan(jacksboro, hx.Brief(board={"columns": 7, "rows": 6}))
    with pytest.raises(BoardError, match="different boards: columns is 8 and 7; "):
        hx.compare(one, elsewhere)


def test_neighbouring_boards_agree(jacksboro: hx.Elevation) -> None:
    """The same datum and step give a cell shared by two boards the same threshold level."""
    settings = {"metres_per_step": 60.0, "datum_m": 240.0}
    one = hx.make_plan(jacksboro, hx.Brief(heights=settings, board={"scale": 8000}))
    board = one.board
    shift_m = 4 * board.across_flats_m
    other = hx.make_plan(
        jacksboro,
        hx.Brief(
            heights=settings,
            board={
                "scale": 8000,
                "lon_deg": board.lon_deg + shift_m / (111_320 * np.cos(np.deg2rad(board.lat_deg))),
                "lat_deg": board.lat_deg,
            },
        ),
    )
    here = one.levels.level.reshape(16, 24)[:, 4:]
    there = other.levels.level.reshape(16, 24)[:, :-4]
    # Cut cells take the mean of what is kept of them, so those at either rim differ.
    is_whole = ~board.kept.any(axis=1).reshape(16, 24)
    both = is_whole[:, 4:] & is_whole[:, :-4]
    # The degrees of the shift are rounded, so a cell on a threshold may fall either way.
    assert np.mean((here == there)[both]) > 0.97


@pytest.mark.parametrize(
    ("brief", "error", "said"),
    [
        ({"ramps": {"pins": {"ZZ99": 3}}}, BriefError, "ZZ99"),
        (
            {"ramps": {"pins": {"B2": 0, "C2": 9}, "cliff_rise_steps": "none"}},
            InfeasibleError,
            "B2",
        ),
        ({"ramps": {"cliffs": [["B2", "G9"]]}}, BriefError, "B2"),
        ({"board": {"scale": 50_000}}, CoverageError, "384"),
        ({"board": {"scale": 1e6}}, BoardError, "0.1%"),
        ({"board": {"lon_deg": 10.0, "lat_deg": 10.0, "scale": 1000}}, CoverageError, "off"),
        ({"board": {"lon_deg": 10.0, "lat_deg": 10.0}}, CoverageError, "off"),
        ({"board": {"x": 500_000.0, "y": 4e6}}, CoverageError, "globe"),
        ({"board": {"width_mm": 50.0}}, BoardError, "width_mm"),
        ({"board": {"columns": 20_000, "rows": 20_000}}, BoardError, "400,000,000 cells"),
        ({"stock": {"spacer_mm": [40.0]}}, StockError, "40"),
        ({"fit": {"prices": {"slope": 1.0}}}, BriefError, "sloping"),
    ],
)
def test_impossible_briefs_are_answered(
    jacksboro: hx.Elevation, brief: dict[str, Any], error: type[Exception], said: str
) -> None:
    """What cannot be built is refused with the right class and the fact that matters."""
    with pytest.raises(error, match=said):
        hx.make_plan(jacksboro, hx.Brief(**brief))


def test_the_catalogue_decides_on_faces_and_banks(jacksboro: hx.Elevation, tmp_path: Path) -> None:
    """Cliffs and banks that the maker cannot cut are refused with their kind."""
    default = Path(hx.__file__).parent / "catalogue" / "default.toml"
    text = default.read_text(encoding="utf-8")
    for line, brief, said in (
        ('faces = ["waterside"]', {"ramps": {"cliff_rise_steps": 2.0}}, "land face"),
        ('faces = ["land"]', {"ramps": {"cliff_rise_steps": 1.0}}, "waterside face"),
        ('banks = ["sloping"]', {"water": {"banks": "upright"}}, "upright banks"),
    ):
        key = line.split(" = ")[0]
        path = tmp_path / "mine.toml"
        path.write_text(re.sub(rf"^{key} = .*$", line, text, flags=re.MULTILINE))
        with pytest.raises(CatalogueError, match=said):
            hx.make_plan(jacksboro, hx.Brief(catalogue=str(path), **brief))


def test_tops_that_take_long_are_used_less(jacksboro: hx.Elevation, tmp_path: Path) -> None:
    """Making one pattern take an hour leaves it out wherever another top will do."""
    default = Path(hx.__file__).parent / "catalogue" / "default.toml"
    text = default.read_text(encoding="utf-8")
    path = tmp_path / "mine.toml"
    path.write_text(text.replace('flank = "111000"', 'flank = { rises = "111000", minutes = 60 }'))
    usual = hx.make_plan(jacksboro, hx.Brief())
    slow = hx.plan_heights(jacksboro, usual.heights, hx.Brief(catalogue=str(path)))
    n_usual, n_slow = (int((plan.tiles["pattern"] == "flank").sum()) for plan in (usual, slow))
    assert n_slow < n_usual / 2


def test_a_flush_rim_is_flush(jacksboro: hx.Elevation) -> None:
    """All corners along the edge stand at the level that the brief gives."""
    for facing in ("points", "flats"):
        brief = hx.Brief(
            board={"columns": 12, "rows": 9, "facing": facing},
            heights={"metres_per_step": 60},
            fit={"rim_level": 3},
        )
        plan = hx.make_plan(jacksboro, brief)
        cell, side = np.nonzero(plan.board.neighbours < 0)
        assert (plan.fitted.corners[cell, side] == 3).all()
        assert (plan.fitted.corners[cell, (side + 1) % 6] == 3).all()
        assert np.ptp(plan.fitted.corners) > 1


def test_no_board_floats(jacksboro: hx.Elevation) -> None:
    """Without a datum in the brief the lowest tile stands on level 0, however the ground lies."""
    for board in ({"columns": 9, "rows": 7, "scale": 9000}, {"columns": 5, "rows": 4}):
        for limit in (1, 2):
            plan = hx.make_plan(jacksboro, hx.Brief(board=board, ramps={"limit": limit}))
            assert plan.fitted.level.min() == 0


def test_heights_of_another_board_are_refused(jacksboro: hx.Elevation) -> None:
    """A brief that asks for another board than the heights are of is answered."""
    plan = hx.make_plan(jacksboro, hx.Brief(board={"columns": 9, "rows": 7}))
    with pytest.raises(BriefError, match=r"board\.columns = 5"):
        hx.plan_heights(jacksboro, plan.heights, hx.Brief(board={"columns": 5}))


def test_table_size_gives_the_most_cells(jacksboro: hx.Elevation) -> None:
    """The largest board that fits the table is used, in both facings and edges."""
    for facing in ("points", "flats"):
        for edges in ("straight", "whole"):
            asked = {"width_mm": 1800.0, "depth_mm": 1200.0, "facing": facing, "edges": edges}
            board = hx.site_board(jacksboro, hx.Brief(board=asked)).board
            larger = hx.Board(
                board.columns + 1, board.rows + 1, 100.0, facing, edges, 1000.0, 0.0, 0.0
            )
            assert board.size_mm[0] <= 1800.0 < larger.size_mm[0]
            assert board.size_mm[1] <= 1200.0 < larger.size_mm[1]


@pytest.mark.parametrize(
    ("step_mm", "spacers"),
    [
        (5.0, {5.0, 10.0, 20.0}),
        (6.35, {6.35, 12.7, 25.4}),
        (40.0, {40.0}),  # twice as much is more than 60 mm
    ],
)
def test_any_step_plans_with_spacers_of_whole_steps(
    jacksboro: hx.Elevation, step_mm: float, spacers: set[float]
) -> None:
    """Unless they are given, spacers are one, two and four steps thick, and that is said."""
    small = {"columns": 8, "rows": 6}
    plan = hx.make_plan(jacksboro, hx.Brief(board=small, heights={"step_mm": step_mm}))
    assert {p.thickness_mm for p in plan.pieces.pieces if p.kind == "spacer"} <= spacers
    assert any("stock.spacer_mm" in words for words in plan.assumed)
    stacks = zip(plan.pieces.spacers_mm, plan.pieces.tiles.level.tolist(), strict=True)
    assert all(sum(stack) == pytest.approx(level * step_mm) for stack, level in stacks)
