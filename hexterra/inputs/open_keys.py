"""Keys that a brief leaves open, taken from the earlier plans that it names.

A brief names such plans in [keep], whose tiles stay, and in [join], whose boards stand against this
one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from hexterra.inputs.joints import SHAPE, check_shape, place_beside, shape_beside

if TYPE_CHECKING:
    from hexterra.brief.brief import Brief
    from hexterra.inputs.earlier_plans import EarlierPlan

#: What is given instead of a key.
_INSTEAD: Final = {
    "columns": "width_mm", "rows": "depth_mm", "lon_deg": "x", "lat_deg": "y",
    "metres_per_step": "exaggeration", "cliff_rise_steps": "cliffs",
}  # fmt: skip


def fill_open_keys(
    brief: Brief, kept: EarlierPlan | None, joined: Mapping[str, EarlierPlan]
) -> tuple[Brief, tuple[str, ...]]:
    """Take what a brief leaves open about board, heights and ramps from earlier plans.

    Parameters
    ----------
    brief
        What is wanted.
    kept
        The plan whose tiles stay.
    joined
        The plans of the boards that stand against this one, by edge.

    Returns
    -------
    tuple[Brief, tuple[str, ...]]
        The brief with these keys set, and what was set, in the form ``key = value (reason)``.

    Raises
    ------
    BriefError
        If the brief gives a key of the board another value than such a plan.
    """
    assumed: list[str] = []
    if kept is not None:
        names = ("columns", "rows", "scale", "lon_deg", "lat_deg", *SHAPE)
        brief = _take(brief, kept, {name: getattr(kept.board, name) for name in names}, assumed)
        check_shape("keep.plan", ("columns", "rows", "scale", *SHAPE), brief.board, kept)
    for edge, earlier in joined.items():
        names = shape_beside(edge)
        of_board = {name: getattr(earlier.board, name) for name in names}
        brief = _take(brief, earlier, of_board, assumed)
        check_shape(f"join.{edge}", names, brief.board, earlier)
        lon_deg, lat_deg = place_beside(brief, edge, earlier)
        brief = _take(brief, earlier, {"lon_deg": lon_deg, "lat_deg": lat_deg}, assumed)
    return brief, tuple(assumed)


def _take(
    brief: Brief, earlier: EarlierPlan, of_board: Mapping[str, object], assumed: list[str]
) -> Brief:
    """Set keys of these sections of which neither they nor what stands for them is set."""
    names = ["step_mm"]
    if brief.heights.method == earlier.method == "even":
        names += ["metres_per_step", "datum_m"]
    wanted = {
        "board": of_board,
        "heights": {name: getattr(earlier, name) for name in names},
        "ramps": {name: getattr(earlier, name) for name in ("limit", "cliff_rise_steps")},
    }
    changes: dict[str, dict[str, object]] = {}
    for section, values in wanted.items():
        given = getattr(brief, section)
        for name, value in values.items():
            is_open = name not in given.model_fields_set or getattr(given, name) is None
            if is_open and (name not in _INSTEAD or getattr(given, _INSTEAD[name]) in (None, ())):
                changes.setdefault(section, {})[name] = value
                shown = f"{value:.10g}" if isinstance(value, float) else json.dumps(value)
                assumed.append(f"{section}.{name} = {shown} (as in {earlier.name})")
    return brief.changed(changes) if changes else brief
