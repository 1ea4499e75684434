"""Legal levels: worked by hand, against every board, against HiGHS, and laws."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

import h3
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array

from hexterra.errors import BriefError, InfeasibleError
from hexterra.lattice.board import Board
from hexterra.lattice.globe import Globe
from hexterra.lattice.lattice import Lattice
from hexterra.stages.levels.legalise import LegalLevels, legalise, relegalise
from hexterra.stages.levels.quantise import Levels, quantise
from hexterra.stages.water.flow import Watercourses
from tests.level_ground import heights_of
from tests.plain import levels as plain

# Cells of `flower()`: the middle one, and its neighbours across sides 0 to 5.
MIDDLE = 3
PETALS = (4, 6, 5, 2, 0, 1)


def board(columns: int, rows: int) -> Board:
    """Make a board of invented ground."""
    return Board(columns, rows, 100.0, "points", "straight", 5000.0, 9.0, 46.0)


def flower() -> Board:
    """Make a board of one cell and its six neighbours."""
    return board(3, 3).only(np.isin(np.arange(9), [0, 1, 3, 4, 5, 6, 7]))


def wanted(lattice: Lattice, position: ArrayLike) -> Levels:
    """Make levels whose continuous position is the given one: 1 m steps above 0 m."""
    return quantise(heights_of(lattice, position), metres_per_step=1.0, datum_m=0.0)


def petals(middle: float, around: float | tuple[float, ...]) -> Levels:
    """Make wanted levels of a flower."""
    position = np.empty(7)
    position[MIDDLE] = middle
    position[list(PETALS)] = around
    return wanted(flower(), position)


def running(levels: Levels, outflow: dict[int, int]) -> Watercourses:
    """Make water that leaves the given cells by the given sides."""
    lattice = levels.heights.lattice
    n = lattice.n_cells
    side = np.full(n, -1, dtype=np.int8)
    side[list(outflow)] = list(outflow.values())
    receiver = np.arange(n, dtype=np.int32)
    receiver[list(outflow)] = lattice.neighbours[list(outflow), list(outflow.values())]
    return Watercourses(
        heights=levels.heights,
        filled_m=levels.heights.mean_m,
        receiver=receiver,
        receiver_side=side,
        order=np.arange(n, dtype=np.int32),
        catchment_m2=np.ones(n),
        is_watercourse=side >= 0,
        ports=np.zeros((n, 6), dtype=bool),
        outflow=side,
        kind=np.zeros(n, dtype=np.int8),
    )


def adjoining(lattice: Board) -> list[tuple[int, int]]:
    """List ordered pairs of cells whose centres lie one across-flats apart."""
    apart = np.linalg.norm(lattice.centre_mm[:, None] - lattice.centre_mm, axis=2)
    return [(int(u), int(v)) for u, v in np.argwhere(np.abs(apart - 100.0) < 1.0)]


@dataclass(frozen=True)
class Case:
    """What to legalise, and the same as a list of rules found from the cells' centres."""

    levels: Levels
    water: Watercourses
    limit: NDArray[np.int8]
    cliff: NDArray[np.bool_]
    pins: tuple[tuple[int, int], ...]
    weight: NDArray[np.float64]
    measure: Any
    upper: int

    def solve(self) -> LegalLevels:
        """Legalise."""
        return legalise(
            self.levels,
            water=self.water,
            ramp_limit=self.limit,
            cliffs=self.cliff,
            pins=self.pins,
            weight=self.weight,
            measure=self.measure,
            bounds=(0, self.upper),
        )

    @property
    def rules(self) -> list[plain.Rule]:
        """Every difference constraint; those of banks unless pins stand against them."""
        every = self._without_banks + self._banks
        lower, upper = self.ranges
        highest = plain.tighten(upper, every)
        is_possible = all(low <= high for low, high in zip(lower, highest, strict=True))
        return every if is_possible else self._without_banks

    @property
    def _banks(self) -> list[plain.Rule]:
        """Watercourses stand no higher than dry ground beside them that is no lower in nature."""
        lattice, height_m = self.levels.heights.lattice, self.levels.heights.mean_m
        assert isinstance(lattice, Board)
        return [
            (w, dry, 0)
            for w, dry in adjoining(lattice)
            if self.water.is_watercourse[w]
            and not self.water.is_watercourse[dry]
            and height_m[dry] >= height_m[w]
            and not self.cliff[w, int(np.flatnonzero(lattice.neighbours[w] == dry)[0])]
        ]

    @property
    def _without_banks(self) -> list[plain.Rule]:
        """What ramps and falling water ask for."""
        lattice = self.levels.heights.lattice
        assert isinstance(lattice, Board)
        pairs = set(adjoining(lattice))
        rules: list[plain.Rule] = []
        for u, v in sorted(pairs):
            side = int(np.flatnonzero(lattice.neighbours[u] == v)[0])
            if not self.cliff[u, side]:
                rules.append((u, v, int(self.limit[u, side])))
        for w in np.flatnonzero(self.water.outflow >= 0).tolist():
            d = int(self.water.receiver[w])
            beside = [c for c in range(lattice.n_cells) if {(c, w), (c, d)} <= pairs]
            rules += [(held, w, 0) for held in (d, *beside)]
        return rules

    @property
    def tightest(self) -> dict[tuple[int, int], int]:
        """The least rise that the rules leave each pair of cells."""
        tightest: dict[tuple[int, int], int] = {}
        for u, v, rise in self.rules:
            tightest[u, v] = min(rise, tightest.get((u, v), rise))
        return tightest

    @property
    def ranges(self) -> tuple[list[int], list[int]]:
        """Least and greatest level of each cell."""
        n = self.levels.heights.lattice.n_cells
        lower, upper = [0] * n, [self.upper] * n
        for cell, level in self.pins:
            lower[cell] = upper[cell] = level
        return lower, upper

    def cost(self, cell: int, level: int) -> Fraction:
        """Cost of one cell at a level, exactly."""
        away = abs(level - Fraction(float(self.levels.position[cell])))
        return Fraction(float(self.weight[cell])) * (
            away if self.measure == "absolute" else away**2
        )

    def total(self, level: object) -> Fraction:
        """Cost of a board, exactly."""
        return sum(
            (self.cost(cell, int(at)) for cell, at in enumerate(np.asarray(level))), Fraction(0)
        )


