"""Commands that plan a board: `plan`, `book`, `page`, `verify`, and what a brief may say."""

from __future__ import annotations

import json
import re
import sys
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from hexterra.commands.shell import (
    CAUTION,
    bench_options,
    chosen_extras,
    first_run,
    listed,
    print_plan,
    read,
    reading_options,
    replace_option,
    reports_errors,
    showing_progress,
)
from hexterra.errors import BriefError

if TYPE_CHECKING:
    from hexterra.brief.brief import Brief
    from hexterra.outputs.bench_files import Extra
    from hexterra.plan.plan import Plan


@click.command("plan", short_help="Plan a board: elevation in, a folder of tables and maps out.")
@reading_options
@click.option(
    "--brief", "brief_path", metavar="TOML", help="The settings of the plan; see `hexterra brief`."
)
@click.option(
    "--set",
    "settings",
    multiple=True,
    metavar="KEY=VALUE",
    help="Set one key of the brief, as in board.columns=12; its value is TOML or a plain word."
    " May be repeated.",
)
@click.option("--out", metavar="DIR", help="Folder for the plan. Default: <first file>-plan.")
@replace_option
@bench_options
@reports_errors
def plan_command(
    files: tuple[str, ...],
    brief_path: str | None,
    settings: tuple[str, ...],
    out: str | None,
    replace: bool,
    reading: dict[str, Any],
    **wanted: bool,
) -> None:
    """Plan a board: elevation FILE(s) in, a folder of tables, maps and checks out."""
    with showing_progress() as progress:
        progress("reading the brief")
        brief = _read_brief(brief_path, settings)
        elevation = read(files, reading)
        from hexterra.outputs.document import request_of
        from hexterra.outputs.folder import check_folder
        from hexterra.outputs.plan_files import write_plan
        from hexterra.plan.pipeline import make_plan

        directory = Path(out or f"{Path(files[0]).stem}-plan")
        check_folder(directory, replace=replace, document=request_of(elevation, brief))
        with first_run(progress):
            plan = make_plan(
                elevation, brief, trust_sources=reading["trust_sources"], progress=progress
            )
        extras = chosen_extras(wanted)
        written = write_plan(plan, directory, extras=extras, replace=replace, progress=progress)
    print_plan(plan, directory, written)


@click.command("book", short_help="Add the build book, guides, layouts, solids or page to a plan.")
@click.argument("directory", metavar="DIR")
@bench_options
@reports_errors
def book_command(directory: str, **wanted: bool) -> None:
    """Add the build book, and what else the options ask for, to the plan in DIR.

    The book is written whatever the options; what was added before is written again.
    """
    from hexterra.outputs.bench_files import extras_in
    from hexterra.outputs.plan_files import write_plan
    from hexterra.outputs.reopen import read_plan

    with showing_progress() as progress:
        progress("opening the plan")
        plan = read_plan(directory, progress=progress)
        extras: set[Extra] = {"book", *chosen_extras(wanted), *extras_in(directory)}
        written = write_plan(plan, directory, extras=extras, progress=progress)
    click.echo(f"Written to {directory}: {listed(written)}")
    click.echo(f"\nCautions: {CAUTION}")


@click.command("page", short_help="Show plans in a browser: one HTML file that needs no network.")
@click.argument("directories", metavar="DIR...", nargs=-1, required=True)
@click.option("--out", metavar="HTML", help="File to write. Default: page.html in the plan's DIR.")
@replace_option
@reports_errors
def page_command(directories: tuple[str, ...], out: str | None, replace: bool) -> None:
    """Write one HTML file that shows the plan in DIR: turn it, take it apart, tick pieces off.

    Several plans make one page with an overview; plans of one board can be compared there.
    """
    if len(directories) > 1 and out is None:
        raise click.UsageError("give --out: a page of several plans belongs to none of them")
    from hexterra.outputs.bench_files import extras_in
    from hexterra.outputs.plan_files import write_page, write_plan
    from hexterra.outputs.reopen import read_plan

    with showing_progress() as progress:
        plans: list[Plan] = []
        for directory in directories:
            progress(f"opening {directory}")
            plans.append(read_plan(directory, progress=progress))
        if out is not None:
            progress(f"writing {out}")
            write_page(plans, out, names=_names(directories), replace=replace)
        for directory, plan in zip(directories, plans, strict=True) if out is None else ():
            extras: set[Extra] = {"page", *extras_in(directory)}
            write_plan(plan, directory, extras=extras, progress=progress)
    for path in directories if out is None else ():
        click.echo(f"Written: {Path(path) / 'page.html'}")
    if out is not None:
        click.echo(f"Written: {out}")


