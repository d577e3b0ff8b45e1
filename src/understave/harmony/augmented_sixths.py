"""Which augmented sixth a chord is, by what sounds in it: Italian, French or German.

In: spans of a reading and the notes of the score. Out: the same spans, each augmented sixth named after its
sounding notes. The two notes of the sixth and the tonic are common to all three; the second degree beside
the tonic makes it French, the lowered third German (Hutchinson, "Music Theory for the 21st-Century
Classroom", 21.1 to 21.3). A decoder that weighs whole labels may settle on a German sixth in which no third
degree sounds; named so, the label would contradict whatever is told of the notes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction

from understave.harmony.reading import Span
from understave.harmony.relabelling import joined, relabelled
from understave.score.model import Note
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

_FIGURES = {Quality.ITALIAN: "It6", Quality.FRENCH: "Fr43", Quality.GERMAN: "Ger65"}


def raised_note(chord: Chord) -> PitchClass:
    """Return the upper note of an augmented sixth, the raised fourth degree of its key."""
    return chord.root.shift(4) if chord.quality is Quality.FRENCH else chord.root


def quality_heard(raised: PitchClass, label: Quality, notes: Iterable[Note], span: Span) -> Quality:
    """Return which of the three sounds among the notes of a span, by its raised note.

    The note that sounds for half of the span or longer decides; where neither does, the label, if its own
    note sounds at all; else the sixth is Italian.
    """
    length = span.end - span.start
    times: dict[Quality, Fraction] = {}
    notes = tuple(notes)
    for quality, tone in ((Quality.FRENCH, raised.shift(-4)), (Quality.GERMAN, raised.shift(-9))):
        held = (
            min(note.end, span.end) - max(note.onset, span.start)
            for note in notes
            if note.midi % 12 == tone.semitone
        )
        times[quality] = min(sum(held, Fraction(0)), length)
    longest = max(times, key=lambda quality: (times[quality], quality is label))
    if 2 * times[longest] >= length:
        return longest
    return label if times.get(label) else Quality.ITALIAN


def renamed(numeral: RomanNumeral, quality: Quality, key: Key) -> RomanNumeral:
    """Return an augmented sixth as another of the three, over the same bass where it has that note."""
    plain = replace(RomanNumeral.parse(_FIGURES[quality]), applied=numeral.applied)
    bass = numeral.chord(key).bass
    places = (plain.with_inversion(i) for i in range(len(quality.fifths)))
    return next((numeral for numeral in places if numeral.chord(key).bass == bass), plain)


def as_they_sound(spans: Sequence[Span], sounding: Sequence[Sequence[Note]]) -> tuple[Span, ...]:
    """Name each augmented sixth after the notes that sound in it (`sounding`, by span).

    What the teacher set stays as it is. Neighbours that come to say the same become one span, as sure as the
    longer of them.
    """
    named = [_as_it_sounds(span, notes) for span, notes in zip(spans, sounding, strict=True)]
    return joined(named, [now is not before for now, before in zip(named, spans, strict=True)])


def _as_it_sounds(span: Span, notes: Sequence[Note]) -> Span:
    """Return a span under the name of what sounds; that name is no alternative any more."""
    if span.fixed or not span.numeral.quality.is_augmented_sixth:
        return span
    raised = raised_note(span.numeral.chord(span.key))
    heard = quality_heard(raised, span.numeral.quality, notes, span)
    if heard is span.numeral.quality:
        return span
    return relabelled(span, renamed(span.numeral, heard, span.key), notes)
