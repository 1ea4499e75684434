"""The board as a map: which piece goes where, turned how, how high, and where water runs.

Drawn as SVG in millimetres; the picture is made from that same drawing. The board lies as its
maker sees it, the front edge at the bottom.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.catalogue.tops import facets
from hexterra.drawing import map_features, map_margins
from hexterra.drawing.lettering import text_width
from hexterra.drawing.map_style import CLIFF, INK, WATER, Sheet, Tints
from hexterra.drawing.svg import Drawing, line_data, polygon_data, render_png
from hexterra.lattice import hexagon
from hexterra.lattice.hexagon import N_SIDES, Facing
from hexterra.stages.tiles.fit import level_to_metres

if TYPE_CHECKING:
    from hexterra.plan.overlay import Overlay
    from hexterra.plan.plan import Plan
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.stages.tiles.cuts import Cuts
    from hexterra.stages.tiles.fit import Tiles
    from hexterra.stages.water.flow import Watercourses

#: The board takes up to this much paper (ISO 216 A3, landscape, less margins and key) ...
SHEET_MM: Final = (396.0, 226.0)
#: ... but a hexagon is never drawn smaller than its text can be read, nor larger than it needs.
LEAST_HEXAGON_MM: Final = 9.0
MOST_HEXAGON_MM: Final = 26.0

MAX_PIXELS: Final = 5000
PIXELS_PER_MM: Final = 5.0

#: How watercourses begin and end, by the numbers of `hexterra.stages.water.flow.WaterKind`.
_ENDS: Final = {1: "spring", 4: "mouth", 5: "pool", 6: "entry"}


def map_svg(plan: Plan) -> str:
    """Draw the map of a plan; see `draw_map`."""
    return draw_map(plan.pieces, plan.overlay, title=plan.brief.title, level_m=_level_m(plan))


def map_frame(plan: Plan) -> map_margins.Frame:
    """Return where the board lies on the sheet that `map_svg` draws."""
    return _frame(plan.pieces, plan.overlay, plan.brief.title, _level_m(plan))


def _level_m(plan: Plan) -> NDArray[np.float64]:
    levels = np.arange(plan.fitted.corners.max(initial=0) + 1, dtype=np.float64)
    return level_to_metres(plan.levels, levels)


def map_png(svg: str) -> bytes:
    """Turn a map into a PNG picture of 5 pixels to the millimetre, at most 5000 on a side."""
    start = svg.index('viewBox="') + len('viewBox="')
    *_, width_mm, height_mm = (float(word) for word in svg[start : svg.index('"', start)].split())
    # What draws it takes a drawing to be whole millimetres wide and high.
    sides_mm = math.ceil(width_mm), math.ceil(height_mm)
    per_mm = min(PIXELS_PER_MM, MAX_PIXELS / max(sides_mm))
    wide, high = (round(side * per_mm) for side in sides_mm)
    return render_png(svg, wide, high)


def draw_map(
    pieces: Schedule, overlay: Overlay, *, title: str, level_m: NDArray[np.float64]
) -> str:
    """Draw the board as an SVG document.

    Parameters
    ----------
    pieces
        The schedule of a planar board.
    overlay
        What lies on its ground.
    title
        Printed above the board.
    level_m
        Ground height that each level from 0 to the highest stands for, in metres.

    Returns
    -------
    str
        The drawing, the same bytes for the same tiles. A board of up to about 24 x 16 cells fits
        ISO 216 A3 in landscape; more cells make a larger sheet.
    """
    tiles = pieces.tiles
    frame = _frame(pieces, overlay, title, level_m)
    board = frame.board
    sheet = Sheet(board, frame.scale, frame.board_left_mm, frame.board_top_mm)
    tints = Tints(int(tiles.corners.max(initial=0)))
    page = Drawing(frame.width_mm, frame.height_mm, title)
    page.rectangle(0, 0, frame.width_mm, frame.height_mm, fill="#ffffff")
    width, depth = sheet.size_mm
    x, y = sheet.left_mm, sheet.top_mm
    page.open(stroke_linejoin="round", stroke_linecap="round")
    _draw_tops(page, sheet, tiles, tints)
    _draw_turns(page, sheet, tiles)
    if overlay.cover is not None:
        map_features.draw_cover(page, sheet, overlay.cover)
    if tiles.legal.water is not None:
        _draw_water(page, sheet, tiles.legal.water, pieces.cuts)
    if overlay.roads is not None:
        map_features.draw_roads(page, sheet, overlay.roads, pieces.cuts)
    _draw_cliffs(page, sheet, tiles)
    page.close()
    if board.edges == "straight":
        outside = (0.0, 0.0), (frame.width_mm, frame.height_mm)
        inside = (x, y), (x + width, y + depth)
        page.path(
            _rectangle_data(*outside) + _rectangle_data(*inside),
            fill="#ffffff",
            fill_rule="evenodd",
        )
        page.rectangle(x, y, width, depth, fill="none", stroke=INK, stroke_width=0.4)
    _draw_words(page, sheet, tiles, np.asarray(overlay.road_sides.any(axis=1)))
    map_features.draw_names(page, sheet, overlay.named)
    map_margins.draw(page, frame, tints)
    return page.to_text()


def _frame(
    pieces: Schedule, overlay: Overlay, title: str, level_m: NDArray[np.float64]
) -> map_margins.Frame:
    """Choose the size of the hexagons and lay the sheet out around the board."""
    board = pieces.board
    width_mm, depth_mm = board.size_mm
    scale = min(SHEET_MM[0] / width_mm, SHEET_MM[1] / depth_mm)
    flats_mm = float(np.clip(scale * board.across_flats_mm, LEAST_HEXAGON_MM, MOST_HEXAGON_MM))
    scale = flats_mm / board.across_flats_mm
    return map_margins.lay_out(pieces, overlay, scale=scale, title=title, level_m=level_m)


def _rectangle_data(one: tuple[float, float], other: tuple[float, float]) -> str:
    return polygon_data([one, (other[0], one[1]), other, (one[0], other[1])])


def _draw_tops(page: Drawing, sheet: Sheet, tiles: Tiles, tints: Tints) -> None:
    """Draw each facet of each top in the tint of its mean height, and the outlines over them."""
    corner = sheet.corner()
    flat: dict[str, list[str]] = {}
    sloped: dict[str, list[str]] = {}
    creases: list[str] = []
    rises = tiles.corners - tiles.level[:, None]
    shapes, shape_of = np.unique(rises, axis=0, return_inverse=True)
    shape_of = shape_of.reshape(-1)
    for number, shape in enumerate(shapes.tolist()):
        cells = np.flatnonzero(shape_of == number)
        parts = facets(shape)
        for facet in parts:
            heights = [shape[c] for c in facet]
            drawn = flat if len(set(heights)) == 1 else sloped
            mean = sum(heights) / len(heights)
            outlines = corner[cells][:, facet]
            for level, outline in zip(tiles.level[cells].tolist(), outlines.tolist(), strict=True):
                drawn.setdefault(tints.at(level + mean), []).append(polygon_data(outline))
        for one, two in sorted({pair for facet in parts for pair in _chords(facet)}):
            creases += [line_data(ends) for ends in corner[cells][:, (one, two)].tolist()]
    for drawn in (flat, sloped):
        for tint in sorted(drawn):
            page.paths(drawn[tint], fill=tint, shape_rendering="crispEdges")  # no gaps between
    f = sheet.flats_mm
    page.paths(creases, stroke=INK, stroke_width=0.008 * f, stroke_opacity=0.4)
    _draw_slopes(page, sheet, shapes, shape_of)
    neighbours = sheet.board.neighbours
    cell, side = np.nonzero((neighbours < 0) | (neighbours > np.arange(len(corner))[:, None]))
    ends = np.stack((corner[cell, side], corner[cell, (side + 1) % N_SIDES]), axis=1)
    outlines = [line_data(line) for line in ends.tolist()]  # each side once
    page.paths(outlines, stroke=INK, stroke_width=max(0.12, 0.012 * f))


def _chords(facet: tuple[int, ...]) -> list[tuple[int, int]]:
    """Edges of a facet that run across the hexagon, the lower corner first."""
    edges = zip(facet, facet[1:] + facet[:1], strict=True)
    return [(min(e), max(e)) for e in edges if (e[1] - e[0]) % N_SIDES not in {1, 5}]


def _draw_slopes(
    page: Drawing,
    sheet: Sheet,
    shapes: NDArray[np.int32],
    shape_of: NDArray[np.intp],
) -> None:
    """Draw fine strokes down each ramp, from its high edge to its low one."""
    corner = sheet.corner()
    strokes: list[str] = []
    for number, shape in enumerate(shapes.tolist()):
        cells = np.flatnonzero(shape_of == number)
        for facet in facets(shape):
            heights = np.array([shape[c] for c in facet])
            if heights.min() == heights.max():
                continue
            high, low = (_edge(facet, heights == end) for end in (heights.max(), heights.min()))
            for share in (0.2, 0.4, 0.6, 0.8):
                top = _between(corner, cells, high, share)
                foot = _between(corner, cells, low[::-1], share)
                ends = np.stack((top + 0.12 * (foot - top), top + 0.62 * (foot - top)), axis=1)
                strokes += [line_data(line) for line in ends.tolist()]
    page.paths(
        strokes,
        stroke=INK,
        stroke_width=0.01 * sheet.flats_mm,
        stroke_opacity=0.5,
    )


def _edge(facet: tuple[int, ...], at_end: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last corner of the run of a facet's corners where `at_end`, around the facet."""
    n = len(facet)
    if at_end.sum() == 1:
        corner = facet[int(at_end.argmax())]
        return corner, corner
    first = next(i for i in range(n) if at_end[i] and not at_end[i - 1])
    last = next(i for i in range(n) if at_end[i] and not at_end[(i + 1) % n])
    return facet[first], facet[last]


def _between(
    corner: NDArray[np.float64], cells: NDArray[np.intp], ends: tuple[int, ...], share: float
) -> NDArray[np.float64]:
    return corner[cells, ends[0]] * (1.0 - share) + corner[cells, ends[1]] * share


def _draw_turns(page: Drawing, sheet: Sheet, tiles: Tiles) -> None:
    """Mark the corner where corner 0 of the pattern lies with a wedge; flat tops need none."""
    turned = np.flatnonzero(tiles.corners.max(axis=1) > tiles.corners.min(axis=1))
    centre, corner = sheet.centre()[turned], sheet.corner()[turned]
    tip = corner[np.arange(len(turned)), tiles.turn[turned]]
    out = (tip - centre) / np.linalg.norm(tip - centre, axis=1)[:, None] * sheet.flats_mm
    across = np.stack((-out[:, 1], out[:, 0]), axis=1)
    head, foot = tip - 0.035 * out, tip - 0.115 * out
    wedge = np.stack((head, foot + 0.05 * across, foot - 0.05 * across), axis=1)
    page.paths([polygon_data(points) for points in wedge.tolist()], fill=INK)


def _draw_water(page: Drawing, sheet: Sheet, water: Watercourses, cuts: Cuts) -> None:
    """Draw watercourses from port to port, arrows where they leave, and how they begin and end."""
    f = sheet.flats_mm
    corner, centre, middle = sheet.corner(), sheet.centre(), sheet.middle()
    port = (corner + np.roll(corner, -1, axis=1)) / 2.0  # middle of each side
    lines: dict[int, list[str]] = {}
    for cell, side in np.argwhere(cuts.width > 0).tolist():
        out = int(water.outflow[cell])
        if side == out and water.ports[cell].sum() > 1:
            continue  # every inflow is drawn through to it
        start, via = port[cell, side].tolist(), middle[cell].tolist()
        of_width = lines.setdefault(int(cuts.width[cell, side]), [])
        if out < 0 or side == out:
            of_width.append(line_data([start, via]))
            continue
        numbers = [*start, *via, *port[cell, out].tolist()]
        of_width.append("M{:.3f} {:.3f}Q{:.3f} {:.3f} {:.3f} {:.3f}".format(*numbers))
    page.open(fill="none")
    for edge, ink in ((0.03, "#ffffff"), (0.0, WATER)):
        for width in sorted(lines):
            share = 0.07 * (1.0 + 0.4 * (width - 1)) + edge
            page.paths(lines[width], stroke=ink, stroke_width=share * f)
    page.paths(
        [line for width in sorted(lines) for line in lines[width]],
        stroke="#ffffff",
        stroke_width=0.014 * f,
        stroke_dasharray=f"{0.06 * f:.3f} {0.05 * f:.3f}",
        stroke_linecap="butt",
    )
    page.close()
    leaving = np.flatnonzero(water.outflow >= 0)
    at = port[leaving, water.outflow[leaving]]
    out = (at - centre[leaving]) * 2.0  # the length of the distance across flats
    across = np.stack((-out[:, 1], out[:, 0]), axis=1)
    head = np.stack(
        (at + 0.09 * out, at - 0.07 * out + 0.085 * across, at - 0.07 * out - 0.085 * across),
        axis=1,
    )
    page.paths(
        [polygon_data(points) for points in head.tolist()],
        fill=WATER,
        stroke="#ffffff",
        stroke_width=0.015 * f,
    )
    for number, name in _ENDS.items():
        for cell in np.flatnonzero(water.kind == number).tolist():
            radius = 0.11 * f if sheet.board.kept[cell].any() else 0.15 * f
            x, y = middle[cell].tolist()
            map_margins.draw_water_end(page, x, y, radius, name)


