"""Score and spans -> events: the story of a piece, one module per kind of event.

Every module has one function from a Score and the spans of its Reading to events, and for each kind it finds
an entry for the other rooms and a dataclass of details (`kinds`). `catalogue` lists the entries;
`find_events` calls the finders, and `agreement` settles where they contradict one another. An event's kind
and label are trade terms in lower case; what its details mean is told in the module that finds it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from understave.findings.agreement import settle
from understave.findings.catalogue import finders
from understave.findings.over_held import with_layer
from understave.findings.without_keys import without_keys
from understave.harmony.ground import goes_by_keys
from understave.harmony.key_length import USUAL, KeyLength, trust_for
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.reading import Correction, Event, Reading, Span
from understave.harmony.trained import read_trained
from understave.score.model import Score


def find_events(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the events of every kind, sorted by start; those that start together keep the finders' order."""
    found = [event for find in finders() for event in find(score, spans)]
    return settle(tuple(sorted(found, key=lambda event: event.start)), spans)


def read(
    score: Score,
    corrections: Iterable[Correction] = (),
    keys_last: KeyLength = USUAL,
    habits: Habits = NO_HABITS,
) -> Reading:
    """Return the whole reading: spans around the teacher's corrections, and the events they show.

    `keys_last` is how long a key must last to count as one, `habits` are the teacher's. Where the music does
    not go by keys, no event speaks of them. Raises UnderstaveError where a correction does not fit the score,
    or where nothing sounds.
    """
    decided = tuple(corrections)
    found = read_trained(score, decided, trust_for(score, keys_last, habits))
    return with_events(score, found, goes_by_keys(found.spans, decided))


def with_events(score: Score, reading: Reading, keyed: bool) -> Reading:
    """Return a reading with the events that its spans show, and with what moves above held basses.

    Where the music is not `keyed`, none of them speaks of keys.
    """
    events = with_layer(score, reading.spans, find_events(score, reading.spans))
    return replace(reading, events=events if keyed else tuple(without_keys(events)))
