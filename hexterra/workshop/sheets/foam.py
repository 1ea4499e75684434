"""Schedule -> Foam: how each thickness is built up, and the sheets that the blocks are cut from.

A piece begins as a blank, a blank is glued up from layers, and layers are sheets as they are
bought or slices off blocks; see `hexterra.workshop.sheets.blocks`. Blocks are what is laid out on
sheets.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from hexterra.brief.bench_sections import FoamBrief
from hexterra.errors import BriefError
from hexterra.lattice.hexagon import Facing, Part
from hexterra.stages.schedule.pieces import PARTS
from hexterra.stages.schedule.schedule import Schedule
from hexterra.values import Value, readonly
from hexterra.workshop.sheets.blocks import Block, Layer, build_up
from hexterra.workshop.sheets.nesting import FACINGS, Nest, nest
from hexterra.workshop.sheets.offcuts import lay_out, reuse_offcuts


@dataclass(frozen=True, eq=False)
class Blank(Value):
    """Blanks of one outline and thickness.

    Parameters
    ----------
    part
        Its outline.
    thickness_mm
        Its full thickness.
    count
        How many are needed.
    layers
        What each is glued up from, thickest first.
    """

    part: Part
    thickness_mm: float
    count: int
    layers: tuple[Layer, ...]


@dataclass(frozen=True, eq=False)
class Foam(Value):
    """The foam a board takes.

    Parameters
    ----------
    pieces
        The board.
    to_cut
        How many of each of its pieces are to be made, (n_pieces,) int64: all but those that the
        maker owns.
    stock
        What they are made from.
    blanks
        By thickness, thin first, then in the order of `PARTS`.
    blocks
        By stock thickness, then thickness of their layers, then part.
    nests
        Sheets laid out, one nest for each stock thickness in use, thin first.
    """

    pieces: Schedule
    to_cut: NDArray[np.int64]
    stock: FoamBrief
    blanks: tuple[Blank, ...]
    blocks: tuple[Block, ...]
    nests: tuple[Nest, ...]

    def __post_init__(self) -> None:
        n = len(self.pieces.pieces)
        held = readonly(self.to_cut, dtype=np.int64, shape=(n,), name="to_cut")
        object.__setattr__(self, "to_cut", held)

    @property
    def n_owned(self) -> int:
        """Pieces of the board that are owned already."""
        return sum(piece.count for piece in self.pieces.pieces) - int(self.to_cut.sum())

    @property
    def n_sheets(self) -> int:
        """Sheets to buy."""
        return sum(laid_out.n_sheets for laid_out in self.nests)

    @property
    def price(self) -> float | None:
        """Price of all sheets; None if that of any is unknown."""
        total = 0.0
        for laid_out in self.nests:
            if laid_out.stock.price is None:
                return None
            total += laid_out.n_sheets * laid_out.stock.price
        return total

    @cached_property
    def layers_of(self) -> dict[float, tuple[Layer, ...]]:
        """Layers of each blank to cut by its thickness in millimetres."""
        return {blank.thickness_mm: blank.layers for blank in self.blanks}

    @property
    def n_joints(self) -> int:
        """Joints to glue between layers."""
        return sum(blank.count * (len(blank.layers) - 1) for blank in self.blanks)

    @property
    def notes(self) -> tuple[str, ...]:
        """What to note, in sentences."""
        laminated = [
            f"{thickness:g} mm of {' + '.join(f'{layer.thickness_mm:g}' for layer in layers)} mm"
            for thickness, layers in sorted(self.layers_of.items())
            if len(layers) > 1
        ]
        found: list[str] = []
        if laminated:
            listed = ", ".join(laminated)
            found.append(f"No stocked sheet is thick enough for some blanks; glue {listed}.")
        tolerance_mm = self.stock.tolerance_mm
        as_bought = sorted({b.layer.stock_mm for b in self.blocks if not b.layer.is_sliced})
        if tolerance_mm and as_bought:
            listed = ", ".join(f"{thickness:g}" for thickness in as_bought)
            found.append(
                f"Sheets of {listed} mm are used as bought and may be {tolerance_mm:g} mm off:"
                " measure them, or stacks do not add up."
            )
        return tuple(found)


def foam(
    pieces: Schedule, stock: FoamBrief | None = None, *, to_cut: Sequence[int] | None = None
) -> Foam:
    """Find what foam the pieces of a schedule take, and lay it out on sheets.

    Sheets are as thick as they say only within a tolerance, so layers are sliced to thickness: a
    blank takes the fewest layers, equally thick, each sliced off the sheet that loses the least
    foam to it (of equals the thinnest). The wire passes above every slice, and what all slices and
    their kerfs take leaves at least the tolerance of a nominal sheet. Where no sheet can be sliced
    so, or none may, sheets that add up are used as bought, thickest first.

    With a tolerance of 0 a blank is as bought if a sheet is just as thick, otherwise one slice;
    a thicker one is glued up from the fewest sheets that add up, or the thickest and a slice.

    Where the last sheet of one thickness holds so little that its layers can be sliced from room
    that the last sheet of another thickness has left, it is saved; see `reuse_offcuts`.

    Parts are blanks of flat prisms, which may be flipped, so left and right quarters share blanks.

    Parameters
    ----------
    pieces
        The board.
    stock
        What can be bought; ``FoamBrief()`` by default.
    to_cut
        How many of each piece are to be made, as `hexterra.inputs.owned_pieces.left_to_cut` tells;
        all by default.

    Returns
    -------
    Foam
        Its blocks, sliced and glued, give every piece to cut its blank; every block lies on a
        sheet, at least a kerf from any other.

    Raises
    ------
    BriefError
        If more of a piece are to be made than the board has, or fewer than none.
    StockError
        If a blank cannot be made from the stock, or does not fit a sheet.
    """
    stock = stock or FoamBrief()
    wanted = _wanted(pieces, to_cut)
    needed: Counter[tuple[float, Part]] = Counter()
    for piece, count in zip(pieces.pieces, wanted, strict=True):
        if count:
            needed[piece.thickness_mm, piece.part] += count
    layers = {thickness: build_up(thickness, stock) for thickness, _ in needed}
    blanks = tuple(
        Blank(part, thickness, needed[thickness, part], layers[thickness])
        for thickness, part in sorted(needed, key=lambda key: (key[0], PARTS.index(key[1])))
    )
    blocks = _blocks(blanks)
    sheets = {sheet.thickness_mm: sheet for sheet in stock.sheets}
    facings = _facings(pieces.board.facing, stock)

    def nest_counts(stock_mm: float, counts: Counter[Part]) -> Nest:
        return nest(
            counts,
            pieces.board.across_flats_mm,
            sheets[stock_mm],
            kerf_mm=stock.kerf_mm,
            margin_mm=stock.margin_mm,
            facings=facings,
            joints_mm=stock.joints_mm,
        )

    nests = lay_out(blocks, nest_counts)
    if stock.slicing == "blocks":
        blocks, nests = reuse_offcuts(blocks, nests, nest_counts, stock.kerf_mm, stock.tolerance_mm)
    return Foam(pieces, np.array(wanted), stock, blanks, blocks, tuple(nests.values()))


def _wanted(pieces: Schedule, to_cut: Sequence[int] | None) -> list[int]:
    if to_cut is None:
        return [piece.count for piece in pieces.pieces]
    for piece, count in zip(pieces.pieces, to_cut, strict=True):
        if not 0 <= count <= piece.count:
            raise BriefError(
                f"{count} of the piece {piece.name!r} are to be cut; it must be from 0 to the"
                f" {piece.count} that the board has",
                remedy="count with hexterra.inputs.owned_pieces.left_to_cut",
                piece=piece.name,
                count=count,
            )
    return list(to_cut)


def _blocks(blanks: Iterable[Blank]) -> tuple[Block, ...]:
    needed: Counter[tuple[float, float, int, int]] = Counter()
    for blank in blanks:
        for layer in blank.layers:
            key = (layer.stock_mm, layer.thickness_mm, layer.n_slices, PARTS.index(blank.part))
            needed[key] += blank.count
    return tuple(
        Block(PARTS[part], Layer(thickness_mm, stock_mm, n_slices), count)
        for (stock_mm, thickness_mm, n_slices, part), count in sorted(needed.items())
    )


def _facings(facing: Facing, stock: FoamBrief) -> tuple[Facing, ...]:
    """Return how hexagons may lie on a sheet for the grain to run as it should."""
    if stock.grain == "ignored":
        return FACINGS
    other: Facing = "flats" if facing == "points" else "points"
    return (facing,) if stock.grain == "along" else (other,)