def _draw_cliffs(page: Drawing, sheet: Sheet, tiles: Tiles) -> None:
    """Draw each step face as a thick line with ticks down to the lower cell."""
    board, f = sheet.board, sheet.flats_mm
    corner, centre = sheet.corner(), sheet.centre()
    cell, side = board.seams.T
    cell, side = (index[tiles.cliff[cell, side]] for index in (cell, side))
    other, back = board.neighbours[cell, side], board.back_sides[cell, side]
    rise = _side_height(tiles.corners, cell, side) - _side_height(tiles.corners, other, back)
    low = np.where(rise > 0, other, cell)
    start, end = corner[cell, side], corner[cell, (side + 1) % N_SIDES]
    page.paths(
        [line_data(ends) for ends in np.stack((start, end), axis=1).tolist()],
        stroke=CLIFF,
        stroke_width=0.05 * f,
        stroke_linecap="butt",
    )
    down = centre[low] - (start + end) / 2.0
    ticks: list[str] = []
    for share in (0.1, 0.3, 0.5, 0.7, 0.9):
        head = start + share * (end - start)
        ticks += [line_data(t) for t in np.stack((head, head + 0.2 * down), axis=1).tolist()]
    page.paths(ticks, stroke=CLIFF, stroke_width=0.022 * f, stroke_linecap="butt")


