"""Keyed footings and facings -> figures at full size: where grooves run, and guides to cut with."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from hexterra.drawing.layers import dimension, stroke
from hexterra.drawing.scene import Item, Scene, Text, joined
from hexterra.workshop.solids.bodies import facing_body
from hexterra.workshop.solids.guides import Guides, file_name, offset
from hexterra.workshop.templates.profiles import guide_outline_mm

if TYPE_CHECKING:
    from hexterra.workshop.solids.base import Base
    from hexterra.workshop.solids.facings import FacingPiece
    from hexterra.workshop.solids.keyed_footings import KeyedFooting

#: How far the groove guide goes on past the groove, on each side.
_SHOULDER_MM: Final = 25.0


def key_figure(footing: KeyedFooting, *, scale: float = 1.0) -> Scene:
    """Draw the plan of a keyed footing with its grooves.

    `scale` is length on paper per length of the footing; dimensions are true.
    """
    from shapely import Polygon

    outline = footing.solid.outline_mm * scale
    area, reach = Polygon(outline), 2.0 * footing.solid.across_flats_mm * scale
    items: list[Item] = [stroke("piece", outline, is_closed=True)]
    for number, (angle_deg, at_mm) in enumerate(footing.lines):
        angle, at = np.deg2rad(angle_deg), at_mm * scale
        normal = np.array([np.cos(angle), np.sin(angle)])
        along = np.array([-normal[1], normal[0]]) * reach
        for shift in (-footing.groove_mm * scale, footing.groove_mm * scale):
            items.append(stroke("fold", _chord(area, normal * (at + shift), along)))
        middle = _chord(area, normal * at, along)
        items.append(stroke("hidden", middle))
        # Measured from the edge or corner of the block that is nearer, beside the block.
        away, beside = outline @ normal, outline @ along / reach**2
        near = float(away.min() if at - away.min() < away.max() - at else away.max())
        aside = float(beside.min()) * along - (8.0 + 9.0 * number) * along / reach
        ends = aside + normal * near, aside + normal * at
        measured = dimension(
            ends[0].tolist(), ends[1].tolist(), away_mm=0.0, text=f"{abs(at - near) / scale:.2f}"
        )
        edge = outline[np.abs(away - near) < 1e-6]
        for end, reached in zip(ends, (edge, middle), strict=True):
            nearest = reached[int((reached @ along).argmin())]
            items.append(stroke("dimension", np.array([end, nearest - along / reach])))
        items += measured
    grooves = "groove" if len(footing.lines) == 1 else "grooves, which cross"
    return Scene(
        name=file_name(footing.name),
        title=f"{footing.name[0].upper()}{footing.name[1:]}",
        items=tuple(items),
        notes=(
            f"{footing.count:,} needed. Seen from above; the {grooves}"
            f" {2.0 * footing.groove_mm:g} mm wide and {footing.groove_mm:g} mm deep, underneath.",
            "Turn the block over before cutting; left and right then change places.",
        ),
    )


def _chord(area: Any, at: NDArray[np.float64], along: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what of a line lies on a convex area, (2, 2) float64."""
    from shapely import LineString, get_coordinates

    return get_coordinates(LineString([at - along, at + along]).intersection(area))


def groove_figure(base: Base, thickness_mm: float, guides: Guides) -> Scene:
    """Draw the pair of guides for the V-groove of keyed footings of a thickness, at full size."""
    profile = groove_profile_mm(base, thickness_mm)
    outline = guide_outline_mm(profile, guides, guides.guide_offset_mm)
    finished = np.concatenate([profile[[0, -1]] * [1.0, 0.0], profile[::-1]])
    depth = base.settings.groove_mm
    items: list[Item] = [
        stroke("guide", outline, is_closed=True),
        stroke("finish", finished, is_closed=True),
        stroke("wire", guide_outline_mm(profile, guides, guides.wire_offset_mm)[2:]),
        stroke("hidden", ((0.0, 0.0), (0.0, thickness_mm - depth))),
    ]
    right = float(profile[-1, 0])
    past = right + guides.bench.run_out_mm
    top, foot = thickness_mm, thickness_mm - depth
    items += dimension((-depth, top), (depth, top), away_mm=6.0, text=f"groove {2.0 * depth:.2f}")
    items += dimension((0.0, 0.0), (right, 0.0), away_mm=-5.0, text=f"{right:.2f}")
    items += dimension((past, 0.0), (past, top), away_mm=-6.0, text=f"{top:.2f}")
    items += dimension((-past, foot), (-past, top), away_mm=6.0, text=f"{depth:.2f}")
    return Scene(
        name="groove-guide",
        title="Groove of keyed footings",
        items=tuple(items),
        notes=(
            "Two guides, one at each end of the wire; the footing lies upside down between them,"
            " the middle line over that of its groove.",
            f"Dimensions are of the finished groove; the guide lies {guides.guide_offset_mm:.2f} mm"
            f" higher, square to its faces ({guides.slot_words}).",
        ),
    )


