"""The published JSON Schemas (draft 2020-12) of the JSON that is written, derived from its `records`.

``python -m understave.export.schemas reading`` prints one; the documentation site has them all. Beside what
the fields say: a record allows no key but its fields; it needs its format, its version and all fields without
a default; it stands under ``$defs`` by its name, and its docstring describes it.
"""

from __future__ import annotations

import inspect
import json
import sys
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from functools import reduce
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeAlias, Union, get_args, get_origin, get_type_hints

from understave.export.records import (
    CountsFile,
    HomeworkFile,
    LessonFile,
    PlacesFile,
    PlanFile,
    ReadingFile,
    StoryFile,
)

Name: TypeAlias = Literal["reading", "plan", "lesson", "story", "places", "homework"]
NAMES: tuple[Name, ...] = ("reading", "plan", "lesson", "story", "places", "homework")
_FILES: Mapping[Name, tuple[type, ...]] = {
    "reading": (ReadingFile,),
    "plan": (PlanFile,),
    "lesson": (LessonFile,),
    "story": (StoryFile,),
    "places": (PlacesFile, CountsFile),
    "homework": (HomeworkFile,),
}
_PLAIN = {str: "string", int: "integer", float: "number", bool: "boolean", NoneType: "null"}


def schema(name: Name) -> dict[str, Any]:
    """Return the schema of ``reading.json`` (also ``show --json``), ``plan.json`` (``play-plan --json``),
    ``lesson.json``, of a story (``explain --json``), of places (``find --json``) or ``homework.json``.
    """
    known: dict[str, Any] = {}
    files = [{"title": inspect.getdoc(file)} | _object(file, known) for file in _FILES[name]]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:understave:{name}:1",
        **(files[0] if len(files) == 1 else {"oneOf": files}),
        "$defs": known,
    }


def _object(record: type, known: dict[str, Any]) -> dict[str, Any]:
    """Return what a record allows; the records it holds are added to what is known."""
    types = get_type_hints(record, include_extras=True)
    return {
        "type": "object",
        "properties": {f.name: _of(types[f.name], known) for f in fields(record)},
        "required": [
            f.name for f in fields(record) if f.default is MISSING or get_origin(types[f.name]) is Literal
        ],
        "additionalProperties": False,
    }


def _of(kind: Any, known: dict[str, Any]) -> dict[str, Any]:
    """Return what a type allows.

    Raises TypeError for one that no record has.
    """
    origin, inner = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return reduce(lambda a, b: a | b, inner[1:], _of(inner[0], known))
    if kind is Any:
        return {}
    if origin is Literal:
        return {"const": inner[0]} if len(inner) == 1 else {"enum": list(inner)}
    if origin in (Union, UnionType):
        return {"anyOf": [_of(t, known) for t in inner]}
    if origin is tuple and inner[1:] == (...,):
        return {"type": "array", "items": _of(inner[0], known)}
    if origin is Mapping:
        return _table(inner[0], inner[1], known)
    if not isinstance(kind, type) or origin is not None:
        raise TypeError(f"no schema can be derived from {kind}")
    if kind in _PLAIN:
        return {"type": _PLAIN[kind]}
    return _reference(kind, known)


def _reference(record: type, known: dict[str, Any]) -> dict[str, Any]:
    name = record.__name__
    if not is_dataclass(record):
        raise TypeError(f"no schema can be derived from {name}")
    if name not in known:
        known[name] = {}  # in its place before those that it holds
        known[name] = {"description": inspect.getdoc(record)} | _object(record, known)
    return {"$ref": f"#/$defs/{name}"}


def _table(key: Any, value: Any, known: dict[str, Any]) -> dict[str, Any]:
    """Return what a mapping allows: the keys of a Literal, each or none of them, or any."""
    if get_origin(key) is not Literal:
        return {"type": "object", "additionalProperties": _of(value, known)}
    own = {name: _of(value, known) for name in get_args(key)}
    return {"type": "object", "properties": own, "additionalProperties": False}


if __name__ == "__main__":
    for asked in NAMES:
        if asked in sys.argv[1:]:
            print(json.dumps(schema(asked), ensure_ascii=False, indent=1))