@st.composite
def cases(draw: st.DrawFn, max_side: int = 5, top: int = 7, most_cells: int = 25) -> Case:
    """Draw a board with holes, rough ground, cliffs, water, weights and pins."""
    whole = board(draw(st.integers(2, max_side)), draw(st.integers(2, max_side)))
    present = np.ones(whole.n_cells, dtype=bool)
    n_gone = max(0, whole.n_cells - most_cells)
    present[draw(st.permutations(range(whole.n_cells)))[:n_gone]] = False
    lattice = whole.only(present)
    n = lattice.n_cells
    random = np.random.default_rng(draw(st.integers(0, 2**32)))
    # Binary fractions have exact costs, and quarters make many boards equally good.
    grain = draw(st.sampled_from([4.0, 1024.0]))
    levels = wanted(lattice, np.round(random.uniform(-0.5, top + 0.4, n) * grain) / grain)
    pairs = lattice.seams[random.random(len(lattice.seams)) < draw(st.sampled_from([0.0, 0.25]))]
    cliff = np.zeros((n, 6), dtype=bool)
    limit = np.ones((n, 6), dtype=np.int8)
    for u, side in lattice.seams.tolist():
        v, back = int(lattice.neighbours[u, side]), int(lattice.back_sides[u, side])
        limit[u, side] = limit[v, back] = random.integers(1, 3)
    for u, side in pairs.tolist():
        cliff[u, side] = True
        cliff[lattice.neighbours[u, side], lattice.back_sides[u, side]] = True
    wet = random.random(n) < draw(st.sampled_from([0.0, 0.3]))
    sides = random.integers(0, 6, n)
    outflow = {
        int(c): int(sides[c]) for c in np.flatnonzero(wet) if lattice.neighbours[c, sides[c]] >= 0
    }
    n_pins = draw(st.integers(0, 2))
    pinned = random.permutation(n)[:n_pins].tolist()
    return Case(
        levels=levels,
        water=running(levels, outflow),
        limit=limit,
        cliff=cliff,
        pins=tuple((c, int(random.integers(0, top + 1))) for c in sorted(pinned)),
        weight=np.where(random.random(n) < 0.1, 0.0, random.integers(1, 9, n) / 4.0),
        measure=draw(st.sampled_from(["absolute", "square"])),
        upper=top,
    )


