"""The last step of every run: put its files into a folder, whole or not at all.

Everything is first written into a partial folder beside the target. Only when every writer has
succeeded does anything in the target change. Files that are not an earlier run's are never touched.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple, cast

from hexterra.earlier import FORMAT, PLAN_FILE
from hexterra.errors import OutputError


class Kind(NamedTuple):
    """A kind of folder: the document that marks it, what that says of itself, what it holds."""

    document: str
    format: str
    noun: str


PLAN: Final = Kind(PLAN_FILE, FORMAT, "plan")
DRAINAGE: Final = Kind("drainage.json", "hexterra drainage", "drainage")

#: Writes one file to the path it is given.
Writer = Callable[[Path], None]


def write_folder(
    directory: str | os.PathLike[str], files: Mapping[str, Writer], *, kind: Kind = PLAN
) -> None:
    """Write `files` into `directory`, all of them or none.

    A new or empty folder is filled. A folder with an earlier plan has that plan's files (those
    its ``plan.json`` lists under ``files``) replaced; all else in it stays as it is. What is said
    here of plans holds for every kind of folder and the document that marks it.

    Parameters
    ----------
    directory
        The plan folder. Missing parents are made.
    files
        File name to the function that writes it; called in this order. A name may lie in one
        folder below, as ``mesh/board.stl``.
    kind
        What the folder holds.

    Raises
    ------
    OutputError
        If the folder holds something that is no plan, a foreign file bears the name of one of
        ours, or the file system refuses. The target is then as it was, and nothing partial is
        left beside it. An interruption by the keyboard is cleaned up in the same way.

    Notes
    -----
    In a folder that held a plan, ``plan.json`` goes first and comes last: should the machine stop
    in between, the folder is not mistaken for a plan.
    """
    target = Path(os.path.abspath(directory))  # noqa: PTH100 - resolve() would follow links
    for name in files:
        if not _is_plain(name):
            raise ValueError(f"{name!r} is no plain file name")
    try:
        earlier = earlier_files(target, kind)
        for name in files:
            if name not in earlier and os.path.lexists(target / name):
                raise OutputError(
                    f"{target / name} is in the way: it does not belong to the {kind.noun} in"
                    f" {target}",
                    remedy="move that file, or choose another output folder",
                    path=str(target / name),
                )
        _write(target, files, earlier, kind.document)
    except OutputError:
        raise
    except OSError as error:
        raise _refusal(target, error, kind) from error


def check_folder(directory: str | os.PathLike[str], *, kind: Kind = PLAN) -> None:
    """Refuse early a folder that `write_folder` would refuse late.

    Raises
    ------
    OutputError
        If it holds something that is not of this kind, or cannot be made or written to.
    """
    target = Path(os.path.abspath(directory))  # noqa: PTH100 - resolve() would follow links
    try:
        earlier_files(target, kind)
    except OutputError:
        raise
    except OSError as error:
        raise _refusal(target, error, kind) from error
    there = next(path for path in (target, *target.parents) if path.exists())
    if not os.access(there, os.W_OK | os.X_OK):
        raise _refusal(target, PermissionError(13, "Permission denied", str(there)), kind)


def _refusal(target: Path, error: OSError, kind: Kind) -> OutputError:
    return OutputError(
        f"the {kind.noun} cannot be written to {target}: {error.strerror or error}"
        + (f" ({error.filename})" if error.filename else ""),
        remedy="check that the folder may be written to and the disk is not full,"
        " or choose another output folder",
        path=str(target),
    )


def earlier_files(target: Path, kind: Kind) -> frozenset[str]:
    """Name the files of the run that `target` already holds; none if it is new or empty."""
    if not os.path.lexists(target):
        return frozenset()
    if not target.is_dir():
        raise OutputError(
            f"{target} is a file, not a folder",
            remedy="choose another output folder, or move that file",
            path=str(target),
        )
    held = sorted(entry.name for entry in target.iterdir())
    if not held:
        return frozenset()
    document = _read_document(target / kind.document)
    if document.get("format") != kind.format:
        shown = ", ".join(held[:3]) + (", ..." if len(held) > 3 else "")
        raise OutputError(
            f"{target} is not empty and holds no earlier {kind.noun} (it holds {shown})",
            remedy="choose a new or empty output folder",
            path=str(target),
        )
    listed = document.get("files")
    names = cast("list[object]", listed) if isinstance(listed, list) else []
    plain = {name for name in names if isinstance(name, str) and _is_plain(name)}
    return frozenset(name for name in plain | {kind.document} if (target / name).is_file())


def _is_plain(name: str) -> bool:
    """Tell whether a name is that of a file here or in one folder below."""
    parts = name.split("/")
    return len(parts) <= 2 and all(
        Path(part).name == part and part not in {".", ".."} for part in parts
    )


def _move(name: str, source: Path, destination: Path) -> None:
    """Rename a file from one folder to another; a folder below comes and goes with its files."""
    (destination / name).parent.mkdir(exist_ok=True)
    (source / name).rename(destination / name)
    below = (source / name).parent
    if below != source and not any(below.iterdir()):
        below.rmdir()


def _read_document(path: Path) -> dict[str, Any]:
    """Read a JSON object; anything else counts as an empty one."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, IsADirectoryError, ValueError):
        return {}
    return cast("dict[str, Any]", document) if isinstance(document, dict) else {}


