"""The published JSON Schemas (draft 2020-12) of the JSON that is written; they stand beside this module."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any, Literal, TypeAlias

Name: TypeAlias = Literal["reading", "plan", "lesson", "story", "places"]
NAMES: tuple[Name, ...] = ("reading", "plan", "lesson", "story", "places")


def schema(name: Name) -> dict[str, Any]:
    """Return the schema of ``reading.json`` (also ``show --json``), ``plan.json`` (``play-plan --json``),
    ``lesson.json``, of a story (``explain --json``) or of places (``find --json``).
    """
    text = files("understave.export").joinpath(f"{name}.schema.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found