def highs_optimum(case: Case) -> float | None:
    """Solve the linear programme on the integers with HiGHS; None if it is infeasible.

    Each cell's level is the sum of unit segments whose slopes are the costs of one more level;
    convexity fills them from below.
    """
    lower, upper = case.ranges
    owner: list[int] = []
    slope: list[float] = []
    for cell, (low, high) in enumerate(zip(lower, upper, strict=True)):
        for level in range(low, high):
            owner.append(cell)
            slope.append(float(case.cost(cell, level + 1) - case.cost(cell, level)))
    rules = case.rules
    row, column, sign = [], [], []
    for number, (u, v, _) in enumerate(rules):
        for segment, cell in enumerate(owner):
            if cell in (u, v):
                row.append(number)
                column.append(segment)
                sign.append(1.0 if cell == u else -1.0)
    most = [rise - lower[u] + lower[v] for u, v, rise in rules]
    if not owner:
        return float(case.total(lower)) if min(most, default=0) >= 0 else None
    matrix = coo_array((sign, (row, column)), shape=(len(rules), len(owner))).tocsr()
    answer = linprog(slope, A_ub=matrix, b_ub=most, bounds=(0.0, 1.0), method="highs-ds")
    if answer.status == 2:
        return None
    assert answer.status == 0
    return float(case.total(lower)) + answer.fun


def check_laws(case: Case, legal: LegalLevels) -> None:
    """Check that levels are legal, and the proof of their optimality in exact fractions.

    Weak duality: whatever the multipliers of the rules, no legal board costs less than the sum of
    each cell's least cost once it pays for its level what it is pressed by.
    """
    level = legal.level.tolist()
    lower, upper = case.ranges
    assert all(level[u] - level[v] <= rise for u, v, rise in case.rules)
    assert all(low <= at <= high for low, at, high in zip(lower, level, upper, strict=True))
    assert legal.cost == pytest.approx(float(case.total(level)), rel=1e-12, abs=1e-12)

    lattice = case.levels.heights.lattice
    assert not legal.flow[lattice.neighbours < 0].any()
    flow = {
        (u, int(lattice.neighbours[u, s])): int(legal.flow[u, s]) * Fraction(legal.unit)
        for u, s in np.argwhere(lattice.neighbours >= 0).tolist()
    }
    assert all(flow[v, u] == -amount for (u, v), amount in flow.items())
    rises = case.tightest
    bound = -sum((amount * rises[pair] for pair, amount in flow.items() if amount > 0), Fraction(0))
    for cell in range(lattice.n_cells):
        push = sum((amount for (u, _), amount in flow.items() if u == cell), Fraction(0))
        bound += min(case.cost(cell, at) + at * push for at in range(lower[cell], upper[cell] + 1))
    assert bound == case.total(level)


# Worked by hand ---------------------------------------------------------------------------------


def test_the_flower_is_numbered_as_the_tests_say() -> None:
    """The middle cell's neighbours are the petals, in order of its sides."""
    assert tuple(flower().neighbours[MIDDLE].tolist()) == PETALS


