"""Lines of sight, slowly: SciPy interpolates all heights along a line at once."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates


def sees(
    height_m: NDArray[np.float64],
    eye_xy: tuple[float, float],
    target_xy: tuple[float, float],
    eye_m: float,
    target_m: float,
) -> bool:
    """Tell whether no height between the ends lies above the line from eye to target.

    Places are columns and rows; the middle of the first pixel is at 0.5.
    """
    n = max(1, math.ceil(max(abs(t - e) for e, t in zip(eye_xy, target_xy, strict=True))))
    t = np.linspace(0.0, 1.0, n + 1)
    column, row = (e + t * (g - e) for e, g in zip(eye_xy, target_xy, strict=True))
    along = map_coordinates(height_m, [row - 0.5, column - 0.5], order=1, mode="nearest")
    line = (1.0 - t) * (along[0] + eye_m) + t * (along[-1] + target_m)
    return bool((along[1:-1] <= line[1:-1] + 1e-6).all())
