"""Files of lines and areas, written for tests."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyogrio import raw

#: A road and a wood around a point of UTM zone 31 N.
UTM = "EPSG:32631"
X, Y = 502_000.0, 4_998_500.0
ROAD = shapely.LineString([(X - 1000.0, Y - 200.0), (X + 1000.0, Y + 300.0)])
WOOD = shapely.box(X - 1500.0, Y - 1200.0, X, Y + 1200.0)


def write(
    path: Path,
    shapes: Sequence[Any],
    *,
    crs: str | None = "EPSG:4326",
    fields: dict[str, Sequence[Any]] | None = None,
    layer: str | None = None,
    append: bool = False,
    geometry_type: str = "Unknown",
) -> Path:
    """Write shapely geometries (None for none) to the kind of file that the name ends in."""
    driver = {".gpkg": "GPKG", ".geojson": "GeoJSON", ".shp": "ESRI Shapefile"}[path.suffix]
    values = fields or {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of a missing CRS, which is the point of a test
        raw.write(
            path,
            geometry=np.array([None if s is None else shapely.to_wkb(s) for s in shapes], object),
            field_data=[np.array(column, dtype=object) for column in values.values()],
            fields=list(values),
            geometry_type=geometry_type,
            driver=driver,
            crs=crs,
            layer=layer,
            append=append,
        )
    return path
