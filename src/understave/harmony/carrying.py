"""Corrections that carry: where the same bars come again, exactly or transposed, the same chord is offered.

In: a score, the spans of its reading, and what the teacher has just set. Out: `Offer`s. A passage is equal
when its whole bars hold the same notes, of the same length at the same places; transposed when every note is
moved by one interval. Nothing is offered where the key is another one than the passage would need, where the
teacher has set a chord already, or where the reading says the same already.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from understave.harmony.reading import Correction, Span, span_at
from understave.score.model import Measure, Note, Score
from understave.theory.key import Key
from understave.theory.pitch import PitchClass

LEAST_NOTES = 3
"""Notes that a passage must hold to be recognised; set by ear."""


@dataclass(frozen=True, slots=True)
class Offer:
    """What would be set where the passage comes again, `fifths` up on the line of fifths (0: as it was)."""

    start: Fraction
    end: Fraction
    correction: Correction
    fifths: int


Figure = tuple[tuple[Fraction, Fraction, int, int], ...]
"""Notes of some bars: onset from the first barline, length, place on the line of fifths, key number; both
pitches counted from the lowest note that begins first.
"""


def offers(score: Score, spans: Sequence[Span], given: Iterable[Correction]) -> tuple[Offer, ...]:
    """Return where the chords just set might hold too, in order of time; see the module's conditions."""
    found: dict[Fraction, Offer] = {}
    for correction in given:
        if correction.numeral is None:
            continue
        start = score.time_of(correction.measure, correction.beat)
        end = score.time_of(correction.end_measure, correction.end_beat, start)
        here = span_at(spans, start)
        key = correction.key or (here.key if here is not None else None)
        if key is None or end <= start:
            continue
        for by, fifths in _again(score, start, end):
            there = _transposed(key, fifths)
            if there is not None and _open(spans, start + by, end + by, replace(correction, key=there)):
                note = f"carried over from bar {correction.measure}"
                limits = (*score.anchor(start + by), *score.anchor(end + by))
                found[start + by] = Offer(
                    start + by, end + by, Correction(*limits, there, correction.numeral, note), fifths
                )
    return tuple(found[t] for t in sorted(found))


def _again(score: Score, start: Fraction, end: Fraction) -> list[tuple[Fraction, int]]:
    """Return how far away, in quarters, the bars around a stretch come again, and how many fifths up."""
    first = score.measure_at(start).index
    last = max(
        first, next((measure.index for measure in reversed(score.measures) if measure.start < end), first)
    )
    count = last - first + 1
    lengths = [measure.length for measure in score.measures]
    by_bar = _notes_by_bar(score)
    wanted, root = _figure(score.measures[first : last + 1], by_bar)
    if len(wanted) < LEAST_NOTES or root is None:
        return []
    result = []
    for k in range(len(score.measures) - count + 1):
        if abs(k - first) < count or lengths[k : k + count] != lengths[first : first + count]:
            continue
        other, low = _figure(score.measures[k : k + count], by_bar)
        if other == wanted and low is not None:
            result.append((score.measures[k].start - score.measures[first].start, low - root))
    return result


def _notes_by_bar(score: Score) -> dict[int, list[Note]]:
    result: dict[int, list[Note]] = {}
    for note in score.notes:
        if not note.grace and note.duration > 0:
            result.setdefault(score.measure_at(note.onset).index, []).append(note)
    return result


def _figure(bars: Sequence[Measure], by_bar: dict[int, list[Note]]) -> tuple[Figure, int | None]:
    """Return the figure of some bars, and the place on the line of fifths that it is counted from."""
    notes = [note for bar in bars for note in by_bar.get(bar.index, ())]
    if not notes:
        return (), None
    begin = bars[0].start
    low = min(notes, key=lambda note: (note.onset, note.midi))
    rows = (
        (note.onset - begin, note.duration, note.pitch.fifths - low.pitch.fifths, note.midi - low.midi)
        for note in notes
    )
    return tuple(sorted(rows)), low.pitch.fifths


def _transposed(key: Key, fifths: int) -> Key | None:
    tonic = key.tonic.fifths + fifths
    return Key(PitchClass.from_fifths(tonic), key.mode) if -13 <= tonic <= 13 else None


def _open(spans: Sequence[Span], start: Fraction, end: Fraction, wanted: Correction) -> bool:
    """Tell whether a stretch is in the key wanted, not set by the teacher, and not read so already."""
    there = [span for span in spans if span.start < end and span.end > start]
    if not there or any(span.fixed or span.key != wanted.key for span in there):
        return False
    return [(span.start, span.end, span.numeral) for span in there] != [(start, end, wanted.numeral)]


def unequal(score: Score, spans: Sequence[Span]) -> tuple[tuple[Fraction, Fraction], ...]:
    """Return pairs of barlines whose bars are equal note for note but read differently, to settle by hand.

    Each bar is set beside the first that equals it. They are never tied by force: an analyst may mean it so.
    """
    by_bar = _notes_by_bar(score)
    seen: dict[tuple[object, ...], Measure] = {}
    result = []
    for bar in score.measures:
        figure, root = _figure((bar,), by_bar)
        if len(figure) < LEAST_NOTES:
            continue
        lowest = min(note.midi for note in by_bar[bar.index])
        first = seen.setdefault((bar.length, figure, root, lowest), bar)
        if first is not bar and _labels(spans, first) != _labels(spans, bar):
            result.append((first.start, bar.start))
    return tuple(result)


def _labels(spans: Sequence[Span], bar: Measure) -> list[tuple[Fraction, Key, object]]:
    """Return what a bar's chords say, from when on in the bar."""
    there = [span for span in spans if span.start < bar.end and span.end > bar.start]
    return [(max(span.start, bar.start) - bar.start, span.key, span.numeral) for span in there]
