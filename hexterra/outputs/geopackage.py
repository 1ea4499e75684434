"""Streams, their ground, catchments and lakes of a raster as layers of a GeoPackage."""

from __future__ import annotations

from array import array
from collections.abc import Generator, Iterable, Iterator, Mapping
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

from hexterra.stages.drainage.drain import OUTLET, Drainage, label_catchments
from hexterra.stages.drainage.streams import label_stretches

if TYPE_CHECKING:
    from hexterra.stages.drainage.lakes import Lakes
    from hexterra.stages.drainage.streams import Streams

#: A GeoPackage states when it was last changed; equal content must give equal bytes.
_SAME_DAY: Final = {"OGR_CURRENT_DATE": "2000-01-01T00:00:00.000Z"}

#: How many outlines are made and written at once.
_BATCH: Final = 50_000

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
            [stretch_lines(streams)],
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


def outlines(
    drained: Drainage, label: NDArray[np.int32], n: int, *, batch: int = _BATCH
) -> Iterator[NDArray[Any]]:
    """Outline the pixels of each label from 1 to `n`, along their sides, a batch of labels at once.

    Each is a multipolygon. Parts that touch at a corner only are polygons of their own. Outer rings
    run counter-clockwise.
    """
    # Flat arrays of numbers: a tuple for each corner takes seven times the memory.
    corners, ring_size, n_rings, labels = array("d"), array("q"), array("q"), array("q")
    for outline, value in shapes(label, mask=label > 0, connectivity=4):
        if value > 0:
            for ring in outline["coordinates"]:
                corners.extend(chain.from_iterable(ring))
                ring_size.append(len(ring))
            n_rings.append(len(outline["coordinates"]))
            labels.append(int(value))
    of_label = np.array(labels, dtype=np.int64)
    n_found = len(np.unique(of_label))
    if n_found != n:
        raise ValueError(f"{n_found} labels were found, wanted {n}")
    ring_start = np.concatenate([[0], np.cumsum(ring_size, dtype=np.int64)])
    polygon_start = np.concatenate([[0], np.cumsum(n_rings, dtype=np.int64)])
    row0, _, column0, _ = drained.window
    corner_xy = np.frombuffer(corners).reshape(-1, 2)
    order = np.argsort(of_label, kind="stable")
    of_label = of_label[order]
    for first in range(1, max(n, 1) + 1, batch):
        begin, end = np.searchsorted(of_label, [first, first + batch])
        rings = _ranges(polygon_start, order[begin:end])
        points = _ranges(ring_start, rings)
        polygons = shapely.from_ragged_array(
            shapely.GeometryType.POLYGON,
            drained.elevation.to_crs(corner_xy[points] + np.array([column0, row0])),
            (
                np.concatenate([[0], np.cumsum(np.diff(ring_start)[rings])]),
                np.concatenate([[0], np.cumsum(np.diff(polygon_start)[order[begin:end]])]),
            ),
        )
        whole: Any = shapely.multipolygons(polygons, indices=of_label[begin:end] - first)
        yield shapely.orient_polygons(whole)


def _ranges(start: NDArray[np.int64], which: NDArray[np.int64]) -> NDArray[np.int64]:
    """List ``start[k]`` up to ``start[k + 1]`` for each k of `which`, one after the other."""
    size = start[which + 1] - start[which]
    shift = start[which] - np.concatenate([[0], np.cumsum(size)[:-1]])
    return np.arange(size.sum()) + np.repeat(shift, size)


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
    path: Path, layer: str, geometry: Iterable[NDArray[Any]], columns: _Columns, *, crs: str
) -> None:
    """Write a layer, batch after batch of its geometries."""
    at = 0
    for number, batch in enumerate(geometry):
        held = [column[at : at + len(batch)] for column in columns.values()]
        at += len(batch)
        raw.write(
            path,
            shapely.to_wkb(batch),
            [np.ma.getdata(column) for column in held],
            list(columns),
            [np.ma.getmaskarray(c) if np.ma.isMaskedArray(c) else None for c in held],
            layer=layer,
            driver="GPKG",
            geometry_type="LineString" if layer == "streams" else "MultiPolygon",
            crs=crs,
            append=number > 0,
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
