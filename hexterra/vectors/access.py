"""Which map files are opened without the user's word: those that lead to nothing else."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Final

from hexterra.elevation.trust import TRUST, check_siblings, regular_file
from hexterra.errors import FileMissingError, UntrustedSourceError, VectorError

#: First bytes of the formats that contain all their numbers (GeoPackage Encoding Standard, OGC
#: 12-128r18, requirement 1; ESRI Shapefile Technical Description, 1998; FlatGeobuf specification).
_SIGNATURES: Final = {
    ".gpkg": b"SQLite format 3\0",
    ".shp": b"\0\0\x27\x0a",
    ".fgb": b"fgb\x03fgb",
}
_JSON: Final = re.compile(rb"(\xef\xbb\xbf)?\s*\{")
#: What a GeoJSON file must contain to link its CRS; most have none of it and need not be parsed.
_MAY_LINK: Final = re.compile(rb"""["'](link|url)|\\u00[2-7]""", re.IGNORECASE)
_LINK: Final = ("link", "url")


def map_access(path: Path, *, trust_sources: bool) -> str:
    """Check a map file, and return the name by which GDAL may open it.

    Without trust that is a GeoPackage, a Shapefile, a FlatGeobuf file or GeoJSON.

    Raises
    ------
    FileMissingError
        If it is not there or may not be read.
    UntrustedSourceError
        If it is no regular file, or GeoJSON whose CRS is a link, which GDAL would fetch.
    VectorError
        If it is of another format.
    """
    if trust_sources:
        if not path.exists():
            raise FileMissingError(
                f"there is no file {str(path)!r}", remedy="check the path", path=str(path)
            )
        return str(path)
    found = regular_file(str(path))
    head = b""
    if found.is_file():
        check_siblings(found)
        with found.open("rb") as file:
            head = file.read(64)
    if _JSON.match(head):
        try:
            is_linked = _links_crs(found)
        except (ValueError, RecursionError) as error:
            raise VectorError(
                f"{path.name!r} cannot be read as lines or areas: it is not valid JSON: {error}",
                remedy="get the file again",
                path=str(path),
            ) from error
        if is_linked:
            raise UntrustedSourceError(
                f"{path.name!r} names its CRS by a link, which would be fetched",
                remedy='remove its member "crs" and give the key crs in the brief (crs= in Python);'
                f" or, {TRUST}",
                path=str(path),
            )
        return f"GeoJSON:{found}"  # no other driver is asked then
    signature = _SIGNATURES.get(path.suffix.lower())
    # Where these stand in a path, it is not opened as it is: they part archives and parameters.
    if signature and head.startswith(signature) and not re.search("[!;?]", str(found)):
        return str(found)
    raise VectorError(
        f"{path.name!r} cannot be read as lines or areas: it is not a GeoPackage (.gpkg), Shapefile"
        " (.shp), FlatGeobuf file (.fgb) or GeoJSON",
        remedy=f"convert it to one of these; or, {TRUST}: then every format of GDAL is read",
        path=str(path),
    )


def _links_crs(path: Path) -> bool:
    """Tell whether any member "crs" of a GeoJSON file is a link (GeoJSON 2008, section 3.2)."""
    content = path.read_bytes()
    if not _MAY_LINK.search(content):
        return False
    found: list[object] = []

    def note_links(members: list[tuple[str, object]]) -> object:
        """Stand for an object by whether it may be a link; note those that are a CRS."""
        found.extend(name for name, value in members if name.lower() == "crs" and value is True)
        return any(
            name.lower() == "type" and isinstance(value, str) and value.lower().startswith(_LINK)
            for name, value in members
        )

    json.loads(content, object_pairs_hook=note_links)
    return bool(found)
