"""The end of the proof: an exact search over the labels that sweeps have left.

Part of `refine`. Labels that no better board has are gone by then, so most cells have one left.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import chain, product
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array

from hexterra.kernels.board.tile_costs import INFEASIBLE_SUM
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.search.bounds import Search
from hexterra.stages.search.candidates import Choices

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

State = tuple[int, int]

#: HiGHS takes what is this near to a bound, or to a whole number, for equal.
TOLERANCE: Final = 1e-6
#: Seconds between looks at whether the search was interrupted.
_POLL_S: Final = 0.1


class Program:
    """A mixed-integer linear program, built row by row."""

    def __init__(self) -> None:
        self.cost: list[float] = []
        self.is_whole: list[bool] = []
        self.rows: list[int] = []
        self.columns: list[int] = []
        self.values: list[float] = []
        self.least: list[float] = []
        self.most: list[float] = []

    def add_column(self, cost: float, *, is_whole: bool) -> int:
        """Add a variable of at least 0 and return its number."""
        self.cost.append(cost)
        self.is_whole.append(is_whole)
        return len(self.cost) - 1

    def add_row(self, terms: dict[int, float], least: float, most: float) -> int:
        """Bound a sum of variables and return the number of the row."""
        row = len(self.least)
        self.rows += [row] * len(terms)
        self.columns += terms.keys()
        self.values += terms.values()
        self.least.append(least)
        self.most.append(most)
        return row

    def solve(self, time_limit_s: float | None) -> OptimizeResult:
        """Run HiGHS; an interruption (Ctrl-C) is raised at once, and the run ends by itself."""
        from scipy.optimize import Bounds, LinearConstraint, milp  # slow to load, seldom needed

        options: dict[str, Any] = {"mip_rel_gap": 0.0}
        if time_limit_s is not None:
            options["time_limit"] = time_limit_s
        least: Any = np.array(self.least)
        most: Any = np.array(self.most)
        return _run_interruptibly(
            lambda: milp(
                np.array(self.cost),
                integrality=np.array(self.is_whole, dtype=np.int8),
                bounds=Bounds(0.0, 1.0),
                constraints=LinearConstraint(self._matrix, least, most),
                options=options,
            )
        )

    def relax(self, time_limit_s: float | None) -> NDArray[np.float64] | None:
        """Return the dual value of each row if variables need not be whole, or None.

        All rows must be equations. None if there is no solution in time.
        """
        from scipy.optimize import linprog  # slow to load, seldom needed

        result = _run_interruptibly(
            lambda: linprog(
                np.array(self.cost),
                A_eq=self._matrix,
                b_eq=np.array(self.most),
                method="highs-ds",
                options={} if time_limit_s is None else {"time_limit": time_limit_s},
            )
        )
        return result.eqlin.marginals if result.status == 0 else None

    @property
    def _matrix(self) -> csc_array:
        shape = (len(self.least), len(self.cost))
        return coo_array((self.values, (self.rows, self.columns)), shape=shape).tocsc()


def _run_interruptibly(call: Callable[[], OptimizeResult]) -> OptimizeResult:
    """Run a call in its own thread, so that an interruption need not wait for it."""
    found: list[OptimizeResult] = []
    worker = threading.Thread(target=lambda: found.append(call()), daemon=True)
    worker.start()
    while worker.is_alive():
        worker.join(_POLL_S)
    return found[0]


@dataclass
class Option:
    """A remaining label: its price, corners, kind, and column in the program, or -1 if sure."""

    price: float
    corners: list[int]
    kind: int
    column: int = -1


def seconds_left(end: float | None) -> float | None:
    """Return how long it is until the monotonic clock shows `end`, a hundredth at least."""
    return None if end is None else max(0.01, end - time.monotonic())


def prove(search: Search, end: float | None) -> None:
    """Find the best board among the labels left, or raise the bound until `end`.

    `end` is a time of the monotonic clock, or None. Cells with one label left separate the others
    into patches, each with its own program, unless pieces are counted over the whole board. HiGHS
    (Huangfu and Hall, Mathematical Programming Computation 10, 2018) chooses one label per cell; on
    each side that is still open, the share of each pair of states is a variable that both cells'
    labels must add up to. Its bounds are lowered by its tolerances.
    """
    options = options_of(search)
    total = 0.0
    corners = search.corners.copy()
    for cells in _patches(search, options):
        program = Program()
        sure = _add_cells(program, options, cells)
        sure += _add_sides(program, search.choices, options, cells)
        if search.stock.new_price > 0.0:
            sure += _add_pieces(program, search, options)
        total += sure
        if program.cost:
            result = program.solve(seconds_left(end))
            if result.x is not None:
                shares = np.append(result.x, 1.0)  # column -1 is what is sure
                for cell in cells:
                    best = int(np.argmax([shares[option.column] for option in options[cell]]))
                    corners[cell] = options[cell][best].corners
            total += -np.inf if result.mip_dual_bound is None else float(result.mip_dual_bound)
        else:
            corners[cells] = [options[cell][0].corners for cell in cells]
    search.try_candidate(corners)
    search.raise_bound(total - TOLERANCE * (1.0 + abs(total)))


def options_of(search: Search) -> list[list[Option]]:
    """List the labels that each cell has left; a sure one has column -1, others none yet."""
    choices, settings = search.choices, search.choices.settings
    labels, width = search.field.labels, search.field.tables.states.width
    options: list[list[Option]] = []
    for cell, (first, count) in enumerate(
        zip(choices.first.tolist(), labels.n_left.tolist(), strict=False)
    ):
        p = labels.oriented[first : first + count].astype(np.intp)
        b = labels.offset[first : first + count].astype(np.intp) // width
        price: list[float] = choices.price[first + b * choices.n_oriented + p].tolist()
        base = int(choices.lowest[cell]) + b[:, None]
        corners: list[list[int]] = (base + settings.rises[p]).tolist()
        kind: list[int] = search.stock.kind_of[settings.setting[cell], p].tolist()
        options.append([Option(*label) for label in zip(price, corners, kind, strict=True)])
    return options


def _patches(search: Search, options: list[list[Option]]) -> list[list[int]]:
    """Separate the cells into sets that do not depend on each other."""
    n = len(options)
    if search.stock.new_price > 0.0:
        return [list(range(n))]
    lattice = search.choices.tiles.lattice
    is_open = np.array([len(labels) > 1 for labels in options])
    patch = lattice.patches(is_open)
    patch[~is_open] = patch.max() + 1
    _, number = np.unique(patch, return_inverse=True)
    order = np.argsort(number, kind="stable")
    ends = np.cumsum(np.bincount(number))[:-1]
    return [cells.tolist() for cells in np.split(order, ends)]


def _add_cells(program: Program, options: list[list[Option]], cells: list[int]) -> float:
    """Add a choice of one label for each cell; return what is sure to be paid."""
    sure = 0.0
    for cell in cells:
        labels = options[cell]
        if len(labels) == 1:
            sure += labels[0].price
            continue
        for option in labels:
            option.column = program.add_column(option.price, is_whole=True)
        program.add_row(dict.fromkeys([option.column for option in labels], 1.0), 1.0, 1.0)
    return sure


def _add_sides(
    program: Program, choices: Choices, options: list[list[Option]], cells: list[int]
) -> float:
    """Add the cost of the faces of these cells; return the part of it that is certain."""
    lattice = choices.tiles.lattice
    sure = 0.0
    for cell in cells:
        for side, other in enumerate(lattice.neighbours[cell].tolist()):
            is_sure, is_other_sure = (
                len(options[cell]) == 1,
                other >= 0 and len(options[other]) == 1,
            )
            # A side between two open or two sure cells comes up twice; one between an open and a
            # sure cell is counted with the open one.
            if (
                other < 0
                or (is_sure and not is_other_sure)
                or (is_sure == is_other_sure and other < cell)
            ):
                continue
            mine, theirs, face = pair_states(choices, options, cell, side)
            if len(mine) > 1 < len(theirs):
                add_pairs(program, mine, theirs, face)
            elif len(mine) == len(theirs) == 1:
                sure += sum(face.values())
            else:  # one cell has one state here: the cost depends on the other's labels alone
                for (a, b), cost in face.items():
                    for column in mine[a] if len(mine) > 1 else theirs[b]:
                        program.cost[column] += cost
    return sure


def add_pairs(
    program: Program,
    mine: dict[State, list[int]],
    theirs: dict[State, list[int]],
    face: dict[tuple[State, State], float],
) -> tuple[dict[State, int], dict[State, int]]:
    """Add the shares of all pairs of states on a side that is open on both sides.

    Returns the row of each state of the one and of the other cell.
    """
    shares = {
        pair: program.add_column(cost, is_whole=False)
        for pair, cost in face.items()
        if cost < INFEASIBLE_SUM
    }
    rows: tuple[dict[State, int], dict[State, int]] = ({}, {})
    for end, states in enumerate((mine, theirs)):
        for state, columns in states.items():
            terms = {column: 1.0 for pair, column in shares.items() if pair[end] == state}
            terms |= dict.fromkeys(columns, -1.0)
            rows[end][state] = program.add_row(terms, 0.0, 0.0)
    return rows


def pair_states(
    choices: Choices, options: list[list[Option]], cell: int, side: int
) -> tuple[dict[State, list[int]], dict[State, list[int]], dict[tuple[State, State], float]]:
    """Return the states of a side in its cell and in the one across, and the cost of each pair.

    Both states are read from the cell's first corner on.
    """
    lattice = choices.tiles.lattice
    other, back = lattice.neighbours[cell, side], int(lattice.back_sides[cell, side])
    mine = _states(options[cell], side, (side + 1) % N_SIDES)
    theirs = _states(options[other], (back + 1) % N_SIDES, back)
    face = {pair: choices.face_price(cell, side, *pair) for pair in product(mine, theirs)}
    return mine, theirs, face


def _states(options: list[Option], first: int, second: int) -> dict[State, list[int]]:
    """Return the columns of a cell's labels by their corner heights on a side."""
    states: dict[State, list[int]] = {}
    for option in options:
        state = (option.corners[first], option.corners[second])
        states.setdefault(state, []).append(option.column)
    return states


