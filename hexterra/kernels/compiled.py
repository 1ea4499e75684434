"""Numeric loops on bare arrays, compiled by numba; imported by stages only.

A kernel takes contiguous arrays and numbers and trusts its caller: shapes, dtypes and ranges are
checked in the stage above it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any


def are_compiled() -> bool:
    """Tell whether an earlier run on this machine left the last of the kernels compiled."""
    from hexterra.kernels.board import message_sweeps

    kernel: Any = message_sweeps.sweep
    # Where numba caches depends on what may be written; only the kernel itself knows.
    return any(Path(kernel._cache.cache_path).glob("message_sweeps.sweep-*.nbi"))
