"""What moves above a held bass: a second layer of chords, read from the notes over a pedal point alone.

In: a score, its spans and events. Out: the events, each pedal point in the bass with the chords over it that
do not contain it (``above``, ``above_times``, ``above_ends``; `layer` gives them as values): the diminished
sevenths of a chain, a subdominant over the tonic, a dominant seventh over its tonic. A reader that must
account for the bass as well calls these by the nearest chord that holds it. What moves is named by itself,
with inversions above the held note, and the note beside it: "viio7 over G" (on pedal points: *Open Music
Theory*, "Embellishing Tones"; Aldwell and Schachter, "Harmony and Voice Leading", from memory).

The notes of the held bass are left out, and what is left of those bars is read by the same reader in the keys
of the reading. A chord is named where three of its tones sound and the held one is none of them, and where
either the reader is sure enough of it or the reading itself hears the same notes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from understave.errors import UnderstaveError
from understave.findings.chords_at import Harmony
from understave.findings.closes import numeral_in
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.pedalpoints import PEDAL_POINT, PedalPointDetails
from understave.harmony.reading import Correction, Event, Span
from understave.harmony.trained import read_trained
from understave.score.model import Note, Score
from understave.theory.key import Key
from understave.theory.pitch import Pitch
from understave.theory.roman import RomanNumeral

AROUND = 2
"""Bars before and after a pedal point that are read with it, to give its first and last chords company."""
LEAST_TONES = 3
"""Pitch classes of a chord that must sound above the bass before it is named: two make no chord."""
SURE = 0.2
"""Confidence from which a chord is named that the reading does not hear; set by what analysts of the training
split write over the pedal points that they mark."""


@dataclass(frozen=True, slots=True)
class Above:
    """A chord over a held bass: when, its name in a key, and the note held."""

    start: Fraction
    end: Fraction
    key: Key
    numeral: RomanNumeral
    over: Pitch


def with_layer(score: Score, spans: tuple[Span, ...], events: Sequence[Event]) -> tuple[Event, ...]:
    """Return events, those of pedal points in the bass with what moves above them.

    A note that belongs to what moves above is foreign to the reading's chord only: no non-chord tone.
    """
    harmony = Harmony(spans)
    found = tuple(
        event
        if (found := PEDAL_POINT.of(event)) is None or found.place != "bass"
        # Named by their degree, pedal points in the bass keep all else that is known of them.
        else replace(event, details=_with_above(score, harmony, event, found))
        for event in events
    )
    above = layer(found)
    return tuple(event for event in found if not _belongs(event, above)) if above else found


def _belongs(event: Event, above: Sequence[Above]) -> bool:
    """Whether an event is a non-chord tone that what moves above a held bass has among its tones."""
    foreign = NON_CHORD_TONE.of(event)
    return foreign is not None and any(
        chord.start <= event.start < chord.end
        and foreign.pitch.midi % 12 in chord.numeral.chord(chord.key).semitones
        for chord in above
    )


def layer(events: Iterable[Event]) -> tuple[Above, ...]:
    """Return the chords over held basses that events tell of, in order."""
    found = [
        Above(start, end, details.key, numeral, details.pitch)
        for _, details in PEDAL_POINT.all(events)
        for numeral, start, end in zip(
            details.above or (), details.above_times or (), details.above_ends or (), strict=True
        )
    ]
    return tuple(sorted(found, key=lambda a: a.start))


def _with_above(
    score: Score, harmony: Harmony, pedal: Event, details: PedalPointDetails
) -> PedalPointDetails:
    named = [
        (numeral_in(span, details.key), max(span.start, pedal.start), min(span.end, pedal.end))
        for span in _read_above(score, harmony.spans, pedal)
        if span.start < pedal.end and span.end > pedal.start and _is_named(harmony, span, details.pitch)
    ]
    if not named:
        return details
    numerals, starts, ends = zip(*named, strict=True)
    return replace(details, above=numerals, above_times=starts, above_ends=ends)


def _is_named(harmony: Harmony, above: Span, held: Pitch) -> bool:
    """Whether a chord read without the bass is told beside the reading's own."""
    tones = above.numeral.chord(above.key).semitones
    if held.midi % 12 in tones or len(above.notes) < LEAST_TONES:
        return False
    own = harmony.at(above.start)
    same = own is not None and own.numeral.chord(own.key).semitones == tones
    return same or above.confidence >= SURE


def _read_above(score: Score, spans: Sequence[Span], pedal: Event) -> Iterator[Span]:
    """Yield the spans of the bars round a pedal point, read without its notes.

    Each holds one note of every pitch class of its chord that sounds.
    """
    part, since = without_bass(score, pedal)
    try:
        read = read_trained(part, tuple(_keys(part, spans, since))).spans
    except UnderstaveError:
        # Nothing sounds above it.
        return
    for span in read:
        tones = {score.note_by_id[i].midi % 12: i for i in span.notes}
        yield replace(span, start=span.start + since, end=span.end + since, notes=tuple(tones.values()))


def without_bass(score: Score, pedal: Event) -> tuple[Score, Fraction]:
    """Return the bars round a pedal point without its notes, and the moment at which they begin."""
    first = max(0, score.measure_at(pedal.start).index - AROUND)
    last = min(len(score.measures) - 1, score.measure_at(pedal.end).index + AROUND)
    bars = score.measures[first : last + 1]
    since, until = bars[0].start, bars[-1].end
    # As floats, which compare fast.
    first_at, last_at, held = float(since), float(until), set(pedal.notes)
    notes = tuple(
        _moved(note, since, until, first)
        for note in score.struck
        if note.at < last_at and note.until > first_at and note.id not in held
    )
    measures = tuple(
        replace(measure, index=measure.index - first, start=measure.start - since) for measure in bars
    )
    return replace(score, measures=measures, notes=notes, directions=(), source=b""), since


def _moved(note: Note, since: Fraction, until: Fraction, first: int) -> Note:
    onset, end = max(note.onset, since), min(note.end, until)
    return replace(note, onset=onset - since, duration=end - onset, measure=max(0, note.measure - first))


def _keys(part: Score, spans: Sequence[Span], since: Fraction) -> Iterator[Correction]:
    """Yield the keys of a reading as they lie in some of its bars."""
    for span in spans:
        start, end = max(span.start - since, Fraction(0)), min(span.end - since, part.end)
        if start < end:
            yield Correction(*part.anchor(start), *part.anchor(end), span.key, None)