@pytest.mark.parametrize(
    ("limit", "weight", "middle", "around", "cost"),
    [
        (1, 1.0, 1, 0, 4.0),  # six petals would have to rise for the middle's one step
        (2, 1.0, 2, 0, 3.0),
        (1, 10.0, 5, 4, 24.0),  # a step of the middle costs 10, a step of six petals 6
        (1, 6.5, 5, 4, 24.0),
        (1, 5.5, 1, 0, 22.0),
    ],
)
def test_a_spike(limit: int, weight: float, middle: int, around: int, cost: float) -> None:
    """A cell 5 steps above its six neighbours comes down, unless it weighs more than they."""
    weights = np.ones(7)
    weights[MIDDLE] = weight
    legal = legalise(petals(5.0, 0.0), ramp_limit=limit, weight=weights)
    assert legal.level[MIDDLE] == middle
    assert set(legal.level[list(PETALS)]) == {around}
    assert legal.cost == legal.bound == cost
    assert legal.edit[MIDDLE] == middle - 5


def test_a_pit_is_filled() -> None:
    """A cell 3 steps below its neighbours rises by 2."""
    legal = legalise(petals(0.0, 3.0))
    assert legal.level[MIDDLE] == 2
    assert legal.cost == 2.0


@pytest.mark.parametrize(("height", "middle", "around", "cost"), [(4, 1, 0, 9.0), (5, 2, 1, 15.0)])
def test_squares_share_the_change(height: int, middle: int, around: int, cost: float) -> None:
    """Squares: 4 steps give 9 (against 4 + 6), 5 steps give 9 + 6 (against 16)."""
    legal = legalise(petals(float(height), 0.0), measure="square")
    assert legal.level[MIDDLE] == middle
    assert set(legal.level[list(PETALS)]) == {around}
    assert legal.cost == pytest.approx(cost)


def test_squares_count_what_no_level_can_avoid() -> None:
    """Seven cells at 0.25 stay on level 0, which costs 7 / 16."""
    legal = legalise(petals(0.25, 0.25), measure="square", bounds=(0, 3))
    assert not legal.level.any()
    assert legal.cost == pytest.approx(7.0 / 16.0)


def test_a_cliff_needs_no_ramp() -> None:
    """A spike with cliffs all around stays; with five cliffs one petal settles it."""
    cliffs = np.zeros((7, 6), dtype=bool)
    lattice = flower()
    for side in range(6):
        cliffs[MIDDLE, side] = True
        cliffs[PETALS[side], lattice.back_sides[MIDDLE, side]] = True
    legal = legalise(petals(5.0, 0.0), cliffs=cliffs)
    assert legal.level[MIDDLE] == 5
    assert legal.cost == 0.0
    cliffs[MIDDLE, 2] = cliffs[PETALS[2], lattice.back_sides[MIDDLE, 2]] = False
    assert legalise(petals(5.0, 0.0), cliffs=cliffs).cost == 4.0


def test_a_pin_holds() -> None:
    """A pit that is pinned at 0 pulls its six neighbours down to 1."""
    legal = legalise(petals(2.0, 2.0), pins=[(MIDDLE, 0)])
    assert legal.level[MIDDLE] == 0
    assert set(legal.level[list(PETALS)]) == {1}
    assert legal.pins == ((MIDDLE, 0),)


def test_a_pin_above_the_ground_widens_the_bounds() -> None:
    """A pin may stand above the highest target level."""
    legal = legalise(petals(0.0, 0.0), pins=[(MIDDLE, 3)])
    assert set(legal.level[list(PETALS)]) == {2}
    assert (legal.lower, legal.upper) == (0, 3)


def test_water_may_not_climb() -> None:
    """Water from a pit of weight 10 lowers the next cell and the two beside, and no others."""
    levels = petals(0.0, 1.0)
    weights = np.ones(7)
    weights[MIDDLE] = 10.0
    legal = legalise(levels, water=running(levels, {MIDDLE: 0}), weight=weights)
    assert legal.level[MIDDLE] == 0
    assert legal.level[list(PETALS)].tolist() == [0, 0, 1, 1, 1, 0]
    assert legal.cost == 3.0
    light = legalise(levels, water=running(levels, {MIDDLE: 0}))
    assert set(light.level) == {1}
    assert light.cost == 1.0


