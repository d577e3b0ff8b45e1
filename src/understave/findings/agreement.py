"""Events and spans -> the events that can stand beside one another: one finder may refute another.

Each module looks at one thing. Here the claims that contradict one another are settled:

- An authentic cadence needs a bass that moves to its goal: over a pedal point that began with or before the
  dominant there is none; nor in the midst of a sequence of roots, whose chords lead on (Caplin, Classical
  Form, 1998, chapters 2 and 3, from memory: sequences and pedal points weaken cadence to mere progression).
- A key that only a sequence of roots passes through is a tonicization, and has no pivot chord of its own.
- ``cadence`` of a key is the arrival of its first authentic cadence with both chords in root position that
  ends a phrase or is well heard inside one; else it is left out, as where a half cadence ends one phrase
  and the tonic begins the next.
- A single tone within one standing chord and the next is no drone, nor one that a pedal point tells of.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import replace
from fractions import Fraction

from understave.findings.cadences import CADENCE, CadenceDetails
from understave.findings.keyplan import KEY, PIVOT_CHORD
from understave.findings.pedalpoints import DRONE, PEDAL_POINT
from understave.findings.sequences import SEQUENCE
from understave.harmony.reading import Event, Span

_AUTHENTIC = ("perfect authentic", "imperfect authentic")
_FOLLOWING = 2
"""Chords of a sequence after a goal by which it is seen to lead on."""
_HEARD = 0.4
"""Confidence from which a cadence inside a phrase is heard as one."""
_CHANGING = 3
"""Chords that a single tone must outlast to be a drone."""


def settle(events: tuple[Event, ...], spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the events without those that others refute, in the same order."""
    sequences = [event for event, found in SEQUENCE.all(events) if found.pattern is not None]
    pedals = [event for event in events if event in PEDAL_POINT]
    basses = [event for event, found in PEDAL_POINT.all(pedals) if found.place == "bass"]
    kept = [event for event in events if not _is_refuted(event, sequences, basses, pedals, spans)]
    passed = [
        event for event in kept if event in KEY and event.label == "modulation" and _within(event, sequences)
    ]
    cadences = [found for event, found in CADENCE.all(kept) if _confirms(event, found)]
    settled = []
    for event in kept:
        if event in PIVOT_CHORD and any(_leads(event, key) for key in passed):
            continue
        if event in passed:
            event = replace(event, label="tonicization")
        settled.append(_with_own_cadence(event, cadences))
    return tuple(settled)


def _is_refuted(
    event: Event, sequences: list[Event], basses: list[Event], pedals: list[Event], spans: tuple[Span, ...]
) -> bool:
    if (cadence := CADENCE.of(event)) is not None and event.label in _AUTHENTIC:
        arrival = cadence.arrival
        held = any(p.start <= event.start and arrival < p.end for p in basses)
        return held or any(
            s.start < event.start and _begin_between(spans, arrival, s.end) >= _FOLLOWING for s in sequences
        )
    if event in DRONE and event.label == "single tone":
        notes = set(event.notes)
        told = any(p.start <= event.start < p.end and notes & set(p.notes) for p in pedals)
        ended = bisect_right(spans, event.start, key=lambda span: span.end)
        return told or bisect_left(spans, event.end, key=lambda span: span.start) - ended < _CHANGING
    return False


def _begin_between(spans: tuple[Span, ...], after: Fraction, before: Fraction) -> int:
    """Return how many spans begin between two moments (none or fewer where they lie crosswise)."""
    first = bisect_right(spans, after, key=lambda span: span.start)
    return bisect_left(spans, before, key=lambda span: span.start) - first


def _confirms(event: Event, cadence: CadenceDetails) -> bool:
    """Whether a cadence confirms its key: authentic, at the end of a phrase, both chords in root position."""
    rooted = set(cadence.weak or ()) <= {"melody not on the tonic", "top not on the tonic"}
    heard = cadence.ends_phrase == 1 or event.confidence >= _HEARD
    return event.label in _AUTHENTIC and heard and rooted


def _within(event: Event, sequences: list[Event]) -> bool:
    return any(s.start <= event.start and event.end <= s.end for s in sequences)


def _leads(event: Event, entered: Event) -> bool:
    """Whether a pivot chord leads into a key or out of it."""
    pivot, key = PIVOT_CHORD.of(event), KEY.of(entered)
    near = entered.start - (event.end - event.start) <= event.start <= entered.end
    return near and pivot is not None and key is not None and key.key in (pivot.key, pivot.new_key)


def _with_own_cadence(event: Event, cadences: list[CadenceDetails]) -> Event:
    """Return a key's event with its first authentic cadence, or without any; other events as they are."""
    key = KEY.of(event)
    if key is None or key.cadence is None:
        return event
    found = [
        details.arrival
        for details in cadences
        if details.key == key.key and event.start < details.arrival < event.end
    ]
    return replace(event, details=replace(key, cadence=min(found, default=None)))
