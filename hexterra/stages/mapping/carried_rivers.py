"""Ways + Watercourses -> Ways: the stretches of a map's rivers that carry water on the board.

`watercourses_from_lines` leaves out loops, ends that would run in a circle, and what a cell has no
room for. Names, banks and the map go by what is left.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from hexterra.stages.mapping.way import Way
from hexterra.stages.mapping.ways import Ways, shapes
from hexterra.stages.water.flow import Watercourses


def carried_rivers(rivers: Ways, water: Watercourses) -> Ways:
    """Keep of each river the stretches along which water runs.

    Parameters
    ----------
    rivers
        Rivers of a map, on the lattice of `water`.
    water
        What became of them and of the computed watercourses.

    Returns
    -------
    Ways
        Each step of each way crosses a port of `water`; a way of one cell lies in a watercourse.
        A named river of which nothing is left is noted.
    """
    kept = tuple(part for way in rivers.ways for part in _stretches(way, water))
    lost = {way.title for way in rivers.ways if way.name} - {way.title for way in kept}
    notes = [f"The {title} carries no water on the board; its name is left out." for title in lost]
    ports = rivers.ports & water.ports
    return replace(
        rivers,
        ways=kept,
        ports=ports,
        shape=shapes(np.asarray(ports.any(axis=0))),
        leaves=rivers.leaves & water.is_watercourse,
        notes=(*rivers.notes, *sorted(notes)),
    )


def _stretches(way: Way, water: Watercourses) -> Iterator[Way]:
    if len(way.cells) == 1:
        if water.is_watercourse[way.cells[0]]:
            yield way
        return
    runs = water.ports[way.cells[:-1], way.sides]
    ends = np.flatnonzero(np.diff(np.concatenate(([False], runs, [False]))))
    for begin, end in ends.reshape(-1, 2).tolist():
        yield way.part(begin, end)
