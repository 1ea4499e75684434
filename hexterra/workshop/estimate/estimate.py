"""Foam and base -> Estimate: wire, cuts, set-ups, hours, weight, cost, finishing and boxes."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from hexterra.brief.amounts import Amounts
from hexterra.brief.bench_sections import BenchBrief
from hexterra.brief.timing import WorkKind, minutes_of
from hexterra.stages.schedule.pieces import Piece
from hexterra.units import MM_PER_M
from hexterra.values import Value, readonly
from hexterra.workshop.estimate.cutting import Work, list_work
from hexterra.workshop.estimate.shares import share_out
from hexterra.workshop.sheets.boxes import BoxLoad, fill_boxes
from hexterra.workshop.sheets.facing_sheets import facing_nests, facing_solids
from hexterra.workshop.sheets.foam import Foam
from hexterra.workshop.sheets.rectangles import RectangleNest
from hexterra.workshop.sheets.wood import Wood, wood
from hexterra.workshop.solids.base import Base
from hexterra.workshop.solids.base import base as plain_base
from hexterra.workshop.solids.carved import (
    Measures,
    covered_mm2,
    piece_stretches,
    schedule_measures,  # fmt: skip
)
from hexterra.workshop.solids.facings import Facings, facings
from hexterra.workshop.solids.grooves import Grooves, schedule_grooves
from hexterra.workshop.solids.guides import Guides, signed_area_mm2
from hexterra.workshop.solids.solids import Solid, piece_solids

#: What is seen of a board once it stands.
SurfaceKind = Literal["level ground", "slope", "water", "upright face"]
SURFACE_KINDS: Final[tuple[SurfaceKind, ...]] = ("level ground", "slope", "water", "upright face")

_G_PER_KG: Final = 1000.0


@dataclass(frozen=True, eq=False)
class SetUp(Value):
    """A guide or fence to mount, once.

    Parameters
    ----------
    name
        Of the guide.
    n_items, n_cuts
        What is cut under it, and in how many passes.
    wire_mm
        How far the wire travels through foam.
    minutes
        To mount it and make the cuts.
    """

    name: str
    n_items: int
    n_cuts: int
    wire_mm: float
    minutes: float


@dataclass(frozen=True, eq=False)
class Estimate(Value):
    """What a board takes to make, without the pieces that the maker owns.

    Parameters
    ----------
    foam
        Its blanks, blocks and sheets.
    wood
        Its base, and what that is sawn from.
    bench
        Rates, calibrated, what finishing takes, and what pieces are stored in.
    work
        Every cut of the wire, in the order of the set-ups.
    facings
        Upright faces between tops.
    facing_nests
        Blanks of facings on sheets, one nest for each thickness; none where faces stay bare.
    facing_mm3
        Foam in all facings.
    wire_mm, n_cuts, cut_mm2
        For one of each piece, (n_pieces,) float64: its own cuts and its share of the cuts that
        made its blank; 0 where all are owned. Times the counts to cut, and with those of facings,
        they add up to the whole.
    volume_mm3
        Foam in one of each piece, (n_pieces,) float64, without what is cut into its top.
    top_mm2, around_mm2
        Area of its top along slopes, beds and banks, and of it all round, (n_pieces,) float64.
    surface_mm2
        What is seen of all tiles to cut, in the order of `SURFACE_KINDS`, and of all upright
        faces, (4,) float64.
    boxes
        How all pieces of the board are stored, owned ones too.
    """

    foam: Foam
    wood: Wood
    bench: BenchBrief
    work: tuple[Work, ...]
    facings: Facings
    facing_nests: tuple[RectangleNest, ...]
    facing_mm3: float
    wire_mm: NDArray[np.float64]
    n_cuts: NDArray[np.float64]
    cut_mm2: NDArray[np.float64]
    volume_mm3: NDArray[np.float64]
    top_mm2: NDArray[np.float64]
    around_mm2: NDArray[np.float64]
    surface_mm2: NDArray[np.float64]
    boxes: tuple[BoxLoad, ...]

    def __post_init__(self) -> None:
        n = len(self.foam.pieces.pieces)
        for name, length in (
            ("wire_mm", n),
            ("n_cuts", n),
            ("cut_mm2", n),
            ("volume_mm3", n),
            ("top_mm2", n),
            ("around_mm2", n),
            ("surface_mm2", len(SURFACE_KINDS)),
        ):
            held = readonly(getattr(self, name), dtype=np.float64, shape=(length,), name=name)
            object.__setattr__(self, name, held)

    @property
    def base(self) -> Base:
        """What the board stands on."""
        return self.wood.base

    @property
    def n_facings(self) -> int:
        """Facings to cut."""
        return sum(one.count for nest in self.facing_nests for one in nest.rectangles)

    # Time ----------------------------------------------------------------------------------------

    @cached_property
    def set_ups(self) -> tuple[SetUp, ...]:
        """Guides to mount, in order."""
        by_name: dict[str, list[Work]] = {}
        for entry in self.work:
            by_name.setdefault(entry.set_up, []).append(entry)
        found: list[SetUp] = []
        for name, entries in by_name.items():
            one = _amounts(entries).model_copy(update={"n_set_ups": 1})
            minutes = sum(minutes_of(one, self.bench).values())
            n_items, n_cuts = sum(entry.count for entry in entries), round(one.n_cuts)
            found.append(SetUp(name, n_items, n_cuts, one.wire_m * MM_PER_M, minutes))
        return tuple(found)

    @cached_property
    def amounts(self) -> Amounts:
        """How much work of each kind there is."""
        level, slope, water, upright = (self.surface_mm2 / MM_PER_M**2).tolist()
        n_foam_sheets = self.foam.n_sheets + sum(nest.n_sheets for nest in self.facing_nests)
        return _amounts(self.work).model_copy(
            update={
                "n_set_ups": len(self.set_ups),
                "n_pieces": int(self.foam.to_cut.sum()) + self.n_facings,
                "n_sheets": n_foam_sheets + self.wood.panels.n_sheets,
                "n_joints": self.foam.n_joints + self.n_facings + self.wood.n_joints,
                "n_saw_cuts": self.wood.n_saw_cuts,
                "texture_m2": level + slope + upright,
                "paint_m2": level + slope + water + upright,
                "scatter_m2": level + slope,
            }
        )

    @cached_property
    def minutes(self) -> dict[WorkKind, float]:
        """Time by kind of work; what is not needed takes 0."""
        return minutes_of(self.amounts, self.bench)

    @property
    def hours(self) -> float:
        """Time for everything."""
        return math.fsum(self.minutes.values()) / 60.0

    @property
    def footing_hours(self) -> float:
        """How much of it footings take: their cuts, cleaning, the guide of their groove, rails."""
        is_footing = np.array([piece.kind == "footing" for piece in self.foam.pieces.pieces])
        count = np.where(is_footing, self.foam.to_cut, 0)
        of_footings = Amounts(
            wire_m=float(count @ self.wire_mm) / MM_PER_M,
            cut_m2=float(count @ self.cut_mm2) / MM_PER_M**2,
            n_cuts=float(count @ self.n_cuts),
            n_set_ups=len({entry.set_up for entry in self.work if entry.kind == "groove"}),
            n_pieces=int(count.sum()),
            n_joints=len(self.wood.rail_lengths_mm),
        )
        return math.fsum(minutes_of(of_footings, self.bench).values()) / 60.0

    # Cost and weight -----------------------------------------------------------------------------

    @property
    def prices(self) -> dict[str, float | None]:
        """Price of what must be bought for pieces, facings and base; None where it is unknown."""
        found: dict[str, float | None] = {"foam": self.foam.price}
        if self.facing_nests:
            found["facings"] = _sum(nest.price for nest in self.facing_nests)
        return found | self.wood.prices

    @property
    def price(self) -> float | None:
        """Price of all that; None if any of it is unknown."""
        return _sum(self.prices.values())

    @cached_property
    def piece_weight_g(self) -> NDArray[np.float64]:
        """Weight of one of each piece, (n_pieces,) float64; paint not included."""
        weight = self.volume_mm3 * self._g_per_mm3
        weight.flags.writeable = False
        return weight

    @property
    def weights_kg(self) -> dict[str, float]:
        """Weight of the board by what it is made of, owned pieces too; paint not included."""
        counts = np.array([piece.count for piece in self.foam.pieces.pieces])
        pieces_g = float(counts @ self.piece_weight_g)
        return {
            "pieces": pieces_g / _G_PER_KG,
            "facings": self.facing_mm3 * self._g_per_mm3 / _G_PER_KG,
            **self.wood.weights_kg,
        }

    @property
    def weight_kg(self) -> float:
        """Weight of all of it."""
        return math.fsum(self.weights_kg.values())

    @property
    def _g_per_mm3(self) -> float:
        return self.foam.stock.density_kg_per_m3 * _G_PER_KG / MM_PER_M**3

    # Finishing -----------------------------------------------------------------------------------

    @cached_property
    def materials_of(self) -> dict[SurfaceKind, dict[str, float]]:
        """What finishing each kind of surface takes: millilitres, and grams of scatter."""
        bench = self.bench
        per_m2 = {
            "texture_ml": (bench.texture_ml_per_m2, ("level ground", "slope", "upright face")),
            "paint_ml": (bench.paint_ml_per_m2, SURFACE_KINDS),
            "scatter_g": (bench.scatter_g_per_m2, ("level ground", "slope")),
            "varnish_ml": (bench.water_ml_per_m2, ("water",)),
        }
        area_m2 = dict(zip(SURFACE_KINDS, (self.surface_mm2 / MM_PER_M**2).tolist(), strict=True))
        return {
            kind: {
                name: area_m2[kind] * amount if kind in kinds else 0.0
                for name, (amount, kinds) in per_m2.items()
            }
            for kind in SURFACE_KINDS
        }

    @property
    def materials(self) -> dict[str, float]:
        """What finishing takes in all: texture, paint and varnish in ml, scatter in g."""
        held = self.materials_of.values()
        return {name: math.fsum(one[name] for one in held) for name in next(iter(held))}


def estimate(
    foam: Foam,
    *,
    base: Base | None = None,
    bench: BenchBrief | None = None,
    grooves: Grooves | None = None,
) -> Estimate:
    """Estimate what a board takes in cuts, time, weight, cost, finishing and storage.

    Every guide is mounted once and serves all cuts that need it. The cuts that make blocks and
    slices are shared out evenly among the layers they make, and so among the pieces. Pieces that
    `foam` does not cut are taken for finished; vertical faces are all covered again, as they are
    not part of any piece.

    Parameters
    ----------
    foam
        Blanks, blocks and sheets of the board.
    base
        What it stands on; `hexterra.workshop.solids.base.base` with its defaults by default.
    bench
        How long work takes, what finishing takes, how far upright faces lean back, and what pieces
        are stored in; ``BenchBrief()`` by default.
    grooves
        Sections of water and roads; those of `schedule_grooves` by default.

    Returns
    -------
    Estimate
        Level ground, slopes and water together are all that is seen of the tops to cut, beds and
        banks among them.

    Raises
    ------
    StockError
        If a piece does not fit the box, or a panel or facing its sheet.
    """
    bench = (bench or BenchBrief()).calibrated
    pieces = foam.pieces
    under = base if base is not None else plain_base(pieces)
    solids = piece_solids(pieces)
    grooves = grooves or schedule_grooves(pieces, Guides(foam.stock, bench))
    measures = schedule_measures(pieces, grooves)
    faces = facings(pieces, batter_deg=bench.batter_deg, least_mm=foam.stock.facing_least_mm)
    work = list_work(foam, under, faces, grooves)
    wire_mm, n_cuts, cut_mm2 = share_out(foam, work)
    surface_mm2 = np.zeros(len(SURFACE_KINDS))
    rows = zip(pieces.pieces, foam.to_cut.tolist(), solids, measures, strict=True)
    for piece, count, solid, held in rows:
        if piece.kind == "tile" and count:
            surface_mm2[:3] += count * _top_mm2(piece, solid, held, grooves)
    surface_mm2[3] = faces.area_mm2.sum()
    coverings = facing_solids(faces, foam.stock)
    return Estimate(
        foam=foam,
        wood=wood(under),
        bench=bench,
        work=work,
        facings=faces,
        facing_nests=facing_nests(faces, foam.stock),
        facing_mm3=math.fsum(body.count * body.volume_mm3 for _, body in coverings),
        wire_mm=wire_mm,
        n_cuts=n_cuts,
        cut_mm2=cut_mm2,
        volume_mm3=np.array([held.volume_mm3 for held in measures]),
        top_mm2=np.array([held.top_mm2 for held in measures]),
        around_mm2=np.array([held.surface_mm2 for held in measures]),
        surface_mm2=surface_mm2,
        boxes=fill_boxes(pieces, bench),
    )


def _amounts(work: Iterable[Work]) -> Amounts:
    """Add the cuts of some work up."""
    held = tuple(work)
    loops = [entry for entry in held if entry.kind == "loop"]
    return Amounts(
        wire_m=math.fsum(entry.wire_mm for entry in held) / MM_PER_M,
        cut_m2=math.fsum(entry.cut_mm2 for entry in held) / MM_PER_M**2,
        n_cuts=sum(entry.n_cuts for entry in held),
        n_channels=sum(entry.count for entry in held if entry.kind in ("channel", "loop")),
        loop_m=math.fsum(entry.wire_mm for entry in loops) / MM_PER_M,
    )


def _sum(prices: Iterable[float | None]) -> float | None:
    """Add prices up; None if any is unknown."""
    total = 0.0
    for price in prices:
        if price is None:
            return None
        total += price
    return total


def _top_mm2(
    piece: Piece, solid: Solid, measures: Measures, grooves: Grooves
) -> NDArray[np.float64]:
    """Return level ground, slopes and water of one top, (3,) float64, in square millimetres.

    A watercourse covers as much of the level ground as of the slopes, by share of their area on
    the plan; a road is ground like that around it.
    """
    facets = solid.facets_mm
    sloped = [float(np.ptp(facet[:, 2])) > 1e-9 for facet in facets]
    level = 0.0
    for facet, is_sloped in zip(facets, sloped, strict=True):
        if not is_sloped:
            level += signed_area_mm2(facet)
    ground = np.array([level, solid.top_mm2 - level]) / solid.top_mm2
    dry_mm2 = measures.top_mm2
    if piece.crossing:
        wet = covered_mm2(solid, piece_stretches(piece, solid, grooves)) / solid.footprint_mm2
        dry_mm2 = solid.top_mm2 * (1.0 - wet)
    return np.array([*(dry_mm2 * ground), measures.top_mm2 - dry_mm2])
