"""Owned pieces, campaigns and what-ifs: against the schedule, by hand, and against no stock."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hexterra.errors import BriefError, CatalogueError
from hexterra.inputs.owned_pieces import tile_kind
from hexterra.stages.schedule.schedule import schedule
from hexterra.stages.search.prices import Prices
from hexterra.stages.search.refine import refine
from hexterra.stages.search.stock_prices import count_tile_kinds
from hexterra.stages.tiles.fit import Tiles
from hexterra.stages.tiles.tile_kinds import TileKind
from hexterra.stages.variants.edit_cell import edit_cell
from hexterra.stages.variants.share_pieces import share_pieces
from tests.board_laws import SOLVER, check_built, check_sums
from tests.invented_boards import SMALL, invented_board


def scheduled(tiles: Tiles) -> Counter[TileKind]:
    """Count the tiles of a board as its schedule does."""
    counts: Counter[TileKind] = Counter()
    for piece in schedule(tiles).pieces:
        if piece.kind == "tile":
            counts[tile_kind(piece)] += piece.count
    return counts


def too_many(tiles: Tiles, stock: Any) -> int:
    """Count the tiles of a board that a stock does not hold."""
    return (count_tile_kinds(tiles) - Counter(stock)).total()


@pytest.mark.parametrize("facing", ["points", "flats"])
@pytest.mark.parametrize("edges", ["straight", "whole"])
def test_kinds_are_those_of_the_schedule(facing: str, edges: str) -> None:
    """Kinds of tile and their counts are the pieces of the schedule, cut tiles and water too."""
    for seed in range(4):
        tiles = invented_board(seed, 9, 7, facing=facing, edges=edges, is_rough=seed % 2 == 1)
        assert count_tile_kinds(tiles) == scheduled(tiles)


@settings(derandomize=True, deadline=None, max_examples=8)
@given(seed=st.integers(0, 1000), is_rough=st.booleans(), price=st.sampled_from([0.2, 1.0, 5.0]))
def test_stock_never_makes_a_board_dearer(seed: int, is_rough: bool, price: float) -> None:
    """By the same prices the board with stock costs no more than the one found without."""
    tiles = invented_board(seed, 7, 6, is_rough=is_rough)
    prices = Prices(new_piece=price)
    stock = count_tile_kinds(invented_board(seed + 1, 7, 6, is_rough=is_rough))
    blind = refine(tiles, prices=prices)
    refined = refine(tiles, prices=prices, stock=stock)
    check_built(refined.tiles)
    check_sums(replace(refined, start_cost=np.inf))
    assert refined.cost <= blind.cost + price * too_many(blind.tiles, stock) + 1e-9
    assert refined.bound >= 0.0
    use = refined.stock
    assert use is not None
    assert use.n_to_cut == too_many(refined.tiles, stock)
    assert Counter(dict(use.used)) + Counter(dict(use.to_cut)) == count_tile_kinds(refined.tiles)
    assert Counter(dict(use.used)) + Counter(dict(use.unused)) == stock


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_bound_with_stock_holds(seed: int) -> None:
    """The bound found by prices of kinds is not above the optimum that the exact search proves."""
    tiles = invented_board(seed, 6, 4, catalogue=SMALL)
    stock = count_tile_kinds(invented_board(seed + 50, 6, 4, catalogue=SMALL))
    bounded = refine(tiles, stock=stock)
    proven = refine(tiles, stock=stock, effort="proven")
    assert proven.gap <= SOLVER
    assert bounded.bound <= proven.cost <= bounded.cost + 1e-9


def test_the_right_stock_costs_nothing() -> None:
    """With exactly the pieces of the best board in stock nothing is cut and nothing is left."""
    tiles = invented_board(4)
    blind = refine(tiles, effort="proven")
    refined = refine(tiles, stock=count_tile_kinds(blind.tiles))
    use = refined.stock
    assert use is not None
    assert (use.to_cut, use.unused) == ((), ())
    assert refined.cost == pytest.approx(blind.cost, rel=5e-3)


def test_a_mismatched_stock_is_used() -> None:
    """With another dry board's pieces in stock, most of what would have to be cut need not be."""
    tiles = invented_board(5, 20, 14, water=False)
    stock = count_tile_kinds(refine(invented_board(77, 20, 14, water=False)).tiles)
    blind = too_many(refine(tiles).tiles, stock)
    use = refine(tiles, prices=Prices(new_piece=2.0), stock=stock).stock
    assert use is not None
    assert use.n_to_cut <= 0.2 * blind


def test_boards_share_their_pieces() -> None:
    """The common set of three boards is a third smaller than the three apart, and builds each."""
    boards = [invented_board(seed, 8, 7) for seed in (1, 2, 3)]
    campaign = share_pieces(boards)
    common = Counter(dict(campaign.pieces))
    assert campaign.n_apart == 3 * 56
    assert campaign.n_pieces <= 0.7 * campaign.n_apart
    assert campaign.n_pieces < campaign.n_before
    for board in campaign.boards:
        check_built(board.tiles)
        assert count_tile_kinds(board.tiles) <= common
    most = [max(count_tile_kinds(b.tiles)[kind] for b in campaign.boards) for kind in common]
    assert most == list(common.values())


def test_one_board_needs_its_own_pieces() -> None:
    """A campaign of one board is that board."""
    tiles = invented_board(6, 6, 5)
    campaign = share_pieces([tiles])
    assert campaign.n_pieces == campaign.n_apart == campaign.n_before == 30
    assert campaign.boards[0].same_as(refine(tiles))


def test_a_campaign_has_boards() -> None:
    """No board is no campaign."""
    with pytest.raises(BriefError, match="no boards"):
        share_pieces([])


def test_editing_a_cell_tells_its_cost() -> None:
    """A flat tile raised by a step opens faces, and costs them and the ground that it leaves."""
    tiles = refine(invented_board(7, water=False)).tiles
    cell = int(np.flatnonzero((tiles.pattern == 0) & (tiles.level == 1))[0])
    edited = edit_cell(tiles, cell, level=2, pattern="flat", turn=0, prices=Prices())
    assert edited.tiles.level[cell] == 2
    assert set(edited.faces) == set(np.flatnonzero(tiles.lattice.neighbours[cell] >= 0))
    n_faces = len(edited.faces)
    assert dict(edited.breakdown)["step faces"] == pytest.approx(4.0 * n_faces)
    assert edited.cost - edited.cost_before > 4.0 * n_faces - 2.0
    same = edit_cell(tiles, cell, level=1, pattern="flat", turn=0, prices=Prices())
    assert same.cost == pytest.approx(same.cost_before)
    assert (same.tiles.corners == tiles.corners).all()


@pytest.mark.parametrize(
    ("wrong", "error", "words"),
    [
        ({"cell": 64}, BriefError, "cell 64 does not exist"),
        ({"pattern": "tower"}, CatalogueError, "no pattern 'tower'"),
        ({"level": 99}, BriefError, "is not allowed in"),
        ({"turn": 6}, BriefError, "turn is 6"),
        ({"turn": 1.5}, BriefError, "turn is 1.5"),
    ],
)
def test_edits_that_cannot_be_are_refused(wrong: dict[str, Any], error: Any, words: str) -> None:
    """Unknown cells and patterns, and tiles out of bounds, are named."""
    given_: dict[str, Any] = {"cell": 9, "level": 1, "pattern": "flat", "turn": 0} | wrong
    cell = given_.pop("cell")
    with pytest.raises(error, match=words):
        edit_cell(invented_board(8), cell, **given_, prices=Prices())
