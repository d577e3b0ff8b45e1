"""Values -> a short digest of what they hold: equal values have equal digests, on every machine and day.

What counts of a dataclass are the fields that it compares by; how a value shows itself (`repr`) does not.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import Field, fields, is_dataclass
from enum import Enum
from fractions import Fraction
from functools import cache
from pathlib import PurePath
from typing import Any


def digest(*values: Any) -> str:
    """Return 32 hexadecimal digits for values of plain kinds, dataclasses, and collections of them.

    Raises TypeError for a value of another kind, whose content cannot be known.
    """
    found = hashlib.sha256()
    for value in values:
        for piece in _pieces(value):
            found.update(piece)
        found.update(b"\0")
    return found.hexdigest()[:32]


def _pieces(value: Any) -> Iterator[bytes]:
    """Yield a value's content, each kind with its own mark so that 1, "1" and (1,) differ."""
    if isinstance(value, Enum):
        yield f"e{type(value).__qualname__}.{value.name};".encode()
    elif value is None or isinstance(value, bool | int | float | Fraction):
        yield f"{type(value).__name__[:2]}{value};".encode()
    elif isinstance(value, str | PurePath):
        text = str(value).encode("utf-8", "surrogatepass")
        yield b"s%d:" % len(text) + text
    elif isinstance(value, bytes):
        yield b"b%d:" % len(value) + value
    elif is_dataclass(value) and not isinstance(value, type):
        yield f"d{type(value).__qualname__}(".encode()
        for field in _compared(type(value)):
            yield from _pieces(getattr(value, field.name))
        yield b")"
    elif isinstance(value, Mapping):
        # Two mappings are equal whatever their order.
        yield b"{" + b"".join(sorted(b"".join(_pieces(item)) for item in value.items())) + b"}"
    elif isinstance(value, Set):
        yield b"<" + b"".join(sorted(b"".join(_pieces(item)) for item in value)) + b">"
    elif isinstance(value, Sequence):
        yield b"("
        for item in value:
            yield from _pieces(item)
        yield b")"
    else:
        raise TypeError(f"a {type(value).__name__} has no digest")


@cache
def _compared(kind: type[Any]) -> tuple[Field[Any], ...]:
    return tuple(f for f in fields(kind) if f.compare)
