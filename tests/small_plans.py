"""Small plans over invented ground, made once and shared by the tests of what is written."""

from __future__ import annotations

from functools import cache
from typing import Literal

from hexterra.brief.brief import Brief
from hexterra.elevation.elevation import Elevation
from hexterra.elevation.invention import invent
from hexterra.plan.pipeline import make_plan
from hexterra.plan.plan import Plan


@cache
def small_ground() -> Elevation:
    """Invent a few kilometres of hills."""
    return invent(3, rows=96, columns=128, pixel_m=50.0)


@cache
def small_plan(
    facing: Literal["points", "flats"] = "points",
    edges: Literal["straight", "whole"] = "straight",
    columns: int = 12,
    rows: int = 9,
    bearing_deg: float = 0.0,
) -> Plan:
    """Plan a board with ramps, cliffs and watercourses."""
    brief = Brief.model_validate(
        {
            "title": "The hills behind & beyond",
            "board": {
                "columns": columns,
                "rows": rows,
                "facing": facing,
                "edges": edges,
                "bearing_deg": bearing_deg,
                "x": 500_000.0,
                "y": 3_320_000.0,
            },
            "heights": {"metres_per_step": 20.0},
            "ramps": {"limit": 1, "cliff_rise_steps": 3},
            "water": {"threshold_km2": 0.8, "least_cells": 1, "standing": False},
        }
    )
    return make_plan(small_ground(), brief)
