"""Direction codes: powers of two, clockwise from east = 1 to north-east = 128; 0 for none."""

from __future__ import annotations

from typing import Final

import numpy as np

OUTLET: Final = np.uint8(0)
E: Final = np.uint8(1)
SE: Final = np.uint8(2)
S: Final = np.uint8(4)
SW: Final = np.uint8(8)
W: Final = np.uint8(16)
NW: Final = np.uint8(32)
N: Final = np.uint8(64)
NE: Final = np.uint8(128)
VOID: Final = np.uint8(247)  # no power of two
FLAT: Final = np.uint8(255)  # not directed yet
