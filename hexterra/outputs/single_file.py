"""One file, written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from hexterra.errors import OutputError
from hexterra.outputs.swap import hidden_beside


def write_file(path: str | os.PathLike[str], content: bytes, *, replace: bool = True) -> None:
    """Write one file, whole or not at all.

    Parameters
    ----------
    path
        Where to.
    content
        Its bytes.
    replace
        Whether a file with other content may be replaced.

    Raises
    ------
    OutputError
        If there is another file that must not be replaced, or the file system refuses. Nothing
        partial is left.
    """
    target = Path(os.path.abspath(path))  # noqa: PTH100 - resolve() would follow links
    check_file(target, content, replace=replace)
    partial = hidden_beside(target, "new")
    try:
        partial.write_bytes(content)
        partial.replace(target)
    except OSError as error:
        raise OutputError(
            f"{target} cannot be written: {error.strerror or error}",
            remedy="check that its folder exists and may be written to, or choose another path",
            path=str(target),
        ) from error
    finally:
        partial.unlink(missing_ok=True)


def check_file(
    path: str | os.PathLike[str], content: bytes | None = None, *, replace: bool
) -> None:
    """Refuse a file that is there, has other content, and must not be replaced.

    Raises
    ------
    OutputError
        If so.
    """
    target = Path(path)
    if replace or not target.is_file() or target.read_bytes() == content:
        return
    raise OutputError(
        f"{target} is there already",
        remedy="choose another name, or replace it with --replace",
        path=str(target),
    )
