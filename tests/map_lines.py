"""Lines and areas for tests, in the frame of a lattice."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from hexterra.lattice.board import Board
from hexterra.lattice.lattice import Lattice
from hexterra.vectors.features import Features


def board(columns: int, rows: int, facing: str = "points", edges: str = "whole") -> Board:
    """Make a board on invented ground, its cells 500 m across flats."""
    return Board(columns, rows, 100.0, facing, edges, 5000.0, 9.0, 46.0)  # type: ignore[arg-type]


def features(
    shapes: Sequence[Any],
    lattice: Lattice | str,
    *,
    kinds: Sequence[str] | None = None,
    names: Sequence[str] | None = None,
) -> Features:
    """Make features of shapely geometries in the frame of a lattice or in a CRS."""
    n = len(shapes)
    is_line = shapes[0].geom_type.endswith("LineString")
    return Features(
        form="lines" if is_line else "areas",
        crs=lattice if isinstance(lattice, str) else lattice.crs,
        kind=tuple(kinds or (("road" if is_line else "wood"),) * n),
        name=tuple(names or ("",) * n),
        number=tuple(range(1, n + 1)),
        wkb=tuple(shapely.to_wkb(np.array(shapes, dtype=object)).tolist()),
        source="map",
    )


def through(lattice: Lattice, *labels: str) -> shapely.LineString:
    """Make a line through the centres of cells."""
    return shapely.LineString([lattice.centre_xy[lattice.labels.index(name)] for name in labels])


def names(lattice: Lattice, cells: Sequence[int]) -> str:
    """Name cells in one string."""
    return " ".join(lattice.labels[cell] for cell in cells)
