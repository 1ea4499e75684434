"""Ways + Watercourses -> Ways: the stretches of a map's rivers that carry water on the board.

`watercourses_from_lines` leaves out loops, ends that would run in a circle, and what a cell has no
room for. Names, banks and the map go by what is left.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hexterra.stages.mapping.mapped_rivers import Direction, downstream
from hexterra.stages.mapping.way import Way
from hexterra.stages.mapping.ways import Ways, WaysBuilder
from hexterra.stages.water.flow import Watercourses


def carried_rivers(rivers: Ways, water: Watercourses, *, direction: Direction = "line") -> Ways:
    """Keep of each river the stretches along which water runs downstream.

    Parameters
    ----------
    rivers
        Rivers of a map, on the lattice of `water`.
    water
        What became of them and of the computed watercourses.
    direction
        Which end of a line is downstream, as for `watercourses_from_lines`.

    Returns
    -------
    Ways
        Water runs along each way, from its first cell to its last; a way of one cell lies in a
        watercourse. A named river of which nothing is left is noted.
    """
    carried = WaysBuilder(rivers.lattice, rivers.kinds)
    for way in rivers.ways:
        for part in _stretches(downstream(way, water.heights, direction), water):
            carried.add(part)
    lost = {way.title for way in rivers.ways if way.name} - {way.title for way in carried.ways}
    notes = [
        f"No water runs along the {title} on the board; its name is left out." for title in lost
    ]
    carried.notes += [*rivers.notes, *sorted(notes)]
    return carried.finish()


def _stretches(way: Way, water: Watercourses) -> Iterator[Way]:
    if len(way.cells) == 1:
        if water.is_watercourse[way.cells[0]]:
            yield way
        return
    runs = water.outflow[way.cells[:-1]] == way.sides
    ends = np.flatnonzero(np.diff(np.concatenate(([False], runs, [False]))))
    for begin, end in ends.reshape(-1, 2).tolist():
        yield way.part(begin, end)
