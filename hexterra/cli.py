"""The command line: a thin shell that reads, calls, writes and reports.

Results go to files and standard output, progress and errors to standard error. An error ends with
the exit code of its class (`hexterra.errors`); 2 is a misspelt command or option.
"""

from __future__ import annotations

import functools
import sys
import tomllib
from collections.abc import Callable, Generator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import click

from hexterra import __version__
from hexterra.errors import BriefError, HexterraError, OutputError

if TYPE_CHECKING:
    from hexterra.brief import Brief
    from hexterra.elevation import Elevation
    from hexterra.outputs.bench import Extra
    from hexterra.plan import Plan
    from hexterra.progress import Progress
    from hexterra.stages.drain import Drainage

_P = ParamSpec("_P")
_R = TypeVar("_R")

CAUTION = (
    "Cut outdoors or under extraction, keep the hot wire off skin and off when idle, mind blades"
    " and dust; follow the foam's data sheet, the cutter's manual and local rules."
)

WATER_CAUTION = (
    "these waters follow from heights alone; do not use them for navigation, construction or flood"
    " decisions."
)

#: Memory that draining in one piece and writing take, with some to spare.
_BYTES_PER_PIXEL = 40


@contextmanager
def _errors_without_traceback() -> Generator[None, None, None]:
    try:
        yield
    except HexterraError as error:
        click.echo(f"hexterra: {error}", err=True)
        sys.exit(error.exit_code)
    except MemoryError:
        click.echo(
            "hexterra: there is not enough memory for this\n"
            "  To fix it: use fewer cells or a smaller raster, or cut the region into several",
            err=True,
        )
        sys.exit(60)


def _reports_errors(command: Callable[_P, _R]) -> Callable[_P, _R]:
    @functools.wraps(command)
    def shielded(*args: _P.args, **kwargs: _P.kwargs) -> _R:
        with _errors_without_traceback():
            return command(*args, **kwargs)

    return shielded


def _reading_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options of every command that reads elevation files."""
    for option in (
        click.option("--band", type=int, metavar="N", help="Band that holds the heights."),
        click.option("--crs", metavar="CRS", help="Coordinates of the file, if it does not say."),
        click.option(
            "--vertical-unit",
            metavar="UNIT",
            help="Unit of the heights, m or ft, if the file does not say.",
        ),
    ):
        command = option(command)
    return click.argument("files", nargs=-1, required=True, metavar="FILE...")(command)


def _drain_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that `drain` has too, with its defaults."""
    for option in (
        click.option("--sea-level-m", type=float, metavar="M", help="Ground up to it is sea."),
        click.option(
            "--lake-area-km2", type=float, metavar="KM2",
            help="... as large are lakes; give both, or neither.",
        ),
        click.option(
            "--lake-depth-m", type=float, metavar="M",
            help="Depressions as deep, and ...",
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
            help="What is done to ground that water cannot leave.",
        ),
    ):  # fmt: skip
        command = option(command)
    return command


