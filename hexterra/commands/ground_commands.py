"""Commands that look at ground alone: `inspect`, `drain`, `invent`."""

from __future__ import annotations

from collections.abc import Callable, Generator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from hexterra.commands.shell import (
    listed,
    read,
    reading_options,
    replace_option,
    reports_errors,
    showing_progress,
)
from hexterra.errors import OutputError

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation
    from hexterra.stages.drainage.drain import Drainage

WATER_CAUTION: Final = (
    "streams and lakes follow from heights alone; do not use them for navigation, construction or"
    " flood decisions."
)

#: Memory that draining by bands takes, and then telling streams apart and outlining them: measured
#: as the peak of a process, less the pages of files on disk, with some to spare.
_BANDS_BYTES: Final = 400_000_000
_BANDS_BYTES_PER_PIXEL: Final = 12


def _drain_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that `drain` has too, with its defaults."""
    for option in (
        click.option("--sea-level-m", type=float, metavar="M", help="Ground up to it is sea."),
        click.option(
            "--lake-area-km2", type=float, metavar="KM2",
            help="Least area of a lake. Default: no lakes.",
        ),
        click.option(
            "--lake-depth-m", type=float, metavar="M",
            help="Least depth of a lake; give both limits, or neither.",
        ),
        click.option(
            "--breach-depth-m", type=float, metavar="M", default=10.0, show_default=True,
            help="Deepest cut of a breach.",
        ),
        click.option(
            "--breach-length-pixels", type=int, metavar="N", default=20, show_default=True,
            help="Longest breach.",
        ),
        click.option(
            "--depressions", type=click.Choice(["breach then fill", "fill"]),
            default="breach then fill", show_default=True,
            help="How closed depressions are drained.",
        ),
    ):  # fmt: skip
        command = option(command)
    return command


@click.command("inspect", short_help="Say what is in elevation, and which boards and scales fit.")
@reading_options
@reports_errors
def inspect_command(files: tuple[str, ...], reading: dict[str, Any]) -> None:
    """Say what is in elevation FILE(s), and which boards and scales fit it."""
    with showing_progress() as progress:
        progress("reading")
        elevation = read(files, reading)
        from hexterra.brief.first_board import first_board_command
        from hexterra.place.proposal import propose
        from hexterra.place.survey import survey

        found = survey(elevation)
        # No board fits numbers that are no heights.
        proposals = None if found.void_numbers else propose(found)
    click.echo(found.describe())
    if proposals is not None:
        click.echo()
        click.echo(proposals.describe())
        click.echo("\nA first board, about a weekend at the bench:")
        click.echo(first_board_command(files))


@click.command("drain", short_help="Find streams, catchments and lakes, as geodata.")
@reading_options
@click.option("--out", metavar="DIR", help="Folder to write. Default: <first file>-drained.")
@replace_option
@click.option(
    "--threshold-km2",
    type=float,
    metavar="KM2",
    help="Catchment that makes a stream. Default: a round area near 1/1000 of the ground.",
)
@_drain_options
@reports_errors
def drain_command(
    files: tuple[str, ...],
    out: str | None,
    replace: bool,
    threshold_km2: float | None,
    reading: dict[str, Any],
    **options: Any,
) -> None:
    """Extract streams, catchments and lakes from elevation FILE(s), as geodata."""
    with showing_progress() as progress:
        progress("reading")
        elevation = read(files, reading)
        from hexterra.outputs.folder import DRAINAGE, check_folder
        from hexterra.outputs.hydrography import summarise, write_hydrography
        from hexterra.ranges import check_positive
        from hexterra.stages.drainage.lakes import lakes
        from hexterra.stages.drainage.streams import bytes_for_waters, default_threshold_m2, streams

        directory = Path(out or f"{Path(files[0]).stem}-drained")
        check_folder(directory, kind=DRAINAGE)
        if threshold_km2 is not None:
            check_positive("threshold_km2", threshold_km2, "km2")
        lake_area_km2 = options.pop("lake_area_km2")
        options["lake_area_m2"] = None if lake_area_km2 is None else lake_area_km2 * 1e6
        progress("draining")
        n_bytes = bytes_for_waters(
            elevation, threshold_km2=threshold_km2, has_lakes=options["lake_depth_m"] is not None
        )
        with _drained(elevation, directory, options, n_bytes) as drained:
            progress("tracing streams")
            least_m2 = (
                default_threshold_m2(drained) if threshold_km2 is None else threshold_km2 * 1e6
            )
            found = streams(drained, threshold_m2=least_m2)
            standing = lakes(drained)
            written = write_hydrography(
                found, standing, directory, settings=options, replace=replace, progress=progress
            )
            summary = summarise(found, standing)
    for words in elevation.assumed:
        click.echo(f"Assumed    {words}")
    click.echo(summary.describe())
    click.echo(f"\nWritten to {directory}: {listed(written)}")
    click.echo(f"\nCaution: {WATER_CAUTION}")


@contextmanager
def _drained(
    elevation: Elevation, directory: Path, options: dict[str, Any], n_bytes: int
) -> Generator[Drainage, None, None]:
    """Drain in one piece what fits into memory, what does not by bands: the answer is the same.

    Bands are kept beside `directory` while the block runs; `n_bytes` are needed within it.
    """
    import tempfile

    from hexterra.memory import ask_for, free_bytes
    from hexterra.stages.drainage.band_drain import drain_by_bands
    from hexterra.stages.drainage.drain import MAX_PIXELS, bytes_to_drain, drain

    rows, columns = elevation.shape
    n_pixels = rows * columns
    if n_pixels <= MAX_PIXELS and bytes_to_drain(elevation, n_pixels) + n_bytes <= free_bytes():
        yield drain(elevation, **options)
        return
    ask_for(
        _BANDS_BYTES + n_pixels * _BANDS_BYTES_PER_PIXEL + n_bytes,
        f"draining {rows:,} x {columns:,} pixels by bands and outlining their streams",
        remedy="use coarser pixels, a larger --threshold-km2, or cut the raster along watersheds",
    )
    there = next(path for path in directory.absolute().parents if path.is_dir())
    try:
        scratch = tempfile.TemporaryDirectory(prefix=".hexterra-", dir=there)
    except OSError as error:
        raise OutputError(
            f"no folder for drained bands can be made in {there}: {error.strerror}",
            remedy="choose an output folder beside which there is room",
            path=str(there),
        ) from error
    with scratch as folder:
        yield drain_by_bands(elevation, Path(folder), **options)


@click.command("invent", short_help="Invent a piece of ground.")
@click.option(
    "--seed", type=int, default=1, show_default=True, help="Each seed makes another landscape."
)
@click.option("--rows", type=int, default=360, show_default=True, help="Pixels north to south.")
@click.option("--columns", type=int, default=480, show_default=True, help="Pixels west to east.")
@click.option("--pixel-m", type=float, default=25.0, show_default=True, help="Pixel size.")
@click.option("--relief-m", type=float, default=400.0, show_default=True, help="Height range.")
@click.option("--out", required=True, metavar="TIF", help="GeoTIFF to write.")
@replace_option
@reports_errors
def invent_command(
    seed: int, rows: int, columns: int, pixel_m: float, relief_m: float, out: str, replace: bool
) -> None:
    """Invent a piece of ground: ridges, valleys, an escarpment, a lake basin."""
    with showing_progress() as progress:
        from hexterra.outputs.single_file import check_file

        check_file(out, replace=replace)
        progress("shaping ground")
        from hexterra.elevation.elevation import write_elevation
        from hexterra.elevation.invention import invent

        ground = invent(seed, rows=rows, columns=columns, pixel_m=pixel_m, relief_m=relief_m)
        write_elevation(ground, Path(out))
    click.echo(f"wrote {out}")
