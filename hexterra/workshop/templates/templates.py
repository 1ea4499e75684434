"""Schedule and base -> templates: 1:1 outlines of the guides that a hot wire follows, as files.

A *footprint* is the outline of a block, for a guide on top of it and one underneath. A *profile* is
the pair of side views of a sloping top. A *channel* shows where a watercourse or a sunken road runs
on the plan. For the base there are the groove of keyed footings, each of these, and each facing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hexterra.drawing.scene import Scene
from hexterra.workshop.solids.guides import PAPERS, Guides
from hexterra.workshop.solids.keyed_footings import keyed_footings
from hexterra.workshop.solids.solids import piece_solids
from hexterra.workshop.templates.base_drawings import panel_figure
from hexterra.workshop.templates.channel_plans import channels
from hexterra.workshop.templates.footprints import footprints
from hexterra.workshop.templates.key_templates import facing_figure, groove_figure, key_figure
from hexterra.workshop.templates.profiles import profiles
from hexterra.workshop.templates.troughs import troughs

if TYPE_CHECKING:
    from hexterra.stages.schedule.schedule import Schedule
    from hexterra.workshop.solids.base import Base
    from hexterra.workshop.solids.facings import Facings


def template_files(schedule: Schedule, guides: Guides, *, title: str = "") -> dict[str, bytes]:
    """Return all templates of a schedule as files, by name.

    They are ``templates-a4.pdf`` and ``templates-letter.pdf``, with the title on every page, and an
    SVG and a DXF of each figure. Equal schedules give equal bytes.
    """
    return _files("templates", template_figures(schedule, guides), title)


def template_figures(schedule: Schedule, guides: Guides) -> tuple[Scene, ...]:
    """Return the figures that a schedule needs: footprints, profiles, troughs, channels."""
    pieces = tuple(zip(schedule.pieces, piece_solids(schedule), strict=True))
    return (
        *footprints(pieces, guides),
        *profiles(pieces, guides),
        *troughs(schedule, pieces, guides),
        *channels(schedule, pieces, guides),
    )


def base_template_files(
    base: Base, facings: Facings, guides: Guides, *, thickness_mm: float, title: str = ""
) -> dict[str, bytes]:
    """Return the templates of what lies under and around a board as files, by name.

    They are ``base-a4.pdf`` and ``base-letter.pdf`` of `base_template_figures`, if there are any,
    an SVG and a DXF of each, and an SVG and a DXF of each panel, which are larger than paper. Equal
    values give equal bytes; see `hexterra.workshop.solids.bodies.facing_body` for `thickness_mm`,
    0 for no facings.
    """
    from hexterra.workshop.templates.figure_files import figure_files

    figures = base_template_figures(base, facings, guides, thickness_mm=thickness_mm)
    panels = figure_files(panel_figure(base, panel) for panel in base.panels)
    return _files("base", figures, title) | panels if figures else panels


def base_template_figures(
    base: Base, facings: Facings, guides: Guides, *, thickness_mm: float
) -> tuple[Scene, ...]:
    """Return the figures for guides: the groove of keyed footings, each of these, each facing."""
    footings = keyed_footings(base)
    parts = facings.parts if thickness_mm else ()
    grooves = [groove_figure(base, footings[0].solid.base_mm, guides)] if footings else []
    return (
        *grooves,
        *(key_figure(footing) for footing in footings),
        *(facing_figure(part, guides, thickness_mm=thickness_mm) for part in parts),
    )


def _files(name: str, figures: tuple[Scene, ...], title: str) -> dict[str, bytes]:
    from hexterra.workshop.templates.figure_files import figure_files
    from hexterra.workshop.templates.template_pdf import template_pdf

    printed = {
        f"{name}-{paper.lower()}.pdf": template_pdf(figures, paper=paper, title=title)
        for paper in PAPERS
    }
    return printed | figure_files(figures)
