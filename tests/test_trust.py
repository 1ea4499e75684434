"""Strangers' files: without the user's word nothing is fetched, and nothing read elsewhere.

A server on this machine's loopback notes what it is asked for.
"""

from __future__ import annotations

import json
import os
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
import rasterio
from affine import Affine
from click.testing import CliRunner
from numpy.typing import NDArray

from hexterra.cli import main
from hexterra.elevation.elevation import read_elevation
from hexterra.errors import FileMissingError, InputError, UntrustedSourceError, VectorError
from hexterra.vectors.features import read_lines
from tests.loopback_server import Server, serving

CRS = "EPSG:32616"
SIZE = 40
HDF5 = b"\x89HDF\r\n\x1a\n"  # its signature (HDF5 File Format Specification, III.A)


class Stranger(NamedTuple):
    """A folder of a stranger's files, and a server."""

    folder: Path
    server: Server

    @property
    def url(self) -> str:
        """An address that no other test asks for."""
        return f"{self.server.url}/{self.folder.parent.name}"

    @property
    def far(self) -> str:
        """How GDAL names a raster there."""
        return f"/vsicurl/{self.url}/far.tif"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """Serve a raster of 7 m everywhere, and a line."""
    folder = tmp_path_factory.mktemp("served")
    write(folder / "far.tif", 7)
    (folder / "far.geojson").write_text(json.dumps(line()))
    with serving(folder, folder.parent / "asked.txt") as server:
        yield server


@pytest.fixture
def at(tmp_path: Path, served: Server) -> Stranger:
    """Make the folder and what lies beside it, and let the server forget."""
    (tmp_path / "secret.txt").write_bytes(bytes(range(100, 200)) * SIZE)
    write(tmp_path / "outside.tif", 3)
    (tmp_path / "theirs").mkdir()
    served.notes.write_text("")
    return Stranger(tmp_path / "theirs", served)


@pytest.fixture
def folder(at: Stranger) -> Path:
    """Give the folder alone."""
    return at.folder


def write(path: Path, height: float, *, column: int = 0, **profile: Any) -> Path:
    """Write a square raster of one height in metres."""
    tags = profile.pop("tags", {})
    at = Affine(30.0, 0.0, 5e5 + 30.0 * column, 0.0, -30.0, 4e6)
    chosen: dict[str, Any] = {
        "driver": "GTiff",
        "dtype": "int16",
        "crs": CRS,
        "transform": at,
    } | profile
    with rasterio.open(path, "w", height=SIZE, width=SIZE, count=1, **chosen) as dataset:
        dataset.write(np.full((SIZE, SIZE), height, chosen["dtype"]), 1)
        dataset.set_band_unit(1, "m")
        dataset.update_tags(ns="OVERVIEWS", **tags)
    return path


def line(**members: Any) -> dict[str, Any]:
    """Make GeoJSON of one line."""
    geometry = {"type": "LineString", "coordinates": [[9.0, 46.0], [9.1, 46.1]]}
    feature = {"type": "Feature", "properties": {}, "geometry": geometry}
    return {"type": "FeatureCollection", "features": [feature], **members}


def source(name: object, *, relative: int = 1, column: int = 0) -> str:
    """Write a source of a VRT, as gdalbuildvrt does."""
    return (
        f'<ComplexSource><SourceFilename relativeToVRT="{relative}">{name}</SourceFilename>'
        f'<SourceBand>1</SourceBand><SourceProperties RasterXSize="{SIZE}" RasterYSize="{SIZE}"'
        f' DataType="Int16" BlockXSize="{SIZE}" BlockYSize="{SIZE}" />'
        f'<SrcRect xOff="0" yOff="0" xSize="{SIZE}" ySize="{SIZE}" />'
        f'<DstRect xOff="{column}" yOff="0" xSize="{SIZE}" ySize="{SIZE}" />'
        "<NODATA>-1</NODATA></ComplexSource>"
    )


