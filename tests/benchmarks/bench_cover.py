"""How fast cover is, against exactextract on classes and plain shapely on areas.

Ratios of best times, measured in alternation in one run, of results that agree.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import shapely
from affine import Affine
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource

from hexterra.elevation.elevation import read_elevation
from hexterra.lattice.board import Board
from hexterra.stages.mapping.cover import cover, cover_from_classes
from hexterra.stages.mapping.local_frame import place_cells
from hexterra.vectors.features import Features


def best(runs: dict[str, Callable[[], Any]], rounds: int) -> dict[str, float]:
    """Best time of each, in seconds, measured in alternation."""
    times = dict.fromkeys(runs, np.inf)
    for _ in range(rounds):
        for name, run in runs.items():
            start = time.perf_counter()
            run()
            times[name] = min(times[name], time.perf_counter() - start)
    return times


def board(columns: int, rows: int) -> Board:
    """Give a board of whole hexagons, 600 m across flats."""
    return Board(columns, rows, 30.0, "points", "whole", 20_000.0, 9.1, 47.0)


def test_classes_against_exactextract(benchmark: Any) -> None:
    """Shares of 5 classes, 2000 x 2000 pixels, 2,500 cells."""
    lattice, n, pixel_m = board(50, 50), 2000, 16.0
    classes = np.random.default_rng(0).integers(1, 6, (n // 20, n // 20)).astype(np.uint8)
    classes = np.ascontiguousarray(np.kron(classes, np.ones((20, 20), np.uint8)))
    half = n * pixel_m / 2
    raster = read_elevation(
        classes,
        crs=lattice.crs,
        affine=Affine(pixel_m, 0, -half, 0, -pixel_m, half),
        vertical_unit="m",
    )
    names = {k: f"class {k}" for k in range(1, 6)}
    source = NumPyRasterSource(classes, xmin=-half, ymin=-half, xmax=half, ymax=half)
    cells = [
        {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(ring)}
        for ring in place_cells(lattice).outlines
    ]
    ours = cover_from_classes(raster, lattice, names=names)
    found: Any = exact_extract(source, cells, ["unique", "frac"])
    theirs = np.zeros_like(ours.share)
    for cell, row in enumerate(found):
        held = row["properties"]
        theirs[cell, np.asarray(held["unique"], dtype=int) - 1] = held["frac"]
    inside = ours.share.sum(axis=1) > 1.0 - 1e-9  # theirs is a share of what lies on the raster
    print(f"largest difference of a share {np.abs(ours.share - theirs)[inside].max():.1e}")
    times = best(
        {
            "ours": lambda: cover_from_classes(raster, lattice, names=names),
            "exactextract": lambda: exact_extract(source, cells, ["unique", "frac"]),
        },
        rounds=3,
    )
    ratio = times["exactextract"] / times["ours"]
    print(f"classes: {times['ours']:.3f} s, exactextract takes {ratio:.1f} times as long")
    benchmark.extra_info["exactextract / ours"] = ratio
    benchmark.pedantic(
        cover_from_classes, (raster, lattice), {"names": names}, rounds=3, warmup_rounds=1
    )


def test_areas_against_plain_shapely(benchmark: Any) -> None:
    """40 areas of 3 kinds on 2,500 cells; shapely unites each, then cuts it with all cells."""
    lattice = board(50, 50)
    rng = np.random.default_rng(1)
    shapes = [
        shapely.buffer(shapely.Point(*rng.uniform(-14e3, 14e3, 2)), rng.uniform(300, 4000))
        for _ in range(40)
    ]
    kinds = tuple(("wood", "marsh", "village")[k % 3] for k in range(40))
    areas = Features(
        form="areas",
        crs=lattice.crs,
        kind=kinds,
        name=("",) * 40,
        number=tuple(range(40)),
        wkb=tuple(shapely.to_wkb(np.array(shapes, dtype=object)).tolist()),
    )
    outlines = place_cells(lattice).outlines

    def plain() -> np.ndarray:
        taken: Any = shapely.Polygon()
        columns = []
        for kind in ("wood", "marsh", "village"):
            whole = shapely.union_all([s for s, k in zip(shapes, kinds, strict=True) if k == kind])
            rest = shapely.difference(whole, taken)
            columns.append(shapely.area(shapely.intersection(outlines, rest)))
            taken = shapely.union(taken, whole)
        return np.column_stack(columns)

    held = cover(areas, lattice)
    covered_m2 = held.share * held.area_m2[:, None]
    difference = np.abs(covered_m2 - plain()).max() / lattice.area_m2[0]
    print(f"largest difference of a share {difference:.1e}")
    times = best({"ours": lambda: cover(areas, lattice), "shapely": plain}, rounds=3)
    ratio = times["shapely"] / times["ours"]
    print(f"areas: {times['ours']:.3f} s, plain shapely takes {ratio:.1f} times as long")
    benchmark.extra_info["shapely / ours"] = ratio
    benchmark.pedantic(cover, (areas, lattice), rounds=3, warmup_rounds=1)
