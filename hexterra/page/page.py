"""Plans -> one HTML file that any browser opens from disk: it asks no network for anything.

The viewer beside this file is built from `hexterra/page/viewer` (see DEVELOPERS.md). Words of maps
and briefs reach it only inside the packed plans, which no browser reads as markup; a content
security policy lets nothing run but the viewer, by its hash.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import cache
from html import escape
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING

from hexterra.errors import ArgumentError
from hexterra.page.pack import encoded, packed

if TYPE_CHECKING:
    from hexterra.plan.plan import Plan


def page_html(plans: Sequence[Plan], names: Sequence[str] = ()) -> str:
    """Return a page that shows plans: each by itself, and those of one board compared.

    Parameters
    ----------
    plans
        At least one.
    names
        What to call each; by default its title.

    Returns
    -------
    str
        The same plans give the same text.

    Raises
    ------
    ArgumentError
        If there is no plan, or not a name for each.
    """
    if not plans or len(names) not in {0, len(plans)}:
        raise ArgumentError(
            f"a page was given {len(plans)} plans and {len(names)} names",
            remedy="give at least one plan, and no names or one for each plan",
        )
    blocks = [
        f'<script type="text/plain" class="plan">{encoded(packed(plan, name))}</script>'
        for plan, name in zip(plans, names or [""] * len(plans), strict=True)
    ]
    viewer, style = _part("viewer.js"), _part("viewer.css")
    return Template(_part("template.html")).substitute(
        title=escape(plans[0].brief.title if len(plans) == 1 else f"{len(plans)} plans"),
        policy=content_policy(viewer, style),
        style=style,
        viewer=viewer,
        plans="\n".join(blocks),
    )


def content_policy(viewer: str, style: str) -> str:
    """Return the policy of a page (Content Security Policy Level 3): only these two may run."""
    return (
        f"default-src 'none'; script-src {_source(viewer)}; style-src {_source(style)};"
        " img-src data: blob:; base-uri 'none'; form-action 'none'"
    )


def _source(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


@cache
def _part(name: str) -> str:
    return (Path(__file__).parent / name).read_text(encoding="utf-8")
