"""Spans and other names for them -> spans again, their notes sorted and equal neighbours joined."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from understave.harmony.engine import sort_notes
from understave.harmony.reading import Span
from understave.score.model import Note
from understave.theory.roman import RomanNumeral


def relabelled(span: Span, numeral: RomanNumeral, notes: Sequence[Note]) -> Span:
    """Return a span under another numeral of its key, which is no alternative any more."""
    here = [note for note in notes if note.onset < span.end and note.end > span.start]
    members, foreign = sort_notes(here, numeral.chord(span.key))
    others = tuple(a for a in span.alternatives if (a.key, a.numeral) != (span.key, numeral))
    return replace(span, numeral=numeral, notes=members, foreign=foreign, alternatives=others)


def joined(spans: Sequence[Span], changed: Sequence[bool]) -> tuple[Span, ...]:
    """Make one span of neighbours that say the same since one of them `changed`, as sure as the longer.

    What the teacher set stays as it is.
    """
    result = list(spans[:1])
    for (was, now), span in zip(pairwise(changed), spans[1:], strict=True):
        last = result[-1]
        if (was or now) and _say_the_same(last, span):
            longer = max(last, span, key=lambda span: span.end - span.start)
            ids = tuple(dict.fromkeys((*last.notes, *span.notes)))
            foreign = tuple(dict.fromkeys((*last.foreign, *span.foreign)))
            result[-1] = replace(longer, start=last.start, end=span.end, notes=ids, foreign=foreign)
        else:
            result.append(span)
    return tuple(result)


def _say_the_same(a: Span, b: Span) -> bool:
    return (a.end, a.key, a.numeral) == (b.start, b.key, b.numeral) and not (a.fixed or b.fixed)
