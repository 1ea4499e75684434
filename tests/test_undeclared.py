"""Numbers that mark voids without being declared: refused under a board, and real ground never."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from affine import Affine
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hexterra.brief.brief import Brief
from hexterra.cli import main
from hexterra.elevation.elevation import Elevation, read_elevation
from hexterra.elevation.invention import invent
from hexterra.errors import InputError, NotElevationError
from hexterra.place.siting import site_board
from hexterra.place.survey import survey
from hexterra.stages.drainage.band_drain import drain_by_bands
from hexterra.stages.drainage.drain import drain
from hexterra.stages.sampling.gather import Heights, gather

PLACE: dict[str, Any] = {
    "crs": "EPSG:32616",
    "affine": Affine(30.0, 0.0, 5e5, 0.0, -30.0, 4e6),
}
METRES: dict[str, Any] = PLACE | {"vertical_unit": "m"}
BOARD = Brief(board={"columns": 8, "rows": 6, "scale": 5000})
#: Rows and columns of a void under the middle of the board, and of one that no cell touches.
UNDER, BESIDE = np.s_[95:101, 120:126], np.s_[2:9, 2:9]


def ground(dtype: str = "float32") -> NDArray[Any]:
    """200 x 240 pixels of hills between 120 and 480, the same for every test."""
    y, x = np.mgrid[0:200, 0:240]
    return (300.0 + 100.0 * np.sin(x / 40.0) + 80.0 * np.cos(y / 30.0)).astype(dtype)


def with_voids(number: float, where: Any = UNDER, dtype: str = "float32") -> NDArray[Any]:
    """Hills with a number instead of heights somewhere."""
    heights = ground(dtype)
    heights[where] = number
    return heights


def gathered(elevation: Elevation) -> Heights:
    """Heights of the board's cells."""
    return gather(elevation, site_board(elevation, BOARD).board, below="leave out")


#: Numbers and where they come from: SRTM and DTED voids; Esri's defaults for integer grids and
#: float grids; fill numbers of netCDF (NetCDF Users Guide); habits without a source.
NUMBERS = [
    (-32768, "int16"), (-32767, "int16"), (-9999, "int16"), (-9999, "float32"),
    (-3.4028234663852886e38, "float32"), (9.969209968386869e36, "float32"),
    (9.969209968386869e36, "float64"), (-2147483647, "int32"), (65535, "uint16"),
    (-99999, "float32"), (1e37, "float32"), (-1e37, "float64"), (1e20, "float32"),
]  # fmt: skip


@pytest.mark.parametrize(("number", "dtype"), NUMBERS)
def test_a_void_number_is_refused_until_it_is_declared(number: float, dtype: str) -> None:
    """The number that the error names is the one that, declared, makes the pixels voids."""
    heights = with_voids(number, dtype=dtype)
    with pytest.raises(NotElevationError) as caught:
        gathered(read_elevation(heights, **METRES))
    stored = caught.value.facts["stored"]
    assert f"--nodata {stored}" in caught.value.remedy
    assert "under the board" in caught.value.problem
    declared = read_elevation(heights, **METRES, nodata=float(str(stored)))
    assert gathered(declared).min_m.min() > 100.0
    assert gathered(declared).coverage.min() < 1.0


@pytest.mark.parametrize("number", [-32768, -32767, -9999])
def test_stored_numbers_are_found_in_other_units(number: int, tmp_path: Path) -> None:
    """In feet, or in tenths of a metre, a void comes to lie within the heights of the Earth."""
    in_feet = read_elevation(with_voids(number, dtype="int16"), **PLACE, vertical_unit="ft")
    path = tmp_path / "tenths.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=200, width=240, count=1, dtype="int16",
        crs=PLACE["crs"], transform=PLACE["affine"],
    ) as dataset:  # fmt: skip
        dataset.write(with_voids(number, dtype="int16"), 1)
        dataset.scales, dataset.offsets = (0.1,), (5.0,)
    for elevation in (in_feet, read_elevation(path), read_elevation([path, path])):
        with pytest.raises(NotElevationError) as caught:
            gathered(elevation)
        assert caught.value.facts["stored"] == str(number)


def test_a_single_void_pixel_is_found() -> None:
    """One pixel of -9999 drags the mean of a cell as many do."""
    with pytest.raises(NotElevationError, match=r"contains -9999 under the board \(\w+\)"):
        gathered(read_elevation(with_voids(-9999, (97, 121)), **METRES))


