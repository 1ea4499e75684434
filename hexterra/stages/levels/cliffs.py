"""Which sides stay cliffs: where the ground rises too fast to ramp, and where the user says so.

Takes `Levels` from `quantise`; `legalise` sets no ramp limit across the sides marked here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hexterra.arguments import checked
from hexterra.errors import BriefError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from hexterra.stages.levels.quantise import Levels


@checked
def mark_cliffs(
    levels: Levels, *, rise_steps: float | None = None, pairs: Iterable[tuple[int, int]] = ()
) -> NDArray[np.bool_]:
    """Mark sides as cliffs.

    Parameters
    ----------
    levels
        Target levels of n cells.
    rise_steps
        Mark every side across which the continuous positions differ by at least this many steps;
        greater than 0. None marks none.
    pairs
        Cells that adjoin each other, with a cliff between them whatever the ground does.

    Returns
    -------
    (n, 6) bool
        True on both sides of each cliff, and never where no cell adjoins.

    Raises
    ------
    BriefError
        If `rise_steps` is not a number above 0, or a pair does not name two adjoining cells.
    """
    neighbours = levels.heights.lattice.neighbours
    n = len(neighbours)
    is_cliff = np.zeros(neighbours.shape, dtype=np.bool_)
    if rise_steps is not None:
        if not 0.0 < rise_steps < np.inf:
            raise BriefError(
                f"rise_steps is {rise_steps!r} steps; it must be a number greater than 0",
                remedy="give the rise, in steps, from which a side stays a cliff, as 3",
                key="rise_steps",
                value=rise_steps,
            )
        rise = np.abs(levels.position[neighbours] - levels.position[:, None])
        is_cliff |= (rise >= rise_steps) & (neighbours >= 0)
    for pair in pairs:
        one, other = pair
        is_known = 0 <= one < n and 0 <= other < n
        if not is_known or not (neighbours[one] == other).any():
            labels = levels.heights.lattice.labels
            names = [labels[cell] if 0 <= cell < n else f"number {cell}" for cell in pair]
            raise BriefError(
                f"a cliff is requested between the cells {names[0]} and {names[1]},"
                + (" which do not adjoin" if is_known else f" but cells are numbered 0 to {n - 1}"),
                remedy="name two cells that share a side",
                key="pairs",
                value=pair,
            )
        is_cliff[one] |= neighbours[one] == other
        is_cliff[other] |= neighbours[other] == one
    return is_cliff
