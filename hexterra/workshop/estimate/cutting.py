"""Foam, base and facings -> the cuts: every pass of the wire, under the guide that it needs.

A *set-up* is a guide or fence mounted on the bench. All cuts that need it are made while it is
mounted, so each is mounted once: blocks off the sheets, then slices from thick to thin, then tops
by pattern, channels between guides and with a loop, the grooves of keyed footings, and facings.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from hexterra.catalogue.tops import facet_planes
from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import Part
from hexterra.stages.schedule.pieces import PARTS, Piece
from hexterra.values import Value
from hexterra.workshop.sheets.blocks import Block
from hexterra.workshop.sheets.facing_sheets import facing_passes, facing_solids
from hexterra.workshop.sheets.foam import Foam
from hexterra.workshop.sheets.shared_cuts import outline_cuts
from hexterra.workshop.solids.channel_tools import (
    channel_sections,
    channel_set_up,
    channel_tool,
    girth_mm,
)
from hexterra.workshop.solids.courses import piece_course
from hexterra.workshop.solids.guides import signed_area_mm2
from hexterra.workshop.solids.keyed_footings import KeyedFooting, keyed_footings
from hexterra.workshop.solids.solids import Solid, piece_solids

if TYPE_CHECKING:
    from hexterra.workshop.sheets.nesting import Nest
    from hexterra.workshop.solids.base import Base
    from hexterra.workshop.solids.facings import Facings
    from hexterra.workshop.solids.grooves import Grooves

SetUpKind = Literal["outline", "slice", "top", "channel", "loop", "groove", "facing"]
SET_UP_KINDS: Final[tuple[SetUpKind, ...]] = get_args(SetUpKind)


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
        What is cut: the number of a piece in the schedule, or -1 for blocks, their slices, and
        facings.
    item
        What is cut, in words.
    count
        How many are cut.
    n_cuts
        Passes of the wire over all of them.
    wire_mm
        How far the wire travels through foam over all of them.
    cut_mm2
        Area that it cuts: its travel times its length within the foam.
    layer_key
        Of blocks and their slices: part, thickness of the stock, and of the layers; else None.
    """

    kind: SetUpKind
    set_up: str
    of: int
    item: str
    count: int
    n_cuts: int
    wire_mm: float
    cut_mm2: float
    layer_key: tuple[Part, float, float] | None = None


def list_work(foam: Foam, base: Base, facings: Facings, grooves: Grooves) -> tuple[Work, ...]:
    """List all cuts of a board in the order of their set-ups, owned pieces apart.

    Blocks are cut off their sheet along their outlines, once where two lie a kerf apart. A slice is
    one pass: the wire runs half a kerf above it. A sloping top is one pass along its slope, over a
    saddle two. A straight watercourse or sunken road whose top is ruled along it is one pass of the
    wire over a pair of trough guides; any other is shaped with a loop, led along each of its lines;
    see `hexterra.workshop.solids.channel_tools`. A groove of a footing is two slanting passes as
    long as the rail's middle line under it. Owned keyed footings are taken for those with the
    shortest grooves: a stock list does not say. Facings are cut all around, and up their front if
    it leans.

    Parameters
    ----------
    foam
        Blanks and blocks of the board.
    base
        Rails, which say where footings have grooves.
    facings
        Upright faces to cover.
    grooves
        Sections of water and roads.

    Returns
    -------
    tuple[Work, ...]
        Set-ups never recur once another has begun.
    """
    solids = piece_solids(foam.pieces)
    work = [*_blocks(foam)]
    to_cut = foam.to_cut.tolist()
    for number, (piece, solid) in enumerate(zip(foam.pieces.pieces, solids, strict=True)):
        if to_cut[number]:
            work += _piece(number, piece, to_cut[number], solid, grooves)
    work += [*_grooves(foam, base), *_facings(foam, facings)]
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
        for laid_out in foam.nests:
            yield from _outlines(part, laid_out, foam.blocks)
    for block in sorted(foam.blocks, key=lambda block: -block.layer.thickness_mm):
        layer, n_cuts = block.layer, block.n_layers
        if not layer.is_sliced:
            continue
        wire_mm = layer.thickness_mm + foam.stock.kerf_mm / 2.0
        yield Work(
            kind="slice",
            set_up=f"slices of {layer.thickness_mm:g} mm, middle of the wire {wire_mm:g} mm above"
            " the table",
            of=-1,
            item=f"{layer.stock_mm:g} mm block, {block.part}",
            count=n_cuts,
            n_cuts=n_cuts,
            wire_mm=n_cuts * float(np.ptp(outlines[block.part], axis=0).min()),
            cut_mm2=n_cuts * signed_area_mm2(outlines[block.part]),
            layer_key=_layer_key(block),
        )


