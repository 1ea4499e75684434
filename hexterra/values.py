"""What all values that flow through hexterra have in common: frozen, checked once, fingerprinted.

A value is a frozen dataclass that inherits `Value`. Its arrays are made read-only as it is made,
so handing it on needs no copy and no trust. `Value.digest` is a fingerprint of the content: equal
content gives an equal digest in any process, on any day.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Any, Protocol, cast, runtime_checkable

import numpy as np
from numpy.typing import DTypeLike, NDArray


def readonly(
    array: Any, *, dtype: DTypeLike, shape: tuple[int | None, ...], name: str
) -> NDArray[Any]:
    """Check `array` once and return it contiguous, of `dtype`, and read-only.

    Parameters
    ----------
    array
        Anything NumPy can turn into an array. A writeable array is copied, never frozen in place.
    dtype
        The dtype to store it in.
    shape
        The expected shape; None stands for any length.
    name
        What the array is called in the error message.

    Raises
    ------
    ValueError
        If the number of dimensions or a length differs. This is a programming error, not a
        user's, and so is not part of the `HexterraError` tree.
    """
    frozen = np.ascontiguousarray(array, dtype=dtype)
    fits = frozen.ndim == len(shape) and all(
        expected is None or expected == actual
        for expected, actual in zip(shape, frozen.shape, strict=True)
    )
    if not fits:
        raise ValueError(f"{name} has shape {frozen.shape}, expected {shape}")
    if frozen.flags.writeable:
        if frozen is array or frozen.base is not None:
            frozen = frozen.copy()
        frozen.flags.writeable = False
    return frozen


def freeze_arrays(value: Any, *fields: tuple[str, DTypeLike, tuple[int | None, ...]]) -> None:
    """Make array fields of a new dataclass read-only; see `readonly`.

    Parameters
    ----------
    value
        The dataclass, from its ``__post_init__``.
    fields
        Name, dtype and expected shape of each array; None stands for any length.
    """
    for name, dtype, shape in fields:
        array = readonly(getattr(value, name), dtype=dtype, shape=shape, name=name)
        object.__setattr__(value, name, array)


@runtime_checkable
class Fingerprinted(Protocol):
    """Anything that knows the digest of its own content."""

    @property
    def digest(self) -> str:
        """A fingerprint of the content."""
        ...


@dataclasses.dataclass(frozen=True, eq=False)
class Value:
    """A frozen value with a content digest; two values are equal if their digests agree."""

    @cached_property
    def digest(self) -> str:
        """32 hexadecimal digits that depend on the type's name and every field's content."""
        state = hashlib.blake2b(digest_size=16)
        _feed_fields(state, self)
        return state.hexdigest()

    def __repr__(self) -> str:
        """Name the type and its fields in one line, however large they are."""
        fields = (f"{f.name}={_short(getattr(self, f.name))}" for f in dataclasses.fields(self))
        return f"{type(self).__name__}({', '.join(fields)})"

    def __eq__(self, other: object) -> bool:
        """Tell whether `other` has the same type and content."""
        if self is other:
            return True
        return isinstance(other, Value) and self.digest == other.digest

    def __hash__(self) -> int:
        """Hash the content."""
        return hash(self.digest)

    def same_as(self, other: object) -> bool:
        """Tell whether `other` has the same type and content; the same as ``==``."""
        return self == other

    def __setstate__(self, state: dict[str, Any]) -> None:
        # Unpickled arrays come back writeable; a value must not.
        for item in state.values():
            if isinstance(item, np.ndarray):
                item.flags.writeable = False
        self.__dict__.update(state)


def _short(item: object) -> str:
    """Say what a field is without printing all of it."""
    if isinstance(item, np.ndarray):
        return f"<{item.dtype} {item.shape}>"
    if isinstance(item, Value):
        return f"<{type(item).__name__}>"
    text = repr(item)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _feed_fields(state: Any, item: object) -> None:
    """Add a dataclass to the hash: its type's name, then each field by name."""
    state.update(f"value {type(item).__name__} ".encode())
    for field in dataclasses.fields(cast("Any", item)):
        state.update(f"{field.name}=".encode())
        _feed(state, getattr(item, field.name))


def _feed(state: Any, item: object) -> None:
    """Add `item` to the hash, each kind under its own mark so that no two kinds collide."""
    if isinstance(item, np.ndarray):
        array = cast("NDArray[Any]", item)
        little = np.ascontiguousarray(array).astype(array.dtype.newbyteorder("<"), copy=False)
        state.update(f"array {little.dtype.str} {little.shape} ".encode())
        state.update(little.tobytes())
    elif isinstance(item, Fingerprinted):
        state.update(f"digest {item.digest} ".encode())
    elif dataclasses.is_dataclass(item):
        _feed_fields(state, item)
    elif isinstance(item, Mapping):
        state.update(f"mapping {len(item)} ".encode())
        for key in sorted(item, key=str):
            _feed(state, key)
            _feed(state, item[key])
    elif isinstance(item, tuple | list):
        state.update(f"sequence {len(item)} ".encode())
        for part in item:
            _feed(state, part)
    elif isinstance(item, float | np.floating):
        state.update(f"float {float(item).hex()} ".encode())
    elif item is None or isinstance(item, bool | int | str | bytes | Path | np.integer | np.bool_):
        mark = int(item) if isinstance(item, np.integer) else item
        state.update(f"{type(mark).__name__} {mark!r} ".encode())
    else:
        raise TypeError(f"no digest for a {type(item).__name__}")
