"""Features or a raster of classes -> Cover: what grows or stands on each cell.

From vector files come areas, from land-cover rasters classes; both are shared out by exact area.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.elevation.pixels import Pixels, Source, Window
from hexterra.errors import BriefError, CoverageError, VectorError
from hexterra.lattice.board import Board
from hexterra.stages.mapping.local_frame import LocalFrame, carry_areas, place_cells
from hexterra.stages.sampling.gather import average_cells
from hexterra.stages.water.standing import LAKE, SEA
from hexterra.values import Value, freeze_arrays
from hexterra.vectors.board_frame import nothing_here

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation
    from hexterra.lattice.lattice import Lattice
    from hexterra.stages.water.standing import StandingWater
    from hexterra.vectors.features import Features

#: Share of a cell from which a kind is given to it.
LEAST_SHARE: Final = 0.5


@dataclass(frozen=True, eq=False, repr=False)
class Cover(Value):
    """What covers the cells of a lattice.

    Parameters
    ----------
    lattice
        The n cells.
    kinds
        The k kinds; where they overlap, the earlier one counts.
    share
        Share of each cell that each kind covers, (n, k) float64. Of a cell that a board's
        straight edge cuts, what the board keeps is the whole. No row adds up to more than 1.
    area_m2
        Ground area of what is kept of each cell, (n,) float64.
    given
        The kind that each cell is given, (n,) int32, as its place in `kinds`; -1 for none.
    notes
        What was not used, in sentences.
    """

    lattice: Lattice
    kinds: tuple[str, ...]
    share: NDArray[np.float64]
    area_m2: NDArray[np.float64]
    given: NDArray[np.int32]
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n = self.lattice.n_cells
        freeze_arrays(
            self,
            ("share", np.float64, (n, len(self.kinds))),
            ("area_m2", np.float64, (n,)),
            ("given", np.int32, (n,)),
        )


@checked
def cover(
    features: Features,
    lattice: Lattice,
    *,
    order: Sequence[str] | None = None,
    least_share: float = LEAST_SHARE,
) -> Cover:
    """Share areas of a map out to cells, by exact area.

    Overlaps of areas with the outlines of cells in a frame of equal area. Ground under several
    areas of a kind counts once; under several kinds, for the first of them.

    Parameters
    ----------
    features
        Areas, from `read_areas`.
    lattice
        A board, or cells of the globe.
    order
        The kinds, those that count first before the others; kinds it does not name follow in the
        order of the features. None for that order throughout.
    least_share
        A cell is given the kind with the largest share (ties go to the first) if that is at least
        this much; above 0, up to 1.

    Raises
    ------
    BriefError
        If `least_share` is out of range, or `order` names a kind that there is not.
    VectorError
        If the features are lines, or none of them lies on the lattice.
    """
    _check_share(least_share)
    if features.form != "areas":
        raise VectorError(
            f"{features.source!r} was read as lines; a cover is made of areas",
            remedy="read it with read_areas",
            form=features.form,
        )
    kinds = _ordered(tuple(dict.fromkeys(features.kind)), order)
    place = place_cells(lattice)
    areas = carry_areas(features, lattice, place)
    rank = np.array([kinds.index(features.kind[area.feature]) for area in areas], dtype=np.int64)
    polygons = np.array([area.polygon for area in areas], dtype=object)
    cell_m2 = np.asarray(shapely.area(place.outlines), dtype=np.float64)
    covered_m2 = _overlaps(place, polygons, rank, len(kinds))
    if not covered_m2.any():
        bounds = shapely.total_bounds(features.geometries()).tolist()
        raise nothing_here(repr(features.source), bounds, features.crs, lattice)
    return _finish(lattice, kinds, covered_m2 / cell_m2[:, None], cell_m2, least_share, ())


def cover_from_classes(
    raster: Elevation,
    lattice: Lattice,
    *,
    names: Mapping[int, str],
    least_share: float = LEAST_SHARE,
) -> Cover:
    """Share the classes of a land-cover raster out to cells, by exact area.

    Pixels count by the exact area of their overlap with the cell, as in `gather`: in a geographic
    CRS by their true area. Voids and classes without a name count as not covered.

    Parameters
    ----------
    raster
        Class numbers on a pixel grid, read as metres:
        ``read_elevation(path, vertical_unit="m")``. Each class is one pass over the pixels.
    lattice
        A board, or cells of the globe.
    names
        The classes to use and their kinds, those first that take precedence where shares are
        equal. Several classes may be of one kind.
    least_share
        As in `cover`.

    Raises
    ------
    BriefError
        If `least_share` is out of range, or no class is named.
    CoverageError
        If the lattice lies off the raster.
    """
    _check_share(least_share)
    if not names:
        raise BriefError(
            f"no class of {raster.name!r} is named",
            remedy="name at least one class number and its kind",
            key="names",
            value=dict(names),
        )
    kinds = tuple(dict.fromkeys(names.values()))
    share = np.zeros((lattice.n_cells, len(kinds)))
    is_on_raster = np.zeros(lattice.n_cells, np.bool_)
    for kind, name in enumerate(kinds):
        codes = tuple(float(code) for code, of_kind in names.items() if of_kind == name)
        found = average_cells(replace(raster, source=_IsClass(raster, codes)), lattice)
        if found is None:
            break
        mean, coverage = found
        is_on_raster |= ~np.isnan(coverage)
        share[:, kind] = np.nan_to_num(mean) * np.nan_to_num(coverage)
    if not is_on_raster.any():
        raise CoverageError(
            f"the board lies off the raster {raster.name!r}, and has none of its classes",
            remedy="use a raster of the board's place",
            raster=raster.name,
        )
    absent = [name for name, most in zip(kinds, share.max(axis=0), strict=True) if most == 0.0]
    notes = tuple(f"No cell has any {name} in {raster.name!r}." for name in absent)
    off = [lattice.labels[cell] for cell in np.flatnonzero(~is_on_raster)]
    if off:
        notes += (
            f"{len(off):,} of {lattice.n_cells:,} cells lie off the raster {raster.name!r} and get"
            f" none of its classes: {', '.join(off[:12])}{' and others' if len(off) > 12 else ''}.",
        )
    area_m2 = lattice.area_m2
    if isinstance(lattice, Board):
        area_m2 = np.asarray(shapely.area(shapely.polygons(lattice.kept_rings_xy)))
    return _finish(lattice, kinds, share, area_m2, least_share, notes)


def cover_of_water(standing: StandingWater) -> Cover:
    """Take lakes and the sea for what covers their cells."""
    lattice, kinds = standing.lattice, (LAKE, SEA)
    number = np.array([kinds.index(kind) for kind in standing.kinds])
    given = np.where(standing.is_under, number[standing.body], -1)
    found = [kind for kind in (0, 1) if (given == kind).any()]
    area_m2 = np.asarray(shapely.area(shapely.polygons(lattice.kept_rings_xy)))
    return Cover(
        lattice,
        tuple(kinds[kind] for kind in found),
        standing.share[:, found],
        area_m2,
        np.where(given >= 0, np.searchsorted(found, given), -1).astype(np.int32),
    )


def join_covers(first: Cover, second: Cover) -> Cover:
    """Put one cover over another of the same cells.

    Shares of `second` are scaled to the ground that `first` leaves, as if each kind of `second`
    lay evenly in its cell; a cell is given a kind of `second` where `first` gives it none.
    """
    kinds = tuple(dict.fromkeys((*first.kinds, *second.kinds)))
    share = np.zeros((first.lattice.n_cells, len(kinds)))
    share[:, : len(first.kinds)] = first.share
    left = 1.0 - first.share.sum(axis=1)
    place = np.array([kinds.index(kind) for kind in second.kinds])
    share[:, place] += second.share * left[:, None]
    below = np.where(second.given >= 0, place[second.given], -1)
    given = np.where(first.given >= 0, first.given, below).astype(np.int32)
    share /= np.maximum(share.sum(axis=1), 1.0)[:, None]
    notes = (*first.notes, *second.notes)
    return Cover(first.lattice, kinds, share, first.area_m2, given, notes)


@dataclass(frozen=True, eq=False, repr=False)
class _IsClass(Source):
    """1 where a raster holds one of some classes, 0 elsewhere; voids stay voids."""

    raster: Elevation
    codes: tuple[float, ...]

    def read(self, window: Window) -> Pixels:
        stored = self.raster.read_pixels(window)
        is_in = np.isin(stored.height_m, self.codes)
        if stored.usable is not None:
            is_in &= stored.usable
        held = is_in.astype(np.float32)
        held.flags.writeable = False
        return Pixels(held, stored.usable)


def _overlaps(
    place: LocalFrame, polygons: NDArray[Any], rank: NDArray[np.int64], n_kinds: int
) -> NDArray[np.float64]:
    """Area of each cell that each kind covers, (n_cells, n_kinds), in square metres."""
    covered = np.zeros((len(place.outlines), n_kinds))
    if not len(polygons):
        return covered
    tree = shapely.STRtree(place.outlines)
    area, cell = tree.query(polygons, predicate="covers")
    whole = np.full(len(covered), n_kinds)  # the first kind that covers all of a cell
    np.minimum.at(whole, cell, rank[area])
    is_whole = whole < n_kinds
    area, cell = tree.query(polygons, predicate="intersects")
    counts = rank[area] < whole[cell]
    area, cell = area[counts], cell[counts]
    order = np.lexsort((area, rank[area], cell))
    area, cell = area[order], cell[order]
    piece = shapely.intersection(polygons[area], place.outlines[cell])
    is_alone = np.bincount(cell, minlength=len(covered))[cell] == 1
    covered[cell[is_alone], rank[area[is_alone]]] = shapely.area(piece[is_alone])
    shared = np.flatnonzero(~is_alone)
    starts = np.flatnonzero(np.diff(cell[shared], prepend=-1))
    for group in np.split(shared, starts[1:]) if len(shared) else ():
        here = int(cell[group[0]])
        taken: Any = None
        for kind in np.unique(rank[area[group]]).tolist():
            of_kind = shapely.union_all(piece[group[rank[area[group]] == kind]])
            rest = of_kind if taken is None else shapely.difference(of_kind, taken)
            covered[here, kind] = shapely.area(rest)
            taken = of_kind if taken is None else shapely.union(taken, of_kind)
    # What earlier kinds leave of such a cell is all of that kind; later ones have been set aside.
    rest_m2 = np.maximum(shapely.area(place.outlines) - covered.sum(axis=1), 0.0)
    covered[is_whole, whole[is_whole]] = rest_m2[is_whole]
    return covered


def _finish(
    lattice: Lattice,
    kinds: tuple[str, ...],
    share: NDArray[np.float64],
    area_m2: NDArray[np.float64],
    least_share: float,
    notes: tuple[str, ...],
) -> Cover:
    """Give each cell its kind; rounding may carry no share, and no sum of them, beyond 1."""
    share = np.clip(share, 0.0, 1.0)
    share /= np.maximum(share.sum(axis=1), 1.0)[:, None]
    largest = share.argmax(axis=1)
    is_enough = share[np.arange(len(share)), largest] >= least_share * (1.0 - 1e-9)
    given = np.where(is_enough, largest, -1).astype(np.int32)
    return Cover(lattice, kinds, share, area_m2, given, notes)


def _ordered(found: tuple[str, ...], order: Sequence[str] | None) -> tuple[str, ...]:
    """Put the kinds that `order` names first."""
    first = tuple(dict.fromkeys(order or ()))
    if unknown := [kind for kind in first if kind not in found]:
        raise BriefError(
            f"order names the kind {unknown[0]!r}; there are {', '.join(map(repr, found))}",
            remedy="name kinds that the features have",
            key="order",
            value=unknown[0],
        )
    return first + tuple(kind for kind in found if kind not in first)


def _check_share(least_share: float) -> None:
    if not 0.0 < least_share <= 1.0:  # NaN never is
        raise BriefError(
            f"least_share is {least_share!r}; it must be above 0, up to 1",
            remedy="give the least share of a cell that makes it of one kind, such as 0.5",
            key="least_share",
            value=least_share,
        )
