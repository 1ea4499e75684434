"""How to cut: the bench that the book assumes, with drawings, and one piece of each kind worked."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from hexterra.drawing.flowables import paragraph, section
from hexterra.drawing.layers import dimension, stroke
from hexterra.drawing.scene import INK, Circles, Item, Lines, Scene, Style, Text, rectangle
from hexterra.workshop.book.book_words import counted
from hexterra.workshop.book.layout import figure_rows, lead
from hexterra.workshop.solids.channel_tools import channel_set_up
from hexterra.workshop.solids.courses import piece_course
from hexterra.workshop.solids.grooves import schedule_grooves
from hexterra.workshop.solids.guides import Guides
from hexterra.workshop.solids.solids import piece_solids
from hexterra.workshop.templates.profiles import profile_mm, uphill

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

    from hexterra.stages.schedule.pieces import Piece
    from hexterra.workshop.estimate.estimate import Estimate
    from hexterra.workshop.solids.solids import Solid

_FOAM: Final = Style(INK, 0.2, fill="#ececec")
_GUIDE: Final = Style(INK, 0.3, fill="#bdbdbd")
_WIRE: Final = Style(fill=INK)
_WORDS_MM: Final = 2.6
#: Free wire on either side of what is cut, and play between a blank and each guide: common
#: practice, no source.
_HAND_MM: Final = 40.0
_PLAY_MM: Final = 0.5


def how_pages(estimate: Estimate) -> list[Flowable]:
    """Explain the rig and its set-ups with drawings, then work one piece of each kind."""
    foam = estimate.foam
    guides = Guides(foam.stock, estimate.bench)
    solids = piece_solids(foam.pieces)
    made = [
        (piece, solid)
        for piece, solid, count in zip(
            foam.pieces.pieces, solids, foam.to_cut.tolist(), strict=True
        )
        if count
    ]
    if not made:
        return []
    ramp = next((solid for _, solid in made if any(solid.rises) and solid.part == "whole"), None)
    slices = sorted({b.layer.thickness_mm for b in foam.blocks if b.layer.is_sliced})
    figures = [
        _rig(estimate),
        _honeycomb(foam.pieces.board.across_flats_mm, guides),
        _blank(guides),
    ]
    figures += [_slice(slices[0], guides), _test_cut(guides)] if slices else []
    if ramp is not None:
        figures += [_between(ramp), _profile(ramp, guides)]
    words = (
        "This book assumes a straight wire held in a bow over or through a flat table, a fence, and"
        " guides cut from stiff board after the templates. Where nothing else is said, what stands"
        " here is common practice, without a source. Drawings are not to scale; numbers are yours."
    )
    worked: list[Flowable] = []
    for title, steps in _examples(estimate, made, guides):
        worked.append(paragraph(title, size_mm=3.6, is_bold=True, after_mm=1.0))
        listed = "\n".join(f"{number}. {step}" for number, step in enumerate(steps, start=1))
        worked.append(paragraph(listed, size_mm=2.9, after_mm=3.5))
    return [
        *section("How to cut", [lead(words), *figure_rows(figures, n_columns=2)]),
        *section("One of each, worked", worked, level=1),
    ]


# Drawings ----------------------------------------------------------------------------------------


def _note(x: float, y: float, words: str) -> Text:
    return Text((x, y), _WORDS_MM, words)


def _box(x: float, y: float, width: float, height: float, style: Style = _FOAM) -> Lines:
    return Lines(rectangle(x, y, width, height), style, "closed")


def _dot(x: float, y: float) -> Circles:
    return Circles(np.array([[x, y]]), 0.9, _WIRE)


def _rig(estimate: Estimate) -> Scene:
    """Draw the bow with its wire level over the table, a tile between two guides."""
    flats_mm = estimate.foam.pieces.board.across_flats_mm
    wire_mm = 2.0 * (flats_mm / math.sqrt(3.0) + _HAND_MM)
    throat_mm = max(nest.stock.width_mm for nest in estimate.foam.nests) / 2.0
    items: list[Item] = [
        _box(0.0, -3.0, 78.0, 3.0), _box(26.0, 0.0, 26.0, 8.0), _box(22.5, 0.0, 2.5, 10.0, _GUIDE),
        _box(53.0, 0.0, 2.5, 10.0, _GUIDE),
        Lines(np.array([[4.0, 10.4], [74.0, 10.4]]), Style(INK, 0.4)),
        Lines(np.array([[4.0, 6.0], [4.0, 24.0], [74.0, 24.0], [74.0, 6.0]]), Style(INK, 0.9)),
        _note(33.0, 3.0, "blank"), _note(34.0, 25.5, "bow"), _note(57.0, 3.0, "guide"),
    ]  # fmt: skip
    items += dimension((18.0, 12.0), (74.0, 12.0), away_mm=2.0, text=f"free wire {wire_mm:,.0f}")
    items += dimension((16.0, 10.4), (16.0, 24.0), away_mm=0.0, text="throat")
    return Scene(
        tuple(items), title="The rig",
        notes=(
            f"Free wire at least {wire_mm:,.0f} mm. The throat reaches the middle of a sheet from"
            f" either side: {throat_mm:,.0f} mm; for strips cut first, the width of a strip. The"
            " wire stands upright for outlines and lies level for slices, tops and troughs. Check"
            " it with a square against the table each time it is turned.",
        ),
    )  # fmt: skip


def _honeycomb(flats_mm: float, guides: Guides) -> Scene:
    """Draw how blocks are marked out from a corner of a sheet."""
    kerf_mm, margin_mm = guides.foam.kerf_mm, guides.foam.margin_mm
    pitch_mm = flats_mm + kerf_mm
    row_mm = math.sqrt(3.0) / 2.0 * pitch_mm
    angle = np.deg2rad(np.arange(30.0, 390.0, 60.0))
    hexagon = 10.0 / math.sqrt(3.0) * np.column_stack([np.cos(angle), np.sin(angle)])
    items: list[Item] = [Lines(np.array([[0.0, 32.0], [0.0, 0.0], [60.0, 0.0]]), Style(INK, 0.4))]
    middle: list[tuple[float, float]] = []
    for row in range(3):
        for column in range(4):
            at = (7.5 + 10.8 * (column + 0.5 * (row % 2)), 8.5 + 9.35 * row)
            middle.append(at)
            items.append(Lines(hexagon + at, _FOAM, "closed"))
    items += dimension(middle[0], middle[1], away_mm=0.0, text=f"{pitch_mm:g}")
    items += dimension((56.0, middle[0][1]), (56.0, middle[4][1]), away_mm=-3.0,
                       text=f"{row_mm:.2f}")  # fmt: skip
    return Scene(
        tuple(items), title="From the sheet to blocks",
        notes=(
            f"Start in a corner, {margin_mm:g} mm from both edges. Middles are {pitch_mm:g} mm"
            f" apart in a row, rows {row_mm:.2f} mm, every second row shifted by half: a kerf of"
            f" {kerf_mm:g} mm lies between neighbours, and one pass along it frees both. The sheet"
            " layouts show which way the rows run. Cut the sheet into strips along the zigzag"
            " between two rows first if the throat is short.",
        ),
    )  # fmt: skip


def _blank(guides: Guides) -> Scene:
    """Draw a block between the two guides of its outline, from the front."""
    items: list[Item] = [
        _box(10.0, 3.0, 40.0, 14.0), _box(9.4, 17.0, 41.2, 2.0, _GUIDE),
        _box(9.4, 1.0, 41.2, 2.0, _GUIDE),
        Lines(np.array([[52.0, -3.0], [52.0, 25.0]]), Style(INK, 0.4)),
        Lines(np.array([[20.0, 22.0], [20.0, 9.0]]), Style(INK, 0.3)),
        Lines(np.array([[40.0, 22.0], [40.0, 9.0]]), Style(INK, 0.3)),
        _note(25.0, 9.0, "block"), _note(53.5, 20.0, "wire"), _note(14.0, 23.0, "pins"),
    ]  # fmt: skip
    return Scene(
        tuple(items), title="A block between two guides",
        notes=(
            "Pin one footprint guide on each face, corner numbers above each other, two pins"
            " through each into the foam. Hold the wire upright against both edges and lead it"
            f" round. The guide is {guides.guide_offset_mm:.2f} mm larger all round than the"
            " finished block, as the wire melts that much past itself.",
        ),
    )  # fmt: skip


def _slice(thickness_mm: float, guides: Guides) -> Scene:
    """Draw where the middle of the wire runs for a slice, much enlarged."""
    high, gap = 13.0, 5.0
    middle = high + gap / 2.0
    items: list[Item] = [
        _box(0.0, -2.0, 72.0, 2.0), _box(8.0, 0.0, 36.0, high), _box(8.0, high + gap, 36.0, 10.0),
        _dot(26.0, middle), stroke("hidden", ((4.0, middle), (70.0, middle))),
        _note(18.0, 5.0, "the slice"), _note(14.0, high + gap + 4.0, "rest of the block"),
    ]  # fmt: skip
    items += dimension((8.0, 0.0), (8.0, high), away_mm=4.0, text=f"{thickness_mm:g}")
    wire_mm = thickness_mm + guides.wire_offset_mm
    items += dimension((62.0, 0.0), (62.0, middle), away_mm=-3.0, text=f"{wire_mm:g}")
    return Scene(
        tuple(items), title="Where the wire runs",
        notes=(
            f"The middle of the wire runs half a kerf above a slice: {thickness_mm:g} +"
            f" {guides.foam.kerf_mm:g} / 2 = {wire_mm:g} mm above the table. Set it with two blocks"
            f" of {wire_mm - guides.bench.wire_mm / 2.0:g} mm under its ends: half the wire,"
            f" {guides.bench.wire_mm / 2.0:g} mm, is above them. The first slice keeps the skin of"
            " the sheet; after it the block lies on its fresh cut.",
        ),
    )  # fmt: skip


def _test_cut(guides: Guides) -> Scene:
    """Draw five slices of a block, and what their kerfs took."""
    kerf_mm = guides.foam.kerf_mm
    items: list[Item] = [_box(0.0, 4.6 * number, 30.0, 3.6) for number in range(5)]
    items.append(_box(0.0, 23.0, 30.0, 6.0))
    items += [
        _note(32.0, 10.0, "S: five slices, pressed together"),
        _note(32.0, 25.0, "R: the rest"),
    ]
    slices_mm, rest_mm = 37.5, 12.5 - 5.0 * kerf_mm
    return Scene(
        tuple(items), title="A test cut measures the kerf",
        notes=(
            "Measure a block, B; cut five slices at one setting; measure the slices together, S,"
            " and the rest, R. The kerf is (B - S - R) / 5. With B = 50.0,"
            f" S = {slices_mm:.1f} and R = {rest_mm:.1f} it is {kerf_mm:g} mm, which this book"
            " assumes. Enter yours as foam.kerf_mm in the brief and write the book again; repeat"
            " the test when wire, heat or foam change.",
        ),
    )  # fmt: skip


def _between(solid: Solid) -> Scene:
    """Draw a blank between its two profile guides, from above."""
    scale = 27.0 / solid.across_flats_mm
    direction = uphill(solid)
    turn = np.array([[direction[0], -direction[1]], [direction[1], direction[0]]])
    corner = solid.corner_mm() @ turn * scale
    half_long, half_wide = corner.max(axis=0).tolist()
    reach = half_long + 6.0
    play = 1.2
    items: list[Item] = [Lines(corner, _FOAM, "closed")]
    items += [stroke("fold", crease[:, :2] @ turn * scale) for crease in solid.creases_mm]
    for low in (-half_wide - play - 2.0, half_wide + play):
        items.append(_box(-reach, low, 2.0 * reach, 2.0, _GUIDE))
    items.append(_box(-half_long - 3.0, -8.0, 2.6, 16.0, _GUIDE))
    wire = half_wide + 8.0
    items.append(Lines(np.array([[4.0, -wire], [4.0, wire]]), Style(INK, 0.4)))
    for number, (x, y) in enumerate((0.82 * corner).tolist()):
        items.append(Text((x, y - 0.9), _WORDS_MM, str(number), "middle"))
    space_mm = float(np.ptp(corner[:, 1])) / scale + 2.0 * _PLAY_MM
    at = reach + 2.0
    items += dimension((at, -half_wide - play), (at, half_wide + play), away_mm=-2.0,
                       text=f"{space_mm:.1f}")  # fmt: skip
    items += [_note(5.0, wire - 2.5, "wire"), _note(-half_long - 9.0, 9.5, "stop"),
              _note(-6.0, -wire - 1.0, "front")]  # fmt: skip
    return Scene(
        tuple(items), title="A top between two guides, from above",
        notes=(
            f"The guides stand {space_mm:.1f} mm apart, the tile with {_PLAY_MM:g} mm of play on"
            " either side, upright: glue each to a block, check it with a square, and screw both"
            " down so that their ends are level with each other. The low end is at the left for"
            " both. Mark the numbers of the plan on the blank, counter-clockwise from above, and"
            " lay it so that they agree, its low side against the stop.",
        ),
    )  # fmt: skip


def _profile(solid: Solid, guides: Guides) -> Scene:
    """Draw a guide from the front with the wire on its fold."""
    profile = profile_mm(solid)
    scale = 46.0 / float(np.ptp(profile[:, 0]))
    top = profile * (scale, 1.0)
    out = 7.0
    edge = [(top[0, 0] - out, top[0, 1]), *top.tolist(), (top[-1, 0] + out, top[-1, 1])]
    outline = np.array([(edge[0][0], 0.0), *edge, (edge[-1][0], 0.0)])
    items: list[Item] = [Lines(outline, _GUIDE, "closed")]
    items += [_dot(float(x), float(y) + 0.9) for x, y in (edge[0], *top[1:-1].tolist(), edge[-1])]
    run_out_mm = guides.bench.run_out_mm
    items += dimension(
        (float(edge[0][0]), float(edge[0][1]) + 2.0), (float(top[0, 0]), float(top[0, 1]) + 2.0),
        away_mm=3.0, text=f"end {run_out_mm:g}",
    )  # fmt: skip
    return Scene(
        tuple(items), title="Along a guide, from the front",
        notes=(
            f"Start with the wire on the level ends, {run_out_mm:g} mm outside the tile, wait until"
            " it is hot, and slide it along both guides at once: at a fold it reaches the bend of"
            " both at the same time. Run off over the far ends before you stop. The wire lies on"
            f" the guides; the top comes out {guides.guide_offset_mm:.2f} mm below their edge.",
        ),
    )  # fmt: skip


# Worked examples ---------------------------------------------------------------------------------


def _examples(
    estimate: Estimate, made: Sequence[tuple[Piece, Solid]], guides: Guides
) -> Iterator[tuple[str, list[str]]]:
    """Yield a title and the steps for one piece of each kind that the board has."""
    tiles = [(piece, solid) for piece, solid in made if piece.kind == "tile"]
    dry = [(p, s) for p, s in tiles if not p.crossing and not p.road and any(s.rises)]
    for name, is_whole in (("A ramp", True), ("A half", False)):
        for piece, solid in dry:
            is_half = piece.part.endswith("half")
            if (piece.part == "whole") if is_whole else is_half:
                steps = [*_blank_steps(estimate, piece), *_top_steps(piece, solid)]
                yield f"{name}: {piece.name}", steps
                break
    for piece, solid in sorted(tiles, key=lambda made: not made[0].crossing):
        course = piece_course(piece)
        if course is not None:
            grooves = schedule_grooves(estimate.foam.pieces, guides)
            set_up = channel_set_up(solid, course, grooves)
            steps = _blank_steps(estimate, piece)
            steps += _top_steps(piece, solid) if any(solid.rises) else []
            yield f"A channel: {piece.name}", [*steps, *_channel_steps(set_up)]
            break
    for kind in ("spacer", "footing"):
        for piece, _ in made:
            if piece.kind == kind and piece.part == "whole":
                steps = _blank_steps(estimate, piece)
                if piece.name.startswith("keyed"):
                    steps += _groove_steps(estimate)
                yield f"A {kind}: {piece.name}", steps
                break


def _blank_steps(estimate: Estimate, piece: Piece) -> list[str]:
    """Say how the blank of a piece comes off its sheet."""
    foam = estimate.foam
    layers = foam.layers_of[piece.thickness_mm]
    stock_mm = layers[0].stock_mm
    steps = [
        f"Mark blocks out on a {stock_mm:g} mm sheet as its layout shows.",
        f'Pin the two guides "Footprint: {piece.part}" on a block and cut round it, wire upright.',
    ]
    for layer in dict.fromkeys(layers):
        if layer.is_sliced:
            wire_mm = layer.thickness_mm + foam.stock.kerf_mm / 2.0
            n_slices = counted(layer.n_slices, "slice")
            spare_mm = stock_mm - layer.n_slices * (layer.thickness_mm + foam.stock.kerf_mm)
            steps.append(
                f"Lay the block flat, set the middle of the wire {wire_mm:g} mm above the table,"
                f" and cut {n_slices} of {layer.thickness_mm:g} mm; {spare_mm:g} mm of a true sheet"
                " are left over."
            )
    if len(layers) > 1:
        steps.append(f"Glue {len(layers)} layers to {piece.thickness_mm:g} mm and let them dry.")
    return steps


def _top_steps(piece: Piece, solid: Solid) -> list[str]:
    """Say how a sloping top is cut."""
    steps = [
        f'Mount the two guides of "Profile: {piece.pattern}" with its plan between them.',
    ]
    if piece.part == "whole":
        steps.append(
            "Number the blank's corners counter-clockwise and lay it on the plan, 0 on 0; any"
            " corner may be 0, as the blank is plain."
        )
    else:
        steps.append(
            f"Find the small plan of the {piece.part}, turned {piece.turn}, beside it: lay"
            " the blank over the grey part of the hexagon, its cut edge against a stop pinned along"
            " that line."
        )
    low_mm, high_mm = solid.base_mm, solid.height_mm
    steps.append(
        "Slide the wire along both guides from end to end. Check the corners:"
        f" {low_mm:g} mm where no number is raised, {high_mm:g} mm where it is."
    )
    return steps


def _channel_steps(set_up: str) -> list[str]:
    """Say how a channel is cut."""
    steps = ["Lay the plan of the channel on the top by its corner numbers and mark both banks."]
    if set_up.startswith("trough"):
        return [
            *steps,
            f'Pin the "{set_up}" to the two side faces, feet on the table, each with its middle'
            " line on the middle of its port.",
            "Lay the wire along the channel on both guides: down one bank, over the bed, up the"
            " other. Lift out the strip.",
        ]
    return [
        *steps,
        f'Bend the "{set_up}" to its drawing and mark its depth on it.',
        "Draw it from port to port along the middle line at that depth, upright; widen where the"
        " banks are farther apart. A knife along both banks and a rasp for the bed do the same.",
    ]


def _groove_steps(estimate: Estimate) -> list[str]:
    """Say how a footing gets its groove."""
    settings = estimate.base.settings
    return [
        'Mount the pair "Groove of keyed footings" and lay the block upside down between them, the'
        " middle line of its groove, as drawn for its kind, on the bottom of the V.",
        f"Lead the wire down one face of the V and up the other: {settings.groove_mm:g} mm deep. A"
        " second groove crosses the first; turn the block to it.",
        f"Try it on a rail: {settings.play_mm:g} mm of play is left above the rail.",
    ]
