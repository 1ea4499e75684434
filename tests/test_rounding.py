"""Round numbers bracket what they round."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hexterra.rounding import round_down, round_nearest, round_numbers, round_up, told_apart


@pytest.mark.parametrize(
    ("value", "down", "up"),
    [(1.0, 1.0, 1.0), (7.0, 6.0, 8.0), (26_000.0, 25_000.0, 30_000.0), (0.011, 0.01, 0.0125)],
)
def test_known_values(value: float, down: float, up: float) -> None:
    """Worked by hand from the list 1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8."""
    assert round_down(value) == pytest.approx(down)
    assert round_up(value) == pytest.approx(up)


def test_round_numbers_between_two() -> None:
    """From the same list: both ends count, and there may be none."""
    assert round_numbers(40.0, 125.0) == pytest.approx((40, 50, 60, 80, 100, 125))
    assert round_numbers(61.0, 79.0) == ()


@pytest.mark.parametrize(
    ("numbers", "written"),
    [
        ([0.0, 0.5, 1.0], ["0.0", "0.5", "1.0"]),
        ([950.0, 1000.0], ["950", "1,000"]),
        ([12.5, 37.5], ["12", "38"]),
        ([0.0, 0.075, 0.15], ["0.00", "0.07", "0.15"]),
        ([3.0], ["3"]),
    ],
)
def test_different_numbers_are_never_written_alike(
    numbers: list[float], written: list[str]
) -> None:
    """With no more decimals than a tenth of the least difference needs."""
    assert told_apart(numbers) == written


@given(st.floats(1e-6, 1e12))
@settings(derandomize=True, deadline=None)
def test_rounding_brackets(value: float) -> None:
    """Down is not above, up not below, nearest is one of them, and none is far."""
    down, up = round_down(value), round_up(value)
    assert down <= value * (1 + 1e-8)
    assert up >= value * (1 - 1e-8)
    assert up / down <= 4 / 3 + 1e-9
    assert round_nearest(value) in (down, up)
