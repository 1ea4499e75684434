"""The prices of a board's faults, which `refine` weighs against each other.

All prices are in one unit: 1 is the price of a whole tile whose top is one step off the ground.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Final

from hexterra.errors import BriefError
from hexterra.values import Value

#: More than any price may be: breaking a rule costs this, each time.
FORBIDDEN: Final = 1e5
MOST: Final = 100.0


@dataclass(frozen=True, eq=False, repr=False)
class Prices(Value):
    """What each fault of a board costs, 0 to 100 each.

    Parameters
    ----------
    mean_height
        Per tile and step that the mean of its top is off the ground's.
    corner_heights
        Per tile and step that its six corners are off the ground's, on average. Corners that the
        board's edge cuts away do not count.
    sloping
        Per tile all of whose top slopes, where figures slide; less in proportion. A top that rises
        two steps counts twice.
    cutting
        Per pass of the wire over a top, or per unit of `effort`.
    sunk_in_slope
        Per tile where a watercourse has to be cut into a slope.
    step_face, step_face_rise
        Per side where two tops do not meet, and per step that they differ there on average.
    marked_cliff
        The share of both that applies on marked cliffs, 0 to 1.
    new_piece
        Per tile that has to be cut because no piece of its kind is left in stock, or that one
        board needs more than the others of a campaign.
    fewer_kinds
        How much more the board may cost for fewer kinds of tile, as a share, 0 to 1; see
        `spare_kinds`. With a stock, none.
    effort
        Pattern names and the effort of cutting each, where it is not the number of passes.
    """

    mean_height: float = 1.0
    corner_heights: float = 1.0
    sloping: float = 0.25
    cutting: float = 0.05
    sunk_in_slope: float = 0.1
    step_face: float = 3.0
    step_face_rise: float = 1.0
    marked_cliff: float = 0.0
    new_piece: float = 1.0
    fewer_kinds: float = 0.0
    effort: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        named = [(f.name, getattr(self, f.name)) for f in fields(self) if f.name != "effort"]
        named += [(f"effort of {name!r}", minutes) for name, minutes in self.effort]
        for name, price in named:
            most = 1.0 if name in {"marked_cliff", "fewer_kinds"} else MOST
            if not (math.isfinite(price) and 0.0 <= price <= most):
                raise BriefError(
                    f"the price {name} is {price!r}; it must be from 0 to {most:g}",
                    remedy="choose a price in that range; 1 is what a tile one step off costs",
                    key=name,
                    value=price,
                )


#: What faults cost where nothing else is asked for; kinds of tile are not spared.
DEFAULT_PRICES: Final = Prices()
#: Ready-made prices, by their aim.
PRESETS: Final[Mapping[str, Prices]] = MappingProxyType(
    {
        "balanced": Prices(fewer_kinds=0.02),
        "truest ground": Prices(sloping=0.02, cutting=0.01, sunk_in_slope=0.02),
        "fewest different pieces": Prices(
            sloping=1.0, cutting=0.5, sunk_in_slope=0.5, fewer_kinds=0.05
        ),
        "most standing room": Prices(corner_heights=0.5, sloping=2.0, fewer_kinds=0.01),
    }
)