def _add_pieces(program: Program, search: Search, options: list[list[Option]]) -> float:
    """Add the tiles of each kind beyond those owned; return what is sure to be paid."""
    columns_of: dict[int, list[int]] = {}
    left = search.stock.owned.copy()
    for option in chain.from_iterable(options):
        if option.column < 0:
            left[option.kind] -= 1
        else:
            columns_of.setdefault(option.kind, []).append(option.column)
    for kind, columns in columns_of.items():
        if left[kind] <= 0:
            for column in columns:
                program.cost[column] += search.stock.new_price
        elif len(columns) > left[kind]:
            n_beyond = len(columns) - max(int(left[kind]), 0)
            # As a share of the most there can be, since all variables run from 0 to 1.
            excess = program.add_column(search.stock.new_price * n_beyond, is_whole=False)
            terms = dict.fromkeys(columns, 1.0) | {excess: -float(n_beyond)}
            program.add_row(terms, -np.inf, float(left[kind]))
    return search.stock.new_price * float(np.maximum(-left, 0).sum())


def relax(search: Search, time_limit_s: float | None) -> None:
    """Set the best messages for the labels that are left, if they are found in time.

    In the relaxation a cell may take shares of labels, and both cells of a side must agree on the
    shares of its pairs of states. The dual values of these constraints are messages, and of all
    messages they prove the most (Werner, IEEE Transactions on Pattern Analysis and Machine
    Intelligence 29(7), 2007). The last sweep is up afterwards.
    """
    choices, field = search.choices, search.field
    lattice = choices.tiles.lattice
    program = Program()
    options = options_of(search)
    for labels in options:
        for option in labels:
            option.column = program.add_column(option.price, is_whole=False)
        program.add_row(dict.fromkeys([option.column for option in labels], 1.0), 1.0, 1.0)
    rows: list[tuple[int, int, State, int]] = []
    for cell, side in lattice.seams.tolist():
        other = int(lattice.neighbours[cell, side])
        back = int(lattice.back_sides[cell, side])
        of_mine, of_theirs = add_pairs(program, *pair_states(choices, options, cell, side))
        rows += [(cell, side, state, row) for state, row in of_mine.items()]
        rows += [(other, back, (b, a), row) for (a, b), row in of_theirs.items()]
    dual = program.relax(time_limit_s)
    if dual is None:
        return
    for cell, side, (first, second), row in rows:
        field.messages.value[field.place_of(cell, side, first, second)] = dual[row]
    search.passing.restart()
    search.round()
