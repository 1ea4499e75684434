"""The board as a map: which piece goes where, turned how, how high, and where water runs.

The board lies as its maker sees it, the front edge at the bottom.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.catalogue.tops import facets
from hexterra.drawing import map_features, map_margins
from hexterra.drawing.map_style import CLIFF, INK, MapSheet, Tints, arrow_heads
from hexterra.drawing.map_words import cell_words
from hexterra.drawing.scene import (
    WHITE,
    Clipped,
    Item,
    Lines,
    Scene,
    SharedScene,
    Style,
    Text,
    rectangle,
)
from hexterra.drawing.svg import scene_png, scene_svg
from hexterra.lattice.hexagon import N_SIDES
from hexterra.stages.tiles.fit import level_to_metres
from hexterra.stages.water.flow import WaterKind

if TYPE_CHECKING:
    from hexterra.plan.plan import Plan
    from hexterra.stages.tiles.fit import Tiles
    from hexterra.stages.water.flow import Watercourses

#: The board takes up to this much paper (ISO 216 A3, landscape, less margins and key) ...
SHEET_MM: Final = (396.0, 226.0)
#: ... but a hexagon is never drawn smaller than its text can be read, nor larger than it needs.
LEAST_HEXAGON_MM: Final = 9.0
MOST_HEXAGON_MM: Final = 26.0

MAX_PIXELS: Final = 5000
PIXELS_PER_MM: Final = 5.0


@dataclass(frozen=True)
class BoardMap:
    """The map of a plan.

    Parameters
    ----------
    sheet
        Where the board lies on the page.
    ground
        The board without words; its page is that of the map.
    words
        What is written on the board: the cell that each stands in, and the text.
    around
        Title, names of columns and rows, arrow, bars and key.
    title
        Of the plan.
    """

    sheet: MapSheet
    ground: Scene
    words: tuple[tuple[int, Text], ...]
    around: tuple[Item, ...]
    title: str

    @property
    def scene(self) -> Scene:
        """The whole page."""
        items = (SharedScene(self.ground), *(text for _, text in self.words), *self.around)
        return Scene(items, title=self.title, page_mm=self.ground.page_mm)


def map_svg(plan: Plan) -> str:
    """Draw the map of a plan as an SVG document."""
    return scene_svg(board_map(plan).scene)


def map_png(scene: Scene) -> bytes:
    """Turn a map into a PNG picture of 5 pixels to the millimetre, at most 5000 on a side."""
    return scene_png(scene, pixels_per_mm=PIXELS_PER_MM, max_pixels=MAX_PIXELS)


def board_map(plan: Plan) -> BoardMap:
    """Draw the map of a plan.

    The same plan gives the same map. A board of up to about 24 x 16 cells fits ISO 216 A3 in
    landscape; more cells make a larger page.
    """
    pieces, overlay, title = plan.pieces, plan.overlay, plan.brief.title
    tiles, board = pieces.tiles, pieces.board
    top = int(tiles.corners.max(initial=0))
    level_m = level_to_metres(plan.levels, np.arange(top + 1, dtype=np.float64))
    scale = min(SHEET_MM[0] / board.size_mm[0], SHEET_MM[1] / board.size_mm[1])
    flats_mm = float(np.clip(scale * board.across_flats_mm, LEAST_HEXAGON_MM, MOST_HEXAGON_MM))
    frame = map_margins.lay_out(
        pieces, overlay, scale=flats_mm / board.across_flats_mm, title=title, level_m=level_m
    )
    sheet, tints = frame.sheet, Tints(top)
    items: list[Item] = [*_tops(sheet, tiles, tints), *_turns(sheet, tiles)]
    if tiles.legal.water is not None and tiles.legal.water.standing is not None:
        items += map_features.draw_standing(sheet, tiles.legal.water.standing)
    if overlay.cover is not None:
        items += map_features.cover_signs(sheet, overlay.cover)
    if tiles.legal.water is not None:
        items += map_features.draw_water(sheet, tiles.legal.water, pieces.cuts)
        items += _water_ends(sheet, tiles.legal.water)
    if overlay.roads is not None:
        items += map_features.draw_roads(sheet, overlay.roads, pieces.cuts)
    items += _cliffs(sheet, tiles)
    if board.edges == "straight":
        left, low, right, high = sheet.box
        rim = Lines(rectangle(left, low, right - left, high - low), Style(INK, 0.4), "closed")
        items = [Clipped(sheet.box, tuple(items)), rim]
    page_mm = frame.width_mm, frame.height_mm
    paper = Lines(rectangle(0.0, 0.0, *page_mm), Style(fill=WHITE), "closed")
    has_road = np.asarray(overlay.road_sides.any(axis=1))
    return BoardMap(
        sheet=sheet,
        ground=Scene((paper, *items), "map", page_mm=page_mm),
        words=(
            *cell_words(sheet, tiles, has_road),
            *map_features.way_names(sheet, overlay.named),
        ),
        around=tuple(map_margins.margins(frame, tints)),
        title=title,
    )


def _tops(sheet: MapSheet, tiles: Tiles, tints: Tints) -> Iterator[Item]:
    """Draw each facet of each top in the tint of its mean height, and the outlines over them."""
    corner, f = sheet.corner(), sheet.flats_mm
    flat: dict[str, list[Lines]] = {}
    sloped: dict[str, list[Lines]] = {}
    over: list[Lines] = []
    rises = tiles.corners - tiles.level[:, None]
    shapes, shape_of = np.unique(rises, axis=0, return_inverse=True)
    shape_of = shape_of.reshape(-1)
    for number, shape in enumerate(shapes.tolist()):
        parts = facets(shape)
        chords = sorted({pair for facet in parts for pair in _chords(facet)})
        for level in np.unique(tiles.level[shape_of == number]).tolist():
            whole = corner[(shape_of == number) & (tiles.level == level)]
            for facet in parts:
                heights = np.array([shape[c] for c in facet])
                height = level + float(heights.mean())
                drawn = flat if np.ptp(heights) == 0 else sloped
                style = Style(fill=tints.at(height), is_seamless=True)
                drawn.setdefault(style.fill, []).append(Lines(whole[:, facet], style, "closed"))
                if drawn is sloped:
                    style = Style(tints.inked(height, 0.5), 0.01 * f, is_round=True)
                    over.append(Lines(_slopes(whole, facet, heights), style))
            style = Style(tints.inked(level + float(np.mean(shape)), 0.4), 0.008 * f)
            over += [Lines(whole[:, pair], style) for pair in chords]
    for drawn in (flat, sloped):
        for tint in sorted(drawn):
            yield from drawn[tint]
    yield from sorted(over, key=lambda lines: lines.style.width_mm)
    neighbours = sheet.board.neighbours
    cell, side = np.nonzero((neighbours < 0) | (neighbours > np.arange(len(corner))[:, None]))
    ends = np.stack((corner[cell, side], corner[cell, (side + 1) % N_SIDES]), axis=1)
    yield Lines(ends, Style(INK, max(0.12, 0.012 * f), is_round=True))  # each side once


def _chords(facet: tuple[int, ...]) -> list[tuple[int, int]]:
    """Edges of a facet that run across the hexagon, the lower corner first."""
    edges = zip(facet, facet[1:] + facet[:1], strict=True)
    return [(min(e), max(e)) for e in edges if (e[1] - e[0]) % N_SIDES not in {1, 5}]


def _slopes(
    corner: NDArray[np.float64], facet: tuple[int, ...], heights: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return fine strokes down a facet of hexagons, from its high edge to its low one."""
    high, low = (_edge(facet, heights == end) for end in (heights.max(), heights.min()))
    strokes: list[NDArray[np.float64]] = []
    for share in (0.2, 0.4, 0.6, 0.8):
        top = corner[:, high[0]] * (1.0 - share) + corner[:, high[1]] * share
        foot = corner[:, low[1]] * (1.0 - share) + corner[:, low[0]] * share
        strokes.append(np.stack((top + 0.12 * (foot - top), top + 0.62 * (foot - top)), axis=1))
    return np.concatenate(strokes)


