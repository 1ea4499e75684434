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
    from hexterra.brief.brief import Brief as Brief
    from hexterra.brief.brief import read_brief as read_brief
    from hexterra.brief.brief import starter_brief as starter_brief
    from hexterra.catalogue.catalogue import Catalogue as Catalogue
    from hexterra.catalogue.catalogue_file import load_catalogue as load_catalogue
    from hexterra.elevation.elevation import Elevation as Elevation
    from hexterra.elevation.elevation import read_elevation as read_elevation
    from hexterra.elevation.elevation import write_elevation as write_elevation
    from hexterra.elevation.invention import invent as invent
    from hexterra.errors import HexterraError as HexterraError
    from hexterra.lattice.board import Board as Board
    from hexterra.lattice.globe import Globe as Globe
    from hexterra.outputs.campaign_folder import write_campaign as write_campaign
    from hexterra.outputs.hydrography import write_hydrography as write_hydrography
    from hexterra.outputs.plan_files import write_plan as write_plan
    from hexterra.outputs.reopen import read_plan as read_plan
    from hexterra.place.proposal import propose as propose
    from hexterra.place.siting import site_board as site_board
    from hexterra.place.survey import survey as survey
    from hexterra.plan.compare import compare as compare
    from hexterra.plan.edit import edit_plan as edit_plan
    from hexterra.plan.edit import recut_plan as recut_plan
    from hexterra.plan.pipeline import make_plan as make_plan
    from hexterra.plan.pipeline import plan_heights as plan_heights
    from hexterra.plan.plan import Plan as Plan
    from hexterra.plan.share import share_plans as share_plans
    from hexterra.stages.drainage.drain import drain as drain
    from hexterra.stages.drainage.lakes import lakes as lakes
    from hexterra.stages.drainage.streams import streams as streams
    from hexterra.stages.levels.cliffs import mark_cliffs as mark_cliffs
    from hexterra.stages.levels.legalise import legalise as legalise
    from hexterra.stages.levels.quantise import quantise as quantise
    from hexterra.stages.mapping.cover import cover as cover
    from hexterra.stages.mapping.ways import ways as ways
    from hexterra.stages.sampling.gather import gather as gather
    from hexterra.stages.schedule.schedule import schedule as schedule
    from hexterra.stages.search.refine import refine as refine
    from hexterra.stages.tiles.fit import fit as fit
    from hexterra.stages.variants.edit_cell import edit_cell as edit_cell
    from hexterra.stages.variants.share_pieces import share_pieces as share_pieces
    from hexterra.stages.water.flow import flow as flow
    from hexterra.stages.water.route import route as route
    from hexterra.vectors.features import read_areas as read_areas
    from hexterra.vectors.features import read_lines as read_lines
    from hexterra.verification.verify import verify as verify

__version__ = "0.1.0"

_HOME = {
    "Board": "lattice.board",
    "Brief": "brief.brief",
    "Catalogue": "catalogue.catalogue",
    "compare": "plan.compare",
    "cover": "stages.mapping.cover",
    "drain": "stages.drainage.drain",
    "edit_cell": "stages.variants.edit_cell",
    "edit_plan": "plan.edit",
    "Elevation": "elevation.elevation",
    "fit": "stages.tiles.fit",
    "flow": "stages.water.flow",
    "gather": "stages.sampling.gather",
    "Globe": "lattice.globe",
    "HexterraError": "errors",
    "invent": "elevation.invention",
    "lakes": "stages.drainage.lakes",
    "legalise": "stages.levels.legalise",
    "load_catalogue": "catalogue.catalogue_file",
    "make_plan": "plan.pipeline",
    "mark_cliffs": "stages.levels.cliffs",
    "Plan": "plan.plan",
    "plan_heights": "plan.pipeline",
    "propose": "place.proposal",
    "quantise": "stages.levels.quantise",
    "read_areas": "vectors.features",
    "read_brief": "brief.brief",
    "read_elevation": "elevation.elevation",
    "read_lines": "vectors.features",
    "read_plan": "outputs.reopen",
    "recut_plan": "plan.edit",
    "refine": "stages.search.refine",
    "route": "stages.water.route",
    "schedule": "stages.schedule.schedule",
    "share_pieces": "stages.variants.share_pieces",
    "share_plans": "plan.share",
    "site_board": "place.siting",
    "starter_brief": "brief.brief",
    "streams": "stages.drainage.streams",
    "survey": "place.survey",
    "verify": "verification.verify",
    "ways": "stages.mapping.ways",
    "write_campaign": "outputs.campaign_folder",
    "write_elevation": "elevation.elevation",
    "write_hydrography": "outputs.hydrography",
    "write_plan": "outputs.plan_files",
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
    from hexterra.notebook.displays import register_displays

    register_displays()
