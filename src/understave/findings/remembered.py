"""A function of a score, its spans or both -> the same function, which does not work out the same twice.

Several kinds of event rest on the same findings (the texture, the phrase ends). Score and spans are frozen
values, so what was found for them stays true; they are told apart by identity, since comparing them
note by note would take longer than the finding.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TypeVar, TypeVarTuple

_T = TypeVar("_T")
_Given = TypeVarTuple("_Given")
_KEPT = 4


def remembered(find: Callable[[*_Given], _T]) -> Callable[[*_Given], _T]:
    """Return a function that keeps the results for the last few pieces; it is called by position."""
    kept: dict[tuple[int, ...], tuple[tuple[*_Given], _T]] = {}

    @wraps(find)
    def found(*given: *_Given) -> _T:
        key = tuple(map(id, given))
        # The values are kept with the result, so that no other can take their identity meanwhile.
        known = kept.get(key)
        if known is None:
            known = kept[key] = (given, find(*given))
            if len(kept) > _KEPT:
                kept.pop(next(iter(kept)), None)
        return known[1]

    return found
