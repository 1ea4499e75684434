"""Drainage -> Lakes: the lakes of a raster one by one, with their water and their size."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.elevation.pixels import Window
from hexterra.stages.drainage.drain import Drainage
from hexterra.stages.sampling.pixel_geometry import pixel_areas
from hexterra.values import Value, freeze_arrays


@dataclass(frozen=True, eq=False, repr=False)
class Lakes(Value):
    """Lakes, numbered from 0 by their first pixels, row by row.

    Parameters
    ----------
    drainage
        Where water runs, and which pixels are under a lake.
    pixel
        (k,) int64, the pixels under all lakes, numbered row by row.
    lake
        (k,) int32, the lake over each of them.
    area_m2
        (n,) float64, ground under each lake.
    height_m
        (n,) float64, height of its water.
    """

    drainage: Drainage
    pixel: NDArray[np.int64]
    lake: NDArray[np.int32]
    area_m2: NDArray[np.float64]
    height_m: NDArray[np.float64]

    def __post_init__(self) -> None:
        freeze_arrays(
            self,
            ("pixel", np.int64, (None,)),
            ("lake", np.int32, self.pixel.shape),
            ("area_m2", np.float64, (None,)),
            ("height_m", np.float64, self.area_m2.shape),
        )

    @property
    def n_lakes(self) -> int:
        """How many lakes there are."""
        return len(self.area_m2)

    def label(self) -> NDArray[np.int32]:
        """Label each pixel with the lake over it, counted from 1; 0 off the lakes."""
        label = np.zeros(self.drainage.is_lake.shape, np.int32)
        label.ravel()[self.pixel] = self.lake + 1
        return label


@checked
def lakes(drained: Drainage) -> Lakes:
    """Tell the lakes of a raster apart: pixels under water that touch, by a corner too, are one.

    Water of two heights never touches: where it did, the higher would have run off into the lower.
    """
    from scipy import ndimage  # slow to load, and no plan needs it

    label = np.empty(drained.is_lake.shape, np.int32)
    n: Any = ndimage.label(drained.is_lake, np.ones((3, 3)), output=label)
    pixel = np.flatnonzero(label)
    lake = label.ravel()[pixel] - 1
    window = Window(*drained.window)
    pixel_m2 = np.broadcast_to(pixel_areas(drained.elevation, window), window.shape)
    height_m = np.empty(n)
    height_m[lake] = drained.surface_m.ravel()[pixel]
    area_m2: Any = np.bincount(lake, pixel_m2[np.divmod(pixel, window.shape[1])], minlength=n)
    return Lakes(drained, pixel, lake, area_m2, height_m)
