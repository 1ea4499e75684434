"""Meshes -> 3MF: a package that slicers read, with units and colours.

Written after the 3MF Core Specification, version 1.3, and the colour groups of the 3MF Materials
and Properties Extension, version 1.2.1 (3MF Consortium).
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final
from xml.sax.saxutils import quoteattr

if TYPE_CHECKING:
    from hexterra.mesh.tile_columns import Mesh

_TYPES: Final = """<?xml version="1.0" encoding="UTF-8"?>
<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">
<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>
<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>
</Types>
"""
_RELATIONS: Final = """<?xml version="1.0" encoding="UTF-8"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">
<Relationship Target="/3D/3dmodel.model" Id="rel0"
 Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>
</Relationships>
"""
#: Zip archives know no time before this; all members bear it.
_NO_TIME: Final = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class BuildItem:
    """A solid in a package.

    Parameters
    ----------
    name
        What a slicer lists it as.
    mesh
        Its surface.
    top, side
        Colours of its tops and of all else, as ``#rrggbb`` (sRGB).
    shift_mm
        Where its origin goes.
    """

    name: str
    mesh: Mesh
    top: str
    side: str
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)


def threemf(items: Sequence[BuildItem], *, title: str) -> bytes:
    """Write solids as a 3MF package, in millimetres. Equal items give equal bytes.

    Parameters
    ----------
    items
        One object each, in this order.
    title
        Of the whole.
    """
    colours = sorted({colour for item in items for colour in (item.top, item.side)})
    number = {colour: index for index, colour in enumerate(colours)}
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<model unit="millimeter" xml:lang="en"'
        ' xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"'
        ' xmlns:m="http://schemas.microsoft.com/3dmanufacturing/material/2015/02">',
        f'<metadata name="Title">{_escape(title)}</metadata>',
        '<metadata name="Application">hexterra</metadata>',
        "<resources>",
        '<m:colorgroup id="1">',
        *(f'<m:color color="{colour.upper()}"/>' for colour in colours),
        "</m:colorgroup>",
    ]
    for index, item in enumerate(items, start=2):
        lines += _object(index, item, number[item.top], number[item.side])
    lines += ["</resources>", "<build>"]
    for index, item in enumerate(items, start=2):
        shift = " ".join(_millimetres(value) for value in item.shift_mm)
        lines.append(f'<item objectid="{index}" transform="1 0 0 0 1 0 0 0 1 {shift}"/>')
    lines += ["</build>", "</model>", ""]
    return _zip(
        [
            ("[Content_Types].xml", _TYPES),
            ("_rels/.rels", _RELATIONS),
            ("3D/3dmodel.model", "\n".join(lines)),
        ]
    )


def _object(index: int, item: BuildItem, top: int, side: int) -> Iterable[str]:
    mesh = item.mesh
    yield (
        f'<object id="{index}" type="model" name={quoteattr(item.name)} pid="1" pindex="{side}">'
        "<mesh><vertices>"
    )
    for point in mesh.vertices_mm.tolist():
        x, y, z = (_millimetres(value) for value in point)
        yield f'<vertex x="{x}" y="{y}" z="{z}"/>'
    yield "</vertices><triangles>"
    for (one, two, three), is_top in zip(mesh.faces.tolist(), mesh.is_top.tolist(), strict=True):
        colour = f' pid="1" p1="{top}"' if is_top else ""
        yield f'<triangle v1="{one}" v2="{two}" v3="{three}"{colour}/>'
    yield "</triangles></mesh></object>"


def _millimetres(value: float) -> str:
    """Write a length to a tenth of a micrometre."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _escape(words: str) -> str:
    return words.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _zip(members: Iterable[tuple[str, str]]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name, text in members:
            member = zipfile.ZipInfo(name, date_time=_NO_TIME)
            member.compress_type = zipfile.ZIP_DEFLATED
            member.external_attr = 0o644 << 16
            member.create_system = 3  # the same on every system
            archive.writestr(member, text.encode("utf-8"))
    return stream.getvalue()
