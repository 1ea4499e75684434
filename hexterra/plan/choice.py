"""Heights, overlay, brief -> Choice: metres per step, ramp limit, cliffs and datum by what they do.

Where a brief leaves them open, quick boards are made of many of their values, by the stages up to
`fit`, and the one with the best balance of truth to the ground, standing room and hours is chosen.
What the others would have brought is the advice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, cast

import numpy as np

from hexterra.errors import HexterraError
from hexterra.place.proposal import LEAST_RELIEF_M
from hexterra.plan.defaults import metres_per_step_of, pins_of, tops_within, where_faces_can_be
from hexterra.plan.rules import cuts_for, legal_levels
from hexterra.rounding import round_numbers
from hexterra.stages.tiles.fit import Tiles, fit, level_to_metres
from hexterra.units import MM_PER_M
from hexterra.values import Value

if TYPE_CHECKING:
    from collections.abc import Callable

    from hexterra.brief.brief import Brief
    from hexterra.catalogue.catalogue import Catalogue
    from hexterra.lattice.board import Board
    from hexterra.plan.overlay import Overlay
    from hexterra.stages.levels.legalise import LegalLevels
    from hexterra.stages.sampling.gather import Heights

#: Steps that the relief takes, from and to: fewer than five show no landforms.
FEWEST_STEPS: Final = 5
MOST_STEPS: Final = 14
LIMITS: Final = (1, 2)
#: Rises in steps from which a side stays a cliff; None for no cliffs.
CLIFFS: Final = (None, 3.0, 2.0)

#: What hours and standing room are worth beside truth: half the error is worth twice the hours; a
#: tenth of the tiles more to stand on, or as many step faces fewer, which figures cannot cross, is
#: worth 3% of either. Weighed on boards of real and invented ground at several scales: a fifth more
#: or less of one or the other would change the step on two of ten; no source.
HOURS: Final = 1.0
STANDING: Final = 0.3
#: An error below this share of the spread of the heights is as good as none.
NO_ERROR: Final = 0.05

#: Mean square error of the best board: from that of the levels, the spread of the errors of the
#: first tops, and the square of a step, as ramps even out what whole steps round. Fitted to 112
#: boards of seven grounds, of which it is within 12% (rms).
OF_LEVELS, OF_TOPS, OF_STEP = 0.9, 0.3, -0.052
#: Minutes per tile, per mm of spacers, per step face and per kind of tile: fitted to the estimates
#: of 102 boards of 384 tiles at the default rates; within 1 h of their 27 to 47 h (rms).
PER_TILE, PER_MM, PER_FACE, PER_KIND = 2.8, 0.053, 1.45, 6.8

#: Changes that are advised at most; and what they must change in error or hours to be worth it.
N_ADVISED: Final = 3
NOTICEABLE: Final = 0.03

#: Metres per step, ramp limit, cliff rise and datum.
_Setting = tuple[float, int, float | None, float]


@dataclass(frozen=True, eq=False, repr=False)
class Trial(Value):
    """A quick board, and what to expect of the best one by the same rules.

    Parameters
    ----------
    metres_per_step
        Ground height of a step.
    ramp_limit
        Steps that a ramp may rise.
    cliff_rise_steps
        Rise from which a side stays a cliff; None for no cliffs by such a rule.
    datum_m
        Ground height of level 0, in metres.
    error_m
        Root mean square of mean heights of cells against the ground, in metres, as expected.
    n_levels, n_faces, n_kinds
        Levels, step faces, and kinds of tiles.
    standing
        Share of tiles with a level top, 0 to 1.
    hours
        At the bench by the default rates, as expected.
    score
        The less the better: ``log(error) + HOURS * log(hours)``, less `STANDING` times
        `standing` without a tile for each step face.
    """

    metres_per_step: float
    ramp_limit: int
    cliff_rise_steps: float | None
    datum_m: float
    error_m: float
    n_levels: int
    n_faces: int
    n_kinds: int
    standing: float
    hours: float
    score: float

    @property
    def rank(self) -> tuple[float, ...]:
        """Order of trials: by score; of equals gentle ramps, fewer cliffs, then greater steps."""
        rise_steps = math.inf if self.cliff_rise_steps is None else self.cliff_rise_steps
        return self.score, self.ramp_limit, -rise_steps, -self.metres_per_step


@dataclass(frozen=True, eq=False, repr=False)
class Choice(Value):
    """What was chosen, among what.

    Parameters
    ----------
    chosen
        The values that the plan keeps to.
    tried
        All quick boards: those it was chosen among, and those that differ from it in one value
        which the brief gives.
    assumed
        What was chosen and why, in a sentence; nothing if the brief gives all of it.
    """

    chosen: Trial
    tried: tuple[Trial, ...]
    assumed: tuple[str, ...]

    @property
    def advice(self) -> tuple[str, ...]:
        """Of the changes of one value that help in some way, the best of each kind."""
        now, keys = self.chosen, ("metres_per_step", "ramp_limit", "cliff_rise_steps")
        found: list[tuple[Trial, str]] = []
        for key in keys:
            fixed = {*keys, *(() if key == "metres_per_step" else ("datum_m",))} - {key}
            alone = (
                one
                for one in self.tried
                if getattr(one, key) != getattr(now, key)
                and all(getattr(one, other) == getattr(now, other) for other in fixed)
                and _is_worth_it(now, one)
            )
            best = min(alone, key=lambda one: one.rank, default=None)
            if best is not None:
                found.append((best, f"{_words_of(best)[key]}: {_effect(now, best)}"))
        found.sort(key=lambda pair: pair[0].rank)
        return tuple(words for _, words in found[:N_ADVISED])


def choose(heights: Heights, overlay: Overlay, brief: Brief, catalogue: Catalogue) -> Choice:
    """Choose what the brief leaves open of step, ramp limit, cliffs and datum.

    All steps of round figures that the relief takes 5 to 14 of (and the one true to scale, if it is
    among them), both ramp limits, and no cliffs or cliffs from 3 or 2 steps are tried with each
    other; then, if step and datum are open, levels half a step off for the best of them. Where the
    step is given, the datum stays a whole number of steps, so that boards of one step join. Flat
    ground gets gentle ramps and no cliffs. The cheap stages run once per board.

    Parameters
    ----------
    heights, overlay
        The ground, and what lies on it.
    brief
        What is wanted; each key that it gives stays.
    catalogue
        What can be cut.

    Raises
    ------
    HexterraError
        If no board can be made: the error of the first that was tried.
    """
    board, ramps = overlay.lattice, brief.ramps
    default_m, assumed = metres_per_step_of(heights, board, brief)
    has_relief = float(np.ptp(heights.mean_m)) >= LEAST_RELIEF_M
    steps = _steps(heights, board, brief) if has_relief else ()
    limits = LIMITS if has_relief else LIMITS[:1]
    cliffs = CLIFFS if has_relief and not ramps.cliffs else CLIFFS[:1]
    is_step_open = bool(assumed and steps)
    own_steps = steps if is_step_open else (default_m,)
    own_limits = (ramps.limit,) if ramps.limit is not None else limits
    own_cliffs = cliffs
    if ramps.cliff_rise_steps is not None:
        own_cliffs = (None if ramps.cliff_rise_steps == "none" else ramps.cliff_rise_steps,)

    steepest_m = math.inf  # no side rises more: greater rises mark no cliff
    if brief.heights.method == "even":
        there, mean_m = board.neighbours, heights.mean_m
        rise_m = np.abs(mean_m[there] - mean_m[:, None])
        steepest_m = float(rise_m.max(initial=0.0, where=there >= 0))
    tried: dict[_Setting, Trial] = {}
    attempt = _attempts(heights, overlay, brief, catalogue, tried)
    refusals = [
        attempt(step_m, limit, cliff)
        for step_m in own_steps
        for limit in own_limits
        for cliff in own_cliffs
        if cliff is None or len(own_cliffs) == 1 or cliff * step_m <= steepest_m
    ]
    if not tried:
        raise next(error for error in refusals if error is not None)
    chosen = min(tried.values(), key=lambda one: one.rank)
    is_datum_open = is_step_open and brief.heights.datum_m is None
    if is_datum_open and not pins_of(board, brief):
        attempt(*_values_of(chosen)[:3], shift=0.5)
        chosen = min(tried.values(), key=lambda one: one.rank)
    if has_relief:
        is_open = {
            "metres_per_step": is_step_open,
            "ramp_limit": ramps.limit is None,
            "cliff_rise_steps": ramps.cliff_rise_steps is None and len(cliffs) > 1,
            "datum_m": is_datum_open
            and chosen.datum_m != _datum_m(float(heights.mean_m.min()), chosen.metres_per_step),
        }
        keys = [words for key, words in _words_of(chosen).items() if is_open[key]]
        if keys:
            kept = () if is_step_open else assumed
            assumed = (*kept, _reason(", ".join(keys), len(tried), chosen))
    if brief.keep.plan is None and not brief.join.model_fields_set:
        step_m, limit, cliff, datum_m = _values_of(chosen)
        for other_m in steps:
            attempt(other_m, limit, cliff)
        for other in limits:
            attempt(step_m, other, cliff, datum_m=datum_m)
        for rise_steps in (one for one in cliffs if (one or 0.0) * step_m <= steepest_m):
            attempt(step_m, limit, rise_steps, datum_m=datum_m)
    return Choice(chosen, tuple(tried.values()), assumed)


def _steps(heights: Heights, board: Board, brief: Brief) -> tuple[float, ...]:
    """List the steps to try, ascending; none for thresholds that do not lie evenly."""
    if brief.heights.method != "even":
        return ()
    relief_m = float(np.ptp(heights.mean_m))
    least_m, most_m = relief_m / MOST_STEPS, relief_m / FEWEST_STEPS
    true_m = brief.heights.step_mm / MM_PER_M * board.scale
    true_to_scale = {true_m} if least_m <= true_m <= most_m else set[float]()
    return tuple(sorted({*round_numbers(least_m, most_m), *true_to_scale}))


def _datum_m(lowest_m: float, step_m: float, shift: float = 0.0) -> float:
    """Give the datum nearest to the lowest cell: whole steps from 0 m, and a part of one."""
    return (math.floor(lowest_m / step_m - shift + 0.5) + shift) * step_m


def _attempts(
    heights: Heights,
    overlay: Overlay,
    brief: Brief,
    catalogue: Catalogue,
    tried: dict[_Setting, Trial],
) -> Callable[..., HexterraError | None]:
    """Return what makes a quick board and adds it to `tried`, or tells why there is none."""
    lowest_m = float(heights.mean_m.min())
    carved = cuts_for(overlay, brief, catalogue)
    tops = {limit: tops_within(catalogue, limit) for limit in LIMITS}

    def attempt(
        step_m: float,
        limit: int,
        cliff: float | None,
        *,
        shift: float = 0.0,
        datum_m: float | None = brief.heights.datum_m,
    ) -> HexterraError | None:
        if datum_m is None:
            datum_m = _datum_m(lowest_m, step_m, shift)
        setting = (step_m, limit, cliff, datum_m)
        if setting in tried:
            return None
        try:
            legal = legal_levels(
                heights,
                overlay,
                brief,
                metres_per_step=step_m,
                datum_m=datum_m,
                ramp_limit=limit,
                cliff_rise_steps=cliff,
            )
            where_faces_can_be(tops[limit], legal, brief)
            tiles = fit(legal, tops[limit], cuts=carved)
        except HexterraError as error:
            return error
        tried[setting] = _trial(setting, legal, tiles, brief)
        return None

    return attempt


def _trial(setting: _Setting, legal: LegalLevels, tiles: Tiles, brief: Brief) -> Trial:
    """Measure a quick board."""
    levels, ground_m = legal.levels, legal.levels.heights.mean_m
    board = cast("Board", tiles.lattice)

    levels_m = level_to_metres(levels, legal.level.astype(np.float64))
    square_m2 = (
        OF_LEVELS * float(np.square(levels_m - ground_m).mean())
        + OF_TOPS * float(tiles.residual_m.var())
        + OF_STEP * levels.metres_per_step**2
    )
    error_m = math.sqrt(max(0.0, square_m2))
    turn = np.where(tiles.crossing >= 0, (tiles.crossing_turn - tiles.turn) % 6, 0)
    kinds = np.column_stack([tiles.pattern, tiles.crossing, turn, board.kept])
    n_kinds = len(np.unique(kinds, axis=0))
    n_faces = int(tiles.cliff.sum()) // 2
    standing = float((np.ptp(tiles.corners, axis=1) == 0).mean())
    minutes = PER_TILE * board.n_cells + PER_MM * brief.heights.step_mm * int(tiles.level.sum())
    hours = (minutes + PER_FACE * n_faces + PER_KIND * n_kinds) / 60.0
    felt_m = max(math.hypot(error_m, NO_ERROR * float(ground_m.std())), 1e-9)
    return Trial(
        *setting,
        error_m=error_m,
        n_levels=int(tiles.corners.max() - tiles.level.min()) + 1,
        n_faces=n_faces,
        n_kinds=n_kinds,
        standing=standing,
        hours=hours,
        score=math.log(felt_m)
        + HOURS * math.log(hours)
        - STANDING * (standing - n_faces / board.n_cells),
    )


def _values_of(trial: Trial) -> _Setting:
    return trial.metres_per_step, trial.ramp_limit, trial.cliff_rise_steps, trial.datum_m


def _words_of(trial: Trial) -> dict[str, str]:
    """Write the values of a trial as a brief does."""
    rise_steps = trial.cliff_rise_steps
    return {
        "metres_per_step": f"heights.metres_per_step = {trial.metres_per_step:g}",
        "datum_m": f"heights.datum_m = {trial.datum_m:g}",
        "ramp_limit": f"ramps.limit = {trial.ramp_limit}",
        "cliff_rise_steps": "ramps.cliff_rise_steps = "
        + ('"none"' if rise_steps is None else f"{rise_steps:g}"),
    }


def _reason(keys: str, n_tried: int, chosen: Trial) -> str:
    of = f"of {n_tried:,} boards tried the best balance of truth, standing room and hours"
    if n_tried == 1:
        of = "the only board that can be made"
    return f"{keys} ({of}: cells within about {_metres(chosen.error_m)} m, rms)"


def _metres(metres: float) -> str:
    return f"{metres:,.0f}" if metres >= 10.0 else f"{metres:.2g}"


def _is_worth_it(now: Trial, one: Trial) -> bool:
    """Tell whether a change improves anything by so much that it is worth a word."""
    fewer = ((one.error_m, now.error_m), (one.hours, now.hours), (one.n_kinds, now.n_kinds))
    is_less = any(after <= (1.0 - NOTICEABLE) * before < before for after, before in fewer)
    return is_less or one.standing >= now.standing + NOTICEABLE


def _effect(now: Trial, one: Trial) -> str:
    """Say what a change does."""
    words = [f"error of cells about {_metres(now.error_m)} -> {_metres(one.error_m)} m (rms)"]
    for noun, before, after in (
        ("level", now.n_levels, one.n_levels),
        ("step face", now.n_faces, one.n_faces),
        ("kind", now.n_kinds, one.n_kinds),
    ):
        if n := abs(after - before):
            words.append(f"{n:,} {noun}{'s' * (n != 1)} {'more' if after > before else 'fewer'}")
    if n := abs(share := round(100.0 * (one.standing - now.standing))):
        words.append(f"{n}% of the tiles {'more' if share > 0 else 'fewer'} to stand on")
    if n := abs(hours := round(one.hours) - round(now.hours)):
        words.append(f"{n:,} h {'more' if hours > 0 else 'less'}")
    return ", ".join(words)
