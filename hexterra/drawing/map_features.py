"""What lies on the ground, on the map: water, roads as double lines, cover as small signs.

Kinds differ in line and sign, not in colour; the key names them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing.map_style import INK, WATER, MapSheet, arrow_heads
from hexterra.drawing.scene import WHITE, Circles, Item, Lines, Style, Text, rectangle
from hexterra.lattice.hexagon import CORNER0_DEG, N_SIDES
from hexterra.stages.tiles.cuts import exit_sides
from hexterra.stages.water.standing import LAKE, SEA

if TYPE_CHECKING:
    from hexterra.lattice.board import Board
    from hexterra.plan.overlay import Overlay
    from hexterra.stages.mapping.cover import Cover
    from hexterra.stages.mapping.way import Way
    from hexterra.stages.mapping.ways import Ways
    from hexterra.stages.tiles.cuts import Cuts
    from hexterra.stages.water.flow import Watercourses
    from hexterra.stages.water.standing import StandingWater

#: Signs of cover, by the place of the kind; after the last they repeat.
SIGNS: Final = ("tuft", "square", "furrows", "ring", "triangle", "cross", "dots")
#: Those of standing water, wherever its kind stands.
_WATER_SIGNS: Final = {LAKE: "waves", SEA: "waves"}
WASH: Final = "#b4c6d8"  # over the tint of a level, for water; ink is legible on it
#: Dashes of roads laid on top, by the place of the kind, in parts of a hexagon; none is solid.
_DASHES: Final = ((), (0.14, 0.05), (0.05, 0.05), (0.14, 0.04, 0.04, 0.04))
_ROAD: Final = 0.085  # width of a road, in distances across flats
_EDGE: Final = 0.016  # of each of its two lines
#: In place of a side: a road leaves a part tile through the edge that cuts it.
THROUGH_CUT: Final = 6


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
            yield f"cover {_WATER_SIGNS.get(kind, number)}", kind


def _sign(cover: Cover, number: int) -> str:
    """Return the sign of a kind of cover."""
    return _WATER_SIGNS.get(cover.kinds[number], SIGNS[number % len(SIGNS)])


def draw_standing(sheet: MapSheet, standing: StandingWater) -> Iterator[Item]:
    """Wash the cells under lakes and the sea, and draw the shore around them."""
    corner, f = sheet.corner(), sheet.flats_mm
    yield Lines(corner[standing.is_under], Style(fill=WASH, is_seamless=True), "closed")
    neighbours = sheet.board.neighbours
    within = standing.joins & (neighbours > np.arange(len(neighbours))[:, None])
    is_shore = standing.is_under[:, None] & ~standing.joins & (neighbours >= 0)
    for is_drawn, style in (
        (within, Style(WATER, 0.006 * f)),
        (is_shore, Style(WATER, 0.03 * f, is_round=True)),
    ):
        cell, side = np.nonzero(is_drawn)
        ends = np.stack((corner[cell, side], corner[cell, (side + 1) % N_SIDES]), axis=1)
        yield from joined_lines(list(ends), style)


def cover_signs(sheet: MapSheet, cover: Cover) -> Iterator[Item]:
    """Draw the sign of each cell's kind to both sides of its level."""
    size_mm = 0.055 * sheet.flats_mm
    angle = np.deg2rad(CORNER0_DEG[sheet.board.facing] + 60.0 * np.arange(N_SIDES))
    beside = angle[np.abs(np.cos(angle)) > 0.6]  # words stand above and below the middle
    at = 0.37 * sheet.flats_mm * np.column_stack((np.cos(beside), np.sin(beside)))
    for number in range(len(cover.kinds)):
        spots = sheet.centre()[cover.given == number][:, None] + at
        yield from _signs(_sign(cover, number), spots.reshape(-1, 2), size_mm)


def draw_water(sheet: MapSheet, water: Watercourses, cuts: Cuts) -> Iterator[Item]:
    """Draw watercourses from port to port, and an arrow on every side they leave by."""
    f, port, centre, middle = sheet.flats_mm, sheet.port(), sheet.centre(), sheet.middle()
    lines: dict[int, list[NDArray[np.float64]]] = {}
    curves: dict[int, list[NDArray[np.float64]]] = {}
    for cell, side in np.argwhere(cuts.width > 0).tolist():
        out, width = int(water.outflow[cell]), int(cuts.width[cell, side])
        if side == out and water.ports[cell].sum() > 1:
            continue  # every inflow is drawn through to it
        start, via = port[cell, side], middle[cell]
        if out < 0 or side == out:
            lines.setdefault(width, []).append(np.array((start, via)))
        else:
            curves.setdefault(width, []).append(np.array((start, via, port[cell, out])))
    widths = sorted({*lines, *curves})
    shares = {width: 0.07 * (1.0 + 0.4 * (width - 1)) for width in widths}
    styles = [(width, Style(WHITE, (shares[width] + 0.03) * f, is_round=True)) for width in widths]
    styles += [(width, Style(WATER, shares[width] * f, is_round=True)) for width in widths]
    styles += [(width, Style(WHITE, 0.014 * f, (0.06 * f, 0.05 * f))) for width in widths]
    for width, style in styles:
        yield from joined_lines(lines.get(width, []), style)
        yield from joined_lines(curves.get(width, []), style, is_curved=True)
    leaving = np.flatnonzero(water.outflow >= 0)
    at = port[leaving, water.outflow[leaving]]
    if len(leaving):
        head = arrow_heads(at - centre[leaving], f, ahead=0.09, behind=0.07, half=0.085)
        yield Lines(at[:, None] + head, Style(WHITE, 0.015 * f, fill=WATER), "closed")