def vrt(path: Path, *sources: str, band: str = "", whole: str = "", inside: str = "") -> Path:
    """Write a VRT of some sources side by side, with attributes of the band and of the whole."""
    path.write_text(
        f'<VRTDataset rasterXSize="{SIZE * max(1, len(sources))}" rasterYSize="{SIZE}" {whole}>'
        f"<SRS>{CRS}</SRS><GeoTransform>500000, 30, 0, 4000000, 0, -30</GeoTransform>{inside}"
        f'<VRTRasterBand dataType="Int16" band="1" {band}><NoDataValue>-1</NoDataValue>'
        f"<UnitType>m</UnitType>{''.join(sources)}</VRTRasterBand></VRTDataset>"
    )
    return path


def heights(name: object, **choices: Any) -> NDArray[Any]:
    """Read every pixel."""
    elevation = read_elevation(str(name), **choices)
    return elevation.read(0, elevation.shape[0], 0, elevation.shape[1])[0]


# What is refused -------------------------------------------------------------------------------

RAW = (
    '<SourceFilename relativeToVRT="{relative}">{name}</SourceFilename><ImageOffset>0</ImageOffset>'
    "<PixelOffset>2</PixelOffset><LineOffset>80</LineOffset>"
)
WMS = (
    '<GDAL_WMS><Service name="TMS"><ServerUrl>{url}/${{z}}/${{x}}/${{y}}.png</ServerUrl></Service>'
    "<DataWindow><UpperLeftX>0</UpperLeftX><UpperLeftY>1</UpperLeftY><LowerRightX>1</LowerRightX>"
    "<LowerRightY>0</LowerRightY><TileLevel>2</TileLevel></DataWindow><Projection>EPSG:4326"
    "</Projection><BandsCount>1</BandsCount></GDAL_WMS>"
)
OVERVIEWS = '<Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">{url}/far.tif</MDI></Metadata>'
TILE_INDEX = (
    "<GDALTileIndexDataset><IndexDataset>{url}/i.gpkg</IndexDataset></GDALTileIndexDataset>"
)


