"""Schedule -> templates: 1:1 outlines of the guides that a hot wire follows, as files.

Three kinds of figure. A *footprint* is the outline of a block, for a guide on top of it and one
underneath. A *profile* is the pair of side views of a sloping top. A *channel* shows where a
watercourse or a sunken road runs on the plan.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hexterra.drawing.figures import Figure, figure_svg
from hexterra.workshop.solids.guides import PAPERS, Guides
from hexterra.workshop.solids.solids import piece_solids
from hexterra.workshop.templates.channel_plans import channels
from hexterra.workshop.templates.footprints import footprints
from hexterra.workshop.templates.profiles import profiles

if TYPE_CHECKING:
    from hexterra.stages.schedule.schedule import Schedule


def template_files(
    schedule: Schedule, guides: Guides | None = None, *, title: str = ""
) -> dict[str, bytes]:
    """Return all templates of a schedule as files.

    Parameters
    ----------
    schedule
        The pieces to make.
    guides
        How the guides are made; ``Guides()`` by default.
    title
        Name of the board, printed on every page.

    Returns
    -------
    dict[str, bytes]
        File name to content: ``templates-a4.pdf``, ``templates-letter.pdf``, and an SVG and a DXF
        of each figure. Equal schedules give equal bytes.
    """
    from hexterra.drawing.dxf import figure_dxf
    from hexterra.drawing.pdf_pages import template_pdf

    guides = guides or Guides()
    figures = template_figures(schedule, guides)
    files = {
        f"templates-{paper.lower()}.pdf": template_pdf(figures, paper=paper, title=title)
        for paper in PAPERS
    }
    for figure in figures:
        files[f"{figure.name}.svg"] = figure_svg(figure).encode()
        files[f"{figure.name}.dxf"] = figure_dxf(figure)
    return files


def template_figures(schedule: Schedule, guides: Guides) -> tuple[Figure, ...]:
    """Return the figures that a schedule needs: footprints, profiles, then channels."""
    pieces = tuple(zip(schedule.pieces, piece_solids(schedule), strict=True))
    return (
        *footprints(pieces, guides),
        *profiles(pieces, guides),
        *channels(schedule, pieces, guides),
    )
