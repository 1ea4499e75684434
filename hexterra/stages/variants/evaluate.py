"""A board chosen elsewhere -> Refined: whether it is legal, and what it costs.

`refine` chooses tiles; a board may also be read from a file, or changed by hand. It is checked here
by the same choices and prices, and what is wrong with it is said in words.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import InfeasibleError
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.search.candidates import Choices, choose_among
from hexterra.stages.search.prices import FORBIDDEN, Prices
from hexterra.stages.search.refined import Refined, SearchEffort, Stopped, break_down, build
from hexterra.stages.search.stock_prices import count_tile_kinds, stock_use
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.tiles.tile_kinds import TileKind

#: How many faults a refusal names before it only counts them.
N_NAMED: Final = 6


class Fault(NamedTuple):
    """What is not allowed about a board.

    Parameters
    ----------
    cell
        The cell; where two cells do not fit each other, the one with the lower number.
    words
        What is wrong there.
    """

    cell: int
    words: str


def evaluate(
    start: Tiles,
    corners: NDArray[np.int32],
    *,
    prices: Prices,
    can_face: NDArray[np.bool_] | None = None,
    frozen: NDArray[np.bool_] | None = None,
    edge_profile: Iterable[tuple[int, int]] = (),
    joint: Iterable[tuple[int, int]] = (),
    stock: Mapping[TileKind, int] | None = None,
    effort: SearchEffort = "bounded",
    bound: float = 0.0,
    start_cost: float = float("inf"),
    stopped: Stopped = "",
) -> Refined:
    """Check and price a whole board by the rules and prices of `refine`.

    Parameters
    ----------
    start
        A legal board of the same ground, from `fit`.
    corners
        Height of the six corners of each tile in steps above level 0, (n, 6) int32.
    prices, frozen, edge_profile, joint, stock
        As for `refine`.
    can_face
        Sides where a step face can be cut, (n, 6) bool, symmetric; all by default.
    effort, bound, start_cost, stopped
        How the board was found: what `Refined` is to say about that.

    Returns
    -------
    Refined
        The board with its cost. For the board that `refine` found, and what that says of it, it is
        the same value again.

    Raises
    ------
    InfeasibleError
        If the board breaks a rule; `facts["cells"]` names where.
    """
    choices, faults = find_faults(
        start, corners, prices=prices, can_face=can_face, frozen=frozen,
        edge_profile=edge_profile, joint=joint,
    )  # fmt: skip
    if faults:
        lattice = start.lattice
        named = "; ".join(fault.words for fault in faults[:N_NAMED])
        more = f"; and {len(faults) - N_NAMED} more faults" if len(faults) > N_NAMED else ""
        raise InfeasibleError(
            f"these tiles do not fit together: {named}{more}",
            remedy="choose another level, pattern or turn for these cells, or lift the rule",
            cells=tuple(dict.fromkeys(lattice.labels[fault.cell] for fault in faults)),
        )
    tiles = build(choices, corners)
    use = None if stock is None else stock_use(count_tile_kinds(tiles), stock)
    new_price = 0.0 if use is None else prices.new_piece
    cost = choices.price_board(corners)
    if use is not None:
        cost += new_price * use.n_to_cut
    return Refined(
        tiles=tiles,
        prices=prices,
        effort=effort,
        start_cost=start_cost,
        cost=cost,
        bound=min(max(bound, 0.0), cost),
        breakdown=break_down(choices, corners, prices, new_price, use),
        stopped=stopped,
        stock=use,
    )


def find_faults(
    start: Tiles,
    corners: NDArray[np.int32],
    *,
    prices: Prices,
    can_face: NDArray[np.bool_] | None = None,
    frozen: NDArray[np.bool_] | None = None,
    edge_profile: Iterable[tuple[int, int]] = (),
    joint: Iterable[tuple[int, int]] = (),
) -> tuple[Choices, tuple[Fault, ...]]:
    """Return choices that hold every tile of a board, and all that is not allowed about it.

    Parameters as for `evaluate`. Faults are in order of the cells, then of the sides.
    """
    profile = tuple(edge_profile)
    legal = start.legal
    level = np.clip(corners.min(axis=1), legal.lower, legal.upper)
    reach = int(np.abs(level - start.level).max(initial=0))
    choices = choose_among(
        start, prices, reach=reach, frozen=frozen, edge_profile=profile, joint=joint
    )
    faults = [*_faults_of_tiles(choices, corners, frozen, profile)]
    faults += _faults_of_seams(choices, corners, can_face)
    return choices, tuple(sorted(faults, key=lambda fault: fault.cell))


def with_corners(start: Tiles, corners: NDArray[np.int32]) -> Tiles:
    """Return a board with other tiles, whether or not they fit each other.

    Raises
    ------
    InfeasibleError
        If a tile is not one that its cell may get.
    """
    choices, faults = find_faults(start, corners, prices=Prices())
    bad = choices.top_prices(corners) >= FORBIDDEN
    if bad.any():
        names = tuple(start.lattice.labels[cell] for cell in np.flatnonzero(bad))
        named = "; ".join(fault.words for fault in faults if bad[fault.cell])
        raise InfeasibleError(
            f"these tiles are not allowed where they are requested: {named}",
            remedy="let these cells have other tiles (keep.free in a brief), or lift the rule",
            cells=names,
        )
    return build(choices, corners)


def _faults_of_tiles(
    choices: Choices,
    corners: NDArray[np.int32],
    frozen: NDArray[np.bool_] | None,
    profile: tuple[tuple[int, int], ...],
) -> Iterator[Fault]:
    """Say why tiles are not allowed where they stand."""
    lattice = choices.tiles.lattice
    for cell in np.flatnonzero(choices.top_prices(corners) >= FORBIDDEN).tolist():
        heights = corners[cell].tolist()
        reasons = [
            *_reasons(choices, cell, heights),
            *_fixed_corners(choices, cell, heights, profile),
        ]
        because = ", and ".join(reasons) or "that tile is not allowed"
        if (
            frozen is not None
            and frozen[cell]
            and (corners[cell] != choices.tiles.corners[cell]).any()
        ):
            because = "the tile is fixed, as its other half is on an adjoining board"
        yield Fault(cell, f"in {lattice.labels[cell]} {because}")


def _reasons(choices: Choices, cell: int, corners: list[int]) -> Iterator[str]:
    """Find what the levels, the catalogue, the ramp limit and the water have against a tile."""
    tiles, settings = choices.tiles, choices.settings
    legal, level = tiles.legal, min(corners)
    rises = [height - level for height in corners]
    if level < legal.lower or max(corners) > legal.upper:
        top = "" if max(corners) == level else f" to {max(corners)}"
        yield (
            f"the tile stands at {level}{top} steps, where levels run from {legal.lower} to"
            f" {legal.upper}"
        )
    pin = dict(legal.pins).get(cell)
    if pin is not None and level not in (pin, int(tiles.level[cell])):
        yield f"the tile stands at level {level}, where the brief pins it to {pin}"
    if settings.catalogue.find_patterns(np.array([rises]))[0][0] < 0:
        yield f"no pattern in the catalogue has the rises {' '.join(map(str, rises))}"
    elif max(rises) > 1 and not settings.features[settings.setting[cell], N_SIDES + 4]:
        yield f"the top rises {max(rises)} steps, but a ramp may rise only 1"
    water = legal.water
    if water is None:
        return
    for side in np.flatnonzero(water.ports[cell]).tolist():
        if rises[side] != rises[(side + 1) % N_SIDES]:
            yield f"water crosses side {side}, which slopes"
    out = int(water.outflow[cell])
    if out >= 0 and max(rises[out], rises[(out + 1) % N_SIDES]) > 0:
        yield f"water leaves by side {out}, which is not the lowest of the tile"


def _fixed_corners(
    choices: Choices, cell: int, corners: list[int], profile: tuple[tuple[int, int], ...]
) -> Iterator[str]:
    """Find the corners of a tile that do not stand where the edge of the board holds them."""
    wanted = dict(profile)
    for at, corner in enumerate(choices.tiles.lattice.corner_of[cell].tolist()):
        height = wanted.get(corner)
        if height is not None and height != corners[at]:
            yield f"corner {at} stands at {corners[at]}, where the edge is fixed at {height}"


def _faults_of_seams(
    choices: Choices, corners: NDArray[np.int32], can_face: NDArray[np.bool_] | None
) -> Iterator[Fault]:
    """Say where water would have to rise, and where a step face cannot be cut."""
    lattice = choices.tiles.lattice
    apart, is_uphill = choices.faces(corners)
    cell, side = lattice.seams.T
    is_refused = np.zeros_like(is_uphill)
    if can_face is not None:
        is_refused = (apart > 0.0) & ~can_face[cell, side]
    for seam in np.flatnonzero(is_uphill | is_refused).tolist():
        one, at = lattice.seams[seam].tolist()
        other = int(lattice.neighbours[one, at])
        names = lattice.labels[one], lattice.labels[other]
        if is_uphill[seam]:
            first, then = names if choices.falls[one, at] > 0 else names[::-1]
            yield Fault(one, f"water would have to run up from {first} to {then}")
        else:
            yield Fault(
                one,
                f"the tops of {names[0]} and {names[1]} do not meet, and the catalogue has no step"
                " face for that side",
            )
