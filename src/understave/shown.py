"""How a value shows itself in a notebook, and as a table: asked for by the value, drawn by `notebook`.

The rooms of values stand above those that draw. So a value only passes itself on from here, and `notebook`,
which may use every room, is loaded when somebody looks.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any


def shown(value: object) -> dict[str, str]:
    """Return how a notebook may show a Score, Reading, Plan, Piece or Sound: MIME type to content."""
    found: dict[str, str] = import_module("understave.notebook").bundle(value)
    return found


def tabled(value: object, *, pandas: bool = False) -> Any:
    """Return the spans of a Reading as a pyarrow Table, or as a pandas DataFrame."""
    return import_module("understave.notebook").table(value, pandas=pandas)
