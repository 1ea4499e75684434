"""Two folders change places, at once where the system can."""

from __future__ import annotations

import ctypes
import os
import shutil
import sys
from pathlib import Path


def swap(target: Path, new: Path) -> None:
    """Let `new` and `target` change places."""
    if exchange(target, new):
        return
    aside = hidden_beside(target, "earlier")
    target.rename(aside)
    try:
        new.rename(target)
    except BaseException:
        aside.rename(target)
        raise
    shutil.rmtree(aside, ignore_errors=True)


def exchange(one: Path, other: Path) -> bool:
    """Exchange two folders at once; tell whether the system can.

    By renameat2 (Linux 3.15, RENAME_EXCHANGE) or renamex_np (macOS 10.12, RENAME_SWAP), which
    Python does not offer; as their manual pages describe them.
    """
    at_cwd, swap = -100, 2
    names = os.fsencode(one), os.fsencode(other)
    try:
        system = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "darwin":
            return bool(system.renamex_np(*names, swap) == 0)
        return bool(system.renameat2(at_cwd, names[0], at_cwd, names[1], swap) == 0)
    except (AttributeError, OSError, TypeError):
        return False


def hidden_beside(target: Path, role: str) -> Path:
    """Name a hidden file or folder beside `target`."""
    return target.with_name(f".{target.name}.{role}")
