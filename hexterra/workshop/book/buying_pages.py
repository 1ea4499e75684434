"""What to buy, and what the board takes in hours, cost, weight and finishing."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING, Final

from hexterra.brief.timing import WORK, WorkKind
from hexterra.workshop.book.book_tables import Column, Row, Table, stacked, tick
from hexterra.workshop.book.book_words import box_words, counted, duration
from hexterra.workshop.book.ground_pages import job_words

if TYPE_CHECKING:
    from hexterra.brief.amounts import Amounts
    from hexterra.brief.bench_sections import SheetBrief
    from hexterra.plan.plan import Plan
    from hexterra.workshop.book.paper import Format, Page
    from hexterra.workshop.estimate.estimate import Effort

#: What finishing takes, in words, and what it is used on.
_MATERIALS: Final = (
    ("texture_ml", "filler or texture paste", "everything seen but water"),
    ("paint_ml", "paint, all coats together", "everything seen"),
    ("scatter_g", "flock and grit", "level ground and slopes"),
    ("varnish_ml", "gloss varnish", "water"),
)
#: Amounts of work in words: a unit for each of `Amounts`, and what its rate is given for.
_UNITS: Final = {
    "wire_m": ("{:,.1f} m of wire", "a metre"),
    "n_cuts": ("{:,.0f} cuts", "a cut"),
    "n_set_ups": ("{:,.0f} guides", "a guide"),
    "n_pieces": ("{:,.0f} pieces", "a piece"),
    "n_sheets": ("{:,.0f} sheets", "a sheet"),
    "n_joints": ("{:,.0f} joints", "a joint"),
    "n_saw_cuts": ("{:,.0f} cuts of a saw", "a cut"),
    "texture_m2": ("{:,.2f} m²", "a square metre"),
    "paint_m2": ("{:,.2f} m²", "a square metre"),
    "scatter_m2": ("{:,.2f} m²", "a square metre"),
}


def buying_pages(plan: Plan, effort: Effort, paper: Format) -> list[Page]:
    """List what to buy, each with a box to tick."""
    foam = effort.foam
    rows = [Row(("Foam", "", "", ""), is_heading=True)]
    for nest in foam.nests:
        rows.append(_sheet(nest.stock, nest.n_sheets, f"{nest.used_share:.0%} becomes pieces"))
    for nest in effort.facing_nests:
        rows.append(_sheet(nest.stock, nest.n_sheets, "for facings of upright faces"))
    rows.append(Row(("Base", "", "", ""), is_heading=True))
    rows += [_ticked(*words) for words in _base_words(effort)]
    rows.append(Row(("Finishing", "", "", ""), is_heading=True))
    finish = effort.materials
    for name, words, use in _MATERIALS:
        if finish[name] > 0.0:
            unit = name.rpartition("_")[2]
            rows.append(_ticked(words, f"{_rounded_up(finish[name]):,g} {unit}", use))
    on_top = [_ticked(*words) for words in job_words(plan.pieces, plan.overlay)]
    if on_top:
        rows.append(Row(("What lies on the ground", "", "", ""), is_heading=True))
    rows += on_top
    rows.append(Row(("Tools and the rest", "", "", ""), is_heading=True))
    if effort.amounts.n_joints:
        rows.append(_ticked("glue that does not attack foam", "",
                            counted(effort.amounts.n_joints, "joint")))  # fmt: skip
    bench = effort.bench
    rows += [
        _ticked("hot-wire cutter and spare wire", "", f"its kerf: {foam.stock.kerf_mm:g} mm"),
        _ticked("saw and sandpaper", "", "for panels, bars and rails"),
        _ticked("stiff board for the guides", "", "templates are glued to it and cut out"),
        _ticked("paper glue", "", "for templates and labels"),
        _ticked(f"boxes of {box_words(bench)} inside",
                f"{len(effort.boxes):,}", "to store the pieces in, see the packing list"),
    ]  # fmt: skip
    columns = (Column("", 0.45), Column("What", 5.0), Column("How much", 1.4, "right"),
               Column("Note", 4.6))  # fmt: skip
    lead = (
        "Amounts are net: buy a little more. Measure a bought sheet before you rely on its"
        " thickness."
    )
    return Table(columns, tuple(rows), lead).pages("What to buy", paper, entry="What to buy")


def _sheet(stock: SheetBrief, count: int, note: str) -> Row:
    price = "" if stock.price is None else f", {stock.price:,.2f} each"
    words = f"sheet {stock.length_mm:,g} x {stock.width_mm:,g} x {stock.thickness_mm:g} mm"
    return _ticked(words, f"{count:,}", note + price)


def _base_words(effort: Effort) -> Iterator[tuple[str, str, str]]:
    """Say what panels, frame and rails are sawn from, and how many of them there are."""
    wood, settings = effort.wood, effort.base.settings
    sheet = wood.panels.stock
    sizes = sorted((round(p.width_mm, 1), round(p.depth_mm, 1)) for p in effort.base.panels)
    panels = " and ".join(
        f"{counted(len(list(held)), 'panel')} of {width:,g} x {depth:,g} mm"
        for (width, depth), held in groupby(sizes)
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


def _ticked(words: str, amount: str, note: str) -> Row:
    return Row(("", words, amount, note), tick)


def _rounded_up(amount: float) -> float:
    """Round up to two figures, as one buys."""
    unit = 10.0 ** (math.floor(math.log10(amount)) - 1)
    return math.ceil(amount / unit - 1e-9) * unit


def reckoning_pages(effort: Effort, paper: Format) -> list[Page]:
    """Tell hours by kind of work, cost, weight, and finishing by kind of surface."""
    tables = (_hours(effort), _cost(effort), _weight(effort), _finishing(effort))
    return stacked(tables, "Hours, cost and weight", paper)


def _hours(effort: Effort) -> Table:
    rows = [
        Row((kind, *_work_words(effort, kind), duration(minutes), ""))
        for kind, minutes in effort.minutes.items()
        if minutes
    ]
    rows.append(Row(("all", "", "", duration(60.0 * effort.hours), "")))
    columns = (Column("Work", 24.0), Column("How much", 48.0), Column("Minutes", 60.0),
               Column("Takes", 20.0, "right"), Column("Took you", 26.0))  # fmt: skip
    lead = (
        "Time some work and enter it under bench.timed in the brief, with the amounts listed here"
        " or with the set-ups: the rates of that kind of work become yours."
    )
    return Table(columns, tuple(rows), lead)


def _work_words(effort: Effort, kind: WorkKind) -> tuple[str, str]:
    """Say how much there is of a kind of work, and what it is multiplied with."""
    amounts: Amounts = effort.amounts
    how_much: list[str] = []
    rates: list[str] = []
    for amount, rate in WORK[kind]:
        words, per = _UNITS[amount]
        how_much.append(words.format(getattr(amounts, amount)))
        rates.append(f"{getattr(effort.bench, rate):.3g} for {per}")
    return ", ".join(how_much), ", ".join(rates)


def _cost(effort: Effort) -> Table:
    unknown = "price not given"
    rows = [
        Row((name, unknown if price is None else f"{price:,.2f}"))
        for name, price in effort.prices.items()
    ]
    known = [price for price in effort.prices.values() if price is not None]
    total = f"{math.fsum(known):,.2f}"
    if len(known) < len(rows):
        total = f"{total}, without what has no price" if known else unknown
    rows.append(Row(("all", total)))
    return Table((Column("Cost", 24.0), Column("", 154.0)), tuple(rows))


def _weight(effort: Effort) -> Table:
    rows = [
        Row((name, f"{kg:,.2f} kg" if kg >= 0.1 else f"{1000.0 * kg:.0f} g"))
        for name, kg in effort.weights_kg.items()
        if kg
    ]
    rows.append(Row(("all", f"{effort.weight_kg:,.2f} kg")))
    columns = (Column("Weight", 24.0), Column("before paint, pieces owned included", 154.0))
    return Table(columns, tuple(rows))


def _finishing(effort: Effort) -> Table:
    """Tell what each kind of surface takes; amounts of nothing are left out."""
    rows = [
        Row((
            kind, f"{area_mm2 / 1e6:,.3f} m²",
            *(f"{held[name]:,.0f} {name.rpartition('_')[2]}" if held[name] else ""
              for name, *_ in _MATERIALS),
        ))
        for (kind, held), area_mm2 in zip(
            effort.materials_of.items(), effort.surface_mm2.tolist(), strict=True
        )
        if area_mm2
    ]  # fmt: skip
    columns = (Column("Finishing", 32.0), Column("Area", 26.0, "right"),
               Column("Texture", 30.0, "right"), Column("Paint", 30.0, "right"),
               Column("Scatter", 30.0, "right"), Column("Varnish", 30.0, "right"))  # fmt: skip
    return Table(columns, tuple(rows))
