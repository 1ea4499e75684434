"""Lakes, hollows and the sea: where they are found, how they are built, and what runs into them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hexterra.brief.brief import Brief
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.elevation.invention import invent
from hexterra.plan.board_water import LEAST_THRESHOLD_M2
from hexterra.plan.pipeline import make_plan
from hexterra.plan.plan import Plan
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.levels.quantise import quantise
from hexterra.stages.sampling.gather import gather
from hexterra.stages.water.flow import WaterKind, flow
from hexterra.stages.water.stubs import prune_stubs
from tests.plan_tables import Rows, judge, read_tables

CRS = "EPSG:32631"
X, Y = 500_000.0, 4_500_000.0
PIXEL_M = 50.0
N_ROWS, N_COLUMNS = 120, 160
#: 10 x 8 whole cells of 500 m across flats, ten pixels, around (X, Y).
BOARD: dict[str, Any] = {"columns": 10, "rows": 8, "edges": "whole", "scale": 5000.0}


def places() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give x to the right and y upward of every pixel, from the middle of the board, in metres."""
    row, column = np.mgrid[0:N_ROWS, 0:N_COLUMNS] + 0.5
    return (column - N_COLUMNS / 2) * PIXEL_M, (N_ROWS / 2 - row) * PIXEL_M


def ground(height_m: NDArray[np.float64]) -> Elevation:
    """Make a raster of heights around the middle of the board."""
    west, north = X - N_COLUMNS / 2 * PIXEL_M, Y + N_ROWS / 2 * PIXEL_M
    affine = Affine(PIXEL_M, 0.0, west, 0.0, -PIXEL_M, north)
    return read_elevation(height_m.astype(np.float32), crs=CRS, affine=affine, vertical_unit="m")


def slope() -> NDArray[np.float64]:
    """Fall to the right by 1 in 50, with a fine roughness that leaves no flats."""
    x, y = places()
    return 300.0 - 0.02 * x + 0.03 * np.abs(y) + 0.2 * np.sin(x / 70.0) * np.cos(y / 60.0)


def planned(height_m: NDArray[np.float64], **asked: Any) -> Plan:
    """Plan the board on such ground, in steps of 10 m."""
    settings = {"board": BOARD, "heights": {"metres_per_step": 10.0}, **asked}
    return make_plan(ground(height_m), Brief.model_validate(settings))


def under(plan: Plan, kind: str) -> NDArray[np.bool_]:
    """Give the cells under a kind of standing water."""
    water = plan.water
    assert water is not None
    if water.standing is None:
        return np.zeros(plan.board.n_cells, np.bool_)
    of_kind = [k for k, name in enumerate(water.standing.kinds) if name == kind]
    return np.isin(water.standing.body, of_kind)


def check_built(plan: Plan) -> None:
    """See that standing water is level, ends what runs in, and is told of everywhere."""
    standing = plan.water.standing if plan.water is not None else None
    assert plan.water is not None
    assert standing is not None
    tiles = plan.fitted
    for body in range(len(standing.kinds)):
        assert len(np.unique(tiles.corners[standing.body == body])) == 1
    cells = np.flatnonzero(standing.is_under)
    within = standing.joins[cells] & plan.water.ports[cells]
    assert not within.any()
    covers = plan.tiles["cover"].to_numpy()[cells]
    assert covers.tolist() == [standing.kinds[body] for body in standing.body[cells]]
    finished = plan.schedule.set_index("piece")["count"]
    for kind in set(standing.kinds):
        assert finished[kind] == int(under(plan, kind).sum())


def lake_tables() -> tuple[Rows, Rows]:
    """Give the tables of a board with one lake, to be corrupted."""
    x, y = places()
    height = slope()
    is_lake = np.hypot(x, y) < 900.0
    height[is_lake] = height[is_lake].min() - 1.0
    return read_tables(planned(height))


