"""Layers and blocks: how a thickness of foam comes out of the sheets in stock.

A *blank* is the flat prism that a piece begins as. It is one or several glued *layers*. A layer is
as thick as a sheet that can be bought, or sliced off a *block*, which is a prism of the same
outline and of a sheet's thickness.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from hexterra.brief.bench_sections import FoamBrief, SheetBrief
from hexterra.errors import StockError
from hexterra.lattice.hexagon import Part
from hexterra.values import Value

NEAR_MM: Final = 1e-6
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
        return self.thickness_mm < self.stock_mm - NEAR_MM


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


def build_up(thickness_mm: float, stock: FoamBrief) -> tuple[Layer, ...]:
    """Return the layers of a blank, thickest first, by the rule that `foam` states.

    Raises
    ------
    StockError
        If the stock does not add up to the thickness without slicing, or in `MAX_LAYERS` layers.
    """
    bought_mm = sorted((sheet.thickness_mm for sheet in stock.sheets), reverse=True)
    fewest = math.ceil(thickness_mm / bought_mm[0] - NEAR_MM)
    for n_layers in range(max(fewest, 1), MAX_LAYERS + 1):
        exact = _add_up(thickness_mm, bought_mm, n_layers)
        sliced = _slices(thickness_mm, n_layers, stock) if stock.slicing == "blocks" else None
        if sliced is not None and (exact is None or stock.tolerance_mm > 0.0):
            return sliced
        if exact is not None:
            return tuple(Layer(layer, layer, 1) for layer in exact)
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
        return () if abs(total_mm) < NEAR_MM else None
    if total_mm > n_layers * bought_mm[0] + NEAR_MM:
        return None
    for number, layer_mm in enumerate(bought_mm):
        if layer_mm <= total_mm + NEAR_MM:
            rest = _add_up(total_mm - layer_mm, bought_mm[number:], n_layers - 1)
            if rest is not None:
                return (layer_mm, *rest)
    return None


def slices_of(
    thickness_mm: float, stock_mm: float, kerf_mm: float, tolerance_mm: float = 0.0
) -> int:
    """Return how many layers a block gives, a kerf above each, though its sheet be thin.

    A block that is just as thick as the layer, and true, gives one without a cut.
    """
    if tolerance_mm == 0.0 and abs(thickness_mm - stock_mm) < NEAR_MM:
        return 1
    return math.floor((stock_mm - tolerance_mm + NEAR_MM) / (thickness_mm + kerf_mm))


def _slices(thickness_mm: float, n_layers: int, stock: FoamBrief) -> tuple[Layer, ...] | None:
    """Build a blank up from slices; from full sheets and one slice if sheets are true."""
    if stock.tolerance_mm > 0.0:
        layer = _slice(thickness_mm / n_layers, stock)
        return layer and (layer,) * n_layers
    most_mm = max(sheet.thickness_mm for sheet in stock.sheets)
    layer = _slice(thickness_mm - (n_layers - 1) * most_mm, stock)
    return layer and (*(Layer(most_mm, most_mm, 1),) * (n_layers - 1), layer)


def _slice(thickness_mm: float, stock: FoamBrief) -> Layer | None:
    """Choose the sheet that loses the least foam to a layer; None if none is thick enough."""
    choices: list[tuple[float, SheetBrief, int]] = []
    for sheet in sorted(stock.sheets, key=lambda sheet: sheet.thickness_mm):
        n_slices = slices_of(thickness_mm, sheet.thickness_mm, stock.kerf_mm, stock.tolerance_mm)
        if n_slices:
            choices.append((sheet.thickness_mm / n_slices, sheet, n_slices))
    if not choices:
        return None
    _, sheet, n_slices = min(choices, key=lambda choice: round(choice[0], 6))
    return Layer(thickness_mm, sheet.thickness_mm, n_slices)