def _text(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


def _linked(path: Path, target: Path) -> str:
    path.symlink_to(target)
    return path.name


def _tile(at: Stranger, **tags: str) -> str:
    return write(at.folder / "b.tif", 1, tags=tags).name


def _of(*names: str, relative: int = 1) -> Callable[[Stranger], Path]:
    """Make a VRT of sources, in whose names `at` can be used."""
    return lambda at: vrt(
        at.folder / "a.vrt", *(source(name.format(at=at), relative=relative) for name in names)
    )


def _beside(suffix: str, text: str) -> Callable[[Stranger], Path]:
    """Make a TIFF with a file beside it."""

    def make(at: Stranger) -> Path:
        _text(at.folder / f"a.tif{suffix}", text.format(url=at.url))
        return write(at.folder / "a.tif", 5)

    return make


def _nested(at: Stranger) -> Path:
    (at.folder / "deep").mkdir()
    vrt(at.folder / "deep" / "b.vrt", source(at.far, relative=0))
    return _of("deep/b.vrt")(at)


def _two_formats(at: Stranger) -> Path:
    """Make a grid that is also a tile index: GDAL asks for the latter first."""
    grid = "ncols 2\nnrows 2\ncellsize 1\n1 2\n3 4\n"
    return _of(_text(at.folder / "b.asc", grid + TILE_INDEX.format(url=at.url)).name)(at)


def _hdf(at: Stranger) -> Path:
    """Make an .hgt tile that begins like HDF5, whose numbers may be those of another file."""
    (at.folder / "N36W085.hgt").write_bytes(HDF5.ljust(2 * 1201**2, b"\0"))
    return _of("N36W085.hgt")(at)


def _zipped(at: Stranger) -> str:
    tile, mask = at.folder / _tile(at), vrt(at.folder / "m.vrt", source(at.far, relative=0))
    with zipfile.ZipFile(at.folder / "a.zip", "w") as archive:
        archive.write(tile, "a.tif")
        archive.write(mask, "a.tif.msk")
    return f"/vsizip/{at.folder}/a.zip/a.tif"


HOSTILE: dict[str, Callable[[Stranger], object]] = {
    "an address": lambda at: f"{at.url}/far.tif",
    "/vsicurl/": lambda at: at.far,
    "/vsizip/ of /vsicurl/": lambda at: f"/vsizip/{at.far}.zip/far.tif",
    "/vsis3/": lambda at: f"/vsis3/{at.folder.name}/far.tif",
    "/vsisubfile/": lambda at: f"/vsisubfile/0_100,{at.folder.parent}/outside.tif",
    "vrt://": lambda at: f"vrt://{at.url}/far.tif",
    "WMS:": lambda at: f"WMS:{at.url}/?SERVICE=WMS&LAYERS=a",
    "GTI:": lambda at: f"GTI:{at.url}/far.geojson",
    "GTIFF_DIR:": lambda at: f"GTIFF_DIR:1:{at.far}",
    "NETCDF:": lambda at: f'NETCDF:"{at.url}/far.nc":z',
    "DERIVED_SUBDATASET:": lambda at: f"DERIVED_SUBDATASET:LOGAMPLITUDE:{at.far}",
    "an XML text": lambda at: WMS.format(url=at.url),
    "WMS file": lambda at: _text(at.folder / "a.xml", WMS.format(url=at.url)),
    "tile index": lambda at: _text(at.folder / "a.gti", TILE_INDEX.format(url=at.url)),
    "VRT of an address": _of("{at.url}/far.tif", relative=0),
    "VRT of an address, as if beside it": _of("{at.url}/far.tif"),
    "VRT of /vsicurl/": _of("{at.far}", relative=0),
    "VRT of vrt://": _of("vrt://{at.far}", relative=0),
    "VRT of a VRT": _nested,
    "VRT above its folder": _of("../outside.tif"),
    "VRT of an absolute path": _of("{at.folder.parent}/outside.tif", relative=0),
    "VRT of a path from wherever one is": lambda at: _of(_tile(at), relative=0)(at),
    "VRT of a link": lambda at: _of(_linked(at.folder / "b.tif", at.folder.parent / "outside.tif"))(
        at
    ),
    "VRT of a text file": lambda at: _of(_text(at.folder / "b.txt", "1 2 3").name)(at),
    "VRT of a file of two formats": _two_formats,
    "VRT of an .hgt that is HDF5": _hdf,
    "VRT of a TIFF with overviews elsewhere": lambda at: _of(
        _tile(at, OVERVIEW_FILE=f"{at.url}/far.tif")
    )(at),
    "VRT with overviews elsewhere": lambda at: vrt(
        at.folder / "a.vrt", source(_tile(at)), inside=OVERVIEWS.format(url=at.url)
    ),
    "VRT by another name": lambda at: _of("{at.far}", relative=0)(at).rename(at.folder / "a.tif"),
    "VRT with an attribute for a source": lambda at: vrt(
        at.folder / "a.vrt",
        f'<SimpleSource SourceFilename="{at.far}"><SourceBand>1</SourceBand></SimpleSource>',
    ),
    "VRT with a comment": lambda at: vrt(
        at.folder / "a.vrt", f"<!-- --><!-- {source(at.far, relative=0)} -->"
    ),
    "VRT of raw bytes": lambda at: vrt(
        at.folder / "a.vrt",
        RAW.format(relative=0, name=at.folder.parent / "secret.txt"),
        band='subClass="VRTRawRasterBand"',
    ),
    "VRT of raw bytes beside it": lambda at: vrt(
        at.folder / "a.vrt",
        RAW.format(relative=1, name=_tile(at)),
        band='subClass="VRTRawRasterBand"',
    ),
    "VRT of a program": lambda at: vrt(
        at.folder / "a.vrt",
        "<PixelFunctionType>f</PixelFunctionType><PixelFunctionLanguage>Python"
        f"</PixelFunctionLanguage>{source(_tile(at))}",
        band='subClass="VRTDerivedRasterBand"',
    ),
    "warped VRT": lambda at: vrt(
        at.folder / "a.vrt",
        band='subClass="VRTWarpedRasterBand"',
        whole='subClass="VRTWarpedDataset"',
        inside=f"<GDALWarpOptions><SourceDataset>{at.far}</SourceDataset></GDALWarpOptions>",
    ),
    "TIFF with overviews elsewhere": lambda at: (
        at.folder / _tile(at, OVERVIEW_FILE=f"{at.url}/far.tif")
    ),
    ".aux.xml with overviews elsewhere": _beside(
        ".aux.xml", f"<PAMDataset>{OVERVIEWS}</PAMDataset>"
    ),
    ".msk that is no TIFF": _beside(".msk", TILE_INDEX),
    ".ovr that is no TIFF": _beside(".ovr", TILE_INDEX),
    "mask that is a link": lambda at: (
        at.folder / _linked(at.folder / "b.tif.msk", at.folder.parent / "outside.tif")
    ).with_name(_tile(at)),
    "mask in an archive": _zipped,
}


@pytest.mark.parametrize("make", HOSTILE.values(), ids=HOSTILE.keys())
def test_what_leads_elsewhere_is_refused(make: Callable[[Stranger], object], at: Stranger) -> None:
    """No request is made and no pixel given; the remedy names the way to trust the file."""
    name = make(at)
    with pytest.raises(InputError) as caught:
        heights(name).sum()
    assert "--trust-sources" in caught.value.remedy
    assert "trust_sources=True" in caught.value.remedy
    assert at.server.asked == []


@pytest.mark.parametrize("name", ["an address", "/vsicurl/", "VRT of /vsicurl/", "VRT of a VRT"])
def test_trusted_sources_are_followed(name: str, at: Stranger) -> None:
    """With the user's word the same sources are fetched, and are what the server has."""
    path = HOSTILE[name](at)
    elevation = read_elevation(str(path), trust_sources=True)
    assert (elevation.read(0, SIZE, 0, SIZE)[0] == 7.0).all()
    assert elevation.digest
    assert at.server.asked != []


def test_trust_reaches_other_folders(folder: Path) -> None:
    """A VRT above its folder is read with the user's word, and not without it."""
    path = vrt(folder / "a.vrt", source("../outside.tif"))
    with pytest.raises(
        UntrustedSourceError, match=r"names '\.\./outside\.tif', which is no file"
    ) as caught:
        heights(path)
    assert caught.value.exit_code == 23
    assert (heights(path, trust_sources=True) == 3.0).all()


@pytest.mark.parametrize("where", ["itself", "in a VRT", "beside it", "through a link"])
def test_a_pipe_is_refused_at_once(where: str, folder: Path) -> None:
    """Opening a pipe that nobody writes to would wait for ever."""
    pipe = folder / "pipe"
    os.mkfifo(pipe)
    path = {
        "itself": lambda: pipe,
        "in a VRT": lambda: vrt(folder / "a.vrt", source("pipe")),
        "beside it": lambda: (os.mkfifo(folder / "a.tfw"), write(folder / "a.tif", 5))[1],
        "through a link": lambda: folder / _linked(folder / "b", pipe),
    }[where]()
    with pytest.raises(UntrustedSourceError):
        heights(path)


def test_a_device_is_refused() -> None:
    """/dev/zero has no end."""
    with pytest.raises(UntrustedSourceError, match="a pipe or a device"):
        heights("/dev/zero")
    with pytest.raises(UntrustedSourceError, match="a pipe or a device"):
        read_lines("/dev/zero", kind="road")


# What is read as ever --------------------------------------------------------------------------


def test_a_mosaic_beside_its_tiles_is_read(folder: Path) -> None:
    """GeoTIFF, ESRI ASCII grid, .hgt and another VRT, in the folder and below it, need no word."""
    (folder / "deep").mkdir()
    write(folder / "a.tif", 1)
    write(folder / "deep" / "b.tif", 2)
    vrt(folder / "deep" / "b.vrt", source("b.tif"))
    rows = "\n".join([" ".join(["3"] * SIZE)] * SIZE)
    header = f"ncols {SIZE}\nnrows {SIZE}\nxllcorner 0\nyllcorner 0\ncellsize 30\n"
    (folder / "c.asc").write_text(header + rows)
    np.full((1201, 1201), 4, ">i2").tofile(folder / "N36W085.hgt")
    names = ["a.tif", "deep/b.vrt", "c.asc", "N36W085.hgt"]
    parts = [source(name, column=SIZE * i) for i, name in enumerate(names)]
    parts.append(source(folder / "a.tif", relative=0))
    found = heights(vrt(folder / "all.vrt", *parts))
    np.testing.assert_array_equal(found[:, SIZE : 4 * SIZE : SIZE], [[2, 3, 4]] * SIZE)
    assert (found[:, :SIZE] == 1).all()


def test_a_link_to_a_raster_is_read(folder: Path) -> None:
    """What the user names may be a link; a VRT is read from where it lies."""
    vrt(folder / "a.vrt", source(write(folder / "a.tif", 6).name))
    for name in ("a.tif", "a.vrt"):
        link = folder.parent / f"link-to-{name}"
        link.symlink_to(folder / name)
        assert (heights(link) == 6).all()


def test_a_tile_that_is_not_there_is_named(folder: Path) -> None:
    """A VRT without one of its tiles is refused before any pixel is read."""
    with pytest.raises(FileMissingError, match=r"names 'gone\.tif'"):
        heights(vrt(folder / "a.vrt", source("gone.tif")))


def test_a_vrt_that_is_no_xml_is_refused(folder: Path) -> None:
    """Half a VRT is damaged."""
    path = vrt(folder / "a.vrt", source(write(folder / "b.tif", 1).name))
    path.write_text(path.read_text()[:-20])
    with pytest.raises(InputError, match="not a readable VRT"):
        heights(path)


def test_classic_netcdf_is_read_and_its_variables_can_be_named(folder: Path) -> None:
    """Classic netCDF contains its numbers; of two variables, one is named as GDAL names it."""
    from scipy.io import netcdf_file

    path = folder / "a.nc"
    with netcdf_file(path, "w") as file:
        file.createDimension("y", 3)
        file.createDimension("x", 4)
        for name, value in (("z", 5.0), ("w", 6.0)):
            file.createVariable(name, "f4", ("y", "x"))[:] = value
    choices = {"crs": CRS, "affine": Affine(30.0, 0.0, 5e5, 0.0, -30.0, 4e6)}
    with pytest.raises(InputError) as caught:
        heights(path, **choices)
    named = [name for name in caught.value.facts["subdatasets"] if name.endswith(":w")]  # type: ignore[union-attr]
    assert (heights(named[0], **choices) == 6.0).all()


def test_hdf5_needs_trust(folder: Path) -> None:
    """HDF5 may take its numbers from other files, so netCDF-4 is opened for trusted files only."""
    path = folder / "a.nc"
    path.write_bytes(HDF5 + bytes(100))
    with pytest.raises(InputError, match="may refer to other files") as caught:
        heights(path)
    assert "--trust-sources" in caught.value.remedy


# Maps ------------------------------------------------------------------------------------------


def _link_of(kind: str) -> Callable[[Stranger], Path]:
    def make(at: Stranger) -> Path:
        crs = {"type": kind, "properties": {"href": f"{at.url}/crs", "url": f"{at.url}/crs"}}
        return _text(at.folder / "a.geojson", json.dumps(line(crs=crs)))

    return make


def _escaped(at: Stranger) -> Path:
    text = _link_of("link")(at).read_text().replace('"link"', '"\\u006cink"')
    return _text(at.folder / "a.geojson", text)


OGR_VRT = (
    '<OGRVRTDataSource><OGRVRTLayer name="far"><SrcDataSource>{url}/far.geojson</SrcDataSource>'
    "</OGRVRTLayer></OGRVRTDataSource>"
)
HOSTILE_MAPS: dict[str, Callable[[Stranger], Path]] = {
    "linked CRS": _link_of("link"),
    "CRS by url": _link_of("URL"),
    "linked CRS in other letters": _escaped,
    "OGR VRT": lambda at: _text(at.folder / "a.vrt", OGR_VRT.format(url=at.url)),
    "OGR VRT under another name": lambda at: _text(
        at.folder / "a.geojson", OGR_VRT.format(url=at.url)
    ),
    "pipeline": lambda at: _text(
        at.folder / "a.gdalg.json",
        json.dumps({
            "type": "gdal_streamed_alg",
            "command_line": f"gdal vector pipeline ! read {at.url}/far.geojson ! write"
            " --output-format=stream streamed_dataset",
        }),
    ),
    "CSV": lambda at: _text(at.folder / "a.csv", "WKT\nLINESTRING(9 46, 9.1 46.1)"),
    "folder": lambda at: at.folder,
}  # fmt: skip


@pytest.mark.parametrize("make", HOSTILE_MAPS.values(), ids=HOSTILE_MAPS.keys())
def test_maps_that_lead_elsewhere_are_refused(
    make: Callable[[Stranger], Path], at: Stranger
) -> None:
    """No request is made for a map either."""
    with pytest.raises((UntrustedSourceError, VectorError)):
        read_lines(make(at), kind="road")
    assert at.server.asked == []


def test_trusted_maps_are_followed(at: Stranger) -> None:
    """With the user's word a map is fetched."""
    path = HOSTILE_MAPS["OGR VRT"](at)
    assert read_lines(path, kind="road", trust_sources=True).n_features == 1
    assert at.server.asked != []


def test_a_pipe_beside_a_shapefile_is_refused(folder: Path) -> None:
    """The table of a Shapefile is opened with it, so it must be a file."""
    (folder / "a.shp").write_bytes(b"\0\0\x27\x0a")
    os.mkfifo(folder / "a.dbf")
    with pytest.raises(UntrustedSourceError, match=r"a\.dbf"):
        read_lines(folder / "a.shp", kind="road")


def test_geojson_with_a_named_crs_and_links_in_its_fields_is_read(folder: Path) -> None:
    """Only the CRS may not be a link: fields are the user's own words."""
    members = line(crs={"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}})
    members["features"][0]["properties"] = {"type": "link", "url": "http://127.0.0.1/", "k": "a"}
    path = _text(folder / "a.geojson", json.dumps(members))
    assert read_lines(path, kind_field="k").kind == ("a",)


# On the command line ---------------------------------------------------------------------------


def test_the_option_of_the_command_line_trusts_the_ground(at: Stranger) -> None:
    """`inspect` refuses an address with the exit code of its error, and fetches it when trusted."""
    runner = CliRunner()
    refused = runner.invoke(main, ["inspect", f"{at.url}/far.tif"])
    assert refused.exit_code == UntrustedSourceError.exit_code
    assert at.server.asked == []
    result = runner.invoke(main, ["inspect", "--trust-sources", f"{at.url}/far.tif"])
    assert "7.0 to 7.0 m" in result.output
    assert at.server.asked != []


def test_the_option_of_the_command_line_trusts_the_maps(at: Stranger) -> None:
    """A map that the brief names is refused or fetched as the ground is."""
    ground = at.folder / "ground.tif"
    runner = CliRunner()
    runner.invoke(main, ["invent", "--rows", "64", "--columns", "64", "--out", str(ground)])
    HOSTILE_MAPS["OGR VRT"](at)
    brief = at.folder / "brief.toml"
    brief.write_text('board = { columns = 4, rows = 4 }\n[roads]\nfile = "a.vrt"\nkind = "road"\n')
    call = ["plan", str(ground), "--brief", str(brief), "--out", str(at.folder / "plan")]
    refused = runner.invoke(main, call)
    assert refused.exit_code == VectorError.exit_code
    assert "--trust-sources" in refused.output
    assert at.server.asked == []
    followed = runner.invoke(main, [*call, "--trust-sources"])
    assert at.server.asked != [], followed.output