def draw_roads(sheet: MapSheet, roads: Ways, cuts: Cuts) -> Iterator[Item]:
    """Draw roads from side to side, sunken ones with ticks, and where they ford or bridge water."""
    f, port, middle = sheet.flats_mm, sheet.port(), sheet.middle()
    for number in range(len(roads.kinds)):
        lines, curves = _lines(sheet, roads, number)
        for style in _road_styles(f, _DASHES[number % len(_DASHES)]):
            yield from joined_lines(lines, style)
            yield from joined_lines(curves, style, is_curved=True)
    ticks = [
        tick
        for cell, side in np.argwhere(cuts.road).tolist()
        for tick in _ticks(port[cell, side], middle[cell], f)
    ]
    yield from joined_lines(ticks, Style(INK, 0.018 * f))
    for crossing in roads.crossings:
        sides = np.flatnonzero(roads.any_ports[crossing.cell])
        start, end = port[crossing.cell, sides[0]], middle[crossing.cell]
        yield from _passage(crossing.how, start + 0.62 * (end - start), end - start, f)


def joined_lines(
    lines: Sequence[NDArray[np.float64]], style: Style, *, is_curved: bool = False
) -> list[Lines]:
    """Return lines of one length as an item; no item for none."""
    return [Lines(np.array(lines), style, "curve" if is_curved else "open")] if lines else []


