"""All kinds of event that are found, in the order in which simultaneous ones are told: ours and guests'."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from typing import Any

from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE, PICARDY
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.dissonance import SHARP_DISSONANCE
from understave.findings.form import FORM, SECTION
from understave.findings.instructions import INSTRUCTION, PEDAL_MARK
from understave.findings.keyplan import KEY, PIVOT_CHORD
from understave.findings.kinds import SURE, USUAL, Finder, Kind, Lane, Stop
from understave.findings.melody import MELODY
from understave.findings.modes import MODE_SWITCH
from understave.findings.motives import MOTIVE
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.pedalpoints import DRONE, PEDAL_POINT, REPEATED_NOTE
from understave.findings.phrase_forms import PHRASE_FORM
from understave.findings.phrases import PHRASE
from understave.findings.reheard import ENHARMONIC_PIVOT
from understave.findings.returns import DIFFERENCE, RETURN
from understave.findings.rhythm import HARMONIC_RHYTHM
from understave.findings.sequences import CHAIN, SEQUENCE
from understave.findings.sixfours import BASS_SEVENTH, SIX_FOUR
from understave.findings.texture import TEXTURE
from understave.findings.variations import VARIATION
from understave.guests import Guest, guests, leave_out_failed
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

KINDS: tuple[Kind[Any], ...] = (
    NON_CHORD_TONE,
    SHARP_DISSONANCE,
    CADENCE,
    PICARDY,
    PHRASE,
    PHRASE_FORM,
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
    VARIATION,
    SEQUENCE,
    CHAIN,
    HARMONIC_RHYTHM,
    INSTRUCTION,
    PEDAL_MARK,
)
"""The kinds of the house itself."""


@lru_cache(maxsize=1)
def guest_kinds() -> Mapping[str, Guest[Kind[Any]]]:
    """Return the kinds that other installed packages bring (`understave.guests`), by name.

    A guest is a `Kind` in the entry-point group ``understave.kinds``. Its module holds, as ours do, a frozen
    dataclass of details on `Details`, the finder and the entry::

        @dataclass(frozen=True, slots=True, kw_only=True)
        class BellDetails(Details):
            pitch: Pitch

        def bells(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
            ...

        BELL = Kind(name="bell", details=BellDetails, find=bells, lane=Lane(), stop=Stop("bell"))

    What the entry says holds everywhere: the events are told, drawn, searched, exported and may be stops. The
    words come from the group ``understave.words``. Where one function finds several kinds, each is an entry
    point and the first of them has the finder. A finder that fails, or finds what does not fit the score (see
    `checked`), is left out for that piece, and a sentence says so.
    """
    found = guests("understave.kinds", Kind, {*(kind.name for kind in KINDS), *_OTHER_NAMES}, _wrong)
    return {guest.value.name: replace(guest, value=_guarded(guest)) for guest in found}


_OTHER_NAMES = ("tension", "dynamics", "voicing", "pedalling", "timing", "chord", "note")
"""Names that mean something else where kinds are told or asked for: reasons of a plan, questions, counts."""


def _wrong(kind: Any) -> str:
    if not (isinstance(kind.details, type) and issubclass(kind.details, Details)):
        return "its details are no class on Details"
    if kind.find is not None and not callable(kind.find):
        return "its finder is no function"
    if not all(isinstance(w, int | float) and w >= 0 for w in (kind.weight, *kind.labels.values())):
        return "its weights are not numbers from 0 on"
    if not isinstance(kind.lane, Lane | None) or not isinstance(kind.stop, Stop | None):
        return "its lane is no Lane or its stop no Stop"
    named = [*kind.searched, *(label for labels in kind.searched.values() for label in labels)]
    if not all(isinstance(name, str) for name in named):
        return "the names by which it is searched are no texts"
    taken = sorted({n for kind in KINDS for n in kind.searched} & set(kind.searched))
    return f"Understave already searches something else by the name {taken[0]!r}" if taken else ""


def _guarded(guest: Guest[Kind[Any]]) -> Kind[Any]:
    """Return a guest's kind with functions that never fail: instead, the guest is left out."""
    kind = guest.value

    def find(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
        assert kind.find is not None
        try:
            return checked(kind.find(score, spans), guest.package, score)
        except Exception as error:  # a stranger's function can fail in any way
            leave_out_failed(guest, error)
            return ()

    def weigh(base: float, event: Event, details: Any) -> float:
        assert kind.weigh is not None
        try:
            return max(0.0, float(kind.weigh(base, event, details)))
        except Exception as error:
            leave_out_failed(guest, error)
            return base

    return replace(kind, find=kind.find and find, weigh=kind.weigh and weigh)


def checked(events: object, package: str, score: Score) -> tuple[Event, ...]:
    """Return what a guest's finder found; raise ValueError where it is not what a finder returns.

    Each event must be of a kind of the same package, with its details; lie within the score, with notes of
    it; and be sure from 0 to 1.
    """
    if not isinstance(events, tuple | list):
        raise ValueError("its finder returns no tuple of events")
    for event in events:
        if not isinstance(event, Event):
            raise ValueError(f"its finder returns a {type(event).__name__} among its events")
        own = guest_kinds().get(event.kind)
        if own is None or own.package != package or own.value.of(event) is None:
            raise ValueError(f"its finder returns an event {event.kind!r} without a kind or its details")
        if not (Fraction(0) <= event.start <= event.end <= score.end and 0 <= event.confidence <= 1):
            raise ValueError(f"its finder returns {event!r}, outside the piece or not sure from 0 to 1")
        unknown = [i for i in event.notes if i not in score.note_by_id]
        if unknown:
            raise ValueError(f"its finder names a note {unknown[0]!r} that the score does not have")
    return tuple(events)


@lru_cache(maxsize=1)
def _by_name() -> Mapping[str, Kind[Any]]:
    return {kind.name: kind for kind in kinds()}


def kinds() -> tuple[Kind[Any], ...]:
    """Return all kinds that are found: ours, then those of guests."""
    return (*KINDS, *(guest.value for guest in guest_kinds().values()))


def kind_called(name: str) -> Kind[Any] | None:
    """Return a kind by its name, None for a name that no kind has."""
    return _by_name().get(name)


def kind_of(event: Event) -> Kind[Any] | None:
    """Return the kind of an event, None for a reason of a plan."""
    return kind_called(event.kind)


def finders() -> tuple[Finder, ...]:
    """Return the functions that find events, in the order in which simultaneous events are told."""
    return tuple(kind.find for kind in kinds() if kind.find is not None)


def key_of(event: Event) -> Key | None:
    """Return the key that an event is in, whatever its kind; None where its details name none."""
    key = getattr(event.details, "key", None)
    return key if isinstance(key, Key) else None


def chord_of(event: Event) -> RomanNumeral | None:
    """Return the chord that an event is about, whatever its kind: of a cadence its goal, of a pivot chord its
    name in the old key; None where its details name none.
    """
    named = (getattr(event.details, name, None) for name in ("chord", "numeral", "goal"))
    chord = next((found for found in named if found is not None), None)
    return chord if isinstance(chord, RomanNumeral) else None


def is_sure(event: Event) -> bool:
    """Whether an event is sure enough to be told: what is less so stands in the full list only."""
    kind = kind_of(event)
    return event.confidence >= SURE if kind is None else kind.is_sure(event)


def weight(event: Event) -> float:
    """Return how much an event matters, before its confidence: 0 and more."""
    kind = kind_of(event)
    return USUAL if kind is None else kind.matters(event)
