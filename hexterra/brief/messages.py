"""Answers to mistakes in a brief: the key, its value, what is allowed, and what to do."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from hexterra.errors import BriefError

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails


def explain(error: ValidationError, root: type[BaseModel], where: str) -> BriefError:
    """Turn a validation report on a model of type `root` into one message, a line per wrong key."""
    lines: list[str] = []
    keys: list[str] = []
    errors = error.errors()
    within = {item["loc"][:2] for item in errors if len(item["loc"]) > 2}
    for item in errors:
        if item["type"] == "too_short" and item["loc"] in within:
            continue  # of its values only those that are right were counted
        names = [str(part) for part in item["loc"] if not str(part).startswith(_ALTERNATIVES)]
        if len(names) < len(item["loc"]) and item["type"] == "literal_error":
            lines[-1] += (
                f", or {item.get('ctx', {}).get('expected')}"  # beside the number that it may be
            )
            continue
        key = ".".join(names) or "brief"
        keys.append(key)
        value = "" if isinstance(item["input"], dict) else f" is {_shown(item['input'])}"
        lines.append(f"{key}{value}: {_allowed(item, names, root)}")
    joined = "\n  - ".join(dict.fromkeys(lines))
    return BriefError(
        f"{where} cannot be used:\n  - {joined}",
        remedy="correct the keys named above; `hexterra brief` prints every key with its meaning",
        keys=tuple(keys),
    )


def _shown(value: object) -> str:
    """Write a value, shortened if it is long."""
    try:
        text = repr(value)
    except ValueError:  # Python writes no whole number of more than 4300 digits
        return "a number of thousands of digits"
    return text if len(text) <= 80 else f"{text[:77]}..."


#: How pydantic names what a value may be one of, as if that were a key.
_ALTERNATIVES: Final = ("constrained-", "literal[")

#: What is wanted, by pydantic's name of the mistake, where its own words speak of Python.
_WANTED: Final = {
    "bool_type": "true or false",
    "dict_type": "a table of keys, as { B3 = 4 }",
    "finite_number": "a finite number",
    "float_type": "a number",
    "int_from_float": "a whole number",
    "int_type": "a whole number",
    "missing": 'a pair of cells, as ["B3", "B4"]',
    "model_type": "a section of keys, under its name in [brackets]",
    "string_type": "text in quotes",
    "too_long": 'a pair of cells, as ["B3", "B4"]',
    "too_short": "a list of at least one value",
    "tuple_type": "a list in [brackets]",
}


def _allowed(item: ErrorDetails, names: list[str], root: type[BaseModel]) -> str:
    """Say what is allowed where pydantic said what is wrong."""
    kind, context = item["type"], item.get("ctx")
    section = _section(names[:-1], root)
    known = list(section.model_fields) if section else []
    if kind == "extra_forbidden" and known:
        near = difflib.get_close_matches(names[-1], known, n=1)
        hint = f"did you mean {near[0]!r}? " if near else ""
        return f"no such key; {hint}known here: {', '.join(known)}"
    if kind == "value_error" and context:
        return str(context["error"])
    if kind.startswith(("greater_than", "less_than")) and (field := _field(names, root)):
        return f"it must be {_range(field)}"
    if kind == "too_long" and names[-1] in known and context:  # a list, not a pair in one
        return f"it must be a list of at most {context['max_length']} values"
    wanted = "given" if kind == "missing" and known else _WANTED.get(kind)
    if wanted:
        field = _field(names, root) if "number" in wanted else None
        bounds = _range(field) if field else ""
        return f"it must be {wanted}, {bounds}" if bounds else f"it must be {wanted}"
    return re.sub(r"^(Input|String) should", "it must", item["msg"])


def _field(names: list[str], root: type[BaseModel]) -> FieldInfo | None:
    """Find the field of a key, or of the list or table that it is a value of."""
    for n in range(len(names) - 1, -1, -1):
        section = _section(names[:n], root)
        if section and names[n] in section.model_fields:
            return section.model_fields[names[n]]
    return None


def _range(field: FieldInfo) -> str:
    """Spell out the bounds of a number, which pydantic keeps on the field or within its type."""
    marks = [*field.metadata, *_marks(field.annotation)]
    bounds: list[str] = []
    for mark in (part for group in marks for part in getattr(group, "metadata", [group])):
        for name, words in (
            ("gt", "above"),
            ("ge", "at least"),
            ("lt", "below"),
            ("le", "at most"),
        ):
            bound = getattr(mark, name, None)
            if bound is not None:
                bounds.append(f"{words} {bound:g}")
    return " and ".join(bounds)


def _marks(annotation: object) -> Iterator[object]:
    """Find what a type says of its values, or of theirs."""
    for part in get_args(annotation):
        yield from getattr(part, "__metadata__", ())
        yield from _marks(part)


def _section(path: list[str], root: type[BaseModel]) -> type[BaseModel] | None:
    """Find the model that a path of keys names; a number in it is a place in a list of tables."""
    section: type[BaseModel] | None = root
    for name in path:
        if name.isdecimal():
            continue
        field = section.model_fields.get(name) if section else None
        section = None if field is None else _model(field.annotation)
    return section


def _model(annotation: object) -> type[BaseModel] | None:
    """Find the model that a key holds, alone or in a list."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((model for part in get_args(annotation) if (model := _model(part))), None)
