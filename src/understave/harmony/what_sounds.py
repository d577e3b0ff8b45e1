"""Spans as the decoder left them, and the notes in them -> spans whose labels say what sounds.

The decoder chooses among some three hundred numerals by moments; what sounds in a whole chord is seen only
here. Three rules follow each other, after augmented sixths were named (`augmented_sixths`):

- *A seventh that never sounds is not claimed.* The likeliest of the alternatives in the same key whose own
  notes are there takes the label's place, otherwise the chord without its seventh.
- *A ninth that belongs is named.* It sounds through a dominant seventh in root position, over its root, with
  third and seventh, and was not held over into it: V9, or with a minor ninth in major Vb9. A ninth that is
  there from the beginning for a bar or longer and then goes is named until it goes.
- *A third that changes* from major to minor within a chord parts it in two.

What the teacher set stays as it is. The bounds were chosen on the six sets of the training split, each left
out in turn, which changes none of them; between a tenth and three tenths for `SOUNDING` the demo by hand
decided. `python -m benchmarks.what_sounds` prints what each rule gains and loses.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from understave.harmony.reading import Alternative, Span
from understave.harmony.relabelling import joined, relabelled
from understave.score.model import Note, Score
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

RULES = ("sevenths", "ninths", "thirds")
MARGIN = 1e-6
"""Quarters that two notes must overlap by: times are looked up as floats."""
THROUGHOUT = Fraction(4, 5)
"""Share of a chord that a ninth sounds, at least, to belong to all of it."""
SOUNDING = Fraction(1, 10)
"""Share of a chord that root and seventh sound, at least, under a ninth that belongs."""
HELD_THIRD = Fraction(1)
"""Quarters that either third lasts, at least, where a chord is parted between them."""

_WITHOUT_SEVENTH = {
    Quality.DOMINANT7: Quality.MAJOR,
    Quality.MAJOR7: Quality.MAJOR,
    Quality.MINOR7: Quality.MINOR,
    Quality.MINOR_MAJOR7: Quality.MINOR,
    Quality.HALF_DIMINISHED7: Quality.DIMINISHED,
    Quality.DIMINISHED7: Quality.DIMINISHED,
    Quality.DIMINISHED_MAJOR7: Quality.DIMINISHED,
    Quality.AUGMENTED7: Quality.AUGMENTED,
    Quality.AUGMENTED_MAJOR7: Quality.AUGMENTED,
    Quality.DOMINANT7_SUS4: Quality.SUS4,
}
_NINTHS = ((2, Quality.DOMINANT9), (-5, Quality.DOMINANT_MINOR9))
"""Steps of fifths from root to ninth, and what a dominant seventh with it is."""


@dataclass(frozen=True, slots=True)
class Heard:
    """The notes that sound in a span, those that end where it begins, and its bar's length in quarters."""

    notes: tuple[Note, ...]
    before: tuple[Note, ...]
    bar: Fraction


class InTime:
    """Notes, sorted by onset, looked up by time: each look-up passes over no more than the longest reaches.

    Times are floats, only to find the notes fast; a note that ends where a stretch begins is not in it.
    """

    def __init__(self, notes: Sequence[Note]) -> None:
        self.notes = notes
        self._onsets = np.array([note.at for note in notes])
        self._ends = np.array([note.until for note in notes])
        self._longest = float((self._ends - self._onsets).max()) if len(notes) else 0.0

    def within(self, start: Fraction, end: Fraction) -> tuple[Note, ...]:
        """Return the notes that sound in a stretch, by onset."""
        near = self._near(start, end)
        return self._of(near, self._ends[near] > float(start) + MARGIN)

    def ending(self, moment: Fraction) -> tuple[Note, ...]:
        """Return the notes that end at a moment."""
        near = self._near(moment, moment)
        return self._of(near, abs(self._ends[near] - float(moment)) < MARGIN)

    def _near(self, start: Fraction, end: Fraction) -> slice:
        first = np.searchsorted(self._onsets, float(start) - self._longest - MARGIN)
        return slice(int(first), int(np.searchsorted(self._onsets, float(end) - MARGIN)))

    def _of(self, near: slice, so: NDArray[np.bool_]) -> tuple[Note, ...]:
        return tuple(self.notes[near.start + k] for k in np.flatnonzero(so))


