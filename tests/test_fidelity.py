"""How true a whole board is to its ground, as a plan tells it."""

from __future__ import annotations

import pickle
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from affine import Affine
from numpy.typing import NDArray
from pyproj import Transformer

import hexterra as hx
from hexterra.brief.fidelity_section import FidelityBrief
from hexterra.elevation.averaging import average
from hexterra.fidelity.built_surface import built_m
from hexterra.fidelity.fidelity import Deviation, Fidelity, measure
from tests.small_plans import small_ground, small_plan

PAIRS = FidelityBrief(n_pairs=500)


def built_ground(plan: hx.Plan, turn_deg: float = 0.0) -> hx.Elevation:
    """Make ground of the built surface itself, on the pixels of the plan's ground, or turned."""
    board = plan.board
    turned = plan.elevation.affine @ Affine.rotation(turn_deg, (64.0, 48.0))
    elevation = replace(plan.elevation, affine=turned)
    rows, columns = elevation.shape
    row, column = np.indices((rows, columns)) + 0.5
    x, y = elevation.affine @ (column.ravel(), row.ravel())
    to_board = Transformer.from_crs(elevation.crs, board.crs, always_xy=True)
    bench_mm = board.ground_m_to_bench_mm(np.column_stack(to_board.transform(x, y)))
    surface = built_m(plan.fitted, board, bench_mm).reshape(rows, columns)
    return ground_of(surface, elevation)


def ground_of(height_m: NDArray[Any], like: hx.Elevation) -> hx.Elevation:
    """Give other heights to the pixels of an elevation; -9999 is void."""
    return hx.read_elevation(
        height_m, crs=like.crs, affine=like.affine, vertical_unit="m", nodata=-9999.0
    )


def measured(plan: hx.Plan, elevation: hx.Elevation | None = None, **more: Any) -> Fidelity:
    """Measure a plan against other ground, by default its own."""
    ground = plan.elevation if elevation is None else elevation
    return measure(plan.fitted, ground, PAIRS, step_m=plan.step_m, water=plan.water, **more)


def test_deviation_by_hand() -> None:
    """Of 1, -1, 3 and -5: bias -0.5, rms sqrt(36 / 4) = 3, and all within 5."""
    found = Deviation.of(np.array([1.0, -1.0, 3.0, -5.0]))
    assert (found.n, found.bias_m, found.rms_m, found.within_95_m) == (4, -0.5, 3.0, 5.0)
    assert Deviation.of(np.arange(1.0, 101.0)).within_95_m == 95.0


@pytest.mark.parametrize("facing", ["points", "flats"])
@pytest.mark.parametrize(("edges", "turn_deg"), [("straight", 0), ("straight", 30), ("whole", 0)])
def test_ground_made_of_the_board_is_met_exactly(facing: Any, edges: Any, turn_deg: float) -> None:
    """Where the ground is the built surface, no pixel is off and everyone sees whom they see."""
    plan = small_plan(facing, edges, bearing_deg=20.0)
    found = measured(plan, built_ground(plan, turn_deg))
    assert found.pixels is not None
    assert (found.pixels.bias_m, found.pixels.within_95_m) == pytest.approx((0.0, 0.0), abs=1e-4)
    assert found.pixels.rms_m < 1e-4  # what float32 leaves
    width_m, depth_m = (mm * plan.board.scale / 1000 for mm in plan.board.size_mm)
    if edges == "straight":
        assert found.pixels.n == pytest.approx(width_m * depth_m / 50.0**2, rel=0.02)
    assert found.sight is not None
    for seen in (found.sight.near, found.sight.overall):
        assert seen.n_pairs > 450
        assert 0 < seen.on_both < seen.n_pairs
        assert (seen.agreement, seen.kappa) == (1.0, 1.0)


def test_ground_raised_is_missed_by_as_much() -> None:
    """On ground 7 m above the built surface every pixel is 7 m too low, and sight is the same."""
    plan = small_plan()
    whole = built_ground(plan)
    height_m, usable = whole.read(0, whole.shape[0], 0, whole.shape[1])
    assert usable is not None
    found = measured(plan, ground_of(np.where(usable, height_m + 7.0, -9999.0), whole))
    assert found.pixels is not None
    assert found.pixels.bias_m == pytest.approx(-7.0, abs=1e-4)
    assert found.pixels.rms_m == pytest.approx(7.0, abs=1e-4)
    assert found.sight is not None
    assert found.sight.overall.kappa == 1.0
    assert "on average 7.0 m too low" in found.sentence()