def _edge(facet: tuple[int, ...], at_end: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last corner of the run of a facet's corners where `at_end`, around the facet."""
    n = len(facet)
    if at_end.sum() == 1:
        corner = facet[int(at_end.argmax())]
        return corner, corner
    first = next(i for i in range(n) if at_end[i] and not at_end[i - 1])
    last = next(i for i in range(n) if at_end[i] and not at_end[(i + 1) % n])
    return facet[first], facet[last]


def _turns(sheet: MapSheet, tiles: Tiles) -> Iterator[Item]:
    """Mark the corner where corner 0 of the pattern lies with a wedge; flat tops need none."""
    turned = np.flatnonzero(tiles.corners.max(axis=1) > tiles.corners.min(axis=1))
    centre, tip = sheet.centre()[turned], sheet.corner()[turned, tiles.turn[turned]]
    if len(turned):
        out = arrow_heads(tip - centre, sheet.flats_mm, ahead=-0.035, behind=0.115, half=0.05)
        yield Lines(tip[:, None] + out, Style(fill=INK), "closed")


def _water_ends(sheet: MapSheet, water: Watercourses) -> Iterator[Item]:
    """Mark where water comes onto the board, rises, leaves and stays."""
    f, middle = sheet.flats_mm, sheet.middle()
    for kind in (WaterKind.SPRING, WaterKind.MOUTH, WaterKind.POOL, WaterKind.ENTRY):
        for cell in np.flatnonzero(water.kind == kind).tolist():
            radius = 0.11 * f if sheet.board.kept[cell].any() else 0.15 * f
            yield map_margins.water_end(middle[cell], radius, kind.name.lower())


def _cliffs(sheet: MapSheet, tiles: Tiles) -> Iterator[Item]:
    """Draw each step face as a thick line with ticks down to the lower cell."""
    board, f = sheet.board, sheet.flats_mm
    corner, centre = sheet.corner(), sheet.centre()
    cell, side = board.seams.T
    cell, side = (index[tiles.cliff[cell, side]] for index in (cell, side))
    if not len(cell):
        return
    other, back = board.neighbours[cell, side], board.back_sides[cell, side]
    rise = _side_height(tiles.corners, cell, side) - _side_height(tiles.corners, other, back)
    low = np.where(rise > 0, other, cell)
    start, end = corner[cell, side], corner[cell, (side + 1) % N_SIDES]
    yield Lines(np.stack((start, end), axis=1), Style(CLIFF, 0.05 * f))
    down = centre[low] - (start + end) / 2.0
    heads = [start + share * (end - start) for share in (0.1, 0.3, 0.5, 0.7, 0.9)]
    ticks = [np.stack((head, head + 0.2 * down), axis=1) for head in heads]
    yield Lines(np.concatenate(ticks), Style(CLIFF, 0.022 * f))


def _side_height(
    corners: NDArray[np.int32], cell: NDArray[np.int32], side: NDArray[np.integer]
) -> NDArray[np.int32]:
    return corners[cell, side] + corners[cell, (side + 1) % N_SIDES]
