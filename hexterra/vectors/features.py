"""Lines and areas in: what a map shows, as `Features`, which `ways` and `cover` put on cells.

Beside `elevation` at the head of the flow. All reading of vector files is in this package.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hexterra.arguments import checked
from hexterra.elevation.georeference import parse_crs
from hexterra.errors import VectorError
from hexterra.text import cleaned
from hexterra.values import Value
from hexterra.vectors import geometry_checks
from hexterra.vectors.access import map_access
from hexterra.vectors.board_frame import nothing_here
from hexterra.vectors.layer import (
    FeatureRequest,
    Form,
    layer_info,
    layer_name,
    load_layer,
    select_features,
)

if TYPE_CHECKING:
    from pyproj import CRS

    from hexterra.lattice.lattice import Lattice

__all__ = ["Features", "Form", "nothing_here", "read_areas", "read_lines"]


@dataclass(frozen=True, eq=False, repr=False)
class Features(Value):
    """Lines or areas of a map. Made by `read_lines` and `read_areas`, which check everything.

    Parameters
    ----------
    form
        "lines" or "areas".
    crs
        Coordinate reference system of the coordinates, WKT; x (or longitude) comes first.
    kind
        What each of the m features is, such as "road".
    name
        What each is called; "" for what has no name.
    number
        Number of each in its file, as geographic information systems show it.
    wkb
        Each as well-known binary (OGC Simple Feature Access, 06-103r4, section 8), two-dimensional
        and finite: (multi)linestrings or valid (multi)polygons.
    notes
        What was left out or left aside in reading, in sentences.
    source
        What to call them in messages.
    """

    form: Form
    crs: str
    kind: tuple[str, ...]
    name: tuple[str, ...]
    number: tuple[int, ...]
    wkb: tuple[bytes, ...]
    notes: tuple[str, ...] = ()
    source: str = "features"

    def __post_init__(self) -> None:
        lengths = {len(self.kind), len(self.name), len(self.number), len(self.wkb)}
        if len(lengths) != 1:
            raise ValueError(f"kind, name, number and wkb have lengths {sorted(lengths)}")

    @property
    def n_features(self) -> int:
        """How many there are."""
        return len(self.wkb)

    def geometries(self) -> NDArray[Any]:
        """Return them as shapely geometries, (n_features,) object."""
        from shapely import from_wkb

        return np.asarray(from_wkb(list(self.wkb)), dtype=object)

    def title(self, feature: int) -> str:
        """Name a feature in a sentence: its kind, and its name or number."""
        name = self.name[feature]
        return f"{self.kind[feature]} {name!r}" if name else (
            f"{self.kind[feature]} (feature {self.number[feature]})"
        )  # fmt: skip


@checked
def read_lines(
    path: str | Path,
    *,
    kind: str | None = None,
    kind_field: str | None = None,
    kinds: Mapping[str, str] | None = None,
    name_field: str | None = None,
    layer: str | None = None,
    crs: Any = None,
    around: Lattice | None = None,
    trust_sources: bool = False,
) -> Features:
    """Read lines, such as roads and rivers, from a vector file.

    Parameters
    ----------
    path
        A GeoPackage, GeoJSON file, Shapefile or FlatGeobuf file; more with `trust_sources`.
    kind
        What all features are; or else
    kind_field
        name of the field that says what each is. One of the two is needed.
    kinds
        Which values of `kind_field` to take, and what to call them; others are left out. None
        takes all values, as they are.
    name_field
        Name of the field with the features' own names; None leaves them without.
    layer
        Which layer to read; needed if the file has several.
    crs
        Whatever pyproj takes. Needed for files that state none, and must equal what a file
        states. GeoJSON is in WGS 84 degrees unless it says so itself (RFC 7946, section 4).
    around
        Take only features whose bounds touch those of these cells; None takes all.
    trust_sources
        Whether to open whatever GDAL takes for vector data, and let it follow what that names.

    Returns
    -------
    Features
        In the order of the file. Features without geometry are left out, and heights of
        coordinates dropped; `notes` say so.

    Raises
    ------
    FileMissingError
        If the file does not exist or may not be read.
    UntrustedSourceError
        If it is a pipe or device, or leads elsewhere, and is not trusted.
    VectorError
        If it is no vector file, lacks the layer or field, has no feature of the kinds asked for
        (or none `around`), holds points or areas as well, coordinates that are no numbers, broken
        outlines, text that is not in UTF-8, or a line that jumps across the antimeridian.
    CrsError
        If the CRS is missing, cannot be used, or contradicts the coordinates or the file.
    """
    request = FeatureRequest("lines", kind, kind_field, kinds, name_field, layer, crs, around)
    source = map_access(Path(path), trust_sources=trust_sources)
    return _read(Path(path), source, request.cleaned())


@checked
def read_areas(
    path: str | Path,
    *,
    kind: str | None = None,
    kind_field: str | None = None,
    kinds: Mapping[str, str] | None = None,
    name_field: str | None = None,
    layer: str | None = None,
    crs: Any = None,
    around: Lattice | None = None,
    trust_sources: bool = False,
) -> Features:
    """Read areas, such as woods and built-up ground, from a vector file.

    Parameters and errors are those of `read_lines`, with areas in place of lines. Besides, an
    area whose outline crosses itself is a VectorError: which ground it covers is anyone's guess.
    """
    request = FeatureRequest("areas", kind, kind_field, kinds, name_field, layer, crs, around)
    source = map_access(Path(path), trust_sources=trust_sources)
    return _read(Path(path), source, request.cleaned())


def _read(path: Path, source: str, request: FeatureRequest) -> Features:
    """Read what was asked for from `path`, which GDAL opens as `source`."""
    try:
        return _features(path, source, request)
    except UnicodeDecodeError as error:  # of GDAL, which hands over what it finds
        raise VectorError(
            f"{path.name!r} has text that is not in UTF-8: {error.object[:40]!r}",
            remedy="save it with all text in UTF-8, or say in the .cpg file beside a Shapefile in"
            " which encoding its text is",
            path=str(path),
        ) from error


def _features(path: Path, source: str, request: FeatureRequest) -> Features:
    where = repr(path.name)
    if (request.kind is None) == (request.kind_field is None):
        raise VectorError(
            f"give the kind of the features of {where} in one way",
            remedy="give either kind, or kind_field, the field with the kind of each feature",
            kind=request.kind,
            kind_field=request.kind_field,
        )
    layer = layer_name(path, source, request.layer)
    info = layer_info(source, layer)
    for field in (request.kind_field, request.name_field):
        if field is not None and field not in info["fields"]:
            raise VectorError(
                f"{where} has no field {field!r}; its fields are"
                f" {', '.join(map(repr, info['fields'])) or 'none'}",
                remedy="name one of its fields",
                field=field,
                fields=tuple(info["fields"]),
            )
    crs = parse_crs(where, request.crs, info["crs"])
    loaded = load_layer(path, source, layer, request, crs)
    raw, notes = select_features(loaded, request, where)
    shapes = geometry_checks.shapes_of(where, raw.number, raw.wkb)
    is_there = geometry_checks.is_there(shapes)
    if n_absent := int((~is_there).sum()):
        notes.append(f"{n_absent:,} of the features of {where} have no geometry and are left out.")
    if not is_there.any():
        raise _nothing(where, request, info, crs, sorted(set(loaded.kind)))
    kept = np.flatnonzero(is_there)
    flat, n_flattened = geometry_checks.flatten(shapes[kept])
    if n_flattened:
        notes.append(
            f"Heights (or measures) of coordinates are not used; {n_flattened:,} of the features of"
            f" {where} carry some."
        )
    geometry_checks.check_shape(where, flat, request.form)
    geometry_checks.check_coordinates(where, raw.number[kept], flat, crs)
    if request.form == "areas":
        geometry_checks.check_outlines(where, raw.number[kept], flat)
    from shapely import to_wkb

    return Features(
        form=request.form,
        crs=crs.to_wkt(),
        kind=tuple(raw.kind[i] for i in kept),
        name=tuple(raw.name[i] for i in kept),
        number=tuple(int(raw.number[i]) for i in kept),
        wkb=tuple(to_wkb(flat, output_dimension=2, byte_order=1).tolist()),
        notes=tuple(notes),
        source=cleaned(path.name),
    )


def _nothing(
    where: str, request: FeatureRequest, info: dict[str, Any], crs: CRS, kinds: list[str]
) -> VectorError:
    """Explain why there is nothing to use: it lies elsewhere, is of other `kinds`, or is not.

    Raises
    ------
    CrsError
        If it lies elsewhere because its coordinates cannot be those of `crs`.
    """
    if request.around is not None and not kinds and info["features"]:
        bounds = info.get("total_bounds")
        if bounds is not None and np.isfinite(bounds).all():
            geometry_checks.check_place(where, np.reshape(bounds, (2, 2)), crs)
        return nothing_here(where, bounds, crs.to_wkt(), request.around)
    wanted, there = "", ""
    if request.kinds is not None:
        wanted = f" whose {request.kind_field!r} is one of {', '.join(map(repr, request.kinds))}"
        there = f"; there it is {', '.join(map(repr, kinds[:8]))}" if kinds else ""
    return VectorError(
        f"{where} holds no {request.form}{wanted}{there}",
        remedy="name a file, layer or kinds with features",
        kinds=None if request.kinds is None else tuple(request.kinds),
    )