def test_a_cliff_lets_no_water_climb() -> None:
    """Falling water holds across and beside marked cliffs, too."""
    levels = petals(0.0, 5.0)
    weights = np.ones(7)
    weights[MIDDLE] = 100.0
    legal = legalise(
        levels,
        water=running(levels, {MIDDLE: 3}),
        cliffs=np.ones((7, 6), dtype=bool),
        weight=weights,
    )
    assert legal.level[list(PETALS)].tolist() == [5, 5, 0, 0, 0, 5]


def test_water_beside_a_pentagon() -> None:
    """A pentagon's side 4 is flanked by its sides 3 and 0: side 5 has no length."""
    pentagon = sorted(h3.get_pentagons(5))[3]
    disk = [h3.str_to_int(cell) for cell in h3.grid_disk(pentagon, 1)]
    globe = Globe(np.array(disk, dtype=np.uint64))
    middle = int(np.searchsorted(globe.cells, h3.str_to_int(pentagon)))
    position = np.ones(6)
    position[middle] = 0.0
    weights = np.ones(6)
    weights[middle] = 10.0
    levels = wanted(globe, position)
    for side in range(5):
        legal = legalise(levels, water=running(levels, {middle: side}), weight=weights)
        around = legal.level[globe.neighbours[middle, :5]].tolist()
        expected = [1] * 5
        for low in (side - 1, side, side + 1):
            expected[low % 5] = 0
        assert around == expected


def test_of_equally_good_boards_the_rule_decides() -> None:
    """At 0.5 levels 0 and 1 are equally good: the wanted level 1 is the start and stays."""
    legal = legalise(petals(0.5, 0.5))
    assert set(legal.level) == {1}


def test_a_single_cell() -> None:
    """A board of one cell has no sides to ramp: it stands on its own."""
    alone = board(2, 2).only(np.arange(4) == 2)
    legal = legalise(wanted(alone, [3.25]), bounds=(0, 2))
    assert legal.level.tolist() == [2]
    assert legal.cost == 1.25


