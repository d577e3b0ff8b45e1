"""What the page sends in, values that can be relied on out.

Only what is read within `sense` can be the page's fault; every other exception is one of ours.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from starlette.requests import ClientDisconnect, Request

from understave.errors import DeskError


class SenselessError(DeskError):
    """The page sent something that no page of ours sends."""


@contextmanager
def sense() -> Iterator[None]:
    """Turn what goes wrong while a message is taken apart into a SenselessError."""
    try:
        yield
    except (KeyError, TypeError, ValueError, OverflowError, AttributeError, RecursionError) as error:
        raise SenselessError(str(error)) from error


async def message(request: Request) -> dict[str, Any]:
    """Return the JSON object that a request carries."""
    try:
        body = await request.body()
    except ClientDisconnect:
        raise DeskError("The message did not arrive whole.") from None
    with sense():
        value = json.loads(body, parse_constant=_no_number)
        if not isinstance(value, dict):
            raise ValueError("not an object")
    return value


def _no_number(word: str) -> float:
    """Refuse ``Infinity`` and ``NaN``, which Python reads and JSON (RFC 8259) does not have."""
    raise ValueError(f"{word} is no number")
