"""Rivers of a map where water runs along them: worked by hand."""

from __future__ import annotations

import numpy as np
import shapely

from hexterra.stages.mapping.carried_rivers import carried_rivers
from hexterra.stages.mapping.ways import Ways, ways
from hexterra.stages.water.flow import WaterKind
from tests.drawn_rivers import drawn, rivers, slope
from tests.map_lines import features, names


def beds(carried: Ways) -> dict[str, list[str]]:
    """Give the cells of each stretch by the name of its river."""
    found: dict[str, list[str]] = {}
    for way in carried.ways:
        found.setdefault(way.name, []).append(names(carried.lattice, way.cells.tolist()))
    return found


def test_rivers_that_share_a_bed_are_named_if_they_run_the_same_way() -> None:
    """The ground falls to the right: Elm runs with Ash, Oak is drawn against it."""
    heights = slope()
    lines = rivers(heights, ("A3", "G3"), ("B3", "F3"), ("F3", "C3"), titles=("Ash", "Elm", "Oak"))
    carried = carried_rivers(lines, drawn(heights, lines))
    assert beds(carried) == {"Ash": ["A3 B3 C3 D3 E3 F3 G3"], "Elm": ["B3 C3 D3 E3 F3"]}
    [note] = carried.notes
    assert note == "No water runs along the river 'Oak' on the board; its name is left out."


def test_a_brook_that_runs_against_a_loop_is_not_the_river() -> None:
    """From A2 to E2, round to B4 and by A3 back to B2; every cell has a brook to the right.

    The river is cut where it comes back to, in B2. Its name is left to the brooks that run as it
    was drawn: from B2 to E2 and, to the right again, from A3 to B2; not to those from B4 to E4.
    """
    heights = slope()
    lines = rivers(heights, ("A2", "E2", "E4", "B4", "B2"), titles=("Ash",))
    water = drawn(heights, lines, 1.0)
    labels = heights.lattice.labels
    assert water.receiver[labels.index("C4")] == labels.index("D4")
    carried = carried_rivers(lines, water)
    assert beds(carried) == {"Ash": ["A2 B2 C2 D2 E2", "A3 B2"]}
    has_port = np.flatnonzero(carried.any_ports.any(axis=1)).tolist()
    assert names(heights.lattice, has_port) == "A2 B2 C2 D2 E2 A3"


def test_a_river_drawn_uphill_is_turned() -> None:
    """By height its cells run downstream, and where it left the board it comes in."""
    heights = slope()
    lattice = heights.lattice
    low, high = (lattice.centre_xy[lattice.labels.index(name)] for name in ("D3", "A3"))
    line = shapely.LineString([low, high, high - (1e5, 0.0)])
    lines = ways(features([line], lattice, kinds=["river"], names=["Ash"]), lattice)
    water = drawn(heights, lines, direction="height")
    assert water.kind[lattice.labels.index("A3")] == WaterKind.ENTRY
    carried = carried_rivers(lines, water, direction="height")
    assert beds(carried) == {"Ash": ["A3 B3 C3 D3"]}
    assert [(way.from_edge, way.to_edge) for way in carried.ways] == [(True, False)]
    np.testing.assert_array_equal(
        lattice.neighbours[carried.ways[0].cells[:-1], carried.ways[0].sides],
        carried.ways[0].cells[1:],
    )
