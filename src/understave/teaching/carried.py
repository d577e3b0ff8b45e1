"""The reading of a score carried over to a score made from it: some bars, another key, other notes.

In: spans, the moments they are cut to, an interval, and the new score. Out: spans for the new score, with the
notes that sound there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction

from understave.findings import find_events
from understave.harmony.engine import sort_notes
from understave.harmony.reading import Alternative, Reading, Span
from understave.score.model import Score
from understave.score.transpose import moved_key
from understave.theory.pitch import Interval

UNISON = Interval(0, 0)


def carry(
    spans: Iterable[Span],
    score: Score,
    start: Fraction,
    end: Fraction,
    interval: Interval = UNISON,
) -> tuple[Span, ...]:
    """Return the spans between two moments for a score that begins at the first of them.

    Their keys are moved by `interval`; their notes are those that sound in `score`.
    """
    found = []
    for span in spans:
        lo, hi = max(span.start, start), min(span.end, end)
        if lo >= hi:
            continue
        others = tuple(
            Alternative(moved_key(a.key, interval), a.numeral, a.confidence) for a in span.alternatives
        )
        found.append(
            replace(
                span, start=lo - start, end=hi - start, key=moved_key(span.key, interval), alternatives=others
            )
        )
    return with_notes(score, found)


def with_notes(score: Score, spans: Iterable[Span]) -> tuple[Span, ...]:
    """Return spans with the notes that sound in them in a score."""
    result = []
    for span in spans:
        here = [
            note for note in score.notes if not note.grace and note.onset < span.end and note.end > span.start
        ]
        own, foreign = sort_notes(here, span.numeral.chord(span.key))
        result.append(replace(span, notes=own, foreign=foreign))
    return tuple(result)


def reading_of(score: Score, spans: tuple[Span, ...]) -> Reading:
    """Return a reading of a score from its spans, with the events they show."""
    return Reading(spans, find_events(score, spans))
