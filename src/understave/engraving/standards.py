"""What every PDF of ours declares: PDF/A-2a (ISO 19005-2) and PDF/UA-1 (ISO 14289-1), and its date."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any

import typst

from understave.score.model import Score

_DECLARED: tuple[Sequence[str], ...] = (["a-2a", "ua-1"], ["ua-1"])


def date_of(score: Score) -> int:
    """Return the day on which a score says it was encoded, in seconds from 1970 on; 0 where it says none.

    PDF/A wants a date. That of the score gives the same bytes for the same score wherever they are made.
    """
    try:
        day = datetime.fromisoformat(score.metadata.get("encoding-date", "")).replace(tzinfo=UTC)
    except ValueError:
        return 0
    return max(0, int(day.timestamp()))


def declared(compiled: Callable[[Any], bytes | list[bytes]]) -> bytes:
    """Return the pages as the most that typst lets them declare; `compiled` is told the standards, or None.

    Pages without a title declare none: their pictures would have no words. Raises typst.TypstError where
    there is no PDF at all.
    """
    made: bytes | list[bytes] = b""
    for standards in _DECLARED:
        with suppress(typst.TypstError):
            made = compiled(standards)
            break
    made = made or compiled(None)
    return made if isinstance(made, bytes) else made[0]
