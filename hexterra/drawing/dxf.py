"""Figures -> DXF: drawing exchange files in millimetres, one layer for each meaning."""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any, Final

from hexterra.drawing.figures import STYLES

if TYPE_CHECKING:
    from hexterra.drawing.figures import Figure, Layer, Stroke, Words

#: Number of the colour of each layer among the 255 of the format.
_COLOURS: Final[dict[Layer, int]] = {
    "guide": 7,
    "finish": 8,
    "wire": 1,
    "piece": 7,
    "fold": 3,
    "mark": 6,
    "water": 5,
    "road": 30,
    "lip": 5,
    "hidden": 9,
    "dimension": 8,
}
_WORDS_LAYER: Final = "WORDS"


def figure_dxf(figure: Figure) -> bytes:
    """Write a figure as a DXF file of version R2010.

    Coordinates are true millimetres, and the file says so. Outlines are closed polylines on the
    layers GUIDE, FINISH, WIRE, PIECE, FOLD, MARK, WATER, ROAD, LIP, HIDDEN and DIMENSION; text
    is on WORDS. Equal figures give equal bytes.
    """
    from ezdxf import options  # pyright: ignore[reportPrivateImportUsage]

    # Without this the library would write the moment and a random number.
    earlier = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        stream = io.StringIO()
        _drawing(figure).write(stream)
    finally:
        options.write_fixed_meta_data_for_testing = earlier
    return stream.getvalue().encode("utf-8")


def _drawing(figure: Figure) -> Any:
    import ezdxf
    from ezdxf import units

    drawing = ezdxf.new("R2010", units=units.MM)  # pyright: ignore[reportPrivateImportUsage]
    for layer, style in STYLES.items():
        linetype = "CONTINUOUS"
        if style.dashes_mm:
            linetype = layer.upper()
            pattern = [sum(style.dashes_mm)]
            pattern += [d if i % 2 == 0 else -d for i, d in enumerate(style.dashes_mm)]
            drawing.linetypes.add(linetype, pattern, description=style.words)
        drawing.layers.add(
            layer.upper(),
            color=_COLOURS[layer],
            linetype=linetype,
            lineweight=round(100 * style.width_mm),
        )
    drawing.layers.add(_WORDS_LAYER, color=7)
    drawing.styles.add("DEJAVU", font="DejaVuSans.ttf")
    space = drawing.modelspace()
    for line in figure.strokes:
        _add_stroke(space, line)
    for item in figure.words:
        _add_words(space, item)
    return drawing


def _add_stroke(space: Any, line: Stroke) -> None:
    looks = {"layer": line.layer.upper()}
    if line.fill and len(line.points) == 3:
        space.add_solid(line.points, dxfattribs=looks)
    else:
        space.add_lwpolyline(line.points, close=line.is_closed, dxfattribs=looks)


def _add_words(space: Any, item: Words) -> None:
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
        dxfattribs={"layer": _WORDS_LAYER, "style": "DEJAVU"},
    ).set_placement(item.at, align=align)
