"""The schedule as two tables: a row per cell, and a row per distinct piece.

These are the columns of ``tiles.csv`` and ``schedule.csv``. From them alone the board can be
rebuilt; `hexterra.verification` does so.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

from hexterra.lattice.hexagon import PART_SHARE, area
from hexterra.stages.schedule.pieces import FINISH

if TYPE_CHECKING:
    import pandas as pd

    from hexterra.lattice.board import Board
    from hexterra.plan.overlay import Overlay
    from hexterra.stages.schedule.schedule import Schedule

#: How a reader finds the neighbours of a cell and the sides between, in words.
NEIGHBOUR_RULE: Final = (
    "Seen from above, with x to the right and y away from the front edge, corner c of a hexagon"
    " lies corner0_deg + 60 c degrees counter-clockwise from x, and side s joins corners s and"
    " s + 1 (corner 6 is corner 0). The neighbour across side s lies the distance across flats"
    " away, at corner0_deg + 30 + 60 s degrees; the same side is side (s + 3) mod 6 of the"
    " neighbour. Columns count from the left and rows from the front edge, both from 1: A1 is"
    " column 1, row 1. With points to the front, row 1 and every second row after it are shifted"
    " half a cell to the right; with flats to the front, column 1 and every second column after"
    " it half a cell away. A pattern turned by t has its rise r at corner (r + t) mod 6."
)


def tiles_frame(pieces: Schedule, overlay: Overlay) -> pd.DataFrame:
    """Return one row per cell: where it lies, what stands there, and how.

    Parameters
    ----------
    pieces
        The schedule of a planar board.
    overlay
        What lies on its ground.

    Returns
    -------
    pandas.DataFrame
        In the order of the cells. Lengths on the bench are in mm from the front left corner of
        the board to the centre of the whole hexagon, also for part tiles; `height_m` and
        `residual_m` (built less ground) are means over the cell, in metres. `corners`, `cliffs`,
        `ports` and `spacers` (thickest and lowest first, mm) hold numbers separated by spaces.
        `outflow` is missing where no water leaves, `leaves` where none runs off the board by a
        side of its own, `sunken_leaves` where no sunken road does. `widths` are six classes by
        side; `upright`, `road_ports` and `sunken` sides: where banks stand upright, where roads
        run, and where one is cut into the top. `roads` are kinds and `names` those of rivers and
        roads, separated by semicolons. `cover_share` is that of the cell's `cover`. `standing` is
        the lake or sea over the cell, numbered, whose tiles are all level and equally high.
    """
    import pandas as pd

    tiles, board = pieces.tiles, pieces.board
    water = tiles.legal.water
    heights = tiles.legal.levels.heights
    n = board.n_cells
    ports = np.zeros((n, 6), dtype=bool) if water is None else water.ports
    outflow = np.full(n, -1, dtype=np.int8) if water is None else water.outflow
    patterns = np.array([pattern.name for pattern in tiles.catalogue.patterns], dtype=object)
    crossings = np.array([*(c.name for c in tiles.catalogue.crossings), ""], dtype=object)
    lon, lat = cell_lonlat(board)
    return pd.DataFrame(
        {
            "cell": board.labels,
            "column": board.column + 1,
            "row": board.row + 1,
            "x_mm": board.centre_mm[:, 0],
            "y_mm": board.centre_mm[:, 1],
            "lon": lon,
            "lat": lat,
            "part": board.parts,
            "height_m": heights.mean_m,
            "coverage": heights.coverage,
            "level": tiles.level,
            "corners": [_blanks(row) for row in tiles.corners.tolist()],
            "pattern": patterns[tiles.pattern],
            "turn": pieces.turn,
            "piece": pieces.piece_names,
            "cliffs": _sides(tiles.cliff),
            "crossing": crossings[tiles.crossing],
            "ports": _sides(ports),
            "outflow": _maybe(outflow),
            "spacers": [_blanks(f"{mm:g}" for mm in stack) for stack in pieces.spacers_mm],
            "footing": pieces.footing_names,
            "residual_m": tiles.residual_m,
            "widths": [_blanks(row) if any(row) else "" for row in pieces.cuts.width.tolist()],
            "upright": _sides(pieces.cuts.upright),
            "leaves": _maybe(pieces.cuts.leaves),
            "roads": _road_kinds(overlay),
            "road_ports": _sides(overlay.road_sides),
            "names": _names(overlay),
            "over_water": _over_water(overlay),
            "sunken": _sides(pieces.cuts.road),
            "sunken_leaves": _maybe(pieces.cuts.road_leaves),
            **_cover_columns(overlay),
            "standing": _standing(overlay),
        }
    )


def schedule_frame(pieces: Schedule, overlay: Overlay) -> pd.DataFrame:
    """Return one row per distinct piece to make, with its `count`, then one per job of finishing.

    Tiles come first, then spacers and footings. `rises`, `turn`, `ports` and what follows describe
    a tile by itself, see `hexterra.stages.schedule.schedule.Piece`; they are empty for flat blocks.
    A job of finishing counts cells: woods and the like with their area on the bench, roads with
    their length, fords and bridges by number.
    """
    import pandas as pd

    rises = {p.name: "".join(map(str, p.rises)) for p in pieces.tiles.catalogue.patterns}
    rows = [
        {
            "kind": piece.kind,
            "piece": piece.name,
            "part": piece.part,
            "hand": piece.hand,
            "pattern": piece.pattern,
            "rises": rises.get(piece.pattern, ""),
            "turn": str(piece.turn) if piece.kind == "tile" else "",
            "crossing": piece.crossing,
            "ports": _blanks(piece.ports),
            "thickness_mm": piece.thickness_mm,
            "count": piece.count,
            "widths": _blanks(piece.widths),
            "upright": _blanks(piece.upright),
            "leaves": _blanks([piece.leaves] if piece.leaves >= 0 else ()),
            "sunken": _blanks(piece.road),
            "sunken_leaves": _blanks([piece.road_leaves] if piece.road_leaves >= 0 else ()),
            "area_cm2": math.nan,
            "length_mm": math.nan,
        }
        for piece in pieces.pieces
    ]
    done = [
        dict.fromkeys(rows[0], "")
        | {
            "kind": FINISH,
            "piece": job.name,
            "count": job.n,
            "thickness_mm": math.nan,
            "area_cm2": job.area_cm2,
            "length_mm": job.length_mm,
        }
        for job in finishing_jobs(pieces, overlay)
    ]
    return pd.DataFrame(rows + done)


class Job(NamedTuple):
    """One job of finishing: what, on how many cells, over what area or length on the bench."""

    name: str
    n: int
    area_cm2: float = math.nan
    length_mm: float = math.nan


def finishing_jobs(pieces: Schedule, overlay: Overlay) -> tuple[Job, ...]:
    """List what is finished on the tops: cover by kind, roads by kind, fords and bridges."""
    jobs: list[Job] = []
    board, cuts = pieces.board, pieces.cuts
    if overlay.cover is not None:
        kept_mm2 = area(board.across_flats_mm) * np.array([PART_SHARE[p] for p in board.parts])
        for number, kind in enumerate(overlay.cover.kinds):
            is_given = overlay.cover.given == number
            if is_given.any():
                area_cm2 = float(kept_mm2[is_given].sum()) / 100.0
                jobs.append(Job(kind, int(is_given.sum()), area_cm2=area_cm2))
    if overlay.roads is not None:
        for kind, ports in zip(overlay.roads.kinds, overlay.roads.ports, strict=True):
            for is_cut, words in ((True, "sunken"), (False, "laid on top")):
                halves = ports & (cuts.road == is_cut)
                if halves.any():
                    length_mm = float(halves.sum()) * board.across_flats_mm / 2.0
                    n_cells = int(halves.any(axis=1).sum())
                    jobs.append(Job(f"{kind}, {words}", n_cells, length_mm=length_mm))
        over = Counter(
            (at.how, at.width) for at in overlay.roads.crossings for _ in range(at.times)
        )
        for (how, width), count in sorted(over.items()):
            jobs.append(Job(f"{how}, water of width {width}", count))
    return tuple(jobs)


def cell_lonlat(board: Board) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return WGS 84 longitude and latitude of the centres, (n,) float64 each, in degrees."""
    to_wgs84 = Transformer.from_crs(board.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_wgs84.transform(*board.centre_xy.T)
    return np.asarray(lon), np.asarray(lat)


def _maybe(side: NDArray[np.int8]) -> Any:
    """Return sides as a column that misses those below 0."""
    import pandas as pd

    return pd.arrays.IntegerArray(np.maximum(side, 0), side < 0)


def _road_kinds(overlay: Overlay) -> list[str]:
    """List the kinds of road in each cell, separated by semicolons."""
    if overlay.roads is None:
        return [""] * overlay.lattice.n_cells
    passes = np.zeros((overlay.lattice.n_cells, len(overlay.roads.kinds)), dtype=bool)
    for way in overlay.roads.ways:
        passes[way.cells, overlay.roads.kinds.index(way.kind)] = True
    kinds = np.array(overlay.roads.kinds, dtype=object)
    return ["; ".join(kinds[row]) for row in passes]


def _names(overlay: Overlay) -> list[str]:
    """List the names of rivers and roads in each cell, separated by semicolons."""
    names: list[list[str]] = [[] for _ in range(overlay.lattice.n_cells)]
    for way in overlay.named:
        for cell in way.cells.tolist():
            if way.name not in names[cell]:
                names[cell].append(way.name)
    return ["; ".join(held) for held in names]


def _over_water(overlay: Overlay) -> list[str]:
    """Say where a road fords or bridges water."""
    words = [""] * overlay.lattice.n_cells
    for at in overlay.roads.crossings if overlay.roads is not None else ():
        words[at.cell] = at.how
    return words


def _cover_columns(overlay: Overlay) -> dict[str, Any]:
    n = overlay.lattice.n_cells
    if overlay.cover is None:
        return {"cover": [""] * n, "cover_share": np.full(n, math.nan)}
    given = overlay.cover.given
    kinds = np.array([*overlay.cover.kinds, ""], dtype=object)
    share = np.where(given >= 0, overlay.cover.share[np.arange(n), given], math.nan)
    return {"cover": kinds[given], "cover_share": share}


def _standing(overlay: Overlay) -> list[str]:
    """Name the body of water over each cell: its kind, and its number among those of the kind."""
    standing = None if overlay.water is None else overlay.water.standing
    if standing is None:
        return [""] * overlay.lattice.n_cells
    names = [
        f"{kind} {standing.kinds[: body + 1].count(kind)}"
        for body, kind in enumerate(standing.kinds)
    ]
    return [names[body] if body >= 0 else "" for body in standing.body.tolist()]


def _sides(table: NDArray[np.bool_]) -> list[str]:
    """List the sides that are marked in each row, separated by spaces."""
    words = [_blanks(side for side in range(6) if code >> side & 1) for code in range(64)]
    return [words[code] for code in (table @ (1 << np.arange(6))).tolist()]


def _blanks(items: Iterable[object]) -> str:
    return " ".join(map(str, items))
