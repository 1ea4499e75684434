# The public names and where they are defined; loaded when they are first used.
from .brief.brief import Brief as Brief
from .brief.brief import read_brief as read_brief
from .brief.brief import starter_brief as starter_brief
from .catalogue.catalogue import Catalogue as Catalogue
from .catalogue.catalogue_file import load_catalogue as load_catalogue
from .elevation.elevation import Elevation as Elevation
from .elevation.elevation import read_elevation as read_elevation
from .elevation.elevation import write_elevation as write_elevation
from .elevation.invention import invent as invent
from .errors import ArgumentError as ArgumentError
from .errors import BoardError as BoardError
from .errors import BriefError as BriefError
from .errors import BuildError as BuildError
from .errors import CatalogueError as CatalogueError
from .errors import CoverageError as CoverageError
from .errors import CrsError as CrsError
from .errors import FileMissingError as FileMissingError
from .errors import GridMismatchError as GridMismatchError
from .errors import HexterraError as HexterraError
from .errors import HexterraWarning as HexterraWarning
from .errors import InfeasibleError as InfeasibleError
from .errors import InputError as InputError
from .errors import NoHeightsError as NoHeightsError
from .errors import NotElevationError as NotElevationError
from .errors import OutputError as OutputError
from .errors import PlanFolderError as PlanFolderError
from .errors import StockError as StockError
from .errors import TooLittleMemoryError as TooLittleMemoryError
from .errors import UntrustedSourceError as UntrustedSourceError
from .errors import VectorError as VectorError
from .errors import VerticalUnitError as VerticalUnitError
from .fidelity.fidelity import Fidelity as Fidelity
from .lattice.board import Board as Board
from .lattice.globe import Globe as Globe
from .outputs.campaign_folder import write_campaign as write_campaign
from .outputs.hydrography import write_hydrography as write_hydrography
from .outputs.plan_files import write_page as write_page
from .outputs.plan_files import write_plan as write_plan
from .outputs.reopen import read_plan as read_plan
from .place.proposal import Proposals as Proposals
from .place.proposal import propose as propose
from .place.siting import Site as Site
from .place.siting import site_board as site_board
from .place.survey import Survey as Survey
from .place.survey import survey as survey
from .plan.choice import Choice as Choice
from .plan.compare import Comparison as Comparison
from .plan.compare import compare as compare
from .plan.edit import edit_plan as edit_plan
from .plan.edit import recut_plan as recut_plan
from .plan.overlay import Overlay as Overlay
from .plan.pipeline import make_plan as make_plan
from .plan.pipeline import plan_heights as plan_heights
from .plan.plan import Plan as Plan
from .plan.share import Shared as Shared
from .plan.share import share_plans as share_plans
from .stages.drainage.drain import Drainage as Drainage
from .stages.drainage.drain import drain as drain
from .stages.drainage.lakes import Lakes as Lakes
from .stages.drainage.lakes import lakes as lakes
from .stages.drainage.streams import Streams as Streams
from .stages.drainage.streams import streams as streams
from .stages.levels.cliffs import mark_cliffs as mark_cliffs
from .stages.levels.legalise import LegalLevels as LegalLevels
from .stages.levels.legalise import legalise as legalise
from .stages.levels.quantise import Levels as Levels
from .stages.levels.quantise import quantise as quantise
from .stages.mapping.cover import Cover as Cover
from .stages.mapping.cover import cover as cover
from .stages.mapping.ways import Ways as Ways
from .stages.mapping.ways import ways as ways
from .stages.sampling.gather import Heights as Heights
from .stages.sampling.gather import gather as gather
from .stages.schedule.schedule import Piece as Piece
from .stages.schedule.schedule import Schedule as Schedule
from .stages.schedule.schedule import schedule as schedule
from .stages.search.prices import Prices as Prices
from .stages.search.refine import Refined as Refined
from .stages.search.refine import refine as refine
from .stages.tiles.fit import Tiles as Tiles
from .stages.tiles.fit import fit as fit
from .stages.water.flow import Watercourses as Watercourses
from .stages.water.flow import flow as flow
from .stages.water.route import route as route
from .vectors.features import Features as Features
from .vectors.features import read_areas as read_areas
from .vectors.features import read_lines as read_lines
from .verification.verdict import Verdict as Verdict
from .verification.verify import verify as verify

__version__: str
__all__ = [
    "ArgumentError",
    "Board",
    "BoardError",
    "Brief",
    "BriefError",
    "BuildError",
    "Catalogue",
    "CatalogueError",
    "Choice",
    "Comparison",
    "Cover",
    "CoverageError",
    "CrsError",
    "Drainage",
    "Elevation",
    "Features",
    "Fidelity",
    "FileMissingError",
    "Globe",
    "GridMismatchError",
    "Heights",
    "HexterraError",
    "HexterraWarning",
    "InfeasibleError",
    "InputError",
    "Lakes",
    "LegalLevels",
    "Levels",
    "NoHeightsError",
    "NotElevationError",
    "OutputError",
    "Overlay",
    "Piece",
    "Plan",
    "PlanFolderError",
    "Prices",
    "Proposals",
    "Refined",
    "Schedule",
    "Shared",
    "Site",
    "StockError",
    "Streams",
    "Survey",
    "Tiles",
    "TooLittleMemoryError",
    "UntrustedSourceError",
    "VectorError",
    "Verdict",
    "VerticalUnitError",
    "Watercourses",
    "Ways",
    "compare",
    "cover",
    "drain",
    "edit_plan",
    "fit",
    "flow",
    "gather",
    "invent",
    "lakes",
    "legalise",
    "load_catalogue",
    "make_plan",
    "mark_cliffs",
    "plan_heights",
    "propose",
    "quantise",
    "read_areas",
    "read_brief",
    "read_elevation",
    "read_lines",
    "read_plan",
    "recut_plan",
    "refine",
    "route",
    "schedule",
    "share_plans",
    "site_board",
    "starter_brief",
    "streams",
    "survey",
    "verify",
    "ways",
    "write_campaign",
    "write_elevation",
    "write_hydrography",
    "write_plan",
]