def heard_in(score: Score, spans: Iterable[Span]) -> list[Heard]:
    """Return what is heard in each of the spans of a score; grace notes are not."""
    notes = InTime(score.struck)
    return [
        Heard(
            notes.within(span.start, span.end),
            notes.ending(span.start),
            score.measure_at(span.start).full_length,
        )
        for span in spans
    ]


def named_by_notes(
    spans: Sequence[Span], heard: Sequence[Heard], rules: Collection[str] = RULES
) -> tuple[Span, ...]:
    """Return spans whose labels say what sounds in each (`heard`, by span), by the rules of the module."""
    found: list[Span] = []
    changed: list[bool] = []
    for span, here in zip(spans, heard, strict=True):
        parts = (span,) if span.fixed or not here.notes else tuple(_as_heard(span, here, rules))
        found += parts
        changed += [part != span for part in parts]
    return joined(found, changed)


def _as_heard(span: Span, heard: Heard, rules: Collection[str]) -> Iterator[Span]:
    for part in _with_ninth(span, heard) if "ninths" in rules else (span,):
        if "sevenths" in rules:
            part = _without_a_seventh_unheard(part, heard.notes)
        yield from _parted_by_its_third(part, heard.notes) if "thirds" in rules else (part,)


def numeral_like(numeral: RomanNumeral, chord: Chord, key: Key) -> RomanNumeral:
    """Return a chord's numeral in a key, applied to what another numeral is applied to where it can be."""
    names = RomanNumeral.of(chord, key)
    return next((name for name in names if name.applied == numeral.applied), names[0])


# --- sevenths ---------------------------------------------------------------------------------------------


def claims_unheard(numeral: RomanNumeral, key: Key, notes: Iterable[Note]) -> bool:
    """Whether a label says more than its notes do: a seventh that sounds nowhere, neither root nor third, or
    a member of which only another shade of the same letter sounds.
    """
    chord = numeral.chord(key)
    notes = tuple(notes)
    here = {note.midi % 12 for note in notes}
    third = chord.member(3)
    if _seventh_unheard(chord, notes):
        return True
    if chord.root.semitone not in here and (third is None or third.semitone not in here):
        return True
    shades = {note.pitch.letter for note in notes if note.midi % 12 not in chord.semitones}
    return any(tone.semitone not in here and tone.letter in shades for tone in chord.members)


def _seventh_unheard(chord: Chord, notes: Iterable[Note]) -> bool:
    seventh = chord.member(7)
    return seventh is not None and all(note.midi % 12 != seventh.semitone for note in notes)


def _without_a_seventh_unheard(span: Span, notes: Sequence[Note]) -> Span:
    """Return a span that claims no seventh which never sounds in it.

    Its confidence stays: such labels are right about as often as the one that takes their place.
    """
    chord = span.numeral.chord(span.key)
    plain = _WITHOUT_SEVENTH.get(chord.quality)
    here = [note for note in notes if note.onset < span.end and note.end > span.start]
    if plain is None or not _seventh_unheard(chord, here):
        return span
    likely: list[Alternative] = [
        a for a in span.alternatives if a.key == span.key and not claims_unheard(a.numeral, a.key, here)
    ]
    if likely:
        return relabelled(span, likely[0].numeral, notes)
    inversion = chord.inversion if chord.inversion < len(plain.fifths) else 0
    return relabelled(span, numeral_like(span.numeral, Chord(chord.root, plain, inversion), span.key), notes)


# --- ninths -----------------------------------------------------------------------------------------------


def stretches(notes: Iterable[Note], tone: PitchClass, span: Span) -> list[tuple[Fraction, Fraction]]:
    """Return when a pitch class, by sound, is heard within a span, in order and without overlaps."""
    result: list[tuple[Fraction, Fraction]] = []
    held = sorted((note.onset, note.end) for note in notes if note.midi % 12 == tone.semitone)
    for onset, end in held:
        begin, end = max(onset, span.start), min(end, span.end)
        if result and begin <= result[-1][1]:
            result[-1] = (result[-1][0], max(end, result[-1][1]))
        elif begin < end:
            result.append((begin, end))
    return result


