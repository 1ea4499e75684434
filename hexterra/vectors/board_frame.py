"""Where cells lie in the frame of a vector file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from hexterra.elevation.georeference import full_turn
from hexterra.errors import CrsError, VectorError

if TYPE_CHECKING:
    from hexterra.lattice.lattice import Lattice

_MARGIN: Final = 0.02  # of the reach of the cells: lines between corners are not straight there

Box = tuple[float, float, float, float]


def bounds_around(lattice: Lattice, crs: CRS) -> list[Box]:
    """Return the boxes (least x, least y, greatest x, greatest y) in `crs` that hold the cells.

    One; in a geographic CRS, three that are whole turns apart, for whichever way round the globe
    a file counts.

    Raises
    ------
    CrsError
        If the cells have no place in `crs`.
    """
    rings = lattice.rings_xy.reshape(-1, 2)
    to_file = Transformer.from_crs(lattice.crs, crs, always_xy=True)
    x, y = to_file.transform(rings[:, 0], rings[:, 1])
    xy = np.column_stack([x, y])
    if not np.isfinite(xy).all():
        raise CrsError(
            f"the cells have no place in {crs.name!r}",
            remedy="use features in a CRS that covers the cells",
            crs=crs.to_wkt(),
        )
    turns: tuple[float, ...] = (0.0,)
    if crs.is_geographic:
        turn = full_turn(crs)
        turns = (-turn, 0.0, turn)
        first = to_file.transform(*lattice.centre_xy[0])[0]
        xy[:, 0] -= turn * np.rint((xy[:, 0] - first) / turn)
    least, greatest = xy.min(axis=0), xy.max(axis=0)
    margin = _MARGIN * float((greatest - least).max())
    (west, south), (east, north) = least - margin, greatest + margin
    return [(float(west + t), float(south), float(east + t), float(north)) for t in turns]


def nothing_here(where: str, bounds: Any, crs: str, lattice: Lattice) -> VectorError:
    """Explain that nothing lies on the cells, by where both are.

    Parameters
    ----------
    where
        What the features are called in messages.
    bounds
        Least x, least y, greatest x, greatest y of the features in `crs`, or None if unknown.
    crs
        Their CRS.
    lattice
        The cells.
    """
    cells = _extent(lattice.crs, lattice.corner_xy)
    features = "elsewhere"
    if bounds is not None and np.isfinite(bounds).all():
        box = np.array([(bounds[i], bounds[j]) for i in (0, 2) for j in (1, 3)], dtype=np.float64)
        features = _extent(crs, box)
    return VectorError(
        f"nothing of {where} lies on the board: the board spans {cells}, and its features lie"
        f" {features if features == 'elsewhere' else 'in ' + features}",
        remedy="use a file of the board's place, or check its CRS",
        board=cells,
        features=features,
    )


def _extent(crs: str, xy: NDArray[np.float64]) -> str:
    """Least and greatest longitude and latitude, in words."""
    lon, lat = Transformer.from_crs(crs, "OGC:CRS84", always_xy=True).transform(xy[:, 0], xy[:, 1])
    return (
        f"longitude {np.min(lon):.4f} to {np.max(lon):.4f},"
        f" latitude {np.min(lat):.4f} to {np.max(lat):.4f} degrees"
    )
