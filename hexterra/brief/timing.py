"""How long work takes: what each kind of work is measured by, and rates scaled to the clock."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from hexterra.brief.amounts import Amounts, TimedBrief
    from hexterra.brief.sections import Section

WorkKind = Literal[
    "marking out", "set-ups", "cutting", "channels", "cleaning", "sawing", "gluing", "texture",
    "paint", "scatter",
]  # fmt: skip
#: Of each kind of work, its amounts in `Amounts` and the rates in `BenchBrief` to multiply by.
WORK: Final[dict[WorkKind, tuple[tuple[str, str], ...]]] = {
    "marking out": (("n_sheets", "minutes_per_sheet"),),
    "set-ups": (("n_set_ups", "minutes_per_set_up"),),
    "cutting": (
        ("wire_m", "minutes_per_m_wire"),
        ("cut_m2", "minutes_per_m2_cut"),
        ("n_cuts", "minutes_per_cut"),
    ),
    "channels": (("n_channels", "minutes_per_channel"), ("loop_m", "minutes_per_m_loop")),
    "cleaning": (("n_pieces", "minutes_per_piece"),),
    "sawing": (("n_saw_cuts", "minutes_per_saw_cut"),),
    "gluing": (("n_joints", "minutes_per_joint"),),
    "texture": (("texture_m2", "texture_minutes_per_m2"),),
    "paint": (("paint_m2", "paint_minutes_per_m2"),),
    "scatter": (("scatter_m2", "scatter_minutes_per_m2"),),
}


def minutes_of(amounts: Amounts, bench: Section) -> dict[WorkKind, float]:
    """Return how long the rates of a bench say that work takes, by kind."""
    return {
        kind: sum(getattr(amounts, amount) * getattr(bench, rate) for amount, rate in terms)
        for kind, terms in WORK.items()
    }


def timed_rates(bench: Section, batches: tuple[TimedBrief, ...]) -> dict[str, float]:
    """Scale the rates of a bench so that the batches that were timed take as long as they took.

    Kinds of work that occur in one batch, or in batches linked by a third, share a factor: the
    clock cannot tell them apart. To set the rate of one kind alone, time it alone. Rates of work
    that no batch has are left out.

    Raises
    ------
    ValueError
        If the rates say that what a batch has takes no time.
    """
    groups: list[tuple[frozenset[WorkKind], tuple[TimedBrief, ...]]] = []
    for batch in batches:
        own = _kinds(batch)
        linked = [group for group in groups if group[0] & own]
        kinds = own.union(*(shared for shared, _ in linked))
        timed = (*(one for _, earlier in linked for one in earlier), batch)
        groups = [group for group in groups if group not in linked] + [(kinds, timed)]
    scaled: dict[str, float] = {}
    for kinds, timed in groups:
        expected = sum(sum(minutes_of(batch, bench).values()) for batch in timed)
        if expected <= 0.0:
            raise ValueError(
                "the timed work has no amount of work that the rates say takes time; give each"
                " batch an amount beside its minutes, as wire_m = 21.5, and rates above 0"
            )
        factor = sum(batch.minutes for batch in timed) / expected
        for kind in kinds:
            scaled |= {rate: getattr(bench, rate) * factor for _, rate in WORK[kind]}
    return scaled


def _kinds(amounts: Amounts) -> frozenset[WorkKind]:
    """Name the kinds of work that there is some of."""
    return frozenset(
        kind
        for kind, terms in WORK.items()
        if any(getattr(amounts, amount) > 0 for amount, _ in terms)
    )
