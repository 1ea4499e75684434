"""What a plan is written to: tables, a document, maps, geodata, the folder they lie in, a page."""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable, Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from hexterra.arguments import checked
from hexterra.errors import HexterraWarning
from hexterra.outputs.bench_files import Extra, bench_writers
from hexterra.outputs.folder import Writer, write_folder
from hexterra.outputs.single_file import write_file
from hexterra.progress import Progress, silent

if TYPE_CHECKING:
    from hexterra.plan.plan import Plan

__all__ = ["write_page", "write_plan"]


@checked
def write_plan(
    plan: Plan,
    directory: str | os.PathLike[str],
    *,
    extras: Collection[Extra] = (),
    replace: bool = False,
    progress: Progress = silent,
) -> tuple[str, ...]:
    """Write a plan into a folder, whole or not at all; see `write_folder`.

    Parameters
    ----------
    plan
        The plan.
    directory
        A new or empty folder, or one that holds this plan already.
    extras
        What is added: "book", "templates", "sheets", "mesh", "page".
    replace
        Whether another plan in the folder may be replaced.
    progress
        Called with a few words before each file.

    Returns
    -------
    tuple[str, ...]
        The names of the files: ``tiles.csv``, ``schedule.csv``, ``cells.geojson``,
        ``surface.tif``, ``map.svg``, ``map.png``, ``plan.json``, and ``stock.csv`` if the brief
        names owned pieces. Equal plans give equal bytes.

    Raises
    ------
    OutputError
        See `write_folder`.
    HexterraError
        See `bench_writers`.
    """
    writers = plan_writers(plan, extras=extras, progress=progress)
    write_folder(directory, writers, replace=replace)
    return tuple(writers)


@checked
def write_page(
    plans: Plan | Sequence[Plan],
    path: str | os.PathLike[str],
    *,
    names: Sequence[str] = (),
    replace: bool = True,
) -> None:
    """Write one HTML file that shows plans in a browser and asks the network for nothing.

    Parameters
    ----------
    plans
        One, or several: the page then begins with an overview, and compares those of one board.
    path
        The file.
    names
        What to call each plan; by default its title.
    replace
        Whether a file with other content may be replaced.

    Raises
    ------
    ArgumentError
        If there is no plan, or not a name for each.
    OutputError
        See `write_file`.
    """
    from hexterra.page.page import page_html

    shown = list(plans) if isinstance(plans, Sequence) else [plans]
    write_file(path, page_html(shown, names).encode(), replace=replace)


def plan_writers(
    plan: Plan, *, extras: Collection[Extra] = (), progress: Progress = silent
) -> dict[str, Writer]:
    """Return the writers of a plan's files by name; what `write_plan` puts into one folder."""
    from hexterra.csvfile import csv_text
    from hexterra.drawing.board_map import board_map, map_png
    from hexterra.drawing.lettering import missing_letters
    from hexterra.drawing.svg import scene_svg
    from hexterra.outputs.document import plan_json
    from hexterra.outputs.geojson import cells_geojson
    from hexterra.outputs.surface import write_surface

    drawn = board_map(plan).scene
    stock = plan.stock
    if absent := missing_letters("".join(words.text for words in drawn.words)):
        warnings.warn(absent, HexterraWarning, stacklevel=2)

    def text(make: Callable[[], str]) -> Writer:
        return lambda path: _write_bytes(path, make().encode())

    def surface(path: Path) -> None:
        write_surface(path, plan.fitted, plan.board, plan.elevation.affine, plan.elevation.crs)

    writers: dict[str, Writer] = {
        "tiles.csv": text(lambda: csv_text(plan.tiles)),
        "schedule.csv": text(lambda: csv_text(plan.schedule)),
        **({} if stock is None else {"stock.csv": text(lambda: csv_text(stock))}),
        "cells.geojson": text(lambda: cells_geojson(plan.board, plan.tiles)),
        "surface.tif": surface,
        "map.svg": text(lambda: scene_svg(drawn)),
        "map.png": lambda path: _write_bytes(path, map_png(drawn)),
    }
    if extras:
        progress("working out the bench files")
        writers |= bench_writers(plan, extras)
    writers["plan.json"] = text(lambda: plan_json(plan, tuple(writers)))

    def with_progress(name: str, write: Writer) -> Writer:
        def tell_and_write(path: Path) -> None:
            if "/" not in name:
                progress(f"writing {name}")
            write(path)

        return tell_and_write

    return {name: with_progress(name, write) for name, write in writers.items()}


def _write_bytes(path: Path, content: bytes) -> None:
    path.write_bytes(content)