def groove_profile_mm(base: Base, thickness_mm: float) -> NDArray[np.float64]:
    """Return the side view of a footing upside down across its groove, (5, 2) float64."""
    depth = base.settings.groove_mm
    x = np.array([-depth - _SHOULDER_MM, -depth, 0.0, depth, depth + _SHOULDER_MM])
    return np.column_stack([x, thickness_mm - depth * (x == 0.0)])


def facing_figure(piece: FacingPiece, guides: Guides, *, thickness_mm: float) -> Scene:
    """Draw the guides for a facing at full size: its back, and the section at either end.

    `thickness_mm` is that of its upper edge; see `hexterra.workshop.solids.bodies.facing_body`.
    """
    body = facing_body(piece, thickness_mm=thickness_mm)
    back = np.array(
        [body.start_mm[1], body.end_mm[1], body.end_mm[2], body.start_mm[2]],
    )[:, [0, 2]]
    heights = (piece.left_mm, piece.right_mm)
    low = float(back[:, 1].min())
    measured = dimension(
        (0.0, low), (piece.width_mm, low), away_mm=-8.0, text=f"{piece.width_mm:.2f}"
    )
    for (x, foot), height, away_mm in zip(back[:2].tolist(), heights, (7.0, -7.0), strict=True):
        if height > 1e-9:
            measured += dimension(
                (x, foot), (x, foot + height), away_mm=away_mm, text=f"{height:.2f}"
            )
    views = [_guide(back, guides, measured, "back")]
    for end, label in ((body.start_mm, "left end"), (body.end_mm, "right end")):
        section = end[:, 1:] - end[:, 1:].min(axis=0)
        width, height = section.max(axis=0).tolist()
        if height > 1e-9:
            sizes = dimension((0.0, 0.0), (width, 0.0), away_mm=-8.0, text=f"{width:.2f}")
            sizes += dimension((width, 0.0), (width, height), away_mm=-6.0, text=f"{height:.2f}")
            view = _guide(section, guides, sizes, label)
            views.append(view.placed(views[-1].bounds[2] + 12.0 - view.bounds[0], 0.0))
    lean = f"leans back {piece.batter_deg:g} degrees" if piece.batter_deg else "stands upright"
    return joined(
        views,
        name=f"facing-{file_name(body.name.replace('.', '_'))}",
        title=f"{body.name[0].upper()}{body.name[1:]}, {lean}",
        notes=(
            f"{piece.count:,} needed. Its back is glued to the step face, its foot stands on the"
            " lower top.",
            f"Dimensions are of the finished facing; guides are {guides.guide_offset_mm:.2f} mm"
            f" larger all round ({guides.slot_words}).",
            "Where two facings meet at a corner, cut their ends to fit.",
        ),
    )


def _guide(
    outline: NDArray[np.float64],
    guides: Guides,
    measured: Sequence[Item],
    label: str,
) -> Scene:
    """Draw a guide that the wire goes round."""
    gap = np.abs(outline - np.roll(outline, 1, axis=0)).max(axis=1)
    corners = outline[gap > 1e-9]
    items: list[Item] = [
        stroke("guide", offset(corners, guides.guide_offset_mm), is_closed=True),
        stroke("finish", corners, is_closed=True),
        stroke("wire", offset(corners, guides.wire_offset_mm), is_closed=True),
    ]
    items += measured
    x = float(corners[:, 0].min() + corners[:, 0].max()) / 2.0
    y = float(corners[:, 1].min()) - 20.0
    items.append(Text((x, y), 3.2, label, "middle"))
    return Scene(tuple(items))