def _bench_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that ask for more than the plan."""
    for name, words in (
        ("mesh", "Solids of the pieces and the board, as STL, 3MF and GLB."),
        ("sheets", "Layouts of the foam sheets, as SVG and DXF."),
        ("templates", "Guides at full size, as PDF, SVG and DXF."),
        ("book", "The build book: cut list, sheets, map, assembly, as one PDF."),
    ):
        command = click.option(f"--{name}", is_flag=True, help=words)(command)
    return command


def _extras(wanted: dict[str, bool]) -> list[Extra]:
    """Name the bench options that were given."""
    from hexterra.outputs.bench import EXTRAS

    return [extra for extra in EXTRAS if wanted[extra]]


def _listed(files: tuple[str, ...]) -> str:
    """List files, and folders with the number of files in them."""
    names = [name.split("/")[0] for name in files]
    shown = {
        name: f"{name}/ ({names.count(name)} files)" if f"{name}/" in file else name
        for name, file in zip(names, files, strict=True)
    }
    return ", ".join(shown.values())


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="hexterra")
def main() -> None:
    """Turn elevation into hexagonal foam terrain that can be cut and laid out."""


@main.command("plan")
@_reading_options
@click.option("--brief", "brief_path", metavar="TOML", help="What is wanted; see `hexterra brief`.")
@click.option(
    "--set",
    "settings",
    multiple=True,
    metavar="KEY=VALUE",
    help="Set one key of the brief, as in board.columns=12. May be repeated.",
)
@click.option("--out", metavar="DIR", help="Folder for the plan. Default: <first file>-plan.")
@_bench_options
@_reports_errors
def plan_command(
    files: tuple[str, ...],
    brief_path: str | None,
    settings: tuple[str, ...],
    out: str | None,
    vertical_unit: str | None,
    crs: str | None,
    band: int | None,
    **wanted: bool,
) -> None:
    """Plan a board: elevation FILE(s) in, a folder of tables, maps and checks out."""
    with _progress() as progress:
        progress("reading the brief")
        brief = _read_brief(brief_path, settings)
        elevation = _read(files, vertical_unit, crs, band)
        from hexterra.outputs import write_plan
        from hexterra.outputs.folder import check_folder
        from hexterra.plan import make_plan

        directory = Path(out or f"{Path(files[0]).stem}-plan")
        check_folder(directory)
        with _first_run(progress):
            plan = make_plan(elevation, brief, progress=progress)
        written = write_plan(plan, directory, extras=_extras(wanted), progress=progress)
    _print_plan(plan, directory, written)


@main.command("book")
@click.argument("directory", metavar="DIR")
@_bench_options
@_reports_errors
def book_command(directory: str, **wanted: bool) -> None:
    """Add the build book, or what else the bench needs, to the plan in DIR."""
    from hexterra.outputs import write_plan
    from hexterra.outputs.reopening import read_plan

    with _progress() as progress:
        progress("opening the plan")
        plan = read_plan(directory, progress=progress)
        extras = _extras(wanted) or ["book"]
        written = write_plan(plan, directory, extras=extras, progress=progress)
    click.echo(f"Written to {directory}: {_listed(written)}")
    click.echo(f"\nCautions: {CAUTION}")


@main.command("inspect")
@_reading_options
@_reports_errors
def inspect_command(
    files: tuple[str, ...], vertical_unit: str | None, crs: str | None, band: int | None
) -> None:
    """Say what is in elevation FILE(s), and which boards and scales fit it."""
    with _progress() as progress:
        progress("reading")
        elevation = _read(files, vertical_unit, crs, band)
        from hexterra.proposal import propose, survey

        found = survey(elevation)
        proposals = propose(found)
    click.echo(found.describe())
    click.echo()
    click.echo(proposals.describe())


@main.command("drain")
@_reading_options
@click.option("--out", metavar="DIR", help="Folder to write. Default: <first file>-drained.")
@click.option(
    "--threshold-km2",
    type=float,
    metavar="KM2",
    help="Catchment that makes a stream. Default: a round area near 1/1000 of the ground.",
)
@_drain_options
@_reports_errors
def drain_command(
    files: tuple[str, ...],
    out: str | None,
    threshold_km2: float | None,
    vertical_unit: str | None,
    crs: str | None,
    band: int | None,
    **options: Any,
) -> None:
    """Find the waters of elevation FILE(s): streams, catchments and lakes, as geodata."""
    with _progress() as progress:
        progress("reading")
        elevation = _read(files, vertical_unit, crs, band)
        from hexterra.outputs.folder import DRAINAGE, check_folder
        from hexterra.outputs.hydrography import summarise, write_hydrography
        from hexterra.stages.flow import check_positive
        from hexterra.stages.streams import default_threshold_m2, streams

        directory = Path(out or f"{Path(files[0]).stem}-drained")
        check_folder(directory, kind=DRAINAGE)
        if threshold_km2 is not None:
            check_positive("threshold_km2", threshold_km2, "km2")
        lake_area_km2 = options.pop("lake_area_km2")
        options["lake_area_m2"] = None if lake_area_km2 is None else lake_area_km2 * 1e6
        progress("draining")
        with _drained(elevation, directory, options) as drained:
            progress("tracing streams")
            least_m2 = (
                default_threshold_m2(drained) if threshold_km2 is None else threshold_km2 * 1e6
            )
            found = streams(drained, threshold_m2=least_m2)
            written = write_hydrography(found, directory, settings=options, progress=progress)
            summary = summarise(found)
    click.echo(summary.describe())
    click.echo(f"\nWritten to {directory}: {_listed(written)}")
    click.echo(f"\nCaution: {WATER_CAUTION}")


@main.command("brief")
@click.option("--out", type=click.Path(), metavar="TOML", help="File to write. Default: print it.")
@_reports_errors
def brief_command(out: str | None) -> None:
    """Write a starter brief: every key, its meaning and its default."""
    from hexterra.brief import starter_brief

    if out is None:
        click.echo(starter_brief(), nl=False)
        return
    from hexterra.outputs.folder import write_file

    write_file(Path(out), starter_brief().encode())
    click.echo(f"wrote {out}")


@main.command("verify")
@click.argument("directory", metavar="DIR")
@_reports_errors
def verify_command(directory: str) -> None:
    """Rebuild a plan's board from its tables alone and check every seam, count and port."""
    from hexterra.verification import verify

    verdict = verify(Path(directory))
    click.echo(verdict.describe())
    if not verdict.agrees:
        sys.exit(3)


