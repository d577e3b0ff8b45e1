"""A function of a score and its spans -> the same function, which does not work out the same twice.

Several kinds of event rest on the same findings (the texture, the phrase ends). Score and spans are frozen
values, so what was found for them stays true; they are told apart by identity, since comparing them
note by note would take longer than the finding.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TypeAlias, TypeVar

from understave.harmony.reading import Span
from understave.score.model import Score

_T = TypeVar("_T")
_Found: TypeAlias = Callable[[Score, tuple[Span, ...]], _T]
_KEPT = 4


def remembered(find: _Found[_T]) -> _Found[_T]:
    """Return a function that keeps the results for the last few pieces."""
    kept: dict[tuple[int, int], tuple[Score, tuple[Span, ...], _T]] = {}

    @wraps(find)
    def found(score: Score, spans: tuple[Span, ...]) -> _T:
        key = (id(score), id(spans))
        # The values are kept with the result, so that no other can take their identity meanwhile.
        known = kept.get(key)
        if known is None:
            known = kept[key] = (score, spans, find(score, spans))
            if len(kept) > _KEPT:
                kept.pop(next(iter(kept)), None)
        return known[2]

    return found