@pytest.mark.parametrize(
    ("column", "value", "expected"),
    [
        ("standing", "lake 2", None),
        ("standing", "sea 1", "cover sea"),
        ("cover", "woods", "cover lake"),
        ("corners", "9 9 9 9 9 9", "a level top at"),
    ],
)
def test_verify_sees_what_is_wrong_with_a_lake(
    column: str, value: str, expected: str | None, tmp_path: Path
) -> None:
    """A lake is of one height, and is covered as what it is; which number it has matters not."""
    tables = lake_tables()
    row = next(row for row in tables[0][::-1] if row["standing"])
    row[column] = value
    found = [f for f in judge(tables, tmp_path).findings if f.what == "standing"]
    assert [f.cell for f in found] == ([row["cell"]] if expected else [])
    assert all(f.expected.startswith(expected or "") for f in found)


def test_verify_sees_a_watercourse_within_a_lake(tmp_path: Path) -> None:
    """No tile of a lake has a port towards another."""
    tables = lake_tables()
    row = next(row for row in tables[0] if row["standing"] and not row["ports"])
    row["ports"] = "0 1 2 3 4 5"
    found = [f for f in judge(tables, tmp_path).findings if f.what == "standing"]
    assert {f.cell for f in found} == {row["cell"]}
    assert {f.expected for f in found} == {"no watercourse within it"}


def test_flat_water_is_a_lake() -> None:
    """A round of 900 m, flat as surveys record water, lower than all around, is one lake."""
    x, y = places()
    height = slope()
    is_lake = np.hypot(x, y) < 900.0
    height[is_lake] = height[is_lake].min() - 1.0
    plan = planned(height)
    check_built(plan)
    lake = under(plan, "lake")
    distance_m = np.hypot(*(plan.board.centre_xy - plan.board.centre_xy.mean(axis=0)).T)
    assert lake[distance_m < 600.0].all()
    assert not lake[distance_m > 1200.0].any()
    assert plan.water is not None
    assert plan.water.standing is not None
    # Roughness dams its outlet by a little.
    assert plan.water.standing.height_m == pytest.approx([height[is_lake][0]], abs=0.3)
    assert not under(planned(height, water={"standing": False}), "lake").any()


def test_a_closed_hollow_is_a_lake_up_to_its_lowest_pass() -> None:
    """A pit 60 m deep, too deep to breach, is filled to the rim it would run over."""
    x, y = places()
    height = slope()
    height -= 60.0 * np.clip(1.3 - np.hypot(x, y) / 900.0, 0.0, 1.0)
    plan = planned(height)
    check_built(plan)
    assert plan.water is not None
    assert plan.water.standing is not None
    [surface_m] = plan.water.standing.height_m.tolist()
    around = height[(np.hypot(x, y) > 900.0 * 1.25) & (np.hypot(x, y) < 900.0 * 1.4)]
    assert around.min() - 2.0 < surface_m < around.max()
    assert not under(
        planned(height, drainage={"lake_depth_m": 90.0, "lake_area_km2": 0.1}), "lake"
    ).any()


def test_a_plain_is_no_lake() -> None:
    """As flat as water, but with lower ground along half of its rim."""
    x, y = places()
    height = slope()
    is_flat = np.hypot(x, y) < 900.0
    height[is_flat] = np.median(height[is_flat])
    assert not under(planned(height), "lake").any()


@pytest.mark.parametrize("asked", [{"sea_level_m": 0.0}, {}])
def test_the_sea_lies_at_its_level_with_a_shore(asked: dict[str, float]) -> None:
    """East of a coast at 0 m lies the sea; rivers of the land end in it, and no river is in it."""
    x, _ = places()
    height = np.where(x < 700.0, slope() - slope()[x < 700.0].min() + 3.0, 0.0)
    plan = planned(height, drainage=asked)
    check_built(plan)
    sea = under(plan, "sea")
    east_m = plan.board.centre_xy[:, 0] - plan.board.centre_xy[:, 0].mean()
    assert sea[east_m > 1000.0].all()
    assert not sea[east_m < 400.0].any()
    assert plan.water is not None
    ends = plan.water.is_watercourse & (plan.water.outflow < 0)
    assert ends.any()
    assert sea[ends & (np.abs(east_m - 700.0) < 600.0)].all()
    assert (plan.fitted.level[sea] <= plan.fitted.level[~sea].min()).all()