def _write(
    target: Path, files: Mapping[str, Writer], earlier: frozenset[str], document: str
) -> None:
    made = _make_parents(target.parent)
    partial: Path | None = None
    done = False
    try:
        partial = _make_sibling(target, "partial")
        for name, write in files.items():
            (partial / name).parent.mkdir(exist_ok=True)
            write(partial / name)
        if earlier:
            _swap(target, partial, tuple(files), earlier, document)
        else:
            if target.exists():
                target.rmdir()  # it is empty; a rename onto a folder is not possible everywhere
            partial.rename(target)
        done = True
    finally:
        if partial is not None:
            shutil.rmtree(partial, ignore_errors=True)
        if not done:
            for folder in reversed(made):
                folder.rmdir()


def _swap(
    target: Path, partial: Path, names: tuple[str, ...], earlier: frozenset[str], document: str
) -> None:
    """Take the earlier files out of `target` and move the new ones in; undo on failure."""
    aside = _make_sibling(target, "earlier")
    last = [name for name in names if name == document]
    incoming = [name for name in names if name != document] + last
    outgoing = sorted(earlier, key=lambda name: (name != document, name))
    done = False
    try:
        for name in outgoing:
            _move(name, target, aside)
        for name in incoming:
            _move(name, partial, target)
        done = True
    finally:
        if not done:
            for name in incoming:
                if not (partial / name).exists():
                    _move(name, target, partial)
            for name in reversed(outgoing):
                if (aside / name).exists():
                    _move(name, aside, target)
        shutil.rmtree(aside, ignore_errors=True)


def _make_sibling(target: Path, role: str) -> Path:
    """Make a hidden folder beside `target`, under the first free name."""
    for number in itertools.count(1):
        folder = target.with_name(f".{target.name}.{role}{number}")
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        return folder
    raise AssertionError("itertools.count never ends")


def _make_parents(folder: Path) -> list[Path]:
    """Make `folder` and its parents; return those that were not there, outermost first."""
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    for path in reversed(missing):
        path.mkdir()
    return missing[::-1]


def write_file(path: str | os.PathLike[str], content: bytes) -> None:
    """Write one file, whole or not at all; an existing one is replaced.

    Raises
    ------
    OutputError
        If the file system refuses. Nothing partial is left.
    """
    target = Path(os.path.abspath(path))  # noqa: PTH100 - resolve() would follow links
    partial: Path | None = None
    try:
        partial = _make_sibling(target, "partial")
        (partial / target.name).write_bytes(content)
        (partial / target.name).replace(target)
    except OSError as error:
        raise OutputError(
            f"{target} cannot be written: {error.strerror or error}",
            remedy="check that its folder exists and may be written to, or choose another path",
            path=str(target),
        ) from error
    finally:
        if partial is not None:
            shutil.rmtree(partial, ignore_errors=True)
