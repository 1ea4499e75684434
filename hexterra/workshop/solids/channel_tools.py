"""Courses -> tools: which channels a straight wire cuts between two guides, and which it cannot.

A straight wire along a channel, led over a trough-shaped guide at either port, cuts its bed and
its banks if all of them are ruled from port to port: the channel runs straight through the piece,
and its top neither folds along it nor slopes across it. Any other channel is shaped by hand, with a
loop of stiff wire bent to its section, or a knife and a rasp. Common practice, no source.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from hexterra.catalogue.tops import surface_rise

if TYPE_CHECKING:
    from hexterra.workshop.solids.courses import Course
    from hexterra.workshop.solids.grooves import Groove, Grooves
    from hexterra.workshop.solids.solids import Solid

ChannelTool = Literal["guides", "loop"]

_NEAR_STEPS: Final = 1e-6


def channel_tool(solid: Solid, course: Course, grooves: Grooves) -> ChannelTool:
    """Return what cuts a course into the top of a piece."""
    lines = solid.channels_mm(course)
    is_through = course.end == "open" or (course.end == "joined" and len(course.sides) == 2)
    if len(lines) != 1 or len(lines[0]) != 2 or not is_through:
        return "loop"
    start, end = lines[0]
    along = (end - start) / np.linalg.norm(end - start)
    half_mm = max(groove.half_mm() for groove in grooves.at_sides(course))
    share = np.linspace(0.0, 1.0, 13)[:, None]
    rise = np.array([
        surface_rise(
            solid.rises,
            0,
            (start + share * (end - start) + aside * np.array([-along[1], along[0]]))
            / solid.across_flats_mm,
            solid.corner0_deg,
        )
        for aside in (-half_mm, 0.0, half_mm)
    ])  # fmt: skip
    is_ruled = np.abs(np.diff(rise, n=2, axis=1)).max() < _NEAR_STEPS
    is_level_across = np.ptp(rise, axis=0).max() < _NEAR_STEPS
    return "guides" if is_ruled and is_level_across else "loop"


def section_words(groove: Groove) -> str:
    """Say how wide and deep a section is and how its banks stand."""
    banks = f"banks sloping over {groove.bank_mm:g} mm" if groove.bank_mm else "upright banks"
    return f"{groove.width_mm:g} mm wide, {groove.depth_mm:g} mm deep, {banks}"


def channel_sections(course: Course, grooves: Grooves) -> tuple[Groove, ...]:
    """Return the sections of a course from narrow to wide, each once; of a pool, that one."""
    found = {section_words(one): one for one in grooves.at_sides(course) or (grooves.pool,)}
    return tuple(sorted(found.values(), key=lambda one: (one.width_mm, -one.bank_mm)))


def channel_set_up(solid: Solid, course: Course, grooves: Grooves) -> str:
    """Name what is mounted to cut a course: trough guides for its ports, or its narrowest loop."""
    sections = channel_sections(course, grooves)
    if channel_tool(solid, course, grooves) == "guides":
        return f"trough guides, {' and '.join(map(section_words, sections))}"
    return f"loop, {section_words(sections[0])}"


def girth_mm(groove: Groove) -> float:
    """Return how long a section is along bed and banks."""
    bed_mm = groove.width_mm - 2.0 * groove.bank_mm
    return bed_mm + 2.0 * math.hypot(groove.bank_mm, groove.depth_mm)