def test_a_sea_of_cell_means() -> None:
    """Where water follows cell means, cells whose mean is at or below the level are sea."""
    x, _ = places()
    height = np.where(x < 700.0, slope() - slope()[x < 700.0].min() + 3.0, -5.0)
    plan = planned(height, drainage={"follow": "cell means", "sea_level_m": 0.0})
    check_built(plan)
    assert under(plan, "sea").tolist() == (plan.heights.mean_m <= 0.0).tolist()


def test_two_lakes_that_meet_keep_dry_land_between() -> None:
    """Of two lakes 30 m apart in height, cells of the smaller that touch the larger are dry."""
    x, y = places()
    height = slope()
    upper, lower = (x > -1300.0) & (x <= -50.0), (x > 50.0) & (x < 1700.0)
    near = np.abs(y) < 900.0
    height[near & (np.abs(x) <= 50.0)] += 2.0
    height[upper & near] = height[upper & near].min() - 1.0
    height[lower & near] = height[lower & near].min() - 1.0
    plan = planned(height)
    check_built(plan)
    assert plan.water is not None
    standing = plan.water.standing
    assert standing is not None
    assert len(standing.kinds) == 2
    there = plan.board.neighbours
    both = (there >= 0) & standing.is_under[:, None] & standing.is_under[there]
    assert (standing.body[:, None] == standing.body[there])[both].all()


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    limit=st.sampled_from([1, 2]),
    edges=st.sampled_from(["whole", "straight"]),
)
def test_boards_with_lakes_fit_together(
    tmp_path_factory: pytest.TempPathFactory, seed: int, limit: int, edges: str
) -> None:
    """On invented ground with a lake and a coast, every board verifies and every lake is level."""
    random = np.random.default_rng(seed)
    height = (
        invent(seed, rows=N_ROWS, columns=N_COLUMNS, pixel_m=PIXEL_M)
        .read(0, N_ROWS, 0, N_COLUMNS)[0]
        .astype(np.float64)
    )
    x, y = places()
    is_lake = np.hypot(x - random.uniform(-1500, 1500), y - random.uniform(-900, 900)) < 700.0
    height[is_lake] = height[is_lake].min() - 0.5
    plan = make_plan(
        ground(height),
        Brief.model_validate({"board": BOARD | {"edges": edges}, "ramps": {"limit": limit}}),
    )
    verdict = judge(read_tables(plan), tmp_path_factory.mktemp("lakes"))
    assert verdict.agrees, verdict.describe()
    if plan.water is not None and plan.water.standing is not None:
        check_built(plan)


# How much water -----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_about_one_cell_in_eight_is_wet(seed: int) -> None:
    """On invented hills of every seed the default shows between 8 and 15 % of the dry land."""
    raster = invent(seed, rows=300, columns=400, pixel_m=30.0)
    plan = make_plan(raster, Brief.model_validate({"board": {"columns": 24, "rows": 16}}))
    assert plan.water is not None
    standing = plan.water.standing
    n_dry = plan.board.n_cells - (0 if standing is None else int(standing.is_under.sum()))
    assert 0.08 <= plan.water.is_watercourse.sum() / n_dry <= 0.15


def test_no_gutter_is_a_river() -> None:
    """On 300 m of ground nothing drains five hectares, so the default shows no water."""
    raster = invent(1, rows=150, columns=200, pixel_m=1.0)
    plan = make_plan(raster, Brief.model_validate({"board": {"columns": 12, "rows": 9}}))
    assert plan.water is not None
    catchment_m2 = plan.water.catchment_m2[plan.water.is_watercourse]
    assert (catchment_m2 >= LEAST_THRESHOLD_M2).all()


def test_the_threshold_that_was_chosen_can_be_written_down() -> None:
    """Given in the brief, it makes the same water."""
    raster = invent(4, rows=200, columns=300, pixel_m=40.0)
    board = {"columns": 12, "rows": 9}
    plan = make_plan(raster, Brief.model_validate({"board": board}))
    [said] = [line for line in plan.assumed if line.startswith("water.threshold_km2")]
    km2 = float(said.split()[2])
    again = make_plan(
        raster, Brief.model_validate({"board": board, "water": {"threshold_km2": km2}})
    )
    assert plan.water is not None
    assert again.water is not None
    assert again.water.ports.tolist() == plan.water.ports.tolist()


# Headwaters -------------------------------------------------------------------------------------


