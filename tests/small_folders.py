"""The writers of a small plan folder."""

from __future__ import annotations

import json
from pathlib import Path

from hexterra.outputs.folder import Writer

NAMES = ("one", "below/two", "plan.json")


def plan(text: str) -> dict[str, Writer]:
    """Give the writers of a small plan whose every file says `text`."""
    document = {"format": "hexterra plan", "files": list(NAMES), "title": text}
    texts = dict.fromkeys(NAMES, text) | {"plan.json": json.dumps(document)}

    def put(text: str) -> Writer:
        def write(path: Path) -> None:
            path.write_text(text, encoding="utf-8")

        return write

    return {name: put(text) for name, text in texts.items()}
