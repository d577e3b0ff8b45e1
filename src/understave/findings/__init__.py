"""Score and spans -> events: the story of a piece, one module per kind of event.

Every module has one function from a Score and the spans of its Reading to events; `find_events` calls
them all, and `agreement` settles where they contradict one another. An event's kind and label are trade
terms in lower case; what its `detail` holds is listed, per label, in the module that finds it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TypeAlias

from understave.findings.agreement import settle
from understave.findings.applied import find_applied
from understave.findings.cadences import find_phrases_and_cadences
from understave.findings.chromatic import find_chromatic
from understave.findings.dissonance import find_dissonances
from understave.findings.form import find_form
from understave.findings.instructions import find_instructions
from understave.findings.keyplan import find_keys
from understave.findings.melody import find_melody
from understave.findings.modes import find_mode_switches
from understave.findings.motives import find_motives
from understave.findings.nonchord import find_nonchord
from understave.findings.pedalpoints import find_pedalpoints
from understave.findings.reheard import find_reheard
from understave.findings.returns import find_returns
from understave.findings.rhythm import find_rhythm
from understave.findings.sequences import find_sequences
from understave.findings.sixfours import find_sixfours
from understave.findings.texture import find_texture
from understave.harmony.key_length import USUAL, KeyLength, trust_for
from understave.harmony.reading import Correction, Event, Reading, Span
from understave.harmony.trained import read_trained
from understave.score.model import Score

Finder: TypeAlias = Callable[[Score, tuple[Span, ...]], tuple[Event, ...]]

# One line per module, so that each kind of event can be added or taken out alone.
FINDERS: tuple[Finder, ...] = (
    find_nonchord,
    find_dissonances,
    find_phrases_and_cadences,
    find_sixfours,
    find_chromatic,
    find_applied,
    find_reheard,
    find_mode_switches,
    find_keys,
    find_pedalpoints,
    find_form,
    find_texture,
    find_melody,
    find_motives,
    find_returns,
    find_sequences,
    find_rhythm,
    find_instructions,
)
"""The functions that find events, in the order in which simultaneous events are told."""


def find_events(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the events of every kind, sorted by start; those that start together keep the finders' order."""
    found = [event for find in FINDERS for event in find(score, spans)]
    return settle(tuple(sorted(found, key=lambda event: event.start)), spans)


def read(score: Score, corrections: Iterable[Correction] = (), keys_last: KeyLength = USUAL) -> Reading:
    """Return the whole reading: spans around the teacher's corrections, and the events they show.

    `keys_last` is how long a key must last to count as one. Raises UnderstaveError where a correction does
    not fit the score, or where nothing sounds.
    """
    return with_events(score, read_trained(score, corrections, trust_for(score, keys_last)))


def with_events(score: Score, reading: Reading) -> Reading:
    """Return a reading with the events that its spans show."""
    return replace(reading, events=find_events(score, reading.spans))