def test_flat_ground_is_perfect() -> None:
    """Level ground is built as it is: no error, one class of slope, and everyone in sight."""
    flat = ground_of(np.full((60, 80), 120.0, np.float32), small_ground())
    board = {"columns": 6, "rows": 5}
    brief = hx.Brief(board=board, heights={"metres_per_step": 10.0, "datum_m": 120.0})
    found = hx.make_plan(flat, brief).fidelity
    assert found.pixels is not None
    assert found.sight is not None
    assert (found.cells.rms_m, found.pixels.rms_m) == (0.0, 0.0)
    assert (found.summits.n, found.floors.n, found.slopes.share_same) == (0, 0, 1.0)
    assert found.drainage == 1.0
    seen = found.sight.overall
    assert (seen.on_both, seen.n_pairs, seen.kappa) == (870, 870, 1.0)  # 30 cells, 29 others each
    assert found.sentence() == (
        f"built heights at {found.pixels.n:,} pixels are within 0.0 m (rms) of the ground, 95%"
        " within 0.0 m, on average neither"
        " too high nor too low; who sees whom agrees for 100% of pairs of cells (kappa 1.00)"
    )


def test_pixels_by_hand() -> None:
    """Differences at pixels agree with those found pixel by pixel, voids left out."""
    plan = small_plan(bearing_deg=20.0)
    built = built_ground(plan)
    window = (0, built.shape[0], 0, built.shape[1])
    surface_m, on_board = built.read(*window)
    ground_m, _ = plan.elevation.read(*window)
    holes = np.random.default_rng(4).random(ground_m.shape) < 0.1
    assert on_board is not None
    found = measured(plan, ground_of(np.where(holes, -9999.0, ground_m), built)).pixels
    known = on_board & ~holes
    difference_m = surface_m[known].astype(np.float64) - ground_m[known]
    assert found is not None
    assert found.n == known.sum()
    assert found.bias_m == pytest.approx(difference_m.mean(), abs=1e-4)
    assert found.rms_m == pytest.approx(np.sqrt((difference_m**2).mean()), abs=1e-4)


def test_fine_pixels_are_averaged() -> None:
    """Pixels of 2 m are averaged to at most 32 across a cell, as `average` does it."""
    plan = small_plan(columns=3, rows=3)
    coarse = plan.elevation
    rows, columns = coarse.shape
    height_m = np.repeat(np.repeat(coarse.read(0, rows, 0, columns)[0], 25, axis=0), 25, axis=1)
    noise = np.random.default_rng(1).normal(0.0, 3.0, height_m.shape).astype(np.float32)
    a = coarse.affine
    fine_affine = Affine(a.a / 25, 0.0, a.c, 0.0, a.e / 25, a.f)
    fine = hx.read_elevation(
        height_m + noise, crs=coarse.crs, affine=fine_affine, vertical_unit="m"
    )
    found = measured(plan, fine)
    step = found.pixels_averaged
    assert step == np.ceil(plan.board.across_flats_m / 2.0 / 32)
    assert ("Pixels averaged into one, along its edge", step, "") in found.rows()
    again = measured(plan, average(fine, step))
    assert again.pixels_averaged == 1
    assert again.pixels == found.pixels
    assert again.sight == found.sight


@pytest.mark.parametrize("lon_deg", [-180.0, 0.0, 101.0, 179.9])
def test_a_raster_round_the_globe_has_no_seam(lon_deg: float) -> None:
    """Hills that repeat every 15 degrees are measured alike wherever the board lies."""
    row, column = np.indices((360, 720))
    hills = 300.0 * np.sin(2 * np.pi * column / 30.0) + 200.0 * np.cos(row / 9.0)
    globe = hx.read_elevation(
        hills, crs="EPSG:4326", affine=Affine(0.5, 0, -180, 0, -0.5, 90), vertical_unit="m"
    )

    def found(lon_deg: float) -> Fidelity:
        board = {"columns": 6, "rows": 5, "scale": 1e6, "lon_deg": lon_deg, "lat_deg": 4.0}
        brief = hx.Brief(board=board, heights={"metres_per_step": 60.0, "datum_m": -500.0})
        return hx.make_plan(globe, brief).fidelity

    there, here = found(lon_deg), found((lon_deg + 180.0) % 15.0 - 165.0)
    assert there.pixels is not None
    assert here.pixels is not None
    assert there.pixels.n == here.pixels.n > 50
    assert there.pixels.rms_m == pytest.approx(here.pixels.rms_m, abs=1e-3)
    assert there.sight == here.sight


