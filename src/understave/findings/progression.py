"""Spans -> steps: one chord at a time whatever its inversion, with the notes that sound in it.

A step joins neighbouring spans of one key and one function: the same root, the same applied target, the
same kind of third. `Progression` looks up what sounds in a step and where a note of it goes on to.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from understave.findings.closes import is_dominant
from understave.findings.lines import Lines, is_step, lines
from understave.findings.remembered import remembered
from understave.findings.sounding_notes import soundings
from understave.harmony.reading import Span
from understave.score.model import Note, Score
from understave.theory.chord import Chord
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True)
class Step:
    """Neighbouring spans of one harmony.

    `first` and `last` index the spans (inclusive). `numeral` and `chord` are those of the span with the
    most members (a triad that takes on its seventh is a seventh chord), `entry` and `exit` the chords as
    they begin and end. `local` is the key tonicised by an applied numeral, else `key`.
    """

    first: int
    last: int
    start: Fraction
    end: Fraction
    key: Key
    numeral: RomanNumeral
    chord: Chord
    entry: Chord
    exit: Chord
    confidence: float

    @property
    def local(self) -> Key:
        """The tonicised key of an applied numeral, else the key."""
        return self.numeral.local_key(self.key)

    @property
    def is_dominant(self) -> bool:
        """Whether it is a dominant or leading-tone chord of its local key."""
        return is_dominant(self.chord, self.local)

    def is_six_four_on(self, bass: PitchClass) -> bool:
        """Whether it is a triad in second inversion over a bass, such as a cadential six-four."""
        return self.exit.quality.is_triad and self.exit.inversion == 2 and self.exit.bass == bass


class Progression:
    """The steps of a piece with quick look-up of notes; every answer depends on score and spans alone."""

    def __init__(self, score: Score, spans: tuple[Span, ...]) -> None:
        self.score = score
        self.spans = spans
        self.steps = steps_of(spans)
        self._notes = list(score.struck)
        self._onsets = [note.at for note in self._notes]
        # Floats compare fast, and equal moments give equal floats.
        self._ends = [note.until for note in self._notes]
        self._longest = max((e - o for o, e in zip(self._onsets, self._ends, strict=True)), default=0.0)

    @cached_property
    def lines(self) -> Lines:
        """The melodic lines of the score."""
        return lines(self.score)

    def sounding(self, start: Fraction, end: Fraction) -> list[Note]:
        """Return the notes that sound between two moments, by onset and pitch."""
        begin = float(start)
        first = bisect_left(self._onsets, begin - self._longest)
        last = bisect_left(self._onsets, float(end))
        return [self._notes[k] for k in range(first, last) if self._ends[k] > begin]

    def notes(self, step: Step, tone: PitchClass) -> list[Note]:
        """Return the notes of a step that sound as a pitch class, however spelled."""
        return [note for note in self.sounding(step.start, step.end) if note.midi % 12 == tone.semitone]

    def spelled(self, step: Step, tone: PitchClass) -> list[Note]:
        """Return the notes of a step with exactly this spelling."""
        return [note for note in self.notes(step, tone) if note.pitch.pitch_class == tone]

    def sounds(self, step: Step) -> bool:
        """Whether two different notes of a step's chord sound at once or right after one another, as in a
        broken chord; a line that goes by step alone has no chord's colour.
        """
        known = soundings(self.score)
        frames = (known.at(step.start), *known.between(step.start, step.end))
        row = [step.chord.semitones & {note.midi % 12 for note in frame} for frame in frames]
        return any(len(a | b) > 1 for a, b in zip(row, (*row[1:], row[-1]), strict=True))

    def follow(self, i: int) -> Step | None:
        """Return the step right after step `i`, None where nothing follows or the harmony breaks off."""
        if i + 1 >= len(self.steps) or self.steps[i + 1].start != self.steps[i].end:
            return None
        return self.steps[i + 1]

    def goes_to(self, note: Note, after: Fraction, until: Fraction) -> Note | None:
        """Return where a note goes once its chord is over, begun from `after` and before `until`.

        The next note of its line that is another key of the piano; where that is no step, as in broken
        chords, the first note a step away in the same part, in the same octave.
        """
        direct = next((m for m in self.lines.following(note, until) if m.midi != note.midi), None)
        if direct is not None and is_step(note, direct):
            return direct
        near = [
            n
            for n in self.sounding(after, until)
            if n.onset >= after and n.part == note.part and is_step(note, n)
        ]
        if near:
            return min(near, key=lambda n: (n.onset, n.staff != note.staff, abs(n.midi - note.midi)))
        return direct

    def taken_over(self, note: Note) -> Note | None:
        """Return the note of its staff, a semitone above, that begins as a note ends, None without one."""
        first, last = bisect_left(self._onsets, note.until), bisect_right(self._onsets, note.until)
        here = (n for n in self._notes[first:last] if (n.part, n.staff) == (note.part, note.staff))
        return next((n for n in here if n.midi == note.midi + 1), None)


@remembered
def progression_of(score: Score, spans: tuple[Span, ...]) -> Progression:
    """Return the steps of a piece with its notes."""
    return Progression(score, spans)


def steps_of(spans: tuple[Span, ...]) -> tuple[Step, ...]:
    """Return the steps of a reading, in order."""
    groups: list[list[int]] = []
    chords = [span.numeral.chord(span.key) for span in spans]
    signs = [_function(span, chord) for span, chord in zip(spans, chords, strict=True)]
    for i, span in enumerate(spans):
        if groups and signs[i] == signs[i - 1] and spans[i - 1].end == span.start:
            groups[-1].append(i)
        else:
            groups.append([i])
    found = []
    for group in groups:
        fullest = max(group, key=lambda i: (len(chords[i].members), -i))
        a, b = group[0], group[-1]
        found.append(
            Step(
                first=a,
                last=b,
                start=spans[a].start,
                end=spans[b].end,
                key=spans[a].key,
                numeral=spans[fullest].numeral,
                chord=chords[fullest],
                entry=chords[a],
                exit=chords[b],
                confidence=max(spans[i].confidence for i in group),
            )
        )
    return tuple(found)


def _function(span: Span, chord: Chord) -> tuple[object, ...]:
    numeral = span.numeral
    shape = chord.quality.fifths
    altered = 8 in shape, -6 in shape
    # The Neapolitan is one chord whether it is labelled N or as the lowered second degree.
    special = "" if numeral.special == "N" else numeral.special
    return span.key, numeral.applied, special, chord.root, 4 in shape, altered, 5 in shape
