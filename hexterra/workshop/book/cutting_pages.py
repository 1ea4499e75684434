"""What is cut: the set-ups in order, and the cut list with sketches and boxes to tick."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING, Final

from hexterra.drawing.board_plan import GREY
from hexterra.drawing.flowables import Picture, section
from hexterra.drawing.scene import INK, Item, Lines, Scene, Style, Text, rectangle
from hexterra.workshop.book.book_tables import TICK, Column, Group, RowTable, TableRow
from hexterra.workshop.book.book_words import counted, duration
from hexterra.workshop.book.layout import lead
from hexterra.workshop.sheets.facing_sheets import facing_solids
from hexterra.workshop.solids.bodies import base_bodies
from hexterra.workshop.solids.courses import piece_course
from hexterra.workshop.solids.solids import piece_solids
from hexterra.workshop.templates.piece_drawings import body_sketch, sketch

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

    from hexterra.workshop.estimate.cutting import Work
    from hexterra.workshop.estimate.estimate import Estimate
    from hexterra.workshop.solids.bodies import Body

_SKETCH_MM: Final = 20.0
#: Pieces that one box of the cut list stands for, at most.
_BATCH: Final = 10
#: Width of a box with its gap, and how many stand side by side.
_BOX_MM: Final = 4.4
_BOXES: Final = 10


def set_up_pages(estimate: Estimate) -> list[Flowable]:
    """List every guide to mount, in order, and what is cut under it."""
    rows: list[TableRow] = []
    by_name: dict[str, list[Work]] = {}
    for work in estimate.work:
        by_name.setdefault(work.set_up, []).append(work)
    for number, set_up in enumerate(estimate.set_ups, start=1):
        heading = (
            f"{number}. {set_up.name}: {counted(set_up.n_items, 'item')},"
            f" {counted(set_up.n_cuts, 'cut')}, {set_up.wire_mm / 1000.0:,.1f} m of wire,"
            f" {duration(set_up.minutes)}"
        )
        rows.append(Group(heading))
        rows += [
            (
                TICK,
                work.item,
                f"{work.count:,}",
                f"{work.n_cuts:,}",
                f"{work.wire_mm / 1000.0:,.2f}",
            )
            for work in by_name[set_up.name]
        ]
    columns = (Column("", 0.45), Column("What is cut", 6.5), Column("How many", 1.5, "right"),
               Column("Cuts", 1.0, "right"), Column("Wire, m", 1.2, "right"))  # fmt: skip
    words = (
        "Mount each guide once and make all cuts that need it before the next: blocks off the"
        " sheets, slices from thick to thin, sloping tops, channels, grooves, facings. The guides"
        " are drawn at full size among the templates, under the same names of outlines, patterns,"
        " channels and facings."
    )
    return section("Set-ups in order", [lead(words), RowTable(columns, rows)])


def cut_list_pages(estimate: Estimate) -> list[Flowable]:
    """List what is to be made: pieces, facings and base, and at the end what is owned already."""
    rows = [*_piece_rows(estimate), *_facing_rows(estimate), *_base_rows(estimate)]
    rows += _owned_rows(estimate)
    columns = (Column("", 26.0), Column("Piece", 62.0), Column("To cut", 16.0, "right"),
               Column("From", 30.0), Column("Cut", 46.0))  # fmt: skip
    words = (
        "A box stands for as many pieces as the number in it says; tick it when they are cut."
        " Sides and corners of a piece are numbered counter-clockwise, seen from above."
        " Number 0, the first corner, is the one farthest to the right on the sketch of a whole"
        " tile; side 0 follows it. Lines of dots are watercourses, lines of dashes sunken roads."
    )
    return section("Cut list", [lead(words), RowTable(columns, rows)])


def _piece_rows(estimate: Estimate) -> Iterator[TableRow]:
    foam = estimate.foam
    kind = ""
    solids = piece_solids(foam.pieces)
    for number, (piece, solid) in enumerate(zip(foam.pieces.pieces, solids, strict=True)):
        count = int(foam.to_cut[number])
        if not count:
            continue
        if piece.kind != kind:
            kind = piece.kind
            yield Group(f"{kind.capitalize()}s")
        words = (
            f"{piece.name}\n{estimate.volume_mm3[number] / 1000.0:,.1f} cm³,"
            f" {estimate.around_mm2[number] / 100.0:,.0f} cm² all round,"
            f" {estimate.piece_weight_g[number]:,.1f} g"
        )
        if count < piece.count:
            words += f"\n{piece.count - count:,} of {piece.count:,} owned"
        figure = sketch(solid, piece_course(piece), width_mm=_SKETCH_MM)
        yield _row(figure, words, count, _blank_words(estimate, piece.thickness_mm))


def _blank_words(estimate: Estimate, thickness_mm: float) -> str:
    """Say how thick the layers of a blank are, and which sheets they come from."""
    layers = estimate.foam.layers_of[thickness_mm]
    made_of = " + ".join(f"{layer.thickness_mm:g}" for layer in layers)
    stocks = sorted({layer.stock_mm for layer in layers}, reverse=True)
    of = ", ".join(f"{stock:g}" for stock in stocks)
    return f"{made_of} mm, of {of} mm sheet" if made_of != of else f"{of} mm sheet"


def _facing_rows(estimate: Estimate) -> Iterator[TableRow]:
    solids = facing_solids(estimate.facings, estimate.foam.stock)
    if not solids:
        return
    sheet_mm = {
        one.name: nest.stock.thickness_mm
        for nest in estimate.facing_nests
        for one in nest.rectangles
    }
    lean = estimate.facings.batter_deg
    how = f"leaning back {lean:g} degrees" if lean else "upright"
    yield Group(f"Facings of upright faces, {how}; left and right as seen from the low side")
    for _, body in solids:
        yield _body_row(body, _body_words(body), body.count, f"{sheet_mm[body.name]:g} mm sheet")


def _base_rows(estimate: Estimate) -> Iterator[TableRow]:
    """List panels, bars and rails; equal ones together."""
    bodies = base_bodies(estimate.base)
    panels = [body for body in bodies if body.name.startswith("panel")]
    yield Group("Base")
    alike: dict[tuple[float, ...], list[Body]] = {}
    for panel in panels:
        alike.setdefault(tuple(round(size, 3) for size in panel.size_mm), []).append(panel)
    for size, equal in alike.items():
        names = ", ".join(panel.name.removeprefix("panel ") for panel in equal)
        words = _body_words(equal[0], f"panel {names}")
        yield _body_row(equal[0], words, len(equal), f"{size[2]:g} mm panel sheet")
    for body in bodies[len(panels) :]:
        of = "bar" if body.name.startswith("bar") else "square strip"
        yield _body_row(body, _body_words(body), body.count, of)


def _body_row(body: Body, words: str, count: int, sheet: str) -> TableRow:
    return _row(body_sketch(body, width_mm=_SKETCH_MM), words, count, sheet)


def _body_words(body: Body, name: str = "") -> str:
    length_mm, width_mm, height_mm = body.size_mm
    return (
        f"{name or body.name}\n{length_mm:,.1f} x {width_mm:,.1f} x {height_mm:.1f} mm,"
        f" {body.volume_mm3 / 1000.0:,.1f} cm³, {body.surface_mm2 / 100.0:,.0f} cm² all round"
    )


def _owned_rows(estimate: Estimate) -> Iterator[TableRow]:
    """List the pieces of which none is to be cut, as all are owned."""
    pieces, to_cut = estimate.foam.pieces.pieces, estimate.foam.to_cut.tolist()
    owned = [piece for piece, count in zip(pieces, to_cut, strict=True) if not count]
    if owned:
        yield Group("Owned already: nothing to cut")
    for piece in owned:
        yield "", piece.name, "", "", f"{piece.count:,} of {piece.count:,} owned"


def _row(figure: Scene, words: str, count: int, blank: str) -> TableRow:
    return Picture(figure, "LEFT"), words, f"{count:,}", blank, Picture(_tally(count), "LEFT")


@cache
def _tally(count: int) -> Scene:
    """Draw boxes for a count: one each, or one for every ten and the rest."""
    sizes = [1] * count
    if count > _BATCH:
        sizes = [_BATCH] * (count // _BATCH) + [count % _BATCH] * (count % _BATCH > 0)
    items: list[Item] = []
    for number, size in enumerate(sizes):
        down, place = divmod(number, _BOXES)
        x, y = place * _BOX_MM, -down * _BOX_MM
        items.append(Lines(rectangle(x, y, 3.6, 3.6), Style(INK, 0.25), "closed"))
        items.append(Text((x + 1.8, y + 1.0), 2.2, str(size), "middle", ink=GREY))
    return Scene(tuple(items))
