"""Score and spans -> harmonic rhythm: how often the chord changes, and where that quickens or slows.

A change is a chord with another root or other tones than the last; another inversion is none (harmonic
rhythm as in Hutchinson, "Music Theory for the 21st-Century Classroom", and *Open Music Theory* v2, part
IV). Rates are changes per bar; the pace of a passage is compared with the eight bars on either side.

Event: kind ``"harmonic rhythm"``; `notes` are the lowest notes of the chords told of. Labels and detail:

- ``"usual pace"``: one event over the whole piece. ``pace`` Fraction: changes per bar, the median of the
  bars in which chords change; ``chord_length`` Fraction: how long a chord usually lasts, in quarters (the
  median by time); ``changes`` tuple of int: how many chords begin in every bar, by measure index.
- ``"faster"``, ``"slower"``: a passage of two bars or more. ``pace`` Fraction: changes per bar in it;
  ``around`` Fraction: in the bars around it; ``bars`` int; ``key`` Key; ``chords`` tuple of RomanNumeral;
  ``times`` tuple of Fraction.
- ``"quickens before a cadence"``: the last two bars before a cadence's goal. ``pace``, ``around``
  (earlier in the same phrase, and in four bars at least), ``bars``, ``key``, ``chords``, ``times`` as above;
  ``cadence`` str: the cadence's label; ``arrival`` Fraction.

Sentences, one per label:

- usual pace: "The chord changes about once a bar."
- faster: "In bars 34 to 36 the chords change twice as often as around."
- slower: "For four bars one chord stays: the harmony waits."
- quickens before a cadence: "Before the cadence the chords change faster, two to a bar: the phrase leans on."
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby, pairwise

from understave.findings.cadences import CADENCE, find_phrases_and_cadences
from understave.findings.kinds import Kind
from understave.findings.phrases import PHRASE
from understave.findings.sounding_notes import Soundings, soundings
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Measure, Score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class HarmonicRhythmDetails(Details):
    """How often chords change, here and around."""

    pace: Fraction
    chord_length: Fraction | None = None
    changes: tuple[int, ...] | None = None
    around: Fraction | None = None
    bars: int | None = None
    chords: tuple[RomanNumeral, ...] | None = None
    times: tuple[Fraction, ...] | None = None
    cadence: str | None = None
    arrival: Fraction | None = None
    key: Key | None = None


_AROUND = 8
_RATIO = Fraction(2)
_QUICKENS = Fraction(3, 2)
_LEAST = 0.25
"""Belief below which a cadence is too doubtful to tell what comes before it."""
_BEFORE = 4
"""Bars at least that the two before a cadence are compared with."""


@dataclass(frozen=True, slots=True)
class Change:
    """A chord as it begins, and where it ends; inversions of one chord are one change."""

    start: Fraction
    end: Fraction
    span: Span


def find_rhythm(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the usual pace and where it changes, sorted by start; nothing where there are no chords."""
    changes = changes_of(spans)
    if not changes or not score.measures:
        return ()
    sounding = soundings(score)
    events = [
        _usual(score, changes),
        *_passages(score, changes, sounding),
        *_before_cadences(score, spans, changes, sounding),
    ]
    return tuple(sorted(events, key=lambda event: event.start))


def changes_of(spans: Sequence[Span]) -> tuple[Change, ...]:
    """Return the chords in order, neighbours with the same root and tones (by sound) joined."""
    found: list[Change] = []
    sounds: object = None
    for span in spans:
        chord = span.numeral.chord(span.key)
        here = chord.root.semitone, chord.semitones
        if found and here == sounds and found[-1].end == span.start:
            found[-1] = Change(found[-1].start, span.end, found[-1].span)
        else:
            found.append(Change(span.start, span.end, span))
        sounds = here
    return tuple(found)


def per_bar(score: Score, changes: Sequence[Change]) -> tuple[int, ...]:
    """Return how many chords begin in every bar, by measure index."""
    starts = [float(change.start) for change in changes]
    limits = [bisect_left(starts, float(measure.start)) for measure in score.measures] + [len(starts)]
    limits[-1] = bisect_left(starts, float(score.end))
    return tuple(b - a for a, b in pairwise(limits))


def _usual(score: Score, changes: Sequence[Change]) -> Event:
    counts = per_bar(score, changes)
    some = sorted(c for c in counts if c)
    by_length = sorted(change.end - change.start for change in changes)
    half, passed, typical = sum(by_length, Fraction(0)) / 2, Fraction(0), by_length[-1]
    for length in by_length:
        passed += length
        if passed >= half:
            typical = length
            break
    middle = len(some) // 2
    pace = Fraction(some[middle] + some[~middle], 2) if some else Fraction(0)
    # Most bars may have no change at all; then the mean tells more than the bars that have one.
    if 2 * len(some) < len(counts):
        pace = Fraction(len(changes), len(counts))
    detail = HarmonicRhythmDetails(pace=pace, chord_length=typical, changes=counts)
    return HARMONIC_RHYTHM.event("usual pace", changes[0].start, changes[-1].end, (), 0.9, detail)


