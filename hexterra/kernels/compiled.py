"""How kernels are compiled and cached.

A kernel takes numbers, contiguous arrays and NamedTuples of these, and trusts its caller: shapes,
dtypes and ranges are checked in the stage above it. Whether an array may be written to is part of
its type, so a caller must not give one that is read-only now and writeable another time.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, Final, ParamSpec, TypeVar, cast

from numba import config, njit
from numba.core.caching import IndexDataCacheFile
from numpy.typing import NDArray

_P = ParamSpec("_P")
_R = TypeVar("_R")
_compile: Final = cast("Any", njit)

#: Options of functions that only kernels call. Python need not be able to, which saves compiling.
INNER: Final[dict[str, Any]] = {
    "nogil": True,
    "no_cpython_wrapper": True,
    "no_cfunc_wrapper": True,
}
#: Decorates a function that only kernels call.
helper: Final = _compile(**INNER)


class _CacheFile(IndexDataCacheFile):
    """Compiled code of a kernel, void if a module that it may depend on is another now."""

    def _load_index(self) -> dict[Any, str]:
        try:
            return super()._load_index()
        except (AttributeError, ImportError):  # it names a NamedTuple that is gone
            return {}


def kernel(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Compile a function that stages call, and keep the result on disk.

    Helpers, constants and the fields of NamedTuples are compiled into a kernel, but numba compiles
    it again only if its own module changes. So its code is stamped with a fingerprint of all
    modules in the folder, on which it may depend.
    """
    kernel = _compile(cache=True, nogil=True)(function)
    kept = getattr(kernel, "_cache", None)
    if kept is not None:  # as it is if compiling is switched off
        stamp = _fingerprint(Path(function.__code__.co_filename).parent)
        kept._cache_file = _CacheFile(kept.cache_path, kept._impl.filename_base, stamp)
    return kernel


def frozen(array: NDArray[Any]) -> NDArray[Any]:
    """View `array` read-only: a kernel is compiled again for each kind of array it is given."""
    view = array.view()
    view.flags.writeable = False
    return view


@cache
def _fingerprint(folder: Path) -> str:
    """Fingerprint the modules of a folder, and whether bounds of arrays are checked."""
    content = hashlib.sha256(str(cast("Any", config).BOUNDSCHECK).encode())
    for module in sorted(folder.glob("*.py")):
        content.update(module.read_bytes())
    return content.hexdigest()[:16]


def is_compiled(kernel: Any) -> bool:
    """Tell whether an earlier run on this machine left a kernel compiled."""
    kept = getattr(kernel, "_cache", None)
    return kept is None or bool(kept._cache_file._load_index())
