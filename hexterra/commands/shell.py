"""What all commands share: options, progress, errors without a traceback, words at the end."""

from __future__ import annotations

import functools
import sys
import warnings
from collections.abc import Callable, Generator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, ParamSpec, TypeVar

import click

from hexterra.errors import HexterraError, HexterraWarning, InputError, OutputError

if TYPE_CHECKING:
    from hexterra.elevation.elevation import Elevation
    from hexterra.outputs.bench_files import Extra
    from hexterra.plan.plan import Plan
    from hexterra.progress import Progress

_P = ParamSpec("_P")
_R = TypeVar("_R")

#: Names of the options of every command that reads elevation files.
_READING: Final = ("vertical_unit", "crs", "band", "nodata", "trust_sources")

CAUTION: Final = (
    "Cut outdoors or under extraction, keep the hot wire off skin and off when idle, mind blades"
    " and dust; follow the foam's data sheet, the cutter's manual and local rules."
)


@contextmanager
def _errors_without_traceback() -> Generator[None, None, None]:
    try:
        yield
    except HexterraError as error:
        click.echo(f"hexterra: {error}", err=True)
        sys.exit(error.exit_code)
    except UnicodeEncodeError as error:  # of GDAL, which takes all names of files as UTF-8
        click.echo(
            f"hexterra: the name {error.object!r} is not text in UTF-8\n"
            "  To fix it: rename the file or folder",
            err=True,
        )
        sys.exit(InputError.exit_code)
    except RuntimeError as error:
        if "no locator available" not in str(error):  # numba's words for: nowhere to keep a cache
            raise
        click.echo(
            "hexterra: there is no folder in which compiled code can be kept\n"
            "  To fix it: name one that may be written to in the variable NUMBA_CACHE_DIR",
            err=True,
        )
        sys.exit(OutputError.exit_code)
    except KeyboardInterrupt:
        click.echo("hexterra: stopped", err=True)
        sys.exit(130)
    except MemoryError:
        click.echo(
            "hexterra: there is not enough memory for this\n"
            "  To fix it: use fewer cells or a smaller raster, or cut the region into several",
            err=True,
        )
        sys.exit(60)


@contextmanager
def _warnings_in_words() -> Generator[None, None, None]:
    """Say what hexterra warns of without naming the line of code; leave other warnings alone."""
    with warnings.catch_warnings():
        show = warnings.showwarning

        def say(message: Warning | str, category: type[Warning], *where: Any) -> None:
            if issubclass(category, HexterraWarning):
                click.echo(f"hexterra: {message}", err=True)
            else:
                show(message, category, *where)

        warnings.showwarning = say
        yield


def reports_errors(command: Callable[_P, _R]) -> Callable[_P, _R]:
    """Turn the errors of a command into words and its exit code."""

    @functools.wraps(command)
    def shielded(*args: _P.args, **kwargs: _P.kwargs) -> _R:
        with _warnings_in_words(), _errors_without_traceback():
            return command(*args, **kwargs)

    return shielded


def reading_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options of every command that reads elevation files, handed on together as `reading`."""

    @functools.wraps(command)
    def gathered(**given: Any) -> Any:
        reading = {name: given.pop(name) for name in _READING}
        return command(reading=reading, **given)

    for option in (
        click.option(
            "--trust-sources",
            is_flag=True,
            help="Follow what the files name: web addresses, other folders; read every format of"
            " GDAL. For files that you trust.",
        ),
        click.option(
            "--nodata",
            type=float,
            multiple=True,
            metavar="VALUE",
            help="Stored number that marks voids, if the file does not say. May be repeated.",
        ),
        click.option("--band", type=int, metavar="N", help="Band that holds the heights."),
        click.option("--crs", metavar="CRS", help="Coordinates of the file, if it does not say."),
        click.option(
            "--vertical-unit",
            metavar="UNIT",
            help="Unit of the heights, m or ft, if the file does not say. Default: m, on a grid of"
            " degrees or metres.",
        ),
    ):
        gathered = option(gathered)
    return click.argument("files", nargs=-1, required=True, metavar="FILE...")(gathered)


def replace_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the option that allows to replace what is there."""
    words = "Replace what --out holds, if it is another one."
    return click.option("--replace", is_flag=True, help=words)(command)


def bench_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that ask for more than the plan."""
    for name, words in (
        ("mesh", "Add mesh/: solids of the pieces and the board, as STL, 3MF and GLB."),
        ("sheets", "Add sheets/: layouts of the foam sheets, as SVG and DXF."),
        ("templates", "Add templates/: guides at full size, as PDF, SVG and DXF."),
        ("page", "Add page.html: the board to turn, section and tick off in a browser."),
        ("book", "Add book.pdf: how to cut, cut list, sheets, map, assembly."),
    ):
        command = click.option(f"--{name}", is_flag=True, help=words)(command)
    return command


def chosen_extras(wanted: dict[str, bool]) -> list[Extra]:
    """Name the bench options that were given."""
    from hexterra.outputs.bench_files import EXTRAS

    return [extra for extra in EXTRAS if wanted[extra]]


def listed(files: tuple[str, ...]) -> str:
    """List files, and folders with the number of files in them."""
    names = [name.split("/")[0] for name in files]
    shown = {
        name: f"{name}/ ({names.count(name)} files)" if f"{name}/" in file else name
        for name, file in zip(names, files, strict=True)
    }
    return ", ".join(shown.values())


def read(files: tuple[str, ...], reading: dict[str, Any]) -> Elevation:
    """Read the elevation of one or several files, with what `reading_options` gathered."""
    from hexterra.elevation.elevation import read_elevation

    return read_elevation(files, **reading)


@contextmanager
def first_run(progress: Progress) -> Generator[None, None, None]:
    """On the first run on a machine, say so and compile on both sides."""
    from hexterra.kernels.board.message_sweeps import sweep
    from hexterra.kernels.compiled import is_compiled

    if is_compiled(sweep):  # the last kernel that a first run compiles
        yield
        return
    from hexterra.commands.first_run import compiling_beside

    progress("compiling numeric code for this machine (first run only, 15 to 30 s)")
    with compiling_beside():
        yield


@contextmanager
def showing_progress() -> Generator[Progress, None, None]:
    """Show each stage as it begins: on one live line in a terminal, a line each elsewhere."""
    from rich.console import Console
    from rich.text import Text

    console = Console(stderr=True, highlight=False, markup=False)
    if not console.is_terminal:
        yield console.print
        return
    with console.status("starting") as status:
        yield lambda stage: status.update(Text(f"{stage} ..."))


def print_plan(plan: Plan, directory: Path, written: tuple[str, ...]) -> None:
    """Say what was planned, what was assumed, and where it is."""
    click.echo(plan.describe())
    click.echo(f"\nWritten to {directory}: {listed(written)}")
    click.echo(f"\nCautions: {CAUTION}")
