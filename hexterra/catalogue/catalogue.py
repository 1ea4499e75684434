"""The catalogue as a value: patterns, crossings, and tables that find them.

It is read from TOML, once, and handed to `fit`, which asks two things of it: which pattern, turned
how, has these six rises; and which crossing, turned how, joins these sides.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.catalogue.tops import facets, mean_rise
from hexterra.errors import CatalogueError
from hexterra.lattice.hexagon import N_SIDES
from hexterra.values import Value

#: What the water of a cell does, by number; a dry cell has no crossing.
WATER: Final = ("dry", "spring", "reach", "confluence", "mouth", "pool", "entry")

#: Fewest and most ports a crossing can have, by what the water does.
PORT_RANGE: Final[dict[str, tuple[int, int]]] = {
    "spring": (1, 1),
    "reach": (2, 2),
    "confluence": (3, 6),
    "mouth": (0, 6),
    "pool": (0, 6),
    "entry": (1, 1),
}

MAX_RISE: Final = 2

#: Step faces on dry ground, and those with water above or below.
FACES: Final = ("land", "waterside")
#: Banks of a watercourse: sloping like nature's, or vertical as of canals, ditches and sunken
#: roads.
BANKS: Final = ("sloping", "upright")

#: Fewest and most sides that a sunken road can join; on one side it ends in the tile.
ROAD_RANGE: Final = (1, 4)

#: Weight of each corner's rise in the number that six rises read as in base three.
CODE_WEIGHTS: Final[NDArray[np.int32]] = 3 ** np.arange(N_SIDES - 1, -1, -1, dtype=np.int32)
CODE_WEIGHTS.flags.writeable = False

_NAME = re.compile(r"[a-z][a-z0-9]*([ -][a-z0-9]+)*")
ADVICE = "the default catalogue, hexterra/catalogue/default.toml, explains every line"


@dataclass(frozen=True, eq=False, repr=False)
class Pattern(Value):
    """The shape of a top.

    Parameters
    ----------
    name
        Plain lower-case words.
    rises
        Six corner rises in steps, 0 to 2, counter-clockwise, at turn 0. Of the six turns it is
        the one that reads as the greatest number.
    minutes
        What cutting one takes, 0 to 1000; None if nobody has timed it.

    Raises
    ------
    CatalogueError
        If the name or a rise is not allowed, no corner is at 0, the turn is not the greatest,
        or a straight wire cannot cut the top.
    """

    name: str
    rises: tuple[int, ...]
    minutes: float | None = None

    def __post_init__(self) -> None:
        _check_name(self.name, "pattern")
        check_minutes(f"the pattern {self.name!r}", self.minutes)
        text = "".join(str(rise) for rise in self.rises)
        if len(self.rises) != N_SIDES or not all(0 <= rise <= MAX_RISE for rise in self.rises):
            raise bad_rises(self.name, text, f"must be six digits from 0 to {MAX_RISE}")
        if min(self.rises):
            raise bad_rises(self.name, text, "must have a 0: rises count from the lowest corner")
        if self.rises != greatest_turn(self.rises):
            raise bad_rises(self.name, text, "must be turned to read as the greatest number")
        facets(self.rises)

    @property
    def period(self) -> int:
        """Turns by this many sides leave the pattern as it is: 1 (flat), 3 (saddle) or 6."""
        turns = range(1, N_SIDES + 1)
        return next(t for t in turns if self.rises[t:] + self.rises[:t] == self.rises)


@dataclass(frozen=True, eq=False, repr=False)
class Crossing(Value):
    """A channel cut into a top.

    Parameters
    ----------
    name
        Plain lower-case words.
    water
        What the water does there: one of `WATER` but "dry".
    ports
        Sets of sides that it joins, each ascending and at turn 0, where it reads lowest.

    Raises
    ------
    CatalogueError
        If a name, kind of water or set of sides is not allowed, or a set is there twice.
    """

    name: str
    water: str
    ports: tuple[tuple[int, ...], ...]

    def __post_init__(self) -> None:
        _check_name(self.name, "crossing")
        where = f"the crossing {self.name!r}"
        if self.water not in PORT_RANGE:
            raise CatalogueError(
                f"{where} has water = {self.water!r}; it must be one of {', '.join(PORT_RANGE)}",
                remedy=ADVICE,
                crossing=self.name,
            )
        _check_sides(where, f"a {self.water}", self.ports, PORT_RANGE[self.water])


@dataclass(frozen=True, eq=False, repr=False)
class SunkenRoad(Value):
    """A road cut into a top.

    Parameters
    ----------
    name
        Plain lower-case words.
    ports
        Sets of sides that it joins, each ascending and at turn 0, where it reads lowest.

    Raises
    ------
    CatalogueError
        If the name or a set of sides is not allowed, or a set is there twice.
    """

    name: str
    ports: tuple[tuple[int, ...], ...]

    def __post_init__(self) -> None:
        _check_name(self.name, "sunken road")
        _check_sides(f"the sunken road {self.name!r}", "a sunken road", self.ports, ROAD_RANGE)


@dataclass(frozen=True, eq=False, repr=False)
class Catalogue(Value):
    """Everything that can be cut.

    Parameters
    ----------
    patterns, crossings, roads
        Tops, watercourses and sunken roads. Ties go to the pattern listed first.
    faces
        Kinds of step face that can be finished, of `FACES`.
    banks
        Ways in which the banks of a watercourse can be cut, of `BANKS`.

    Raises
    ------
    CatalogueError
        If there is no flat pattern, or two entries share a name, a shape or a set of ports.
    """

    patterns: tuple[Pattern, ...]
    crossings: tuple[Crossing, ...]
    roads: tuple[SunkenRoad, ...] = ()
    faces: tuple[str, ...] = FACES
    banks: tuple[str, ...] = BANKS

    def __post_init__(self) -> None:
        _check_unique("patterns", "shape", [(p.name, p.rises) for p in self.patterns])
        joins = [(c.name, (c.water, sides)) for c in self.crossings for sides in c.ports]
        _check_unique("crossings", "water and sides", joins)
        lies = [(road.name, sides) for road in self.roads for sides in road.ports]
        _check_unique("roads", "sides", lies)
        for what, entries in (
            ("patterns", self.patterns),
            ("crossings", self.crossings),
            ("roads", self.roads),
        ):
            names = [entry.name for entry in entries]
            for name in names:
                if names.count(name) > 1:
                    raise CatalogueError(
                        f"two {what} are named {name!r}", remedy="rename one of them", name=name
                    )
        if not any(max(pattern.rises) == 0 for pattern in self.patterns):
            raise CatalogueError(
                "the catalogue has no flat top, and without one no board can be built",
                remedy='add flat = "000000" under [patterns]',
            )

    @cached_property
    def rises(self) -> NDArray[np.int32]:
        """Rises of each pattern at turn 0, (n_patterns, 6) int32."""
        table = np.array([pattern.rises for pattern in self.patterns], dtype=np.int32)
        table.flags.writeable = False
        return table

    @cached_property
    def mean_rise(self) -> NDArray[np.float64]:
        """Mean height of each pattern above its lowest corner, (n_patterns,) float64, in steps."""
        table = np.array([float(mean_rise(pattern.rises)) for pattern in self.patterns])
        table.flags.writeable = False
        return table

    @cached_property
    def oriented(self) -> NDArray[np.int32]:
        """Every pattern in every turn that differs, (k, 8) int32: pattern, turn, six rises.

        Ordered by pattern, then turn.
        """
        rows = [
            (number, turn, *np.roll(pattern.rises, turn))
            for number, pattern in enumerate(self.patterns)
            for turn in range(pattern.period)
        ]
        table = np.array(rows, dtype=np.int32)
        table.flags.writeable = False
        return table

    @cached_property
    def row_of_code(self) -> NDArray[np.int16]:
        """Row of `oriented` by rises read in base three, (729,) int16; -1 where there is none."""
        table = np.full(3**N_SIDES, -1, dtype=np.int16)
        table[self.oriented[:, 2:] @ CODE_WEIGHTS] = np.arange(len(self.oriented))
        table.flags.writeable = False
        return table

    @cached_property
    def crossing_of_ports(self) -> NDArray[np.int16]:
        """Crossing by water and ports, (7, 64, 2) int16: its number and turn, or -1 and 0.

        The first index is the water's number in `WATER`; in the second, bit ``s`` stands for
        side ``s``. The turn is the least that carries one of the crossing's sets to the ports.
        """
        table = np.zeros((len(WATER), 2**N_SIDES, 2), dtype=np.int16)
        table[..., 0] = -1
        for number, crossing in enumerate(self.crossings):
            for sides in crossing.ports:
                for turn in reversed(range(N_SIDES)):  # the least turn is written last
                    mask = sum(1 << (side + turn) % N_SIDES for side in sides)
                    table[WATER.index(crossing.water), mask] = number, turn
        table.flags.writeable = False
        return table

    @cached_property
    def has_road(self) -> NDArray[np.bool_]:
        """Whether a sunken road joins these sides, (64,) bool; bit ``s`` stands for side ``s``."""
        known = {sides for road in self.roads for sides in road.ports}
        table = np.zeros(2**N_SIDES, dtype=np.bool_)
        for mask in range(1, 2**N_SIDES):
            table[mask] = lowest_turn(s for s in range(N_SIDES) if mask >> s & 1) in known
        table.flags.writeable = False
        return table

    def find_patterns(self, rises: NDArray[np.int32]) -> tuple[NDArray[np.int16], NDArray[np.int8]]:
        """Return the pattern and turn that have these rises, or -1 and 0 where none has.

        Parameters
        ----------
        rises
            (n, 6) int32, the least of each row 0.

        Returns
        -------
        tuple[NDArray[np.int16], NDArray[np.int8]]
            Pattern and turn, (n,) each: ``rises[i, s] == patterns[pattern].rises[(s - turn) % 6]``.
            The turn is the least that fits.
        """
        code = np.minimum(rises, MAX_RISE) @ CODE_WEIGHTS
        row = self.row_of_code[code]
        is_found = (row >= 0) & (rises.max(axis=1, initial=0) <= MAX_RISE)
        pattern = np.where(is_found, self.oriented[row, 0], -1).astype(np.int16)
        turn = np.where(is_found, self.oriented[row, 1], 0).astype(np.int8)
        return pattern, turn

    def find_crossings(
        self, water: NDArray[np.int8], ports: NDArray[np.bool_]
    ) -> tuple[NDArray[np.int16], NDArray[np.int8]]:
        """Return the crossing and turn that join these ports, or -1 and 0 where none does.

        Parameters
        ----------
        water
            (n,) int8, numbers in `WATER`.
        ports
            (n, 6) bool.
        """
        found = self.crossing_of_ports[water, ports @ (1 << np.arange(N_SIDES))]
        return found[:, 0].copy(), found[:, 1].astype(np.int8)


def greatest_turn(rises: tuple[int, ...]) -> tuple[int, ...]:
    """Return the turn of `rises` that reads as the greatest number."""
    return max(rises[turn:] + rises[:turn] for turn in range(len(rises)))


def lowest_turn(sides: Iterable[int]) -> tuple[int, ...]:
    """Return the turn of a set of sides that reads lowest."""
    given = tuple(sides)
    return min(tuple(sorted((s + turn) % N_SIDES for s in given)) for turn in range(N_SIDES))


def _check_sides(
    where: str, what: str, ports: tuple[tuple[int, ...], ...], allowed: tuple[int, int]
) -> None:
    """Refuse sets of sides that are too few or many, not in their standard turn, or there twice."""
    least, most = allowed
    for sides in ports:
        text = " ".join(str(side) for side in sides)
        is_set = len(set(sides)) == len(sides) and set(sides) <= set(range(N_SIDES))
        if not is_set or not least <= len(sides) <= most:
            number = str(least) if least == most else f"{least} to {most}"
            raise CatalogueError(
                f"{where} joins the sides {text!r}; {what} has {number} different sides from 0"
                " to 5",
                remedy=ADVICE,
                sides=sides,
            )
        if sides != lowest_turn(sides):
            raise CatalogueError(
                f"{where} joins the sides {text!r}, which are not turned to read lowest",
                remedy=f"write {' '.join(str(side) for side in lowest_turn(sides))!r}",
                sides=sides,
            )
    if not ports or len(set(ports)) < len(ports):
        raise CatalogueError(
            f"{where} lists " + ("a set of sides twice" if ports else "no set of sides"),
            remedy="list each set once; turning it does not make it another",
            ports=ports,
        )


def _check_name(name: str, kind: str) -> None:
    if not _NAME.fullmatch(name) or "with" in re.split("[ -]", name):
        raise CatalogueError(
            f"the {kind} name {name!r} cannot be printed on a schedule",
            remedy="use lower-case letters and digits, words separated by single spaces or hyphens,"
            " and not the word 'with'",
            name=name,
        )


def _check_unique(what: str, of: str, entries: list[tuple[str, tuple[Any, ...]]]) -> None:
    for (name, shape), (other, other_shape) in combinations(entries, 2):
        if shape == other_shape and name != other:
            raise CatalogueError(
                f"the {what} {name!r} and {other!r} have the same {of}",
                remedy="remove one of them; turning a piece does not make it another",
                names=(name, other),
            )


def bad_rises(name: str, text: str, rule: str) -> CatalogueError:
    """Word the answer to rises that break a rule."""
    return CatalogueError(
        f"the pattern {name!r} has the rises {text!r}, which {rule}",
        remedy=f'write six digits from 0 to {MAX_RISE}, at least one 0, as {name} = "110000"',
        pattern=name,
    )


def check_minutes(where: str, minutes: float | None) -> None:
    """Refuse a time of cutting that cannot be."""
    if minutes is not None and not 0.0 <= minutes <= 1000.0:
        raise CatalogueError(
            f"{where} has minutes = {minutes!r}; it must be from 0 to 1000",
            remedy="give the minutes that cutting one takes, or leave them out",
            minutes=minutes,
        )
