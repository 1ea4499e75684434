"""Meshes -> GLB: the binary form of glTF 2.0 (ISO/IEC 12113:2022), for viewers and the web.

In metres with y up, as the standard has it, and with colours in linear light. Normals are left
out: a viewer must then shade every face flat, which is what faces of foam are.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hexterra.units import MM_PER_M

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.mesh.tile_columns import Mesh

_MAGIC: Final = 0x46546C67
_JSON_CHUNK: Final = 0x4E4F534A
_BINARY_CHUNK: Final = 0x004E4942
_FLOAT: Final = 5126
_UNSIGNED_INT: Final = 5125
_VERTICES: Final = 34962
_INDICES: Final = 34963


@dataclass(frozen=True)
class MeshPart:
    """A mesh with its name and its colour as ``#rrggbb`` (sRGB): one draw call."""

    name: str
    mesh: Mesh
    colour: str


def glb(parts: Sequence[MeshPart], *, middle_mm: tuple[float, float]) -> bytes:
    """Write meshes as a GLB file. Equal parts give equal bytes.

    Parameters
    ----------
    parts
        One node, mesh and material each.
    middle_mm
        What of the plan lies at the origin; x stays x and the way off the front edge is -z.
    """
    chunks: list[bytes] = []
    document: dict[str, Any] = {
        "asset": {"version": "2.0", "generator": "hexterra"},
        "scene": 0,
        "scenes": [{"nodes": list(range(len(parts)))}],
        "nodes": [{"name": part.name, "mesh": index} for index, part in enumerate(parts)],
        "meshes": [],
        "materials": [],
        "accessors": [],
        "bufferViews": [],
    }
    for index, part in enumerate(parts):
        points = _metres(part.mesh.vertices_mm, middle_mm)
        _add(document, chunks, points, _VERTICES, _FLOAT, "VEC3")
        document["accessors"][-1]["min"] = [float(value) for value in points.min(axis=0)]
        document["accessors"][-1]["max"] = [float(value) for value in points.max(axis=0)]
        faces = part.mesh.faces.astype("<u4").ravel()
        _add(document, chunks, faces, _INDICES, _UNSIGNED_INT, "SCALAR")
        primitive = {
            "attributes": {"POSITION": 2 * index},
            "indices": 2 * index + 1,
            "material": index,
        }
        document["meshes"].append({"name": part.name, "primitives": [primitive]})
        document["materials"].append(
            {
                "name": part.name,
                "pbrMetallicRoughness": {
                    "baseColorFactor": [*linear(part.colour), 1.0],
                    "metallicFactor": 0.0,
                    "roughnessFactor": 0.9,
                },
            }
        )
    binary = b"".join(chunks)
    document["buffers"] = [{"byteLength": len(binary)}]
    text = json.dumps(document, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    body = struct.pack("<II", len(text), _JSON_CHUNK) + text
    body += struct.pack("<II", len(binary), _BINARY_CHUNK) + binary
    return struct.pack("<III", _MAGIC, 2, 12 + len(body)) + body


def linear(colour: str) -> tuple[float, float, float]:
    """Turn ``#rrggbb`` into linear light, by the transfer function of IEC 61966-2-1 (sRGB)."""
    red, green, blue = (int(colour[start : start + 2], 16) / 255.0 for start in (1, 3, 5))
    return _linear(red), _linear(green), _linear(blue)


def _linear(value: float) -> float:
    light = value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
    return round(light, 6)


def _metres(
    vertices_mm: NDArray[np.float64], middle_mm: tuple[float, float]
) -> NDArray[np.float32]:
    x, y, z = (vertices_mm - np.array([*middle_mm, 0.0])).T
    return (np.column_stack([x, z, -y]) / MM_PER_M).astype("<f4")


def _add(
    document: dict[str, Any],
    chunks: list[bytes],
    array: NDArray[Any],
    target: int,
    component: int,
    kind: str,
) -> None:
    """Add an array to the buffer, with its view and accessor; both types are 4 bytes wide."""
    start = sum(len(chunk) for chunk in chunks)
    chunks.append(array.tobytes())
    document["bufferViews"].append(
        {"buffer": 0, "byteOffset": start, "byteLength": array.nbytes, "target": target}
    )
    document["accessors"].append(
        {
            "bufferView": len(chunks) - 1,
            "componentType": component,
            "count": len(array),
            "type": kind,
        }
    )
