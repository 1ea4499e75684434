"""The built board as a raster on the ground, to lay beside the elevation it was made from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import rasterio
from affine import Affine

from hexterra.fidelity.built_surface import NODATA, SurfaceGrid, built_rows, nearest_cell

if TYPE_CHECKING:
    from hexterra.lattice.board import Board
    from hexterra.stages.tiles.fit import Tiles

__all__ = ["nearest_cell", "write_surface"]

_BLOCK: Final = 256


def write_surface(path: Path, tiles: Tiles, board: Board, affine: Affine, crs: str) -> None:
    """Write the built surface as a GeoTIFF, block of rows by block of rows.

    Heights are metres of ground: corner heights in steps, carried back through the thresholds,
    with every facet of the tops in between. Step faces are vertical. The raster has the reference
    system of the input and lies on its grid lines, with at most 32 pixels across a cell.

    Parameters
    ----------
    path
        The file to write; the same tiles give the same bytes.
    tiles, board
        The fitted board.
    affine, crs
        Of the input raster: pixel corners to coordinates, and the reference system.
    """
    grid = SurfaceGrid(board, affine, crs)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=grid.width,
        height=grid.height,
        count=1,
        dtype="float32",
        crs=grid.crs.to_wkt(),
        transform=grid.affine,
        nodata=NODATA,
        tiled=True,
        blockxsize=_BLOCK,
        blockysize=_BLOCK,
        compress="deflate",
        predictor=3,
        zlevel=6,
    ) as raster:
        raster.units = ("m",)
        raster.set_band_description(1, "built surface")
        for row0 in range(0, grid.height, _BLOCK):
            row1 = min(row0 + _BLOCK, grid.height)
            block = built_rows(tiles, grid, row0, row1)
            raster.write(block, 1, window=((row0, row1), (0, grid.width)))
