"""What the singer tells of a song's sections: evidence that one begins with a bar, each 0..1 (`NAMES`).

In: a Score with sung words. Out: a table for `findings.form`. The singer's first entry ends the prelude; a
verse begins after a rest, after a full stop in the words, with the tune or the words of the first verse, or
where the prelude comes back; where the singer falls silent an interlude begins (common practice of the
strophic song, no source). The words' punctuation is the poet's; nothing is asked of their language.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import TypeAlias

import numpy as np

from understave.findings.sounding_notes import soundings
from understave.findings.sung_words import Word, words_of
from understave.harmony.units import Floats
from understave.score.model import Note, Score

# Log-odds, as in `findings.form` and with its evidence beside them: logistic regression on the 51 songs of
# the training folder whose analysts named sections. With each composer left out, F1 of the beginnings to the
# bar rises from .45 (the evidence of `findings.form` alone, fitted anew) to .57.
WEIGHTS: dict[str, float] = {
    "first entry": 3.55,
    "entry after a rest": 1.1,
    "interlude": 0.9,
    "sentence ends": 1.05,
    "words return": 0.25,
    "tune returns": 1.15,
    "prelude returns": 2.25,
}
NAMES = tuple(WEIGHTS)
GENERAL: dict[str, float] = {
    "repeat sign": 1.6,
    "new tempo": 1.45,
    "phrase end": 1.6,
    "return begins": 2.25,
    "returns later": 2.2,
    "opening returns": 0.95,
    "new texture": 0.75,
    "melody moves": 0.2,
    "new material": 1.2,
    "last cadence": 2.4,
    "theme enters": 1.9,
    "inside a return": -0.6,
}
"""What the evidence of `findings.form` weighs in a song, fitted with the singer's; the rest nothing."""
BIAS = -3.7
LENGTH_WEIGHT = 0.3
"""Verses are of any length: it counts half of what it does elsewhere."""
REASONS = {
    "first entry": "the voice enters",
    "entry after a rest": "the voice enters",
    "sentence ends": "a phrase ends",
    "tune returns": "an earlier passage comes back",
    "prelude returns": "an earlier passage comes back",
}
_FEWEST_WORDS = 8
"""Words from which on a piece is a song."""
_TUNE = 7
"""Notes of the tune that are compared."""
_FEWEST_STEPS = 4
_ALIKE = 0.4
"""Share of what is alike from which on it counts; it counts fully where all is."""
_SAME_WORDS = 3
_SENTENCE_ENDS = ".!?"

_Bar: TypeAlias = frozenset[tuple[Fraction, int]]


@dataclass(frozen=True, slots=True)
class _Breath:
    """What is sung between two rests."""

    notes: tuple[Note, ...]

    @property
    def start(self) -> Fraction:
        return self.notes[0].onset

    @property
    def end(self) -> Fraction:
        return max(note.end for note in self.notes)


def is_song(score: Score) -> bool:
    """Whether enough words are sung for the singer to tell where sections begin."""
    return len(words_of(score)) >= _FEWEST_WORDS


def foretold(score: Score) -> tuple[Fraction, Fraction, Fraction] | None:
    """Return where the prelude already plays the tune that is sung first, and from when to when that is sung;
    None where it does not.

    Most of the first syllables find their tone on top of the prelude, at the same distances; a call on two or
    three tones is no tune (common practice of the song, no source; the numbers set by ear on training songs).
    """
    sung = [note for note in score.notes if note.lyrics and not note.cue]
    sung = [note for note in sung if note.part == sung[0].part]
    if not sung:
        return None
    entry = sung[0].onset
    phrase = [n for n in sung if n.onset < entry + 3 * score.measures[sung[0].measure].full_length][:_SUNG]
    if len(phrase) < _SYLLABLES or len({n.pitch.pitch_class for n in phrase}) < _TONES:
        return None
    heard, last = soundings(score), phrase[-1].onset
    best, where = 0, Fraction(0)
    for start in sorted({n.onset for n in score.struck if n.onset < entry}):
        if last - entry + start >= entry:
            break
        tops = (heard.at(n.onset - entry + start)[-1:] for n in phrase)
        pairs = zip(tops, phrase, strict=True)
        same = sum(top[0].pitch.pitch_class == n.pitch.pitch_class for top, n in pairs if top)
        if same > best:
            best, where = same, start
    return (where, entry, phrase[-1].end) if best >= _TAKEN * len(phrase) else None


_SUNG = 10
"""Syllables of what is sung first that are compared at most."""
_SYLLABLES, _TONES = 6, 4
"""Syllables and different tones from which a tune is known again."""
_TAKEN = 0.75
"""Share of the syllables whose tones must lie on top."""


