"""The piece as block chords in four voices, in any key.

In: a Score, its Reading, perhaps a key and the bars wanted. Out: a Score of two staves, two voices to
each hand, one chord for each harmony of a bar; engraved and played like any other. The voices are led by
`theory.voice_leading`; where the piece's own melody rests on a note of the chord the soprano prefers it, and
the bass stays near the piece's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from understave.errors import UnderstaveError
from understave.findings.texture import texture_of
from understave.harmony.reading import Reading, Span
from understave.score.model import Direction, Measure, Note, Part, Score
from understave.score.transpose import interval_between, moved_key
from understave.score.write import with_source
from understave.teaching.carried import carry
from understave.theory.key import Key
from understave.theory.pitch import Interval, PitchClass
from understave.theory.voice_leading import TWO_HANDS, Fault, Harmony, Voicing, faults, lead

STAFF_OF_VOICE = (2, 2, 1, 1)
"""Staff of bass, tenor, alto and soprano."""
NAME_OF_VOICE = ("4", "3", "2", "1")
_LETTERS = "btas"


def reduce(
    score: Score,
    reading: Reading,
    *,
    key: Key | None = None,
    first: int | None = None,
    last: int | None = None,
) -> Score:
    """Return the measures from `first` to `last` (indexes, both included; all by default) as block chords.

    `key` is that in which the first chord shall stand; the rest moves with it. Raises UnderstaveError if
    there are no such measures, no harmony is read in them, or the key is of the other mode.
    """
    measures = _measures(score, first, last)
    start, end = measures[0].start, measures[-1].end
    spans = [span for span in reading.spans if span.start < end and span.end > start]
    if not spans:
        raise UnderstaveError("These bars cannot be reduced to chords: nothing sounds in them.")
    interval = Interval(0, 0) if key is None else interval_between(spans[0].key, key)
    steps = joined(spans, start, end)
    harmonies = [Harmony(moved_key(span.key, interval), span.numeral) for span in steps]
    voicings = lead(harmonies, TWO_HANDS, *_wishes(score, reading, steps, interval))
    return block_chords(
        [(span.start - start, span.end - start) for span in steps],
        voicings,
        _moved_measures(measures, interval),
        title=score.title,
        composer=score.composer,
        directions=_tempo(score, start, end),
    )


def reduced(
    score: Score,
    reading: Reading,
    *,
    key: Key | None = None,
    first: int | None = None,
    last: int | None = None,
) -> tuple[Score, Reading]:
    """Return the reduction together with its reading, for labels below its staves; see `reduce`."""
    made = reduce(score, reading, key=key, first=first, last=last)
    measures = _measures(score, first, last)
    start, end = measures[0].start, measures[-1].end
    first_key = next(span.key for span in reading.spans if span.start < end and span.end > start)
    interval = Interval(0, 0) if key is None else interval_between(first_key, key)
    return made, Reading(carry(reading.spans, made, start, end, interval))


def voices_of(reduction: Score) -> tuple[tuple[Fraction, Voicing], ...]:
    """Return the chords of a reduction by moment, bass first; a chord struck again is told once."""
    chords: dict[Fraction, dict[str, Note]] = {}
    for note in reduction.notes:
        chords.setdefault(note.onset, {})[note.id[-1]] = note
    found: list[tuple[Fraction, Voicing]] = []
    numbers: list[str] = []
    for moment, notes in sorted(chords.items()):
        bass, tenor, alto, soprano = (notes[letter].pitch for letter in _LETTERS)
        number = notes["b"].id.split(".")[0]
        if number not in numbers[-1:]:
            found.append((moment, (bass, tenor, alto, soprano)))
            numbers.append(number)
    return tuple(found)


def faults_of(reduction: Score, reading: Reading) -> tuple[Fault, ...]:
    """Return what is wrong with a reduction's voice leading, by its own reading (see `reduced`)."""
    steps = joined(reading.spans, Fraction(0), reduction.end)
    return faults([Harmony(span.key, span.numeral) for span in steps], [v for _, v in voices_of(reduction)])


