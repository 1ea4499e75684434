"""The only place where a number changes its unit.

Ground is measured in metres, the bench in millimetres, and heights in a file in metres or feet.
"""

from __future__ import annotations

from typing import Final

MM_PER_M: Final = 1000.0

#: International foot and US survey foot, in metres: exact definitions, NIST Special
#: Publication 811 (2008), appendix B.6 (0.3048 m; 1200/3937 m).
M_PER_FOOT: Final = 0.3048
M_PER_US_SURVEY_FOOT: Final = 1200.0 / 3937.0

#: What people and files write for a vertical unit, lower case, and its length in metres.
METRES_PER_UNIT: Final[dict[str, float]] = {
    "m": 1.0,
    "meter": 1.0,
    "meters": 1.0,
    "metre": 1.0,
    "metres": 1.0,
    "ft": M_PER_FOOT,
    "foot": M_PER_FOOT,
    "feet": M_PER_FOOT,
    "international foot": M_PER_FOOT,
    "us-ft": M_PER_US_SURVEY_FOOT,
    "ftus": M_PER_US_SURVEY_FOOT,
    "us survey foot": M_PER_US_SURVEY_FOOT,
    "u.s. survey foot": M_PER_US_SURVEY_FOOT,
}


def ground_m_to_bench_mm(ground_m: float, scale: float) -> float:
    """Shrink a horizontal ground distance in metres to the bench at scale 1:`scale`."""
    return ground_m * MM_PER_M / scale


def bench_mm_to_ground_m(bench_mm: float, scale: float) -> float:
    """Stretch a bench distance in millimetres to the ground at scale 1:`scale`."""
    return bench_mm * scale / MM_PER_M