def test_short_headwaters_go_the_smallest_first() -> None:
    """By hand: 0 to 4 is the river; 5 runs into 1, 6 and 7 into 3. Shorter than three, two go.

    The head of the river above 1 is a headwater of one cell too, but once the smaller 5 is gone it
    is five cells long.
    """
    receiver = np.array([1, 2, 3, 4, 4, 1, 7, 3], dtype=np.int32)
    catchment = np.array([3.0, 6.0, 7.0, 12.0, 13.0, 2.0, 1.0, 2.5])
    is_wet = np.ones(8, np.bool_)
    assert prune_stubs(receiver, catchment, is_wet, np.zeros(8, np.bool_), 3) == 2
    assert is_wet.tolist() == [True] * 5 + [False] * 3


def test_what_comes_from_elsewhere_stays() -> None:
    """A watercourse of one cell that enters from beyond the board is no stub."""
    receiver = np.array([1, 2, 2], dtype=np.int32)
    is_wet = np.ones(3, np.bool_)
    kept = np.array([True, False, False])
    assert prune_stubs(receiver, np.array([5.0, 6.0, 7.0]), is_wet, kept, 9) == 0
    assert is_wet.all()


@pytest.mark.parametrize("least_cells", [1, 2, 3, 5])
def test_no_headwater_is_shorter_than_asked(least_cells: int) -> None:
    """Followed downstream from every spring, so many cells come before a confluence or the end."""
    raster = invent(6, rows=200, columns=300, pixel_m=40.0)
    board = {"columns": 18, "rows": 13}
    asked = {"threshold_km2": 0.4, "least_cells": least_cells}
    water = make_plan(raster, Brief.model_validate({"board": board, "water": asked})).water
    assert water is not None
    lengths: list[int] = []
    is_spring = water.kind == WaterKind.SPRING
    if water.standing is not None:
        is_spring &= ~water.standing.is_under
    for spring in np.flatnonzero(is_spring).tolist():
        cell, length = spring, 1
        while water.outflow[cell] >= 0:
            cell = int(water.receiver[cell])
            if water.kind[cell] == WaterKind.CONFLUENCE or water.ports[cell].sum() > 2:
                break
            length += 1
        lengths.append(length)
    assert lengths
    assert min(lengths) >= least_cells
    assert least_cells > 1 or min(lengths) < 5


# Banks ------------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_a_valley_keeps_its_banks(seed: int) -> None:
    """Legal levels put no dry ground below a watercourse that it does not lie below in nature."""
    raster = invent(seed, rows=90, columns=120, pixel_m=60.0)
    plan = make_plan(raster, Brief.model_validate({"board": {"columns": 10, "rows": 7}}))
    legal, water = plan.legal, plan.water
    assert water is not None
    mean_m, is_wet = plan.heights.mean_m, water.is_watercourse
    for cell, side in np.argwhere(plan.board.neighbours >= 0).tolist():
        there = plan.board.neighbours[cell, side]
        if is_wet[cell] and not is_wet[there] and mean_m[there] >= mean_m[cell]:
            assert legal.level[there] >= legal.level[cell]


def test_pins_are_stronger_than_banks() -> None:
    """A pin below the river beside it is obeyed, as if banks asked for nothing."""
    x, y = places()
    heights = gather(
        ground(250.0 + 0.1 * np.abs(y) - 0.01 * x),
        make_plan(ground(slope()), Brief.model_validate({"board": BOARD})).board,
    )
    levels = quantise(heights, metres_per_step=10.0)
    water = flow(heights, threshold_m2=3.0 * float(heights.lattice.area_m2[0]))
    wet = np.flatnonzero(water.is_watercourse & (water.outflow >= 0))
    cell = int(wet[np.argmax(levels.level[wet])])
    beside = next(
        int(k)
        for k in heights.lattice.neighbours[cell]
        if k >= 0 and not water.is_watercourse[k] and heights.mean_m[k] >= heights.mean_m[cell]
    )
    free = legalise(levels, water=water)
    assert free.level[beside] >= free.level[cell]
    lowest = int(free.level[cell]) - 1
    pinned = legalise(levels, water=water, pins=[(beside, lowest), (cell, lowest + 1)])
    assert pinned.level[beside] == lowest
