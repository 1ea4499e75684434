"""Plans of seeded invented ground, each asked for differently, for tests of whole chains."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyogrio import raw
from pyproj import Geod, Transformer

from hexterra.brief.brief import Brief
from hexterra.elevation.elevation import Elevation
from hexterra.elevation.invention import invent
from hexterra.plan.pipeline import make_plan
from hexterra.plan.plan import Plan

#: What a maker with few guides can cut.
FEW_TOPS = """
[patterns]
flat = "000000"
bank = "110000"
flank = "111000"
shoulder = "111100"
[crossings.reach]
water = "reach"
ports = ["0 1", "0 2", "0 3"]
[crossings.fork]
water = "confluence"
ports = ["0 1 2", "0 1 3", "0 1 4", "0 2 4"]
[crossings.spring]
water = "spring"
ports = ["0"]
[crossings.entry]
water = "entry"
ports = ["0"]
[crossings.mouth]
water = "mouth"
ports = ["", "0", "0 1", "0 2", "0 3", "0 1 2", "0 1 3", "0 1 4", "0 2 4"]
[crossings.pool]
water = "pool"
ports = ["", "0", "0 1", "0 2", "0 3", "0 1 2", "0 1 3", "0 1 4", "0 2 4"]
[roads]
straight = ["0 3"]
bend = ["0 1", "0 2"]
end = ["0"]
"""

_DRIVERS = {".gpkg": "GPKG", ".geojson": "GeoJSON", ".shp": "ESRI Shapefile"}


def write_map(
    path: Path,
    shapes: list[Any],
    kinds: list[str],
    crs: str,
    geometry_type: str,
    names: list[str] | None = None,
) -> Path:
    """Write geometries with fields "kind" and "name" to the kind of file that the name ends in."""
    if path.suffix == ".geojson":  # RFC 7946, section 4: WGS 84 degrees
        to_degrees: Any = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
        shapes = [
            shapely.transform(shape, to_degrees.transform, interleaved=False) for shape in shapes
        ]
        crs = "EPSG:4326"
    raw.write(
        path,
        geometry=np.array([shapely.to_wkb(shape) for shape in shapes], dtype=object),
        field_data=[np.array(field, dtype=object) for field in (kinds, names or [""] * len(kinds))],
        fields=["kind", "name"],
        geometry_type=geometry_type,
        driver=_DRIVERS[path.suffix],
        crs=crs,
    )
    return path


def _line(random: np.random.Generator, box: tuple[float, ...]) -> shapely.LineString:
    """Draw a line from one edge of a box to another, bent twice in the middle."""
    west, south, east, north = box
    ends = [
        (random.uniform(west, east), south), (random.uniform(west, east), north),
        (west, random.uniform(south, north)), (east, random.uniform(south, north)),
    ]  # fmt: skip
    first, last = random.permutation(4)[:2]
    middle = random.uniform(0.35, 0.65, (2, 2))
    between = [(west + x * (east - west), south + y * (north - south)) for x, y in middle]
    return shapely.LineString([ends[first], *between, ends[last]])


def seeded_brief(
    seed: int, ground: Elevation, folder: Path, *, columns: int = 8, rows: int = 7
) -> Brief:
    """Ask for a board in one of many ways, with maps of its own written to `folder`."""
    random = np.random.default_rng(seed)

    def pick(*values: Any) -> Any:
        return values[int(random.integers(len(values)))]

    def yes(share: float) -> bool:
        return bool(random.random() < share)

    n_rows, n_columns = ground.shape
    ends = ground.to_crs(np.array([[0.0, 0.0], [n_columns, n_rows]]))
    (west, north), (east, south) = ends.tolist()
    box = (west, south, east, north)
    suffix, crs = pick(*_DRIVERS), ground.crs
    brief: dict[str, dict[str, Any]] = {
        "board": {
            "columns": columns, "rows": rows,
            "facing": ("points", "flats")[seed % 2], "edges": ("straight", "whole")[seed // 2 % 2],
            "bearing_deg": pick(0.0, 0.0, 17.0),
        },
        "ramps": {"limit": pick(1, 1, 2)},
        "water": {
            "banks": pick("sloping", "upright"),
            "threshold_km2": pick(0.3, 1.0) * _cell_km2(ground, columns, rows) * 6.0,
        },
        "fit": {
            "effort": pick("instant", "bounded"),
            "prefer": pick("truest ground", "fewest different pieces", "most standing room"),
            "step_faces": pick("marked cliffs only", "where they pay"),
        },
    }  # fmt: skip
    if yes(0.4):
        brief["ramps"]["cliff_rise_steps"] = pick(1.5, 3.0)
    if yes(0.5):
        limit = brief["water"]["threshold_km2"]
        brief["water"]["wider_from_km2"] = [3.0 * limit, 9.0 * limit]
    if yes(0.3):  # only the middle of the raster, so that rivers come in from beyond
        cell_m2 = _cell_km2(ground, columns, rows) * 1e6
        brief["board"]["scale"] = 0.6 * math.sqrt(cell_m2) / 0.1
        brief["water"]["threshold_km2"] *= 0.4
    if yes(0.2):
        brief["drainage"] = {"follow": "cell means"}
        brief["water"]["pool_depth_m"] = pick(None, 3.0)
    elif yes(0.5):
        brief["drainage"] = pick(
            {"depressions": "fill"},
            {"lake_depth_m": 1.0, "lake_area_km2": 0.01},
            {"sea_level_m": 50.0},
            {"surroundings_km": math.sqrt(_cell_km2(ground, columns, rows))},
        )
    if yes(0.2):
        brief["heights"] = pick(
            {"method": "quantile", "n_levels": 7}, {"step_mm": 15.0, "metres_per_step": 25.0}
        )
    if yes(0.2):
        brief["fit"]["rim_level"] = pick(0, 2)
    whole: dict[str, Any] = {}
    if seed % 5 == 3:
        (folder / "few.toml").write_text(FEW_TOPS, encoding="utf-8")
        whole["catalogue"] = str(folder / "few.toml")
        brief["ramps"]["limit"] = 1
        brief["water"]["banks"] = "sloping"
    if yes(0.6):
        lines = [_line(random, box) for _ in range(3)]
        named = ["road", "lane", "holloway"]
        file = write_map(folder / f"roads{suffix}", lines, named, crs, "LineString")
        brief["roads"] = {"file": str(file), "kind_field": "kind", "sunken": ["holloway"]}
    if yes(0.3):
        lines = [_line(random, box) for _ in range(2)]
        file = write_map(folder / f"rivers{suffix}", lines, ["river", "canal"], crs, "LineString")
        brief["rivers"] = {
            "file": str(file), "kind_field": "kind", "runs": pick("as drawn", "downhill"),
        }  # fmt: skip
        if "catalogue" not in whole:
            brief["rivers"]["upright"] = ["canal"]
    if yes(0.4):
        reach = (east - west) / 4.0
        discs = [
            shapely.Point(west + x * (east - west), south + y * (north - south)).buffer(reach)
            for x, y in random.uniform(0.35, 0.65, (2, 2))
        ]
        file = write_map(folder / f"areas{suffix}", discs, ["wood", "heath"], crs, "Polygon")
        brief["areas"] = {"file": str(file), "kind_field": "kind"}
    return Brief.model_validate({**whole, **brief})


def _cell_km2(ground: Elevation, columns: int, rows: int) -> float:
    """Give about the ground of one cell, if the board shows all of the raster."""
    n_rows, n_columns = ground.shape
    xy = ground.to_crs(
        np.array([[0, 0], [n_columns, 0], [n_columns, n_rows], [0, n_rows]], dtype=np.float64)
    )
    to_degrees = Transformer.from_crs(ground.crs, "EPSG:4326", always_xy=True)
    area_m2, _ = Geod(ellps="WGS84").polygon_area_perimeter(*to_degrees.transform(*xy.T))
    return abs(area_m2) / 1e6 / (columns * rows)


def seeded_plan(seed: int, folder: Path, *, columns: int = 8, rows: int = 7) -> Plan:
    """Plan a board of invented ground in one of many ways."""
    ground = invent(seed, rows=72, columns=96, pixel_m=50.0, relief_m=120.0 + 40.0 * (seed % 7))
    return make_plan(ground, seeded_brief(seed, ground, folder, columns=columns, rows=rows))
