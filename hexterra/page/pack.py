"""A plan -> the bytes that the viewer reads: a header of words and typed arrays, compressed.

The viewer works out no stage again: levels, facets, pieces, water and roads come from the plan.
"""

from __future__ import annotations

import base64
import gzip
import json
import zlib
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.catalogue.tops import facets
from hexterra.csvfile import csv_text
from hexterra.drawing.map_features import SIGNS, WASH, road_exits
from hexterra.drawing.map_style import CLIFF, INK, STOPS, WATER
from hexterra.lattice.hexagon import N_SIDES
from hexterra.mesh.tile_columns import stack_base_mm
from hexterra.plan.summary import plan_facts
from hexterra.stages.tiles.fit import level_to_metres
from hexterra.stages.water.flow import WaterKind
from hexterra.stages.water.standing import LAKE, SEA

if TYPE_CHECKING:
    from hexterra.plan.overlay import Overlay
    from hexterra.plan.plan import Plan

#: What the viewer can read; it refuses others.
FORMAT: Final = 1
#: Arrays begin at multiples of this, as typed arrays of any kind may.
_ALIGNED: Final = 8
_BIT: Final = 1 << np.arange(N_SIDES, dtype=np.uint8)


@checked
def packed(plan: Plan, name: str = "") -> bytes:
    """Pack a plan: length of the header (uint32), header (JSON, UTF-8), arrays; little-endian.

    ``arrays`` in the header says where each array begins, counted from the end of the header, its
    dtype and its shape. Heights are steps above level 0 unless a unit is named. Sides are bits of
    a byte. The same plan gives the same bytes.

    Parameters
    ----------
    plan
        The plan.
    name
        What the viewer calls it among others; by default its title.
    """
    arrays = _arrays(plan)
    entries: dict[str, Any] = {}
    body = bytearray()
    for key, values in arrays.items():
        body += bytes(-len(body) % _ALIGNED)
        entries[key] = [values.dtype.name, len(body), *values.shape]
        body += values.astype(values.dtype.newbyteorder("<")).tobytes()
    header = {
        "format": FORMAT,
        "name": name or plan.brief.title,
        **_header(plan),
        "arrays": entries,
    }
    text = json.dumps(header, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
    text += b" " * (-(len(text) + 4) % _ALIGNED)
    return len(text).to_bytes(4, "little") + text + bytes(body)


def unpacked(data: bytes) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """Read back what `packed` wrote: the header and the arrays by name."""
    start = 4 + int.from_bytes(data[:4], "little")
    header = json.loads(data[4:start])
    arrays = {
        key: np.frombuffer(
            data, np.dtype(dtype).newbyteorder("<"), int(np.prod(shape)), start + offset
        ).reshape(shape)
        for key, (dtype, offset, *shape) in header["arrays"].items()
    }
    return header, arrays


def encoded(data: bytes) -> str:
    """Compress packed bytes (gzip, RFC 1952) and write them as text (base64, RFC 4648)."""
    return base64.b64encode(gzip.compress(data, zlib.Z_BEST_COMPRESSION, mtime=0)).decode()


def decoded(text: str) -> bytes:
    """Undo `encoded`."""
    return gzip.decompress(base64.b64decode(text))


def _arrays(plan: Plan) -> dict[str, NDArray[Any]]:
    """Gather a row per cell of everything that is shown of it, and the files to download."""
    board, tiles, pieces, overlay = plan.board, plan.fitted, plan.pieces, plan.overlay
    n, water, roads = board.n_cells, tiles.legal.water, overlay.roads
    kinds = () if roads is None else range(len(roads.kinds))
    tables = {"tiles.csv": plan.tiles, "schedule.csv": plan.schedule}
    if (stock := plan.stock) is not None:
        tables["stock.csv"] = stock
    nothing = np.full(n, -1, dtype=np.int8)
    return {
        "centre_mm": board.centre_mm.astype(np.float32),
        "column": board.column.astype(np.int16),
        "row": board.row.astype(np.int16),
        "kept": board.kept,
        "level": tiles.level.astype(np.int16),
        "shape": _shapes(plan)[1],
        "ground": plan.levels.position.astype(np.float32),
        "ground_m": plan.heights.mean_m.astype(np.float32),
        "piece": pieces.piece.astype(np.uint16),
        "footing": _footings(plan),
        "turn": pieces.turn,
        "pattern": tiles.pattern.astype(np.uint8),
        "crossing": tiles.crossing.astype(np.int16),
        "cliff": _bits(tiles.cliff),
        "water": np.zeros(n, np.uint8) if water is None else water.kind.astype(np.uint8),
        "outflow": nothing if water is None else water.outflow.astype(np.int8),
        "width": pieces.cuts.width,
        "sunken": _bits(pieces.cuts.road),
        "roads": np.array([_bits(roads.ports[k]) for k in kinds] if roads else [], np.uint8),
        "exits": np.array([road_exits(board, roads, k) for k in kinds] if roads else [], np.int8),
        "over_water": _over_water(overlay),
        "cover": nothing if overlay.cover is None else overlay.cover.given.astype(np.int8),
        **{f: np.frombuffer(csv_text(table).encode(), np.uint8) for f, table in tables.items()},
    }


def _header(plan: Plan) -> dict[str, Any]:
    """Gather what is said once: words, lengths, pieces, colours."""
    board, tiles, pieces, overlay = plan.board, plan.fitted, plan.pieces, plan.overlay
    heights = np.arange(tiles.corners.max(initial=0) + 1, dtype=np.float64)
    facts = plan_facts(
        plan.brief,
        overlay,
        plan.refined,
        pieces,
        step_m=plan.step_m,
        exaggeration=plan.exaggeration,
        fidelity=plan.fidelity,
        stock=plan.stock,
    )
    rows = plan.schedule[["kind", "piece", "part", "pattern", "thickness_mm", "count"]]
    return {
        "title": plan.brief.title,
        "facts": facts,
        "notes": [*plan.assumed, *plan.notes],
        "labels": " ".join(board.labels),
        "columns": board.columns,
        "rows": board.rows,
        "facing": board.facing,
        "corner0_deg": board.corner0_deg,
        "across_flats_mm": board.across_flats_mm,
        "size_mm": list(board.size_mm),
        "scale": board.scale,
        "bearing_deg": board.bearing_deg,
        "step_mm": pieces.step_mm,
        "base_mm": stack_base_mm(pieces),
        "level_m": np.round(level_to_metres(plan.levels, heights), 3).tolist(),
        "eye_m": plan.brief.fidelity.eye_m,
        "target_m": plan.brief.fidelity.target_m,
        "stacks_mm": pieces.stacks_mm,
        "pieces": [
            {str(key): value for key, value in row.items() if value == value}  # noqa: PLR0124 - NaN
            for row in rows.to_dict("records")
        ],
        "shapes": [{"rises": r, "facets": facets(r)} for r in _shapes(plan)[0].tolist()],
        "patterns": [pattern.name for pattern in plan.catalogue.patterns],
        "crossings": [crossing.name for crossing in plan.catalogue.crossings],
        "water_kinds": [kind.name.lower() for kind in WaterKind],
        "road_kinds": [] if overlay.roads is None else list(overlay.roads.kinds),
        "cover_kinds": [] if overlay.cover is None else list(overlay.cover.kinds),
        "standing_kinds": [LAKE, SEA],
        "signs": list(SIGNS),
        "ways": [{"name": way.name, "cells": way.cells.tolist()} for way in overlay.named],
        "palette": {"ink": INK, "water": WATER, "wash": WASH, "cliff": CLIFF, "tints": STOPS},
    }


def _shapes(plan: Plan) -> tuple[NDArray[np.int32], NDArray[np.uint16]]:
    """Return the distinct rises of turned tops, (k, 6), and which of them each cell has, (n,)."""
    rises = plan.fitted.corners - plan.fitted.level[:, None]
    shapes, shape_of = np.unique(rises, axis=0, return_inverse=True)
    return shapes, shape_of.reshape(-1).astype(np.uint16)


def _footings(plan: Plan) -> NDArray[np.int16]:
    """Return the footing of each cell as a number among the pieces, (n,) int16; -1 for none."""
    number = {p.name: k for k, p in enumerate(plan.pieces.pieces) if p.kind == "footing"}
    return np.array([number.get(name, -1) for name in plan.pieces.footing_names], dtype=np.int16)


def _over_water(overlay: Overlay) -> NDArray[np.uint8]:
    """Tell where a road fords water (1) or bridges it (2), (n,) uint8."""
    marks = np.zeros(overlay.lattice.n_cells, dtype=np.uint8)
    for at in overlay.roads.crossings if overlay.roads is not None else ():
        marks[at.cell] = 2 if at.how == "bridge" else 1
    return marks


def _bits(sides: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Write marked sides, (n, 6) bool, as bits of a byte, (n,) uint8."""
    return (sides @ _BIT).astype(np.uint8)
