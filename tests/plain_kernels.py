"""Kernels as plain Python: which of them run, and that no place in an array counts from its end.

Numba, as Python, takes -1 for the last place, and checks of bounds let it pass; a kernel never
means it. So while kernels run as plain Python, their arrays refuse places below 0.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any

import numpy as np

Function = Callable[..., Any]


class Counted(np.ndarray):
    """An array whose places count from its start only."""

    def __getitem__(self, place: Any) -> Any:
        """Return what is there."""
        return super().__getitem__(_checked(place))

    def __setitem__(self, place: Any, value: Any) -> None:
        """Put a value there."""
        super().__setitem__(_checked(place), value)


def _checked(place: Any) -> Any:
    for number in place if isinstance(place, tuple) else (place,):
        if isinstance(number, int | np.integer) and number < 0:
            raise IndexError(f"place {place} counts from the end")
    return place


def _viewed(value: Any, kind: type[np.ndarray]) -> Any:
    """View all arrays in a value, which may be a tuple of tuples, as another kind of array."""
    if isinstance(value, np.ndarray):
        return value if type(value) is kind else value.view(kind)
    if isinstance(value, tuple):
        held = [_viewed(part, kind) for part in value]
        return type(value)(*held) if hasattr(value, "_fields") else tuple(held)
    return value


class _Numpy:
    """NumPy, but for the arrays that it makes."""

    def __getattr__(self, name: str) -> Any:
        held = getattr(np, name)
        if name in ("arange", "empty", "full", "ones", "where", "zeros"):
            return lambda *args, **options: _viewed(held(*args, **options), Counted)
        return held


@contextmanager
def watched(functions: list[Function]) -> Iterator[set[Function]]:
    """Run functions on `Counted` arrays wherever hexterra calls them; yield those called so far."""
    called: set[Function] = set()

    def watch(function: Function) -> Function:
        @wraps(function)
        def call(*args: Any) -> Any:
            called.add(function)
            return _viewed(function(*[_viewed(arg, Counted) for arg in args]), np.ndarray)

        return call

    replaced: list[tuple[Any, str, Any]] = []
    watching = {id(function): watch(function) for function in functions}
    modules = [module for name, module in sys.modules.items() if name.startswith("hexterra.")]
    for module in modules:
        for name, held in list(vars(module).items()):
            if id(held) in watching:
                replaced.append((module, name, held))
                setattr(module, name, watching[id(held)])
        if module.__name__.startswith("hexterra.kernels.") and hasattr(module, "np"):
            replaced.append((module, "np", np))
            setattr(module, "np", _Numpy())  # noqa: B010 - unknown to type checkers
    yield called
    for module, name, held in replaced:
        setattr(module, name, held)
