"""The cut list: every piece to make with a sketch, what it is cut from, and boxes to tick."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Final

from hexterra.workshop.book.book_tables import Column, Row, Table
from hexterra.workshop.sheets.facing_sheets import facing_solids
from hexterra.workshop.solids.bodies import base_bodies
from hexterra.workshop.solids.courses import piece_course
from hexterra.workshop.solids.solids import piece_solids
from hexterra.workshop.templates.piece_drawings import body_sketch, sketch

if TYPE_CHECKING:
    from hexterra.drawing.figures import Figure
    from hexterra.workshop.book.paper import Format, Page, Pen
    from hexterra.workshop.estimate.estimate import Effort
    from hexterra.workshop.solids.bodies import Body

_SKETCH_MM: Final = 20.0
#: Pieces that one box of the cut list stands for, at most.
_BATCH: Final = 10
_BOX_MM: Final = 4.4


def cut_list_pages(effort: Effort, paper: Format) -> list[Page]:
    """List what is to be made: pieces, facings and base, and at the end what is owned already."""
    right = paper.room_mm[0] + paper.room_mm[2]
    rows = [*_piece_rows(effort, right), *_facing_rows(effort, right), *_base_rows(effort, right)]
    rows += _owned_rows(effort)
    columns = (Column("", 26.0), Column("Piece", 62.0), Column("To cut", 16.0, "right"),
               Column("From", 30.0), Column("Cut", 46.0))  # fmt: skip
    lead = (
        "A box stands for as many pieces as the number in it says; tick it when they are cut."
        " Sides and corners of a piece are numbered counter-clockwise, seen from above."
        " Number 0, the first corner, is the one farthest to the right on the sketch of a whole"
        " tile; side 0 follows it. Lines of dots are watercourses, lines of dashes sunken roads."
    )
    return Table(columns, tuple(rows), lead).pages("Cut list", paper, entry="Cut list")


def _piece_rows(effort: Effort, right: float) -> Iterator[Row]:
    foam = effort.foam
    kind = ""
    solids = piece_solids(foam.pieces)
    for number, (piece, solid) in enumerate(zip(foam.pieces.pieces, solids, strict=True)):
        count = int(foam.to_cut[number])
        if not count:
            continue
        if piece.kind != kind:
            kind = piece.kind
            yield Row((f"{kind.capitalize()}s",), is_heading=True)
        words = (
            f"{piece.name}\n{effort.volume_mm3[number] / 1000.0:,.1f} cm³,"
            f" {effort.around_mm2[number] / 100.0:,.0f} cm² all round,"
            f" {effort.piece_weight_g[number]:,.1f} g"
        )
        if count < piece.count:
            words += f"\n{piece.count - count:,} of {piece.count:,} owned"
        figure = sketch(solid, piece_course(piece), width_mm=_SKETCH_MM)
        yield _row(figure, words, count, _blank_words(effort, piece.thickness_mm), right)


def _blank_words(effort: Effort, thickness_mm: float) -> str:
    """Say how thick the layers of a blank are, and which sheets they come from."""
    layers = effort.foam.layers_of[thickness_mm]
    made_of = " + ".join(f"{layer.thickness_mm:g}" for layer in layers)
    stocks = sorted({layer.stock_mm for layer in layers}, reverse=True)
    of = ", ".join(f"{stock:g}" for stock in stocks)
    return f"{made_of} mm, of {of} mm sheet" if made_of != of else f"{of} mm sheet"


def _facing_rows(effort: Effort, right: float) -> Iterator[Row]:
    solids = facing_solids(effort.facings, effort.foam.stock)
    if not solids:
        return
    sheet_mm = {
        one.name: nest.stock.thickness_mm for nest in effort.facing_nests for one in nest.rectangles
    }
    lean = effort.facings.batter_deg
    how = f"leaning back {lean:g} degrees" if lean else "upright"
    yield Row((f"Facings of upright faces, {how}; left and right as seen from the low side",),
              is_heading=True)  # fmt: skip
    for _, body in solids:
        yield _row(_body_sketch(body), _body_words(body), body.count,
                   f"{sheet_mm[body.name]:g} mm sheet", right)  # fmt: skip


def _base_rows(effort: Effort, right: float) -> Iterator[Row]:
    """List panels, bars and rails; equal ones together."""
    bodies = base_bodies(effort.base)
    panels = [body for body in bodies if body.name.startswith("panel")]
    yield Row(("Base",), is_heading=True)
    sizes = Counter(tuple(round(size, 3) for size in body.size_mm) for body in panels)
    for size, count in sizes.items():
        first = next(body for body in panels if tuple(round(s, 3) for s in body.size_mm) == size)
        names = ", ".join(body.name.removeprefix("panel ") for body in panels
                          if tuple(round(s, 3) for s in body.size_mm) == size)  # fmt: skip
        yield _row(_body_sketch(first), _body_words(first, f"panel {names}"), count,
                   f"{size[2]:g} mm panel sheet", right)  # fmt: skip
    for body in bodies[len(panels) :]:
        of = "bar" if body.name.startswith("bar") else "square strip"
        yield _row(_body_sketch(body), _body_words(body), body.count, of, right)


def _body_sketch(body: Body) -> Figure:
    return body_sketch(body, width_mm=_SKETCH_MM)


def _body_words(body: Body, name: str = "") -> str:
    length_mm, width_mm, height_mm = body.size_mm
    return (
        f"{name or body.name}\n{length_mm:,.1f} x {width_mm:,.1f} x {height_mm:.1f} mm,"
        f" {body.volume_mm3 / 1000.0:,.1f} cm³, {body.surface_mm2 / 100.0:,.0f} cm² all round"
    )


def _owned_rows(effort: Effort) -> Iterator[Row]:
    """List the pieces of which none is to be cut, as all are owned."""
    pieces, to_cut = effort.foam.pieces.pieces, effort.foam.to_cut.tolist()
    owned = [piece for piece, count in zip(pieces, to_cut, strict=True) if not count]
    if owned:
        yield Row(("Owned already: nothing to cut",), is_heading=True)
    for piece in owned:
        yield Row(("", piece.name, "", "", f"{piece.count:,} of {piece.count:,} owned"))


def _row(figure: Figure, words: str, count: int, blank: str, right: float) -> Row:
    height = max(figure.size_mm[1] + 2.2, _tally_mm(count, 44.0) + 2.0)
    return Row(("", words, f"{count:,}", blank, ""), _painter(figure, count, right), height)


def _painter(
    figure: Figure, count: int, right: float
) -> Callable[[Pen, Sequence[float], float], None]:
    """Return what draws the sketch and the boxes of a row."""

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
