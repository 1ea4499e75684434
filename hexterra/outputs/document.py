"""The plan as one JSON document: what was asked, what was found, and every cell."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from hexterra.brief.brief import without_folders
from hexterra.csvfile import DECIMALS
from hexterra.inputs.earlier_plans import FORMAT, VERSION
from hexterra.outputs.reopen import stored_stages
from hexterra.plan.tables import NEIGHBOUR_RULE
from hexterra.stages.tiles.fit import level_to_metres
from hexterra.stages.water.flow import WaterKind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.brief.brief import Brief
    from hexterra.elevation.elevation import Elevation
    from hexterra.plan.plan import Plan
    from hexterra.stages.water.flow import Watercourses

#: Columns of the table of tiles that list numbers.
_LISTS: Final[dict[str, type[int] | type[float]]] = {
    "corners": int, "cliffs": int, "ports": int, "spacers": float, "widths": int, "upright": int,
    "road_ports": int, "sunken": int,
}  # fmt: skip


def plan_document(plan: Plan, files: Sequence[str] = ()) -> dict[str, Any]:
    """Gather a plan into plain lists, texts and numbers, as `plan_schema` describes them.

    It holds no time and no path, and fractions are rounded, so equal plans give equal documents.
    Only ``input`` and ``stored`` are exact: with them the plan is opened again
    (`outputs.reopening`).

    Parameters
    ----------
    plan
        The plan.
    files
        Names of the files that are written with it.
    """
    board, levels, legal, fitted = plan.board, plan.levels, plan.legal, plan.fitted
    top = np.arange(fitted.corners.max(initial=0) + 1, dtype=np.float64)
    return {
        "format": FORMAT,
        "version": VERSION,
        "title": plan.brief.title,
        "files": list(files),
        "corner0_deg": board.corner0_deg,
        "neighbour_rule": NEIGHBOUR_RULE,
        "input": {
            "name": plan.elevation.name,
            "digest": plan.elevation.digest,
            "pixels": plan.elevation.source.digest,
            "shape": list(plan.elevation.shape),
            "affine": list(plan.elevation.affine[:6]),
            "crs": plan.elevation.crs,
            "metres_per_unit": plan.elevation.metres_per_unit,
            "assumed": list(plan.elevation.assumed),
        },
        "brief": without_folders(plan.brief.model_dump(mode="json")),
        "assumed": list(plan.assumed),
        "notes": list(plan.notes),
        "board": {
            "columns": board.columns,
            "rows": board.rows,
            "n_cells": board.n_cells,
            "across_flats_mm": board.across_flats_mm,
            "size_mm": [_rounded(length, 3) for length in board.size_mm],
            "facing": board.facing,
            "edges": board.edges,
            "scale": board.scale,
            "lon_deg": board.lon_deg,
            "lat_deg": board.lat_deg,
            "bearing_deg": board.bearing_deg,
            "crs": board.crs,
        },
        "heights": {
            "step_mm": plan.pieces.step_mm,
            "metres_per_step": _rounded(levels.metres_per_step, 6),
            "datum_m": _rounded(levels.datum_m, 3),
            "exaggeration": _rounded(plan.exaggeration, 4),
            "thresholds_m": _list(levels.thresholds_m, 3),
            "level_m": _list(level_to_metres(levels, top), 3),
        },
        "evidence": _evidence(plan),
        "catalogue": {
            "patterns": {
                pattern.name: "".join(map(str, pattern.rises))
                for pattern in plan.catalogue.patterns
            },
            "minutes": {
                pattern.name: pattern.minutes
                for pattern in plan.catalogue.patterns
                if pattern.minutes is not None
            },
            "faces": list(plan.catalogue.faces),
            "banks": list(plan.catalogue.banks),
            "crossings": {
                crossing.name: {
                    "water": crossing.water,
                    "ports": [list(sides) for sides in crossing.ports],
                }
                for crossing in plan.catalogue.crossings
            },
        },
        "cells": _cells(plan, legal.level, levels.level),
        "schedule": [
            {
                "kind": piece.kind,
                "piece": piece.name,
                "part": piece.part,
                "hand": piece.hand,
                "pattern": piece.pattern,
                "turn": piece.turn,
                "crossing": piece.crossing,
                "ports": list(piece.ports),
                "thickness_mm": _rounded(piece.thickness_mm, 3),
                "count": piece.count,
            }
            for piece in plan.pieces.pieces
        ],
        "stored": stored_stages(plan),
    }


def request_of(elevation: Elevation, brief: Brief) -> dict[str, Any]:
    """Return the part of a plan's document that is known before it is made.

    Keys that an earlier plan will fill are known only then, so with such plans it is the ground.
    """
    known: dict[str, Any] = {"input": {"name": elevation.name, "digest": elevation.digest}}
    is_open = brief.keep.plan is None and all(
        getattr(brief.join, edge) is None for edge in type(brief.join).model_fields
    )
    if is_open:
        known["brief"] = without_folders(brief.model_dump(mode="json"))
    return known


def plan_json(plan: Plan, files: Sequence[str] = ()) -> str:
    """Write the document of a plan, a line to each cell and each piece."""
    document = plan_document(plan, files)
    lines: list[str] = []
    for name, value in document.items():
        if name in {"cells", "schedule"}:
            rows = ",\n  ".join(_compact(row) for row in value)
            lines.append(f'"{name}": [\n  {rows}\n]')
        elif name == "stored":
            parts = ",\n  ".join(f'"{key}": {_compact(part)}' for key, part in value.items())
            lines.append(f'"{name}": {{\n  {parts}\n}}')
        else:
            text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1)
            lines.append(f'"{name}": {text}')
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _evidence(plan: Plan) -> dict[str, Any]:
    """Say what each stage found and changed, in numbers."""
    heights, legal, fitted = plan.heights, plan.legal, plan.fitted
    names = [pattern.name for pattern in plan.catalogue.patterns]
    used = np.bincount(fitted.pattern, minlength=len(names)).tolist()
    return {
        "gather": {
            "least_coverage": _rounded(heights.coverage.min(), 4),
            "mean_coverage": _rounded(heights.coverage.mean(), 4),
            "lowest_m": _rounded(heights.min_m.min(), 3),
            "highest_m": _rounded(heights.max_m.max(), 3),
        },
        "flow": None if plan.water is None else _flow_evidence(plan.water),
        "legalise": {
            "measure": legal.measure,
            "cost": _rounded(legal.cost, 9),
            "bound": _rounded(legal.least_cost, 9),
            "n_edited": int(np.count_nonzero(legal.edit)),
            "largest_edit": int(np.abs(legal.edit).max(initial=0)),
            "n_marked_cliffs": int(legal.cliff.sum()) // 2,
        },
        "fit": {
            "patterns": {name: count for name, count in zip(names, used, strict=True) if count},
            "n_step_faces": int(fitted.cliff.sum()) // 2,
            "cost": _rounded(plan.refined.cost, 6),
            "bound": _rounded(plan.refined.bound, 6),
            "spent_on_kinds": _rounded(plan.refined.spent_on_kinds, 6),
            "least_kinds": plan.refined.least_kinds,
            "costs": {name: _rounded(cost, 6) for name, cost in plan.refined.breakdown},
            "mean_residual_m": _rounded(fitted.residual_m.mean(), 3),
            "rms_residual_m": _rounded(np.sqrt(np.mean(fitted.residual_m**2)), 3),
            "largest_residual_m": _rounded(np.abs(fitted.residual_m).max(), 3),
        },
        "schedule": {
            f"n_{kind}s": sum(piece.count for piece in plan.pieces.pieces if piece.kind == kind)
            for kind in ("tile", "spacer", "footing")
        }
        | {"n_distinct": len(plan.pieces.pieces)},
        "fidelity": [
            {"what": what, "value": _rounded(value, 3), "unit": unit}
            for what, value, unit in plan.fidelity.rows()
        ],
    }


def _flow_evidence(water: Watercourses) -> dict[str, Any]:
    fill_m = water.filled_m - water.heights.mean_m
    kinds = np.bincount(water.kind, minlength=len(WaterKind)).tolist()
    return {
        "n_filled": int(np.count_nonzero(fill_m > 0)),
        "deepest_fill_m": _rounded(fill_m.max(), 3),
        "n_watercourse": int(water.is_watercourse.sum()),
        "n_entries": kinds[WaterKind.ENTRY],
        "n_springs": kinds[WaterKind.SPRING],
        "n_confluences": kinds[WaterKind.CONFLUENCE],
        "n_mouths": kinds[WaterKind.MOUTH],
        "n_pools": kinds[WaterKind.POOL],
        "largest_catchment_km2": _rounded(water.catchment_m2.max() / 1e6, 4),
    }


def _cells(plan: Plan, legal: NDArray[np.int32], wanted: NDArray[np.int32]) -> list[dict[str, Any]]:
    """Turn the table of tiles into records, with what the stages knew of each cell."""
    frame: pd.DataFrame = plan.tiles
    records: list[dict[str, Any]] = []
    for number, row in enumerate(frame.to_dict("records")):
        record: dict[str, Any] = {str(name): _field(str(name), v) for name, v in row.items()}
        record["wanted_level"] = int(wanted[number])
        record["legal_level"] = int(legal[number])
        if plan.water is not None:
            record["filled_m"] = _rounded(plan.water.filled_m[number], 3)
            record["catchment_km2"] = _rounded(plan.water.catchment_m2[number] / 1e6, 4)
        records.append(record)
    return records


def _field(name: str, value: Any) -> Any:
    """Turn a field of the table into a number, a text, a list of numbers, or None."""
    if name in _LISTS:
        return [_LISTS[name](word) for word in value.split()]
    if value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return None
    return _rounded(value, DECIMALS[name]) if name in DECIMALS else value


def _rounded(value: float, decimals: int) -> float:
    return round(float(value), decimals) + 0.0  # no negative zeros


def _list(values: NDArray[np.float64], decimals: int) -> list[float]:
    return [_rounded(value, decimals) for value in values.tolist()]


def _compact(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
