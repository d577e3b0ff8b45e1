"""How a moment of a story follows from the one told before it: by cause, contrast or answer, not time alone.

In: a Score, its Reading and two events told one after the other. Out: the name of a link in ``told.link``,
``""`` where nothing but time joins them. A link is said only where the two events show what it says: an
answer needs a question just before it, "this time" a passage that comes back and what was not there at first.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE, PICARDY
from understave.findings.catalogue import key_of
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.dissonance import SHARP_DISSONANCE
from understave.findings.keyplan import KEY
from understave.findings.modes import MODE_SWITCH
from understave.findings.motives import MOTIVE
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.pedalpoints import PEDAL_POINT
from understave.findings.returns import RETURN
from understave.findings.sequences import CHAIN, SEQUENCE
from understave.findings.sixfours import SIX_FOUR
from understave.harmony.reading import Event, Reading
from understave.score.model import Score

_FULL = ("perfect authentic", "imperfect authentic")
_ASKING = ("half", "phrygian half")
_NEAR = 2
"""Bars between what asks and what answers, at most."""
_A_BEAT = Fraction(1)
_HELD = ("tonic", "dominant")


def link_between(score: Score, reading: Reading, before: Event, event: Event) -> str:
    """Return how an event follows from the one told before it, ``""`` where only by time."""
    for name, holds in _LINKS:
        if holds(score, reading, before, event):
            return name
    return ""


def _soon_after(score: Score, before: Event, event: Event) -> bool:
    """Whether an event arrives within a bar or two of the end of another, and not before it begins."""
    arrival = _arrival(event)
    bars = score.measure_at(arrival).index - score.measure_at(min(before.end, score.end)).index
    return arrival > before.start and bars <= _NEAR


def _arrival(event: Event) -> Fraction:
    cadence = CADENCE.of(event)
    return event.start if cadence is None else cadence.arrival


def _arrives(event: Event) -> bool:
    """Whether something is reached: a full close, the home key, music that comes back, major after minor."""
    return (
        (event in CADENCE and event.label in _FULL)
        or (event in KEY and event.label == "home")
        or event in RETURN
        or (event in MODE_SWITCH and event.label == "minor to major")
    )


def _waited(score: Score, _: Reading, before: Event, event: Event) -> bool:
    held = before in PEDAL_POINT and before.label == "dominant"
    return held and _arrives(event) and _arrival(event) >= before.end and _soon_after(score, before, event)


def _kept(score: Score, _: Reading, before: Event, event: Event) -> bool:
    broken = before in CADENCE and before.label in ("deceptive", "evaded")
    closes = event in CADENCE and event.label == _FULL[0]
    return broken and closes and key_of(before) == key_of(event) and _soon_after(score, before, event)


def _answers(score: Score, _: Reading, before: Event, event: Event) -> bool:
    asked = before in CADENCE and before.label in _ASKING
    return asked and _arrives(event) and _soon_after(score, before, event)


def _sealed(score: Score, _: Reading, before: Event, event: Event) -> bool:
    turned = before in KEY and before.label == "modulation"
    closes = event in CADENCE and event.label == _FULL[0]
    return turned and closes and key_of(before) == key_of(event) and event.start >= before.start


def _road(score: Score, _: Reading, before: Event, event: Event) -> bool:
    led = before in SEQUENCE or (before in CHAIN and before.label != "lament bass")
    arrived = (event in CADENCE and event.label in _FULL) or event in KEY or event in PEDAL_POINT
    return led and arrived and _arrival(event) >= before.end and _soon_after(score, before, event)


def _struck(score: Score, start: Fraction, end: Fraction) -> tuple[set[tuple[Fraction, int]], set[int]]:
    """Return what is struck in a stretch, or sounds as it begins: the highest and the lowest key of each
    moment after its start, and what notes there are in all, octaves aside.
    """
    struck: dict[Fraction, list[int]] = {}
    for note in score.struck:
        if note.onset < end and (note.onset >= start or note.until > start):
            struck.setdefault(max(note.onset - start, Fraction(0)), []).append(note.midi)
    outer = {(moment, edge(keys)) for moment, keys in struck.items() for edge in (min, max)}
    return outer, {key % 12 for keys in struck.values() for key in keys}


def _this_time(score: Score, reading: Reading, before: Event, event: Event) -> bool:
    """Whether an event lies in a passage that comes back, and nothing of its kind lay there before."""
    back = RETURN.of(before)
    if back is None or not before.start <= event.start < before.end:
        return False
    if event in KEY or event in RETURN or event in MOTIVE:
        return False
    then = back.from_start + (event.start - before.start)
    if _struck(score, event.start, event.end) == _struck(score, then, then + event.end - event.start):
        # What was there at first sounded as it does now.
        return False
    return not any(
        other.kind == event.kind and other.label == event.label and abs(other.start - then) <= _A_BEAT
        for other in reading.events
    )


def _yet(_: Score, __: Reading, before: Event, event: Event) -> bool:
    dark = (
        (before in CHROMATIC_CHORD and before.label in ("borrowed chord", "neapolitan"))
        or (before in MODE_SWITCH and before.label == "major to minor")
        or _is_in_minor(before)
    )
    light = event in PICARDY or (event in MODE_SWITCH and event.label == "minor to major")
    return dark and light


def _is_in_minor(event: Event) -> bool:
    back = event in RETURN and event.label == "in the other mode"
    key = key_of(event)
    return back and key is not None and key.mode == "minor"


def _journey(_: Score, __: Reading, before: Event, event: Event) -> bool:
    return before in KEY and before.label == "modulation" and event in KEY and event.label == "home"


def _from_there(_: Score, __: Reading, before: Event, event: Event) -> bool:
    away = before in KEY and before.label == "modulation"
    return away and event in KEY and event.label == "modulation" and key_of(before) != key_of(event)


def _hardly(score: Score, _: Reading, before: Event, event: Event) -> bool:
    """Whether what has just come to rest is left at once, for another key or by a chord from outside."""
    rests = before in CADENCE and before.label == _FULL[0]
    leaves = event in CHROMATIC_CHORD or event in APPLIED_CHORD or event in SHARP_DISSONANCE
    leaves |= event in KEY and event.label != "home"
    leaves |= event in MODE_SWITCH and event.label == "major to minor"
    return rests and leaves and event.start >= _arrival(before) and _soon_after(score, before, event)


def _instead(score: Score, _: Reading, before: Event, event: Event) -> bool:
    """Whether a question is followed by a way out of the key that it was asked in."""
    asked = before in CADENCE and before.label in _ASKING
    leaves = event in KEY and event.label in ("modulation", "parallel", "tonicization")
    return asked and leaves and event.start >= before.end and _soon_after(score, before, event)


def _promised(score: Score, _: Reading, before: Event, event: Event) -> bool:
    leans = before in SIX_FOUR and before.label == "cadential"
    return leans and _closes_in(before, event) and _soon_after(score, before, event)


def _passed(score: Score, _: Reading, before: Event, event: Event) -> bool:
    dark = before in CHROMATIC_CHORD and before.label in ("borrowed chord", "neapolitan")
    return dark and _closes_in(before, event) and _soon_after(score, before, event)


def _resolved(score: Score, _: Reading, before: Event, event: Event) -> bool:
    """Whether a close follows what rubbed and was resolved before it."""
    rubs = before in SHARP_DISSONANCE or (before in NON_CHORD_TONE and before.label == "suspension")
    over = _arrival(event) >= before.end
    return rubs and over and _closes_in(before, event) and _soon_after(score, before, event)


def _closes_in(before: Event, event: Event) -> bool:
    """Whether an event is a full close in the key of another."""
    return event in CADENCE and event.label == _FULL[0] and key_of(before) in (None, key_of(event))


def _there(_: Score, __: Reading, before: Event, event: Event) -> bool:
    """Whether something happens in the key that was just reached, while it lasts."""
    reached = before in KEY and before.label == "modulation" and key_of(before) == key_of(event)
    happens = any(event in kind for kind in (*_OVER_A_BASS, SEQUENCE, CHAIN)) and event not in MODE_SWITCH
    return reached and happens and before.start < event.start < before.end


def _meanwhile(_: Score, __: Reading, before: Event, event: Event) -> bool:
    """Whether a note or a chord is told of while a passage that came before it still goes on."""
    lasts = before in RETURN or before in SEQUENCE or before in CHAIN
    inside = any(event in kind for kind in _OVER_A_BASS) or event in PEDAL_POINT
    return lasts and inside and before.start < event.start and event.end <= before.end


def _above(_: Score, __: Reading, before: Event, event: Event) -> bool:
    held = before in PEDAL_POINT and before.label in _HELD and before.start <= event.start < before.end
    return held and any(event in kind for kind in _OVER_A_BASS)


_OVER_A_BASS = (CHROMATIC_CHORD, APPLIED_CHORD, SHARP_DISSONANCE, NON_CHORD_TONE, MODE_SWITCH)
"""What may be told as over a held bass: chords and notes, nothing that the bass itself does."""


_LINKS: tuple[tuple[str, Callable[[Score, Reading, Event, Event], bool]], ...] = (
    ("waited", _waited),
    ("kept", _kept),
    ("answer", _answers),
    ("sealed", _sealed),
    ("road", _road),
    ("this time", _this_time),
    ("yet", _yet),
    ("journey", _journey),
    ("from there", _from_there),
    ("above", _above),
    ("promised", _promised),
    ("passed", _passed),
    ("resolved", _resolved),
    ("hardly", _hardly),
    ("instead", _instead),
    ("there", _there),
    ("meanwhile", _meanwhile),
)
"""The links, the most telling first."""
