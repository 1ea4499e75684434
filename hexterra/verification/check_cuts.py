"""Do widths, banks, roads and cover agree from tile to tile, and with the jobs of finishing."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator

from hexterra.verification.rebuilt_board import RebuiltBoard
from hexterra.verification.table_rows import SHARE, ListedPiece, Tile
from hexterra.verification.verdict import Finding


def check_cuts(board: RebuiltBoard) -> Iterator[Finding]:
    """See that water is as wide and its banks alike on both tiles of a side, and never narrows.

    Where water runs off the board or comes onto it by a side of its own, that side is open and the
    tile whole; and the water does not run on from a neighbour to another.
    """
    for cell, tile in enumerate(board.tiles):
        cut = tile.cut
        wet = tile.ports | ({cut.leaves} - {-1})
        wide = frozenset(side for side, width in enumerate(cut.widths) if width)
        if wide != wet:
            yield Finding(tile.cell, -1, "widths", f"widths on the sides {sorted(wet)}",
                          f"on {sorted(wide)}")  # fmt: skip
            continue
        if cut.upright - wet:
            yield Finding(tile.cell, -1, "banks", f"upright on some of the sides {sorted(wet)}",
                          f"on {sorted(cut.upright)}")  # fmt: skip
        out = tile.outflow if tile.outflow >= 0 else cut.leaves
        if out >= 0 and wide and cut.widths[out] < max(cut.widths):
            yield Finding(tile.cell, out, "widths", f"{max(cut.widths)} or more where it leaves",
                          str(cut.widths[out]))  # fmt: skip
        if cut.leaves >= 0:
            yield from _check_way_out(board, cell, cut.leaves, "water")
            if tile.outflow >= 0 and len(tile.ports) > 1:
                yield Finding(tile.cell, cut.leaves, "water", "it runs off or comes onto the board",
                              f"it runs from port to port: {sorted(tile.ports)}")  # fmt: skip
    for cell, side, other in board.seams():
        here, there = board.tiles[cell], board.tiles[other]
        back = (side + 3) % 6
        if cell > other or side not in here.ports or back not in there.ports:
            continue
        mine = here.cut.widths[side : side + 1], side in here.cut.upright
        theirs = there.cut.widths[back : back + 1], back in there.cut.upright
        if mine != theirs:
            yield Finding(here.cell, side, "widths", f"{_section(*theirs)} as in {there.cell}",
                          _section(*mine))  # fmt: skip


def _section(width: tuple[int, ...], is_upright: bool) -> str:
    return f"width {' '.join(map(str, width))}, {'upright' if is_upright else 'sloping'}"


def check_roads(board: RebuiltBoard) -> Iterator[Finding]:
    """See that roads meet across sides, are sunken only on dry ground, and ford or bridge water."""
    for cell, tile in enumerate(board.tiles):
        if tile.road_ports and not tile.roads:
            yield Finding(tile.cell, -1, "road", "the kind of its road", "none")
        for side in sorted(tile.road_ports):
            other = int(board.across[cell, side])
            if other < 0:
                yield Finding(tile.cell, side, "road", "a cell across it", "none")
            elif (side + 3) % 6 not in board.tiles[other].road_ports:
                yield Finding(tile.cell, side, "road", f"one in {board.tiles[other].cell} too",
                              "none")  # fmt: skip
        if stray := tile.cut.sunken - tile.road_ports:
            yield Finding(tile.cell, min(stray), "sunken road", "a road that crosses the side",
                          "none")  # fmt: skip
        if tile.cut.sunken and tile.crossing:
            yield Finding(tile.cell, -1, "sunken road", "no water in the tile", tile.crossing)
        if tile.names and not (tile.roads or tile.crossing):
            yield Finding(tile.cell, -1, "name", "a road or a river", tile.names)
        if tile.over_water and not (tile.road_ports and tile.crossing):
            yield Finding(tile.cell, -1, tile.over_water, "a road and water", "one of them alone")
        if tile.cut.sunken_leaves >= 0:
            yield from _check_way_out(board, cell, tile.cut.sunken_leaves, "sunken road")


def _check_way_out(board: RebuiltBoard, cell: int, side: int, what: str) -> Iterator[Finding]:
    tile = board.tiles[cell]
    if board.across[cell, side] >= 0 or tile.part != "whole":
        yield Finding(tile.cell, side, what, "an open side of a whole tile to run off by",
                      "a neighbour" if board.across[cell, side] >= 0 else tile.part)  # fmt: skip


def check_finishing(board: RebuiltBoard, pieces: tuple[ListedPiece, ...]) -> Iterator[Finding]:
    """Compare cover, roads, fords and bridges of the tiles with the jobs of the schedule."""
    jobs = {piece.name: piece for piece in pieces if piece.kind == "finish"}
    hexagon_mm2 = math.sqrt(3.0) / 2.0 * board.flats_mm**2
    cells: Counter[str] = Counter(tile.cover for tile in board.tiles if tile.cover)
    area_cm2: defaultdict[str, float] = defaultdict(float)
    for tile in board.tiles:
        has_share = not math.isnan(tile.cover_share)
        if bool(tile.cover) != has_share or (has_share and not 0.0 <= tile.cover_share <= 1.0):
            yield Finding(tile.cell, -1, "cover", "a kind and its share, or neither",
                          f"{tile.cover or 'none'}, {tile.cover_share:g}")  # fmt: skip
        if tile.cover:
            area_cm2[tile.cover] += SHARE[tile.part] * hexagon_mm2 / 100.0
    for kind in sorted(cells):
        job = jobs.get(kind)
        if job is None or job.count != cells[kind] or abs(job.area_cm2 - area_cm2[kind]) > 0.06:
            found = "no such job" if job is None else f"{job.count} cells, {job.area_cm2:g} cm2"
            wanted = f"{kind}: {cells[kind]} cells, {area_cm2[kind]:.1f} cm2"
            yield Finding("", -1, "finishing", wanted, found)
    for how in ("ford", "bridge"):
        n_cells = sum(tile.over_water == how for tile in board.tiles)
        n_jobs = sum(job.count for name, job in jobs.items() if name.startswith(f"{how}, "))
        if n_jobs < n_cells:
            yield Finding("", -1, "finishing", f"{n_cells} {how}s at least", str(n_jobs))
    wanted_mm = sum(len(tile.road_ports) for tile in board.tiles) * board.flats_mm / 2.0
    listed_mm = sum(job.length_mm for job in jobs.values() if not math.isnan(job.length_mm))
    if listed_mm < wanted_mm - 1.0 * len(jobs):
        yield Finding("", -1, "finishing", f"{wanted_mm:.0f} mm of road at least",
                      f"{listed_mm:.0f} mm")  # fmt: skip


def n_road_sides(tiles: tuple[Tile, ...]) -> int:
    """Count sides that roads cross."""
    return sum(len(tile.road_ports) for tile in tiles) // 2
