"""What to buy, and what the board takes in hours, cost, weight and finishing."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING, Final

from hexterra.brief.timing import WORK, WorkKind
from hexterra.drawing.flowables import section
from hexterra.workshop.book.book_tables import TICK, Column, Group, RowTable, TableRow
from hexterra.workshop.book.book_words import box_words, counted, duration
from hexterra.workshop.book.ground_pages import job_words
from hexterra.workshop.book.layout import lead

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

    from hexterra.brief.amounts import Amounts
    from hexterra.brief.bench_sections import SheetBrief
    from hexterra.plan.plan import Plan
    from hexterra.workshop.estimate.estimate import Estimate

#: What finishing takes, in words, and what it is used on.
_MATERIALS: Final = (
    ("texture_ml", "filler or texture paste", "everything seen but water"),
    ("paint_ml", "paint, all coats together", "everything seen"),
    ("scatter_g", "flock and grit", "level ground and slopes"),
    ("varnish_ml", "gloss varnish", "water"),
)
_TIMED: Final = (
    "Time some work and enter it in the brief, with the amounts listed here or with the set-ups:"
    " the rates of that kind of work become yours. Say 40 minutes went into 24 cuts, 4.2 m of wire"
    " and 0.21 m² of foam; write, under [bench],\n"
    "timed = [{ minutes = 40, n_cuts = 24, wire_m = 4.2, cut_m2 = 0.21 }]"
)
#: Amounts of work in words: a unit for each of `Amounts`, and what its rate is given for.
_UNITS: Final = {
    "wire_m": ("{:,.1f} m of wire", "a metre"),
    "cut_m2": ("{:,.2f} m² of foam", "a square metre"),
    "n_cuts": ("{:,.0f} cuts", "a cut"),
    "n_channels": ("{:,.0f} tiles", "a tile"),
    "loop_m": ("{:,.1f} m shaped by hand", "a metre"),
    "n_set_ups": ("{:,.0f} guides", "a guide"),
    "n_pieces": ("{:,.0f} pieces", "a piece"),
    "n_sheets": ("{:,.0f} sheets", "a sheet"),
    "n_joints": ("{:,.0f} joints", "a joint"),
    "n_saw_cuts": ("{:,.0f} cuts of a saw", "a cut"),
    "texture_m2": ("{:,.2f} m²", "a square metre"),
    "paint_m2": ("{:,.2f} m²", "a square metre"),
    "scatter_m2": ("{:,.2f} m²", "a square metre"),
}


def buying_pages(plan: Plan, estimate: Estimate) -> list[Flowable]:
    """List what to buy, each with a box to tick."""
    foam = estimate.foam
    rows: list[TableRow] = [Group("Foam")]
    for nest in foam.nests:
        rows.append(_sheet(nest.stock, nest.n_sheets, f"{nest.used_share:.0%} becomes pieces"))
    for nest in estimate.facing_nests:
        rows.append(_sheet(nest.stock, nest.n_sheets, "for facings of upright faces"))
    rows.append(Group("Base"))
    rows += [(TICK, *words) for words in _base_words(estimate)]
    rows.append(Group("Finishing"))
    finish = estimate.materials
    for name, words, use in _MATERIALS:
        if finish[name] > 0.0:
            unit = name.rpartition("_")[2]
            rows.append((TICK, words, f"{_rounded_up(finish[name]):,g} {unit}", use))
    on_top = [(TICK, *words) for words in job_words(plan.pieces, plan.overlay)]
    if on_top:
        rows.append(Group("What lies on the ground"))
    rows += on_top
    rows.append(Group("Tools and the rest"))
    if estimate.amounts.n_joints:
        n_joints = counted(estimate.amounts.n_joints, "joint")
        rows.append((TICK, "glue that does not attack foam", "", n_joints))
    bench = estimate.bench
    loops = dict.fromkeys(w.set_up.partition(", ")[2] for w in estimate.work if w.kind == "loop")
    rows += [
        (TICK, "loop of stiff resistance wire, or knife and rasp", "1", words) for words in loops
    ]
    rows += [
        (TICK, "hot-wire cutter and spare wire", "", f"its kerf: {foam.stock.kerf_mm:g} mm"),
        (TICK, "saw and sandpaper", "", "for panels, bars and rails"),
        (TICK, "stiff board for the guides", "", "templates are glued to it and cut out"),
        (TICK, "paper glue", "", "for templates and labels"),
        (TICK, f"boxes of {box_words(bench)} inside", f"{len(estimate.boxes):,}",
         "to store the pieces in, see the packing list"),
    ]  # fmt: skip
    columns = (Column("", 0.45), Column("What", 5.0), Column("How much", 1.5, "right"),
               Column("Note", 4.6))  # fmt: skip
    words = (
        "Amounts are net: buy a little more. Measure a bought sheet before you rely on its"
        " thickness."
    )
    return section("What to buy", [lead(words), RowTable(columns, rows)])


def _sheet(stock: SheetBrief, count: int, note: str) -> TableRow:
    price = "" if stock.price is None else f", {stock.price:,.2f} each"
    words = f"sheet {stock.length_mm:,g} x {stock.width_mm:,g} x {stock.thickness_mm:g} mm"
    return TICK, words, f"{count:,}", note + price


def _base_words(estimate: Estimate) -> Iterator[tuple[str, str, str]]:
    """Say what panels, frame and rails are sawn from, and how many of them there are."""
    wood, settings = estimate.wood, estimate.base.settings
    sheet = wood.panels.stock
    sizes = sorted((round(p.width_mm, 1), round(p.depth_mm, 1)) for p in estimate.base.panels)
    panels = " and ".join(
        f"{counted(len(list(alike)), 'panel')} of {width:,g} x {depth:,g} mm"
        for (width, depth), alike in groupby(sizes)
    )
    yield (
        f"panel sheet {sheet.length_mm:,g} x {sheet.width_mm:,g} x {sheet.thickness_mm:g} mm",
        f"{wood.panels.n_sheets:,}", f"for {panels}{_each(settings.sheet_price)}",
    )  # fmt: skip
    if wood.bars.n_bars:
        yield (
            f"frame bar {settings.bar_length_mm:,g} x {settings.frame_width_mm:g} x"
            f" {settings.frame_height_mm:g} mm",
            f"{wood.bars.n_bars:,}",
            f"for {counted(wood.bars.n_lengths, 'length')} of the frame{_each(settings.bar_price)}",
        )
    if wood.strips.n_bars:
        yield (
            f"square strip {settings.bar_length_mm:,g} x {wood.strip_mm:.1f} x"
            f" {wood.strip_mm:.1f} mm",
            f"{wood.strips.n_bars:,}",
            f"for {counted(len(wood.rail_lengths_mm), 'rail')}, two of a length, cut from corner"
            f" to corner{_each(settings.strip_price)}",
        )


def _each(price: float | None) -> str:
    return "" if price is None else f", {price:,.2f} each"


def _rounded_up(amount: float) -> float:
    """Round up to two figures, as one buys."""
    unit = 10.0 ** (math.floor(math.log10(amount)) - 1)
    return math.ceil(amount / unit - 1e-9) * unit


def cost_pages(estimate: Estimate) -> list[Flowable]:
    """List hours by kind of work, cost, weight, and finishing by kind of surface."""
    tables = [_hours(estimate), *_cost(estimate), _weight(estimate), _finishing(estimate)]
    return section("Hours, cost and weight", [lead(_TIMED), *tables])


def _hours(estimate: Estimate) -> RowTable:
    rows = [
        (kind, *_work_words(estimate, kind), duration(minutes), "")
        for kind, minutes in estimate.minutes.items()
        if minutes
    ]
    rows.append(("all", "", "", duration(60.0 * estimate.hours), ""))
    if hours := estimate.footing_hours:
        rows.append(("of which", "footings", "cut, cleaned, keyed; rails glued on",
                     duration(60.0 * hours), ""))  # fmt: skip
    columns = (Column("Work", 24.0), Column("How much", 48.0), Column("Minutes", 60.0),
               Column("Takes", 20.0, "right"), Column("Took you", 26.0))  # fmt: skip
    return RowTable(columns, rows)


def _work_words(estimate: Estimate, kind: WorkKind) -> tuple[str, str]:
    """Say how much there is of a kind of work, and what it is multiplied with."""
    amounts: Amounts = estimate.amounts
    how_much: list[str] = []
    rates: list[str] = []
    for amount, rate in WORK[kind]:
        words, per = _UNITS[amount]
        how_much.append(words.format(getattr(amounts, amount)))
        rates.append(f"{getattr(estimate.bench, rate):.3g} for {per}")
    return ", ".join(how_much), ", ".join(rates)


def _cost(estimate: Estimate) -> list[RowTable]:
    """List what has a price; no table if nothing has."""
    known = {name: price for name, price in estimate.prices.items() if price is not None}
    if not known:
        return []
    rows = [(name, f"{price:,.2f}") for name, price in known.items()]
    unknown = [name for name in estimate.prices if name not in known]
    without = f", without {' and '.join(unknown)}" if unknown else ""
    rows.append(("all", f"{math.fsum(known.values()):,.2f}{without}"))
    return [RowTable((Column("Cost", 24.0), Column("", 154.0)), rows)]


def _weight(estimate: Estimate) -> RowTable:
    rows = [
        (name, f"{kg:,.2f} kg" if kg >= 0.1 else f"{1000.0 * kg:.0f} g")
        for name, kg in estimate.weights_kg.items()
        if kg
    ]
    rows.append(("all", f"{estimate.weight_kg:,.2f} kg"))
    columns = (Column("Weight", 24.0), Column("before paint, pieces owned included", 154.0))
    return RowTable(columns, rows)


def _finishing(estimate: Estimate) -> RowTable:
    """List what each kind of surface takes; amounts of nothing are left out."""
    rows = [
        (
            kind, f"{area_mm2 / 1e6:,.3f} m²",
            *(f"{needed[name]:,.0f} {name.rpartition('_')[2]}" if needed[name] else ""
              for name, *_ in _MATERIALS),
        )
        for (kind, needed), area_mm2 in zip(
            estimate.materials_of.items(), estimate.surface_mm2.tolist(), strict=True
        )
        if area_mm2
    ]  # fmt: skip
    columns = (Column("Finishing", 32.0), Column("Area", 26.0, "right"),
               Column("Texture", 30.0, "right"), Column("Paint", 30.0, "right"),
               Column("Scatter", 30.0, "right"), Column("Varnish", 30.0, "right"))  # fmt: skip
    return RowTable(columns, rows)
