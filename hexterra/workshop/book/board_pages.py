"""What the bench needs to know first: the cover, what the board is and takes, and cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from reportlab.platypus import Flowable, HRFlowable, Spacer

from hexterra.drawing.flowables import Heading, paragraph, section
from hexterra.drawing.pdf import POINTS_PER_MM, colour
from hexterra.drawing.scene import INK
from hexterra.plan.summary import words_for_map_features
from hexterra.units import bench_mm_to_ground_m
from hexterra.workshop.book.book_tables import Column, Group, RowTable, TableRow
from hexterra.workshop.book.book_words import counted, duration
from hexterra.workshop.book.layout import CAUTIONS_TITLE, whole_page
from hexterra.workshop.solids.guides import CAUTIONS
from hexterra.workshop.templates.relief import board_view

if TYPE_CHECKING:
    from hexterra.plan.plan import Plan
    from hexterra.workshop.estimate.estimate import Estimate
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
     " differ from this book, follow them."),
    ("What this is for", "Heights and watercourses here are for a model: not for navigation,"
     " construction or flood decisions."),
)  # fmt: skip
#: Room for the words below the view of the board.
_BELOW_MM: Final = 36.0


def front_page(plan: Plan) -> list[Flowable]:
    """Write the title above a view of the board."""
    board = plan.board
    width_mm, depth_mm = board.size_mm
    view = board_view(plan.pieces)
    water = " Dark lines are watercourses." if plan.water is not None else ""
    words = (
        f"A table of {width_mm:,.0f} x {depth_mm:,.0f} mm in {board.n_cells:,} hexagons,"
        f" 1:{board.scale:,.0f}\nSeen from the front, heights not exaggerated.{water}"
    )
    return [
        Heading("Cover", heading="", is_listed=False),
        Spacer(1, 12.0 * POINTS_PER_MM),
        paragraph(plan.brief.title, size_mm=12.0, is_bold=True, align="middle", after_mm=3.0),
        paragraph("Build book", size_mm=6.0, align="middle", after_mm=30.0),
        whole_page(lambda room_mm: view.fitted(room_mm[0], room_mm[1] - _BELOW_MM)),
        Spacer(1, 8.0 * POINTS_PER_MM),
        paragraph(words, size_mm=3.8, align="middle", leading=1.6),
    ]


def board_pages(plan: Plan, estimate: Estimate) -> list[Flowable]:
    """Say what the board is, what it takes, what was assumed, and what to note."""
    board, levels, tiles = plan.board, plan.levels, plan.fitted
    width_mm, depth_mm = board.size_mm
    step_mm = plan.pieces.step_mm
    ground_km = [bench_mm_to_ground_m(size, board.scale) / 1000.0 for size in board.size_mm]
    pieces = plan.pieces.pieces
    kinds = [
        f"{counted(sum(p.count for p in own), kind)} of {counted(len(own), 'kind')}"
        for kind in ("tile", "spacer", "footing")
        if (own := [piece for piece in pieces if piece.kind == kind])
    ]
    foam = estimate.foam
    rows = [
        ("Table", f"{width_mm:,.0f} x {depth_mm:,.0f} mm: {board.columns:,} columns and"
         f" {board.rows:,} rows of hexagons, {board.across_flats_mm:g} mm across flats,"
         f" {board.facing} to the front, {board.edges} edges"),
        ("Ground", f"{ground_km[0]:,.4g} x {ground_km[1]:,.4g} km at 1:{board.scale:,.0f}; middle"
         f" at {board.lat_deg:z.5f}, {board.lon_deg:z.5f}; the back edge faces"
         f" {board.bearing_deg % 360.0:g}° from north"),
        ("Heights", f"steps of {step_mm:g} mm for {levels.metres_per_step:,g} m of ground,"
         f" {plan.exaggeration:.3g} times true to scale; tops reach"
         f" {tiles.corners.max() * step_mm:,g} mm above level 0"),
        ("Pieces", ", ".join(kinds)),
        *_owned_words(plan, foam),
        ("Foam", _sheets_words(estimate)),
        ("Base", _base_words(estimate)),
        ("Time", f"{duration(60.0 * estimate.hours)} in all" + _footing_words(estimate)),
        ("Weight", f"{estimate.weight_kg:,.1f} kg before paint, of which the pieces"
         f" {estimate.weights_kg['pieces']:,.1f} kg"),
        ("Water", _water_words(plan)),
        *([("On top", words)] if (words := words_for_map_features(plan.overlay)) else []),
    ]  # fmt: skip
    table: list[TableRow] = [*rows]
    for heading, entries in (
        ("Assumed, as the brief does not say", plan.assumed),
        ("To note", (*plan.notes, *foam.notes, *estimate.base.notes)),
        ("Advice", plan.advice),
    ):
        if entries:
            table.append(Group(heading))
            table += [(f"{n}", words) for n, words in enumerate(entries, start=1)]
    columns = (Column("", 1.0), Column("", 6.0))
    return section("The board", [RowTable(columns, table)])


def truth_pages(plan: Plan) -> list[Flowable]:
    """Say how true the board is to its ground: one sentence, then every figure."""
    sentence = plan.fidelity.sentence()
    content: list[Flowable] = [
        paragraph(f"{sentence[0].upper()}{sentence[1:]}.", size_mm=3.8, after_mm=4.0, leading=1.5)
    ]
    figures: dict[str, list[str]] = {}  # of each subject: words and figure in turn
    for label, value, unit in plan.fidelity.rows():
        subject, _, words = label.partition(": ")
        figure = f"{value:,}" if isinstance(value, int) else f"{value:z,.2f}"
        figures.setdefault(subject, []).extend((words or subject, f"{figure} {unit}".strip()))
    table: list[TableRow] = []
    for subject, cells in figures.items():
        table.append(Group(subject))
        padded = [*cells, "", ""]
        table += [tuple(padded[at : at + 4]) for at in range(0, len(cells), 4)]
    columns = (Column("", 2.6), Column("", 1.2, "right"), Column("", 2.6), Column("", 1.2, "right"))
    return section("How true the board is", [*content, RowTable(columns, table)])


def _footing_words(estimate: Estimate) -> str:
    hours = estimate.footing_hours
    return f", of which footings {duration(60.0 * hours)}" if hours else ""


def _sheets_words(estimate: Estimate) -> str:
    nests = [(nest.n_sheets, nest.stock, "") for nest in estimate.foam.nests]
    nests += [(nest.n_sheets, nest.stock, " for facings") for nest in estimate.facing_nests]
    words = (f"{counted(n, 'sheet')} of {stock.thickness_mm:g} mm{use}" for n, stock, use in nests)
    return ", ".join(words) or "none"


def _base_words(estimate: Estimate) -> str:
    base, wood = estimate.base, estimate.wood
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


def caution_pages() -> list[Flowable]:
    """Print the cautions on a page of their own."""
    content: list[Flowable] = []
    for name, words in _CAUTIONS:
        content.append(paragraph(name, size_mm=4.2, is_bold=True, after_mm=1.0))
        content.append(paragraph(words, size_mm=3.8, after_mm=4.0))
    content.append(HRFlowable("100%", 1.0, color=colour(INK), spaceAfter=4.0 * POINTS_PER_MM))
    content.append(paragraph("\n".join(CAUTIONS), size_mm=3.0, leading=1.5))
    return section(CAUTIONS_TITLE, content)
