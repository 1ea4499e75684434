"""What lies on the ground, on the map: roads as double lines, cover as small signs in each cell.

Kinds are told apart by line and sign, not by colour; the key names them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing.map_style import INK, Sheet
from hexterra.drawing.svg import Drawing, line_data, polygon_data
from hexterra.lattice.hexagon import CORNER0_DEG, N_SIDES
from hexterra.stages.tiles.cuts import ways_out

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from hexterra.plan.overlay import Overlay
    from hexterra.stages.mapping.cover import Cover
    from hexterra.stages.mapping.way import Way
    from hexterra.stages.mapping.ways import Ways
    from hexterra.stages.tiles.cuts import Cuts

#: Signs of cover, by the place of the kind; after the last they start over.
SIGNS: Final = ("tuft", "square", "furrows", "ring", "triangle", "cross", "dots")
#: Dashes of roads laid on top, by the place of the kind, in parts of a hexagon; none is solid.
_DASHES: Final = ((), (0.14, 0.05), (0.05, 0.05), (0.14, 0.04, 0.04, 0.04))
_ROAD: Final = 0.085  # width of a road, in distances across flats
_EDGE: Final = 0.016  # of each of its two lines


def key(overlay: Overlay, cuts: Cuts) -> Iterator[tuple[str, str]]:
    """Yield what of an overlay occurs, for the key: symbol and words."""
    roads = overlay.roads
    for number, kind in enumerate(roads.kinds if roads is not None else ()):
        if roads is not None and (roads.ports[number] & ~cuts.road).any():
            yield f"road {number}", kind
    if cuts.road.any():
        yield "sunken road", "sunken road"
    for how in ("ford", "bridge"):
        if roads is not None and any(at.how == how for at in roads.crossings):
            yield how, how
    cover = overlay.cover
    for number, kind in enumerate(cover.kinds if cover is not None else ()):
        if cover is not None and (cover.given == number).any():
            yield f"cover {number}", kind


def draw_cover(page: Drawing, sheet: Sheet, cover: Cover) -> None:
    """Draw the sign of each cell's kind to both sides of its level."""
    size_mm = 0.055 * sheet.flats_mm
    corner0_deg = CORNER0_DEG[sheet.board.facing]
    angle = np.deg2rad(corner0_deg + 60.0 * np.arange(N_SIDES))
    beside = angle[np.abs(np.cos(angle)) > 0.6]  # words stand above and below the middle
    at = 0.37 * sheet.flats_mm * np.column_stack((np.cos(beside), -np.sin(beside)))
    for number in range(len(cover.kinds)):
        for x, y in sheet.centre()[cover.given == number].tolist():
            for dx, dy in at.tolist():
                _draw_sign(page, SIGNS[number % len(SIGNS)], x + dx, y + dy, size_mm)


def draw_roads(page: Drawing, sheet: Sheet, roads: Ways, cuts: Cuts) -> None:
    """Draw roads from side to side, sunken ones with ticks, and where they ford or bridge water."""
    f = sheet.flats_mm
    corner, middle = sheet.corner(), sheet.middle()
    port = (corner + np.roll(corner, -1, axis=1)) / 2.0
    page.open(fill="none", stroke_linecap="butt")
    for number in range(len(roads.kinds)):
        laid = [*_lines(sheet, roads, number)]
        page.paths(laid, stroke=INK, stroke_width=_ROAD * f)
        dashes = _DASHES[number % len(_DASHES)]
        style: dict[str, str] = {}
        if dashes:
            style["stroke_dasharray"] = " ".join(f"{part * f:.3f}" for part in dashes)
        page.paths(laid, stroke="#ffffff", stroke_width=(_ROAD - 2 * _EDGE) * f, **style)
    ticks: list[str] = []
    for cell, side in np.argwhere(cuts.road).tolist():
        ticks += _ticks(port[cell, side], middle[cell], f)
    page.paths(ticks, stroke=INK, stroke_width=0.018 * f)
    page.close()
    for crossing in roads.crossings:
        sides = np.flatnonzero(roads.any_ports[crossing.cell])
        start, end = port[crossing.cell, sides[0]], middle[crossing.cell]
        _draw_passage(page, crossing.how, start + 0.62 * (end - start), end - start, f)


