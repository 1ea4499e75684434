"""A slow plain twin of the cutting of streams into stretches, written from its definition."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.plain.drain import STEPS

Pixel = tuple[int, int]


class Stretch(NamedTuple):
    """Pixels from the first to the confluence or outlet, and how many of them are its own."""

    pixels: tuple[Pixel, ...]
    n_own: int
    order: int


def stretches(code: NDArray[np.uint8], is_stream: NDArray[np.bool_]) -> list[Stretch]:
    """Follow every stretch down from a spring or a confluence; order after Strahler (1957)."""
    below: dict[Pixel, Pixel | None] = {}
    above: dict[Pixel, list[Pixel]] = {}
    for row, column in zip(*np.nonzero(is_stream), strict=True):
        pixel = (int(row), int(column))
        step = STEPS.get(int(code[pixel]))
        below[pixel] = None if step is None else (pixel[0] + step[0], pixel[1] + step[1])
        above.setdefault(pixel, [])
    for pixel, there in below.items():
        if there is not None:
            above[there].append(pixel)

    def order(pixel: Pixel) -> int:
        orders = sorted((order(there) for there in above[pixel]), reverse=True)
        if not orders:
            return 1
        return orders[0] + (orders[1:2] == orders[:1])

    found: list[Stretch] = []
    for pixel, there in below.items():
        if len(above[pixel]) == 1 or there is None:
            continue
        way = [pixel]
        while (there := below[way[-1]]) is not None:
            way.append(there)
            if len(above[there]) > 1:
                break
        n_own = len(way) - (len(above[way[-1]]) > 1)
        found.append(Stretch(tuple(way), n_own, order(pixel)))
    return sorted(found, key=lambda stretch: stretch.pixels[stretch.n_own - 1])


def first_stretch(code: NDArray[np.uint8], found: list[Stretch]) -> NDArray[np.int32]:
    """Number, from 1, the stretch whose last own pixel the water of each pixel comes to first."""
    number = {s.pixels[s.n_own - 1]: i for i, s in enumerate(found, start=1)}
    label = np.zeros(code.shape, np.int32)
    for start in np.ndindex(*code.shape):
        pixel: Pixel | None = (start[0], start[1])
        while pixel is not None and pixel not in number:
            step = STEPS.get(int(code[pixel]))
            pixel = None if step is None else (pixel[0] + step[0], pixel[1] + step[1])
        label[start] = 0 if pixel is None else number[pixel]
    return label
