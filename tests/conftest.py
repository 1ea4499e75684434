"""What several test files share: a real piece of ground, and the tables of a sound plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import rasterio
from affine import Affine
from matplotlib import cbook

from hexterra.elevation.elevation import Elevation, read_elevation

if TYPE_CHECKING:
    from tests.plan_tables import Rows

# Checks that test files share say what failed, too.
pytest.register_assert_rewrite(
    "tests.board_laws", "tests.command_line", "tests.page_lines", "tests.water_laws"
)


def pytest_configure(config: pytest.Config) -> None:
    """Compile the kernels before there are several processes, which would each compile them."""
    if not config.getoption("numprocesses", None):
        return
    from hexterra.commands.first_run import compiling_beside
    from hexterra.elevation.invention import invent
    from hexterra.kernels.board.message_sweeps import sweep
    from hexterra.kernels.compiled import is_compiled
    from hexterra.plan.pipeline import make_plan

    if not is_compiled(sweep):
        with compiling_beside():
            make_plan(invent(3, rows=60, columns=80))


@pytest.fixture(scope="session")
def jacksboro() -> Elevation:
    """Give the Jacksboro fault, Tennessee: SRTM heights at 3 arc-seconds, 344 x 403 pixels.

    Source: the sample data of the matplotlib package (jacksboro_fault_dem.npz), from the Shuttle
    Radar Topography Mission of NASA. The file's ymin and ymax are swapped.
    """
    with np.load(cbook.get_sample_data("jacksboro_fault_dem.npz", asfileobj=False)) as sample:
        heights = sample["elevation"]
        west, east = float(sample["xmin"]), float(sample["xmax"])
        south, north = sorted((float(sample["ymin"]), float(sample["ymax"])))
    rows, columns = heights.shape
    affine = Affine((east - west) / columns, 0.0, west, 0.0, (south - north) / rows, north)
    return read_elevation(
        heights, crs="EPSG:4326", affine=affine, vertical_unit="m", name="jacksboro"
    )


@pytest.fixture(scope="session")
def jacksboro_file(jacksboro: Elevation, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the Jacksboro fault as a GeoTIFF of int16 metres."""
    path = tmp_path_factory.mktemp("jacksboro") / "jacksboro.tif"
    rows, columns = jacksboro.shape
    heights, _ = jacksboro.read(0, rows, 0, columns)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=columns,
        height=rows,
        count=1,
        dtype="int16",
        crs="EPSG:4326",
        transform=jacksboro.affine,
    ) as dataset:
        dataset.write(heights.astype(np.int16), 1)
        dataset.set_band_unit(1, "m")
    return path


@pytest.fixture
def tables() -> tuple[Rows, Rows]:
    """Give the tables of a sound plan, to be corrupted."""
    from tests.plan_tables import read_tables  # slow to load, and few tests need them
    from tests.small_plans import small_plan

    return read_tables(small_plan())
