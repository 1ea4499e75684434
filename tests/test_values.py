"""Values are frozen, checked once, and fingerprinted by content."""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hexterra.values import Value, readonly


@dataclass(frozen=True, eq=False, repr=False)
class Sample(Value):
    """A value for tests."""

    numbers: Any
    name: str = "a"
    extra: Any = None

    def __post_init__(self) -> None:
        numbers = readonly(self.numbers, dtype=np.float64, shape=(None,), name="numbers")
        object.__setattr__(self, "numbers", numbers)


def test_arrays_cannot_be_written() -> None:
    """A value's array refuses assignment."""
    sample = Sample([1.0, 2.0])
    with pytest.raises(ValueError, match="read-only"):
        sample.numbers[0] = 5.0


def test_the_callers_array_stays_writeable() -> None:
    """Freezing copies; the caller's own array is neither frozen nor shared."""
    mine = np.array([1.0, 2.0])
    sample = Sample(mine)
    mine[0] = 9.0
    assert sample.numbers[0] == 1.0


def test_views_are_copied_too() -> None:
    """A writeable view of the caller's array is not shared either."""
    mine = np.arange(6.0)
    sample = Sample(mine[:3])
    mine[0] = 9.0
    assert sample.numbers[0] == 0.0


def test_wrong_shape_is_refused() -> None:
    """A wrong number of dimensions is a programming error, named."""
    with pytest.raises(ValueError, match=r"numbers has shape \(2, 2\)"):
        Sample(np.zeros((2, 2)))


def test_pickling_keeps_content_and_freezes() -> None:
    """An unpickled value has the same digest and read-only arrays."""
    sample = Sample([1.0, 2.0], extra={"b": 1, "a": (None, True)})
    again = pickle.loads(pickle.dumps(sample))
    assert again.same_as(sample)
    assert not again.numbers.flags.writeable


@given(st.lists(st.floats(allow_nan=False), max_size=8), st.lists(st.floats(allow_nan=False)))
@settings(derandomize=True, deadline=None)
def test_digest_tells_content_apart(one: list[float], other: list[float]) -> None:
    """Digests agree exactly when the bytes of the content do."""
    same = np.array(one).tobytes() == np.array(other).tobytes() and len(one) == len(other)
    assert Sample(one).same_as(Sample(other)) == same


@pytest.mark.parametrize(
    ("one", "other"),
    [(1, 1.0), ("1", 1), (True, 1), ((1, 2), ((1,), 2)), ({"a": 1}, {"b": 1}), (None, "None")],
)
def test_kinds_do_not_collide(one: object, other: object) -> None:
    """Numbers, text, truth values, sequences and mappings of like looks have other digests."""
    assert Sample([], extra=one).digest != Sample([], extra=other).digest


def test_mapping_order_does_not_count() -> None:
    """Mappings with the same items have the same digest in any order."""
    assert Sample([], extra={"a": 1, "b": 2}).same_as(Sample([], extra={"b": 2, "a": 1}))


def test_unknown_kinds_are_refused() -> None:
    """What has no defined bytes gets no digest, rather than a random one."""
    with pytest.raises(TypeError, match="no digest for a set"):
        _ = Sample([], extra={1, 2}).digest


def test_repr_is_one_short_line() -> None:
    """Showing a value names its fields and never prints a large one."""
    sample = Sample(np.zeros(5000), extra=Sample([1.0], name="x" * 500))
    assert repr(sample) == "Sample(numbers=<float64 (5000,)>, name='a', extra=<Sample>)"
    assert len(repr(sample.extra)) < 120
