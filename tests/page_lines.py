"""Lines read back from pages of PDF and from SVG and DXF files."""

from __future__ import annotations

import io
import re
from typing import Any
from xml.etree import ElementTree as ET

import ezdxf
import numpy as np
from ezdxf import units
from numpy.typing import NDArray
from pypdf.generic import ContentStream

MM_PER_POINT = 25.4 / 72.0  # ISO 32000-1:2008, 8.3.2.3: the default unit is 1/72 inch

Line = tuple[NDArray[np.float64], bool]


def pdf_lines(page: Any) -> list[Line]:
    """Read the paths of a page in millimetres, and whether each is closed."""
    matrix, stack = np.eye(3), []
    lines: list[Line] = []
    points: list[list[float]] = []
    content = ContentStream(page.get_contents(), page.pdf)
    for operands, operator in content.operations:
        numbers = [float(v) for v in operands] if operator in {b"cm", b"m", b"l", b"re"} else []
        if operator == b"q":
            stack.append(matrix)
        elif operator == b"Q":
            matrix = stack.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = numbers
            matrix = np.array([[a, b, 0.0], [c, d, 0.0], [e, f, 1.0]]) @ matrix
        elif operator == b"re":
            x, y, w, h = numbers
            box = np.array([[x, y, 1], [x + w, y, 1], [x + w, y + h, 1], [x, y + h, 1]])
            lines.append(((box @ matrix)[:, :2] * MM_PER_POINT, True))
        elif operator in {b"m", b"l"}:
            if operator == b"m":
                points = []
            points.append(((np.array([*numbers, 1.0]) @ matrix)[:2] * MM_PER_POINT).tolist())
        elif operator in {b"h", b"S", b"s", b"B", b"b", b"n"} and points:
            lines.append((np.array(points), operator in {b"h", b"s", b"b"}))
            points = []
    return lines


def svg_lines(text: str) -> dict[str, list[Line]]:
    """Read the paths of each group of an SVG document in millimetres, y up."""
    root = ET.fromstring(text)
    space = "{http://www.w3.org/2000/svg}"
    width, view = root.attrib["width"], root.attrib["viewBox"].split()
    assert width == f"{view[2]}mm"  # one unit is one millimetre
    found: dict[str, list[Line]] = {}
    for group in root.iter(f"{space}g"):
        for path in group.iter(f"{space}path"):
            data = path.attrib["d"]
            numbers = [float(n) for n in re.findall(r"-?[\d.]+", data)]
            points = np.array(numbers).reshape(-1, 2) * [1.0, -1.0]
            found.setdefault(group.attrib["id"], []).append((points, data.endswith("Z")))
    return found


def dxf_lines(data: bytes) -> dict[str, list[Line]]:
    """Read the polylines of each layer of a DXF file, after its audit."""
    drawing: Any = ezdxf.read(io.StringIO(data.decode()))
    assert drawing.units == units.MM
    assert drawing.header["$INSUNITS"] == 4  # millimetres: DXF Reference, header variables
    assert not drawing.audit().has_errors
    found: dict[str, list[Line]] = {}
    for line in drawing.modelspace().query("LWPOLYLINE"):
        points = np.array([point[:2] for point in line.get_points()])
        found.setdefault(line.dxf.layer, []).append((points, line.closed))
    return found


def matches(lines: list[Line], expected: NDArray[np.float64]) -> bool:
    """Tell whether one closed line is `expected`, shifted, to 0.01 mm at every corner."""
    for points, is_closed in lines:
        if is_closed and points.shape == expected.shape:
            shift = points - points.min(axis=0) - (expected - expected.min(axis=0))
            if np.abs(shift).max() < 0.01:
                return True
    return False