def _names(directories: tuple[str, ...]) -> list[str]:
    """Name plans by their folders, and by the folders above where those are alike."""
    from hexterra.text import cleaned

    paths = [Path(directory).resolve() for directory in directories]
    are_alike = len({path.name for path in paths}) < len(paths)
    return [cleaned("/".join(path.parts[-2:]) if are_alike else path.name) for path in paths]


@click.command("verify", short_help="Rebuild a plan's board from its tables and check it.")
@click.argument("directory", metavar="DIR")
@reports_errors
def verify_command(directory: str) -> None:
    """Rebuild a plan's board from its tables alone and check every seam, count and port."""
    from hexterra.outputs.folder import recover
    from hexterra.verification.verify import verify

    recover(directory)
    verdict = verify(Path(directory))
    click.echo(verdict.describe())
    if not verdict.agrees:
        sys.exit(3)


@click.command("brief")
@click.option("--out", type=click.Path(), metavar="TOML", help="File to write. Default: print it.")
@replace_option
@reports_errors
def brief_command(out: str | None, replace: bool) -> None:
    """Write a starter brief: every key, its meaning and its default."""
    from hexterra.brief.brief import starter_brief

    if out is None:
        click.echo(starter_brief(), nl=False)
        return
    from hexterra.outputs.single_file import write_file

    write_file(Path(out), starter_brief().encode(), replace=replace)
    click.echo(f"wrote {out}")


@click.command("schema")
@click.argument("what", type=click.Choice(["brief", "plan"]))
@reports_errors
def schema_command(what: str) -> None:
    """Print the JSON Schema of the brief or of plan.json."""
    if what == "brief":
        from hexterra.brief.brief import Brief

        schema = Brief.model_json_schema()
    else:
        from hexterra.outputs.plan_schema import plan_schema

        schema = plan_schema()
    click.echo(json.dumps(schema, indent=2))


def _read_brief(path: str | None, settings: tuple[str, ...]) -> Brief:
    """Read the brief, then lay single settings over it."""
    from hexterra.brief.brief import Brief, read_brief

    brief = read_brief(path) if path else Brief()
    lines: list[str] = []
    changes: dict[str, Any] = {}
    for setting in settings:  # one by one, so that the error names the setting with the mistake
        lines.append(_as_toml(setting))
        try:
            changes = tomllib.loads("\n".join(lines))
        except (ValueError, RecursionError) as error:
            raise BriefError(
                f"--set {setting} is not KEY=VALUE, or sets a key again: {error}",
                remedy="name each key once, as in --set board.columns=12 --set board.facing=flats"
                " --set 'ramps.pins={ B3 = 4 }'",
                setting=setting,
            ) from error
    return brief.changed(changes)


#: KEY=WORD, where the word needs no quotes: it opens no text, list or table of TOML.
_PLAIN_TEXT: Final = re.compile(r"([\w.-]+)\s*=\s*([^\s\"'\[{].*)", re.DOTALL)


def _as_toml(setting: str) -> str:
    """Put a plain word into the quotes that TOML wants and shells take away."""
    try:
        tomllib.loads(setting)
    except (ValueError, RecursionError):
        if match := _PLAIN_TEXT.fullmatch(setting):
            text = json.dumps(match[2], ensure_ascii=False).replace("\x7f", "\\u007f")
            return f"{match[1]} = {text}"
    return setting
