"""Notes whose alteration the harmony around them finds unlikely: misread accidentals above all.

In: a `Score` that was read from printed pages, and its spans. Out: `OddNote`s, each with the alteration that
would be likelier. A note is compared with the same letter as the key signature has it and a semitone to
either side: by the chord and the key that it sounds in, by what else stands on that letter in the bars around
it, and by the steps to the notes before and after it in its voice.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import exp, log
from typing import NamedTuple

from understave.harmony.reading import Span, span_at
from understave.score.accidentals import key_alteration
from understave.score.model import Note, Score
from understave.theory.pitch import Pitch


class Evidence(NamedTuple):
    """What speaks for another alteration of a note, each the larger the stronger."""

    chord: float
    """How much likelier the other is beside the chord, as a difference of logarithms."""
    key: float
    """How much likelier it is in the key, likewise."""
    around: float
    """How much more often it stands on that letter around, likewise; the note itself is not counted."""
    octave: float
    """1 where another note of that letter in the same bar has the other, -1 where it has the note's own."""
    steps: float
    """How many of the intervals to the notes beside it are augmented or diminished and would not be."""
    unsigned: float
    """1 where the other is what the key signature has, so that an accidental is doubted; 0 where one would
    be missing or another.
    """


class OddNote(NamedTuple):
    """A note by its id, the pitch that would be likelier, and how likely it is misread (0..1).

    The chance is that among as many mistakes as the weights were fitted on, one bar in eight.
    """

    id: str
    likelier: Pitch
    chance: float


WEIGHTS = (-2.4, 1.4, 0.35, 0.65, -0.02, 0.63, -2.41)
"""Log odds that a note is misread: of every note, and for each kind of `Evidence`. Fitted by
``python -m benchmarks.misread --fit``."""
ODD = 0.7
"""Chance from which a note is named, so that few right ones are: on clean pages hardly any is misread. Set by
``python -m benchmarks.misread``."""
_AROUND = 2
"""Bars to either side that count as around a note."""
_TONE, _FOREIGN = log(0.8), log(0.2)
_IN_KEY, _OUTSIDE = log(0.95), log(0.05)


def odd_notes(score: Score, spans: Sequence[Span], least: float = ODD) -> tuple[OddNote, ...]:
    """Return the notes that are likely enough misread, in order of time."""
    found = []
    for note, other, evidence in evidence_of(score, spans):
        chance = chance_of(evidence)
        if chance >= least:
            found.append(OddNote(note.id, other, chance))
    return tuple(found)


def chance_of(evidence: Evidence) -> float:
    """Return the probability that a note is misread, 0 to 1."""
    odds = WEIGHTS[0] + sum(weight * kind for weight, kind in zip(WEIGHTS[1:], evidence, strict=True))
    return 1 / (1 + exp(-odds))


def evidence_of(score: Score, spans: Sequence[Span]) -> Iterator[tuple[Note, Pitch, Evidence]]:
    """Yield each note that has a likelier alteration, with the likeliest and what speaks for it."""
    letters: list[Counter[tuple[str, int]]] = [Counter() for _ in score.measures]
    for note in score.struck:
        letters[note.measure][note.pitch.letter, note.pitch.alter] += 1
    around = [
        sum(letters[max(0, k - _AROUND) : k + _AROUND + 1], Counter[tuple[str, int]]())
        for k in range(len(letters))
    ]
    beside = _beside(score)
    for note in score.struck:
        span = span_at(spans, note.onset)
        if span is None:
            continue
        usual = key_alteration(score.measures[note.measure].signature, note.pitch.letter)
        others = {usual, note.pitch.alter - 1, note.pitch.alter + 1} - {note.pitch.alter}
        best: tuple[float, Pitch, Evidence] | None = None
        for alter in sorted(others):
            if abs(alter) > 2:
                continue
            other = Pitch(note.pitch.letter, alter, note.pitch.octave)
            evidence = Evidence(
                _beside_chord(other, span) - _beside_chord(note.pitch, span),
                _in_key(other, span) - _in_key(note.pitch, span),
                _more(around[note.measure], note.pitch, alter),
                _elsewhere(letters[note.measure], note.pitch, alter),
                sum(_is_odd(note.pitch, near) - _is_odd(other, near) for near in beside.get(note.id, ())),
                float(alter == usual),
            )
            chance = chance_of(evidence)
            if best is None or chance > best[0]:
                best = chance, other, evidence
        if best is not None:
            yield note, best[1], best[2]


def _beside_chord(pitch: Pitch, span: Span) -> float:
    return _TONE if pitch.pitch_class in span.numeral.chord(span.key).members else _FOREIGN


def _in_key(pitch: Pitch, span: Span) -> float:
    return _IN_KEY if pitch.pitch_class in span.key else _OUTSIDE


def _more(around: Counter[tuple[str, int]], pitch: Pitch, alter: int) -> float:
    own = around[pitch.letter, pitch.alter] - 1
    return log((around[pitch.letter, alter] + 0.5) / (own + 0.5))


def _elsewhere(bar: Counter[tuple[str, int]], pitch: Pitch, alter: int) -> float:
    return float(bar[pitch.letter, alter] > 0) - float(bar[pitch.letter, pitch.alter] > 1)


def _beside(score: Score) -> dict[str, list[Pitch]]:
    """Return the pitches before and after each note in its voice, where it stands alone there."""
    voices: dict[tuple[int, str], list[Note]] = {}
    for note in score.struck:
        voices.setdefault((note.part, note.voice), []).append(note)
    out: dict[str, list[Pitch]] = {}
    for notes in voices.values():
        alone = Counter(note.onset for note in notes)
        line = [note for note in notes if alone[note.onset] == 1]
        for before, after in pairwise(line):
            out.setdefault(before.id, []).append(after.pitch)
            out.setdefault(after.id, []).append(before.pitch)
    return out


_PLAIN = frozenset(range(-5, 6)) | {7, -7}
"""Fifths between notes of perfect, major and minor intervals, and of the chromatic semitone."""


def _is_odd(a: Pitch, b: Pitch) -> bool:
    return a.pitch_class.fifths - b.pitch_class.fifths not in _PLAIN