def _time(parts: Iterable[tuple[Fraction, Fraction]]) -> Fraction:
    return sum((end - begin for begin, end in parts), Fraction(0))


def _with_ninth(span: Span, here: Heard) -> tuple[Span, ...]:
    """Return a span under the name of a ninth that belongs to it, parted where the ninth goes before it."""
    chord = span.numeral.chord(span.key)
    if chord.quality is not Quality.DOMINANT7 or chord.inversion:
        return (span,)
    notes = here.notes
    for fifths, quality in _NINTHS:
        tone = PitchClass.from_fifths(chord.root.fifths + fifths)
        heard = stretches(notes, tone, span)
        if not heard or _prepared(here, tone, span):
            continue
        whole = _time(heard) >= THROUGHOUT * (span.end - span.start)
        begin, until = heard[0]
        if not whole and (begin > span.start or until - begin < here.bar):
            continue
        first = span if whole else replace(span, end=until)
        if not _fit_for_a_ninth(chord, first, notes):
            continue
        name = _ninth_like(span.numeral, Chord(chord.root, quality), span.key)
        if name is None:
            continue
        named = relabelled(first, name, notes)
        return (named,) if whole else (named, relabelled(replace(span, start=until), span.numeral, notes))
    return (span,)


def _ninth_like(numeral: RomanNumeral, chord: Chord, key: Key) -> RomanNumeral | None:
    """Return the name of a dominant ninth that is applied to what its dominant seventh is applied to."""
    names = (replace(RomanNumeral.parse(text), applied=numeral.applied) for text in ("V9", "Vb9", "VM9"))
    return next((name for name in names if name.chord(key) == chord), None)


def _prepared(here: Heard, tone: PitchClass, span: Span) -> bool:
    """Whether a span's first sound of a tone is held over or struck again from before: a suspension."""
    ninths = [note for note in here.notes if note.midi % 12 == tone.semitone]
    first = min(note.onset for note in ninths)
    struck = {note.midi for note in ninths if note.onset == first}
    again = first == span.start and any(note.midi in struck for note in here.before)
    return first < span.start or again


def _fit_for_a_ninth(chord: Chord, span: Span, notes: Iterable[Note]) -> bool:
    """Whether root and seventh sound long enough, the third sounds, and the root lies lowest."""
    here = [note for note in notes if note.onset < span.end and note.end > span.start]
    length = span.end - span.start
    root, third, _, seventh = chord.members
    lowest = min(here, key=lambda note: note.midi)
    return (
        lowest.midi % 12 == root.semitone
        and bool(stretches(here, third, span))
        and all(_time(stretches(here, tone, span)) >= SOUNDING * length for tone in (root, seventh))
    )


# --- thirds -----------------------------------------------------------------------------------------------


def _parted_by_its_third(span: Span, notes: Iterable[Note]) -> tuple[Span, ...]:
    """Return a triad in root position in two spans where its major third gives way to the minor one.

    The other way a raised second is meant too often: it passes up to a chord's third, or the third rises
    as a leading tone.
    """
    chord = span.numeral.chord(span.key)
    plain = chord.quality in (Quality.MAJOR, Quality.MINOR) and not chord.inversion
    if not plain or span.numeral.special or span.numeral.altered:
        return (span,)
    root = chord.root.fifths
    notes = tuple(notes)
    major = [note for note in notes if note.pitch.pitch_class.fifths == root + 4]
    minor = [note for note in notes if note.pitch.pitch_class.fifths == root - 3]
    if not major or not minor:
        return (span,)
    change = min(note.onset for note in minor)
    if max(min(note.end, span.end) for note in major) > change:
        return (span,)
    if min(change - span.start, span.end - change) < HELD_THIRD:
        return (span,)
    return tuple(
        relabelled(part, numeral_like(span.numeral, Chord(chord.root, quality), span.key), notes)
        for part, quality in (
            (replace(span, end=change), Quality.MAJOR),
            (replace(span, start=change), Quality.MINOR),
        )
    )
