"""What of a value is written down or sent to another process: its fields, not what it worked out on the side.

A value keeps what it has worked out (`functools.cached_property`) in the same dictionary as its fields, where
another thread may add to it at any moment; a pickle that walked through that dictionary would break.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any


class Stored:
    """A base of dataclasses that work things out on the side."""

    __slots__ = ()

    def __getstate__(self) -> dict[str, Any]:
        """Return the fields by name."""
        return {f.name: getattr(self, f.name) for f in fields(self)}  # type: ignore[arg-type]
