"""Elevation -> coarser Elevation: square blocks of pixels, averaged as they are read."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from affine import Affine
from numpy.typing import NDArray

from hexterra.elevation.pixels import Pixels, Source, Window

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation

#: Pixels that are read at once.
_STRIP_PIXELS: Final = 2**22


def average(elevation: Elevation, factor: int) -> Elevation:
    """Average blocks of `factor` x `factor` pixels into one.

    Parameters
    ----------
    elevation
        The raster.
    factor
        Pixels along each edge of a block, at least 1. With 1 the raster itself is returned.

    Returns
    -------
    Elevation
        Rows and columns are those of `elevation` per `factor`, rounded up; a block that reaches
        over the rim is the mean of the pixels it has. A block with fewer usable pixels than half
        of a whole one is a void. Heights have the dtype of `elevation`; means are of float64.
    """
    if factor == 1:
        return elevation
    rows, columns = elevation.shape
    fine = elevation.affine
    return replace(
        elevation,
        shape=(-(-rows // factor), -(-columns // factor)),
        affine=Affine(
            fine.a * factor, fine.b * factor, fine.c, fine.d * factor, fine.e * factor, fine.f
        ),
        source=_Averaged(elevation, factor),
    )


@dataclass(frozen=True, eq=False, repr=False)
class _Averaged(Source):
    """The means of the blocks of a raster."""

    fine: Elevation
    factor: int

    def read(self, window: Window) -> Pixels:
        n_rows = max(1, _STRIP_PIXELS // (window.shape[1] * self.factor**2))
        strips = [
            self._strip(window._replace(row0=row, row1=min(row + n_rows, window.row1)))
            for row in range(window.row0, window.row1, n_rows)
        ]
        height = np.concatenate([strip[0] for strip in strips])
        usable = np.concatenate([strip[1] for strip in strips])
        height.flags.writeable = usable.flags.writeable = False
        return Pixels(height, None if usable.all() else usable)

    def _strip(self, window: Window) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        factor, (rows, columns) = self.factor, window.shape
        all_rows, all_columns = self.fine.shape
        pixels = self.fine.read_pixels(
            Window(
                window.row0 * factor,
                min(window.row1 * factor, all_rows),
                window.column0 * factor,
                min(window.column1 * factor, all_columns),
            )
        )
        array = pixels.height_m
        beyond = rows * factor - array.shape[0], columns * factor - array.shape[1]
        counts = np.ones(array.shape, np.bool_) if pixels.usable is None else pixels.usable
        if any(beyond):
            pad = ((0, beyond[0]), (0, beyond[1]))
            array, counts = np.pad(array, pad), np.pad(counts, pad)
        blocks = (rows, factor, columns, factor)
        total = array.reshape(blocks).sum(axis=(1, 3), dtype=np.float64)  # voids hold 0
        number = counts.reshape(blocks).sum(axis=(1, 3))
        usable = 2 * number >= factor * factor
        mean = np.divide(total, number, out=np.zeros_like(total), where=usable)
        return mean.astype(array.dtype), usable
