"""Sloping tops -> profiles: the two side views that a wire follows.

The wire lies parallel to the folds of a top, so one height for every distance along the slope
says all, and the two guides that stand at its ends are mirror images.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hexterra.catalogue.tops import facet_planes
from hexterra.drawing.layers import dimension, has_room, stroke
from hexterra.drawing.scene import Anchor, Item, Scene, Text, joined
from hexterra.lattice.hexagon import N_SIDES
from hexterra.workshop.solids.guides import Guides, counted, file_name, offset
from hexterra.workshop.solids.solids import Solid
from hexterra.workshop.templates.thumbnails import beside, thumbnail

if TYPE_CHECKING:
    from hexterra.stages.schedule.pieces import Piece


def profiles(pieces: Sequence[tuple[Piece, Solid]], guides: Guides) -> Iterable[Scene]:
    """Draw one profile for each sloping pattern that occurs."""
    by_pattern: dict[str, list[tuple[Piece, Solid]]] = {}
    for piece, solid in pieces:
        if any(solid.rises):
            by_pattern.setdefault(piece.pattern, []).append((piece, solid))
    for name, users in by_pattern.items():
        piece, solid = users[0]
        # Corners are numbered as the catalogue does, also where only cut tiles have the pattern.
        rises = tuple(solid.rises[(s + piece.turn) % N_SIDES] for s in range(N_SIDES))
        yield profile_figure(
            replace(solid, rises=rises),
            guides,
            pattern=name,
            users=counted(piece for piece, _ in users),
            parts=_parts(users, uphill(replace(solid, rises=rises, part="whole", hand=""))),
        )


def profile_mm(solid: Solid) -> NDArray[np.float64]:
    """Return the side view of a whole top along its slope, (k, 2) float64.

    Distance uphill from the middle of the tile, and height; only points where the slope changes,
    and both ends. A part lies between the guides as in the whole top, so it does not matter.
    """
    distance = solid.corner_mm() @ uphill(solid)
    height = solid.base_mm + np.array(solid.rises) * solid.step_mm
    order = np.argsort(distance, kind="stable")
    points = np.column_stack([distance, height])[order]
    distinct = np.concatenate([[True], np.diff(points[:, 0]) > 1e-6 * solid.across_flats_mm])
    points = points[distinct]
    slope = np.diff(points[:, 1]) / np.diff(points[:, 0])
    bends = np.concatenate([[True], np.abs(np.diff(slope)) > 1e-9, [True]])
    return points[bends]


def uphill(solid: Solid) -> NDArray[np.float64]:
    """Return the direction square to the folds of a top, uphill, (2,) float64; x if it is flat."""
    for slope_x, slope_y, _ in facet_planes(solid.rises, solid.corner0_deg).tolist():
        steepness = math.hypot(slope_x, slope_y)
        if steepness > 1e-9:
            return np.array([slope_x, slope_y]) / steepness
    return np.array([1.0, 0.0])


def guide_outline_mm(
    profile: NDArray[np.float64], guides: Guides, away_mm: float
) -> NDArray[np.float64]:
    """Return the outline of a profile guide, counter-clockwise, (k, 2) float64.

    Its upper edge runs `away_mm` outside the finished top and goes on level past both ends; its
    lower edge stands on the bench with the tile.
    """
    run_out = np.array([guides.bench.run_out_mm, 0.0])
    top = np.concatenate([[profile[0] - run_out], profile, [profile[-1] + run_out]])
    slope = np.diff(top[:, 1]) / np.diff(top[:, 0])
    bends = np.concatenate([[True], np.abs(np.diff(slope)) > 1e-9, [True]])
    edge = offset(top[bends][::-1], away_mm, is_closed=False)
    ends = edge[[-1, 0]] * np.array([1.0, 0.0])
    return np.concatenate([ends, edge])


def _parts(users: Sequence[tuple[Piece, Solid]], direction: NDArray[np.float64]) -> list[Scene]:
    """Show how each part lies on the plan of its pattern, each turn once."""
    to_plan = _turned_uphill(direction)
    found: dict[tuple[str, str, int], list[tuple[Piece, Solid]]] = {}
    for piece, solid in users:
        if piece.part != "whole":
            found.setdefault((piece.part, piece.hand, piece.turn), []).append((piece, solid))
    scenes: list[Scene] = []
    for (part, hand, turn), own in found.items():
        count = sum(piece.count for piece, _ in own)
        words = (f"{hand} {part}".strip(), f"turned {turn}, {count:,} x")
        # A corner-cut half is drawn 30 degrees round; its frame is brought back to the plan's.
        shift = math.radians(-own[0][1].corner0_deg)
        level = np.array([[math.cos(shift), math.sin(shift)], [-math.sin(shift), math.cos(shift)]])
        scenes.append(thumbnail(own[0][1], words, turn=turn, to_plan=level @ to_plan))
    return scenes


def _turned_uphill(direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what turns points, (k, 2), so that uphill lies to the right."""
    return np.array([[direction[0], -direction[1]], [direction[1], direction[0]]])


