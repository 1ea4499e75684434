"""A first board is a weekend's work on any ground."""

from __future__ import annotations

import pytest

from hexterra.brief.brief import Brief
from hexterra.brief.first_board import FIRST_BOARD
from hexterra.elevation.invention import invent
from hexterra.plan.pipeline import make_plan
from hexterra.workshop.estimate.estimate import estimate
from hexterra.workshop.sheets.foam import foam
from hexterra.workshop.solids.base import base
from tests.command_line import run


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_first_board_is_a_weekend(seed: int) -> None:
    """It takes 14 hours at most, 30 kinds of pieces, no part tiles and no footings."""
    brief = Brief.model_validate(FIRST_BOARD)
    pieces = make_plan(invent(seed, rows=200, columns=240), brief).pieces
    result = estimate(foam(pieces, brief.foam), base=base(pieces, brief.base), bench=brief.bench)
    assert result.hours <= 14.0
    assert len(pieces.pieces) <= 30
    assert {piece.part for piece in pieces.pieces} == {"whole"}
    assert "footing" not in {piece.kind for piece in pieces.pieces}


def test_inspect_offers_a_command_that_sets_it() -> None:
    """Every key of the starting point is in the command, ready for a shell."""
    output = run("inspect", "sample_data/imbleth.tif").output
    assert "A first board, about a weekend at the bench:" in output
    for section, keys in FIRST_BOARD.items():
        for key, value in keys.items():
            assert f"{section}.{key}={value}" in output
