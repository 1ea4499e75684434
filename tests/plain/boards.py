"""Plain twins of the tile model: every label priced in ordinary Python, and whole boards solved.

`model_of` writes the model down again from its definition, with exact geometry and no kernel;
`least_of_all` tries every board; `least_by_program` hands all labels to HiGHS.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise, product
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csc_array, hstack

from hexterra.catalogue.tops import facet_planes, facets, mean_rise, mean_rise_of_part
from hexterra.lattice.board import Board
from hexterra.lattice.hexagon import corner_offsets
from hexterra.stages.search.prices import Prices
from hexterra.stages.tiles.fit import Tiles


@dataclass
class Model:
    """Labels of each cell as (corners, price), and the price of two tops meeting on a side."""

    labels: list[list[tuple[tuple[int, ...], float]]]
    sides: list[tuple[int, int, int, int]]  # cell, side, cell across, its side
    tiles: Tiles
    prices: Prices
    closed: np.ndarray | None = None

    def face(self, cell: int, side: int, other: int, back: int, mine, theirs) -> float:
        """Price a side between two tops, infinite where water would rise."""
        here = (mine[side], mine[(side + 1) % 6])
        there = (theirs[(back + 1) % 6], theirs[back])
        water = self.tiles.legal.water
        if water is not None:
            if water.outflow[cell] == side and (there[0] > here[0] or there[1] > here[1]):
                return math.inf
            if water.outflow[other] == back and (here[0] > there[0] or here[1] > there[1]):
                return math.inf
        if here == there:
            return 0.0
        if self.closed is not None and self.closed[cell, side]:
            return math.inf
        apart = (abs(here[0] - there[0]) + abs(here[1] - there[1])) / 2
        share = self.prices.marked_cliff if self.tiles.legal.cliff[cell, side] else 1.0
        return share * (self.prices.step_face + self.prices.step_face_rise * apart)


def model_of(
    tiles: Tiles,
    prices: Prices,
    reach: int | None = None,
    *,
    ramp_limit: int = 1,
    closed: np.ndarray | None = None,
    frozen: np.ndarray | None = None,
) -> Model:
    """Write down every label of every cell; of all levels if there is no `reach`.

    Steep tops are among them where a side that is no marked cliff may ramp two steps, and where a
    cell has one.
    """
    lattice, legal, levels = tiles.lattice, tiles.legal, tiles.legal.levels
    water, pins = legal.water, dict(legal.pins)
    ground = (levels.heights.corner_m - levels.datum_m) / levels.metres_per_step
    labels = []
    for cell in range(lattice.n_cells):
        start, near = int(tiles.level[cell]), round(float(levels.position[cell]))
        near = min(max(near, legal.lower), legal.upper)
        low, high = legal.lower, legal.upper
        if reach is not None:
            low, high = min(start, near) - reach, max(start, near) + reach
        if cell in pins:
            low, high = min(pins[cell], start), max(pins[cell], start)
        held = []
        for base in range(max(low, legal.lower), min(high, legal.upper) + 1):
            for pattern in tiles.catalogue.patterns:
                for turn in range(pattern.period):
                    rises = tuple(pattern.rises[(s - turn) % 6] for s in range(6))
                    is_steep = ramp_limit > 1 and any(
                        lattice.neighbours[cell, s] >= 0 and not legal.cliff[cell, s]
                        for s in range(6)
                    )
                    is_steep = is_steep or max(tiles.corners[cell]) - start > 1
                    if max(rises) > 1 + is_steep or base + max(rises) > legal.upper:
                        continue
                    own = tuple(tiles.corners[cell] - base)
                    if frozen is not None and frozen[cell] and rises != own:
                        continue
                    out = -1 if water is None else int(water.outflow[cell])
                    if out >= 0 and (rises[out] or rises[(out + 1) % 6]):
                        continue
                    if water is not None and any(
                        water.ports[cell, s] and rises[s] != rises[(s + 1) % 6] for s in range(6)
                    ):
                        continue
                    corners = tuple(base + rise for rise in rises)
                    price = _top(tiles, prices, cell, pattern.rises, corners, ground)
                    held.append((corners, price))
        labels.append(held)
    sides = [
        (c, s, int(lattice.neighbours[c, s]), int(lattice.back_sides[c, s]))
        for c, s in lattice.seams.tolist()
    ]
    return Model(labels, sides, tiles, prices, closed)


def _top(tiles: Tiles, prices: Prices, cell: int, rises, corners, ground) -> float:
    lattice, water = tiles.lattice, tiles.legal.water
    top = min(corners) + float(mean_rise(rises))
    if isinstance(lattice, Board) and lattice.kept[cell].any():
        turned = tuple(corner - min(corners) for corner in corners)
        top = min(corners) + mean_rise_of_part(turned, lattice.facing, *lattice.kept[cell].tolist())
    price = prices.mean_height * abs(top - tiles.legal.levels.position[cell])
    for s in range(6):
        if isinstance(lattice, Board) and lattice.edges == "straight":
            x, y = lattice.corner_mm[lattice.corner_of[cell, s]]
            width, depth = lattice.size_mm
            if not (-1e-6 <= x <= width + 1e-6 and -1e-6 <= y <= depth + 1e-6):
                continue
        away = abs(corners[s] - ground[lattice.corner_of[cell, s]])
        price += prices.corner_heights / 6 * away
    planes = facet_planes(rises, 0.0)
    n_sloping = sum(math.hypot(a, b) > 1e-9 for a, b, _ in planes)
    price += prices.cutting * n_sloping
    price += prices.sloping * _sloping(rises)
    if water is not None and water.kind[cell]:
        price += prices.sunk_in_slope * (sum(rises) > 0)
    return price


def _sloping(rises: tuple[int, ...]) -> float:
    """Return the mean gradient of a top, where that of a gentle bank's strip counts 1."""
    if max(rises) > 1:
        corner = corner_offsets(1.0, "flats")
        total = 0.0
        for facet, (slope_x, slope_y, _) in zip(
            facets(rises), facet_planes(rises, 0.0), strict=True
        ):
            one, *others = (corner[k] for k in facet)
            for two, three in pairwise(others):
                twice = abs(float(np.linalg.det(np.array([two - one, three - one]))))
                total += twice / 2 * math.hypot(slope_x, slope_y)
        return total / (math.sqrt(3) / 2) / 2.0
    # Shares of the hexagon that slope, and how steeply: worked out by hand. A bank's strip is half
    # of the hexagon and climbs one step in half the distance across flats: 2 steps across it.
    share = {0: 0.0, 1: 1 / 6, 2: 1 / 2, 3: 2 / 3, 4: 1 / 2, 5: 1 / 6}[sum(rises)]
    if sum(rises) == 4 and rises != (1, 1, 1, 1, 0, 0):  # two opposite pairs: all of it
        share = 1.0
    # A corner stands one quarter of the distance across corners above the line between its
    # neighbours; three corners in a row stand across a strip as wide as a side is long.
    gradient = {1: 2 * math.sqrt(3), 2: 2.0, 3: math.sqrt(3), 4: 2.0, 5: 2 * math.sqrt(3)}
    return share * gradient.get(sum(rises), 0.0) / 2.0


