"""Which files are opened without the user's word: those that lead to nothing else.

GDAL follows what a file names: web addresses, other files, devices, programs. So a stranger's file
could make hexterra fetch something, or read what lies elsewhere. Unless the user trusts the files
(`trust_sources`), only regular files are opened, in formats that contain their own numbers; a
virtual raster (VRT) may name such files in its own folder.
"""

from __future__ import annotations

import os
import re
import stat
import warnings
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, NamedTuple
from xml.etree import ElementTree

import numpy as np
import rasterio
from rasterio.env import ensure_env
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.io import DatasetReader

from hexterra.errors import FileMissingError, NotElevationError, UntrustedSourceError

TRUST: Final = (
    "if you trust where it comes from, give --trust-sources (trust_sources=True in Python)"
)

#: Formats of GDAL whose numbers are in the file, or in files beside it whose names follow from its
#: own. Of netCDF only the classic kind is: HDF5, on which netCDF-4 is built, names other files.
_DRIVERS: Final = (
    "GTiff", "AAIGrid", "DTED", "EHdr", "ENVI", "GRASSASCIIGrid", "GS7BG", "GSAG", "GSBG", "PNG",
    "SAGA", "SRTMHGT", "USGSDEM", "XYZ",
)  # fmt: skip
_VRT: Final = ("VRT",)
_CLASSIC_NETCDF: Final = ("netCDF",)

_N_SHOWN: Final = 160  # letters of a name in a message
_HEAD_BYTES: Final = 4096  # more than GDAL reads to tell a format
_TIFF: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_ASCII_GRID: Final = re.compile(rb"\s*(ncols|nrows|xll|yll|cellsize)[^<]*", re.IGNORECASE)

#: Files beside a raster or a Shapefile that GDAL reads with it; those ending in w place its pixels.
_SIDECAR: Final = re.compile(
    r"\.(aux|clr|cpg|dbf|hdr|msk|ovr|prj|rrd|sdat|sgrd|shx|stx|tab|wld|xml|\w+w)"
)

#: What names a source without being a file: web addresses, GDAL's own file systems and drivers.
_CONNECTION: Final = re.compile(r"/vsi|\s*<|\w\w+:")
_NETCDF_PART: Final = re.compile(r'netcdf:"?([^"]+?)"?:([\w.-]+)', re.IGNORECASE)
_TIFF_PART: Final = re.compile(r"gtiff_dir:((?:off:)?\d+):(.+)", re.IGNORECASE)

#: Elements and attributes of a mosaic of files (GDAL, VRT raster format). Raw bytes, programs,
#: warping and everything unknown need trust.
_ELEMENTS: Final = re.compile(
    "VRTDataset|SRS|GeoTransform|GCPList|GCP|Metadata|MDI|OverviewList|Overview|MaskBand"
    "|VRTRasterBand|NoDataValue|HideNoDataValue|ColorInterp|ColorTable|Entry|Description|UnitType"
    "|Offset|Scale|CategoryNames|Category|Histograms|HistItem|HistMin|HistMax|BucketCount"
    "|IncludeOutOfRange|Approximate|HistCounts|SimpleSource|ComplexSource|SourceFilename"
    "|SourceBand|SourceProperties|SrcRect|DstRect|NODATA|UseMaskBand|ScaleOffset|ScaleRatio|LUT"
    "|BlockXSize|BlockYSize"
)
_ATTRIBUTES: Final = re.compile(
    "[rR]aster[XY]Size|[dD]ataType|[bB]lock[XY]Size|[xy](Off|Size)|band|relativeToVRT|shared"
    "|resampling|domain|key|dataAxisToSRSAxisMapping|coordinateEpoch|c[1-4]|Id|Info|Pixel|Line"
    "|[XYZ]|Projection|subClass"
)


class Access(NamedTuple):
    """Under which name, and with which of its drivers, GDAL may open a raster (none: with any)."""

    name: str
    drivers: tuple[str, ...]


def raster_access(name: str, *, trust_sources: bool) -> Access:
    """Check a raster and everything that GDAL would open with it, unless the user trusts it.

    Parameters
    ----------
    name
        A path; a file in an archive, ``/vsizip/PATH/INNER``; or a part of a file as GDAL names it,
        ``NETCDF:PATH:VARIABLE`` or ``GTIFF_DIR:NUMBER:PATH``. Trusted, it is whatever GDAL opens.

    Raises
    ------
    UntrustedSourceError
        If it is no regular file, or leads to something that is not in its own folder.
    FileMissingError
        If it, or a file that it names, is not there or may not be read.
    NotElevationError
        If it is a folder.
    """
    if trust_sources:
        if not _CONNECTION.match(name) and not os.path.exists(name):  # noqa: PTH110 - any text
            raise _missing(name)
        return Access(name, ())
    if name.startswith("/vsizip/"):
        return Access(_in_archive(name), _DRIVERS)
    if match := _NETCDF_PART.fullmatch(name):
        path = _raster_file(match[1])
        return Access(f'NETCDF:"{path}":{match[2]}', _CLASSIC_NETCDF if _is_cdf(path) else _DRIVERS)
    if match := _TIFF_PART.fullmatch(name):
        return Access(f"GTIFF_DIR:{match[1]}:{_raster_file(match[2])}", ("GTiff",))
    path = _raster_file(name)
    if not _is_vrt(_head(path)):
        return Access(str(path), _CLASSIC_NETCDF if _is_cdf(path) else _DRIVERS)
    path = path.resolve()  # what a VRT names is found from where it really lies
    check_siblings(path)
    _check_mosaic(path, _Walk(path.parent, {path}, {}))
    return Access(str(path), _VRT)


