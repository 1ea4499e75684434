"""The area of a top, triangle by triangle."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from hexterra.catalogue.tops import facets
from hexterra.lattice import hexagon


def top_mm2(rises: Sequence[int], step_mm: float, across_flats_mm: float = 100.0) -> float:
    """Add up the triangles of a whole top: half the cross product of two of their sides."""
    corner = hexagon.corner_offsets(across_flats_mm, "points")
    place = np.column_stack([corner, np.array(rises) * step_mm])
    total = 0.0
    for facet in facets(rises):
        first, *others = place[list(facet)]
        for one, other in pairwise(others):
            total += float(np.linalg.norm(np.cross(one - first, other - first))) / 2.0
    return total
