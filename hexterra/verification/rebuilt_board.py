"""The board, put together again from printed positions alone."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hexterra.verification.table_rows import Document, Tile
from hexterra.verification.verdict import Finding

#: How far a printed position may be off its place, as a share of the distance across flats.
NEAR: Final = 1e-3


@dataclass(frozen=True)
class RebuiltBoard:
    """All tiles, and who lies across which side."""

    tiles: tuple[Tile, ...]
    across: NDArray[np.int64]  # (n, 6), -1 where nobody is
    flats_mm: float
    corner0_deg: float

    @property
    def is_rim(self) -> NDArray[np.bool_]:
        """Cells with a side that nobody lies across, (n,)."""
        return np.any(self.across < 0, axis=1)

    @property
    def step_mm(self) -> float:
        """Height of one step as the stacks tell it, the median; 0 if there is no stack."""
        steps = sorted(
            sum(tile.spacers) / tile.level for tile in self.tiles if tile.level > 0 and tile.spacers
        )
        return steps[len(steps) // 2] if steps else 0.0

    @property
    def has_points_front(self) -> bool:
        """Whether points of the hexagons face the front edge, not flats."""
        return abs((self.corner0_deg + 60.0) % 60.0 - 30.0) < 1.0

    def seams(self) -> Iterator[tuple[int, int, int]]:
        """Cell, side and the cell across, each seam from both its cells."""
        for cell, side in np.argwhere(self.across >= 0).tolist():
            yield cell, side, int(self.across[cell, side])


class _Places:
    """Centres in square bins, to find the one near a point."""

    def __init__(self, centre_mm: NDArray[np.float64], bin_mm: float) -> None:
        self._centre_mm = centre_mm
        self._bin_mm = bin_mm
        self._cell_in: dict[tuple[int, int], int] = {}

    def add(self, cell: int) -> None:
        """Put a cell into the bin of its centre."""
        x, y = self._centre_mm[cell]
        self._cell_in[math.floor(x / self._bin_mm), math.floor(y / self._bin_mm)] = cell

    def near(self, x: float, y: float, reach_mm: float) -> int:
        """Find the cell whose centre is within `reach_mm` of a point; -1 if there is none."""
        n_bins = math.ceil(reach_mm / self._bin_mm)
        column, row = math.floor(x / self._bin_mm), math.floor(y / self._bin_mm)
        for d_column in range(-n_bins, n_bins + 1):
            for d_row in range(-n_bins, n_bins + 1):
                cell = self._cell_in.get((column + d_column, row + d_row), -1)
                if cell >= 0 and math.dist(self._centre_mm[cell], (x, y)) <= reach_mm:
                    return cell
        return -1


def assemble(
    tiles: tuple[Tile, ...], document: Document | None
) -> tuple[RebuiltBoard, list[Finding]]:
    """Find the distance across flats, the facing, and who lies across which side.

    The ways from cells to the nearest ones tell them, and the document if these ways lie on its
    lattice: where a board was left only a few cells, none of them need adjoin.
    """
    findings: list[Finding] = []
    centre = np.array([(tile.x_mm, tile.y_mm) for tile in tiles])
    ways = _nearest(centre)
    flats_mm, corner0_deg = _measure(centre, ways)
    if document is not None:
        given_mm, given_deg = document.across_flats_mm, document.corner0_deg
        if _lie_on_lattice(ways, given_mm, given_deg):
            flats_mm, corner0_deg = given_mm, given_deg
        elif abs((given_deg - corner0_deg + 30.0) % 60.0 - 30.0) > 1.0:
            findings.append(Finding("", -1, "corner 0", f"{corner0_deg:g} degrees by the positions",
                                    f"{given_deg:g} degrees in plan.json"))  # fmt: skip
        else:
            findings.append(Finding("", -1, "across flats", f"{flats_mm:.3f} mm by the positions",
                                    f"{given_mm:g} mm in plan.json"))  # fmt: skip
    places = _Places(centre, flats_mm / 5.0)
    for cell, (x, y) in enumerate(centre.tolist()):
        twin = places.near(x, y, 0.5 * flats_mm)
        if twin >= 0:
            found = f"it overlaps {tiles[twin].cell}"
            findings.append(Finding(tiles[cell].cell, -1, "place", "a place of its own", found))
        places.add(cell)
    across = np.full((len(tiles), 6), -1, dtype=np.int64)
    for side in range(6):
        angle = math.radians(corner0_deg + 30.0 + 60.0 * side)
        there = centre + flats_mm * np.array([math.cos(angle), math.sin(angle)])
        across[:, side] = [places.near(x, y, NEAR * flats_mm) for x, y in there.tolist()]
    return RebuiltBoard(tiles, across, flats_mm, corner0_deg), findings


def _nearest(centre: NDArray[np.float64]) -> NDArray[np.complex128]:
    """List the ways, x + i y in mm, from cells all over the board to the cell nearest to each."""
    point = centre[:, 0] + 1j * centre[:, 1]
    ways: list[complex] = []
    for cell in np.unique(np.linspace(0, len(point) - 1, 99).astype(int)).tolist():
        way = point - point[cell]
        way[np.abs(way) < 1e-3] = np.inf  # itself, or a twin
        ways.append(complex(way[np.abs(way).argmin()]))
    return np.array([way for way in ways if math.isfinite(abs(way))])


def _lie_on_lattice(ways: NDArray[np.complex128], flats_mm: float, corner0_deg: float) -> bool:
    """Tell whether most ways lead from one cell of a lattice to another."""
    if not len(ways):
        return True
    turn = np.exp(1j * np.radians(corner0_deg + 30.0))  # across side 0
    along = ways / (flats_mm * turn)
    up = along.imag / math.sqrt(0.75)  # steps across side 1, and the rest across side 0
    steps = np.stack((up, along.real - up / 2.0))
    return bool(np.median(np.abs(steps - np.rint(steps)).max(axis=0)) < NEAR)


def _measure(centre: NDArray[np.float64], ways: NDArray[np.complex128]) -> tuple[float, float]:
    """Find the distance across flats and the angle of corner 0 from the ways to nearest cells.

    Neighbours lie the distance across flats apart; corner 0 is at -30 degrees where one of them
    lies along x, and at 0 where one lies along y. A single cell tells neither: (1, 0).
    """
    if not len(ways):
        return 1.0, 0.0
    way = ways[np.abs(ways).argsort()[len(ways) // 2]]
    flats_mm, angle_deg = float(np.abs(way)), float(np.angle(way, deg=True))
    points = abs((angle_deg + 30.0) % 60.0 - 30.0) < 15.0
    # Printed positions are rounded: over the whole board the same distance is known far better.
    extent_mm = float(np.ptp(centre[:, 0 if points else 1]))
    n_halves = round(2.0 * extent_mm / flats_mm)
    if n_halves and abs(2.0 * extent_mm / n_halves - flats_mm) < 2e-3:
        flats_mm = 2.0 * extent_mm / n_halves
    return flats_mm, -30.0 if points else 0.0
