"""Base and facings -> templates: guides at full size, and panels for a cutter, as files."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hexterra.drawing.figures import Figure, figure_svg
from hexterra.workshop.solids.guides import PAPERS, Guides
from hexterra.workshop.solids.keyed_footings import keyed_footings
from hexterra.workshop.templates.base_drawings import panel_figure
from hexterra.workshop.templates.key_templates import facing_figure, groove_figure, key_figure

if TYPE_CHECKING:
    from hexterra.workshop.solids.base import Base
    from hexterra.workshop.solids.facings import Facings


def base_template_files(
    base: Base,
    facings: Facings,
    guides: Guides | None = None,
    *,
    thickness_mm: float,
    title: str = "",
) -> dict[str, bytes]:
    """Return the templates of what lies under and around a board as files.

    Parameters
    ----------
    base
        Panels, frame and rails.
    facings
        Faces of the same board.
    guides
        How the guides are made; ``Guides()`` by default.
    thickness_mm
        Of the facings' upper edges; see `hexterra.workshop.solids.bodies.facing_body`. 0 for none.
    title
        Name of the board, printed on every page.

    Returns
    -------
    dict[str, bytes]
        File name to content: ``base-a4.pdf`` and ``base-letter.pdf`` of `base_template_figures`,
        if there are any, an SVG and a DXF of each of them, and an SVG and a DXF of each panel,
        which are larger than paper. All are at full size, and equal values give equal bytes.
    """
    from hexterra.drawing.dxf import figure_dxf
    from hexterra.drawing.pdf_pages import template_pdf

    guides = guides or Guides()
    figures = base_template_figures(base, facings, guides, thickness_mm=thickness_mm)
    files: dict[str, bytes] = {}
    if figures:
        for paper in PAPERS:
            files[f"base-{paper.lower()}.pdf"] = template_pdf(figures, paper=paper, title=title)
    for figure in (*figures, *(panel_figure(base, panel) for panel in base.panels)):
        files[f"{figure.name}.svg"] = figure_svg(figure).encode()
        files[f"{figure.name}.dxf"] = figure_dxf(figure)
    return files


def base_template_figures(
    base: Base, facings: Facings, guides: Guides, *, thickness_mm: float
) -> tuple[Figure, ...]:
    """Return the figures for guides: the groove of keyed footings, each of these, each facing."""
    footings = keyed_footings(base)
    parts = facings.parts if thickness_mm else ()
    grooves = [groove_figure(base, footings[0].solid.base_mm, guides)] if footings else []
    return (
        *grooves,
        *(key_figure(footing) for footing in footings),
        *(facing_figure(part, guides, thickness_mm=thickness_mm) for part in parts),
    )