def draw_names(page: Drawing, sheet: Sheet, ways: Sequence[Way]) -> None:
    """Write the name of each river and road beside it, about half way along its longest stretch.

    Where it runs level on the page there is room above it, between the words of two cells;
    elsewhere the name begins to the right of it.
    """
    if not ways:
        return
    f, corner, centre = sheet.flats_mm, sheet.corner(), sheet.centre()
    page.open(fill=INK, font_style="italic", paint_order="stroke", stroke="#ffffff",
              stroke_width=0.03 * f, stroke_linejoin="round")  # fmt: skip
    for name in dict.fromkeys(way.name for way in ways):
        cells = max((way for way in ways if way.name == name), key=lambda way: len(way.cells)).cells
        if len(cells) < 2:
            x, y = corner[cells[0]].mean(axis=0).tolist()
            page.text(x, y - 0.12 * f, 0.14 * f, name, text_anchor="middle")
            continue
        start, end = centre[cells[:-1]], centre[cells[1:]]
        is_level = np.abs(end[:, 1] - start[:, 1]) < 0.01 * f
        far = np.abs(np.arange(len(start)) - len(start) // 2) + len(start) * ~is_level
        at = int(far.argmin())
        x, y = ((start[at] + end[at]) / 2.0).tolist()
        if is_level[at]:
            page.text(x, y - 0.1 * f, 0.14 * f, name, text_anchor="middle")
        else:
            page.text(x + 0.1 * f, y + 0.05 * f, 0.14 * f, name)
    page.close()


def _lines(sheet: Sheet, roads: Ways, number: int) -> Iterator[str]:
    """Yield the roads of one kind as paths: two ports by a curve, else each port to the middle."""
    corner, middle = sheet.corner(), sheet.middle()
    port = (corner + np.roll(corner, -1, axis=1)) / 2.0
    ports = roads.ports[number]
    for cell in np.flatnonzero(ports.any(axis=1)).tolist():
        sides = np.flatnonzero(ports[cell]).tolist()
        if len(sides) == 2:
            start, end = port[cell, sides[0]].tolist(), port[cell, sides[1]].tolist()
            numbers = [*start, *middle[cell].tolist(), *end]
            yield "M{:.3f} {:.3f}Q{:.3f} {:.3f} {:.3f} {:.3f}".format(*numbers)
            continue
        for side in sides:
            yield line_data([port[cell, side].tolist(), middle[cell].tolist()])
    for cell, out in _ways_off(sheet, roads, number):
        yield line_data([middle[cell].tolist(), out])


def _ways_off(sheet: Sheet, roads: Ways, number: int) -> Iterator[tuple[int, list[float]]]:
    """Yield the cells where a road of one kind runs off the board, and where to."""
    board, corner = sheet.board, sheet.corner()
    goes_off = np.zeros(board.n_cells, dtype=np.bool_)
    for way in roads.ways:
        if way.kind == roads.kinds[number]:
            goes_off[way.cells[0]] |= way.from_edge
            goes_off[way.cells[-1]] |= way.to_edge
    ports = roads.ports[number]
    by = ways_out(board, goes_off, ports, ~ports)
    for cell in np.flatnonzero(goes_off).tolist():
        if board.kept[cell].any():  # what a straight edge cuts is open at the cut
            yield cell, sheet.centre()[cell].tolist()
        elif by[cell] >= 0:
            ends = corner[cell, by[cell]] + corner[cell, (by[cell] + 1) % N_SIDES]
            yield cell, (ends / 2.0).tolist()


def _ticks(start: NDArray[np.float64], end: NDArray[np.float64], f: float) -> Iterator[str]:
    """Yield ticks to both sides of a sunken road."""
    along = (end - start) / np.linalg.norm(end - start)
    left = np.array([-along[1], along[0]])
    for share in (0.12, 0.37, 0.62, 0.87):
        at = start + share * (end - start)
        for way in (-1.0, 1.0):
            edge = at + way * left * (_ROAD / 2.0) * f
            yield line_data([edge.tolist(), (edge + way * left * 0.05 * f).tolist()])


def _draw_passage(
    page: Drawing, how: str, at: NDArray[np.float64], along: NDArray[np.float64], f: float
) -> None:
    """Draw a bridge as a bar to each side of the road, a ford as three dots across it."""
    along = along / np.linalg.norm(along)
    left = np.array([-along[1], along[0]])
    if how == "ford":
        for share in (-1.0, 0.0, 1.0):
            x, y = (at + share * 0.06 * f * along).tolist()
            page.circle(x, y, 0.02 * f, fill=INK)
        return
    for way in (-1.0, 1.0):
        bar = at + way * left * (_ROAD / 2.0 + 0.02) * f
        ends = [bar - 0.1 * f * along, bar + 0.1 * f * along]
        page.path(
            line_data([end.tolist() for end in ends]),
            stroke=INK,
            stroke_width=0.03 * f,
            stroke_linecap="butt",
        )


def draw_symbol(page: Drawing, symbol: str, x: float, y: float, unit: float) -> None:
    """Draw one symbol of the key into 8 x 4.5 units from (x, y)."""
    middle_x, middle_y = x + 4.0 * unit, y + 2.25 * unit
    word, _, number = symbol.rpartition(" ")
    if word == "cover":
        for way in (-1.0, 1.0):
            _draw_sign(
                page, SIGNS[int(number) % len(SIGNS)], middle_x + way * 1.9 * unit, middle_y,
                1.25 * unit,
            )  # fmt: skip
        return
    f = 18.0 * unit
    ends = [(x, middle_y), (x + 8.0 * unit, middle_y)]
    page.path(line_data(ends), stroke=INK, stroke_width=_ROAD * f)
    dashes = _DASHES[int(number) % len(_DASHES)] if word == "road" else ()
    style: dict[str, str] = {}
    if dashes:
        style["stroke_dasharray"] = " ".join(f"{part * f:.3f}" for part in dashes)
    page.path(line_data(ends), stroke="#ffffff", stroke_width=(_ROAD - 2 * _EDGE) * f, **style)
    if symbol == "sunken road":
        ticks = _ticks(np.array(ends[0]), np.array(ends[1]), f)
        page.path("".join(ticks), stroke=INK, stroke_width=0.018 * f)
    elif symbol in {"ford", "bridge"}:
        along = np.array((1.0, 0.0))
        _draw_passage(page, symbol, np.array((middle_x, middle_y)), along, f)


def _draw_sign(page: Drawing, sign: str, x: float, y: float, r: float) -> None:
    """Draw the sign of a kind of cover around a point, `r` to each side."""
    line: dict[str, str | float] = {"stroke": INK, "stroke_width": 0.22 * r, "fill": "none"}
    if sign == "tuft":
        for dx in (-0.6, 0.0, 0.6):
            page.path(line_data([(x + 0.4 * dx * r, y + r), (x + 1.3 * dx * r, y - r)]), **line)
    elif sign == "square":
        page.rectangle(x - 0.8 * r, y - 0.8 * r, 1.6 * r, 1.6 * r, fill=INK)
    elif sign == "furrows":
        for dy in (-0.8, 0.0, 0.8):
            page.path(line_data([(x - r, y + dy * r), (x + r, y + dy * r)]), **line)
    elif sign == "ring":
        page.circle(x, y, 0.85 * r, **line)
    elif sign == "triangle":
        page.path(polygon_data([(x - r, y + 0.9 * r), (x + r, y + 0.9 * r), (x, y - r)]), **line)
    elif sign == "cross":
        for way in (-1.0, 1.0):
            page.path(line_data([(x - r, y - way * r), (x + r, y + way * r)]), **line)
    else:
        for dx, dy in ((-0.7, 0.6), (0.7, 0.6), (0.0, -0.6)):
            page.circle(x + dx * r, y + dy * r, 0.3 * r, fill=INK)
