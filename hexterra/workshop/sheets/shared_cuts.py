"""Nests -> cuts around their blocks: where two blocks lie a kerf apart, one pass frees both."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from scipy.spatial import KDTree

from hexterra.lattice.hexagon import Part
from hexterra.workshop.sheets.nesting import Nest, Sheet

_NEAR_MM = 1e-3


def outline_cuts(nest: Nest) -> dict[Part, tuple[int, float]]:
    """Count the passes around all blocks of a nest, and how far the wire travels in them.

    A side that lies along an equal side of a neighbour is cut once, with the block that comes
    first on the sheet.

    Returns
    -------
    dict
        By part: passes, and millimetres of wire.
    """
    passes: defaultdict[Part, int] = defaultdict(int)
    wire_mm: defaultdict[Part, float] = defaultdict(float)
    for sheet in nest.sheets:
        owner, length_mm, is_cut = _sides(sheet, nest.kerf_mm)
        for number, part in enumerate(sheet.parts):
            own = is_cut & (owner == number)
            passes[part] += int(own.sum())
            wire_mm[part] += float(length_mm[own].sum())
    return {part: (passes[part], wire_mm[part]) for part in passes}


def _sides(sheet: Sheet, kerf_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the block, the length and whether it takes a cut of its own of every side."""
    outlines = [sheet.outline_mm(number) for number in range(sheet.n_pieces)]
    along = np.concatenate([np.roll(outline, -1, axis=0) - outline for outline in outlines])
    middle = np.concatenate(outlines) + along / 2.0
    owner = np.repeat(np.arange(len(outlines)), [len(outline) for outline in outlines])
    pairs = KDTree(middle).query_pairs(kerf_mm + _NEAR_MM, output_type="ndarray")
    opposite = np.abs(along[pairs[:, 0]] + along[pairs[:, 1]]).max(axis=1, initial=0.0) < _NEAR_MM
    is_cut = np.ones(len(owner), dtype=bool)
    is_cut[pairs[opposite].max(axis=1)] = False
    return owner, np.linalg.norm(along, axis=1), is_cut