def _side_height(
    corners: NDArray[np.int32], cell: NDArray[np.int32], side: NDArray[np.integer]
) -> NDArray[np.int32]:
    return corners[cell, side] + corners[cell, (side + 1) % N_SIDES]


def _draw_words(page: Drawing, sheet: Sheet, tiles: Tiles, has_road: NDArray[np.bool_]) -> None:
    """Write the level of each tile and the names of its pattern and crossing, unless plain."""
    board, water = sheet.board, tiles.legal.water
    centre, kept = sheet.centre().tolist(), board.kept.tolist()
    names = [pattern.name for pattern in tiles.catalogue.patterns]
    crossings = [crossing.name for crossing in tiles.catalogue.crossings]
    level, kind = tiles.level.tolist(), [0] * board.n_cells if water is None else water.kind
    page.open(text_anchor="middle", fill=INK, stroke_linejoin="round", paint_order="stroke")
    for cell in range(board.n_cells):
        is_flat = tiles.corners[cell].min() == tiles.corners[cell].max()
        top = "" if is_flat else names[tiles.pattern[cell]]
        foot = crossings[tiles.crossing[cell]] if tiles.crossing[cell] >= 0 else ""
        x, y = centre[cell]
        end = _ENDS.get(int(kind[cell]), "")
        if end and any(kept[cell]):  # its symbol takes the room
            foot = ""
        for word, dx, dy, size, is_level in _words(
            board.facing, *kept[cell], top, str(level[cell]), foot
        ):
            f = sheet.flats_mm
            style: dict[str, str | float] = {}
            if kind[cell] or has_road[cell]:
                style = {"stroke": "#ffffff", "stroke_opacity": 0.7}
                style["stroke_width"] = 0.22 * size * f
            if is_level:
                style["font_weight"] = "bold"
            if is_level and end:
                style = {"fill": "#ffffff" if end == "pool" else INK, "font_weight": "bold"}
            page.text(x + dx * f, y + dy * f, size * f, word, **style)
    page.close()


@cache
def _words(
    facing: Facing, kept_x: int, kept_y: int, top: str, level: str, foot: str
) -> tuple[tuple[str, float, float, float, bool], ...]:
    """Place the words of a tile: word, x, baseline y (down), size, in distances across flats.

    The middle of what is left of the hexagon holds the level; every word is made as small as the
    width of the outline at its height asks.
    """
    outline = hexagon.part_outline(1.0, facing, kept_x, kept_y) * np.array((1.0, -1.0))
    middle = float(outline[:, 1].min() + outline[:, 1].max()) / 2.0
    half = float(np.ptp(outline[:, 1])) / 2.0
    placed: list[tuple[str, float, float, float, bool]] = []
    for word, offset, wanted, is_level in (
        (top, -0.52, 0.125, False),
        (level, 0.0, 0.2, True),
        (foot, 0.52, 0.125, False),
    ):
        if not word:
            continue
        size = min(wanted, 0.42 * half)
        y = middle + offset * half
        left, right = _chord(outline, (y - 0.5 * size, y + 0.5 * size))
        fitting = 0.86 * (right - left) / text_width(word, 1.1)  # bold letters are a tenth wider
        size = min(size, fitting)
        placed.append((word, (left + right) / 2.0, y + 0.36 * size, size, is_level))
    return tuple(placed)


def _chord(outline: NDArray[np.float64], heights: Iterable[float]) -> tuple[float, float]:
    """Left and right end of what a convex outline spans at all these heights."""
    left, right = -np.inf, np.inf
    for y in heights:
        crossed: list[float] = []
        for (x0, y0), (x1, y1) in zip(outline, np.roll(outline, -1, axis=0), strict=True):
            if (y0 <= y) != (y1 <= y):
                crossed.append(x0 + (x1 - x0) * (y - y0) / (y1 - y0))
        left, right = max(left, min(crossed)), min(right, max(crossed))
    return float(left), float(right)