def _passages(score: Score, changes: Sequence[Change], sounding: Soundings) -> Iterator[Event]:
    """Yield runs of bars whose pace is at least twice, or at most half, that of the bars around them."""
    counts = per_bar(score, changes)
    usable = [i for i, measure in enumerate(score.measures) if measure.length == measure.full_length]
    if len(usable) < 6:
        return
    around = {i: _mean_around(counts, usable, k, k + 1) for k, i in enumerate(usable)}
    for label, least in (("faster", 2), ("slower", 3)):
        k = 0
        while k < len(usable):
            j = k
            while j < len(usable) and _stands_out(label, counts[usable[j]], around[usable[j]]):
                j += 1
            if label == "slower" and 0 < k < j and _waits(score.measures[usable[k - 1]], changes):
                k -= 1
            if j - k >= least and j - k < len(usable) / 2:
                pace = Fraction(sum(counts[i] for i in usable[k:j]), j - k)
                outside = _mean_around(counts, usable, k, j)
                if (label == "faster" and pace >= _RATIO * outside > 0) or (
                    label == "slower" and 0 <= _RATIO * pace <= outside
                ):
                    first, last = score.measures[usable[k]], score.measures[usable[j - 1]]
                    yield _event(label, first.start, last.end, j - k, pace, outside, changes, sounding)
            k = max(j, k + 1)


def _waits(measure: Measure, changes: Sequence[Change]) -> bool:
    """Whether one chord begins with a bar and lasts beyond it."""
    i = bisect_left(changes, measure.start, key=lambda change: change.start)
    return i < len(changes) and changes[i].start == measure.start and changes[i].end > measure.end


def _stands_out(label: str, count: int, around: Fraction) -> bool:
    return count > around * Fraction(3, 2) if label == "faster" else count * Fraction(3, 2) <= around


def _mean_around(counts: Sequence[int], usable: Sequence[int], first: int, last: int) -> Fraction:
    """Return the pace of the bars around a run (first, last exclusive), the run itself left out."""
    near = [*usable[max(0, first - _AROUND) : first], *usable[last : last + _AROUND]]
    return Fraction(sum(counts[i] for i in near), len(near)) if near else Fraction(0)


def _before_cadences(
    score: Score, spans: tuple[Span, ...], changes: Sequence[Change], sounding: Soundings
) -> Iterator[Event]:
    """Yield the cadences before which the chords of the last two bars come faster than in the phrase."""
    told = find_phrases_and_cadences(score, spans)
    phrases = sorted(event.start for event in told if event in PHRASE)
    roots = groupby(changes, key=lambda change: change.span.numeral.root(change.span.key).semitone)
    # A seventh added to a chord is heard as no new one where it is asked how fast chords come.
    starts = [next(same).start for _, same in roots]
    for cadence, details in CADENCE.all(told):
        arrival = details.arrival
        phrase = bisect_left(phrases, arrival) - 1
        begun = phrases[phrase] if phrase >= 0 else starts[0]
        bar = score.measure_at(max(Fraction(0), arrival - Fraction(1, 8))).full_length
        middle = arrival - 2 * bar
        # A short phrase does not show its pace: what comes before it is taken in.
        begun = max(starts[0], min(begun, middle - _BEFORE * bar))
        if middle - begun < Fraction(3, 2) * bar:
            continue

        def rate(first: Fraction, last: Fraction, bar: Fraction = bar) -> Fraction:
            return (bisect_left(starts, last) - bisect_left(starts, first)) * bar / (last - first)

        pace, before = rate(middle, arrival), rate(begun, middle)
        # It is told of both bars, so the first of them has to be quicker, too.
        quickens = pace >= _QUICKENS * before and rate(middle, middle + bar) > before
        if quickens and pace >= 1 and pace - before >= Fraction(1, 2):
            told_of = _event(
                "quickens before a cadence",
                middle,
                arrival,
                2,
                pace,
                before,
                changes,
                sounding,
                cadence.confidence,
                cadence.label,
                arrival,
            )
            if told_of.confidence >= _LEAST:
                yield told_of


def _event(  # noqa: PLR0913
    label: str,
    start: Fraction,
    end: Fraction,
    bars: int,
    pace: Fraction,
    around: Fraction,
    changes: Sequence[Change],
    sounding: Soundings,
    belief: float = 0.8,
    cadence: str | None = None,
    arrival: Fraction | None = None,
) -> Event:
    first = bisect_right(changes, start, key=lambda change: change.end)
    inside = changes[first : bisect_left(changes, end, key=lambda change: change.start)]
    basses = [sounding.lowest(max(change.start, start), min(change.end, end)) for change in inside]
    detail = HarmonicRhythmDetails(
        pace=pace,
        around=around,
        bars=bars,
        chords=tuple(change.span.numeral for change in inside),
        times=tuple(max(change.start, start) for change in inside),
        cadence=cadence,
        arrival=arrival,
    )
    if inside:
        detail = replace(detail, key=inside[0].span.key)
    notes = tuple(dict.fromkeys(b.id for b in basses if b is not None))
    trust = min((change.span.confidence for change in inside), default=0.5)
    return HARMONIC_RHYTHM.event(label, start, end, notes, round(belief * (0.5 + trust / 2), 3), detail)


HARMONIC_RHYTHM: Kind[HarmonicRhythmDetails] = Kind(
    "harmonic rhythm",
    HarmonicRhythmDetails,
    find=find_rhythm,
    weight=2.0,
    labels={
        "quickens before a cadence": 3.0,
    },
)
