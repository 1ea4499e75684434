"""The pixels of one window, cleaned: heights in metres, and which of them are usable.

Every source of heights (arrays, files, mosaics) ends here, so a void means the same in all.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Any, ClassVar, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.values import Value

#: Numbers that float32 holds exactly; all other kinds are read as float64.
_EXACT_IN_FLOAT32: Final = frozenset({"int8", "uint8", "int16", "uint16", "float32"})


class Window(NamedTuple):
    """Pixels of rows `row0` to `row1` and columns `column0` to `column1`, ends not included."""

    row0: int
    row1: int
    column0: int
    column1: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the window."""
        return self.row1 - self.row0, self.column1 - self.column0


class Pixels(NamedTuple):
    """Heights in metres, (rows, columns) float32 or float64, and what was not usable.

    `usable` is None when every pixel is. Unusable pixels hold 0.0. `n_nan` and `n_infinite` count
    the pixels that no mask or nodata value had declared void, and yet hold no number.
    """

    height_m: NDArray[Any]
    usable: NDArray[np.bool_] | None
    n_nan: int = 0
    n_infinite: int = 0


class Source(Value, ABC):
    """Where the pixels of an elevation come from."""

    #: Whether `read` gives them: a plan that was opened again knows its raster by digest only.
    is_at_hand: ClassVar[bool] = True

    @property
    def scalings(self) -> tuple[tuple[float, float], ...]:
        """Scales and offsets, of each file, that turned stored numbers into metres."""
        return ((1.0, 0.0),)

    @abstractmethod
    def read(self, window: Window) -> Pixels:
        """Read one window, which lies inside the raster; the arrays come back read-only."""


def height_dtype(stored: np.dtype[Any], *, is_scaled: bool) -> np.dtype[Any]:
    """Tell in which dtype heights that are `stored` so are read: float32 or float64."""
    fits = stored.name in _EXACT_IN_FLOAT32 and not is_scaled
    return np.dtype(np.float32 if fits else np.float64)


def clean(
    stored: NDArray[Any],
    usable: NDArray[np.bool_] | None,
    *,
    nodata: tuple[float, ...],
    scale: float,
    offset: float,
) -> Pixels:
    """Turn stored numbers into heights in metres.

    Parameters
    ----------
    stored
        Numbers as the file or array holds them, (rows, columns) of any real dtype. Written over
        if writeable.
    usable
        Mask that came with the pixels, True = usable, or None.
    nodata
        Stored numbers that stand for a void. NaN and infinities are voids anyway.
    scale, offset
        ``height_m = stored * scale + offset``.

    Returns
    -------
    Pixels
        Contiguous, read-only. When there is nothing to change, a contiguous `stored` is handed
        back as it is.
    """
    void, n_nan, n_infinite = _voids(stored, usable, nodata)
    is_scaled = (scale, offset) != (1.0, 0.0)
    dtype = height_dtype(stored.dtype, is_scaled=is_scaled)
    height_m = np.ascontiguousarray(stored, dtype=dtype)
    if void is not None:
        if not height_m.flags.writeable:
            height_m = height_m.copy()
        height_m[void] = 0.0  # before scaling: a stored infinity or NaN must not spread
    if is_scaled:
        height_m = height_m * scale
        height_m += offset
        if void is not None:
            height_m[void] = 0.0
    height_m.flags.writeable = False
    if void is None:
        return Pixels(height_m, None)
    usable = ~void
    usable.flags.writeable = False
    return Pixels(height_m, usable, n_nan, n_infinite)


def _voids(
    stored: NDArray[Any], usable: NDArray[np.bool_] | None, nodata: tuple[float, ...]
) -> tuple[NDArray[np.bool_] | None, int, int]:
    """Find the unusable pixels, None if there are none, and count undeclared NaN and infinity."""
    void = None if usable is None or usable.all() else ~usable
    for value in nodata:
        if np.isnan(value) or not _can_hold(stored.dtype, value):
            continue
        hit = stored == stored.dtype.type(value)
        if hit.any():
            void = hit if void is None else void | hit
    n_nan = n_infinite = 0
    # A sum is not finite if any term is not: far cheaper than looking at every pixel in turn.
    with np.errstate(over="ignore", invalid="ignore"):
        is_suspect = stored.dtype.kind == "f" and not np.isfinite(stored.sum())
    if is_suspect and not (finite := np.isfinite(stored)).all():
        undeclared = ~finite if void is None else ~finite & ~void
        n_infinite = int(np.isinf(stored[undeclared]).sum())
        n_nan = int(undeclared.sum()) - n_infinite
        if any(np.isnan(value) for value in nodata):
            n_nan = 0
        void = ~finite if void is None else void | ~finite
    return void, n_nan, n_infinite


def _can_hold(dtype: np.dtype[Any], value: float) -> bool:
    """Tell whether a pixel of `dtype` can hold `value` at all."""
    if dtype.kind == "f":
        return True
    limits = np.iinfo(dtype)
    return limits.min <= value <= limits.max and value == int(value)
