"""How long work takes and how much paint it takes: settings for `effort`, and their calibration.

Every default here is common practice, no source. A maker who times some work replaces the rates of
its kind by their own with `calibrate`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

from hexterra.errors import BriefError
from hexterra.values import Value
from hexterra.workshop.ranges import check_range

WorkKind = Literal[
    "marking out", "set-ups", "cutting", "cleaning", "sawing", "gluing", "texture", "paint",
    "scatter",
]  # fmt: skip
#: Of each kind of work, its amounts in `Amounts` and the rates in `Rates` that they are times.
WORK: Final[dict[WorkKind, tuple[tuple[str, str], ...]]] = {
    "marking out": (("n_sheets", "minutes_per_sheet"),),
    "set-ups": (("n_set_ups", "minutes_per_set_up"),),
    "cutting": (("wire_m", "minutes_per_m_wire"), ("n_cuts", "minutes_per_cut")),
    "cleaning": (("n_pieces", "minutes_per_piece"),),
    "sawing": (("n_saw_cuts", "minutes_per_saw_cut"),),
    "gluing": (("n_joints", "minutes_per_joint"),),
    "texture": (("texture_m2", "texture_minutes_per_m2"),),
    "paint": (("paint_m2", "paint_minutes_per_m2"),),
    "scatter": (("scatter_m2", "scatter_minutes_per_m2"),),
}


@dataclass(frozen=True, eq=False)
class Rates(Value):
    """Times at the bench.

    Parameters
    ----------
    minutes_per_m_wire
        Of wire moving through foam; 1.7 is a centimetre a second.
    minutes_per_cut
        To lay a piece to its guide and start the wire, on top of that.
    minutes_per_set_up
        To mount and check a guide or fence.
    minutes_per_piece
        To clean a finished piece of foam and label it.
    minutes_per_sheet
        To mark a sheet out.
    minutes_per_joint
        To glue two layers, or a facing, bar or rail to what it stands on.
    minutes_per_saw_cut
        To mark, saw and sand an edge of a panel, bar or rail.
    texture_minutes_per_m2, paint_minutes_per_m2, scatter_minutes_per_m2
        To finish a square metre.

    Raises
    ------
    BriefError
        If a rate is not from 0 to 10 000 minutes.
    """

    minutes_per_m_wire: float = 1.7
    minutes_per_cut: float = 0.15
    minutes_per_set_up: float = 4.0
    minutes_per_piece: float = 0.25
    minutes_per_sheet: float = 5.0
    minutes_per_joint: float = 1.0
    minutes_per_saw_cut: float = 3.0
    texture_minutes_per_m2: float = 30.0
    paint_minutes_per_m2: float = 40.0
    scatter_minutes_per_m2: float = 20.0

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            check_range(name, getattr(self, name), 0.0, 10_000.0, "minutes")


@dataclass(frozen=True, eq=False)
class Finish(Value):
    """What finishing takes and leaves.

    Parameters
    ----------
    texture_ml_per_m2
        Filler or texture paste, on everything seen but water.
    paint_ml_per_m2
        All coats together, on everything seen.
    scatter_g_per_m2
        Flock and grit, on level ground and slopes.
    water_ml_per_m2
        Gloss varnish, on water.

    Raises
    ------
    BriefError
        If an amount is not from 0 to 100 000.
    """

    texture_ml_per_m2: float = 500.0
    paint_ml_per_m2: float = 250.0
    scatter_g_per_m2: float = 200.0
    water_ml_per_m2: float = 300.0

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            check_range(name, getattr(self, name), 0.0, 1e5)


@dataclass(frozen=True, eq=False)
class Amounts(Value):
    """How much work of each kind there is.

    Parameters
    ----------
    wire_m, n_cuts
        How far the wire moves through foam, and in how many passes.
    n_set_ups, n_pieces, n_sheets, n_joints, n_saw_cuts
        Guides to mount, pieces to clean, sheets to mark out, joints to glue, cuts of a saw.
    texture_m2, paint_m2, scatter_m2
        What is finished.

    Raises
    ------
    BriefError
        If an amount is negative.
    """

    wire_m: float = 0.0
    n_cuts: float = 0.0
    n_set_ups: int = 0
    n_pieces: int = 0
    n_sheets: int = 0
    n_joints: int = 0
    n_saw_cuts: int = 0
    texture_m2: float = 0.0
    paint_m2: float = 0.0
    scatter_m2: float = 0.0

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            check_range(f"{name} of an amount of work", getattr(self, name), 0.0, 1e9)

    def minutes(self, rates: Rates) -> dict[WorkKind, float]:
        """Return how long these rates say it takes, by kind of work."""
        return {
            kind: sum(getattr(self, amount) * getattr(rates, rate) for amount, rate in terms)
            for kind, terms in WORK.items()
        }


@dataclass(frozen=True, eq=False)
class TimedBatch(Value):
    """Work that was done against the clock.

    Parameters
    ----------
    amounts
        What was done.
    minutes
        How long it took.

    Raises
    ------
    BriefError
        If the time is not from 0.1 to 100 000 minutes.
    """

    amounts: Amounts
    minutes: float

    def __post_init__(self) -> None:
        check_range("minutes of a timed batch", self.minutes, 0.1, 1e5, "minutes")

    def expected_minutes(self, rates: Rates) -> float:
        """Return how long these rates say it takes."""
        return sum(self.amounts.minutes(rates).values())

    @property
    def kinds(self) -> frozenset[WorkKind]:
        """Kinds of work that it holds."""
        held: list[WorkKind] = [
            kind
            for kind, terms in WORK.items()
            if any(getattr(self.amounts, amount) > 0 for amount, _ in terms)
        ]
        return frozenset(held)


def calibrate(rates: Rates, *batches: TimedBatch) -> Rates:
    """Scale the rates of the work that was timed so that it takes as long as it took.

    Kinds of work that occur in one batch, or in batches linked by a third, share a factor: the
    clock cannot tell them apart. To set the rate of one kind alone, time it alone. Rates of work
    that no batch holds stay as they are.

    Parameters
    ----------
    rates
        What was assumed so far.
    batches
        At least one.

    Raises
    ------
    BriefError
        If there is no batch, or the rates say that what a batch holds takes no time.
    """
    groups: list[tuple[frozenset[WorkKind], tuple[TimedBatch, ...]]] = []
    for batch in batches:
        linked = [group for group in groups if group[0] & batch.kinds]
        kinds = batch.kinds.union(*(held for held, _ in linked))
        timed = (*(one for _, held in linked for one in held), batch)
        groups = [group for group in groups if group not in linked] + [(kinds, timed)]
    if not batches or not all(_expected(timed, rates) > 0.0 for _, timed in groups):
        raise BriefError(
            "the timed work has no amount of work that the rates say takes time",
            remedy="give each batch an amount beside its minutes, as wire_m = 21.5, and rates"
            " above 0",
            n_batches=len(batches),
        )
    scaled: dict[str, float] = {}
    for kinds, timed in groups:
        factor = sum(batch.minutes for batch in timed) / _expected(timed, rates)
        for kind in kinds:
            scaled |= {rate: getattr(rates, rate) * factor for _, rate in WORK[kind]}
    return replace(rates, **scaled)


def _expected(batches: tuple[TimedBatch, ...], rates: Rates) -> float:
    return sum(batch.expected_minutes(rates) for batch in batches)