def block_chords(
    times: Sequence[tuple[Fraction, Fraction]],
    voicings: Sequence[Voicing],
    measures: Sequence[Measure],
    *,
    title: str = "",
    composer: str = "",
    directions: tuple[Direction, ...] = (),
) -> Score:
    """Return chords between moments as a Score in measures; a chord that lasts over a bar line is struck
    again.

    Notes are called ``c3.2s``: chord 3, second striking, soprano.
    """
    notes: list[Note] = []
    for number, ((start, end), voicing) in enumerate(zip(times, voicings, strict=True), start=1):
        strikings = [measure for measure in measures if measure.start < end and measure.end > start]
        for count, measure in enumerate(strikings, start=1):
            onset, until = max(start, measure.start), min(end, measure.end)
            for voice, pitch in enumerate(voicing):
                name = f"c{number}.{count}{_LETTERS[voice]}"
                notes.append(
                    Note(
                        id=name,
                        onset=onset,
                        duration=until - onset,
                        pitch=pitch,
                        written=pitch,
                        staff=STAFF_OF_VOICE[voice],
                        voice=NAME_OF_VOICE[voice],
                        part=0,
                        measure=measure.index,
                        ids=(name,),
                    )
                )
    notes.sort(key=lambda note: (note.onset, note.midi))
    made = Score(
        title=title,
        composer=composer,
        parts=(Part("P1", "Piano", 1, 2),),
        measures=tuple(measures),
        notes=tuple(notes),
        directions=directions,
    )
    return with_source(made)


def _measures(score: Score, first: int | None, last: int | None) -> tuple[Measure, ...]:
    lo = 0 if first is None else first
    hi = len(score.measures) - 1 if last is None else last
    if not 0 <= lo <= hi < len(score.measures):
        raise UnderstaveError(
            f"There are no measures {lo} to {hi} to reduce: counted from 0, the score's last measure is "
            f"{len(score.measures) - 1}."
        )
    return score.measures[lo : hi + 1]


def joined(spans: Sequence[Span], start: Fraction, end: Fraction) -> list[Span]:
    """Return the spans between two moments, cut to them, neighbours of one label drawn together: these are
    the chords that a reduction of this stretch prints.
    """
    found: list[Span] = []
    for span in spans:
        if span.end <= start or span.start >= end:
            continue
        here = replace(span, start=max(span.start, start), end=min(span.end, end))
        if found and (found[-1].key, found[-1].numeral) == (span.key, span.numeral):
            found[-1] = replace(found[-1], end=here.end)
        else:
            found.append(here)
    return found


def _wishes(
    score: Score, reading: Reading, steps: Sequence[Span], interval: Interval
) -> tuple[list[PitchClass | None], list[int | None]]:
    """Return for each chord the melody's longest note of it, and the piece's own lowest note."""
    melody = texture_of(score, reading.spans).melody
    tops: list[PitchClass | None] = []
    lows: list[int | None] = []
    for span in steps:
        members = span.numeral.chord(span.key).members
        own = [
            note
            for note in melody
            if note.onset < span.end and note.end > span.start and note.pitch.pitch_class in members
        ]
        longest = max(
            own, key=lambda note: min(note.end, span.end) - max(note.onset, span.start), default=None
        )
        tops.append(None if longest is None else longest.pitch.pitch_class + interval)
        sounding = [
            note.midi
            for note in score.notes
            if not note.grace and note.onset < span.end and note.end > span.start
        ]
        lows.append(min(sounding) + interval.semitones if sounding else None)
    return tops, lows


def _moved_measures(measures: Sequence[Measure], interval: Interval) -> tuple[Measure, ...]:
    start = measures[0].start
    result = []
    for k, measure in enumerate(measures):
        old = Key.from_signature(measure.signature)
        result.append(
            replace(
                measure,
                index=k,
                start=measure.start - start,
                signature=moved_key(old, interval).signature if interval.fifths else measure.signature,
                repeat_start=False,
                repeat_end=False,
                ending=(),
            )
        )
    return tuple(result)


def _tempo(score: Score, start: Fraction, end: Fraction) -> tuple[Direction, ...]:
    """The speed of the bars, without its words; slowings and quickenings are left out."""
    before = [
        direction
        for direction in score.directions
        if direction.kind == "tempo" and direction.value and direction.onset <= start
    ]
    inside = [
        direction
        for direction in score.directions
        if direction.kind == "tempo" and direction.value and start < direction.onset < end
    ]
    return tuple(
        replace(direction, onset=max(direction.onset, start) - start, text="", end=None, staff=1)
        for direction in (*before[-1:], *inside)
    )
