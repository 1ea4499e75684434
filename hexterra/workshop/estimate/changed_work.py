"""Two plans of one board -> what the change opens, and the work it brings, for who builds it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hexterra.inputs.owned_pieces import left_to_cut
from hexterra.workshop.estimate.estimate import Estimate, estimate
from hexterra.workshop.sheets.foam import foam
from hexterra.workshop.solids.base import base

if TYPE_CHECKING:
    from hexterra.plan.plan import Plan


def changed_work(before: Plan, after: Plan) -> tuple[str, ...]:
    """Say which step faces a change opens and closes, and the facings and minutes it takes.

    Parameters
    ----------
    before, after
        Plans of the same cells.

    Returns
    -------
    tuple[str, ...]
        Sentences: each side once, named from the cell that stands higher there.

    Raises
    ------
    HexterraError
        As `base`, `foam` and `estimate`.
    """
    first, second = (
        estimate(
            foam(
                plan.pieces,
                plan.brief.foam,
                to_cut=left_to_cut(plan.pieces, plan.owned),
            ),
            base=base(plan.pieces, plan.brief.base),
            bench=plan.brief.bench,
        )
        for plan in (before, after)
    )
    words = [
        f"Step faces {verb}: {'; '.join(listed)}."
        for verb, listed in (("opened", _only(second, first)), ("closed", _only(first, second)))
        if listed
    ]
    n = second.n_facings - first.n_facings
    if n:
        words.append(f"Facings: {abs(n):,} {'more' if n > 0 else 'fewer'} to cut and glue.")
    minutes = 60.0 * (second.hours - first.hours)
    change = "as much as before"
    if abs(minutes) >= 0.5:
        change = f"{abs(minutes):,.0f} minutes {'more' if minutes > 0 else 'less'} than before"
    words.append(f"Bench time: {change}.")
    return tuple(words)


def _only(one: Estimate, other: Estimate) -> list[str]:
    """Name the faces of one board that the other does not have, with the height of their ends."""
    board, faces = one.foam.pieces.board, one.facings
    known = {*zip(other.facings.cell.tolist(), other.facings.side.tolist(), strict=True)}
    rows = zip(
        faces.cell.tolist(),
        faces.side.tolist(),
        np.column_stack([faces.left_mm, faces.right_mm]).tolist(),
        strict=True,
    )
    named: list[str] = []
    for cell, side, ends_mm in rows:
        if (cell, side) not in known:
            least, most = sorted(round(end_mm, 1) for end_mm in ends_mm)
            high = f"{most:g}" if least == most else f"{least:g} to {most:g}"
            beside = board.labels[board.neighbours[cell, side]]
            named.append(f"side {side} of {board.labels[cell]}, {high} mm above {beside}")
    return named