# Against everything -----------------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=150)
@given(cases(max_side=3, top=3, most_cells=6))
def test_the_best_of_all_boards(case: Case) -> None:
    """On six cells: no legal board is cheaper, and of the cheapest the written rule's comes out."""
    boards = list(plain.legal_boards(*case.ranges, case.rules))
    if not boards:
        with pytest.raises(InfeasibleError):
            case.solve()
        return
    legal = case.solve()
    check_laws(case, legal)
    costs = {levels: case.total(levels) for levels in boards}
    assert case.total(legal.level) == min(costs.values())

    lower, upper = case.ranges
    goal = np.clip(case.levels.level, lower, upper).tolist()
    backwards = [(v, u, rise) for u, v, rise in case.rules]
    below = plain.tighten(goal, case.rules)
    above = [-level for level in plain.tighten([-level for level in goal], backwards)]
    highest = np.max(boards, axis=0)
    lowest = np.min(boards, axis=0)
    start = np.clip((np.array(below) + above) // 2, lowest, highest)

    def cheapest(among: list[tuple[int, ...]]) -> list[tuple[int, ...]]:
        least = min(costs[levels] for levels in among)
        return [levels for levels in among if costs[levels] == least]

    up = np.min(cheapest([b for b in boards if (np.array(b) >= start).all()]), axis=0)
    down = np.max(cheapest([b for b in boards if (np.array(b) <= up).all()]), axis=0)
    np.testing.assert_array_equal(legal.level, down)


@settings(derandomize=True, deadline=None, max_examples=200)
@given(cases())
def test_highs_finds_the_same_optimum(case: Case) -> None:
    """An independent linear solver agrees on the least cost, or that there is no board.

    HiGHS dual simplex (Huangfu and Hall, Mathematical Programming Computation 10, 2018); the
    programme is integral because its matrix is a network's.
    """
    optimum = highs_optimum(case)
    if optimum is None:
        with pytest.raises(InfeasibleError):
            case.solve()
        return
    legal = case.solve()
    check_laws(case, legal)
    assert legal.cost == pytest.approx(optimum, rel=1e-9, abs=1e-9)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(cases(max_side=5, top=9))
def test_the_plain_twin_makes_the_same_board(case: Case) -> None:
    """Minimum cuts found one by one, each from scratch, lead to the same levels cell by cell."""
    lower, upper = case.ranges
    backwards = [(v, u, rise) for u, v, rise in case.rules]
    highest = plain.tighten(upper, case.rules)
    lowest = [-level for level in plain.tighten([-level for level in lower], backwards)]
    if any(low > high for low, high in zip(lowest, upper, strict=True)):
        with pytest.raises(InfeasibleError):
            case.solve()
        return
    goal = np.clip(case.levels.level, lower, upper).tolist()
    below = plain.tighten(goal, case.rules)
    above = plain.tighten([-level for level in goal], backwards)
    halfway = [(b - a) // 2 for b, a in zip(below, above, strict=True)]
    start = np.clip(halfway, lowest, highest).tolist()

    def exact(cell: int, level: int) -> int:  # costs of cases are whole in units of 2**-22
        return int(case.cost(cell, level) * 2**22)

    up = plain.raise_levels(start, upper, case.rules, exact)
    flipped = plain.raise_levels(
        [-level for level in up],
        [-level for level in lower],
        backwards,
        lambda cell, level: exact(cell, -level),
    )
    np.testing.assert_array_equal(case.solve().level, [-level for level in flipped])


# Laws -------------------------------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=40)
@given(cases())
def test_legal_boards_stay(case: Case) -> None:
    """Legalising what is legal changes nothing."""
    try:
        legal = case.solve()
    except InfeasibleError:
        return
    again = replace(
        case,
        levels=wanted(case.levels.heights.lattice, legal.level),
        weight=np.maximum(case.weight, 0.25),
    ).solve()
    np.testing.assert_array_equal(again.level, legal.level)
    assert again.cost == 0.0


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 2**32), st.integers(3, 12), st.integers(2, 6), st.integers(1, 2))
def test_a_turned_board_gives_the_turned_answer(
    seed: int, columns: int, half_rows: int, limit: int
) -> None:
    """Half a turn of a board with an even number of rows only turns the answer."""
    lattice = board(columns, 2 * half_rows)
    position = np.random.default_rng(seed).uniform(0.0, 9.0, lattice.n_cells)
    legal = legalise(wanted(lattice, position), ramp_limit=limit)
    turned = legalise(wanted(lattice, position[::-1]), ramp_limit=limit)
    np.testing.assert_array_equal(turned.level, legal.level[::-1])


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 2**32), st.integers(2, 9), st.integers(1, 4))
def test_a_mirrored_board_gives_the_mirrored_answer(
    seed: int, columns: int, half_rows: int
) -> None:
    """Front and back of a board with an odd number of rows can be swapped, ties included."""
    rows = 2 * half_rows + 1
    lattice = board(columns, rows)
    position = np.random.default_rng(seed).integers(0, 28, (rows, columns)) / 4.0
    legal = legalise(wanted(lattice, position.ravel()))
    mirrored = legalise(wanted(lattice, position[::-1].ravel()))
    np.testing.assert_array_equal(
        mirrored.level.reshape(rows, columns), legal.level.reshape(rows, columns)[::-1]
    )


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 2**32), st.sampled_from(["absolute", "square"]))
def test_ground_upside_down_costs_the_same(seed: int, measure: Any) -> None:
    """Hills and valleys are treated alike: 9 less the ground costs what the ground costs."""
    lattice = board(8, 7)
    position = np.random.default_rng(seed).integers(0, 9 * 64, lattice.n_cells) / 64.0
    one = legalise(wanted(lattice, position), measure=measure, bounds=(0, 9))
    other = legalise(wanted(lattice, 9.0 - position), measure=measure, bounds=(0, 9))
    assert one.cost == other.cost


