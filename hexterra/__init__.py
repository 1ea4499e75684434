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
    from hexterra.outputs.reopening import read_plan as read_plan
    from hexterra.plan import Plan as Plan
    from hexterra.plan import make_plan as make_plan
    from hexterra.plan import plan_heights as plan_heights
    from hexterra.proposal import propose as propose
    from hexterra.proposal import survey as survey
    from hexterra.siting import site_board as site_board
    from hexterra.stages.cliffs import mark_cliffs as mark_cliffs
    from hexterra.stages.fit import fit as fit
    from hexterra.stages.flow import flow as flow
    from hexterra.stages.gather import gather as gather
    from hexterra.stages.legalise import legalise as legalise
    from hexterra.stages.quantise import quantise as quantise
    from hexterra.stages.refine import refine as refine
    from hexterra.stages.schedule import schedule as schedule
    from hexterra.verification import verify as verify

__version__ = "0.1.0"

_HOME = {
    "Board": "lattice.board",
    "Brief": "brief",
    "Catalogue": "catalogue.catalogue",
    "Elevation": "elevation",
    "Globe": "lattice.globe",
    "HexterraError": "errors",
    "Plan": "plan",
    "compare": "comparison",
    "fit": "stages.fit",
    "flow": "stages.flow",
    "gather": "stages.gather",
    "invent": "invention",
    "legalise": "stages.legalise",
    "load_catalogue": "catalogue.reading",
    "make_plan": "plan",
    "mark_cliffs": "stages.cliffs",
    "plan_heights": "plan",
    "propose": "proposal",
    "quantise": "stages.quantise",
    "read_brief": "brief",
    "read_elevation": "elevation",
    "read_plan": "outputs.reopening",
    "refine": "stages.refine",
    "schedule": "stages.schedule",
    "site_board": "siting",
    "starter_brief": "brief",
    "survey": "proposal",
    "verify": "verification",
    "write_elevation": "elevation",
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
