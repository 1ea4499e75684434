"""Arguments of public functions: a wrong type or a wrong name is answered by what was expected.

The annotations say what is expected; no function repeats it.
"""

from __future__ import annotations

import difflib
import functools
import inspect
import os
from collections.abc import Callable
from types import MappingProxyType
from typing import Final, ParamSpec, TypeVar

import numpy as np

from hexterra.errors import ArgumentError

_P = ParamSpec("_P")
_R = TypeVar("_R")

#: Annotations of plain values, with the types that are taken for them and their words.
_PLAIN: Final[MappingProxyType[str, tuple[tuple[type, ...], str]]] = MappingProxyType(
    {
        "int": ((int, np.integer), "a whole number"),
        "float": ((int, float, np.integer, np.floating), "a number"),
        "str": ((str,), "a text"),
        "bool": ((bool, np.bool_), "True or False"),
        "None": ((type(None),), "None"),
        "Path": ((os.PathLike,), "a path"),
        "os.PathLike[str]": ((os.PathLike,), "a path"),
    }
)
#: Values of hexterra by the names of their classes, and what makes one.
_MADE_BY: Final = MappingProxyType(
    {
        "Elevation": "read_elevation(path) reads one, invent() invents one",
        "Brief": "Brief(board={...}) makes one, read_brief(path) reads one",
        "Board": "site_board(elevation, brief).board is one",
        "Lattice": "site_board(elevation, brief).board is one",
        "Catalogue": "load_catalogue(path) reads one",
        "Heights": "gather(elevation, board) makes them",
        "Levels": "quantise(heights) makes them",
        "LegalLevels": "legalise(levels) makes them",
        "Tiles": "fit(legal, catalogue) makes them; of a Refined, they are refined.tiles",
        "Prices": "Prices() makes them",
        "Plan": "make_plan(elevation, brief) makes one, read_plan(folder) opens one",
        "Overlay": "that of a plan is plan.overlay",
        "Drainage": "drain(elevation) makes one",
        "Streams": "streams(drained, threshold_m2=...) makes them",
        "Lakes": "lakes(drained) makes them",
        "Watercourses": "flow(heights, ...) or route(drained, heights, ...) makes them",
        "Features": "read_lines(path, ...) or read_areas(path, ...) reads them",
        "Ways": "ways(features, board) makes them",
        "Survey": "survey(elevation) makes one",
        "Shared": "share_plans(plans) makes one",
        "Cuts": "Tiles.cuts are some",
    }
)
#: Names that others use for an argument.
_SYNONYMS: Final = MappingProxyType(
    {"transform": "affine", "geotransform": "affine", "no_data": "nodata", "unit": "vertical_unit"}
)


def checked(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Check the arguments of a public function against its annotations when it is called.

    Annotations that are not made of values of hexterra and plain values are left to the function.

    Raises
    ------
    ArgumentError
        On the call: naming the argument, what it is, and what was expected.
    """
    signature = inspect.signature(function)
    wanted = {
        name: parts
        for name, parameter in signature.parameters.items()
        if (parts := _parts(str(parameter.annotation)))
    }

    @functools.wraps(function)
    def wrapper(*args: _P.args, **kwargs: _P.kwargs) -> _R:
        for name in kwargs:
            if name not in signature.parameters:
                raise _unknown(function.__name__, name, list(signature.parameters))
        try:
            given = signature.bind(*args, **kwargs).arguments
        except TypeError as error:
            raise ArgumentError(
                f"{function.__name__}: {error}",
                remedy=f"call it as {function.__name__}{_shown(signature)}",
            ) from error
        for name, parts in wanted.items():
            if name in given and not any(_is(given[name], part) for part in parts):
                raise _wrong(function.__name__, name, given[name], parts)
        return function(*args, **kwargs)

    return wrapper


def _parts(annotation: str) -> tuple[str, ...]:
    """Split an annotation at its bars; nothing if a part is not known here."""
    parts = tuple(part.strip() for part in annotation.split("|"))
    return parts if all(part in _PLAIN or part in _MADE_BY for part in parts) else ()


def _is(value: object, part: str) -> bool:
    """Whether a value is of what a part of an annotation names."""
    if part in _PLAIN:
        is_bool = isinstance(value, bool | np.bool_)
        return isinstance(value, _PLAIN[part][0]) and (part == "bool" or not is_bool)
    return any(
        kind.__name__ == part and kind.__module__.startswith("hexterra.")
        for kind in type(value).__mro__
    )


def _wrong(function: str, name: str, value: object, parts: tuple[str, ...]) -> ArgumentError:
    shown = repr(value)
    kind = type(value).__name__
    words = " or ".join(_PLAIN[part][1] if part in _PLAIN else _a(part) for part in parts)
    makers = [_MADE_BY[part] for part in parts if part in _MADE_BY]
    return ArgumentError(
        f"{function}: {name} is {_a(kind)}"
        + (f" ({shown})" if len(shown) <= 60 else "")
        + f"; it must be {words}",
        remedy="; ".join(makers) or f"give {words} for {name}",
        argument=name,
        kind=kind,
    )


def _a(noun: str) -> str:
    return f"an {noun}" if noun[0] in "AEIOUaeiou" else f"a {noun}"


def _unknown(function: str, name: str, known: list[str]) -> ArgumentError:
    near = [_SYNONYMS[name]] if _SYNONYMS.get(name) in known else []
    near = near or difflib.get_close_matches(name, known, n=1)
    return ArgumentError(
        f"{function} has no argument {name!r}; it takes {', '.join(known)}",
        remedy=f"write {near[0]}" if near else "correct or remove the name",
        argument=name,
    )


def _shown(signature: inspect.Signature) -> str:
    """Show a signature without annotations and defaults."""
    bare = [p.replace(annotation=p.empty, default=p.empty) for p in signature.parameters.values()]
    return str(signature.replace(parameters=bare, return_annotation=signature.empty))
