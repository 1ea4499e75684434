"""The command line: a thin shell that reads, calls, writes and reports.

Results go to files and standard output, progress and errors to standard error. An error ends with
the exit code of its class (`hexterra.errors`); 2 is a misspelt command or option.
"""

from __future__ import annotations

import sys
from io import TextIOWrapper

import click

from hexterra import __version__
from hexterra.commands.ground_commands import drain_command, inspect_command, invent_command
from hexterra.commands.plan_commands import (
    book_command,
    brief_command,
    page_command,
    plan_command,
    schema_command,
    verify_command,
)
from hexterra.commands.revise_commands import compare_command, edit_command, share_command


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="hexterra")
def main() -> None:
    """Turn elevation into hexagonal foam terrain that can be cut and laid out."""
    if isinstance(sys.stdout, TextIOWrapper):  # a terminal that lacks a letter gets its number
        sys.stdout.reconfigure(errors="backslashreplace")


for _command in (
    plan_command,
    book_command,
    page_command,
    verify_command,
    edit_command,
    compare_command,
    share_command,
    inspect_command,
    drain_command,
    invent_command,
    brief_command,
    schema_command,
):
    main.add_command(_command)