def n_boards(model: Model) -> int:
    """Count the boards there are."""
    return math.prod(len(held) for held in model.labels)


def least_of_all(model: Model) -> float:
    """Try every board: one axis of a table for each cell, and every board's cost an entry."""
    n = len(model.labels)
    total = np.zeros((1,) * n)
    for cell, held in enumerate(model.labels):
        shape = tuple(len(held) if axis == cell else 1 for axis in range(n))
        total = total + np.array([price for _, price in held]).reshape(shape)
    for cell, side, other, back in model.sides:
        faces = np.array(
            [
                [model.face(cell, side, other, back, mine, theirs)
                 for theirs, _ in model.labels[other]]
                for mine, _ in model.labels[cell]
            ]
        )  # fmt: skip
        shape = tuple(len(model.labels[axis]) if axis in (cell, other) else 1 for axis in range(n))
        total = total + faces.reshape(shape)  # seams name the lower cell first
    return float(total.min())


@dataclass
class Program:
    """Choosing one label for each cell, and one pair of corner heights for each side, as rows."""

    cost: list[float]
    matrix: Any
    total: np.ndarray
    n_labels: int


def program_of(model: Model) -> Program:
    """Write a model down for a solver: labels first, in their order, then pairs of side states."""
    cost, rows, columns, values, total = [], [], [], [], []
    first = []
    for held in model.labels:
        first.append(len(cost))
        rows += [len(total)] * len(held)
        columns += range(len(cost), len(cost) + len(held))
        values += [1.0] * len(held)
        total.append(1.0)
        cost += [price for _, price in held]
    n_labels = len(cost)
    for cell, side, other, back in model.sides:
        mine: dict[tuple[int, int], list[int]] = {}
        theirs: dict[tuple[int, int], list[int]] = {}
        for k, (c, _) in enumerate(model.labels[cell]):
            mine.setdefault((c[side], c[(side + 1) % 6]), []).append(k)
        for k, (c, _) in enumerate(model.labels[other]):
            theirs.setdefault((c[(back + 1) % 6], c[back]), []).append(k)
        row_of = {}
        for which, (states, at) in enumerate(((mine, first[cell]), (theirs, first[other]))):
            for state, numbers in states.items():
                row_of[which, state] = len(total)
                rows += [len(total)] * len(numbers)
                columns += [at + k for k in numbers]
                values += [-1.0] * len(numbers)
                total.append(0.0)
        for (a, ka), (b, kb) in product(mine.items(), theirs.items()):
            tops = model.labels[cell][ka[0]][0], model.labels[other][kb[0]][0]
            face = model.face(cell, side, other, back, *tops)
            if math.isfinite(face):
                rows += [row_of[0, a], row_of[1, b]]
                columns += [len(cost)] * 2
                values += [1.0, 1.0]
                cost.append(face)
    matrix = coo_array((values, (rows, columns)), shape=(len(total), len(cost))).tocsc()
    return Program(cost, matrix, np.array(total), n_labels)