@ensure_env
def open_raster(name: str, drivers: tuple[str, ...]) -> Any:
    """Open a raster that was checked, with one of `drivers`; without any, whatever it is.

    Raises
    ------
    RasterioError
        If it cannot be opened.
    UntrustedSourceError
        If its metadata name overviews kept elsewhere, which GDAL would open.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # answered by our own errors
        if not drivers:
            return rasterio.open(name)
        dataset = DatasetReader(name, driver=list(drivers))
    if "OVERVIEW_FILE" in dataset.tags(ns="OVERVIEWS"):
        dataset.close()
        raise _untrusted(
            name,
            "names a file of overviews, which may lie anywhere",
            "remove that entry from its metadata",
        )
    return dataset


def regular_file(name: str) -> Path:
    """Return the absolute path of a file or folder that is there and may be read.

    Raises
    ------
    FileMissingError
        If it is not there or may not be read.
    UntrustedSourceError
        If it is a pipe or a device, or `name` is no path at all but leads GDAL elsewhere.
    """
    try:
        mode = Path(name).stat().st_mode
    except (OSError, ValueError) as error:
        if _CONNECTION.match(name):
            raise _no_file(name) from error
        raise _missing(name) from error
    if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
        raise _untrusted(
            name,
            "is a pipe or a device, not a file",
            "write what it gives to a file, and name that",
        )
    if not os.access(name, os.R_OK):
        raise _not_permitted(name)
    return Path(os.path.abspath(name))  # noqa: PTH100 - resolve would follow links


#: Files of folders that were listed, by what comes before the first dot of their names.
_Listed = dict[Path, dict[str, list[Path]]]


def check_siblings(path: Path, listed: _Listed | None = None) -> None:
    """Check the files beside `path` that share its name, of which GDAL opens many (.prj, .msk).

    `listed` keeps what is read of folders.

    Raises
    ------
    FileMissingError
        If the folder may not be read.
    UntrustedSourceError
        If one is no regular file in this folder, or a mask or overview that is no TIFF (those of
        other formats may name files themselves).
    """
    listed = {} if listed is None else listed
    folder = path.parent
    if folder not in listed:
        if not os.access(folder, os.R_OK):
            raise _not_permitted(str(folder))
        by_stem: dict[str, list[Path]] = {}
        for file in sorted(folder.iterdir()):
            by_stem.setdefault(file.name.partition(".")[0], []).append(file)
        listed[folder] = by_stem
    for sibling in listed[folder].get(path.name.partition(".")[0], []):
        if sibling == path or sibling.is_dir():
            continue
        suffix = sibling.suffix.lower()
        is_elsewhere = sibling.resolve().parent != folder.resolve()
        if not sibling.is_file() or (is_elsewhere and _SIDECAR.fullmatch(suffix)):
            raise _beside(path, sibling, "no regular file in this folder")
        if not os.access(sibling, os.R_OK):
            continue
        if suffix in {".aux", ".msk", ".ovr", ".rrd"}:
            if not _head(sibling).startswith(_TIFF):
                raise _beside(path, sibling, "no TIFF")
            _open_once(sibling, "GTiff")


class _Walk(NamedTuple):
    """The folder that a VRT may not leave, the files of it seen so far, and folders listed."""

    folder: Path
    seen: set[Path]
    listed: _Listed


def _raster_file(name: str) -> Path:
    path = regular_file(name)
    if path.is_dir():
        raise NotElevationError(
            f"{name!r} is a folder, not a raster",
            remedy="name a raster of heights: GeoTIFF, ESRI ASCII grid, SRTM .hgt or similar",
            path=name,
        )
    check_siblings(path)
    return path


def _in_archive(name: str) -> str:
    """Return the full name of a raster in a ZIP archive on this computer."""
    rest = Path(name.removeprefix("/vsizip/"))
    archive = next((path for path in (rest, *rest.parents) if path.is_file()), None)
    if archive is None:
        raise _no_file(name)
    inner = rest.relative_to(archive)
    try:
        with zipfile.ZipFile(archive) as opened:
            members = opened.namelist()
    except (zipfile.BadZipFile, OSError):
        members = []  # GDAL will not read it either
    for member in members:
        if member.lower().endswith((".msk", ".ovr", ".aux.xml")):
            raise _untrusted(
                name,
                f"lies beside {member!r}, which may refer to other places",
                "unpack the archive, and name the raster",
            )
    return f"/vsizip/{regular_file(str(archive)) / inner}"


def _check_mosaic(path: Path, walk: _Walk) -> None:
    """Check all files that the VRT at `path` names, and those that they name."""
    for source, is_relative in _sources(path):
        tile = _named(path, source, is_relative, walk.folder)
        if tile in walk.seen:
            continue
        walk.seen.add(tile)
        head = _head(tile)
        driver = "VRT" if _is_vrt(head) else _plain_driver(tile, head)
        if driver is None:
            raise _named_by(path, source, "neither GeoTIFF, ESRI ASCII grid, .hgt nor VRT")
        if driver == "VRT":
            _check_mosaic(tile, walk)
        check_siblings(tile, walk.listed)
        _open_once(tile, driver)


def _open_once(path: Path, driver: str) -> None:
    """Make sure that a file which another leads to is what it seems to be."""
    try:
        open_raster(str(path), (driver,)).close()
    except RasterioError as error:
        raise NotElevationError(
            f"{str(path)!r} cannot be read: it is damaged or cut short",
            remedy="fetch or write the file again",
            path=str(path),
        ) from error


def _named(path: Path, source: str, is_relative: bool, folder: Path) -> Path:
    """Find the file that a VRT names; GDAL must have no other way to understand it."""
    named = path.parent / source if is_relative else Path(source)
    tile = Path(os.path.normpath(named))
    is_path = source == source.strip() and not re.search("[:<]", source.removeprefix(named.drive))
    if not is_path or not tile.is_relative_to(folder):
        raise _named_by(path, source, "no file in its folder")
    if not os.access(tile, os.R_OK):
        raise FileMissingError(
            f"{str(path)!r} names {source!r}, which is not there or may not be read",
            remedy="put the file there, or make the VRT again from the files there are",
            path=str(tile),
        )
    if not tile.is_file() or named.resolve() != tile:
        raise _named_by(path, source, "no regular file, but a link or a pipe")
    return tile


def _plain_driver(path: Path, head: bytes) -> str | None:
    """Tell a tile that only one driver takes, whichever GDAL asks first."""
    if head.startswith(_TIFF):
        return "GTiff"
    if _ASCII_GRID.fullmatch(head):
        return "AAIGrid"
    if path.suffix.lower() == ".hgt":  # no signature, but heights below 8192 m are no text either
        first = np.frombuffer(head, dtype=">i2", count=len(head) // 2).astype(int)
        return "SRTMHGT" if ((abs(first) < 2**13) | (first == -(2**15))).all() else None
    return None


def _sources(path: Path) -> Iterator[tuple[str, bool]]:
    """Name the files in a VRT, and whether each is relative to it; refuse what may name more."""
    try:
        text = path.read_text(encoding="utf-8")
        root = ElementTree.fromstring(text)
    except (ElementTree.ParseError, ValueError) as error:
        raise NotElevationError(
            f"{str(path)!r} is not a readable VRT: {error}",
            remedy="write the file again",
            path=str(path),
        ) from error
    beyond_xml = ["<!"] if "<!" in text else []  # GDAL's parser may see more in comments
    for element in root.iter():
        unknown = beyond_xml + [name for name in element.attrib if not _ATTRIBUTES.fullmatch(name)]
        if not _ELEMENTS.fullmatch(element.tag):
            unknown.append(element.tag)
        kind = element.get("subClass", "VRTSourcedRasterBand")
        if unknown or kind != "VRTSourcedRasterBand":
            raise _untrusted(
                str(path),
                f"contains {(*unknown, kind)[0]!r}, which is not part of a plain mosaic of files",
                "make a GeoTIFF of it",
            )
        if element.tag == "SourceFilename":
            yield element.text or "", element.get("relativeToVRT", "0") == "1"


def _missing(name: str) -> FileMissingError:
    return FileMissingError(
        f"there is no file {name!r}",
        remedy="check the path, also against the folder you are in",
        path=name,
    )


def _not_permitted(name: str) -> FileMissingError:
    return FileMissingError(
        f"{name!r} may not be read", remedy="give yourself permission to read it", path=name
    )


def _no_file(name: str) -> UntrustedSourceError:
    return _untrusted(name, "is not a file on this computer", "fetch the file and name that")


def _named_by(path: Path, source: str, kind: str) -> UntrustedSourceError:
    return _untrusted(
        str(path), f"names {source!r}, which is {kind}", "put the files it names beside it"
    )


def _beside(path: Path, sibling: Path, kind: str) -> UntrustedSourceError:
    return _untrusted(
        str(path), f"lies beside {sibling.name!r}, which is {kind}", "move that file away"
    )


def _untrusted(name: str, problem: str, remedy: str) -> UntrustedSourceError:
    shown = name if len(name) <= _N_SHOWN else f"{name[:_N_SHOWN]}..."
    return UntrustedSourceError(f"{shown!r} {problem}", remedy=f"{remedy}; or, {TRUST}", path=name)


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(_HEAD_BYTES)


def _is_vrt(head: bytes) -> bool:
    return b"<VRTDataset" in head


def _is_cdf(path: Path) -> bool:
    return _head(path).startswith(b"CDF")