def test_several_numbers_can_be_declared() -> None:
    """A raster made of two may have the voids of both."""
    heights = with_voids(-9999)
    heights[90:93, 110:114] = -32768
    with pytest.raises(NotElevationError):
        gathered(read_elevation(heights, **METRES, nodata=-9999))
    assert gathered(read_elevation(heights, **METRES, nodata=[-9999, -32768])).min_m.min() > 100


def test_voids_that_no_cell_touches_are_no_matter() -> None:
    """Only the ground under the board is used, so only that is refused."""
    beside = read_elevation(with_voids(-32768, BESIDE), **METRES)
    np.testing.assert_array_equal(
        gathered(beside).mean_m, gathered(read_elevation(ground(), **METRES)).mean_m
    )


def test_drain_refuses_what_it_reads(tmp_path: Path) -> None:
    """The whole raster, in one piece or by bands, but around a board nothing that gather saw."""
    beside = read_elevation(with_voids(-32768, BESIDE), **METRES)
    with pytest.raises(NotElevationError, match=r"\(49 pixels\)"):
        drain(beside)
    with pytest.raises(NotElevationError, match="in rows"):
        drain_by_bands(beside, tmp_path, band_rows=64)
    board = site_board(beside, BOARD).board
    assert drain(beside, around=board, surroundings_m=0.0).surface_m.min() > 100.0


def test_the_survey_counts_them() -> None:
    """`inspect` says how many pixels contain the number, over all bands, and how to declare it."""
    found = survey(read_elevation(with_voids(-9999), **METRES))
    assert [(number.stored, number.n) for number in found.void_numbers] == [("-9999", 36)]
    assert "36 pixels contain -9999" in found.notes[0]
    assert "--nodata -9999" in found.describe()
    assert survey(read_elevation(ground(), **METRES)).void_numbers == ()


@settings(derandomize=True, deadline=None, max_examples=80)
@given(
    st.floats(-10_900.0, 8_000.0),
    st.floats(5.0, 800.0),
    st.sampled_from(["m", "ft"]),
    st.sampled_from(["int16", "float32"]),
)
def test_real_heights_are_never_taken_for_voids(
    lowest_m: float, relief_m: float, unit: str, dtype: str
) -> None:
    """Slopes anywhere from the deepest trench to the highest peak pass, -9999 m among them."""
    shape = (ground() - ground().min()) / np.ptp(ground())
    height_m = lowest_m + relief_m * shape
    stored = (height_m if unit == "m" else height_m / 0.3048).astype(dtype)
    elevation = read_elevation(stored, **PLACE, vertical_unit=unit)
    assert survey(elevation).void_numbers == ()
    assert gathered(elevation).lattice.n_cells == 48
    drain(elevation)


def test_a_trench_of_whole_metres_through_9999_is_ground() -> None:
    """A sea floor that falls by a metre a pixel has -9999 m in a whole column, and is real."""
    floor = np.tile(np.arange(-9900, -10140, -1, dtype=np.int16), (200, 1))
    assert (floor == -9999).sum() == 200
    elevation = read_elevation(floor, **METRES)
    assert gathered(elevation).min_m.min() < -9999.0
    drain(elevation)


def test_invented_ground_keeps_to_the_same_limits() -> None:
    """What is invented can be planned, so it may not be higher than the Earth."""
    with pytest.raises(InputError, match="add up to 12000 m"):
        invent(1, base_m=5000.0, relief_m=7000.0)


def test_the_command_line_names_and_takes_the_number(tmp_path: Path) -> None:
    """`plan`, `drain` and `inspect` say what to add, and with it do what they are for."""
    path = tmp_path / "ground.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=200, width=240, count=1, dtype="int16",
        crs=PLACE["crs"], transform=PLACE["affine"],
    ) as dataset:  # fmt: skip
        dataset.write(with_voids(-32768, dtype="int16"), 1)
    board = [f"--set=board.{name}={value}" for name, value in BOARD.board.model_dump(
        exclude_unset=True).items()]  # fmt: skip
    for words in (["plan", *board], ["drain"]):
        call = [words[0], str(path), *words[1:], "--out", str(tmp_path / words[0])]
        refused = CliRunner().invoke(main, call)
        assert refused.exit_code == NotElevationError.exit_code
        assert "--nodata -32768" in refused.output
        made = CliRunner().invoke(main, [*call, "--nodata", "-32768"])
        assert made.exit_code == 0, made.output
    said = CliRunner().invoke(main, ["inspect", str(path)]).output
    assert "36 pixels contain -32768" in said
    assert "Boards that fit" not in said
    assert "Boards that fit" in CliRunner().invoke(
        main, ["inspect", str(path), "--nodata=-32768"]
    ).output  # fmt: skip