def test_cells_without_ground_are_left_out() -> None:
    """No pair has an end where the ground is void."""
    plan = small_plan()
    ground = plan.elevation
    height_m = ground.read(0, ground.shape[0], 0, ground.shape[1])[0].copy()
    height_m[:, : ground.shape[1] // 2] = -9999.0
    found = measured(plan, ground_of(height_m, ground))
    assert found.sight is not None
    assert found.sight.overall.n_pairs == pytest.approx(500 / 4, abs=40)
    beyond = replace(ground, affine=Affine.translation(1e6, 0.0) @ ground.affine)
    nothing = measured(plan, beyond)
    assert nothing.pixels is None
    assert nothing.sight is not None
    assert nothing.sight.overall.n_pairs == 0
    assert "who sees whom" not in nothing.sentence()
    assert nothing.sentence().startswith("mean heights of 108 cells are within ")


def test_a_plan_measures_once() -> None:
    """What a plan tells is measured the first time; it repeats, pickles, and is in the summary."""
    plan = replace(small_plan())
    assert plan.fidelity is plan.fidelity
    assert plan.fidelity == small_plan().fidelity
    assert pickle.loads(pickle.dumps(plan)).fidelity == plan.fidelity
    assert f"truth   {plan.fidelity.sentence()}" in plan.describe()


def test_a_brief_sets_eyes_and_pairs() -> None:
    """Higher eyes see more, more pairs are looked at, and cells are none the wiser."""
    plan = small_plan()
    high = replace(plan, brief=plan.brief.changed({"fidelity": {"eye_m": 200.0, "n_pairs": 1000}}))
    low, tall = plan.fidelity.sight, high.fidelity.sight
    assert low is not None
    assert tall is not None
    assert (low.eye_m, low.target_m, tall.eye_m, tall.target_m) == (1.7, 1.7, 200.0, 1.7)
    assert tall.overall.n_pairs == 1000
    share_low, share_tall = (
        (s.overall.on_both + s.overall.on_ground_only) / s.overall.n_pairs for s in (low, tall)
    )
    assert share_low < share_tall
    assert high.fidelity.cells == plan.fidelity.cells


@pytest.mark.parametrize(
    "wrong", [{"eye_m": -1.0}, {"target_m": 1001.0}, {"n_pairs": 99}, {"seed": -1}]
)
def test_wrong_keys_are_refused(wrong: dict[str, Any]) -> None:
    """Eyes below the ground, too few pairs and the like are refused by name."""
    with pytest.raises(hx.BriefError, match=rf"fidelity\.{next(iter(wrong))}"):
        hx.Brief(fidelity=wrong)


def test_a_plan_opened_again_knows_what_was_measured(tmp_path: Path) -> None:
    """The folder keeps it to the last bit; a change keeps only what needs no raster."""
    plan = small_plan()
    hx.write_plan(plan, tmp_path / "plan")
    again = hx.read_plan(tmp_path / "plan")
    assert again.fidelity == plan.fidelity
    level = int(again.fitted.level[30])
    edited = hx.edit_plan(again, again.board.labels[30], pattern="flat", level=level)
    if (edited.fitted.corners == again.fitted.corners).all():
        edited = hx.edit_plan(again, again.board.labels[30], pattern="flat", level=level + 1)
    found = edited.fidelity
    assert (found.pixels, found.sight, found.pixels_averaged) == (None, None, 0)
    expected = measure(edited.fitted, plan.elevation, PAIRS, step_m=plan.step_m, water=plan.water)
    assert replace(expected, pixels=None, sight=None, pixels_averaged=0) == found
    assert again.with_fidelity(found).fidelity.pixels is None  # of other tops: measured again
    hx.write_plan(edited, tmp_path / "edited")
    assert hx.read_plan(tmp_path / "edited").fidelity == found


def test_rows_say_everything_once() -> None:
    """Labels differ, values are finite, percentages lie from 0 to 100, and n/a is left out."""
    found = small_plan().fidelity
    rows = found.rows()
    assert len({label for label, _, _ in rows}) == len(rows)
    for _, value, unit in rows:
        assert np.isfinite(value)
        assert unit in {"", "m", "%"}
        assert unit != "%" or 0.0 <= value <= 100.0
    fewer = replace(found, pixels=None, sight=None, drainage=None).rows()
    assert len(fewer) == len(rows) - 4 - 12 - 1
    assert set(fewer) < set(rows)
