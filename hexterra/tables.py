"""The schedule as two tables: a row per cell, and a row per distinct piece.

These are the columns of ``tiles.csv`` and ``schedule.csv``. From them alone the board can be
rebuilt; `hexterra.verification` does so.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer

if TYPE_CHECKING:
    import pandas as pd

    from hexterra.lattice.board import Board
    from hexterra.stages.schedule import Schedule

#: Decimals that fractions are written with.
DECIMALS: Final = {
    "x_mm": 3,
    "y_mm": 3,
    "lon": 7,
    "lat": 7,
    "height_m": 3,
    "coverage": 4,
    "residual_m": 3,
    "thickness_mm": 3,
}

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


def tiles_frame(pieces: Schedule) -> pd.DataFrame:
    """Return one row per cell: where it lies, what stands there, and how.

    Parameters
    ----------
    pieces
        The schedule of a planar board.

    Returns
    -------
    pandas.DataFrame
        In the order of the cells. Lengths on the bench are in mm from the front left corner of
        the board to the centre of the whole hexagon, also for part tiles; `height_m` and
        `residual_m` (built less ground) are means over the cell, in metres. `corners`, `cliffs`,
        `ports` and `spacers` (thickest and lowest first, mm) hold numbers parted by blanks.
        `outflow` is missing where no water leaves.
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
            "outflow": pd.array(outflow, dtype="Int8").copy(),
            "spacers": [_blanks(f"{mm:g}" for mm in stack) for stack in pieces.spacers_mm],
            "footing": pieces.footing_names,
            "residual_m": tiles.residual_m,
        }
    ).assign(outflow=lambda frame: frame["outflow"].mask(outflow < 0))


def schedule_frame(pieces: Schedule) -> pd.DataFrame:
    """Return one row per distinct piece to make, with its `count`.

    Tiles come first, then spacers and footings. `rises`, `turn` and `ports` describe a tile by
    itself, see `hexterra.stages.schedule.Piece`; they are empty for flat blocks.
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
        }
        for piece in pieces.pieces
    ]
    return pd.DataFrame(rows)


def csv_text(frame: pd.DataFrame) -> str:
    """Write a table as CSV: UTF-8, line feeds, and every fraction with its fixed `DECIMALS`."""
    columns = {
        name: [fixed(value, DECIMALS[name]) for value in frame[name].tolist()]
        for name in frame.columns
        if name in DECIMALS
    }
    return frame.assign(**columns).to_csv(index=False, lineterminator="\n")


def fixed(value: float, decimals: int) -> str:
    """Write a number with this many decimals, and zero without a sign."""
    text = f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def cell_lonlat(board: Board) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return WGS 84 longitude and latitude of the centres, (n,) float64 each, in degrees."""
    to_wgs84 = Transformer.from_crs(board.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_wgs84.transform(*board.centre_xy.T)
    return np.asarray(lon), np.asarray(lat)


def _sides(table: NDArray[np.bool_]) -> list[str]:
    """List the sides that are marked in each row, parted by blanks."""
    words = [_blanks(side for side in range(6) if code >> side & 1) for code in range(64)]
    return [words[code] for code in (table @ (1 << np.arange(6))).tolist()]


def _blanks(items: Iterable[object]) -> str:
    return " ".join(map(str, items))