def least_by_program(model: Model, *, whole: bool = True) -> float:
    """Let HiGHS choose among all labels at once; shares of labels if they need not be whole."""
    program = program_of(model)
    is_whole = (np.arange(len(program.cost)) < program.n_labels) & whole
    exact: Any = program.total
    result = milp(
        np.array(program.cost),
        integrality=is_whole.astype(int),
        bounds=Bounds(0.0, 1.0),
        constraints=LinearConstraint(program.matrix, exact, exact),
        options={"mip_rel_gap": 0.0},
    )
    return float(result.fun)


def fewest_kinds_by_program(model: Model, kinds: list[list[Any]], most: float) -> int:
    """Let HiGHS find the fewest kinds of tile of a board that costs at most so much.

    `kinds` are those of the labels of each cell.
    """
    program = program_of(model)
    names = sorted({kind for held in kinds for kind in held})
    number = {name: k for k, name in enumerate(names)}
    n, n_kinds = len(program.cost), len(names)
    of_label = [number[kind] for held in kinds for kind in held]
    label = np.arange(program.n_labels)
    uses = coo_array(  # a label of a kind needs the kind
        (
            np.concatenate([np.ones(len(label)), -np.ones(len(label))]),
            (np.tile(label, 2), np.concatenate([label, n + np.array(of_label)])),
        ),
        shape=(len(label), n + n_kinds),
    ).tocsc()
    chosen = hstack([program.matrix, csc_array((len(program.total), n_kinds))]).tocsc()
    paid = coo_array(np.append(program.cost, np.zeros(n_kinds))[None]).tocsc()
    exact: Any = program.total
    result = milp(
        np.append(np.zeros(n), np.ones(n_kinds)),
        integrality=np.concatenate([label >= 0, np.zeros(n - len(label)), np.ones(n_kinds)]),
        bounds=Bounds(0.0, 1.0),
        constraints=[
            LinearConstraint(chosen, exact, exact),
            LinearConstraint(uses, -np.inf, 0.0),
            LinearConstraint(paid, -np.inf, most),
        ],
    )
    return round(float(result.fun))
