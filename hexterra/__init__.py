"""hexterra: elevation in, buildable hexagonal foam terrain out.

>>> import hexterra as hx
>>> plan = hx.make_plan(hx.read_elevation("ground.tif"), hx.Brief())  # doctest: +SKIP
>>> plan.tiles, plan.schedule  # doctest: +SKIP

The names below are the whole public interface; each is loaded when it is first used.
"""

from __future__ import annotations

import importlib
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from hexterra.brief import Brief as Brief
    from hexterra.brief import read_brief as read_brief
    from hexterra.brief import starter_brief as starter_brief
    from hexterra.catalogue.catalogue import Catalogue as Catalogue
    from hexterra.catalogue.reading import load_catalogue as load_catalogue
    from hexterra.comparison import compare as compare
    from hexterra.elevation import Elevation as Elevation
    from hexterra.elevation import read_elevation as read_elevation
    from hexterra.elevation import write_elevation as write_elevation
    from hexterra.errors import HexterraError as HexterraError
    from hexterra.invention import invent as invent
    from hexterra.lattice.board import Board as Board
    from hexterra.lattice.globe import Globe as Globe
    from hexterra.outputs import write_plan as write_plan
    from hexterra.outputs.campaign_folder import write_campaign as write_campaign
    from hexterra.outputs.hydrography import write_hydrography as write_hydrography
    from hexterra.outputs.reopening import read_plan as read_plan
    from hexterra.plan import Plan as Plan
    from hexterra.plan import make_plan as make_plan
    from hexterra.plan import plan_heights as plan_heights
    from hexterra.proposal import propose as propose
    from hexterra.proposal import survey as survey
    from hexterra.revising import edit_plan as edit_plan
    from hexterra.revising import recut_plan as recut_plan
    from hexterra.sharing import share_plans as share_plans
    from hexterra.siting import site_board as site_board
    from hexterra.stages.campaign import share_pieces as share_pieces
    from hexterra.stages.cliffs import mark_cliffs as mark_cliffs
    from hexterra.stages.cover import cover as cover
    from hexterra.stages.drain import drain as drain
    from hexterra.stages.fit import fit as fit
    from hexterra.stages.flow import flow as flow
    from hexterra.stages.gather import gather as gather
    from hexterra.stages.lakes import lakes as lakes
    from hexterra.stages.legalise import legalise as legalise
    from hexterra.stages.quantise import quantise as quantise
    from hexterra.stages.refine import refine as refine
    from hexterra.stages.route import route as route
    from hexterra.stages.schedule import schedule as schedule
    from hexterra.stages.streams import streams as streams
    from hexterra.stages.ways import ways as ways
    from hexterra.stages.whatif import edit_cell as edit_cell
    from hexterra.vectors import read_areas as read_areas
    from hexterra.vectors import read_lines as read_lines
    from hexterra.verification import verify as verify

__version__ = "0.1.0"

_HOME = {
    "Board": "lattice.board",
    "Brief": "brief",
    "Catalogue": "catalogue.catalogue",
    "compare": "comparison",
    "cover": "stages.cover",
    "drain": "stages.drain",
    "edit_cell": "stages.whatif",
    "edit_plan": "revising",
    "Elevation": "elevation",
    "fit": "stages.fit",
    "flow": "stages.flow",
    "gather": "stages.gather",
    "Globe": "lattice.globe",
    "HexterraError": "errors",
    "invent": "invention",
    "lakes": "stages.lakes",
    "legalise": "stages.legalise",
    "load_catalogue": "catalogue.reading",
    "make_plan": "plan",
    "mark_cliffs": "stages.cliffs",
    "Plan": "plan",
    "plan_heights": "plan",
    "propose": "proposal",
    "quantise": "stages.quantise",
    "read_areas": "vectors",
    "read_brief": "brief",
    "read_elevation": "elevation",
    "read_lines": "vectors",
    "read_plan": "outputs.reopening",
    "recut_plan": "revising",
    "refine": "stages.refine",
    "route": "stages.route",
    "schedule": "stages.schedule",
    "share_pieces": "stages.campaign",
    "share_plans": "sharing",
    "site_board": "siting",
    "starter_brief": "brief",
    "streams": "stages.streams",
    "survey": "proposal",
    "verify": "verification",
    "ways": "stages.ways",
    "write_campaign": "outputs.campaign_folder",
    "write_elevation": "elevation",
    "write_hydrography": "outputs.hydrography",
    "write_plan": "outputs",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'hexterra' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"hexterra.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return [*globals(), *_HOME]


if "IPython" in sys.modules:  # in a notebook, values show themselves
    from hexterra.notebook import register_displays

    register_displays()
