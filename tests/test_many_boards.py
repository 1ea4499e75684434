"""Whole plans, many of them: on seeded invented ground and on real ground, all fit together.

What is wanted of them is judged from the written tables alone: by `verify`, which rebuilds the
board, and by the catalogue's file, read here as plain TOML.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from affine import Affine
from matplotlib import cbook

import hexterra.catalogue
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.elevation.invention import invent
from hexterra.plan.pipeline import make_plan
from hexterra.plan.plan import Plan
from tests.plan_tables import Rows, judge, read_tables, write_document
from tests.seeded_plans import seeded_brief, seeded_plan

DEFAULT = Path(hexterra.catalogue.__file__).parent / "default.toml"
N_SEEDED = 50
#: Radius of the sphere of EPSG:3857, in metres (EPSG dataset, method 1024).
SPHERE_M = 6_378_137.0


@pytest.fixture(scope="module")
def coast() -> Elevation:
    """Give land and sea floor at 2 minutes, 91 x 120 pixels on a Mercator grid, 48 to 50 N.

    Source: the sample data of the matplotlib package (topobathy.npz); the README beside it does
    not name the survey. That its rows are even on a sphere's Mercator map, as far as its rounded
    degrees tell, is asserted here.
    """
    with np.load(cbook.get_sample_data("topobathy.npz", asfileobj=False)) as sample:
        height, lon, lat = (sample[name] for name in ("topo", "longitude", "latitude"))
    x = SPHERE_M * np.radians(lon.astype(np.float64) - 360.0)
    y = SPHERE_M * np.log(np.tan(np.pi / 4.0 + np.radians(lat.astype(np.float64)) / 2.0))
    dx, dy = np.diff(x).mean(), np.diff(y).mean()
    np.testing.assert_allclose(np.diff(x), dx, rtol=5e-3)
    np.testing.assert_allclose(np.diff(y), dy, rtol=5e-3)
    affine = Affine(dx, 0.0, x[0] - dx / 2.0, 0.0, -dy, y[-1] + dy / 2.0)
    return read_elevation(
        height[::-1].copy(), crs="EPSG:3857", affine=affine, vertical_unit="m", name="coast"
    )


def turns(sides: str) -> set[frozenset[int]]:
    """Give all turns of a set of sides of a catalogue."""
    held = [int(word) for word in sides.split()]
    return {frozenset((side + turn) % 6 for side in held) for turn in range(6)}


def outside_the_catalogue(tiles: Rows, file: Path) -> list[str]:
    """Find the tiles whose top, crossing or sunken road the file of the catalogue does not have."""
    held: dict[str, Any] = tomllib.loads(file.read_text(encoding="utf-8"))
    rises = {
        name: pattern if isinstance(pattern, str) else pattern["rises"]
        for name, pattern in held["patterns"].items()
    }
    ports = {
        name: set().union(*(turns(sides) for sides in crossing["ports"]))
        for name, crossing in held["crossings"].items()
    }
    roads = set().union(*(turns(sides) for road in held["roads"].values() for sides in road))
    found: list[str] = []
    for row in tiles:
        corners, turn, level = row["corners"].split(), int(row["turn"]), int(row["level"])
        top = "".join(str(int(corners[(k + turn) % 6]) - level) for k in range(6))
        crossed = frozenset(map(int, row["ports"].split()))
        sunken = frozenset(map(int, row["sunken"].split()))
        if row["sunken_leaves"]:
            sunken |= {int(row["sunken_leaves"])}
        is_known = (
            top == rises.get(row["pattern"])
            and (not row["crossing"] or crossed in ports.get(row["crossing"], ()))
            and (bool(row["crossing"]) or not crossed)
            and (not sunken or sunken in roads)
        )
        if not is_known:
            found.append(row["cell"])
    return found


def check(plan: Plan, folder: Path) -> dict[str, int]:
    """Write the tables of a plan and judge them; give what was looked at."""
    tables = read_tables(plan)
    write_document(folder, plan)
    verdict = judge(tables, folder)
    assert verdict.agrees, verdict.describe()
    file = DEFAULT if plan.brief.catalogue is None else Path(plan.brief.catalogue)
    assert outside_the_catalogue(tables[0], file) == []
    return dict(verdict.checked)


@pytest.mark.parametrize("first", range(0, N_SEEDED, 10))
def test_boards_of_invented_ground_fit_together(first: int, tmp_path: Path) -> None:
    """No water runs uphill, no crossing is outside the catalogue, and all else fits as well."""
    checked = [check(seeded_plan(seed, tmp_path), tmp_path) for seed in range(first, first + 10)]
    assert sum(one["ports"] for one in checked) > 100
    assert sum(one["roads over sides"] for one in checked) > 20


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("name", ["jacksboro", "coast"])
def test_boards_of_real_ground_fit_together(
    name: str, seed: int, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """The same on each real raster, asked for in as many ways."""
    ground: Elevation = request.getfixturevalue(name)
    checked = check(make_plan(ground, seeded_brief(seed, ground, tmp_path)), tmp_path)
    assert checked["cells"] == 56


def test_tops_and_crossings_outside_the_catalogue_are_seen(tmp_path: Path) -> None:
    """The judge of this file itself: a crossing under another name, and a top turned."""
    tiles, _ = read_tables(seeded_plan(0, tmp_path))
    assert outside_the_catalogue(tiles, DEFAULT) == []
    wet = next(row for row in tiles if row["crossing"] == "straight")
    wet["crossing"] = "wide bend"
    sloping = next(row for row in tiles if row["pattern"] == "bank")
    sloping["turn"] = str((int(sloping["turn"]) + 1) % 6)
    assert set(outside_the_catalogue(tiles, DEFAULT)) == {wet["cell"], sloping["cell"]}


def test_the_seeds_ask_for_everything(tmp_path: Path) -> None:
    """Among the seeded boards is each facing, outline, ramp, kind of bank, map and catalogue."""
    ground = invent(0, rows=32, columns=32)
    briefs = [seeded_brief(seed, ground, tmp_path) for seed in range(N_SEEDED)]
    assert len({(b.board.facing, b.board.edges, b.ramps.limit) for b in briefs}) == 8
    assert {b.water.banks for b in briefs} == {"sloping", "upright"}
    assert {b.catalogue is None for b in briefs} == {True, False}
    assert {Path(b.roads.file).suffix for b in briefs if b.roads.file} == {
        ".gpkg", ".geojson", ".shp",
    }  # fmt: skip
    for asked in ("rivers", "areas"):
        assert sum(getattr(b, asked).file is not None for b in briefs) > 5
    assert sum(b.drainage.follow is None for b in briefs) > N_SEEDED // 2  # that is by pixels
    assert {b.fit.rim_level for b in briefs} == {None, 0, 2}
    assert any(b.drainage.lake_depth_m for b in briefs)
    assert any(b.water.pool_depth_m for b in briefs)
