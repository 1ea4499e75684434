"""Streams, catchments and lakes as geodata: GeoTIFFs on the raster's pixels, and a GeoPackage."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError
from rasterio.crs import CRS
from rasterio.errors import RasterioError
from rasterio.windows import Window as RasterioWindow

from hexterra.arguments import checked
from hexterra.elevation.georeference import move
from hexterra.errors import OutputError
from hexterra.outputs.folder import DRAINAGE, Writer, write_folder
from hexterra.outputs.geopackage import write_layers
from hexterra.progress import Progress, silent
from hexterra.stages.drainage.drain import OUTLET, VOID, Drainage

if TYPE_CHECKING:
    from hexterra.stages.drainage.lakes import Lakes
    from hexterra.stages.drainage.streams import Streams

_BLOCK: Final = 256
_REFUSALS: Final = (RasterioError, DataSourceError, DataLayerError, FeatureError)

#: Gives rows of a raster, from one row to another, as they are stored.
_Rows = Callable[[int, int], NDArray[Any]]


class Hydrography(NamedTuple):
    """What there is to say of a drained raster in one breath."""

    n_pixels: int
    n_outlets: int
    n_lakes: int
    n_stretches: int
    threshold_km2: float
    highest_order: int
    largest_catchment_km2: float
    ground_km2: float

    def describe(self) -> str:
        """Say it in a few lines."""
        return "\n".join(
            (
                f"Ground     {self.n_pixels:,} pixels, {_km2(self.ground_km2)}",
                f"Outlets    {self.n_outlets:,}; the largest drains"
                f" {_km2(self.largest_catchment_km2)}",
                f"Lakes      {self.n_lakes:,}",
                f"Streams    {self.n_stretches:,} stretches, from {_km2(self.threshold_km2)} of"
                f" catchment on; the highest order is {self.highest_order}",
            )
        )


def _km2(area_km2: float) -> str:
    return f"{area_km2:,.0f} km2" if area_km2 >= 1000.0 else f"{area_km2:.4g} km2"


def summarise(streams: Streams, lakes: Lakes) -> Hydrography:
    """Count the pixels, outlets, lakes and stretches of a drained raster."""
    drained = streams.drainage
    outlet_m2 = drained.catchment_m2[drained.direction == OUTLET]
    return Hydrography(
        n_pixels=int(np.count_nonzero(drained.direction != VOID)),
        n_outlets=len(outlet_m2),
        n_lakes=lakes.n_lakes,
        n_stretches=streams.n_stretches,
        threshold_km2=streams.threshold_m2 / 1e6,
        highest_order=int(streams.order.max(initial=0)),
        largest_catchment_km2=float(outlet_m2.max()) / 1e6,
        ground_km2=float(outlet_m2.sum()) / 1e6,
    )


@checked
def write_hydrography(
    streams: Streams,
    lakes: Lakes,
    directory: str | os.PathLike[str],
    *,
    settings: Mapping[str, object] | None = None,
    replace: bool = False,
    progress: Progress = silent,
) -> tuple[str, ...]:
    """Write streams, catchments and lakes into a folder, whole or not at all; see `write_folder`.

    Parameters
    ----------
    streams, lakes
        Of one drained raster.
    directory
        A new or empty folder, or one that holds the same drainage already.
    settings
        What the raster was drained with, kept in ``drainage.json``.
    replace
        Whether another drainage in the folder may be replaced.
    progress
        Called with a few words before each file.

    Returns
    -------
    tuple[str, ...]
        The names of the files. Equal content gives equal bytes.

        - ``filled.tif``: the surface without depressions, float32, in metres; voids are NaN.
        - ``directions.tif``: uint8 codes as in `Drainage.direction`; 0 at outlets, nodata 247.
        - ``accumulation.tif``: catchment of each pixel, float64, in square metres; voids are NaN.
        - ``order.tif``: Strahler order, uint8; nodata 0 off the streams.
        - ``streams.gpkg``: the layers ``streams`` (a line per stretch), ``subcatchments`` (the
          ground that drains to each stretch first), ``catchments`` (the ground of each outlet),
          and ``lakes`` if there are any. Outlines follow the sides of pixels.
        - ``drainage.json``: the files, what was assumed, the settings and the numbers of
          `summarise`.

    Raises
    ------
    OutputError
        See `write_folder`.

    Notes
    -----
    Rounding to float32 keeps the order of heights, so it makes no depression. While the GeoPackage
    is written, GDAL takes the date for a fixed one.
    """
    drained = streams.drainage

    def filled(row0: int, row1: int) -> NDArray[Any]:
        return _masked(drained, drained.surface_m, row0, row1).astype(np.float32)

    def directions(row0: int, row1: int) -> NDArray[Any]:
        return drained.direction[row0:row1]

    def accumulation(row0: int, row1: int) -> NDArray[Any]:
        return _masked(drained, drained.catchment_m2, row0, row1)

    def orders(row0: int, row1: int) -> NDArray[Any]:
        return streams.pixel_order[row0:row1]

    def document(path: Path) -> None:
        content = {
            "format": DRAINAGE.format,
            "files": list(writers),
            "assumed": list(drained.elevation.assumed),
            "settings": dict(settings or {}),
            "summary": summarise(streams, lakes)._asdict(),
        }
        path.write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8")

    void = float("nan")
    writers: dict[str, Writer] = {
        "filled.tif": _raster(drained, filled, void, "surface without depressions, m"),
        "directions.tif": _raster(drained, directions, VOID, "flow direction, D8"),
        "accumulation.tif": _raster(drained, accumulation, void, "catchment, m2"),
        "order.tif": _raster(drained, orders, 0, "stream order, Strahler"),
        "streams.gpkg": lambda path: write_layers(path, streams, lakes),
        DRAINAGE.document: document,
    }

    def with_progress(name: str, write: Writer) -> Writer:
        def tell_and_write(path: Path) -> None:
            progress(f"writing {name}")
            try:
                write(path)
            except _REFUSALS as error:
                raise OutputError(
                    f"{name} cannot be written to {str(directory)!r}: {error}",
                    remedy="check that the disk is not full, or choose another output folder",
                    path=str(Path(directory) / name),
                ) from error

        return tell_and_write

    reported = {name: with_progress(name, write) for name, write in writers.items()}
    write_folder(directory, reported, kind=DRAINAGE, replace=replace)
    return tuple(writers)


def _raster(drained: Drainage, rows: _Rows, nodata: float, description: str) -> Writer:
    """Make a writer of a GeoTIFF on the pixels of a drained raster; the unit ends its description.

    Little is gained by compressing harder, at three times the time.
    """
    n_rows, n_columns = drained.direction.shape
    row0, _, column0, _ = drained.window
    affine = move(drained.elevation.affine, column0, row0)
    dtype = rows(0, 1).dtype

    def write(path: Path) -> None:
        with rasterio.open(
            path,
            "w",
            driver="GTiff",
            height=n_rows,
            width=n_columns,
            count=1,
            dtype=dtype,
            crs=CRS.from_wkt(drained.elevation.crs),
            transform=affine,
            nodata=nodata,
            tiled=True,
            blockxsize=_BLOCK,
            blockysize=_BLOCK,
            compress="deflate",
            zlevel=1,
            predictor=3 if dtype == np.float32 else 1,
            bigtiff="if_safer",
        ) as raster:
            _, _, unit = description.partition(", ")
            raster.set_band_description(1, description)
            if unit in {"m", "m2"}:
                raster.set_band_unit(1, unit)
            for top in range(0, n_rows, _BLOCK):
                bottom = min(top + _BLOCK, n_rows)
                window = RasterioWindow.from_slices((top, bottom), (0, n_columns))
                raster.write(rows(top, bottom), 1, window=window)

    return write


def _masked(drained: Drainage, values: NDArray[Any], row0: int, row1: int) -> NDArray[Any]:
    """Return rows of a raster with NaN in voids."""
    rows = values[row0:row1]
    return np.where(drained.direction[row0:row1] == VOID, rows.dtype.type("nan"), rows)