def profile_figure(
    solid: Solid, guides: Guides, *, pattern: str, users: str = "", parts: Sequence[Scene] = ()
) -> Scene:
    """Draw the plan of a sloping top and the two guides that its wire follows, at full size.

    `solid` is any tile of the pattern; `users` says what is cut with it, and `parts` show how parts
    lie on the plan.
    """
    profile = profile_mm(solid)
    plan = _profile_plan(solid)
    front = _side_view(profile, guides, label="guide in front")
    behind = _side_view(
        profile[::-1] * np.array([-1.0, 1.0]),
        guides,
        label="guide behind: its mirror image",
        has_lengths=False,
    )
    front = front.placed(0.0, plan.bounds[1] - 2.0 - front.bounds[3])
    behind = behind.placed(0.0, front.bounds[1] - 3.0 - behind.bounds[3])
    lie = "; parts lie as shown, dots being raised corners, cut edge against a stop"
    return joined(
        (plan, front, behind, Scene(tuple(beside(plan, parts, behind.bounds[1], most_columns=1)))),
        name=f"profile-{file_name(pattern)}",
        title=f"Profile: {pattern}",
        notes=(
            f"Stand the guides upright at both ends of the wire, standing on the bench.{users}",
            f"Dimensions are of the finished piece; the guides' upper edges lie"
            f" {guides.guide_offset_mm:.2f} mm higher, square to them ({guides.slot_words}).",
            "Keep the wire parallel to the folds and slide it along both guides at once.",
            f"Fix the plan to the table between the guides; lay blanks on it by their corners"
            f"{lie if parts else ''}.",
        ),
    )


def _profile_plan(solid: Solid) -> Scene:
    """Draw the plan with its folds, uphill to the right."""
    whole = replace(solid, part="whole", hand="")
    direction = uphill(whole)
    turn = _turned_uphill(direction)
    corner = whole.corner_mm() @ turn
    items: list[Item] = [stroke("piece", corner, is_closed=True)]
    items += [stroke("fold", crease[:, :2] @ turn) for crease in whole.creases_mm]
    for number, (x, y) in enumerate(corner.tolist()):
        rise_mm = solid.rises[number] * solid.step_mm
        label = f"{number}: +{rise_mm:g}" if rise_mm else f"{number}"
        near = 1e-6 * whole.across_flats_mm
        anchor: Anchor = "middle" if abs(x) < near else "start" if x > 0.0 else "end"
        past = 1.0 + 3.0 / math.hypot(x, y)
        items.append(Text((past * x, past * y - 1.2), 3.2, label, anchor))
    low, high = corner.min(axis=0), corner.max(axis=0)
    x = float(low[0]) - 20.0
    items += dimension((x, 0.6 * low[1]), (x, 0.6 * high[1]), away_mm=0.0, text="wire")
    return Scene(tuple(items))


def _side_view(
    profile: NDArray[np.float64], guides: Guides, *, label: str, has_lengths: bool = True
) -> Scene:
    """Draw one profile guide with the dimensions of the finished top."""
    items: list[Item] = [
        stroke("guide", guide_outline_mm(profile, guides, guides.guide_offset_mm), is_closed=True),
        stroke("finish", _finished_mm(profile), is_closed=True),
        stroke("wire", guide_outline_mm(profile, guides, guides.wire_offset_mm)[2:]),
    ]
    items += [stroke("hidden", ((x, 0.0), (x, y))) for x, y in profile[[0, -1]].tolist()]
    ceiling = float(profile[:, 1].max()) + guides.guide_offset_mm
    for start, end in pairwise(profile.tolist() if has_lengths else ()):
        level = (start[0], ceiling), (end[0], ceiling)
        kind = "slope" if start[1] != end[1] else "level"
        text = f"{kind} {end[0] - start[0]:.2f}"
        # Words that do not fit stand beside their arrows, in a row of their own.
        away_mm = 4.0 if has_room(text, end[0] - start[0]) else 9.0
        items += dimension(*level, away_mm=away_mm, text=text)
    sides = (
        (profile[0], -guides.bench.run_out_mm, 6.0),
        (profile[-1], guides.bench.run_out_mm, -6.0),
    )
    for (x, y), past, away_mm in sides:
        ends = (float(x) + past, 0.0), (float(x) + past, float(y))
        items += dimension(*ends, away_mm=away_mm, text=f"{y:.2f}")
    items.append(Text((float(profile[:, 0].mean()), 4.0), 3.2, label, "middle"))
    return Scene(tuple(items))


def _finished_mm(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the side view of the finished tile, counter-clockwise."""
    feet = profile[[0, -1]] * np.array([1.0, 0.0])
    return np.concatenate([feet, profile[::-1]])
