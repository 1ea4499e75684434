"""Catalogue files -> `Catalogue`: TOML that a maker edits, with an answer to every mistake."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any, cast

from hexterra.arguments import checked
from hexterra.catalogue.catalogue import (
    ADVICE,
    BANKS,
    FACES,
    MAX_RISE,
    Catalogue,
    Crossing,
    Pattern,
    SunkenRoad,
    bad_rises,
    check_minutes,
    greatest_turn,
    lowest_turn,
)
from hexterra.errors import CatalogueError
from hexterra.tomlfile import read_toml


@checked
def load_catalogue(path: str | Path | None = None) -> Catalogue:
    """Read a catalogue from a TOML file, or the one that comes with hexterra if `path` is None.

    Rises and ports may be written in any turn; the value holds them in their standard turn.

    Raises
    ------
    FileMissingError
        If the file cannot be opened.
    CatalogueError
        If it is not TOML (with the line) or not a catalogue.
    """
    if path is None:
        text = resources.files("hexterra.catalogue").joinpath("default.toml").read_text("utf-8")
        return _made_of(tomllib.loads(text), "the default catalogue")
    path = Path(path)
    data = read_toml(
        path,
        called="catalogue",
        refusal=CatalogueError,
        help_="leave catalogue out of the brief to use the default one",
    )
    return _made_of(data, f"the catalogue {path}")


def _made_of(data: Mapping[str, Any], where: str) -> Catalogue:
    _check_keys(data, ("patterns", "crossings", "roads", "faces", "banks"), where)
    patterns = _table(data.get("patterns", {}), f"{where}: patterns")
    crossings = _table(data.get("crossings", {}), f"{where}: crossings")
    roads = _table(data.get("roads", {}), f"{where}: roads")
    return Catalogue(
        patterns=tuple(_pattern(name, value, where) for name, value in patterns.items()),
        crossings=tuple(_crossing(name, value, where) for name, value in crossings.items()),
        roads=tuple(
            SunkenRoad(name, _sides(value, f"{where}: roads: {name}"))
            for name, value in roads.items()
        ),
        faces=_choice(data, "faces", FACES, where),
        banks=_choice(data, "banks", BANKS, where),
    )


def _choice(
    data: Mapping[str, Any], key: str, allowed: tuple[str, ...], where: str
) -> tuple[str, ...]:
    """Read a list of words, in the order of those allowed; all of them if it is left out."""
    given = data.get(key, list(allowed))
    if not isinstance(given, list) or not set(cast("list[object]", given)) <= set(allowed):
        raise CatalogueError(
            f"{where} has {key} = {given!r}; it must be a list of {', '.join(map(repr, allowed))}",
            remedy=f"list what you can cut, as {key} = {list(allowed)}".replace("'", '"'),
            key=key,
        )
    return tuple(word for word in allowed if word in given)


def _pattern(name: str, value: object, where: str) -> Pattern:
    minutes: object = None
    if isinstance(value, dict):
        table = _table(cast("object", value), where)
        _check_keys(table, ("rises", "minutes"), f"{where}: pattern {name!r}")
        value, minutes = table.get("rises"), table.get("minutes")
    if minutes is not None and not isinstance(minutes, int | float):
        check_minutes(f"the pattern {name!r}", math.nan)
    text = str(value)
    if not isinstance(value, str) or not re.fullmatch(r"[0-9]{6}", text):
        raise bad_rises(name, text, f"must be six digits from 0 to {MAX_RISE}, in quotes")
    rises = greatest_turn(tuple(int(digit) for digit in text))
    return Pattern(name, rises, None if minutes is None else float(cast("float", minutes)))


def _crossing(name: str, value: object, where: str) -> Crossing:
    where = f"{where}: crossing {name!r}"
    table = _table(value, where)
    _check_keys(table, ("water", "ports"), where)
    return Crossing(
        name, str(table.get("water", "")), _sides(table.get("ports"), f"{where}: ports")
    )


def _sides(value: object, where: str) -> tuple[tuple[int, ...], ...]:
    """Read sets of sides, each as the turn of it that reads lowest."""
    entries = cast("list[object]", value) if isinstance(value, list) else [None]
    texts = [entry for entry in entries if isinstance(entry, str)]
    if len(texts) < len(entries) or not all(re.fullmatch(r"[0-5 ]*", text) for text in texts):
        raise CatalogueError(
            f"{where} is {value!r}; it must be a list of sides in quotes",
            remedy='write the sides from 0 to 5 with spaces between, as ["0 3", "0 2"]',
            where=where,
        )
    sets = (tuple(int(side) for side in text.split()) for text in texts)
    return tuple(lowest_turn(sides) if sides else () for sides in sets)


def _table(value: object, where: str) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise CatalogueError(f"{where} must be a table, not {value!r}", remedy=ADVICE)
    return cast("dict[str, Any]", value)


def _check_keys(table: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    unknown = sorted(set(table) - set(known))
    if unknown:
        raise CatalogueError(
            f"{where} has the unknown key {unknown[0]!r}; known are {', '.join(known)}",
            remedy="remove or rename the key",
            keys=tuple(unknown),
        )
