"""Numbers that stand for voids although the raster does not declare them, found before they mix.

A mean of -32768 and ground looks like ground. So heights that no place on Earth has are refused,
and so are the numbers that programs commonly write for voids, unless heights close to them are
there as well. Invented ground keeps to the same limits. What is declared (nodata, mask) never
comes here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.elevation.pixels import Pixels, Source, Window
from hexterra.errors import NotElevationError

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation

#: Beyond these is no ground: Mount Everest 8849 m, Challenger Deep -10 935 m (from memory). They
#: catch the fill numbers of netCDF (9.96921e36, NetCDF Users Guide, appendix "File Format"), of
#: Esri float grids (-3.4028235e38) and -99999.
LEAST_M: Final = -12_000.0
GREATEST_M: Final = 9_000.0

#: Stored numbers that may lie between them, once scaled: voids of SRTM (NASA, SRTM Collection User
#: Guide, 2015, section 3) and DTED (MIL-PRF-89020B, from memory), and the default of Esri ASCII
#: grids (ArcGIS, "Esri ASCII raster format").
_COMMON: Final = (-32768.0, -32767.0, -9999.0)
#: Ground at one of them has ground within this height of it; voids stand alone.
_NEAR_M: Final = 100.0


class VoidNumber(NamedTuple):
    """A number that seems to stand for a void: as stored, in metres, and how often it was seen."""

    stored: str
    height_m: float
    n: int


def find_void_number(
    elevation: Elevation, lowest_m: NDArray[np.floating], highest_m: NDArray[np.floating]
) -> VoidNumber | None:
    """Find a number that is no height among pixels, or the extremes of cells.

    Parameters
    ----------
    elevation
        Where they are from.
    lowest_m, highest_m
        (...) float, in metres and finite: the same array twice, or the lowest and highest pixel of
        each cell. Unusable pixels may be 0.

    Returns
    -------
    VoidNumber or None
        The lowest or highest if it is beyond all ground; or else a common void number that occurs
        more often than all other heights within 100 m of it.
    """
    if not lowest_m.size:
        return None
    least, greatest = float(lowest_m.min()), float(highest_m.max())
    scalings = elevation.source.scalings
    for height_m, extremes, is_beyond in (
        (least, lowest_m, least < LEAST_M),
        (greatest, highest_m, greatest > GREATEST_M),
    ):
        if is_beyond:
            n = int(np.count_nonzero(extremes == height_m))
            return VoidNumber(_as_stored(height_m, *scalings[0]), height_m, n)
    for scale, offset in scalings:
        for number in _COMMON:
            height_m = number * scale + offset
            if least <= height_m <= greatest:
                n = int(np.count_nonzero(lowest_m == height_m))
                if 2 * n > np.count_nonzero(np.abs(lowest_m - height_m) <= _NEAR_M):
                    return VoidNumber(f"{number:g}", height_m, n)
    return None


def undeclared(elevation: Elevation, found: VoidNumber, where: str) -> NotElevationError:
    """Make the error about a void number that was found `where`."""
    assumed = " (metres were assumed)" if elevation.assumed else ""
    more = (
        f"; if it is a height, correct the vertical unit{assumed}; if many numbers are like it, the"
        " raster was resampled across its voids: use it as it was before"
    )
    return NotElevationError(
        f"{elevation.name!r} contains {found.stored} {where}, {_reason(found)}",
        remedy=f"if it marks voids, declare it: {_option(found)}"
        + ("" if _is_possible(found) else more),
        stored=found.stored,
        height_m=found.height_m,
        n=found.n,
    )


def describe_void_number(found: VoidNumber) -> str:
    """Say it in half a sentence, with what to do."""
    return (
        f"{found.n:,} pixels contain {found.stored}, {_reason(found)}; if it marks voids, give"
        f" {_option(found)}"
    )


def _option(found: VoidNumber) -> str:
    return f"--nodata {found.stored} (nodata={found.stored} in Python)"


def _is_possible(found: VoidNumber) -> bool:
    return LEAST_M <= found.height_m <= GREATEST_M


def _reason(found: VoidNumber) -> str:
    if _is_possible(found):
        return "which commonly stands for a void, but is not declared as one"
    limits = f"{LEAST_M:,.0f} to {GREATEST_M:,.0f} m"
    unit = "" if float(found.stored) == found.height_m else f" ({found.height_m:,.6g} m)"
    return f"which is not a height on Earth{unit}: those are from {limits}"


def refusing_voids(elevation: Elevation) -> Elevation:
    """Return the same raster, which refuses undeclared voids where it is read."""
    return replace(elevation, source=_Refusing(elevation))


@dataclass(frozen=True, eq=False, repr=False)
class _Refusing(Source):
    raster: Elevation

    def read(self, window: Window) -> Pixels:
        pixels = self.raster.read_pixels(window)
        if found := find_void_number(self.raster, pixels.height_m, pixels.height_m):
            where = f"in rows {window.row0} to {window.row1 - 1} ({found.n:,} pixels)"
            raise undeclared(self.raster, found, where)
        return pixels


def _as_stored(height_m: float, scale: float, offset: float) -> str:
    """Write the number that is stored for a height, so that it is found again."""
    if (scale, offset) == (1.0, 0.0):
        return repr(height_m).removesuffix(".0")
    return f"{(height_m - offset) / scale:.9g}"
