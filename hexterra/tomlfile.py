"""TOML files that a user writes: read whole, or refused with the file, the line and a remedy."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from hexterra.errors import FileMissingError, InputError


def read_toml(path: Path, *, called: str, refusal: type[InputError], help_: str) -> dict[str, Any]:
    """Read a TOML file.

    Parameters
    ----------
    path
        The file.
    called
        What it is called in messages, as "brief".
    refusal
        Class of the error for a file that is no TOML.
    help_
        Where a user finds a file that is right.

    Raises
    ------
    FileMissingError
        If it cannot be opened.
    InputError
        Of class `refusal`: if it is not UTF-8 (with the byte) or not TOML (with the line).
    """
    where = f"the {called} {path}"
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FileMissingError(
            f"{where} cannot be opened: {error.strerror}",
            remedy=f"check the path; {help_}",
            path=str(path),
        ) from error
    except UnicodeDecodeError as error:
        raise refusal(
            f"{where} is not UTF-8 text (byte {error.start})",
            remedy=f"save it as UTF-8; {help_}",
            path=str(path),
        ) from error
    except (ValueError, RecursionError) as error:  # bad TOML, or numbers and lists without end
        raise refusal(
            f"{where} is not valid TOML: {error}",
            remedy=f"correct that line: text goes in quotes, lists in [brackets]; {help_}",
            path=str(path),
        ) from error