def test_a_rough_board_is_proven() -> None:
    """On 2 500 cells of noise the cost equals its bound, for both measures and limits."""
    lattice = board(50, 50)
    position = np.random.default_rng(5).uniform(0.0, 20.0, 2500)
    for measure in ("absolute", "square"):
        costs = []
        for limit in (1, 2):
            legal = legalise(wanted(lattice, position), measure=measure, ramp_limit=limit)
            there = legal.level[lattice.neighbours]
            rise = np.abs(there - legal.level[:, None])[lattice.neighbours >= 0]
            assert rise.max() == limit
            assert legal.cost_units == legal.bound_units > 0
            costs.append(legal.cost)
        assert costs[1] < costs[0]


def test_the_same_wish_gives_the_same_value() -> None:
    """Two runs agree to the last bit."""
    lattice = board(20, 20)
    position = np.random.default_rng(6).uniform(0.0, 9.0, 400)
    assert legalise(wanted(lattice, position)).same_as(legalise(wanted(lattice, position)))


@settings(derandomize=True, deadline=None, max_examples=30)
@given(cases())
def test_relegalise_keeps_all_else(case: Case) -> None:
    """Tighter limits without cliffs: as if asked so at first."""
    try:
        legal = case.solve()
    except InfeasibleError:
        return
    tighter = replace(case, limit=np.ones_like(case.limit), cliff=np.zeros_like(case.cliff))
    try:
        expected = tighter.solve()
    except InfeasibleError:
        with pytest.raises(InfeasibleError):
            relegalise(legal, limit=tighter.limit, cliff=tighter.cliff)
        return
    assert relegalise(legal, limit=tighter.limit, cliff=tighter.cliff).same_as(expected)
    assert expected.cost >= legal.cost


def test_a_hair_of_weight_still_counts() -> None:
    """Beside 10**12 a weight of 10**-9 does not round to nothing: its cell gets what it wants."""
    row = board(3, 2).only(np.arange(6) < 3)
    legal = legalise(wanted(row, [2.0, 0.0, 3.0]), weight=[1e12, 0.0, 1e-9])
    assert legal.level.tolist() == [2, 2, 3]


# What is refused --------------------------------------------------------------------------------


def test_a_chain_of_ramps_is_named() -> None:
    """Two pins too far apart: the cells between them are listed in order, with their limits."""
    levels = wanted(board(4, 2), np.zeros(8))
    with pytest.raises(InfeasibleError) as caught:
        legalise(levels, pins=[(0, 0), (3, 5)])
    assert caught.value.facts["chain"] == (3, 2, 1, 0)
    assert caught.value.facts["labels"] == ("D1", "C1", "B1", "A1")
    assert caught.value.facts["excess"] == 2
    assert caught.value.problem == (
        "the cell D1 is pinned to level 5, but A1 is pinned to level 0, and between them"
        " D1 may be 1 step above C1; C1 may be 1 step above B1; B1 may be 1 step above A1: D1 can"
        " be at level 3 at most"
    )
    assert "D1 or A1" in caught.value.remedy


def test_climbing_water_is_named() -> None:
    """A pin that would make water climb names both cells of the link."""
    levels = petals(0.0, 0.0)
    with pytest.raises(InfeasibleError, match="where water runs down") as caught:
        legalise(levels, water=running(levels, {MIDDLE: 0}), pins=[(MIDDLE, 1), (PETALS[1], 2)])
    assert caught.value.facts["chain"] == (PETALS[1], MIDDLE)


def test_a_chain_may_end_at_a_steep_ramp() -> None:
    """The message counts the steps of each side."""
    with pytest.raises(InfeasibleError, match="may be 2 steps above"):
        legalise(petals(0.0, 0.0), ramp_limit=2, pins=[(MIDDLE, 0), (PETALS[0], 3)])


