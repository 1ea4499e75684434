"""Sections of channels -> figures at full size: guides for straight ones, loops for the others."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing.layers import dimension, stroke
from hexterra.drawing.scene import Item, Scene, Text, joined
from hexterra.workshop.solids.channel_tools import channel_sections, channel_set_up, section_words
from hexterra.workshop.solids.courses import piece_course
from hexterra.workshop.solids.grooves import schedule_grooves
from hexterra.workshop.solids.guides import Guides, counted, file_name, offset

if TYPE_CHECKING:
    from hexterra.stages.schedule.pieces import Piece
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.solids.grooves import Groove
    from hexterra.workshop.solids.solids import Solid

#: How far banks go on above the top in a guide, so that the wire comes down along them.
_LEAD_MM: Final = 8.0
#: How far a guide goes on to either side of that.
_CHEEK_MM: Final = 18.0


def troughs(
    schedule: Schedule, pieces: Sequence[tuple[Piece, Solid]], guides: Guides
) -> Iterable[Scene]:
    """Draw the guides or the loop of every set-up for channels."""
    by_set_up: dict[str, list[tuple[Piece, Solid, tuple[Groove, ...]]]] = {}
    held = [(piece, solid, course) for piece, solid in pieces if (course := piece_course(piece))]
    if not held:
        return
    grooves = schedule_grooves(schedule, guides)
    for piece, solid, course in held:
        name = channel_set_up(solid, course, grooves)
        sections = channel_sections(course, grooves)
        by_set_up.setdefault(name, []).append((piece, solid, sections))
    for name in sorted(by_set_up):
        users = by_set_up[name]
        words = counted(piece for piece, *_ in users)
        _, solid, sections = users[0]
        if name.startswith("loop"):
            yield loop_figure(sections[0], guides, title=name, users=words)
        else:
            yield trough_figure(sections, solid, guides, title=name, users=words)


def trough_mm(groove: Groove, height_mm: float) -> NDArray[np.float64]:
    """Return the finished section of a channel in a top of some height, from right to left, (6, 2).

    Its banks go on upward past the top, then level.
    """
    up_mm = height_mm + _LEAD_MM
    half_mm = groove.half_mm()
    out_mm = half_mm + _LEAD_MM * groove.bank_mm / groove.depth_mm
    bed = (half_mm - groove.bank_mm, height_mm - groove.depth_mm)
    right = np.array([(out_mm + _CHEEK_MM, up_mm), (out_mm, up_mm), bed])
    return np.concatenate([right, right[::-1] * [-1.0, 1.0]])


def trough_guide_mm(groove: Groove, height_mm: float, away_mm: float) -> NDArray[np.float64]:
    """Return the outline of a trough guide, counter-clockwise; its edge runs `away_mm` outside."""
    edge = offset(trough_mm(groove, height_mm), away_mm, is_closed=False)
    return np.concatenate([edge[[-1, 0]] * [1.0, 0.0], edge])


def trough_figure(
    sections: Sequence[Groove], solid: Solid, guides: Guides, *, title: str, users: str = ""
) -> Scene:
    """Draw the guide of each port of a straight channel; of equal ports one, to be cut twice."""
    found: list[Scene] = []
    low = 0.0
    for groove in sections:
        drawn = _trough(groove, solid.base_mm, guides)
        found.append(drawn.placed(0.0, low - drawn.bounds[3]))
        low = found[-1].bounds[1] - 6.0
    twice = "Cut it twice" if len(sections) == 1 else "Cut one of each"
    return joined(
        found,
        name=f"trough-{file_name(title.partition(', ')[2])}",
        title=f"{title[0].upper()}{title[1:]}",
        notes=(
            f"{twice}: one for either port, its middle line on the middle of the port.{users}",
            f"Feet on the table, under a port that stands {solid.step_mm:g} mm higher on a slice"
            f" of {solid.step_mm:g} mm. Tile and both guides against a straight stop.",
            f"The edge lies {guides.guide_offset_mm:.2f} mm outside the finished channel"
            f" ({guides.slot_words}). Lead the wire down one bank, over the bed, up the other.",
        ),
    )


def _trough(groove: Groove, height_mm: float, guides: Guides) -> Scene:
    half_mm, bed_mm = groove.half_mm(), height_mm - groove.depth_mm
    finish = trough_mm(groove, height_mm)
    wire = offset(finish, guides.wire_offset_mm, is_closed=False)
    left = float(finish[-1, 0])
    outline = trough_guide_mm(groove, height_mm, guides.guide_offset_mm)
    items: list[Item] = [
        stroke("guide", outline, is_closed=True),
        stroke("finish", finish),
        stroke("wire", wire[1:-1]),
        stroke("hidden", ((0.0, 0.0), (0.0, bed_mm))),
        stroke("hidden", ((left, height_mm), (-half_mm, height_mm))),
        stroke("hidden", ((half_mm, height_mm), (-left, height_mm))),
    ]
    up = height_mm + _LEAD_MM
    items += dimension(
        (-half_mm, up), (half_mm, up), away_mm=6.0, text=f"{2.0 * half_mm:.2f}",
        reach_mm=(_LEAD_MM, _LEAD_MM),
    )  # fmt: skip
    items += dimension((left, 0.0), (left, height_mm), away_mm=6.0, text=f"{height_mm:.2f}")
    items += dimension((-left, 0.0), (-left, bed_mm), away_mm=-6.0, text=f"{bed_mm:.2f}")
    return Scene(tuple(items))


def loop_figure(groove: Groove, guides: Guides, *, title: str, users: str = "") -> Scene:
    """Draw the section that a loop is bent to: its wire runs half a kerf inside the channel."""
    finish = trough_mm(groove, groove.depth_mm)
    wire = offset(finish, guides.wire_offset_mm, is_closed=False)[1:-1]
    half_mm, depth_mm = groove.half_mm(), groove.depth_mm
    items: list[Item] = [
        stroke("piece", finish[1:-1]),
        stroke("loop", wire),
        stroke("hidden", ((-half_mm - 8.0, depth_mm), (half_mm + 8.0, depth_mm))),
        Text((half_mm + 9.0, depth_mm - 1.0), 2.8, "top of the tile"),
    ]
    up = depth_mm + _LEAD_MM
    items += dimension(
        (-half_mm, up), (half_mm, up), away_mm=4.0, text=f"{2.0 * half_mm:.2f}",
        reach_mm=(_LEAD_MM, _LEAD_MM),
    )  # fmt: skip
    out = -half_mm - 8.0
    items += dimension((out, 0.0), (out, depth_mm), away_mm=4.0, text=f"{depth_mm:.2f}",
                       reach_mm=(-8.0, 0.0))  # fmt: skip
    return Scene(
        name=f"loop-{file_name(section_words(groove))}",
        title=f"{title[0].upper()}{title[1:]}",
        items=tuple(items),
        notes=(
            f"Bend stiff resistance wire to the dash-dotted line, {guides.wire_offset_mm:.2f} mm"
            f" inside the channel.{users}",
            "Draw it through along the marked middle line; widen with it where banks are farther"
            " apart. A knife and a rasp do the same. Common practice, no source.",
        ),
    )
