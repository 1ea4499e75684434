"""The JSON Schema of plan.json."""

from __future__ import annotations

from typing import Any, Final

from hexterra.inputs.earlier_plans import FORMAT, VERSION

_SIDE: Final = {"type": "integer", "minimum": 0, "maximum": 5}


_PARTS: Final = ["whole", "corner-cut half", "side-cut half", "quarter"]


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of ``plan.json``."""
    text, number, whole = {"type": "string"}, {"type": "number"}, {"type": "integer"}
    count = {"type": "integer", "minimum": 0}
    texts, numbers = _array(text), _array(number)
    maybe_side, maybe_number = ({"anyOf": [kind, {"type": "null"}]} for kind in (_SIDE, number))
    sides = _array(_SIDE) | {"uniqueItems": True, "maxItems": 6}
    part = {"enum": _PARTS}
    cell = _object(
        cell={"type": "string", "pattern": "^[A-Z]+[1-9][0-9]*$"},
        column={"type": "integer", "minimum": 1},
        row={"type": "integer", "minimum": 1},
        x_mm=number,
        y_mm=number,
        lon={"type": "number", "minimum": -180, "maximum": 180},
        lat={"type": "number", "minimum": -90, "maximum": 90},
        part=part,
        height_m=number,
        coverage={"type": "number", "minimum": 0, "maximum": 1},
        level=whole,
        corners=_array(whole) | {"minItems": 6, "maxItems": 6},
        pattern=text,
        turn=_SIDE,
        piece=text,
        cliffs=sides,
        crossing=text,
        ports=sides,
        outflow=maybe_side,
        spacers=numbers,
        footing=text,
        residual_m=number,
        widths=_array(count) | {"maxItems": 6},
        upright=sides,
        leaves=maybe_side,
        roads=text,
        road_ports=sides,
        names=text,
        over_water={"enum": ["", "ford", "bridge"]},
        sunken=sides,
        sunken_leaves=maybe_side,
        cover=text,
        cover_share=maybe_number,
        standing=text,
        wanted_level=whole,
        legal_level=whole,
    )
    cell["properties"] |= {"filled_m": number, "catchment_km2": number}  # only with water
    piece = _object(
        kind={"enum": ["tile", "spacer", "footing"]},
        piece=text,
        part=part,
        hand={"enum": ["", "left", "right"]},
        pattern=text,
        turn=_SIDE,
        crossing=text,
        ports=sides,
        thickness_mm={"type": "number", "exclusiveMinimum": 0},
        count={"type": "integer", "minimum": 1},
    )
    flow = _object(
        n_filled=count, deepest_fill_m=number, n_watercourse=count, n_entries=count,
        n_springs=count, n_confluences=count, n_mouths=count, n_pools=count,
        largest_catchment_km2=number,
    )  # fmt: skip
    evidence = _object(
        gather=_object(
            least_coverage=number, mean_coverage=number, lowest_m=number, highest_m=number
        ),
        flow={"anyOf": [flow, {"type": "null"}]},
        legalise=_object(
            measure={"enum": ["absolute", "square"]}, cost=number, bound=number, n_edited=count,
            largest_edit=count, n_marked_cliffs=count,
        ),
        fit=_object(
            patterns={"type": "object", "additionalProperties": count}, n_step_faces=count,
            cost=number, bound=number, spent_on_kinds=number, least_kinds=count,
            costs={"type": "object", "additionalProperties": number},
            mean_residual_m=number, rms_residual_m=number, largest_residual_m=number,
        ),
        schedule=_object(n_tiles=count, n_spacers=count, n_footings=count, n_distinct=count),
        fidelity=_array(_object(what=text, value=number, unit={"enum": ["", "m", "%"]})),
    )  # fmt: skip
    catalogue = _object(
        patterns={
            "type": "object",
            "additionalProperties": {"type": "string", "pattern": "^[0-2]{6}$"},
        },
        minutes={"type": "object", "additionalProperties": number},
        faces=texts,
        banks=texts,
        crossings={
            "type": "object",
            "additionalProperties": _object(water=text, ports=_array(sides)),
        },
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "hexterra plan",
        **_object(
            format={"const": FORMAT},
            version={"const": VERSION},
            title=text,
            files=texts,
            corner0_deg=number,
            neighbour_rule=text,
            input=_object(
                name=text,
                digest=text,
                pixels=text,
                shape=_array(count) | {"minItems": 2, "maxItems": 2},
                affine=numbers | {"minItems": 6, "maxItems": 6},
                crs=text,
                metres_per_unit=number,
                assumed=texts,
            ),
            brief={"type": "object"},
            assumed=texts,
            notes=texts,
            board=_object(
                columns=count, rows=count, n_cells=count, across_flats_mm=number,
                size_mm=numbers, facing={"enum": ["points", "flats"]},
                edges={"enum": ["straight", "whole"]}, scale=number, lon_deg=number,
                lat_deg=number, bearing_deg=number, crs=text,
            ),
            heights=_object(
                step_mm=number, metres_per_step=number, datum_m=number, exaggeration=number,
                thresholds_m=numbers, level_m=numbers,
            ),
            evidence=evidence,
            catalogue=catalogue,
            cells=_array(cell),
            schedule=_array(piece),
            stored={
                "type": "object",
                "description": "What hexterra opens the plan with; values as their fields.",
            },
        ),
    }  # fmt: skip


def _array(items: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": items}


def _object(**properties: Any) -> dict[str, Any]:
    """Describe an object that has exactly these properties."""
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }
