"""Pieces -> channels: where water and sunken roads are marked out on the plan of a piece."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from hexterra.drawing.layers import stroke
from hexterra.drawing.scene import Item, Lines, Scene, Text
from hexterra.lattice.hexagon import N_SIDES, cut_of
from hexterra.stages.tiles.channels import falls
from hexterra.workshop.solids.channel_tools import channel_tool
from hexterra.workshop.solids.courses import Course, piece_course
from hexterra.workshop.solids.grooves import schedule_grooves
from hexterra.workshop.solids.guides import Guides, counted, file_name
from hexterra.workshop.solids.hollows import plan_area, stretches
from hexterra.workshop.templates.footprints import kept_corners
from hexterra.workshop.templates.thumbnails import beside, thumbnail

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from hexterra.stages.schedule.pieces import Piece
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.solids.grooves import Grooves
    from hexterra.workshop.solids.hollows import Stretch
    from hexterra.workshop.solids.solids import Solid

#: Falls over each side of a piece: the cells where water falls, and from how high in millimetres.
Lips = Mapping[int, Sequence[tuple[str, float]]]


def channels(
    schedule: Schedule, pieces: Sequence[tuple[Piece, Solid]], guides: Guides
) -> Iterable[Scene]:
    """Draw one plan for each channel and each road that occurs; turned whole tiles share one."""
    lips = _lips(schedule)
    groups: dict[tuple[str, str, Course], list[int]] = {}
    for number, (piece, _) in enumerate(pieces):
        course = piece_course(piece)
        if course is not None:
            part = f"{piece.hand} {piece.part}".strip()
            shown = course.lowest if piece.part == "whole" else course
            groups.setdefault((piece.crossing, part, shown), []).append(number)
    if not groups:
        return
    grooves = schedule_grooves(schedule, guides)
    for (crossing, part, course), numbers in groups.items():
        users = [pieces[number] for number in numbers]
        turns = {number: _turn(pieces[number][0], course) for number in numbers}
        found: dict[int, list[tuple[str, float]]] = {}
        for number, turn in turns.items():
            for side, falling in lips.get(number, {}).items():
                found.setdefault((side - turn) % N_SIDES, []).extend(falling)
        name = crossing or "sunken road"
        shown = [
            _lying(piece, solid, turns[number] if part == "whole" else 0, grooves)
            for number, (piece, solid) in zip(numbers, users, strict=True)
        ]
        yield channel_figure(
            users[0][1],
            course,
            grooves,
            title=name if part == "whole" else f"{name}, {part}",
            users=counted(piece for piece, _ in users),
            shown=shown,
            lips=found,
        )


def _turn(piece: Piece, course: Course) -> int:
    """Return how far the plan of a course is turned on a piece."""
    own = piece_course(piece)
    return next(turn for turn in range(N_SIDES) if course.turned(turn) == own)


def _lying(piece: Piece, solid: Solid, turn: int, grooves: Grooves) -> Scene:
    """Show how the plan of a course lies on a piece, and what cuts it there."""
    course = piece_course(piece)
    tool = channel_tool(solid, course, grooves) if course is not None else ""
    words = (f"{piece.pattern}, {piece.count:,} x", tool)
    return thumbnail(solid, words, turn=turn, to_plan=np.eye(2), course=course)


def _lips(schedule: Schedule) -> dict[int, dict[int, list[tuple[str, float]]]]:
    """Return the lips of each piece that water falls over, by side in the piece's numbers."""
    board = schedule.board
    found: dict[int, dict[int, list[tuple[str, float]]]] = {}
    for fall in falls(schedule.tiles):
        part, _, origin = cut_of(board.facing, *board.kept[fall.cell].tolist())
        frame = int(schedule.turn[fall.cell]) if part == "whole" else origin
        sides = found.setdefault(int(schedule.piece[fall.cell]), {})
        height_mm = fall.steps * schedule.step_mm
        sides.setdefault((fall.side - frame) % N_SIDES, []).append(
            (board.labels[fall.cell], height_mm)
        )
    return found


