"""The starter brief: every key of the models as commented TOML."""

from __future__ import annotations

import json
import textwrap
from typing import cast

from pydantic import BaseModel

from hexterra.brief.sections import is_section


def starter_text(root: type[BaseModel]) -> str:
    """Write a brief of type `root` with every key commented out; see `starter_brief`."""
    lines = [
        "# A hexterra brief. Every key is optional; remove the # of a line to set it.",
        "",
    ]
    lines += _starter_keys(root)
    for name, field in root.model_fields.items():
        if is_section(field):
            section = cast("type[BaseModel]", field.annotation)
            heading = (section.__doc__ or "").split(": ", 1)[1]
            lines += ["", f"# --- {heading}", f"[{name}]"]
            lines += _starter_keys(section, name)
    return "\n".join(lines) + "\n"


def _starter_keys(section: type[BaseModel], title: str = "") -> list[str]:
    """Write each key that is not itself a section: its meaning, then its default or an example."""
    lines: list[str] = []
    for name, field in section.model_fields.items():
        if not is_section(field):
            lines += textwrap.wrap(f"# {field.description}", 88, subsequent_indent="# ")
            example = _EXAMPLES.get(f"{title}.{name}", _EXAMPLES.get(name))
            if example is not None:
                lines.append(f"# {name} = {example}  # (an example)")
            else:
                lines.append(f"# {name} = {_toml(field.get_default(call_default_factory=True))}")
    return lines


#: What keys show instead of a default, by their name, or that of their table and theirs.
_EXAMPLES = {
    "spacer_mm": "[7.5, 15, 30]",
    "columns": "24", "rows": "16", "width_mm": "2400", "depth_mm": "1400", "scale": "25000",
    "lon_deg": "-30.5", "lat_deg": "12.25", "x": "500000.0", "y": "4000000.0",
    "metres_per_step": "20", "exaggeration": "2.5", "datum_m": "100", "n_levels": "8",
    "thresholds_m": "[120, 150, 190, 250]", "cliff_rise_steps": "3", "ramps.limit": "2",
    "threshold_km2": "1.5", "time_limit_s": "60", "rim_level": "4", "pool_depth_m": "10",
    "facing_price": "3.2", "sheet_price": "28", "bar_price": "4.5", "strip_price": "1.8",
    "sheets": "[{ thickness_mm = 50, price = 6.5 }]", "owned": '"last-board/schedule.csv"',
    "catalogue": '"my-catalogue.toml"', "follow": '"pixels"', "lake_depth_m": "3",
    "lake_area_km2": "0.5", "sea_level_m": "0", "surroundings_km": "30", "file": '"map.gpkg"',
    "layer": '"roads"', "crs": '"EPSG:4326"', "kind": '"road"', "kind_field": '"class"',
    "name_field": '"name"', "kinds": '{ primary = "high road" }', "sunken": '["holloway"]',
    "rivers.layer": '"waterways"', "rivers.kind": '"river"', "rivers.kinds": '{ stream = "brook" }',
    "rivers.upright": '["canal"]', "areas.layer": '"land use"', "areas.kind": '"woods"',
    "areas.kinds": '{ forest = "woods" }', "areas.first": '["village"]',
    "land_cover.file": '"land-cover.tif"', "classes": '{ 10 = "woods" }',
    "prices": "{ sloping = 0.5 }", "pins": "{ B3 = 4 }", "cliffs": '[["B3", "B4"]]',
    "wider_from_km2": "[20, 80]", "free": '["C4", "D2:E3"]', "joints_mm": "[600]",
    "wider_mm": "[30, 40, 50]",
    "timed": "[{ minutes = 95, wire_m = 21.5 }, { minutes = 50, paint_m2 = 0.8 }]",
    "plan": '"last-plan"', "left": '"west-plan"', "right": '"east-plan"',
    "front": '"south-plan"', "back": '"north-plan"',
}  # fmt: skip


def _toml(value: object) -> str:
    """Write a default as TOML."""
    if isinstance(value, tuple):
        return f"[{', '.join(_toml(item) for item in cast('tuple[object, ...]', value))}]"
    if isinstance(value, dict):
        return "{ }"
    return json.dumps(value)  # text, numbers and truth values look the same in TOML
