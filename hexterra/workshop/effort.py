"""Foam -> Effort: wire, cuts, set-ups, hours, weight, finishing and boxes."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import BriefError
from hexterra.lattice.hexagon import Part
from hexterra.stages.schedule import Piece
from hexterra.values import Value, readonly
from hexterra.workshop.boxes import Box, BoxLoad, fill_boxes
from hexterra.workshop.cutting import Work, list_work
from hexterra.workshop.facings import Facings, facings
from hexterra.workshop.foam import Foam
from hexterra.workshop.rates import Finish, Rates, TimedBatch
from hexterra.workshop.solids import Solid, piece_solids

#: What is seen of a board once it stands.
SurfaceKind = Literal["level ground", "slope", "water", "upright face"]
SURFACE_KINDS: Final[tuple[SurfaceKind, ...]] = ("level ground", "slope", "water", "upright face")

_MM2_PER_M2: Final = 1e6
_MM3_PER_M3: Final = 1e9


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
class Effort(Value):
    """What a board takes to make.

    Parameters
    ----------
    foam
        Its blanks, blocks and sheets.
    rates, finish
        What was assumed.
    work
        Every cut, in the order of the set-ups.
    facings
        Upright faces between tops.
    wire_mm, n_cuts
        For one of each piece, (n_pieces,) float64: its own cuts and its share of the cuts that
        made its blank. Times their counts they add up to the whole.
    volume_mm3
        Foam in one of each piece, (n_pieces,) float64; channels are not taken off.
    surface_mm2
        What is seen of all tiles, in the order of `SURFACE_KINDS`, (4,) float64.
    boxes
        How the pieces are stored.
    """

    foam: Foam
    rates: Rates
    finish: Finish
    work: tuple[Work, ...]
    facings: Facings
    wire_mm: NDArray[np.float64]
    n_cuts: NDArray[np.float64]
    volume_mm3: NDArray[np.float64]
    surface_mm2: NDArray[np.float64]
    boxes: tuple[BoxLoad, ...]

    def __post_init__(self) -> None:
        n = len(self.foam.pieces.pieces)
        for name, length in (
            ("wire_mm", n),
            ("n_cuts", n),
            ("volume_mm3", n),
            ("surface_mm2", len(SURFACE_KINDS)),
        ):
            held = readonly(getattr(self, name), dtype=np.float64, shape=(length,), name=name)
            object.__setattr__(self, name, held)

    @cached_property
    def set_ups(self) -> tuple[SetUp, ...]:
        """Guides to mount, in order."""
        by_name: dict[str, list[Work]] = {}
        for entry in self.work:
            by_name.setdefault(entry.set_up, []).append(entry)
        found: list[SetUp] = []
        for name, entries in by_name.items():
            wire_mm = math.fsum(entry.wire_mm for entry in entries)
            n_cuts = sum(entry.n_cuts for entry in entries)
            minutes = self.rates.minutes_per_set_up + self._cutting_minutes(wire_mm, n_cuts)
            n_items = sum(entry.count for entry in entries)
            found.append(SetUp(name, n_items, n_cuts, wire_mm, minutes))
        return tuple(found)

    @cached_property
    def piece_minutes(self) -> NDArray[np.float64]:
        """Time for one of each piece, set-ups and glue apart, (n_pieces,) float64."""
        minutes = self._cutting_minutes(1.0, 0) * self.wire_mm
        minutes += self.rates.minutes_per_cut * self.n_cuts + self.rates.minutes_per_piece
        minutes.flags.writeable = False
        return minutes

    @cached_property
    def minutes(self) -> dict[str, float]:
        """Time by kind of work; what is not needed takes 0."""
        foam, rates = self.foam, self.rates
        counts = [piece.count for piece in foam.pieces.pieces]
        n_joints = sum(blank.count * (len(blank.layers) - 1) for blank in foam.blanks)
        level, slope, water, upright = (self.surface_mm2 / _MM2_PER_M2).tolist()
        return {
            "marking out": foam.n_sheets * rates.minutes_per_sheet,
            "set-ups": len(self.set_ups) * rates.minutes_per_set_up,
            "cutting": self._cutting_minutes(
                math.fsum(entry.wire_mm for entry in self.work),
                sum(entry.n_cuts for entry in self.work),
            ),
            "cleaning": sum(counts) * rates.minutes_per_piece,
            "gluing": n_joints * rates.minutes_per_joint,
            "texture": (level + slope + upright) * rates.texture_minutes_per_m2,
            "paint": (level + slope + water + upright) * rates.paint_minutes_per_m2,
            "scatter": (level + slope) * rates.scatter_minutes_per_m2,
        }

    @property
    def hours(self) -> float:
        """Time for everything."""
        return math.fsum(self.minutes.values()) / 60.0

    @property
    def price(self) -> float | None:
        """Price of the sheets; None if that of any is unknown."""
        return self.foam.price

    @cached_property
    def piece_weight_g(self) -> NDArray[np.float64]:
        """Weight of one of each piece, (n_pieces,) float64; paint not included."""
        weight = self.volume_mm3 * (self.foam.stock.density_kg_per_m3 * 1000.0 / _MM3_PER_M3)
        weight.flags.writeable = False
        return weight

    @property
    def weight_kg(self) -> float:
        """Weight of all pieces; paint not included."""
        counts = np.array([piece.count for piece in self.foam.pieces.pieces])
        return float(counts @ self.piece_weight_g) / 1000.0

    @cached_property
    def materials(self) -> dict[str, float]:
        """What finishing takes: texture, paint and varnish in millilitres, scatter in grams."""
        finish = self.finish
        level, slope, water, upright = (self.surface_mm2 / _MM2_PER_M2).tolist()
        return {
            "texture_ml": (level + slope + upright) * finish.texture_ml_per_m2,
            "paint_ml": (level + slope + water + upright) * finish.paint_ml_per_m2,
            "scatter_g": (level + slope) * finish.scatter_g_per_m2,
            "varnish_ml": water * finish.water_ml_per_m2,
        }

    def _cutting_minutes(self, wire_mm: float, n_cuts: int) -> float:
        rates = self.rates
        return wire_mm / 1000.0 * rates.minutes_per_m_wire + n_cuts * rates.minutes_per_cut


def effort(
    foam: Foam,
    *,
    rates: Rates | None = None,
    finish: Finish | None = None,
    box: Box | None = None,
    batter_deg: float = 0.0,
) -> Effort:
    """Reckon what the pieces of a board take in cuts, time, weight, finishing and storage.

    Every guide is mounted once and serves all cuts that need it. The cuts that make blocks and
    slices are shared out evenly among the layers they make, and so among the pieces.

    Parameters
    ----------
    foam
        Blanks, blocks and sheets of the board.
    rates
        How long work takes; ``Rates()`` by default.
    finish
        What finishing takes; ``Finish()`` by default.
    box
        What pieces are stored in; ``Box()`` by default.
    batter_deg
        How far upright faces lean back.

    Returns
    -------
    Effort
        Level ground, slopes and water together are all that is seen of the tiles' tops.

    Raises
    ------
    BriefError
        If the batter is out of range.
    StockError
        If a piece does not fit the box.
    """
    finish = finish or Finish()
    pieces = foam.pieces
    solids = piece_solids(pieces)
    work = list_work(foam)
    wire_mm, n_cuts = _shares(foam, work)
    faces = facings(pieces, batter_deg=batter_deg)
    surface_mm2 = np.zeros(len(SURFACE_KINDS))
    for piece, solid in zip(pieces.pieces, solids, strict=True):
        if piece.kind == "tile":
            surface_mm2[:3] += piece.count * _top_mm2(piece, solid, finish)
    surface_mm2[3] = faces.area_mm2.sum()
    return Effort(
        foam=foam,
        rates=rates or Rates(),
        finish=finish,
        work=work,
        facings=faces,
        wire_mm=wire_mm,
        n_cuts=n_cuts,
        volume_mm3=np.array([solid.volume_mm3 for solid in solids]),
        surface_mm2=surface_mm2,
        boxes=fill_boxes(pieces, box or Box()),
    )


def time_batch(result: Effort, counts: Mapping[str, int], minutes: float) -> TimedBatch:
    """Describe a batch that was timed, for `calibrate`, by the names of the pieces in it.

    Parameters
    ----------
    result
        The effort of the board that the pieces are from.
    counts
        How many of each piece were made, blanks included.
    minutes
        How long it took, set-ups of the guides that these pieces need included.

    Raises
    ------
    BriefError
        If there is no such piece, or a number is out of range.
    """
    pieces = result.foam.pieces.pieces
    number = {piece.name: place for place, piece in enumerate(pieces)}
    unknown = sorted(set(counts) - set(number))
    if unknown:
        raise BriefError(
            f"the timed batch holds {unknown[0]!r}, which is no piece of this board",
            remedy="name pieces as schedule.csv does",
            piece=unknown[0],
        )
    of = {number[name] for name in counts}
    parts = {pieces[place].part for place in of}
    layers = {
        f"fence at {layer.thickness_mm:g} mm"
        for place in of
        for layer in result.foam.layers_of[pieces[place].thickness_mm]
    }
    blanks = layers | {f"{part} outline" for part in parts}
    set_ups = {entry.set_up for entry in result.work if entry.of in of or entry.set_up in blanks}
    return TimedBatch(
        wire_mm=math.fsum(result.wire_mm[number[name]] * n for name, n in counts.items()),
        n_cuts=math.fsum(result.n_cuts[number[name]] * n for name, n in counts.items()),
        n_set_ups=len(set_ups),
        n_pieces=sum(counts.values()),
        minutes=minutes,
    )


def _shares(foam: Foam, work: tuple[Work, ...]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Share all cuts out: wire and number of cuts of one of each piece."""
    pieces = foam.pieces.pieces
    wire_mm, n_cuts = np.zeros(len(pieces)), np.zeros(len(pieces))
    # Layers are alike by part and thickness, from whichever sheets they are cut.
    layer_wire: defaultdict[tuple[Part, float], float] = defaultdict(float)
    layer_cuts: Counter[tuple[Part, float]] = Counter()
    n_layers: Counter[tuple[Part, float]] = Counter()
    for block in foam.blocks:
        n_layers[block.part, block.layer.thickness_mm] += block.n_layers
    for entry in work:
        if entry.of >= 0:
            wire_mm[entry.of] += entry.wire_mm / entry.count
            n_cuts[entry.of] += entry.n_cuts / entry.count
        else:
            part, _, thickness_mm = entry.layer_key
            layer_wire[part, thickness_mm] += entry.wire_mm
            layer_cuts[part, thickness_mm] += entry.n_cuts
    for number, piece in enumerate(pieces):
        for layer in foam.layers_of[piece.thickness_mm]:
            key = (piece.part, layer.thickness_mm)
            wire_mm[number] += layer_wire[key] / n_layers[key]
            n_cuts[number] += layer_cuts[key] / n_layers[key]
    return wire_mm, n_cuts


def _top_mm2(piece: Piece, solid: Solid, finish: Finish) -> NDArray[np.float64]:
    """Return level ground, slopes and water of one top, (3,) float64, in square millimetres.

    A watercourse covers as much of the level ground as of the slopes, by share of their area;
    water that crosses no side is round, half as wide as the tile.
    """
    facets = solid.facets_mm
    sloped = [float(np.ptp(facet[:, 2])) > 1e-9 for facet in facets]
    level = 0.0
    for facet, is_sloped in zip(facets, sloped, strict=True):
        if not is_sloped:
            x, y = facet[:, 0], facet[:, 1]
            level += float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2.0
    slope = solid.top_mm2 - level
    bed = 0.0
    if piece.crossing:
        lines = solid.channels_mm(piece.ports, piece.water)
        length_mm = math.fsum(
            float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum()) for line in lines
        )
        whole_pool = math.pi * (solid.across_flats_mm / 4.0) ** 2 * float(solid.share)
        bed = length_mm * finish.channel_mm if lines else whole_pool
    wet = min(bed / solid.footprint_mm2, 1.0)
    return np.array([level * (1.0 - wet), slope * (1.0 - wet), (level + slope) * wet])
