"""Blocks -> fewer sheets: layers moved into what the last sheet of another thickness has left.

Part of `foam`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace

from hexterra.lattice.hexagon import Part
from hexterra.stages.schedule.pieces import PARTS
from hexterra.workshop.sheets.blocks import Block, Layer, slices_of
from hexterra.workshop.sheets.nesting import Nest
from hexterra.workshop.sheets.slots import QUARTERS, SLOT_PARTS

#: Lays out so many blocks of each part on sheets of one thickness.
NestCounts = Callable[[float, "Counter[Part]"], Nest]
#: Counts the slices of a thickness that a block of another gives.
_Slices = Callable[[float, float], int]


def lay_out(blocks: Iterable[Block], nest_counts: NestCounts) -> dict[float, Nest]:
    """Lay blocks out on sheets, by the thickness of these, thin first."""
    counts: dict[float, Counter[Part]] = {}
    for block in blocks:
        counts.setdefault(block.layer.stock_mm, Counter())[block.part] += block.count
    return {stock_mm: nest_counts(stock_mm, counts[stock_mm]) for stock_mm in sorted(counts)}


def reuse_offcuts(
    blocks: tuple[Block, ...],
    nests: dict[float, Nest],
    nest_counts: NestCounts,
    kerf_mm: float,
    tolerance_mm: float = 0.0,
) -> tuple[tuple[Block, ...], dict[float, Nest]]:
    """Save sheets whose layers can be sliced from what another thickness has left over.

    For each thickness, that with the emptiest last sheet first (of equals the thinnest), its last
    sheet is given up if one other thickness, tried from thin to thick, takes the layers cut from
    it on as many sheets as it has already; thin layers are moved first. This is repeated until no
    sheet can be given up.

    Parameters
    ----------
    blocks, nests
        As they are without.
    nest_counts
        Lays out blocks on sheets of one thickness.
    kerf_mm
        Lost above every slice.
    tolerance_mm
        How much thinner than nominal a sheet may be.

    Returns
    -------
    tuple
        Blocks that give as many layers of every part and thickness, and their sheets, which are
        no more of any thickness than before.
    """

    def slices(thickness_mm: float, stock_mm: float) -> int:
        return slices_of(thickness_mm, stock_mm, kerf_mm, tolerance_mm)

    while True:
        order = sorted(nests, key=lambda stock_mm: (nests[stock_mm].n_last_quarters, stock_mm))
        for stock_mm in order:
            moved = _give_up_sheet(blocks, nests, nest_counts, slices, stock_mm)
            if moved is not None:
                blocks, nests = moved
                break
        else:
            return blocks, nests


def _give_up_sheet(
    blocks: tuple[Block, ...],
    nests: dict[float, Nest],
    nest_counts: NestCounts,
    slices: _Slices,
    stock_mm: float,
) -> tuple[tuple[Block, ...], dict[float, Nest]] | None:
    """Move what lies on the last sheet of one thickness to another; None if none takes it."""
    kept, taken = _take_off(blocks, stock_mm, Counter(nests[stock_mm].sheets[-1].parts))
    here = nests[stock_mm]
    for other_mm, other in nests.items():
        if other_mm == stock_mm or not all(slices(t, other_mm) for _, t in taken):
            continue
        changed = _add(kept, taken, other_mm, slices)
        touched = [block for block in changed if block.layer.stock_mm in (stock_mm, other_mm)]
        if _n_quarters(touched, other_mm) > 4.0 * other.most_per_sheet * other.n_sheets:
            continue
        laid_out = lay_out(touched, nest_counts)
        n_here = laid_out[stock_mm].n_sheets if stock_mm in laid_out else 0
        if n_here < here.n_sheets and laid_out[other_mm].n_sheets <= other.n_sheets:
            rest = {mm: found for mm, found in nests.items() if mm not in (stock_mm, other_mm)}
            both = rest | laid_out
            return changed, {mm: both[mm] for mm in sorted(both)}
    return None


def _n_quarters(blocks: Iterable[Block], stock_mm: float) -> int:
    """Return the area of the blocks of one thickness, in quarter hexagons."""
    return sum(
        block.count * QUARTERS[SLOT_PARTS.index(block.part)]
        for block in blocks
        if block.layer.stock_mm == stock_mm
    )


def _take_off(
    blocks: tuple[Block, ...], stock_mm: float, parts: Counter[Part]
) -> tuple[list[Block], Counter[tuple[Part, float]]]:
    """Take blocks of these parts away; return those left and the layers now missing."""
    kept: list[Block] = []
    taken: Counter[tuple[Part, float]] = Counter()
    left = parts.copy()
    for block in blocks:  # thin layers come first
        n_away = min(left[block.part], block.count) if block.layer.stock_mm == stock_mm else 0
        left[block.part] -= n_away
        n_layers = min(block.n_layers, (block.count - n_away) * block.layer.n_slices)
        if n_layers < block.n_layers:
            taken[block.part, block.layer.thickness_mm] += block.n_layers - n_layers
        if n_layers:
            kept.append(replace(block, n_layers=n_layers))
    return kept, taken


def _add(
    blocks: list[Block], layers: Counter[tuple[Part, float]], stock_mm: float, slices: _Slices
) -> tuple[Block, ...]:
    """Cut these layers from sheets of one thickness too."""
    found = {(b.layer.stock_mm, b.layer.thickness_mm, b.part): b for b in blocks}
    for (part, thickness_mm), n_layers in layers.items():
        key = (stock_mm, thickness_mm, part)
        if key in found:
            found[key] = replace(found[key], n_layers=found[key].n_layers + n_layers)
        else:
            layer = Layer(thickness_mm, stock_mm, slices(thickness_mm, stock_mm))
            found[key] = Block(part, layer, n_layers)
    order = sorted(found, key=lambda key: (key[0], key[1], PARTS.index(key[2])))
    return tuple(found[key] for key in order)
