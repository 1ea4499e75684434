"""Schedule -> Foam: how each thickness is built up, and the sheets that the blocks are cut from.

A piece begins as a *blank*: a flat prism of its outline and full thickness. A blank is one or
several glued *layers*. A layer is as thick as a sheet that can be bought, or sliced off a *block*,
which is a prism of the same outline and of a sheet's thickness. Blocks are what is laid out on
sheets.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from hexterra.errors import StockError
from hexterra.lattice.hexagon import Facing, Part
from hexterra.stages.schedule import PARTS, Schedule
from hexterra.values import Value
from hexterra.workshop.nesting import FACINGS, Nest, nest
from hexterra.workshop.stock import FoamStock, StockSheet

_NEAR_MM: Final = 1e-6
#: Layers of one blank beyond which the stock is called unfit.
MAX_LAYERS: Final = 12


@dataclass(frozen=True, eq=False)
class Layer(Value):
    """One layer of a blank.

    Parameters
    ----------
    thickness_mm
        Of the layer.
    stock_mm
        Of the sheet it comes from.
    n_slices
        How many such layers a block of that sheet gives.
    """

    thickness_mm: float
    stock_mm: float
    n_slices: int

    @property
    def is_sliced(self) -> bool:
        """Whether it must be sliced off a block."""
        return self.thickness_mm < self.stock_mm - _NEAR_MM


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
class Block(Value):
    """Blocks of one outline that are sliced alike, or used as they are.

    Parameters
    ----------
    part
        Its outline.
    layer
        What it is sliced into.
    n_layers
        How many layers are needed.
    """

    part: Part
    layer: Layer
    n_layers: int

    @property
    def count(self) -> int:
        """How many blocks are needed: the last may give more layers than are wanted."""
        return -(-self.n_layers // self.layer.n_slices)


@dataclass(frozen=True, eq=False)
class Foam(Value):
    """The foam a board takes.

    Parameters
    ----------
    pieces
        What is to be made.
    stock
        What it is made from.
    blanks
        By thickness, thin first, then in the order of `PARTS`.
    blocks
        By stock thickness, then thickness of their layers, then part.
    nests
        Sheets laid out, one nest for each stock thickness in use, thin first.
    """

    pieces: Schedule
    stock: FoamStock
    blanks: tuple[Blank, ...]
    blocks: tuple[Block, ...]
    nests: tuple[Nest, ...]

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
        """Layers of a blank by its thickness in millimetres."""
        return {blank.thickness_mm: blank.layers for blank in self.blanks}

    @property
    def notes(self) -> tuple[str, ...]:
        """What deserves a look, in sentences."""
        laminated = [
            f"{thickness:g} mm of {' + '.join(f'{layer.thickness_mm:g}' for layer in layers)} mm"
            for thickness, layers in sorted(self.layers_of.items())
            if len(layers) > 1
        ]
        if not laminated:
            return ()
        return (f"No stocked sheet is thick enough for some blanks; glue {', '.join(laminated)}.",)


def foam(pieces: Schedule, stock: FoamStock | None = None) -> Foam:
    """Find what foam the pieces of a schedule take, and lay it out on sheets.

    A blank is one layer if any sheet is at least as thick: as bought if one is just as thick,
    otherwise sliced off the sheet that loses the least foam to it (of equals the thinnest), a
    kerf lost between slices. A thicker blank is glued up from the fewest layers: of those, sheets
    as they are bought if some add up, thickest first; otherwise the thickest sheet and a slice.
    Without slicing, only sheets as they are bought are used.

    Parts are blanks of flat prisms, which may be flipped, so left and right quarters share blanks.

    Parameters
    ----------
    pieces
        What is to be made.
    stock
        What can be bought; ``FoamStock()`` by default.

    Returns
    -------
    Foam
        Its blocks, sliced and glued, give every piece its blank; every block lies on a sheet, at
        least a kerf from any other.

    Raises
    ------
    StockError
        If a blank cannot be made from the stock, or does not fit a sheet.
    """
    stock = stock or FoamStock()
    needed: Counter[tuple[float, Part]] = Counter()
    for piece in pieces.pieces:
        needed[piece.thickness_mm, piece.part] += piece.count
    layers = {thickness: build_up(thickness, stock) for thickness, _ in needed}
    blanks = tuple(
        Blank(part, thickness, needed[thickness, part], layers[thickness])
        for thickness, part in sorted(needed, key=lambda key: (key[0], PARTS.index(key[1])))
    )
    blocks = _blocks(blanks)
    facings = _facings(pieces.board.facing, stock)
    sheets = {sheet.thickness_mm: sheet for sheet in stock.sheets}
    nests: list[Nest] = []
    for stock_mm in sorted({block.layer.stock_mm for block in blocks}):
        counts: Counter[Part] = Counter()
        for block in blocks:
            if block.layer.stock_mm == stock_mm:
                counts[block.part] += block.count
        nests.append(
            nest(
                counts,
                pieces.board.across_flats_mm,
                sheets[stock_mm],
                kerf_mm=stock.kerf_mm,
                margin_mm=stock.margin_mm,
                facings=facings,
                joints_mm=stock.joints_mm,
            )
        )
    return Foam(pieces, stock, blanks, blocks, tuple(nests))


def build_up(thickness_mm: float, stock: FoamStock) -> tuple[Layer, ...]:
    """Return the layers of a blank, thickest first, by the rule that `foam` states.

    Raises
    ------
    StockError
        If the stock does not add up to the thickness without slicing, or in `MAX_LAYERS` layers.
    """
    bought_mm = sorted((sheet.thickness_mm for sheet in stock.sheets), reverse=True)
    fewest = math.ceil(thickness_mm / bought_mm[0] - _NEAR_MM)
    for n_layers in range(max(fewest, 1), MAX_LAYERS + 1):
        exact = _add_up(thickness_mm, bought_mm, n_layers)
        if exact is not None:
            return tuple(Layer(layer, layer, 1) for layer in exact)
        if stock.slicing == "blocks":
            full = (Layer(bought_mm[0], bought_mm[0], 1),) * (n_layers - 1)
            return (*full, _slice(thickness_mm - (n_layers - 1) * bought_mm[0], stock))
    listed = ", ".join(f"{thickness:g}" for thickness in bought_mm)
    raise StockError(
        f"a piece needs a blank of {thickness_mm:g} mm, which sheets of {listed} mm do not add up"
        f" to in {MAX_LAYERS} layers or fewer",
        remedy='stock more thicknesses, or slice layers off thicker blocks (slicing = "blocks")',
        thickness_mm=thickness_mm,
        stock_mm=tuple(bought_mm),
    )


def _add_up(total_mm: float, bought_mm: list[float], n_layers: int) -> tuple[float, ...] | None:
    """Find exactly so many sheets that add up, the thickest first; `bought_mm` descends."""
    if n_layers == 0:
        return () if abs(total_mm) < _NEAR_MM else None
    if total_mm > n_layers * bought_mm[0] + _NEAR_MM:
        return None
    for number, layer_mm in enumerate(bought_mm):
        if layer_mm <= total_mm + _NEAR_MM:
            rest = _add_up(total_mm - layer_mm, bought_mm[number:], n_layers - 1)
            if rest is not None:
                return (layer_mm, *rest)
    return None


def _slice(thickness_mm: float, stock: FoamStock) -> Layer:
    """Choose the sheet that loses the least foam to a layer that is thinner than some sheet."""
    choices: list[tuple[float, StockSheet, int]] = []
    for sheet in sorted(stock.sheets, key=lambda sheet: sheet.thickness_mm):
        n_slices = math.floor(
            (sheet.thickness_mm + stock.kerf_mm + _NEAR_MM) / (thickness_mm + stock.kerf_mm)
        )
        if n_slices:
            choices.append((sheet.thickness_mm / n_slices, sheet, n_slices))
    _, sheet, n_slices = min(choices, key=lambda choice: round(choice[0], 6))
    return Layer(thickness_mm, sheet.thickness_mm, n_slices)


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


def _facings(facing: Facing, stock: FoamStock) -> tuple[Facing, ...]:
    """Return how hexagons may lie on a sheet for the grain to run as it should."""
    if stock.grain == "ignored":
        return FACINGS
    other: Facing = "flats" if facing == "points" else "points"
    return (facing,) if stock.grain == "along" else (other,)
