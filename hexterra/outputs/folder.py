"""The last step of every run: put its files into a folder, whole or not at all.

Everything is first written into a new folder beside the target, which then takes the target's
place in one swap. A run that is killed leaves the earlier folder whole or the new one; what it
leaves beside them, the next run clears away. Files that are not an earlier run's come along.
"""

from __future__ import annotations

import json
import os
import shutil
import warnings
from collections.abc import Callable, Generator, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final, NamedTuple, cast

from filelock import FileLock, Timeout

from hexterra.errors import HexterraWarning, OutputError
from hexterra.inputs.earlier_plans import FORMAT, PLAN_FILE
from hexterra.outputs.swap import hidden_beside, swap


class FolderKind(NamedTuple):
    """A kind of folder: the document that marks it, what that says of itself, what it holds."""

    document: str
    format: str
    noun: str


PLAN: Final = FolderKind(PLAN_FILE, FORMAT, "plan")
DRAINAGE: Final = FolderKind("drainage.json", "hexterra drainage", "drainage")

#: Writes one file to the path it is given.
Writer = Callable[[Path], None]
#: How many differences between two documents a refusal names.
_N_NAMED: Final = 3


def write_folder(
    directory: str | os.PathLike[str],
    files: Mapping[str, Writer],
    *,
    kind: FolderKind = PLAN,
    replace: bool = False,
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
    replace
        Whether another plan may be replaced: one whose document says something else than the new
        one. The same plan may always be written again.

    Raises
    ------
    OutputError
        If the folder holds something that is no plan or (without `replace`) another plan, a
        foreign file bears the name of one of ours, another run writes to the folder, or the file
        system refuses. The target is then as it was, and nothing partial is left beside it. An
        interruption by the keyboard is cleaned up in the same way.

    Notes
    -----
    Where the system can exchange two folders at once (Linux, macOS), the target is whole at every
    moment. Elsewhere it is missing for one: the run after a kill there puts it back (`recover`).
    """
    target = _target(directory)
    for name in files:
        if not _is_plain(name):
            raise ValueError(f"{name!r} is not a plain file name")
    with _refusals(target, kind):
        made = _make_parents(target.parent)
        done = False
        try:
            with _locked(target, kind):
                _clear_leftovers(target)
                _write(target, files, kind, replace=replace)
            done = True
        finally:
            if not done:
                for folder in reversed(made):
                    folder.rmdir()


def check_folder(
    directory: str | os.PathLike[str],
    *,
    kind: FolderKind = PLAN,
    replace: bool = False,
    document: Mapping[str, Any] | None = None,
) -> None:
    """Refuse early a folder that `write_folder` would refuse late.

    Parameters
    ----------
    directory, kind, replace
        As for `write_folder`.
    document
        As much as is known already of the document to be written.

    Raises
    ------
    OutputError
        If it holds something that is not of this kind, or (without `replace`) another plan, or
        cannot be made or written to.
    """
    target = _target(directory)
    with _refusals(target, kind):
        recover(target)
        earlier = earlier_files(target, kind)
        there = next(path for path in (target, *target.parents) if path.exists())
        if not os.access(there, os.W_OK | os.X_OK):
            raise PermissionError(13, "Permission denied", str(there))
        if earlier and not replace and document is not None:
            _refuse_another(target, kind, document)


def recover(directory: str | os.PathLike[str]) -> None:
    """Put a folder back that a killed run left under another name, and warn of it.

    Every command that reads or writes a folder calls this first.
    """
    target = _target(directory)
    aside = hidden_beside(target, "earlier")
    if aside.is_dir() and not os.path.lexists(target):
        aside.rename(target)
        warnings.warn(
            f"a run was killed while it wrote {target}; its earlier contents are restored",
            HexterraWarning,
            stacklevel=2,
        )


def _target(directory: str | os.PathLike[str]) -> Path:
    """Find the folder itself: a link to it stays a link."""
    return Path(directory).resolve()


@contextmanager
def _refusals(target: Path, kind: FolderKind) -> Generator[None, None, None]:
    """Turn what the file system refuses into an `OutputError`."""
    try:
        yield
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(
            f"the {kind.noun} cannot be written to {target}: {error.strerror or error}"
            + (f" ({error.filename})" if error.filename else ""),
            remedy="check that the folder may be written to and the disk is not full,"
            " or choose another output folder",
            path=str(target),
        ) from error


@contextmanager
def _locked(target: Path, kind: FolderKind) -> Generator[None, None, None]:
    """Keep other runs from writing to `target`; the lock ends with the process that holds it."""
    path = hidden_beside(target, "lock")
    lock = FileLock(path, timeout=0)
    try:
        lock.acquire()
    except Timeout as error:
        raise OutputError(
            f"another run is writing a {kind.noun} to {target}",
            remedy="wait until it has ended, or choose another output folder",
            path=str(target),
        ) from error
    try:
        yield
    finally:
        with suppress(OSError):  # an open file cannot be removed everywhere
            path.unlink()
        lock.release()


def earlier_files(target: Path, kind: FolderKind) -> frozenset[str]:
    """Name the files of the run that `target` already holds; none if it is new or empty."""
    if not os.path.lexists(target):
        return frozenset()
    if not target.is_dir():
        raise OutputError(
            f"{target} is a file, not a folder",
            remedy="choose another output folder, or move that file",
            path=str(target),
        )
    present = sorted(entry.name for entry in target.iterdir())
    if not present:
        return frozenset()
    document = _read_document(target / kind.document)
    if document.get("format") != kind.format:
        shown = ", ".join(present[:3]) + (", ..." if len(present) > 3 else "")
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


def _read_document(path: Path) -> dict[str, Any]:
    """Read a JSON object; anything else counts as an empty one."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, IsADirectoryError, ValueError):
        return {}
    return cast("dict[str, Any]", document) if isinstance(document, dict) else {}


def _write(target: Path, files: Mapping[str, Writer], kind: FolderKind, *, replace: bool) -> None:
    earlier = earlier_files(target, kind)
    for name in files:
        if name not in earlier and os.path.lexists(target / name):
            raise OutputError(
                f"{target / name} is in the way: it does not belong to the {kind.noun} in {target}",
                remedy="move that file, or choose another output folder",
                path=str(target / name),
            )
    if target.exists() and Path.cwd().is_relative_to(target):
        raise OutputError(
            f"{target} is the folder you are in, and is replaced as a whole",
            remedy=f"go up first (cd ..) and name the folder {target.name}",
            path=str(target),
        )
    new = hidden_beside(target, "new")
    new.mkdir()
    try:
        for name, write in files.items():
            (new / name).parent.mkdir(exist_ok=True)
            write(new / name)
        if earlier and not replace:
            _refuse_another(target, kind, _read_document(new / kind.document))
        if target.exists():
            _bring_along(target, new, earlier)
            swap(target, new)
        else:
            new.rename(target)
    finally:
        shutil.rmtree(new, ignore_errors=True)


def _refuse_another(target: Path, kind: FolderKind, document: Mapping[str, Any]) -> None:
    """Refuse a folder whose document says something else than `document` does."""
    there = _read_document(target / kind.document)
    found = [*_differences({**there, "files": None}, {**document, "files": None})]
    if found:
        named = "; ".join(found[:_N_NAMED])
        more = f"; and {len(found) - _N_NAMED} more" if len(found) > _N_NAMED else ""
        raise OutputError(
            f"{target} holds another {kind.noun}: {named}{more}",
            remedy="choose another output folder, or replace what is there with --replace"
            " (replace=True in Python)",
            path=str(target),
        )


def _differences(there: Any, here: Any, name: str = "") -> Iterator[str]:
    """Say in which keys of `here` two documents differ."""
    if isinstance(there, dict) and isinstance(here, Mapping):
        found, expected = cast("dict[str, Any]", there), cast("Mapping[str, Any]", here)
        for key in expected:
            yield from _differences(found.get(key), expected[key], f"{name}.{key}".lstrip("."))
    elif there != here:
        texts = [json.dumps(value, ensure_ascii=False, default=str) for value in (there, here)]
        is_short = all(len(text) <= 40 for text in texts)
        yield f"{name} is {texts[0]} there and {texts[1]} here" if is_short else f"{name} differs"


def _bring_along(target: Path, new: Path, earlier: frozenset[str]) -> None:
    """Link what is not the earlier run's into the new folder, or copy it where links cannot be."""

    def link(source: str, destination: str) -> None:
        try:
            os.link(source, destination, follow_symlinks=False)
        except OSError:
            shutil.copy2(source, destination, follow_symlinks=False)

    def ours(folder: str, names: list[str]) -> list[str]:
        below = Path(folder).relative_to(target).as_posix()
        prefix = "" if below == "." else f"{below}/"
        folders = {name.split("/")[0] for name in earlier if "/" in name} if not prefix else set()
        return [
            name
            for name in names
            if prefix + name in earlier
            or (
                name in folders
                and {f"{name}/{e.name}" for e in (target / name).iterdir()} <= earlier
            )
        ]

    shutil.copytree(target, new, symlinks=True, ignore=ours, copy_function=link, dirs_exist_ok=True)


def _clear_leftovers(target: Path) -> None:
    """Remove what a killed run left beside `target`, once the target is there."""
    recover(target)
    for role in ("new", "earlier"):
        shutil.rmtree(hidden_beside(target, role), ignore_errors=True)


def _make_parents(folder: Path) -> list[Path]:
    """Make `folder` and its parents; return those that were not there, outermost first."""
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    for path in reversed(missing):
        path.mkdir()
    return missing[::-1]
