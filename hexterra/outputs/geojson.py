"""The board as geodata: an outline for every tile, in WGS 84."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer
from shapely import MultiPolygon, Polygon, box
from shapely.affinity import translate
from shapely.geometry.polygon import orient

from hexterra.csvfile import DECIMALS

if TYPE_CHECKING:
    import pandas as pd

    from hexterra.lattice.board import Board

#: Columns of the table of tiles that only say where a cell lies, which its outline does too.
PLACES: Final = ("x_mm", "y_mm", "lon", "lat")


def cells_geojson(board: Board, tiles: pd.DataFrame) -> str:
    """Write the outline of every tile as a GeoJSON document (RFC 7946).

    Outer rings run counter-clockwise and are closed; coordinates have 7 decimals (1 cm). An
    outline across the 180th meridian is cut there into a MultiPolygon (RFC 7946, section 3.1.9).

    Parameters
    ----------
    board
        The lattice.
    tiles
        Its table, from `hexterra.plan.tables.tiles_frame`; all columns but `PLACES` become
        properties.
    """
    outlines = [board.outline_mm(cell) for cell in range(board.n_cells)]
    ends = np.cumsum([len(outline) for outline in outlines])
    ground = board.bench_mm_to_ground_m(np.concatenate(outlines))
    to_wgs84 = Transformer.from_crs(board.crs, "EPSG:4326", always_xy=True)
    lonlat = np.column_stack(to_wgs84.transform(*ground.T))
    kept = tiles.drop(columns=list(PLACES)).astype(object)
    kept = kept.where(kept.notna(), None)
    names: list[str] = list(kept.columns)
    features: list[str] = []
    rings = np.split(lonlat, ends[:-1])
    for ring, row in zip(rings, kept.to_numpy().tolist(), strict=True):
        properties = {
            name: value if value is None or name not in DECIMALS else round(value, DECIMALS[name])
            for name, value in zip(names, row, strict=True)
        }
        feature = {"type": "Feature", "geometry": _geometry(ring), "properties": properties}
        features.append(json.dumps(feature, ensure_ascii=False, allow_nan=False))
    body = ",\n".join(features)
    return f'{{"type": "FeatureCollection", "features": [\n{body}\n]}}\n'


def _geometry(ring: NDArray[np.float64]) -> dict[str, Any]:
    """Turn a ring, counter-clockwise and not closed, into a geometry."""
    steps = np.diff(ring[:, 0], append=ring[:1, 0])
    if np.abs(steps).max() < 180.0:
        return {"type": "Polygon", "coordinates": [_closed(ring)]}
    # Follow the ring without jumps, then cut what lies beyond the meridian and bring it back.
    lon = np.unwrap(ring[:, 0], period=360.0)
    unbroken = np.column_stack((lon, ring[:, 1]))
    closing = (lon[0] - lon[-1] + 180.0) % 360.0 - 180.0  # the last side, the short way round
    around = round((lon[-1] + closing - lon[0]) / 360.0)
    if around:  # the ring runs around a pole: close it along the pole's parallel
        pole = 90.0 if ring[:, 1].mean() > 0 else -90.0
        end = lon[0] + 360.0 * around
        unbroken = np.vstack((unbroken, [(end, ring[0, 1]), (end, pole), (lon[0], pole)]))
    whole = Polygon(unbroken)
    pieces: list[list[list[list[float]]]] = []
    for number in (-1, 0, 1):
        strip = box(-180.0 + 360.0 * number, -90.0, 180.0 + 360.0 * number, 90.0)
        part = translate(whole.intersection(strip), -360.0 * number)
        for polygon in part.geoms if isinstance(part, MultiPolygon) else [part]:
            if isinstance(polygon, Polygon) and not polygon.is_empty:
                vertices = np.array(orient(polygon).exterior.coords)[:-1]
                pieces.append([_closed(vertices)])
    return {"type": "MultiPolygon", "coordinates": pieces}


def _closed(ring: NDArray[np.float64]) -> list[list[float]]:
    rounded = np.round(ring, DECIMALS["lon"]) + 0.0  # no negative zeros
    return [*rounded.tolist(), rounded[0].tolist()]
