"""Which step, ramp limit, cliffs and datum are chosen, and what is advised."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pytest
from affine import Affine

from hexterra.brief.brief import Brief
from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.errors import BriefError
from hexterra.outputs.plan_files import write_plan
from hexterra.outputs.reopen import read_plan
from hexterra.plan.choice import OF_LEVELS, OF_STEP, OF_TOPS, Choice, Trial, choose
from hexterra.plan.edit import edit_plan
from hexterra.plan.pipeline import make_plan, plan_heights
from hexterra.plan.plan import Plan
from hexterra.stages.levels.cliffs import mark_cliffs
from hexterra.stages.levels.legalise import legalise
from hexterra.stages.levels.quantise import quantise
from hexterra.stages.tiles.fit import fit

if TYPE_CHECKING:
    from numpy.typing import NDArray

BOARD = {"columns": 12, "rows": 8, "scale": 3000.0}
DRY = {"board": BOARD, "water": {"show": False}}
VALUES = ("metres_per_step", "ramp_limit", "cliff_rise_steps", "datum_m")


@cache
def flat_plan() -> Plan:
    """Plan level ground without water: its board takes any heights."""
    ground = read_elevation(
        np.full((120, 160), 5.0),
        affine=Affine(30.0, 0.0, 400_000.0, 0.0, -30.0, 5_200_000.0),
        crs="EPSG:32633",
    )
    return make_plan(ground, Brief.model_validate(DRY))


def chosen_for(mean_m: NDArray[np.float64], **sections: Any) -> Choice:
    """Choose for a dry board of these heights."""
    plan = flat_plan()
    brief = Brief.model_validate({**DRY, **sections})
    return choose(replace(plan.heights, mean_m=mean_m), plan.overlay, brief, load_catalogue(None))


def middle_mm() -> NDArray[np.float64]:
    """Give the middles of the cells."""
    return flat_plan().board.centre_mm


@cache
def default_plan(ground: Elevation) -> Plan:
    """Plan a board of a real piece of ground that leaves everything open."""
    return make_plan(ground, Brief(board={"columns": 12, "rows": 8}))


def values_of(trial: Trial) -> tuple[Any, ...]:
    """Give what tells one trial from another."""
    return tuple(getattr(trial, name) for name in VALUES)


def keys_of(trial: Trial, *, datum: bool) -> dict[str, Any]:
    """Give the values of a trial as sections of a brief."""
    heights = {"metres_per_step": trial.metres_per_step}
    rise_steps = trial.cliff_rise_steps
    return {
        "heights": heights | ({"datum_m": trial.datum_m} if datum else {}),
        "ramps": {
            "limit": trial.ramp_limit,
            "cliff_rise_steps": "none" if rise_steps is None else rise_steps,
        },
    }


# Known by hand -----------------------------------------------------------------------------------


def test_a_plane_gets_gentle_ramps() -> None:
    """An even slope is built most truly in the finest round steps that gentle ramps can follow.

    It rises 100 m in 11.5 cells, 8.7 m from cell to cell: less than a step of 10 m, more than one
    of 8 m.
    """
    x = middle_mm()[:, 0]
    chosen = chosen_for(100.0 * (x - x.min()) / np.ptp(x)).chosen
    assert (chosen.metres_per_step, chosen.ramp_limit) == (10.0, 1)
    assert (chosen.cliff_rise_steps, chosen.n_faces) == (None, 0)


def test_the_cliffs_of_a_mesa_pay() -> None:
    """Ground that jumps 100 m between two levels is built without error, by a face on every side.

    Ramps could show it only by moving cell after cell off its level.
    """
    plan = flat_plan()
    is_high = middle_mm()[:, 0] > np.median(middle_mm()[:, 0])
    choice = chosen_for(np.where(is_high, 100.0, 0.0))
    board = plan.board
    jumps = is_high[:, None] & ~is_high[board.neighbours] & (board.neighbours >= 0)
    chosen = choice.chosen
    assert chosen.cliff_rise_steps is not None
    assert (chosen.error_m, chosen.n_faces, chosen.standing) == (0.0, int(jumps.sum()), 1.0)
    ramped = [one for one in choice.tried if one.cliff_rise_steps is None]
    assert min(one.error_m for one in ramped) > 10.0


def test_level_ground_leaves_nothing_to_choose() -> None:
    """Without relief a step is true to scale, ramps are gentle, and there is nothing to advise."""
    choice = flat_plan().choice
    assert len(choice.tried) == 1
    assert values_of(choice.chosen)[:3] == (22.5, 1, None)  # 7.5 mm at 1:3000
    assert choice.advice == ()


# Laws --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sections", "name", "kept"),
    [
        ({"heights": {"metres_per_step": 33.0}}, "metres_per_step", 33.0),
        ({"heights": {"datum_m": 210.0}}, "datum_m", 210.0),
        ({"ramps": {"limit": 1}}, "ramp_limit", 1),
        ({"ramps": {"limit": 2}}, "ramp_limit", 2),
        ({"ramps": {"cliff_rise_steps": "none"}}, "cliff_rise_steps", None),
        ({"ramps": {"cliff_rise_steps": 1.5}}, "cliff_rise_steps", 1.5),
        ({"ramps": {"cliffs": [["B3", "B4"]]}}, "cliff_rise_steps", None),
    ],
)
def test_what_the_brief_gives_stays(
    jacksboro: Elevation, sections: dict[str, Any], name: str, kept: object
) -> None:
    """Each key that is given stays as it is, and is not said to be assumed; the others are."""
    first = default_plan(jacksboro)
    brief = first.brief.changed(sections)
    choice = choose(first.heights, first.overlay, brief, load_catalogue(None))
    assert getattr(choice.chosen, name) == kept
    (said,) = choice.assumed
    key = "ramps.limit" if name == "ramp_limit" else f".{name} ="
    assert key not in said
    assert " boards tried the best balance of truth, standing room and hours" in said


def test_the_choice_is_the_best_of_all_that_can_be_tried(jacksboro: Elevation) -> None:
    """A plain twin of the search, by the stages themselves, finds none with a lesser score.

    The heights of the twin's score are those that `Trial` and the constants beside it state.
    """
    plan = default_plan(jacksboro)
    mean_m, catalogue = plan.heights.mean_m, load_catalogue(None)
    round_m = [
        10.0**power * d for power in (0, 1, 2) for d in (1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8)
    ]
    true_m = 7.5 * plan.board.scale / 1000.0
    relief_m = float(np.ptp(mean_m))
    steps = [m for m in {*round_m, true_m} if relief_m / 14 <= m <= relief_m / 5]
    by_values = {values_of(one): one for one in plan.choice.tried}
    scores: dict[tuple[Any, ...], float] = {}
    for step_m, limit, cliff in product(steps, (1, 2), (None, 3.0, 2.0)):
        levels = quantise(plan.heights, metres_per_step=step_m)
        cliffs = mark_cliffs(levels, rise_steps=cliff)
        legal = legalise(
            levels, water=plan.overlay.water, ramp_limit=limit,
            cliffs=cliffs & ~plan.overlay.road_sides,
        )  # fmt: skip
        gentle = [p for p in catalogue.patterns if max(p.rises) <= limit]
        tiles = fit(legal, replace(catalogue, patterns=tuple(gentle)), cuts=plan.pieces.cuts)
        square_m2 = OF_LEVELS * ((legal.level * step_m + levels.datum_m - mean_m) ** 2).mean()
        square_m2 += OF_TOPS * tiles.residual_m.std() ** 2 + OF_STEP * step_m**2
        standing = float((tiles.corners == tiles.level[:, None]).all(axis=1).mean())
        values = (step_m, limit, cliff, levels.datum_m)
        if values not in by_values:  # no side rises so much: the board without cliffs
            assert not cliffs.any()
            continue
        trial = by_values[values]
        assert trial.error_m == pytest.approx(math.sqrt(max(square_m2, 0.0)))
        assert trial.standing == pytest.approx(standing)
        assert trial.n_faces == int(tiles.cliff.sum()) // 2
        felt_m = math.hypot(trial.error_m, 0.05 * mean_m.std())
        room = standing - trial.n_faces / len(mean_m)
        scores[values] = math.log(felt_m) + math.log(trial.hours) - 0.3 * room
    chosen = plan.choice.chosen
    assert chosen.score <= min(scores.values()) + 1e-9
    best = min(scores, key=lambda values: (scores[values], values[1]))
    assert values_of(chosen)[:3] == best[:3]  # the datum may lie half a step off


def test_the_choice_is_the_same_again(jacksboro: Elevation) -> None:
    """Equal ground and brief give the same choice; so do the chosen values, given as keys."""
    plan = default_plan(jacksboro)
    catalogue = load_catalogue(None)
    again = choose(plan.heights, plan.overlay, plan.brief, catalogue)
    assert again.same_as(plan.choice)
    given = plan.brief.changed(keys_of(plan.choice.chosen, datum=True))
    fixed = choose(plan.heights, plan.overlay, given, catalogue)
    assert fixed.chosen.same_as(plan.choice.chosen)
    assert fixed.assumed == ()
    made = plan_heights(plan.elevation, plan.heights, given, overlay=plan.overlay)
    assert (made.fitted.built_m == plan.fitted.built_m).all()


def test_what_is_expected_is_near_what_is_built(jacksboro: Elevation) -> None:
    """The error that a choice expects is that of the plan, but for a third."""
    for sections in ({}, {"ramps": {"limit": 1, "cliff_rise_steps": "none"}}):
        plan = make_plan(jacksboro, Brief.model_validate(sections))
        assert plan.choice.chosen.error_m == pytest.approx(plan.fidelity.cells.rms_m, rel=1 / 3)


# Advice ------------------------------------------------------------------------------------------


def test_advice_holds_for_a_plan_that_takes_it(jacksboro: Elevation) -> None:
    """A plan with one key changed as advised expects the figures that the advice gives."""
    given = {"heights": {"metres_per_step": 50.0}, "ramps": {"limit": 1}}
    brief = Brief.model_validate({"board": {"columns": 12, "rows": 8}, **given})
    plan = make_plan(jacksboro, brief)
    now, advice = plan.choice.chosen, plan.advice
    assert 2 <= len(advice) <= 3
    for words in advice:
        key, value = words.split(": ")[0].split(" = ")
        section, name = key.split(".")
        keys = keys_of(now, datum=name != "metres_per_step")
        keys[section][name] = "none" if value == '"none"' else float(value)
        if name == "limit":
            keys[section][name] = int(value)
        taken = choose(plan.heights, plan.overlay, brief.changed(keys), load_catalogue(None)).chosen
        assert taken in plan.choice.tried
        before, after = (
            f"{m:,.0f}" if m >= 10 else f"{m:.2g}" for m in (now.error_m, taken.error_m)
        )
        assert f"error of cells about {before} -> {after} m (rms)" in words
        n = abs(taken.n_levels - now.n_levels)
        more = "more" if taken.n_levels > now.n_levels else "fewer"
        assert (f", {n} level{'s' * (n != 1)} {more}" in words) == (n > 0)
        assert taken.error_m < now.error_m or taken.hours < now.hours
    assert f"Advice:\n  - {advice[0]}" in plan.describe()


def test_a_plan_keeps_what_was_chosen(jacksboro: Elevation, tmp_path: Path) -> None:
    """Opened again, and changed by hand, a plan has the same choice and gives the same advice."""
    plan = default_plan(jacksboro)
    write_plan(plan, tmp_path / "plan")
    opened = read_plan(tmp_path / "plan")
    assert opened.choice.same_as(plan.choice)
    assert opened.advice == plan.advice
    tiles = opened.fitted
    same = edit_plan(opened, opened.board.labels[0], level=int(tiles.level[0]))
    assert same.choice.same_as(plan.choice)
    kept = make_plan(jacksboro, Brief(keep={"plan": str(tmp_path / "plan"), "cells": ["all"]}))
    assert values_of(kept.choice.chosen)[:3] == values_of(plan.choice.chosen)[:3]
    assert len(kept.choice.tried) == 1
    assert (kept.fitted.corners == tiles.corners).all()


def test_no_other_word_than_none_is_a_rule_for_cliffs() -> None:
    """Cliffs are from so many steps on, or "none"."""
    assert Brief(ramps={"cliff_rise_steps": "none"}).ramps.cliff_rise_steps == "none"
    with pytest.raises(BriefError, match=r"cliff_rise_steps is 'few': .* at most 1000, or 'none'"):
        Brief(ramps={"cliff_rise_steps": cast("Any", "few")})


# Cautions ----------------------------------------------------------------------------------------


def test_flattened_levels_many_kinds_and_cut_summits_are_noted(jacksboro: Elevation) -> None:
    """Fine steps without cliffs flatten hills; the notes give the numbers that the tables give."""
    heights = {"metres_per_step": 30.0}
    ramps = {"limit": 1, "cliff_rise_steps": "none"}
    board = {"columns": 12, "rows": 8}
    plan = make_plan(
        jacksboro, Brief.model_validate({"heights": heights, "ramps": ramps, "board": board})
    )
    off_m = np.abs(plan.tiles["residual_m"])
    said = f"Levels are flattened: {(off_m > 30.0).sum()} of 96 tops lie more than a step off"
    assert any(note.startswith(said) for note in plan.notes)
    summits = plan.fidelity.summits
    said = f"Summits are cut: {summits.n_lost} of {summits.n} that rise more than a step"
    assert any(note.startswith(said) for note in plan.notes) == (summits.n_lost > 0)
    n_kinds = (plan.schedule["kind"] == "tile").sum()
    said = f"The 96 tiles are of {n_kinds} kinds"
    assert any(note.startswith(said) for note in plan.notes) == (n_kinds > 19)
    n_wet = int((plan.tiles["crossing"] != "").sum())
    said = f"Much of the board is wet: {n_wet} of 96 cells, {n_wet} of them with running water"
    assert any(note.startswith(said) for note in plan.notes) == (n_wet > 19)
    assert not any("flattened" in note for note in flat_plan().notes)
