"""Values as plain lists, numbers and texts that JSON holds exactly, and back.

Every number is kept to the last bit, so a value that comes back has the digest that it had.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from typing import Any, Final, cast

import numpy as np
from numpy.typing import NDArray

from hexterra.plan.overlay import RoutingQuality
from hexterra.stages.mapping.way import WaterCrossing
from hexterra.stages.tiles.tile_kinds import TileKind
from hexterra.values import Value

#: The key under which a value's class is named. It is no name that a field could have.
CLASS: Final = "class"
#: Named tuples that values hold.
_TUPLES: Final = (TileKind, WaterCrossing, RoutingQuality)


def to_stored(item: object, *, without: tuple[str, ...] = ()) -> Any:
    """Turn a value into what JSON holds.

    Parameters
    ----------
    item
        A `Value` made of numbers, texts, arrays, tuples and such values.
    without
        Fields that are left out, wherever they are: what `from_stored` is given again.
    """
    if isinstance(item, np.ndarray):
        return cast("NDArray[Any]", item).tolist()
    if isinstance(item, _TUPLES):
        encoded = {name: to_stored(part) for name, part in item._asdict().items()}
        return {CLASS: type(item).__name__, **encoded}
    if dataclasses.is_dataclass(item) and not isinstance(item, type):
        names = [field.name for field in dataclasses.fields(item) if field.name not in without]
        encoded = {name: to_stored(getattr(item, name), without=without) for name in names}
        return {CLASS: type(item).__name__, **encoded}
    if isinstance(item, tuple):
        return [to_stored(part, without=without) for part in cast("tuple[object, ...]", item)]
    if isinstance(item, float) and not math.isfinite(item):
        raise TypeError(f"{item!r} cannot be stored")
    if item is None or isinstance(item, bool | int | float | str):
        return item
    raise TypeError(f"a {type(item).__name__} cannot be stored")


def from_stored(stored: Any, **given: object) -> Any:
    """Make the value again that `to_stored` was given.

    Parameters
    ----------
    stored
        What JSON held.
    given
        Fields that were left out, for every value that has them.

    Raises
    ------
    ValueError
        If it names a class that cannot be stored.
    TypeError
        If a field is missing, or not one of its class.
    HexterraError
        As the classes raise themselves.
    """
    if isinstance(stored, list):
        return tuple(from_stored(part, **given) for part in cast("list[object]", stored))
    if not isinstance(stored, dict):
        return stored
    encoded = dict(cast("dict[str, Any]", stored))
    name = encoded.pop(CLASS, None)
    known: dict[Any, Any] = {kind.__name__: kind for kind in (*_TUPLES, *_values(Value))}
    if name not in known:
        raise ValueError(f"there is no value of class {name!r}")
    kind = known[name]
    fields = set(kind.__annotations__) - encoded.keys()
    missing = {key: part for key, part in given.items() if key in fields}
    return kind(**{key: from_stored(part, **given) for key, part in encoded.items()}, **missing)


def _values(root: type[Value]) -> Iterator[type[Value]]:
    """Find every class of value that has been loaded."""
    for kind in root.__subclasses__():
        yield kind
        yield from _values(kind)
