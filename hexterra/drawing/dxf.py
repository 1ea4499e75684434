"""Scenes -> DXF: drawing exchange files in millimetres, one layer for each meaning."""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any

from hexterra.drawing.layers import LAYERS
from hexterra.drawing.scene import Lines, Text

if TYPE_CHECKING:
    from hexterra.drawing.scene import Scene


def scene_dxf(scene: Scene) -> bytes:
    """Write the lines and the text of a drawing as a DXF file of version R2010.

    Coordinates are true millimetres, and the file says so. Outlines are closed polylines on the
    layers GUIDE, FINISH, WIRE, PIECE, FOLD, MARK, WATER, ROAD, LIP, HIDDEN and DIMENSION; text
    is on WORDS. Equal drawings give equal bytes.
    """
    from ezdxf import options  # pyright: ignore[reportPrivateImportUsage]

    # Without this the library would write the moment and a random number.
    earlier = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        stream = io.StringIO()
        _document(scene).write(stream)
    finally:
        options.write_fixed_meta_data_for_testing = earlier
    return stream.getvalue().encode("utf-8")


def _document(scene: Scene) -> Any:
    import ezdxf
    from ezdxf import units

    document = ezdxf.new("R2010", units=units.MM)  # pyright: ignore[reportPrivateImportUsage]
    for name, layer in LAYERS.items():
        linetype, dashes_mm = "CONTINUOUS", layer.style.dashes_mm
        if dashes_mm:
            linetype = name.upper()
            pattern = [sum(dashes_mm)]
            pattern += [d if i % 2 == 0 else -d for i, d in enumerate(dashes_mm)]
            document.linetypes.add(linetype, pattern, description=layer.words)
        document.layers.add(
            name.upper(),
            color=layer.dxf_colour,
            linetype=linetype,
            lineweight=round(100 * layer.style.width_mm),
        )
    document.layers.add("WORDS", color=7)
    document.styles.add("DEJAVU", font="DejaVuSans.ttf")
    space = document.modelspace()
    for item in scene.items:
        if isinstance(item, Lines):
            _add_lines(space, item)
        elif isinstance(item, Text):
            _add_text(space, item)
    # The library would declare these in the order of a set of words, which differs by process.
    for name in sorted(document.entitydb.dxf_types_in_use()):
        document.classes.add_class(name)
    return document


def _add_lines(space: Any, item: Lines) -> None:
    attributes = {"layer": item.layer.upper()}
    for points in item.points.tolist():
        if item.style.fill and len(points) == 3:
            space.add_solid(points, dxfattribs=attributes)
        else:
            space.add_lwpolyline(points, close=item.course == "closed", dxfattribs=attributes)


def _add_text(space: Any, item: Text) -> None:
    from ezdxf.enums import TextEntityAlignment

    align = {
        "start": TextEntityAlignment.LEFT,
        "middle": TextEntityAlignment.CENTER,
        "end": TextEntityAlignment.RIGHT,
    }[item.anchor]
    # The format measures capitals, which are 0.73 of the font size.
    space.add_text(
        item.text,
        height=0.73 * item.size_mm,
        rotation=math.fmod(item.angle_deg, 360.0),
        dxfattribs={"layer": item.layer.upper(), "style": "DEJAVU"},
    ).set_placement(item.at, align=align)