def way_names(sheet: MapSheet, ways: Sequence[Way]) -> Iterator[tuple[int, Text]]:
    """Yield the name of each river and road beside it, about half way along its longest stretch.

    Where it runs level on the page there is room above it, between the words of two cells;
    elsewhere the name begins to the right of it. Each name comes with a cell that it stands in.
    """
    f, corner, centre = sheet.flats_mm, sheet.corner(), sheet.centre()

    def text(x: float, y: float, name: str, *, is_level: bool) -> Text:
        anchor = "middle" if is_level else "start"
        return Text((x, y), 0.14 * f, name, anchor, ink=INK, is_italic=True, halo_mm=0.015 * f,
                    layer="names")  # fmt: skip

    for name in dict.fromkeys(way.name for way in ways):
        cells = max((way for way in ways if way.name == name), key=lambda way: len(way.cells)).cells
        if len(cells) < 2:
            x, y = corner[cells[0]].mean(axis=0).tolist()
            yield int(cells[0]), text(x, y + 0.12 * f, name, is_level=True)
            continue
        start, end = centre[cells[:-1]], centre[cells[1:]]
        is_level = np.abs(end[:, 1] - start[:, 1]) < 0.01 * f
        far = np.abs(np.arange(len(start)) - len(start) // 2) + len(start) * ~is_level
        at = int(far.argmin())
        x, y = ((start[at] + end[at]) / 2.0).tolist()
        dx, dy = (0.0, 0.1 * f) if is_level[at] else (0.1 * f, -0.05 * f)
        yield int(cells[at]), text(x + dx, y + dy, name, is_level=bool(is_level[at]))


def _road_styles(f: float, dashes: Sequence[float]) -> tuple[Style, Style]:
    """Return a road's dark line and the light one over it."""
    light = Style(WHITE, (_ROAD - 2 * _EDGE) * f, tuple(part * f for part in dashes))
    return Style(INK, _ROAD * f), light


def _lines(
    sheet: MapSheet, roads: Ways, number: int
) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    """Return the roads of one kind: ports to the middle, and two ports joined by a curve."""
    port, middle = sheet.port(), sheet.middle()
    ports = roads.ports[number]
    lines: list[NDArray[np.float64]] = []
    curves: list[NDArray[np.float64]] = []
    for cell in np.flatnonzero(ports.any(axis=1)).tolist():
        ends = port[cell, ports[cell]]
        if len(ends) == 2:
            curves.append(np.array((ends[0], middle[cell], ends[1])))
        else:
            lines += [np.array((end, middle[cell])) for end in ends]
    lines += [np.array((middle[cell], out)) for cell, out in _ways_off(sheet, roads, number)]
    return lines, curves


def _ways_off(
    sheet: MapSheet, roads: Ways, number: int
) -> Iterator[tuple[int, NDArray[np.float64]]]:
    """Yield the cells where a road of one kind runs off the board, and where to."""
    exits, port, centre = road_exits(sheet.board, roads, number), sheet.port(), sheet.centre()
    for cell in np.flatnonzero(exits >= 0).tolist():
        yield cell, centre[cell] if exits[cell] == THROUGH_CUT else port[cell, exits[cell]]


def road_exits(board: Board, roads: Ways, number: int) -> NDArray[np.int8]:
    """Return the side by which a road of one kind runs off the board, (n,) int8; -1 for none.

    What a straight edge cuts is open at the cut: there it is `THROUGH_CUT`.
    """
    goes_off = np.zeros(board.n_cells, dtype=np.bool_)
    for way in roads.ways:
        if way.kind == roads.kinds[number]:
            goes_off[way.cells[0]] |= way.from_edge
            goes_off[way.cells[-1]] |= way.to_edge
    ports = roads.ports[number]
    by = exit_sides(board, goes_off, ports, ~ports)
    is_cut = np.asarray(board.kept.any(axis=1))
    return np.where(goes_off & is_cut, THROUGH_CUT, np.where(goes_off, by, -1)).astype(np.int8)


def _ticks(
    start: NDArray[np.float64], end: NDArray[np.float64], f: float
) -> Iterator[NDArray[np.float64]]:
    """Yield ticks to both sides of a sunken road."""
    along = (end - start) / np.linalg.norm(end - start)
    left = np.array([-along[1], along[0]])
    for share in (0.12, 0.37, 0.62, 0.87):
        at = start + share * (end - start)
        for way in (-1.0, 1.0):
            edge = at + way * left * (_ROAD / 2.0) * f
            yield np.array((edge, edge + way * left * 0.05 * f))


def _passage(
    how: str, at: NDArray[np.float64], along: NDArray[np.float64], f: float
) -> Iterator[Item]:
    """Draw a bridge as a bar to each side of the road, a ford as three dots across it."""
    along = along / np.linalg.norm(along)
    left = np.array([-along[1], along[0]])
    if how == "ford":
        dots = np.array([at + share * 0.06 * f * along for share in (-1.0, 0.0, 1.0)])
        yield Circles(dots, 0.02 * f, Style(fill=INK))
        return
    bars = [at + way * left * (_ROAD / 2.0 + 0.02) * f for way in (-1.0, 1.0)]
    ends = [np.array((bar - 0.1 * f * along, bar + 0.1 * f * along)) for bar in bars]
    yield from joined_lines(ends, Style(INK, 0.03 * f))


def symbol(name: str, x: float, y: float, unit: float) -> Iterator[Item]:
    """Draw one symbol of the key into 8 x 4.5 units from its lower left corner (x, y)."""
    middle = np.array((x + 4.0 * unit, y + 2.25 * unit))
    word, _, number = name.rpartition(" ")
    if word == "cover":
        spots = middle + np.array([[-1.9 * unit, 0.0], [1.9 * unit, 0.0]])
        sign = SIGNS[int(number) % len(SIGNS)] if number.isdigit() else number
        if sign in _WATER_SIGNS.values():
            yield Lines(rectangle(x, y, 8.0 * unit, 4.5 * unit), Style(fill=WASH), "closed")
        yield from _signs(sign, spots, 1.25 * unit)
        return
    f = 18.0 * unit
    ends = middle + np.array([[-4.0 * unit, 0.0], [4.0 * unit, 0.0]])
    dashes = _DASHES[int(number) % len(_DASHES)] if word == "road" else ()
    for style in _road_styles(f, dashes):
        yield Lines(ends, style)
    if name == "sunken road":
        yield from joined_lines([*_ticks(ends[0], ends[1], f)], Style(INK, 0.018 * f))
    elif name in {"ford", "bridge"}:
        yield from _passage(name, middle, np.array((1.0, 0.0)), f)


def _signs(sign: str, spots: NDArray[np.float64], r: float) -> Iterator[Item]:
    """Draw the sign of a kind of cover around points, (n, 2), `r` to each side."""
    line = Style(INK, 0.22 * r)
    if sign == "ring":
        yield Circles(spots, 0.85 * r, line)
        return
    if sign == "dots":
        dots = np.array([(-0.7, -0.6), (0.7, -0.6), (0.0, 0.6)])
        yield Circles((spots[:, None] + dots * r).reshape(-1, 2), 0.3 * r, Style(fill=INK))
        return
    shapes = {
        "tuft": [[(0.4 * dx, -1.0), (1.3 * dx, 1.0)] for dx in (-0.6, 0.0, 0.6)],
        "square": [rectangle(-0.8, -0.8, 1.6, 1.6)],
        "furrows": [[(-1.0, dy), (1.0, dy)] for dy in (-0.8, 0.0, 0.8)],
        "triangle": [[(-1.0, -0.9), (1.0, -0.9), (0.0, 1.0)]],
        "waves": [
            [(-1.2, dy), (-0.6, dy + 0.3), (0.0, dy), (0.6, dy - 0.3), (1.2, dy)]
            for dy in (-0.5, 0.5)
        ],
        "cross": [[(-1.0, way), (1.0, -way)] for way in (-1.0, 1.0)],
    }
    shape = np.array(shapes[sign])
    points = (spots[:, None, None] + shape * r).reshape(-1, shape.shape[1], 2)
    if sign == "waves":
        line = Style(WATER, 0.22 * r, is_round=True)
    style = Style(fill=INK) if sign == "square" else line
    yield Lines(points, style, "closed" if sign in {"square", "triangle"} else "open")
