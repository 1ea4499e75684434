"""What the bench needs: what the board is, what to buy, cautions, set-ups and the cut list."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Final

from hexterra.units import bench_mm_to_ground_m
from hexterra.workshop.book_columns import Column, Row, Table
from hexterra.workshop.book_paper import BOLD, Page, Pen
from hexterra.workshop.book_words import counted, duration
from hexterra.workshop.drawings import sketch
from hexterra.workshop.guides import CAUTIONS
from hexterra.workshop.solids import piece_solids

if TYPE_CHECKING:
    from hexterra.plan import Plan
    from hexterra.stages.schedule import Piece
    from hexterra.workshop.base import Base
    from hexterra.workshop.book_paper import Format
    from hexterra.workshop.cutting import Work
    from hexterra.workshop.effort import Effort
    from hexterra.workshop.figures import Figure

#: What belongs to each caution, in the words of the trade: common practice, no source.
_CAUTIONS: Final = (
    ("Fumes", "Hot foam gives off styrene fumes. Work outdoors or under extraction, keep the wire"
     " only as hot as it must be, and stop if your eyes or throat smart."),
    ("Burns and current", "The wire burns at a touch and is live at low voltage. Let nobody reach"
     " across it, switch it off before you change a guide, and never leave it unattended."),
    ("Fire", "Foam is flammable. Keep flames, sparks and other heat away from sheets, offcuts and"
     " dust, and something to put a fire out with at hand."),
    ("Blades and dust", "Cut away from your hand, with a sharp blade. Wear a mask when you sand,"
     " and sweep up rather than blow."),
    ("Solvents and paint", "Solvents, many glues and most spray paints attack foam. Try each on an"
     " offcut, and seal the foam before you spray."),
    ("Instructions", "Follow the foam's data sheet, the cutter's manual and local rules; where they"
     " differ from this book, they hold."),
    ("What this is for", "Heights and watercourses here are for a model: not for navigation,"
     " construction or flood decisions."),
)  # fmt: skip
_SKETCH_MM: Final = 20.0
#: Pieces that one box of the cut list stands for, at most.
_BATCH: Final = 10
_BOX_MM: Final = 4.4

_FACTS: Final = (Column("", 1.0), Column("", 6.0))


def board_pages(plan: Plan, effort: Effort, paper: Format) -> list[Page]:
    """Say what the board is, what it takes, what was assumed, and what deserves a look."""
    board, levels, tiles = plan.board, plan.levels, plan.fitted
    width_mm, depth_mm = board.size_mm
    step_mm = plan.pieces.step_mm
    ground_km = [bench_mm_to_ground_m(size, board.scale) / 1000.0 for size in board.size_mm]
    pieces = plan.pieces.pieces
    kinds = [
        f"{counted(sum(p.count for p in held), kind)} of {counted(len(held), 'sort')}"
        for kind in ("tile", "spacer", "footing")
        if (held := [piece for piece in pieces if piece.kind == kind])
    ]
    rows = [
        ("Table", f"{width_mm:.0f} x {depth_mm:.0f} mm: {board.columns} columns and {board.rows}"
         f" rows of hexagons, {board.across_flats_mm:g} mm across flats, {board.facing} to the"
         f" front, {board.edges} edges"),
        ("Ground", f"{ground_km[0]:.4g} x {ground_km[1]:.4g} km at 1:{board.scale:,.0f}; middle at"
         f" {board.lat_deg:.5f}, {board.lon_deg:.5f}; the back edge looks to"
         f" {board.bearing_deg % 360.0:g}° from north"),
        ("Heights", f"steps of {step_mm:g} mm for {levels.metres_per_step:g} m of ground,"
         f" {plan.exaggeration:.3g} times true to scale; tops reach"
         f" {tiles.corners.max() * step_mm:g} mm above level 0"),
        ("Pieces", ", ".join(kinds)),
        ("Foam", _sheets_words(effort)),
        ("Time", f"{duration(60.0 * effort.hours)} in all: " + ", ".join(
            f"{name} {duration(minutes)}" for name, minutes in effort.minutes.items() if minutes)),
        ("Weight", f"{effort.weight_kg:.1f} kg of foam, before paint"),
        ("Water", _water_words(plan)),
        *_stock_words(plan),
    ]  # fmt: skip
    table_rows = [Row(row) for row in rows]
    for heading, entries in (
        ("Assumed, as the brief does not say", plan.assumed),
        ("To note", (*plan.notes, *effort.foam.notes)),
    ):
        if entries:
            table_rows.append(Row((heading, ""), is_heading=True))
            table_rows += [Row((f"{n}", words)) for n, words in enumerate(entries, start=1)]
    table = Table(_FACTS, tuple(table_rows))
    return table.pages("The board", paper, entry="The board")


def _sheets_words(effort: Effort) -> str:
    words = ", ".join(
        f"{counted(nest.n_sheets, 'sheet')} of {nest.stock.thickness_mm:g} mm"
        for nest in effort.foam.nests
    )
    return words if effort.price is None else f"{words}; {effort.price:,.2f} in all"


def _stock_words(plan: Plan) -> list[tuple[str, str]]:
    """Say what is owned already, if a stock list was given."""
    if plan.stock is None:
        return []
    owned, to_cut, unused = plan.stock[["owned", "to_cut", "unused"]].sum().tolist()
    words = (
        f"{counted(owned, 'piece')} owned, of which {unused} stay unused; {to_cut} to cut. Foam,"
        " sheets and times in this book are for all pieces, owned ones included."
    )
    return [("Stock", words)]


def _water_words(plan: Plan) -> str:
    if plan.water is None:
        return "none shown"
    return counted(int(plan.water.is_watercourse.sum()), "tile") + " with a watercourse"


def buying_pages(effort: Effort, base: Base, paper: Format) -> list[Page]:
    """List what to buy, each with a box to tick."""
    foam, settings = effort.foam, base.settings
    rows = [Row(("Foam", "", "", ""), is_heading=True)]
    for nest in foam.nests:
        sheet = nest.stock
        price = "" if sheet.price is None else f"{sheet.price:,.2f} each"
        rows.append(_ticked(
            f"sheet {sheet.length_mm:g} x {sheet.width_mm:g} x {sheet.thickness_mm:g} mm",
            str(nest.n_sheets),
            f"{nest.used_share:.0%} of it becomes pieces {price}".strip(),
        ))  # fmt: skip
    if foam.price is not None:
        rows.append(Row(("", "all sheets together", "", f"{foam.price:,.2f}")))
    rows.append(Row(("Base", "", "", ""), is_heading=True))
    rows += [_ticked(*words) for words in _base_words(base)]
    rows.append(Row(("Finishing", "", "", ""), is_heading=True))
    finish = effort.materials
    for name, words, use in (
        ("texture_ml", "filler or texture paste", "everything seen but water"),
        ("paint_ml", "paint, all coats together", "everything seen"),
        ("scatter_g", "flock and grit", "level ground and slopes"),
        ("varnish_ml", "gloss varnish", "water"),
    ):
        if finish[name] > 0.0:
            unit = name.rpartition("_")[2]
            rows.append(_ticked(words, f"{_rounded_up(finish[name]):g} {unit}", use))
    n_joints = sum(blank.count * (len(blank.layers) - 1) for blank in foam.blanks)
    rows.append(Row(("Tools and the rest", "", "", ""), is_heading=True))
    if n_joints:
        rows.append(_ticked("glue that does not attack foam", "", f"{n_joints} joints of layers"))
    rows += [
        _ticked("hot-wire cutter and spare wire", "", f"its kerf: {foam.stock.kerf_mm:g} mm"),
        _ticked("stiff board for the guides", "", "templates are glued to it and cut out"),
        _ticked("paper glue", "", "for templates and labels"),
        _ticked("boxes to store the pieces in", str(len(effort.boxes)), "see the packing list"),
    ]  # fmt: skip
    faces = effort.facings.parts
    if faces:
        rows.append(
            Row(("Facings, to cover upright faces with if you like", "", "", ""), is_heading=True)
        )
        rows += [
            _ticked(
                f"{face.kind} facing, {face.width_mm:.1f} mm wide",
                str(face.count),
                f"{face.left_slant_mm:.1f} mm high at the left, {face.right_slant_mm:.1f} mm at the"
                " right, seen from the low side",
            )
            for face in faces
        ]
    lead = "Amounts are net: buy a little more. "
    if settings.panel_thickness_mm:
        lead += "Measure a bought sheet before you rely on its thickness."
    columns = (Column("", 0.45), Column("What", 5.0), Column("How much", 1.4, "right"),
               Column("Note", 4.6))  # fmt: skip
    return Table(columns, tuple(rows), lead).pages("What to buy", paper, entry="What to buy")


def _base_words(base: Base) -> Iterator[tuple[str, str, str]]:
    thickness_mm = base.settings.panel_thickness_mm
    sizes = sorted((round(p.width_mm, 1), round(p.depth_mm, 1)) for p in base.panels)
    for (width_mm, depth_mm), held in groupby(sizes):
        note = "the board stands on it" if len(sizes) == 1 else "the board stands on them together"
        yield (
            f"panel {width_mm:g} x {depth_mm:g} x {thickness_mm:g} mm",
            str(len(list(held))),
            note,
        )
    for bar in base.bars:
        yield (f"frame bar {bar.length_mm:.1f} x {bar.width_mm:g} x {bar.height_mm:g} mm", "1",
               f"{bar.edge} edge")  # fmt: skip
    for rail in base.rails:
        groove_mm = base.settings.groove_mm
        yield (f"three-cornered batten, {rail.length_mm:.0f} mm long", "1",
               f"{rail.edge} edge, its middle {rail.inset_mm:.1f} mm inside the board;"
               f" {groove_mm:g} mm high, {2.0 * groove_mm:g} mm wide")  # fmt: skip


def _ticked(words: str, amount: str, note: str) -> Row:
    return Row(("", words, amount, note), _tick)


def _tick(pen: Pen, lefts: Sequence[float], top: float) -> None:
    pen.box(lefts[0] + 0.6, top + 3.9)


def _rounded_up(amount: float) -> float:
    """Round up to two figures, as one buys."""
    unit = 10.0 ** (math.floor(math.log10(amount)) - 1)
    return math.ceil(amount / unit - 1e-9) * unit


def caution_pages(paper: Format) -> list[Page]:
    """Print the cautions on a page of their own."""
    left, top, width, _ = paper.room_mm

    def paint(pen: Pen) -> None:
        y = top + 4.0
        for name, words in _CAUTIONS:
            pen.text(left, y, name, size=4.2, font=BOLD)
            y = pen.lines(left, y + 6.0, words, width, size=3.8) + 4.0
        y += 2.0
        pen.line(((left, y), (left + width, y)), width=0.35)
        y += 6.0
        for words in CAUTIONS:
            pen.text(left, y, words, size=3.0, within=width)
            y += 4.6

    return [Page("Cautions", paint, entry="Cautions")]


def set_up_pages(effort: Effort, paper: Format) -> list[Page]:
    """List every guide to mount, in order, and what is cut under it."""
    rows: list[Row] = []
    by_name: dict[str, list[Work]] = {}
    for work in effort.work:
        by_name.setdefault(work.set_up, []).append(work)
    for number, set_up in enumerate(effort.set_ups, start=1):
        heading = (
            f"{number}. {set_up.name}: {counted(set_up.n_items, 'item')},"
            f" {counted(set_up.n_cuts, 'cut')}, {set_up.wire_mm / 1000.0:.1f} m of wire,"
            f" {duration(set_up.minutes)}"
        )
        rows.append(Row((heading,), is_heading=True))
        rows += [
            Row(
                ("", work.item, str(work.count), str(work.n_cuts), f"{work.wire_mm / 1000.0:.2f}"),
                _tick,
            )
            for work in by_name[set_up.name]
        ]
    columns = (Column("", 0.45), Column("What is cut", 7.0), Column("How many", 1.1, "right"),
               Column("Cuts", 1.0, "right"), Column("Wire, m", 1.0, "right"))  # fmt: skip
    lead = (
        "Mount each guide once and make all cuts that need it before the next: blocks off the"
        " sheets, slices from thick to thin, sloping tops, channels, grooves. The guides are drawn"
        " at full size among the templates, under the same names of outlines, patterns and"
        " channels."
    )
    return Table(columns, tuple(rows), lead).pages(
        "Set-ups in order", paper, entry="Set-ups in order"
    )


def cut_list_pages(plan: Plan, effort: Effort, paper: Format) -> list[Page]:
    """List every piece with a sketch, what it is cut from, and boxes to tick."""
    rows: list[Row] = []
    kind = ""
    to_cut = [piece.count for piece in plan.pieces.pieces]
    if plan.stock is not None:
        to_cut = plan.stock["to_cut"].tolist()[: len(to_cut)]
    right = paper.room_mm[0] + paper.room_mm[2]
    for number, (piece, solid) in enumerate(
        zip(plan.pieces.pieces, piece_solids(plan.pieces), strict=True)
    ):
        if piece.kind != kind:
            kind = piece.kind
            rows.append(Row((f"{kind.capitalize()}s",), is_heading=True))
        words = (
            f"{piece.name}\n{effort.volume_mm3[number] / 1000.0:.1f} cm³,"
            f" {solid.surface_mm2 / 100.0:.0f} cm² all round, {effort.piece_weight_g[number]:.1f} g"
        )
        if to_cut[number] < piece.count:
            words += f"\n{piece.count - to_cut[number]} of them owned, {to_cut[number]} to cut"
        blank = _blank_words(effort, piece)
        figure = sketch(solid, piece.ports, water=piece.water, width_mm=_SKETCH_MM)
        height = max(figure.size_mm[1] + 2.2, _tally_mm(to_cut[number], 44.0) + 2.0)
        paint = _cut_painter(figure, to_cut[number], right)
        rows.append(Row(("", words, str(piece.count), blank, ""), paint, height))
    columns = (Column("", 26.0), Column("Piece", 62.0), Column("Count", 14.0, "right"),
               Column("Blank", 32.0), Column("Cut", 46.0))  # fmt: skip
    lead = (
        "A box stands for as many pieces as the number in it says; tick it when they are cut."
        " Sides and corners of a piece are numbered counter-clockwise, seen from above."
        " Number 0, the first corner, is the one farthest to the right on the sketch of a whole"
        " tile; side 0 follows it. Lines of dots are watercourses."
    )
    return Table(columns, tuple(rows), lead).pages("Cut list", paper, entry="Cut list")


def _blank_words(effort: Effort, piece: Piece) -> str:
    """Say how thick the layers of a piece's blank are, and which sheets they come from."""
    layers = effort.foam.layers_of[piece.thickness_mm]
    made_of = " + ".join(f"{layer.thickness_mm:g}" for layer in layers)
    stocks = sorted({layer.stock_mm for layer in layers}, reverse=True)
    of = ", ".join(f"{stock:g}" for stock in stocks)
    return f"{made_of} mm, of {of} mm sheet" if made_of != of else f"{of} mm sheet"


def _cut_painter(
    figure: Figure, count: int, right: float
) -> Callable[[Pen, Sequence[float], float], None]:
    """Return what draws the sketch and the boxes of a row of the cut list."""

    def paint(pen: Pen, lefts: Sequence[float], top: float) -> None:
        pen.figure(figure, lefts[0] + _SKETCH_MM / 2.0, top + 0.8)
        _tally(pen, lefts[4], top, count, right)

    return paint


def _tally_mm(count: int, width: float) -> float:
    per_line = int(width // _BOX_MM)
    return -(-math.ceil(count / _BATCH if count > _BATCH else count) // per_line) * _BOX_MM


def _tally(pen: Pen, left: float, top: float, count: int, right: float) -> None:
    """Draw boxes for a count: one each, or one for every ten and the rest."""
    sizes = [1] * count
    if count > _BATCH:
        sizes = [_BATCH] * (count // _BATCH) + [count % _BATCH] * (count % _BATCH > 0)
    per_line = int((right - left) // _BOX_MM)
    for number, size in enumerate(sizes):
        line, place = divmod(number, per_line)
        pen.box(left + place * _BOX_MM, top + 4.2 + line * _BOX_MM, size=3.6, holds=str(size))
