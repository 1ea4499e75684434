"""Scenes -> files for cutters and other programs: an SVG and a DXF of each, at full size."""

from __future__ import annotations

from collections.abc import Iterable

from hexterra.drawing.dxf import scene_dxf
from hexterra.drawing.scene import Scene
from hexterra.drawing.svg import scene_svg


def figure_files(scenes: Iterable[Scene]) -> dict[str, bytes]:
    """Return file name to content."""
    files: dict[str, bytes] = {}
    for scene in scenes:
        files[f"{scene.name}.svg"] = scene_svg(scene, margin_mm=5.0).encode()
        files[f"{scene.name}.dxf"] = scene_dxf(scene)
    return files
