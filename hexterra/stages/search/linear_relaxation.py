"""The messages that prove the most: the dual values of the linear relaxation.

Part of `refine`. Passing messages raises the bound until no cell can raise it by itself, which may
be well below the best bound that messages can prove. If few labels are left, a linear program finds
that.
"""

from __future__ import annotations

from hexterra.stages.search.bounds import Search
from hexterra.stages.search.exact_search import Program, State, add_pairs, options_of, pair_states


def relax(search: Search, time_limit_s: float | None) -> None:
    """Set the best messages for the labels that are left, if they are found in time.

    In the relaxation a cell may take shares of labels, and both cells of a side must agree on the
    shares of its pairs of states. The dual values of these constraints are messages, and of all
    messages they prove the most (Werner, IEEE Transactions on Pattern Analysis and Machine
    Intelligence 29(7), 2007). The last sweep is up afterwards.
    """
    choices, field = search.choices, search.field
    lattice = choices.tiles.lattice
    program = Program()
    options = options_of(search)
    for labels in options:
        for option in labels:
            option.column = program.add_column(option.price, is_whole=False)
        program.add_row(dict.fromkeys([option.column for option in labels], 1.0), 1.0, 1.0)
    rows: list[tuple[int, int, State, int]] = []
    for cell, side in lattice.seams.tolist():
        other = int(lattice.neighbours[cell, side])
        back = int(lattice.back_sides[cell, side])
        of_mine, of_theirs = add_pairs(program, *pair_states(choices, options, cell, side))
        rows += [(cell, side, state, row) for state, row in of_mine.items()]
        rows += [(other, back, (b, a), row) for (a, b), row in of_theirs.items()]
    dual = program.relax(time_limit_s)
    if dual is None:
        return
    for cell, side, (first, second), row in rows:
        field.messages.value[field.place_of(cell, side, first, second)] = dual[row]
    search.passing.restart()
    search.round()
