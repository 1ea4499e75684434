"""What the bench needs to know first: what the board is, what it takes, cautions and set-ups."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from hexterra.plan.summary import words_for_map_features
from hexterra.units import bench_mm_to_ground_m
from hexterra.workshop.book.book_tables import Column, Row, Table, tick
from hexterra.workshop.book.book_words import counted, duration
from hexterra.workshop.book.paper import BOLD, Page, Pen
from hexterra.workshop.solids.guides import CAUTIONS

if TYPE_CHECKING:
    from hexterra.plan.plan import Plan
    from hexterra.workshop.book.paper import Format
    from hexterra.workshop.estimate.cutting import Work
    from hexterra.workshop.estimate.estimate import Effort
    from hexterra.workshop.sheets.foam import Foam

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
_FACTS: Final = (Column("", 1.0), Column("", 6.0))


def board_pages(plan: Plan, effort: Effort, paper: Format) -> list[Page]:
    """Say what the board is, what it takes, what was assumed, and what deserves a look."""
    board, levels, tiles = plan.board, plan.levels, plan.fitted
    width_mm, depth_mm = board.size_mm
    step_mm = plan.pieces.step_mm
    ground_km = [bench_mm_to_ground_m(size, board.scale) / 1000.0 for size in board.size_mm]
    pieces = plan.pieces.pieces
    kinds = [
        f"{counted(sum(p.count for p in held), kind)} of {counted(len(held), 'kind')}"
        for kind in ("tile", "spacer", "footing")
        if (held := [piece for piece in pieces if piece.kind == kind])
    ]
    foam = effort.foam
    rows = [
        ("Table", f"{width_mm:,.0f} x {depth_mm:,.0f} mm: {board.columns:,} columns and"
         f" {board.rows:,} rows of hexagons, {board.across_flats_mm:g} mm across flats,"
         f" {board.facing} to the front, {board.edges} edges"),
        ("Ground", f"{ground_km[0]:,.4g} x {ground_km[1]:,.4g} km at 1:{board.scale:,.0f}; middle"
         f" at {board.lat_deg:z.5f}, {board.lon_deg:z.5f}; the back edge looks to"
         f" {board.bearing_deg % 360.0:g}° from north"),
        ("Heights", f"steps of {step_mm:g} mm for {levels.metres_per_step:,g} m of ground,"
         f" {plan.exaggeration:.3g} times true to scale; tops reach"
         f" {tiles.corners.max() * step_mm:,g} mm above level 0"),
        ("Pieces", ", ".join(kinds)),
        *_owned_words(plan, foam),
        ("Foam", _sheets_words(effort)),
        ("Base", _base_words(effort)),
        ("Time", f"{duration(60.0 * effort.hours)} in all"),
        ("Weight", f"{effort.weight_kg:,.1f} kg before paint, of which the pieces"
         f" {effort.weights_kg['pieces']:,.1f} kg"),
        ("Water", _water_words(plan)),
        *([("On top", words)] if (words := words_for_map_features(plan.overlay)) else []),
    ]  # fmt: skip
    table_rows = [Row(row) for row in rows]
    for heading, entries in (
        ("Assumed, as the brief does not say", plan.assumed),
        ("To note", (*plan.notes, *foam.notes, *effort.base.notes)),
    ):
        if entries:
            table_rows.append(Row((heading, ""), is_heading=True))
            table_rows += [Row((f"{n}", words)) for n, words in enumerate(entries, start=1)]
    table = Table(_FACTS, tuple(table_rows))
    return table.pages("The board", paper, entry="The board")


def _sheets_words(effort: Effort) -> str:
    nests = [(nest.n_sheets, nest.stock, "") for nest in effort.foam.nests]
    nests += [(nest.n_sheets, nest.stock, " for facings") for nest in effort.facing_nests]
    words = (f"{counted(n, 'sheet')} of {stock.thickness_mm:g} mm{use}" for n, stock, use in nests)
    return ", ".join(words) or "none"


def _base_words(effort: Effort) -> str:
    base, wood = effort.base, effort.wood
    words = [counted(len(base.panels), "panel")]
    if wood.rail_lengths_mm:
        words.append(f"{counted(len(wood.rail_lengths_mm), 'rail')} under keyed footings")
    if base.bars:
        words.append(f"a frame {base.settings.frame_width_mm:g} mm wide")
    return ", ".join(words)


def _owned_words(plan: Plan, foam: Foam) -> list[tuple[str, str]]:
    """Say what is owned already, if a stock list was given."""
    if plan.stock is None:
        return []
    n_pieces = sum(piece.count for piece in plan.pieces.pieces)
    unused = int(plan.stock["unused"].sum())
    words = (
        f"{foam.n_owned:,} of {n_pieces:,} owned, {int(foam.to_cut.sum()):,} to cut. Foam, cut"
        " list, set-ups, times, cost and finishing in this book are for what is still to cut;"
        " weight, labels, map, lists and boxes are for the whole board."
    )
    if unused:
        words += f" {counted(unused, 'owned piece')} beyond that stay unused."
    return [("Owned", words)]


def _water_words(plan: Plan) -> str:
    if plan.water is None:
        return "none shown"
    return counted(int(plan.water.is_watercourse.sum()), "tile") + " with a watercourse"


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
            f" {counted(set_up.n_cuts, 'cut')}, {set_up.wire_mm / 1000.0:,.1f} m of wire,"
            f" {duration(set_up.minutes)}"
        )
        rows.append(Row((heading,), is_heading=True))
        rows += [
            Row(
                (
                    "",
                    work.item,
                    f"{work.count:,}",
                    f"{work.n_cuts:,}",
                    f"{work.wire_mm / 1000.0:,.2f}",
                ),
                tick,
            )
            for work in by_name[set_up.name]
        ]
    columns = (Column("", 0.45), Column("What is cut", 7.0), Column("How many", 1.1, "right"),
               Column("Cuts", 1.0, "right"), Column("Wire, m", 1.0, "right"))  # fmt: skip
    lead = (
        "Mount each guide once and make all cuts that need it before the next: blocks off the"
        " sheets, slices from thick to thin, sloping tops, channels, grooves, facings. The guides"
        " are drawn at full size among the templates, under the same names of outlines, patterns,"
        " channels and facings."
    )
    return Table(columns, tuple(rows), lead).pages(
        "Set-ups in order", paper, entry="Set-ups in order"
    )
