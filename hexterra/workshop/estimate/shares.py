"""Cuts -> the share of each piece in them."""

from __future__ import annotations

from collections import Counter, defaultdict

import numpy as np
from numpy.typing import NDArray

from hexterra.lattice.hexagon import Part
from hexterra.workshop.estimate.cutting import Work
from hexterra.workshop.sheets.foam import Foam


def share_out(foam: Foam, work: tuple[Work, ...]) -> NDArray[np.float64]:
    """Share all cuts out: wire, number and area of the cuts of one of each piece, (3, n_pieces).

    Layers are alike by part and thickness, from whichever sheets they are cut.
    """
    pieces, to_cut = foam.pieces.pieces, foam.to_cut.tolist()
    found = np.zeros((3, len(pieces)))
    layer: defaultdict[tuple[Part, float], NDArray[np.float64]] = defaultdict(lambda: np.zeros(3))
    n_layers: Counter[tuple[Part, float]] = Counter()
    for block in foam.blocks:
        n_layers[block.part, block.layer.thickness_mm] += block.n_layers
    for entry in work:
        amounts = np.array([entry.wire_mm, entry.n_cuts, entry.cut_mm2])
        if entry.of >= 0:
            found[:, entry.of] += amounts / to_cut[entry.of]
        elif entry.layer_key is not None:
            part, _, thickness_mm = entry.layer_key
            layer[part, thickness_mm] += amounts
    for number, piece in enumerate(pieces):
        for one in foam.layers_of[piece.thickness_mm] if to_cut[number] else ():
            key = (piece.part, one.thickness_mm)
            found[:, number] += layer[key] / n_layers[key]
    return found
