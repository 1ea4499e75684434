"""Commands that start from plans: `edit`, `compare`, `share`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from hexterra.commands.shell import listed, replace_option, reports_errors, showing_progress

if TYPE_CHECKING:
    import pandas as pd

    from hexterra.plan.compare import Comparison

#: How many cells a line names before it only counts them.
N_NAMED: Final = 24


@click.command("edit", short_help="Put another tile into one cell, and say what that costs.")
@click.argument("directory", metavar="DIR")
@click.argument("cell", metavar="CELL")
@click.option("--pattern", metavar="NAME", help="Pattern of the top. Default: as it is.")
@click.option(
    "--turn", type=int, metavar="N", help="Sides that it is turned counter-clockwise, 0 to 5."
)
@click.option("--level", type=int, metavar="N", help="Level of its lowest corner, in steps.")
@click.option("--out", metavar="DIR", help="Folder for the changed plan. Default: only show it.")
@replace_option
@reports_errors
def edit_command(
    directory: str,
    cell: str,
    pattern: str | None,
    turn: int | None,
    level: int | None,
    out: str | None,
    replace: bool,
) -> None:
    """Put another tile into one CELL of the plan in DIR, and say what that costs."""
    if pattern is None and turn is None and level is None:
        raise click.UsageError("give --pattern, --turn or --level")
    with showing_progress() as progress:
        from hexterra.outputs.folder import check_folder
        from hexterra.outputs.plan_files import write_plan
        from hexterra.outputs.reopen import read_plan
        from hexterra.plan.compare import compare
        from hexterra.plan.edit import edit_plan
        from hexterra.workshop.estimate.changed_work import changed_work

        if out is not None:
            check_folder(out)
        progress("opening the plan")
        plan = read_plan(directory, progress=progress)
        edited = edit_plan(plan, cell, pattern=pattern, turn=turn, level=level)
        progress("estimating the work")
        changes = changed_work(plan, edited)
        written = () if out is None else write_plan(edited, out, replace=replace, progress=progress)
    _print_pieces(compare(plan, edited))
    click.echo("\n" + "\n".join(changes))
    if out is not None:
        click.echo(f"\nWritten to {out}: {listed(written)}")


@click.command("compare", short_help="Compare two plans of one board: cells, pieces and costs.")
@click.argument("before", metavar="DIR")
@click.argument("after", metavar="[DIR]", required=False)
@click.option(
    "--catalogue",
    metavar="TOML",
    help="Compare with the same board from this catalogue, instead of a second plan.",
)
@click.option("--out", metavar="DIR", help="Folder for the plan from --catalogue.")
@replace_option
@reports_errors
def compare_command(
    before: str, after: str | None, catalogue: str | None, out: str | None, replace: bool
) -> None:
    """Compare two plans of one board: cells, pieces and costs.

    With --catalogue, tell which tiles of the plan in DIR another catalogue can still cut, and what
    has to change.
    """
    if (after is None) == (catalogue is None):
        raise click.UsageError("give a second folder, or --catalogue")
    if out is not None and catalogue is None:
        raise click.UsageError("--out needs --catalogue")
    with showing_progress() as progress:
        from hexterra.outputs.folder import check_folder
        from hexterra.outputs.plan_files import write_plan
        from hexterra.outputs.reopen import read_plan
        from hexterra.plan.compare import compare
        from hexterra.plan.edit import recut_plan

        if out is not None:
            check_folder(out)
        progress("opening the plans")
        first = read_plan(before, progress=progress)
        if catalogue is not None:
            second = recut_plan(first, catalogue, progress=progress)
        else:
            second = read_plan(str(after), progress=progress)
        comparison = compare(first, second)
        written = () if out is None else write_plan(second, out, replace=replace, progress=progress)
    if catalogue is not None:
        click.echo(f"{second.assumed[-1]}.")
    _print_comparison(comparison)
    if out is not None:
        click.echo(f"\nWritten to {out}: {listed(written)}")


@click.command("share", short_help="Find one set of pieces that builds several plans in turn.")
@click.argument("directories", nargs=-1, required=True, metavar="DIR...")
@click.option("--out", required=True, metavar="DIR", help="Folder for the set and the plans.")
@replace_option
@reports_errors
def share_command(directories: tuple[str, ...], out: str, replace: bool) -> None:
    """Fit the boards of several plans again, so that one set of pieces builds each in turn.

    The folder gets the common set as pieces.csv, which a brief reads as stock.owned, and a plan
    for each board. The plans have to cut what the boards before them have not cut.
    """
    with showing_progress() as progress:
        from hexterra.outputs.campaign_folder import check_campaign_folder, write_campaign
        from hexterra.outputs.reopen import read_plan
        from hexterra.plan.share import share_plans

        check_campaign_folder(out)
        progress("opening the plans")
        plans = [read_plan(directory) for directory in directories]
        names = [Path(directory).resolve().name for directory in directories]
        shared = share_plans(plans, names=names, progress=progress)
        written = write_campaign(shared, out, replace=replace, progress=progress)
    click.echo(shared.describe())
    click.echo(f"\nWritten to {out}: {listed(written)}")


def _print_comparison(comparison: Comparison) -> None:
    """Say which cells, pieces and costs differ."""
    _print_pieces(comparison)
    if comparison.costs is not None:
        if comparison.costs["difference"].any():
            _print_table("Cost", comparison.costs, ",.2f")
    else:
        click.echo("\nCosts are not compared: prices or heights of the two plans differ.")


def _print_pieces(comparison: Comparison) -> None:
    """Say which cells and pieces differ."""
    click.echo(comparison.describe())
    cells = comparison.changed_cells
    if cells:
        more = f" and {len(cells) - N_NAMED:,} more" if len(cells) > N_NAMED else ""
        click.echo(f"Cells: {', '.join(cells[:N_NAMED])}{more}")
    pieces = comparison.pieces
    changed = pieces[pieces["difference"] != 0]
    if len(changed):
        _print_table("Pieces", changed, ",d")


def _print_table(heading: str, table: pd.DataFrame, number: str) -> None:
    """Print counts or costs before and after, and signed differences."""
    width = max(len(heading), *(len(str(name)) for name in table.index))
    click.echo(f"\n{heading:<{width}}  {'before':>8} {'after':>8} {'difference':>11}")
    for name, before, after, difference in table.itertuples():
        click.echo(
            f"{name:<{width}}  {before:>8{number}} {after:>8{number}} {difference:>+11{number}}"
        )
