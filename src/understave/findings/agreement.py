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

from dataclasses import replace
from fractions import Fraction

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
    sequences = [e for e in events if e.kind == "sequence" and e.get("pattern") is not None]
    pedals = [e for e in events if e.kind == "pedal point"]
    basses = [e for e in pedals if e.get("place") == "bass"]
    kept = [e for e in events if not _is_refuted(e, sequences, basses, pedals, spans)]
    passed = [e for e in kept if e.kind == "key" and e.label == "modulation" and _within(e, sequences)]
    cadences = [e for e in kept if e.kind == "cadence" and _confirms(e)]
    settled = []
    for e in kept:
        if e.kind == "pivot chord" and any(_leads(e, key) for key in passed):
            continue
        if e in passed:
            e = replace(e, label="tonicization")
        settled.append(_with_own_cadence(e, cadences) if e.kind == "key" else e)
    return tuple(settled)


def _is_refuted(
    event: Event, sequences: list[Event], basses: list[Event], pedals: list[Event], spans: tuple[Span, ...]
) -> bool:
    if event.kind == "cadence" and event.label in _AUTHENTIC:
        arrival = _arrival(event)
        held = any(p.start <= event.start and arrival < p.end for p in basses)
        return held or any(
            s.start < event.start and sum(arrival < c.start < s.end for c in spans) >= _FOLLOWING
            for s in sequences
        )
    if event.kind == "drone" and event.label == "single tone":
        notes = set(event.notes)
        told = any(p.start <= event.start < p.end and notes & set(p.notes) for p in pedals)
        return told or sum(c.start < event.end and c.end > event.start for c in spans) < _CHANGING
    return False


def _arrival(event: Event) -> Fraction:
    arrival = event.get("arrival")
    return arrival if isinstance(arrival, Fraction) else Fraction(event.start)


def _confirms(cadence: Event) -> bool:
    """Whether a cadence confirms its key: authentic, at the end of a phrase, both chords in root position."""
    weak = cadence.get("weak")
    rooted = not isinstance(weak, tuple) or set(weak) <= {"melody not on the tonic", "top not on the tonic"}
    heard = cadence.get("ends_phrase") == 1 or cadence.confidence >= _HEARD
    return cadence.label in _AUTHENTIC and heard and rooted


def _within(event: Event, sequences: list[Event]) -> bool:
    return any(s.start <= event.start and event.end <= s.end for s in sequences)


def _leads(pivot: Event, key: Event) -> bool:
    """Whether a pivot chord leads into a key or out of it."""
    return key.start - (pivot.end - pivot.start) <= pivot.start <= key.end and key.get("key") in (
        pivot.get("key"),
        pivot.get("new_key"),
    )


def _with_own_cadence(key: Event, cadences: list[Event]) -> Event:
    """Return a key's event with its first authentic cadence, or without any."""
    found = [
        _arrival(c) for c in cadences if c.get("key") == key.get("key") and key.start < _arrival(c) < key.end
    ]
    detail = [(k, v) for k, v in key.detail if k != "cadence"]
    if found and key.get("cadence") is not None:
        detail.append(("cadence", min(found)))
    return replace(key, detail=tuple(detail))