def _outlines(part: Part, laid_out: Nest, blocks: tuple[Block, ...]) -> Iterator[Work]:
    """Share the cuts around the blocks of one part on sheets of one thickness out by their use."""
    stock_mm = laid_out.stock.thickness_mm
    own = [block for block in blocks if block.part == part and block.layer.stock_mm == stock_mm]
    n_blocks = sum(block.count for block in own)
    n_cuts, wire_mm = outline_cuts(laid_out).get(part, (0, 0.0))
    before = 0
    for block in own:
        after = before + block.count
        share = block.count / n_blocks
        yield Work(
            kind="outline",
            set_up=f"{part} outline",
            of=-1,
            item=f"{stock_mm:g} mm block for layers of {block.layer.thickness_mm:g} mm, {part}",
            count=block.count,
            n_cuts=n_cuts * after // n_blocks - n_cuts * before // n_blocks,
            wire_mm=wire_mm * share,
            cut_mm2=wire_mm * share * stock_mm,
            layer_key=_layer_key(block),
        )
        before = after


def _layer_key(block: Block) -> tuple[Part, float, float]:
    return block.part, block.layer.stock_mm, block.layer.thickness_mm


def _piece(number: int, piece: Piece, count: int, solid: Solid, grooves: Grooves) -> Iterator[Work]:
    """List the cuts that turn a blank into a tile."""
    if any(solid.rises):
        n_passes, wire_mm = top_passes(solid)
        set_up = f"{piece.pattern} guides"
        yield _work("top", set_up, number, piece.name, count, n_passes, wire_mm, solid.top_mm2)
    course = piece_course(piece)
    if course is not None:
        kind: SetUpKind = "loop"
        lines_mm = [
            float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
            for line in solid.channels_mm(course)
        ]
        length_mm = math.fsum(lines_mm) or math.pi * solid.across_flats_mm / 2.0
        girths_mm = [girth_mm(section) for section in channel_sections(course, grooves)]
        mean_mm = math.fsum(girths_mm) / len(girths_mm)
        n_passes, wire_mm = max(len(lines_mm), 1), length_mm
        if channel_tool(solid, course, grooves) == "guides":
            kind, wire_mm = "channel", mean_mm  # the wire lies along the channel
        set_up = channel_set_up(solid, course, grooves)
        yield _work(kind, set_up, number, piece.name, count, n_passes, wire_mm, length_mm * mean_mm)


def _grooves(foam: Foam, base: Base) -> Iterator[Work]:
    """List the grooves of keyed footings; those that no rail crosses have none."""
    kinds: dict[Part, list[tuple[float, KeyedFooting]]] = {}
    for footing in keyed_footings(base):
        kinds.setdefault(footing.solid.part, []).append((groove_length_mm(footing), footing))
    for number, piece in enumerate(foam.pieces.pieces):
        if piece.kind != "footing" or not piece.name.startswith("keyed"):
            continue
        left = int(foam.to_cut[number])
        for length_mm, footing in sorted(kinds.get(piece.part, ()), key=lambda kind: -kind[0]):
            count = min(left, footing.count)
            left -= count
            if count:
                n_passes = 2 * len(footing.lines)
                yield _work(
                    "groove", "V-groove guides", number, footing.name, count, n_passes,
                    2.0 * length_mm, 2.0 * length_mm * footing.groove_mm * math.sqrt(2.0),
                )  # fmt: skip


def groove_length_mm(footing: KeyedFooting) -> float:
    """Return how long the middle lines of a footing's grooves are within its block."""
    lengths_mm = [
        float(np.ptp(_crossings(footing.solid.outline_mm, math.radians(angle), at)))
        for angle, at in footing.lines
    ]
    return math.fsum(lengths_mm)


def _crossings(outline: NDArray[np.float64], angle: float, at: float) -> NDArray[np.float64]:
    """Return where a line meets a convex outline, as distances along it, (k,) float64."""
    normal = np.array([math.cos(angle), math.sin(angle)])
    along = np.array([-normal[1], normal[0]])
    off = outline @ normal - at
    after, ends = np.roll(off, -1), np.roll(outline, -1, axis=0)
    crosses = (off * after <= 0.0) & (off != after)
    share = (off[crosses] / (off[crosses] - after[crosses]))[:, None]
    return (outline[crosses] + share * (ends[crosses] - outline[crosses])) @ along


def _facings(foam: Foam, facings: Facings) -> Iterator[Work]:
    """List the cuts of facings; without a batter the wire stands upright for all of them."""
    lean = f", leaning {facings.batter_deg:g} degrees" if facings.batter_deg else ""
    for piece, body in facing_solids(facings, foam.stock):
        n_passes, wire_mm = facing_passes(piece, body)
        area_mm2 = wire_mm * body.size_mm[1]
        yield _work(
            "facing", f"facing guides{lean}", -1, body.name, piece.count, n_passes, wire_mm,
            area_mm2,
        )  # fmt: skip


def _work(
    kind: SetUpKind,
    set_up: str,
    of: int,
    item: str,
    count: int,
    n_passes: int,
    wire_mm: float,
    cut_mm2: float,
) -> Work:
    """Write down the passes and cuts of one item, times their number."""
    return Work(kind, set_up, of, item, count, n_passes * count, wire_mm * count, cut_mm2 * count)


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
