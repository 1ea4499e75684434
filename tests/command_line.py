"""The command line as a user meets it, and a raster to give it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from click.testing import CliRunner, Result

from hexterra.cli import main

SAMPLE = Path(__file__).parent.parent / "sample_data" / "imbleth.tif"


def run(*words: object) -> Result:
    """Run `hexterra` with these words; a traceback fails the test."""
    result = CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)
    assert "Traceback" not in result.output
    return result


def write_raster(path: Path, height: np.ndarray, *, unit: str = "m", **changes: Any) -> Path:
    """Write a GeoTIFF of 10 m pixels in UTM zone 31 N."""
    profile: dict[str, Any] = {
        "driver": "GTiff",
        "height": height.shape[0],
        "width": height.shape[1],
        "count": 1,
        "dtype": height.dtype,
        "crs": "EPSG:32631",
        "transform": Affine(10.0, 0.0, 500_000.0, 0.0, -10.0, 5_000_000.0),
    }
    with rasterio.open(path, "w", **{**profile, **changes}) as dataset:
        dataset.write(height, 1)
        if unit:
            dataset.units = (unit,)
    return path
