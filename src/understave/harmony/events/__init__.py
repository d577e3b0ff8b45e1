"""Score and spans -> events: the story of a piece, one module per kind of event.

Every module has one function from a Score and the spans of its Reading to events; `find_events` calls
them all, and `agreement` settles where they contradict one another. An event's kind and label are trade
terms in lower case; what its `detail` holds is listed, per label, in the module that finds it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

from understave.harmony.events.agreement import settle
from understave.harmony.events.applied import find_applied
from understave.harmony.events.cadences import find_phrases_and_cadences
from understave.harmony.events.chromatic import find_chromatic
from understave.harmony.events.dissonance import find_dissonances
from understave.harmony.events.form import find_form
from understave.harmony.events.instructions import find_instructions
from understave.harmony.events.keyplan import find_keys
from understave.harmony.events.melody import find_melody
from understave.harmony.events.modes import find_mode_switches
from understave.harmony.events.motives import find_motives
from understave.harmony.events.nonchord import find_nonchord
from understave.harmony.events.pedalpoints import find_pedalpoints
from understave.harmony.events.reheard import find_reheard
from understave.harmony.events.returns import find_returns
from understave.harmony.events.rhythm import find_rhythm
from understave.harmony.events.sequences import find_sequences
from understave.harmony.events.sixfours import find_sixfours
from understave.harmony.events.texture import find_texture
from understave.harmony.reading import Event, Span
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
