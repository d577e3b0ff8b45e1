"""All kinds of event that this house finds, in the order in which simultaneous ones are told."""

from __future__ import annotations

from typing import Any

from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE, PICARDY
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.dissonance import SHARP_DISSONANCE
from understave.findings.form import FORM, SECTION
from understave.findings.instructions import INSTRUCTION, PEDAL_MARK
from understave.findings.keyplan import KEY, PIVOT_CHORD
from understave.findings.kinds import USUAL, Finder, Kind
from understave.findings.melody import MELODY
from understave.findings.modes import MODE_SWITCH
from understave.findings.motives import MOTIVE
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.pedalpoints import DRONE, PEDAL_POINT, REPEATED_NOTE
from understave.findings.phrases import PHRASE
from understave.findings.reheard import ENHARMONIC_PIVOT
from understave.findings.returns import DIFFERENCE, RETURN
from understave.findings.rhythm import HARMONIC_RHYTHM
from understave.findings.sequences import CHAIN, SEQUENCE
from understave.findings.sixfours import BASS_SEVENTH, SIX_FOUR
from understave.findings.texture import TEXTURE
from understave.harmony.reading import Event

KINDS: tuple[Kind[Any], ...] = (
    NON_CHORD_TONE,
    SHARP_DISSONANCE,
    CADENCE,
    PICARDY,
    PHRASE,
    SIX_FOUR,
    BASS_SEVENTH,
    CHROMATIC_CHORD,
    APPLIED_CHORD,
    ENHARMONIC_PIVOT,
    MODE_SWITCH,
    KEY,
    PIVOT_CHORD,
    PEDAL_POINT,
    DRONE,
    REPEATED_NOTE,
    FORM,
    SECTION,
    TEXTURE,
    MELODY,
    MOTIVE,
    RETURN,
    DIFFERENCE,
    SEQUENCE,
    CHAIN,
    HARMONIC_RHYTHM,
    INSTRUCTION,
    PEDAL_MARK,
)
"""The kinds of the house itself."""


def kinds() -> tuple[Kind[Any], ...]:
    """Return all kinds that are found."""
    return KINDS


def kind_called(name: str) -> Kind[Any] | None:
    """Return a kind by its name, None for a name that no kind has."""
    return next((k for k in kinds() if k.name == name), None)


def kind_of(event: Event) -> Kind[Any] | None:
    """Return the kind of an event, None for a reason of a plan."""
    return kind_called(event.kind)


def finders() -> tuple[Finder, ...]:
    """Return the functions that find events, in the order in which simultaneous events are told."""
    return tuple(k.find for k in kinds() if k.find is not None)


def weight(event: Event) -> float:
    """Return how much an event matters, before its confidence: 0 and more."""
    kind = kind_of(event)
    return USUAL if kind is None else kind.matters(event)
