"""Board -> Base: what the stacks stand on and what holds them together.

The base covers the board, and the frame around it if there is one, and comes apart into panels
for storage and transport. What holds the outermost stacks is either a *rail* along each edge, a
three-cornered batten on the base that the V-groove of keyed footings sits on, or a *frame* of bars
around the board. Plain footings stand on the base by themselves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from hexterra.brief.bench_sections import BaseBrief
from hexterra.lattice.board import Board
from hexterra.lattice.hexagon import side_length
from hexterra.ranges import check_range
from hexterra.stages.schedule.pieces import FOOTINGS
from hexterra.stages.schedule.schedule import Schedule
from hexterra.values import Value

Edge = Literal["front", "back", "left", "right"]
EDGES: Final[tuple[Edge, ...]] = ("front", "back", "left", "right")


@dataclass(frozen=True, eq=False)
class Panel(Value):
    """A rectangle of the base.

    Parameters
    ----------
    name
        Column and row among the panels, from the front left, as "panel 1-2".
    x_mm, y_mm
        Its front left corner, from that of the board.
    width_mm, depth_mm
        Along the front edge and away from it.
    """

    name: str
    x_mm: float
    y_mm: float
    width_mm: float
    depth_mm: float


@dataclass(frozen=True, eq=False)
class Bar(Value):
    """A bar of the frame.

    Parameters
    ----------
    edge
        Where it lies. Front and back bars run over the ends of the others.
    length_mm, width_mm, height_mm
        Its size.
    """

    edge: Edge
    length_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True, eq=False)
class Rail(Value):
    """A batten on the base, under the keyed footings of one edge of the board.

    Parameters
    ----------
    edge
        Which edge.
    inset_mm
        From the edge to its middle line.
    length_mm
        Along the edge.
    """

    edge: Edge
    inset_mm: float
    length_mm: float


@dataclass(frozen=True, eq=False)
class Base(Value):
    """What a board stands on.

    Parameters
    ----------
    pieces
        The board.
    settings
        How it is made: as asked, with a groove that fits the hexagons.
    panels
        From the front left, row by row.
    bars
        The frame; empty without one.
    rails
        Under keyed footings; empty without any.
    notes
        What to note, in sentences.
    """

    pieces: Schedule
    settings: BaseBrief
    panels: tuple[Panel, ...]
    bars: tuple[Bar, ...]
    rails: tuple[Rail, ...]
    notes: tuple[str, ...] = ()

    @cached_property
    def size_mm(self) -> tuple[float, float]:
        """Width and depth of the base, frame included."""
        around_mm = 2.0 * _around_mm(self.settings)
        width_mm, depth_mm = self.pieces.board.size_mm
        return width_mm + around_mm, depth_mm + around_mm

    @property
    def rail_mm(self) -> float:
        """Height of a rail, and half its width: both its faces stand at 45 degrees."""
        return self.settings.groove_mm - self.settings.play_mm

    @property
    def area_mm2(self) -> float:
        """Area of the panels."""
        return math.fsum(panel.width_mm * panel.depth_mm for panel in self.panels)


def base(pieces: Schedule, settings: BaseBrief | None = None) -> Base:
    """Divide the base of a board into panels, and size its frame and rails.

    Panels are as few as fit their largest size, laid one way or the other in equal rows and
    columns; of equally few, those with the shortest joints between them, then those with their
    length along the front edge.

    Parameters
    ----------
    pieces
        The board's schedule.
    settings
        ``BaseBrief()`` by default.

    Returns
    -------
    Base
        Its panels cover board and frame exactly, without overlap.

    Raises
    ------
    BriefError
        If the groove of keyed footings would not fit the part tiles along the edges.
    """
    board = pieces.board
    settings = _fitting(settings or BaseBrief(), board)
    around_mm = _around_mm(settings)
    width_mm, depth_mm = (size + 2.0 * around_mm for size in board.size_mm)
    is_keyed = pieces.footing == FOOTINGS.index("keyed")
    rails = _rails(board, settings) if is_keyed.any() else ()
    notes: tuple[str, ...] = ()
    off_rail = is_keyed & ~_on_rails(board, rails, settings)
    if off_rail.any():
        names = ", ".join(board.labels[cell] for cell in np.flatnonzero(off_rail)[:12])
        notes = (
            f"{int(off_rail.sum())} keyed footings lie on no straight rail ({names}); leave them"
            " plain, or pin them to the base.",
        )
    if not is_keyed.any() and not settings.frame_width_mm:
        notes = (
            "Nothing holds the outermost stacks: key the footings along the rim, or give the frame"
            " a width.",
        )
    return Base(
        pieces=pieces,
        settings=settings,
        panels=_panels(width_mm, depth_mm, around_mm, settings),
        bars=_bars(board, settings),
        rails=rails,
        notes=notes,
    )


def _fitting(settings: BaseBrief, board: Board) -> BaseBrief:
    """Make the groove of keyed footings shallower on small hexagons, unless its depth is asked."""
    most_mm = math.floor(2.0 * _deepest_mm(board)) / 2.0
    if "groove_mm" in settings.model_fields_set or most_mm >= settings.groove_mm:
        return settings
    groove_mm = max(most_mm, 1.0)
    play_mm = min(settings.play_mm, groove_mm / 2.0)
    return settings.model_copy(update={"groove_mm": groove_mm, "play_mm": play_mm})


def _deepest_mm(board: Board) -> float:
    """Return how deep grooves may be."""
    return side_length(board.across_flats_mm) / 6.0


def _around_mm(settings: BaseBrief) -> float:
    """Return what lies between the board and the outside of the base."""
    return settings.frame_width_mm + settings.clearance_mm if settings.frame_width_mm else 0.0


def _panels(
    width_mm: float, depth_mm: float, around_mm: float, settings: BaseBrief
) -> tuple[Panel, ...]:
    largest_mm = (settings.panel_length_mm, settings.panel_width_mm)
    choices: list[tuple[int, float, int, int]] = []
    for along, away in (largest_mm, largest_mm[::-1]):
        n_along = math.ceil(width_mm / along - 1e-9)
        n_away = math.ceil(depth_mm / away - 1e-9)
        joints_mm = (n_along - 1) * depth_mm + (n_away - 1) * width_mm
        choices.append((n_along * n_away, joints_mm, n_along, n_away))
    _, _, n_along, n_away = min(choices, key=lambda choice: choice[:2])
    each_width_mm, each_depth_mm = width_mm / n_along, depth_mm / n_away
    return tuple(
        Panel(
            name=f"panel {column + 1}-{row + 1}",
            x_mm=column * each_width_mm - around_mm,
            y_mm=row * each_depth_mm - around_mm,
            width_mm=each_width_mm,
            depth_mm=each_depth_mm,
        )
        for row in range(n_away)
        for column in range(n_along)
    )


def _bars(board: Board, settings: BaseBrief) -> tuple[Bar, ...]:
    if not settings.frame_width_mm:
        return ()
    width_mm, depth_mm = board.size_mm
    inside_mm = depth_mm + 2.0 * settings.clearance_mm
    outside_mm = width_mm + 2.0 * _around_mm(settings)
    section = (settings.frame_width_mm, settings.frame_height_mm)
    return tuple(
        Bar(edge, outside_mm if edge in ("front", "back") else inside_mm, *section)
        for edge in EDGES
    )


def _rails(board: Board, settings: BaseBrief) -> tuple[Rail, ...]:
    """Lay each rail as near the edge as lets it cross every piece along it."""
    width_mm, depth_mm = board.size_mm
    insets_mm = _insets_mm(board, settings.groove_mm)
    return tuple(
        Rail(edge, inset, width_mm if edge in ("front", "back") else depth_mm)
        for edge, inset in zip(EDGES, insets_mm, strict=True)
    )


def _insets_mm(board: Board, groove_mm: float) -> tuple[float, ...]:
    """Return the inset of the rail along each of `EDGES`.

    Where the edge is ragged, that is past the deepest notch; along a straight edge the narrowest
    piece is the side-cut half, which is half a side deep where it meets its neighbours. The groove
    is as far from the notch or the edge as it is deep.
    """
    half_side_mm = side_length(board.across_flats_mm) / 2.0
    check_range("groove_mm", groove_mm, 0.0, _deepest_mm(board), "mm on this board")
    notch_mm = {"front": 0.0, "left": 0.0}
    if board.edges == "whole":
        half_flats_mm = board.across_flats_mm / 2.0
        is_points = board.facing == "points"
        notch_mm = {
            "front": half_side_mm if is_points else half_flats_mm,
            "left": half_flats_mm if is_points else half_side_mm,
        }
    front, left = (notch_mm[edge] + 2.0 * groove_mm for edge in ("front", "left"))
    return front, front, left, left


def _on_rails(board: Board, rails: tuple[Rail, ...], settings: BaseBrief) -> NDArray[np.bool_]:
    """Find the cells that some rail crosses, (n_cells,) bool."""
    on_rail = np.zeros(board.n_cells, dtype=bool)
    corner_mm = board.corner_mm[board.corner_of]
    size_mm = board.size_mm
    for rail in rails:
        axis = 1 if rail.edge in ("front", "back") else 0
        at_mm = rail.inset_mm
        if rail.edge in ("back", "right"):
            at_mm = size_mm[axis] - at_mm
        reach = corner_mm[..., axis]
        low, high = reach.min(axis=1) - 1e-6, reach.max(axis=1) + 1e-6
        on_rail |= (low <= at_mm - settings.groove_mm) & (high >= at_mm + settings.groove_mm)
    return on_rail
