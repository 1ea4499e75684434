"""One layer of a vector file, as GDAL reads it."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hexterra.errors import VectorError
from hexterra.text import cleaned, cleaned_kind
from hexterra.vectors.board_frame import bounds_around

if TYPE_CHECKING:
    from pyproj import CRS

    from hexterra.lattice.lattice import Lattice


#: What a feature is made of: lines (roads, rivers) or areas (woods, built-up ground).
Form = Literal["lines", "areas"]


class FeatureRequest(NamedTuple):
    """What the user wants of a file."""

    form: Form
    kind: str | None
    kind_field: str | None
    kinds: Mapping[str, str] | None
    name_field: str | None
    layer: str | None
    crs: Any
    around: Lattice | None

    def cleaned(self) -> FeatureRequest:
        """Write kinds as `_texts` writes those of a file."""
        kinds = self.kinds and {
            cleaned_kind(kind): cleaned_kind(name) for kind, name in self.kinds.items()
        }
        return self._replace(kind=self.kind and cleaned_kind(self.kind), kinds=kinds)


class RawFeatures(NamedTuple):
    """Features as they stand in a file."""

    number: NDArray[Any]
    wkb: NDArray[Any]
    kind: list[str]
    name: list[str]


def layer_name(path: Path, source: str, wanted: str | None) -> str:
    """Settle the layer: the one asked for, or the only one with geometry."""
    import pyogrio
    from pyogrio.errors import DataSourceError

    where = repr(path.name)
    try:
        listed = pyogrio.list_layers(source)
    except DataSourceError as error:
        reason = str(error).partition(";")[0].replace(repr(source), "it is")
        raise VectorError(
            f"{where} cannot be read as lines or areas: {reason}",
            remedy="name a GeoPackage, GeoJSON file or Shapefile",
            path=str(path),
        ) from error
    names = [str(name) for name, geometry in listed if geometry is not None]
    if not names:
        raise VectorError(
            f"{where} holds tables, but no lines or areas",
            remedy="name a file whose features have a geometry",
            layers=tuple(str(name) for name, _ in listed),
        )
    if wanted is None and len(names) == 1:
        return names[0]
    if wanted not in names:
        request = "" if wanted is None else f", and no layer {wanted!r}"
        raise VectorError(
            f"{where} has the layers {', '.join(map(repr, names))}{request}",
            remedy="say which to read: give layer, with one of these names",
            layers=tuple(names),
            layer=wanted,
        )
    return wanted


def layer_info(source: str, layer: str) -> dict[str, Any]:
    """Ask a layer for its fields, frame and bounds."""
    import pyogrio

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # measures are converted, which `notes` will say
        return pyogrio.read_info(source, layer=layer, force_total_bounds=True)


def load_layer(
    path: Path, source: str, layer: str, request: FeatureRequest, crs: CRS
) -> RawFeatures:
    """Read the features, where asked for only those around the cells; each once, in order."""
    from pyogrio import raw
    from pyogrio.errors import DataSourceError, FeatureError

    boxes: list[Any] = [None]
    if request.around is not None:
        boxes = bounds_around(request.around, crs)
    columns = [field for field in (request.kind_field, request.name_field) if field is not None]
    parts: list[RawFeatures] = []
    for box in boxes:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                meta, number, wkb, values = raw.read(
                    source, layer=layer, columns=columns, bbox=box, return_fids=True
                )
        except (DataSourceError, FeatureError) as error:
            raise VectorError(
                f"{path.name!r} is damaged: {error}",
                remedy="get the file again, or repair it in a geographic information system",
                path=str(path),
            ) from error
        by_field = dict(zip(meta["fields"], values, strict=True))
        kind = [request.kind or ""] * len(number)
        if request.kind_field is not None:
            kind = _texts(by_field[request.kind_field], cleaned_kind)
        name = [""] * len(number)
        if request.name_field is not None:
            name = _texts(by_field[request.name_field], cleaned)
        parts.append(RawFeatures(number, wkb, kind, name))
    whole = RawFeatures(
        np.concatenate([part.number for part in parts]),
        np.concatenate([part.wkb for part in parts]),
        [kind for part in parts for kind in part.kind],
        [name for part in parts for name in part.name],
    )
    _, first = np.unique(whole.number, return_index=True)
    return _take(whole, first)


def _texts(values: NDArray[Any], clean: Callable[[str], str]) -> list[str]:
    """Write field values as clean texts; what is absent becomes ""."""
    return [
        "" if value is None or value != value else clean(str(value))  # noqa: PLR0124 (NaN)
        for value in values.tolist()
    ]


def _take(raw: RawFeatures, which: NDArray[np.int64]) -> RawFeatures:
    return RawFeatures(
        raw.number[which],
        raw.wkb[which],
        [raw.kind[i] for i in which],
        [raw.name[i] for i in which],
    )


def select_features(
    raw: RawFeatures, request: FeatureRequest, where: str
) -> tuple[RawFeatures, list[str]]:
    """Keep the features of the kinds asked for, under their new names; say what was left out."""
    if request.kinds is None:
        wanted = [bool(kind) for kind in raw.kind]
    else:
        wanted = [kind in request.kinds for kind in raw.kind]
    left_out = sorted({kind for kind, is_wanted in zip(raw.kind, wanted, strict=True)
                       if not is_wanted})  # fmt: skip
    notes: list[str] = []
    if left_out:
        n = len(wanted) - sum(wanted)
        named = ", ".join(repr(kind) if kind else "nothing" for kind in left_out[:8])
        more = f" and {len(left_out) - 8} more" if len(left_out) > 8 else ""
        notes.append(
            f"{n} of the features of {where} are left out: their {request.kind_field!r} is"
            f" {named}{more}."
        )
    kept = _take(raw, np.flatnonzero(wanted))
    if request.kinds is not None:
        kept = kept._replace(kind=[request.kinds[kind] for kind in kept.kind])
    return kept, notes
