"""What moves above a held bass: a second layer of chords, read from the notes over a pedal point alone.

In: a score and its reading with events. Out: `Above`, one for each chord over each bass pedal point: the
diminished sevenths of a chain, a subdominant over the tonic, a dominant seventh whose root the bass does not
have. A reader that must account for the bass as well calls all of these by the chord of the bass, or by the
nearest chord that holds it; analysts write what moves above, and the held note beside it (Open Music Theory,
"Embellishing Tones"; Aldwell and Schachter, "Harmony and Voice Leading", on pedal points, from memory).

The notes of the held bass, in whatever octave they belong to it, are left out and the rest is read by the
same reader, in the keys of the reading; inversions are those above the bass.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from understave.errors import UnderstaveError
from understave.findings.pedalpoints import PEDAL_POINT
from understave.findings.remembered import remembered
from understave.harmony.reading import Correction, Event, Reading, Span
from understave.harmony.trained import read_trained
from understave.score.model import Note, Score
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

AROUND = 2
"""Bars before and after a pedal point that are read with it, to give its first and last chords company."""
LEAST_TONES = 3
"""Pitch classes of a chord that must sound above the bass before the chord is named: two make no chord."""


@dataclass(frozen=True, slots=True)
class Above:
    """A chord over a held bass: when, its name and key, the tone held, and the notes above that it rests on.

    `confidence` (0..1) is how sure the name is, were it for the notes above alone.
    """

    start: Fraction
    end: Fraction
    key: Key
    numeral: RomanNumeral
    over: PitchClass
    confidence: float
    notes: tuple[str, ...]


def above_held(score: Score, reading: Reading) -> tuple[Above, ...]:
    """Return the second layer of a reading with events, in order; empty where no bass is held."""
    return _layer(score, reading.spans, tuple(_basses(reading.events)))


def _basses(events: Iterable[Event]) -> Iterator[Event]:
    return (event for event, found in PEDAL_POINT.all(events) if found.place == "bass")


@remembered
def _layer(score: Score, spans: tuple[Span, ...], pedals: tuple[Event, ...]) -> tuple[Above, ...]:
    found: list[Above] = []
    for pedal in pedals:
        if found and found[-1].end > pedal.start:
            continue
        found += _above(score, spans, pedal)
    return tuple(found)


def _above(score: Score, spans: tuple[Span, ...], pedal: Event) -> Iterator[Above]:
    """Yield the chords over one pedal point."""
    details = PEDAL_POINT.of(pedal)
    assert details is not None
    part, since = without_bass(score, pedal)
    keys = tuple(_keys(part, spans, since))
    try:
        read = read_trained(part, keys).spans
    except UnderstaveError:
        # Nothing sounds above it.
        return
    last: Above | None = None
    for span in read:
        start, end = max(span.start + since, pedal.start), min(span.end + since, pedal.end)
        if start >= end:
            continue
        chord = span.numeral.chord(span.key)
        heard = {score.note_by_id[i].midi % 12 for i in span.notes}
        if len(heard) < min(LEAST_TONES, len(chord.members)):
            last = None
            continue
        here = Above(
            start, end, span.key, span.numeral, details.pitch.pitch_class, span.confidence, span.notes
        )
        yield here
    del last


def without_bass(score: Score, pedal: Event) -> tuple[Score, Fraction]:
    """Return the bars round a pedal point without its notes, and the moment at which they begin."""
    first = max(0, score.measure_at(pedal.start).index - AROUND)
    last = min(len(score.measures) - 1, score.measure_at(pedal.end).index + AROUND)
    bars = score.measures[first : last + 1]
    since, until = bars[0].start, bars[-1].end
    held = set(pedal.notes)
    measures = tuple(replace(m, index=m.index - first, start=m.start - since) for m in bars)
    notes = tuple(
        _moved(n, since, until, first)
        for n in score.notes
        if n.id not in held and n.onset < until and (n.end > since or (n.grace and n.onset >= since))
    )
    return replace(score, measures=measures, notes=notes, directions=(), source=b""), since


def _moved(note: Note, since: Fraction, until: Fraction, first: int) -> Note:
    onset = max(note.onset, since)
    return replace(
        note,
        onset=onset - since,
        duration=min(note.end, until) - onset if note.duration else note.duration,
        measure=max(0, note.measure - first),
    )


def _keys(part: Score, spans: Sequence[Span], since: Fraction) -> Iterator[Correction]:
    """Yield the keys of a reading as they lie in some of its bars."""
    for s in spans:
        start, end = max(s.start - since, Fraction(0)), min(s.end - since, part.end)
        if start < end:
            yield Correction(*part.anchor(start), *part.anchor(end), s.key, None)
