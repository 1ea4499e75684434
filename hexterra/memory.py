"""Memory: how much is free, and a refusal before work begins that needs more."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from hexterra.errors import TooLittleMemoryError

#: Where Linux keeps the limit of a control group and what it uses: version 2, then version 1
#: (the kernel's Documentation/admin-guide/cgroup-v2.rst and cgroup-v1/memory.rst).
_CGROUPS: Final = (
    ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory.current"),
    (
        "/sys/fs/cgroup/memory/memory.limit_in_bytes",
        "/sys/fs/cgroup/memory/memory.usage_in_bytes",
    ),
)


def free_bytes() -> int:
    """Return how much more memory this process may take without swapping or being killed.

    The least of what the machine has available, what is left of the limits of the process
    (``ulimit -v`` and ``-d``), and what is left of the limit of its control group.
    """
    import psutil  # only work on large rasters asks

    return max(0, min([int(psutil.virtual_memory().available), *_left_of_limits()]))


def ask_for(n_bytes: float, work: str, *, remedy: str) -> None:
    """Refuse work that needs more memory than is free.

    Raises
    ------
    TooLittleMemoryError
        If so, with both numbers.
    """
    free = free_bytes()
    if n_bytes > free:
        raise TooLittleMemoryError(
            f"{work} needs about {n_bytes / 1e9:,.1f} GB of memory, and {free / 1e9:,.1f} GB are"
            " free",
            remedy=remedy,
            needed_bytes=int(n_bytes),
            free_bytes=free,
        )


def _left_of_limits() -> Iterator[int]:
    """Yield what is left of each limit that is set."""
    if sys.platform != "win32":
        import resource

        import psutil

        used = psutil.Process().memory_info()
        for limit, n_used in (
            (resource.RLIMIT_AS, used.vms),
            (resource.RLIMIT_DATA, getattr(used, "data", used.rss)),
        ):
            soft, _ = resource.getrlimit(limit)
            if soft != resource.RLIM_INFINITY:
                yield soft - n_used
    for limit_file, used_file in _CGROUPS:
        with contextlib.suppress(OSError, ValueError):  # "max" is no number
            limit = int(Path(limit_file).read_text(encoding="ascii"))
            yield limit - int(Path(used_file).read_text(encoding="ascii"))