@main.command("invent")
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed, another land.")
@click.option("--rows", type=int, default=360, show_default=True, help="Pixels north to south.")
@click.option("--columns", type=int, default=480, show_default=True, help="Pixels west to east.")
@click.option("--pixel-m", type=float, default=25.0, show_default=True, help="Pixel size.")
@click.option("--relief-m", type=float, default=400.0, show_default=True, help="Height range.")
@click.option("--out", required=True, metavar="TIF", help="GeoTIFF to write.")
@_reports_errors
def invent_command(
    seed: int, rows: int, columns: int, pixel_m: float, relief_m: float, out: str
) -> None:
    """Invent a piece of ground: ridges, valleys, an escarpment, a lake basin."""
    with _progress() as progress:
        progress("shaping ground")
        from hexterra.elevation import write_elevation
        from hexterra.invention import invent

        ground = invent(seed, rows=rows, columns=columns, pixel_m=pixel_m, relief_m=relief_m)
        write_elevation(ground, Path(out))
    click.echo(f"wrote {out}")


@main.command("schema")
@click.argument("what", type=click.Choice(["brief", "plan"]))
@_reports_errors
def schema_command(what: str) -> None:
    """Print the JSON Schema of the brief or of plan.json."""
    import json

    if what == "brief":
        from hexterra.brief import Brief

        schema = Brief.model_json_schema()
    else:
        from hexterra.outputs.document import plan_schema

        schema = plan_schema()
    click.echo(json.dumps(schema, indent=2))


def _read_brief(path: str | None, settings: tuple[str, ...]) -> Brief:
    """Read the brief, then lay single settings over it."""
    from hexterra.brief import Brief, read_brief

    brief = read_brief(path) if path else Brief()
    try:
        return brief.changed(tomllib.loads("\n".join(settings)))
    except tomllib.TOMLDecodeError as error:
        raise BriefError(
            f"--set {' --set '.join(settings)} is not KEY=VALUE in TOML: {error}",
            remedy="write numbers plainly, text in quotes, and each key once, as in"
            " --set board.columns=12 --set 'board.facing=\"flats\"'",
            settings=settings,
        ) from error


def _read(
    files: tuple[str, ...], vertical_unit: str | None, crs: str | None, band: int | None
) -> Elevation:
    from hexterra.elevation import read_elevation

    paths = [Path(file) for file in files]
    return read_elevation(
        paths if len(paths) > 1 else paths[0], vertical_unit=vertical_unit, crs=crs, band=band
    )


@contextmanager
def _drained(
    elevation: Elevation, directory: Path, options: dict[str, Any]
) -> Generator[Drainage, None, None]:
    """Drain in one piece what fits into memory, what does not by bands: the answer is the same.

    Bands are kept beside `directory` while the block runs.
    """
    import tempfile

    from hexterra.stages.drain import MAX_PIXELS, drain
    from hexterra.stages.drain_bands import drain_by_bands

    rows, columns = elevation.shape
    if rows * columns <= min(MAX_PIXELS, _memory_bytes() // _BYTES_PER_PIXEL):
        yield drain(elevation, **options)
        return
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


def _memory_bytes() -> int:
    """Memory of this machine; where it does not say, little is expected."""
    import os

    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return 4 * 2**30


@contextmanager
def _first_run(progress: Progress) -> Generator[None, None, None]:
    """On the first run on a machine, say so and compile on both sides."""
    from hexterra.kernels import are_compiled

    if are_compiled():
        yield
        return
    from hexterra.first_run import compiling_beside

    progress("compiling numeric code for this machine (first run only, some 15 s)")
    with compiling_beside():
        yield


@contextmanager
def _progress() -> Generator[Progress, None, None]:
    """Show each stage as it begins: on one live line in a terminal, a line each elsewhere."""
    from rich.console import Console

    console = Console(stderr=True, highlight=False)
    if not console.is_terminal:
        yield console.print
        return
    with console.status("starting") as status:
        yield lambda stage: status.update(f"{stage} ...")


def _print_plan(plan: Plan, directory: Path, written: tuple[str, ...]) -> None:
    """Say what was planned, what was assumed, and where it is."""
    click.echo(plan.describe())
    click.echo(f"\nWritten to {directory}: {_listed(written)}")
    click.echo(f"\nCautions: {CAUTION}")