def test_a_long_chain_is_cut_short_in_words_only() -> None:
    """Beyond twelve links the message leaves out the middle; the facts keep every cell."""
    levels = wanted(board(30, 2), np.zeros(60))
    with pytest.raises(InfeasibleError, match="and so on through 17 more cells") as caught:
        legalise(levels, pins=[(0, 0), (29, 40)])
    assert caught.value.facts["chain"] == tuple(range(29, -1, -1))


@settings(derandomize=True, deadline=None, max_examples=60)
@given(cases(top=9))
def test_a_named_chain_conflicts(case: Case) -> None:
    """The chain starts and ends at pins, and its rules add up to less than they differ by."""
    conflict: Any = None
    try:
        case.solve()
    except InfeasibleError as error:
        conflict = error.facts
    if conflict is not None:
        chain, pins, rises = conflict["chain"], dict(case.pins), case.tightest
        allowed = sum(rises[link] for link in pairwise(chain))
        assert pins[chain[0]] - pins[chain[-1]] - allowed == conflict["excess"] > 0


def test_a_cost_without_proof_is_no_value() -> None:
    """Legal levels whose cost and bound differ cannot exist."""
    legal = legalise(petals(5.0, 0.0))
    with pytest.raises(ValueError, match="differs from its bound"):
        replace(legal, bound_units=legal.bound_units - 1)


@pytest.mark.parametrize(
    ("key", "spec", "said"),
    [
        ("pins", {"pins": [(7, 0)]}, "cells are numbered 0 to 6"),
        ("pins", {"pins": [(-1, 0)]}, "number -1"),
        ("pins", {"pins": [(MIDDLE, 0), (MIDDLE, 1)]}, "B2 is pinned twice"),
        ("pins", {"pins": [(MIDDLE, -1)]}, "levels must be from 0 to 5"),
        ("pins", {"pins": [(MIDDLE, 9)], "bounds": (0, 8)}, "levels must be from 0 to 8"),
        ("pins", {"pins": [(MIDDLE, 99_999)]}, "levels must be from 0 to 10000"),
        ("bounds", {"bounds": (3, 2)}, "level 3 to level 2"),
        ("bounds", {"bounds": (0, 10_001)}, "from -10000 to 10000"),
        ("weight", {"weight": [1.0, 2.0]}, "one weight per cell"),
        ("weight", {"weight": [1.0, 1.0, -1.0, 1.0, 1.0, 1.0, 1.0]}, "number 2 is -1.0"),
        ("weight", {"weight": [1.0] * 6 + [float("nan")]}, "number 6 is nan"),
        ("weight", {"weight": [1.0] * 6 + [float("inf")]}, "number 6 is inf"),
        ("measure", {"measure": "cubic"}, "absolute, square"),
        ("ramp_limit", {"ramp_limit": 3}, "must be 1 or 2"),
        ("ramp_limit", {"ramp_limit": 0}, "must be 1 or 2"),
        ("ramp_limit", {"ramp_limit": np.ones((7, 5))}, "one per side"),
        ("ramp_limit", {"ramp_limit": 1 + np.eye(7, 6, dtype=np.int8)}, "it must be the same"),
        ("cliffs", {"cliffs": np.zeros(7, dtype=bool)}, "one mark per side"),
        ("cliffs", {"cliffs": np.eye(7, 6, -3, dtype=bool)}, "it must be the same"),
    ],
)
def test_what_is_refused(key: str, spec: dict[str, Any], said: str) -> None:
    """Each wrong argument is refused by name, with its value and a remedy."""
    with pytest.raises(BriefError, match=said) as caught:
        legalise(petals(5.0, 0.0), **spec)
    assert caught.value.facts["key"] == key
    assert caught.value.remedy


def test_cells_too_far_away_are_refused() -> None:
    """Where int64 sums could overflow nothing is promised, so nothing is done."""
    far = np.zeros(7)
    far[MIDDLE] = -1e15
    with pytest.raises(BriefError, match="too far for an exact sum"):
        legalise(wanted(flower(), far))
