"""The waters of a raster as layers of a GeoPackage: streams, their ground, catchments and lakes."""

from __future__ import annotations

from collections.abc import Generator, Mapping
from contextlib import contextmanager
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio import raw
from rasterio.features import shapes

from hexterra.stages.drain import OUTLET, Drainage, label_catchments
from hexterra.stages.streams import label_stretches

if TYPE_CHECKING:
    from hexterra.stages.lakes import Lakes
    from hexterra.stages.streams import Streams

#: A GeoPackage states when it was last changed; equal waters must give equal bytes.
_SAME_DAY: Final = {"OGR_CURRENT_DATE": "2000-01-01T00:00:00.000Z"}

#: Columns of a layer; a masked array has nulls.
_Columns = Mapping[str, NDArray[Any]]


def write_layers(path: Path, streams: Streams, lakes: Lakes) -> None:
    """Write streams, subcatchments, catchments and lakes as layers of one GeoPackage.

    A catchment is numbered as in `label_catchments`, a subcatchment as its stretch, from 1.
    """
    drained = streams.drainage
    number = np.arange(1, streams.n_stretches + 1, dtype=np.int32)
    tree: _Columns = {
        "id": number,
        "downstream_id": np.ma.masked_equal(streams.downstream + 1, 0),
    }
    outlet_m2 = drained.catchment_m2[drained.direction == OUTLET]
    with _same_day():
        _write_layer(
            path,
            "streams",
            stretch_lines(streams),
            {
                **tree,
                "strahler_order": streams.order.astype(np.int16),
                "catchment_km2": streams.catchment_m2 / 1e6,
                "length_m": streams.length_m,
                "from_height_m": streams.from_height_m,
                "to_height_m": streams.to_height_m,
            },
            crs=drained.elevation.crs,
        )
        _write_layer(
            path,
            "subcatchments",
            outlines(drained, label_stretches(streams), streams.n_stretches),
            {
                **tree,
                "own_km2": streams.own_m2 / 1e6,
                "catchment_km2": streams.catchment_m2 / 1e6,
            },
            crs=drained.elevation.crs,
        )
        _write_layer(
            path,
            "catchments",
            outlines(drained, label_catchments(drained), len(outlet_m2)),
            {
                "id": np.arange(1, len(outlet_m2) + 1, dtype=np.int32),
                "catchment_km2": outlet_m2 / 1e6,
            },
            crs=drained.elevation.crs,
        )
        if lakes.n_lakes:
            _write_lakes(path, lakes)


def stretch_lines(streams: Streams) -> NDArray[Any]:
    """Draw a line through the pixel centres of each stretch, from the first down: (n,) objects."""
    centre_xy = streams.points[:, ::-1].astype(np.float64) + 0.5
    return shapely.from_ragged_array(
        shapely.GeometryType.LINESTRING,
        streams.drainage.elevation.to_crs(centre_xy),
        (streams.point_start,),
    )


def outlines(drained: Drainage, label: NDArray[np.int32], n: int) -> NDArray[Any]:
    """Outline the pixels of each label from 1 to `n`, along their sides: (n,) multipolygons.

    Parts that touch at a corner only are polygons of their own. Outer rings run counter-clockwise.
    """
    rings: list[list[tuple[float, float]]] = []
    n_rings: list[int] = [0]
    labels: list[int] = []
    for outline, value in shapes(label, connectivity=4):
        if value > 0:
            rings += outline["coordinates"]
            n_rings.append(len(outline["coordinates"]))
            labels.append(int(value))
    ring_start = np.cumsum([0, *map(len, rings)])
    corners = np.fromiter(chain.from_iterable(chain.from_iterable(rings)), np.float64)
    row0, _, column0, _ = drained.window
    corner_xy = corners.reshape(-1, 2) + np.array([column0, row0])
    polygons = shapely.from_ragged_array(
        shapely.GeometryType.POLYGON,
        drained.elevation.to_crs(corner_xy),
        (ring_start, np.cumsum(n_rings)),
    )
    order = np.argsort(labels, kind="stable")
    whole: Any = shapely.multipolygons(
        polygons[order], indices=np.array(labels, np.intp)[order] - 1
    )
    if len(whole) != n:
        raise ValueError(f"{len(whole)} labels were found, wanted {n}")
    return shapely.orient_polygons(whole)


def _write_lakes(path: Path, lakes: Lakes) -> None:
    _write_layer(
        path,
        "lakes",
        outlines(lakes.drainage, lakes.label(), lakes.n_lakes),
        {
            "id": np.arange(1, lakes.n_lakes + 1, dtype=np.int32),
            "area_km2": lakes.area_m2 / 1e6,
            "height_m": lakes.height_m,
        },
        crs=lakes.drainage.elevation.crs,
    )


def _write_layer(
    path: Path, layer: str, geometry: NDArray[Any], columns: _Columns, *, crs: str
) -> None:
    raw.write(
        path,
        shapely.to_wkb(geometry),
        [np.ma.getdata(column) for column in columns.values()],
        list(columns),
        [
            np.ma.getmaskarray(column) if np.ma.isMaskedArray(column) else None
            for column in columns.values()
        ],
        layer=layer,
        driver="GPKG",
        geometry_type="LineString" if layer == "streams" else "MultiPolygon",
        crs=crs,
    )


@contextmanager
def _same_day() -> Generator[None, None, None]:
    """Let GDAL take the date for a fixed one."""
    earlier = {name: pyogrio.get_gdal_config_option(name) for name in _SAME_DAY}
    pyogrio.set_gdal_config_options(_SAME_DAY)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(earlier)
