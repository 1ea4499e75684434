"""A brief and the content of every file that it names, each read once and before anything else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from hexterra.brief.brief import Brief
from hexterra.catalogue.catalogue import Catalogue
from hexterra.catalogue.catalogue_file import load_catalogue
from hexterra.inputs.earlier_plans import EarlierPlan, read_earlier
from hexterra.inputs.joints import EDGES
from hexterra.inputs.maps import Maps, read_maps
from hexterra.inputs.open_keys import fill_open_keys
from hexterra.inputs.owned_pieces import OwnedPieces, read_owned
from hexterra.lattice.board import Board
from hexterra.values import Value

if TYPE_CHECKING:
    from collections.abc import Mapping

    from hexterra.place.siting import Site


@dataclass(frozen=True, eq=False, repr=False)
class Inputs(Value):
    """What a plan is made from, beside the elevation.

    Parameters
    ----------
    brief
        What is wanted; keys that it left open and earlier plans have are filled.
    board
        The cells that it asks for.
    catalogue
        What the maker can cut.
    owned
        Pieces the maker owns; None if the brief names no list.
    kept
        The plan whose tiles stay; None if there is none.
    joined
        The plans of the boards that stand against this one, by edge.
    maps
        Lines, areas and land cover around the board.
    assumed
        What was filled, in sentences.
    """

    brief: Brief
    board: Board
    catalogue: Catalogue
    owned: OwnedPieces | None
    kept: EarlierPlan | None
    joined: Mapping[str, EarlierPlan]
    maps: Maps
    assumed: tuple[str, ...]


def read_inputs(
    brief: Brief,
    site: Callable[[Brief], Site],
    *,
    has_maps: bool = True,
    trust_sources: bool = False,
) -> Inputs:
    """Read every file that a brief names.

    Parameters
    ----------
    brief
        What is wanted.
    site
        Finds the board, from the brief with its open keys filled; maps are read around it.
    has_maps
        Whether the maps are wanted; they are not where what they show is known already.
    trust_sources
        Whether the maps may refer to other places; see `read_elevation`.

    Raises
    ------
    HexterraError
        See `read_earlier`, `fill_open_keys`, `load_catalogue`, `read_owned` and `read_maps`.
    """
    kept = None if brief.keep.plan is None else read_earlier(brief.keep.plan)
    folders = {edge: getattr(brief.join, edge) for edge in EDGES}
    joined = {edge: read_earlier(folder) for edge, folder in folders.items() if folder is not None}
    brief, filled = fill_open_keys(brief, kept, joined)
    owned = None if brief.stock.owned is None else read_owned(brief.stock.owned)
    catalogue = load_catalogue(brief.catalogue)
    found = site(brief)
    return Inputs(
        brief=brief,
        board=found.board,
        catalogue=catalogue,
        owned=owned,
        kept=kept,
        joined=MappingProxyType(joined),
        maps=read_maps(brief, found.board, trust_sources=trust_sources) if has_maps else Maps(),
        assumed=(*filled, *found.assumed),
    )
