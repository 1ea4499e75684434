"""Plans -> Shared: boards fitted again, so that one set of pieces builds each, one at a time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING

from hexterra.brief.brief import UNTITLED
from hexterra.errors import BriefError
from hexterra.fidelity.fidelity import Deviation
from hexterra.inputs.owned_pieces import OwnedPieces, tile_kind
from hexterra.plan.edit import bound_of_any, problem_of
from hexterra.plan.fit_problem import FitProblem, evaluate_board, solve, stock_of
from hexterra.plan.pipeline import complete
from hexterra.plan.plan import Plan
from hexterra.progress import Progress, silent
from hexterra.stages.schedule.pieces import FINISH
from hexterra.stages.tiles.tile_kinds import TileKind
from hexterra.stages.variants.share_pieces import Fit, share_fits
from hexterra.values import Value

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False, repr=False)
class Shared(Value):
    """Plans that share one set of pieces.

    Parameters
    ----------
    names
        What the boards are called where they have no title.
    plans
        In the order in which they are built. Each owns what the ones before it have needed, so what
        they have to cut adds up to the common set.
    n_apart
        How many tiles they would need if each had its own.
    n_before
        How many a common set would have if each board were fitted alone.
    rms_alone_m
        Of each plan as it was given, how far mean heights of cells lie from the ground (rms).
    """

    names: tuple[str, ...]
    plans: tuple[Plan, ...]
    n_apart: int
    n_before: int
    rms_alone_m: tuple[float, ...]

    @cached_property
    def pieces(self) -> pd.DataFrame:
        """Give the common set with the columns of ``schedule.csv``: of each piece the most."""
        import pandas as pd

        rows = pd.concat([plan.schedule for plan in self.plans], ignore_index=True)
        rows = rows[rows["kind"] != FINISH]
        most = rows.groupby(["kind", "piece"])["count"].transform("max")
        rows = rows.assign(count=most).drop_duplicates(["kind", "piece"])
        order = {"tile": 0, "spacer": 1, "footing": 2}
        return rows.sort_values("kind", key=lambda kinds: kinds.map(order), kind="stable")

    @property
    def n_pieces(self) -> int:
        """How many tiles the common set has."""
        return int(self.pieces.loc[self.pieces["kind"] == "tile", "count"].sum())

    def describe(self) -> str:
        """Say in a few lines what sharing saves, and what each board adds to the set."""
        boards = f"{len(self.plans)} boards, one at a time" if len(self.plans) > 1 else "1 board"
        first = f"One set of {self.n_pieces:,} tiles builds {boards}"
        if len(self.plans) > 1:
            saved = 1.0 - self.n_pieces / self.n_apart
            first += (
                f": {saved:.0%} fewer than the {self.n_apart:,} of separate sets"
                f" ({self.n_before:,} if each board were fitted alone)"
            )
        lines = [f"{first}."]
        rows = zip(self.plans, self.names, self.rms_alone_m, strict=True)
        for number, (plan, name, alone_m) in enumerate(rows, start=1):
            to_cut = plan.board.n_cells
            if plan.stock is not None:
                to_cut = int(plan.stock.loc[plan.stock["kind"] == "tile", "to_cut"].sum())
            lines.append(
                f"  {number} {_called(plan, name)}: {plan.board.n_cells:,} tiles, {to_cut:,} of"
                " them to cut"
                + (" beyond those of the boards before" if number > 1 else "")
                + f"; {_truth(alone_m, _rms_m(plan))}"
            )
        return "\n".join(lines)


def share_plans(
    plans: Sequence[Plan], *, names: Sequence[str] = (), progress: Progress = silent
) -> Shared:
    """Fit the boards of several plans again, so that a small common set of pieces builds each.

    Parameters
    ----------
    plans
        Plans of tiles of one size, step and catalogue, in the order in which they are to be built.
        Boards that join stay flush; tiles that were kept or changed by hand are chosen again.
    names
        What the boards are called where they have no title, and in the names of their folders;
        "board" by default.
    progress
        Called with a few words before each fit.

    Returns
    -------
    Shared
        Its set is never larger than that of the boards fitted alone.

    Raises
    ------
    BriefError
        If no plan is given, there are not as many names as plans, or tiles of two plans differ in
        size, step or patterns.
    InfeasibleError
        If no board was found for a plan.
    StockError
        If a stack cannot be made of the stocked thicknesses.
    """
    names = names or ["board"] * len(plans)
    if len(names) != len(plans):
        raise BriefError(
            f"{len(names)} names are given for {len(plans)} boards",
            remedy="give one name for each board, or none",
        )
    called = [_called(plan, name) for plan, name in zip(plans, names, strict=True)]
    for (one, first), (two, other) in combinations(zip(called, plans, strict=True), 2):
        _check_alike(one, first, two, other)
    problems = [problem_of(plan) for plan in plans]
    rms_alone_m = tuple(_rms_m(plan) for plan in plans)
    fits = [_fit_of(plan, problem) for plan, problem in zip(plans, problems, strict=True)]
    campaign = share_fits(fits, progress=progress)
    progress("counting pieces")
    tiles, blocks = Counter[TileKind](), Counter[str]()
    made: list[Plan] = []
    for plan, problem, refined in zip(plans, problems, campaign.boards, strict=True):
        owned = (
            OwnedPieces(tuple(sorted(tiles.items())), tuple(sorted(blocks.items())))
            if made
            else None
        )
        evaluated = evaluate_board(
            problem,
            refined.tiles.corners,
            plan.brief,
            stock_of(owned),
            bound=bound_of_any(plan),
            start_cost=float("inf"),
            stopped=refined.stopped,
        )
        made.append(
            complete(
                plan.elevation,
                plan.brief.changed({"stock": {"owned": None}}),
                plan.overlay,
                plan.rules,
                evaluated,
                choice=plan.choice,
                owned=owned,
                fixed=plan.fixed.joints,
                assumed=(*plan.assumed, _said(len(made), len(plans))),
            )
        )
        for piece in made[-1].pieces.pieces:
            if piece.kind == "tile":
                tiles[tile_kind(piece)] = max(tiles[tile_kind(piece)], piece.count)
            else:
                blocks[piece.name] = max(blocks[piece.name], piece.count)
    return Shared(tuple(names), tuple(made), campaign.n_apart, campaign.n_before, rms_alone_m)


def _rms_m(plan: Plan) -> float:
    return Deviation.of(plan.fitted.residual_m).rms_m


def _truth(alone_m: float, shared_m: float) -> str:
    """Say what sharing costs a board in truth."""
    before, now = (f"{rms_m:,.3g}" for rms_m in (alone_m, shared_m))
    if before == now:
        return f"cells are within {now} m (rms) of the ground, as alone"
    return f"cells are within {now} m (rms) of the ground, {before} m alone"


def _fit_of(plan: Plan, problem: FitProblem) -> Fit:
    return lambda stock: solve(problem, plan.brief, stock)


def _said(number: int, n_boards: int) -> str:
    said = f"pieces are shared by {n_boards} boards, of which this is number {number + 1}"
    return said + ("; those of the boards before it are there already" if number else "")


def _called(plan: Plan, name: str) -> str:
    """Give the title of a board, or its name if it has none."""
    return name if plan.brief.title == UNTITLED else plan.brief.title


def _check_alike(one: str, first: Plan, two: str, other: Plan) -> None:
    """Refuse boards whose tiles cannot be the same pieces."""
    wanted: tuple[tuple[str, Callable[[Plan], object]], ...] = (
        ("board.across_flats_mm", lambda plan: plan.board.across_flats_mm),
        ("heights.step_mm", lambda plan: plan.brief.heights.step_mm),
    )
    for key, value in wanted:
        if value(first) != value(other):
            raise BriefError(
                f"{one!r} has {key} = {value(first)}, but {two!r} {value(other)}; their tiles"
                " cannot be the same pieces",
                remedy=f"plan all boards of a campaign with the same {key}",
                key=key,
            )
    rises = {pattern.name: pattern.rises for pattern in first.catalogue.patterns}
    for pattern in other.catalogue.patterns:
        if rises.get(pattern.name, pattern.rises) != pattern.rises:
            raise BriefError(
                f"{one!r} and {two!r} mean different tops by {pattern.name!r}",
                remedy="plan all boards of a campaign with the same catalogue",
                pattern=pattern.name,
            )