def sung_evidence(score: Score) -> Floats:
    """Return what the singer tells: shape (bars, `NAMES`), values 0..1."""
    table = np.zeros((len(score.measures), len(NAMES)))
    for bar, name, value in _evidence(score):
        if 0 < bar < len(table):
            column = NAMES.index(name)
            table[bar, column] = max(table[bar, column], value)
    return table


def begins_with(score: Score, moment: Fraction) -> int:
    """Return the bar that begins at a moment, or right after an upbeat of half a bar at most."""
    measure = score.measure_at(moment)
    at = moment - measure.start + measure.offset
    return measure.index + (1 if 2 * at >= measure.full_length else 0)


def _evidence(score: Score) -> Iterator[tuple[int, str, float]]:
    words, breaths = words_of(score), _breaths(score)
    if not words or not breaths:
        return
    yield begins_with(score, breaths[0].start), "first entry", 1.0
    yield from _from_rests(score, breaths)
    yield from _from_words(score, words)
    yield from _from_tune(score, breaths)
    yield from _from_prelude(score, begins_with(score, breaths[0].start))


def _breaths(score: Score) -> list[_Breath]:
    sung = [note for note in score.notes if note.lyrics and note.lyrics[0].strip() and not note.cue]
    if not sung:
        return []
    voice = (sung[0].part, sung[0].staff)
    found: list[list[Note]] = []
    until = Fraction(-1)
    for note in sorted(score.notes, key=lambda note: note.onset):
        if (note.part, note.staff) != voice or note.cue:
            continue
        if note.onset > until or not found:
            found.append([])
        found[-1].append(note)
        until = max(until, note.end)
    return [_Breath(tuple(notes)) for notes in found]


def _from_rests(score: Score, breaths: Sequence[_Breath]) -> Iterator[tuple[int, str, float]]:
    for before, here in pairwise(breaths):
        rest = float((here.start - before.end) / score.measure_at(here.start).full_length)
        yield begins_with(score, here.start), "entry after a rest", min(1.0, rest)
        if rest >= 1:
            bar = score.measure_at(before.end)
            yield bar.index + (before.end != bar.start), "interlude", min(1.0, rest / 4)


def _from_words(score: Score, words: Sequence[Word]) -> Iterator[tuple[int, str, float]]:
    said = [word.text.strip(".,;:!?").casefold() for word in words]
    for i in range(1, len(words)):
        bar = begins_with(score, words[i].start)
        if words[i - 1].text[-1:] in _SENTENCE_ENDS:
            yield bar, "sentence ends", 1.0
        # Near the first line its words again are an echo of it.
        if 5 * i > len(words) and said[i : i + _SAME_WORDS] == said[:_SAME_WORDS]:
            yield bar, "words return", 1.0


def _from_tune(score: Score, breaths: Sequence[_Breath]) -> Iterator[tuple[int, str, float]]:
    notes = [note for breath in breaths for note in breath.notes]
    first = _shape(notes[:_TUNE])
    at = 0
    for before, here in pairwise(breaths):
        at += len(before.notes)
        steps = _shape(notes[at : at + _TUNE])
        # A mere breath is none: a quarter of a bar is silent at least.
        long_enough = 4 * (here.start - before.end) >= score.measure_at(here.start).full_length
        if long_enough and min(len(steps), len(first)) >= _FEWEST_STEPS:
            pairs = list(zip(steps, first, strict=False))
            same = sum((a[0] == b[0]) + (a[1] == b[1]) for a, b in pairs) / (2 * len(pairs))
            yield begins_with(score, here.start), "tune returns", _beyond(same)


def _shape(notes: Sequence[Note]) -> list[tuple[int, Fraction]]:
    """Return the steps of a tune, in semitones and in time."""
    return [(b.midi - a.midi, b.onset - a.onset) for a, b in pairwise(notes)]


def _from_prelude(score: Score, entry: int) -> Iterator[tuple[int, str, float]]:
    if entry < 2:
        return
    played = _played(score)
    if not played[0] or not played[1]:
        return
    for bar in range(entry, len(played) - 1):
        same = min(_shared(played[bar], played[0]), _shared(played[bar + 1], played[1]))
        yield bar, "prelude returns", _beyond(same)


def _played(score: Score) -> list[_Bar]:
    """Return what the accompaniment strikes in each bar: when, and which of the twelve notes."""
    singer = next(note.part for note in score.notes if note.lyrics)
    bars: list[set[tuple[Fraction, int]]] = [set() for _ in score.measures]
    for note in score.struck:
        if note.part != singer:
            measure = score.measures[note.measure]
            bars[note.measure].add((note.onset - measure.start + measure.offset, note.midi % 12))
    return [frozenset(bar) for bar in bars]


def _shared(one: _Bar, other: _Bar) -> float:
    return len(one & other) / max(1, len(one | other))


def _beyond(share: float) -> float:
    return max(0.0, (share - _ALIKE) / (1 - _ALIKE))
