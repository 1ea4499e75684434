"""Foam -> the cuts: every pass of the wire, under the guide that it needs.

A *set-up* is a guide or fence mounted on the bench. All cuts that need it are made while it is
mounted, so each is mounted once: blocks off the sheets, then slices from thick to thin, then tops
by pattern, channels, and the grooves of keyed footings.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from hexterra.catalogue.solids import facet_planes
from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import Part
from hexterra.stages.schedule import PARTS, Piece
from hexterra.values import Value
from hexterra.workshop.blocks import Block
from hexterra.workshop.foam import Foam
from hexterra.workshop.solids import Solid, piece_solids

SetUpKind = Literal["outline", "slice", "top", "channel", "groove"]
SET_UP_KINDS: Final[tuple[SetUpKind, ...]] = ("outline", "slice", "top", "channel", "groove")


@dataclass(frozen=True, eq=False)
class Work(Value):
    """Equal cuts under one set-up.

    Parameters
    ----------
    kind
        Of the set-up.
    set_up
        Its name, unique.
    of
        What is cut: the number of a piece in the schedule, or -1 for blocks and their slices.
    item
        What is cut, in words.
    count
        How many are cut.
    n_cuts
        Passes of the wire over all of them.
    wire_mm
        How far the wire travels through foam over all of them.
    layer_key
        Of blocks and their slices: part, thickness of the stock, and of the layers.
    """

    kind: SetUpKind
    set_up: str
    of: int
    item: str
    count: int
    n_cuts: int
    wire_mm: float
    layer_key: tuple[Part, float, float] = ("whole", 0.0, 0.0)


def list_work(foam: Foam) -> tuple[Work, ...]:
    """List all cuts of a board in the order of their set-ups.

    Blocks are cut off their sheet along their whole outline. A slice is one pass, but for the
    last of a block that leaves nothing over. A sloping top is one pass along its slope, over a
    saddle two. Each bank of a watercourse is a pass along it; water that crosses no side is one
    round cut, half as wide as the tile. A groove is two slanting passes, and a
    quarter has two grooves.

    Parameters
    ----------
    foam
        Blanks and blocks of the board.

    Returns
    -------
    tuple[Work, ...]
        Set-ups never recur once another has begun.
    """
    solids = piece_solids(foam.pieces)
    work = [*_blocks(foam)]
    for number, (piece, solid) in enumerate(zip(foam.pieces.pieces, solids, strict=True)):
        work += _piece(number, piece, solid)
    first = {entry.set_up: place for place, entry in reversed(list(enumerate(work)))}
    return tuple(
        sorted(work, key=lambda entry: (SET_UP_KINDS.index(entry.kind), first[entry.set_up]))
    )


def _blocks(foam: Foam) -> Iterator[Work]:
    """List the cuts that turn sheets into blanks."""
    flats_mm = foam.pieces.board.across_flats_mm
    outlines = {
        part: hexagon.part_outline(flats_mm, "points", *kept)
        for part, kept in zip(PARTS, ((0, 0), (1, 0), (0, 1), (1, 1)), strict=True)
    }
    for part in PARTS:
        edges_mm = np.linalg.norm(np.roll(outlines[part], -1, axis=0) - outlines[part], axis=1)
        for block in foam.blocks:
            if block.part == part:
                yield Work(
                    kind="outline",
                    set_up=f"{part} outline",
                    of=-1,
                    item=f"{block.layer.stock_mm:g} mm block for layers of"
                    f" {block.layer.thickness_mm:g} mm, {part}",
                    count=block.count,
                    n_cuts=block.count * len(edges_mm),
                    wire_mm=block.count * float(edges_mm.sum()),
                    layer_key=_layer_key(block),
                )
    for block in sorted(foam.blocks, key=lambda block: -block.layer.thickness_mm):
        layer = block.layer
        if not layer.is_sliced:
            continue
        sliced_mm = layer.n_slices * (layer.thickness_mm + foam.stock.kerf_mm)
        leaves_nothing = abs(sliced_mm - foam.stock.kerf_mm - layer.stock_mm) < 1e-6
        n_cuts = block.n_layers
        if leaves_nothing:
            n_cuts -= block.n_layers // layer.n_slices
        yield Work(
            kind="slice",
            set_up=f"fence at {layer.thickness_mm:g} mm",
            of=-1,
            item=f"{layer.stock_mm:g} mm block, {block.part}",
            count=block.n_layers,
            n_cuts=n_cuts,
            wire_mm=n_cuts * float(np.ptp(outlines[block.part], axis=0).min()),
            layer_key=_layer_key(block),
        )


def _layer_key(block: Block) -> tuple[Part, float, float]:
    return block.part, block.layer.stock_mm, block.layer.thickness_mm


def _piece(number: int, piece: Piece, solid: Solid) -> Iterator[Work]:
    """List the cuts that turn a blank into a piece."""
    if any(solid.rises):
        n_passes, wire_mm = top_passes(solid)
        yield _work("top", f"{piece.pattern} guides", number, piece, n_passes, wire_mm)
    if piece.crossing:
        lines_mm = [
            float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
            for line in solid.channels_mm(piece.ports, piece.water)
        ]
        if lines_mm:
            n_passes, wire_mm = 2 * len(lines_mm), 2.0 * math.fsum(lines_mm)
        else:
            n_passes, wire_mm = 1, math.pi * solid.across_flats_mm / 2.0
        yield _work("channel", _channel(piece), number, piece, n_passes, wire_mm)
    if piece.kind == "footing" and piece.name.startswith("keyed"):
        n_grooves = 2 if piece.part == "quarter" else 1  # in a corner of the board two edges meet
        wire_mm = 2.0 * n_grooves * float(np.ptp(solid.outline_mm, axis=0).max())
        yield _work("groove", "V-groove guides", number, piece, 2 * n_grooves, wire_mm)


def _work(
    kind: SetUpKind, set_up: str, number: int, piece: Piece, n_passes: int, wire_mm: float
) -> Work:
    """Write down the passes and wire of one piece, times the number of pieces."""
    return Work(
        kind=kind,
        set_up=set_up,
        of=number,
        item=piece.name,
        count=piece.count,
        n_cuts=n_passes * piece.count,
        wire_mm=wire_mm * piece.count,
    )


def _channel(piece: Piece) -> str:
    """Name the guide of a channel: turned whole tiles share one, cut tiles have their own."""
    ports = piece.ports
    if piece.part == "whole" and ports:
        turns = [tuple(sorted((port - turn) % 6 for port in ports)) for turn in range(6)]
        ports = min(turns)
    words = [f"{piece.crossing} channel"]
    if piece.part != "whole":
        words.append(f"{piece.hand} {piece.part}".strip())
    if ports:
        words.append(("sides " if len(ports) > 1 else "side ") + " ".join(map(str, ports)))
    return ", ".join(words)


def top_passes(solid: Solid) -> tuple[int, float]:
    """Return how many passes a sloping top takes, and how far the wire travels, in millimetres.

    The wire lies along the folds and travels square to them, up and down the slope. Where a part
    keeps only level facets of its pattern, one level pass is left.
    """
    planes = facet_planes(solid.rises, solid.corner0_deg)
    slopes = [np.array(plane[:2]) for plane in planes.tolist() if np.hypot(*plane[:2]) > 1e-9]
    along = slopes[0] / np.hypot(*slopes[0])
    travel_mm: list[float] = []
    n_sloped = 0
    for facet in solid.facets_mm:
        reach_mm = facet[:, :2] @ along
        low, high = int(reach_mm.argmin()), int(reach_mm.argmax())
        rise_mm = abs(float(facet[high, 2] - facet[low, 2]))
        n_sloped += rise_mm > 1e-9
        travel_mm.append(math.hypot(float(reach_mm[high] - reach_mm[low]), rise_mm))
    return max(n_sloped, 1), math.fsum(travel_mm)