def channel_figure(
    solid: Solid,
    course: Course,
    grooves: Grooves,
    *,
    title: str,
    users: str = "",
    shown: Sequence[Scene] = (),
    lips: Lips | None = None,
) -> Scene:
    """Draw where water or a road runs on the plan of a piece, at full size.

    Parameters
    ----------
    solid, course, grooves
        Any piece of that outline, what runs there, and its widths.
    title
        Names the crossing and the part.
    users
        What carries it, for the notes.
    shown
        How the plan lies on each piece.
    lips
        Sides that water falls over; each gets its lip drawn, and is noted with the cells.
    """
    is_whole, lips = solid.part == "whole", lips or {}
    laid = stretches(course, grooves, solid.corner_mm(), is_whole=is_whole)
    items: list[Item] = [stroke("piece", solid.outline_mm, is_closed=True)]
    items += [stroke("hidden", line) for line in solid.channels_mm(course)]
    items += [stroke(course.what, line) for line in banks_mm(solid, laid)]
    items += [_lip(solid, course, grooves, side) for side in sorted(lips)]
    corner = solid.corner_mm()
    for number in kept_corners(solid):
        at = corner[number] + 0.1 * (solid.middle_mm - corner[number])
        items.append(Text((float(at[0]), float(at[1]) - 1.2), 3.2, str(number), "middle"))
    if shown:
        plan = Scene(tuple(items))
        items += beside(plan, shown, plan.bounds[1], most_columns=2)
    kind = "Channel" if course.what == "water" else "Road"
    numbers = course.words.removeprefix("sides ").removeprefix("side ")
    return Scene(
        name=f"{kind.lower()}-{file_name(f'{title} {numbers}')}",
        title=f"{kind}: {title}, {course.words}",
        items=tuple(items),
        notes=(
            *_width_words(course, grooves, users),
            f"The plan is the finished piece, {solid.across_flats_mm:g} mm across flats."
            " Numbers are corners; side n runs from corner n to the next.",
            *(
                [
                    "The small plans show how it lies on each top: dashes are folds, dots raised"
                    " corners, numbers those of the plan."
                ]
                if shown
                else []
            ),
            *(_lip_words(side, lips[side]) for side in sorted(lips)),
        ),
    )


def _lip(solid: Solid, course: Course, grooves: Grooves, side: int) -> Lines:
    """Draw the line across a port that water falls over."""
    groove = grooves.at_sides(course)[course.sides.index(side)]
    corner = solid.corner_mm()
    start, end = corner[side], corner[(side + 1) % N_SIDES]
    share = groove.edge_shares(solid.across_flats_mm)[0]
    middle = (start + end) / 2.0
    half = share * (end - start)
    return stroke("lip", np.array([middle - half, middle + half]))


def _lip_words(side: int, falling: Sequence[tuple[str, float]]) -> str:
    """Say where water falls over a side."""
    cells = ", ".join(f"{label} ({height_mm:g} mm)" for label, height_mm in falling)
    return (
        f"Water falls over side {side} in {cells}: keep its lip sharp, and carry it down the face."
    )


def _width_words(course: Course, grooves: Grooves, users: str) -> list[str]:
    """Say how deep the bed lies, how far apart the banks are and how they stand.

    Sections that differ get a line of their own.
    """
    ends = grooves.at_sides(course)
    if not ends:
        return [f"Mark the edge on the top and cut {grooves.pool.depth_mm:g} mm deep.{users}"]
    what = "banks" if course.what == "water" else "edges"
    cuts = f"cut {ends[0].depth_mm:g} mm deep"
    sides: dict[str, list[str]] = {}
    for side, groove in zip(course.sides, ends, strict=True):
        stands = f"sloping over {groove.bank_mm:g} mm" if groove.bank_mm else "upright"
        sides.setdefault(f"{groove.width_mm:g} mm apart, {stands}", []).append(str(side))
    if len(sides) == 1:
        return [f"Mark the {what} on the top, {next(iter(sides))}; {cuts}.{users}"]
    listed = "; ".join(
        f"at side{'s' if len(at) > 1 else ''} {' '.join(at)} {section}"
        for section, at in sides.items()
    )
    return [f"Mark the {what} on the top; {cuts}.{users}", f"They are {listed}."]


def banks_mm(solid: Solid, laid: Sequence[Stretch]) -> tuple[NDArray[np.float64], ...]:
    """Return the upper edges of what is cut into a piece, on its plan, each (k, 2) float64."""
    from shapely import Polygon, get_coordinates, get_parts, line_merge

    outline = Polygon(solid.outline_mm)
    area = plan_area(laid).intersection(outline)
    lines = line_merge(area.boundary.difference(outline.boundary.buffer(1e-6)))
    return tuple(get_coordinates(line) for line in get_parts(lines) if line.length > 1e-3)
