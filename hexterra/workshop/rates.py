"""How long work takes and how much paint it takes: settings for `effort`, and their calibration.

Every default here is common practice, no source. A maker who times one batch replaces the first
four by their own with `calibrate`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from hexterra.errors import BriefError
from hexterra.values import Value
from hexterra.workshop.ranges import check_range


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
        To clean a finished piece and label it.
    minutes_per_sheet
        To mark a sheet out.
    minutes_per_joint
        To glue two layers.
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
    channel_mm
        Width of a watercourse.

    Raises
    ------
    BriefError
        If an amount is not from 0 to 100 000, or the width not from 1 to 500 mm.
    """

    texture_ml_per_m2: float = 500.0
    paint_ml_per_m2: float = 250.0
    scatter_g_per_m2: float = 200.0
    water_ml_per_m2: float = 300.0
    channel_mm: float = 20.0

    def __post_init__(self) -> None:
        for name in ("texture_ml_per_m2", "paint_ml_per_m2", "scatter_g_per_m2", "water_ml_per_m2"):
            check_range(name, getattr(self, name), 0.0, 1e5)
        check_range("channel_mm", self.channel_mm, 1.0, 500.0, "mm")


@dataclass(frozen=True, eq=False)
class TimedBatch(Value):
    """Work that was done against the clock.

    Parameters
    ----------
    wire_mm, n_cuts, n_set_ups, n_pieces
        What was done.
    minutes
        How long it took.

    Raises
    ------
    BriefError
        If the time is not from 0.1 to 100 000 minutes, or an amount is negative.
    """

    wire_mm: float
    n_cuts: float
    n_set_ups: int
    n_pieces: int
    minutes: float

    def __post_init__(self) -> None:
        check_range("minutes of a timed batch", self.minutes, 0.1, 1e5, "minutes")
        for name in ("wire_mm", "n_cuts", "n_set_ups", "n_pieces"):
            check_range(f"{name} of a timed batch", getattr(self, name), 0.0, 1e9)

    def expected_minutes(self, rates: Rates) -> float:
        """Return how long these rates say it takes."""
        return (
            self.wire_mm / 1000.0 * rates.minutes_per_m_wire
            + self.n_cuts * rates.minutes_per_cut
            + self.n_set_ups * rates.minutes_per_set_up
            + self.n_pieces * rates.minutes_per_piece
        )


def calibrate(rates: Rates, *batches: TimedBatch) -> Rates:
    """Scale the rates of cutting so that the timed batches take as long as they took, together.

    Wire, cuts, set-ups and pieces all grow by one factor: a batch or two cannot tell them apart.

    Parameters
    ----------
    rates
        What was assumed so far.
    batches
        At least one.

    Raises
    ------
    BriefError
        If there is no batch, or the rates say that all of it takes no time.
    """
    expected = sum(batch.expected_minutes(rates) for batch in batches)
    if not expected > 0.0:
        raise BriefError(
            f"{len(batches)} timed batches hold no work that the rates give any time to",
            remedy="time some cuts, and start from rates above 0",
            n_batches=len(batches),
        )
    factor = sum(batch.minutes for batch in batches) / expected
    return replace(
        rates,
        minutes_per_m_wire=rates.minutes_per_m_wire * factor,
        minutes_per_cut=rates.minutes_per_cut * factor,
        minutes_per_set_up=rates.minutes_per_set_up * factor,
        minutes_per_piece=rates.minutes_per_piece * factor,
    )
