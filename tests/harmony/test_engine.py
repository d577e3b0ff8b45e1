"""The reading of short examples: facts of the harmony textbooks, re-encoded in a few bars each.

The progressions are common property; where a fact is listed in a textbook the chapter is named
(Hutchinson, *Music Theory for the 21st-Century Classroom*). Voicings are our own.
"""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.harmony.small_scores import chords, score_of
from tests.once import EXAMPLES as OURS
from tests.once import opening, read_score

from understave.errors import UnderstaveError
from understave.harmony.engine import read_harmony, settle
from understave.harmony.model.encoding import encode
from understave.harmony.model.label_indices import key_index
from understave.harmony.reading import Correction
from understave.harmony.trained import Opinion, opinion_of
from understave.score.model import Score
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch
from understave.theory.roman import RomanNumeral
from understave.wording.chord_reasons import explain_span

KEYS = {
    "C": Interval(0, 0),
    "E flat": Interval(2, 3),
    "A": Interval(-2, -3),
    "F sharp": Interval(3, 6),
    "D flat": Interval(1, 1),
}
moved = pytest.mark.parametrize("interval", KEYS.values(), ids=KEYS)


def numerals(score: Score) -> list[str]:
    """Return the numerals in order, neighbours that are equal joined."""
    labels: list[str] = []
    for span in read_harmony(score).spans:
        if not labels or labels[-1] != str(span.numeral):
            labels.append(str(span.numeral))
    return labels


def keys(score: Score) -> set[str]:
    return {span.key.symbol for span in read_harmony(score).spans}


EXAMPLES = {
    # Chapter 16.3: the cadential six-four stands over the fifth degree and falls to V.
    "cadential six-four": (
        "C3 G3 E4 C5 | F3 A3 D4 C5 | G2 G3 E4 C5 | G2 F3 D4 B4 | C3 E3 C4 C5 | C3 E3 C4 C5",
        0,
        ["I", "ii65", "Cad64", "V7", "I"],
    ),
    # Chapter 20: the Neapolitan sixth before V in minor.
    "neapolitan": (
        "C3 G3 Eb4 C5 | C3 G3 Eb4 C5 | F3 F3 Ab4 Db5 | F3 F3 Ab4 Db5"
        " | G2 G3 D4 B4 | G2 F3 D4 B4 | C3 G3 Eb4 C5",
        -3,
        ["i", "N6", "V", "V7", "i"],
    ),
    # Chapter 21: the three augmented sixths, flat sixth degree in the bass, resolving to V.
    "italian": (
        "C3 G3 Eb4 C5 | C3 G3 Eb4 C5 | Ab2 C4 C4 F#4 | Ab2 C4 C4 F#4"
        " | G2 B3 D4 G4 | G2 B3 D4 G4 | C3 G3 Eb4 C5",
        -3,
        ["i", "It6", "V", "i"],
    ),
    "french": (
        "C3 G3 Eb4 C5 | C3 G3 Eb4 C5 | Ab2 C4 D4 F#4 | Ab2 C4 D4 F#4"
        " | G2 B3 D4 G4 | G2 B3 D4 G4 | C3 G3 Eb4 C5",
        -3,
        ["i", "Fr43", "V", "i"],
    ),
    "german": (
        "C3 G3 Eb4 C5 | C3 G3 Eb4 C5 | Ab2 C4 Eb4 F#4 | Ab2 C4 Eb4 F#4"
        "| G2 C4 Eb4 G4 | G2 B3 D4 G4 | C3 G3 Eb4 C5 | C3 G3 Eb4 C5",
        -3,
        ["i", "Ger65", "Cad64", "V", "i"],
    ),
    # Chapters 17 and 18: secondary dominants and leading-tone chords.
    "applied dominant of V": (
        "C3 G3 E4 C5 | F3 A3 C4 C5 | F#3 A3 D4 C5 | G3 G3 D4 B4 | G2 F3 D4 B4 | C3 G3 E4 C5 | C3 G3 E4 C5",
        0,
        ["I", "IV", "V65/V", "V", "V7", "I"],
    ),
    "applied leading-tone chord": (
        "C3 G3 E4 C5 | F3 A3 C4 C5 | F#3 A3 C4 Eb5 | G3 G3 B3 D5 | G2 F3 B3 D5 | C3 G3 C4 E5 | C3 G3 C4 E5",
        0,
        ["I", "IV", "viio7/V", "V", "V7", "I"],
    ),
    # Chapter 19: mode mixture, the minor subdominant in major.
    "mixture": (
        "C3 G3 E4 C5 | F3 A3 C4 C5 | F3 Ab3 C4 C5 | G3 G3 D4 B4 | G2 F3 D4 B4 | C3 G3 E4 C5 | C3 G3 E4 C5",
        0,
        ["I", "IV", "iv", "V", "V7", "I"],
    ),
    # Common practice, no source: a half-diminished second degree in minor.
    "half-diminished": (
        "C3 G3 Eb4 C5 | C3 G3 Eb4 C5 | F3 Ab3 D4 C5 | F3 Ab3 D4 C5"
        " | G2 G3 D4 B4 | G2 F3 D4 B4 | C3 G3 Eb4 C5",
        -3,
        ["i", "iiø65", "V", "V7", "i"],
    ),
}


@moved
@pytest.mark.parametrize("name", EXAMPLES)
def test_textbook_examples(name: str, interval: Interval) -> None:
    text, signature, expected = EXAMPLES[name]
    assert numerals(chords(text, signature=signature, interval=interval)) == expected


FIFTHS = (
    "C3 G3 E4 C5 | F2 A3 F4 C5 | B2 D4 F4 B4 | E3 B3 E4 G4"
    "| A2 A3 C4 E4 | D3 A3 D4 F4 | G2 G3 B3 D4 | C3 G3 C4 E4"
)


@moved
def test_sequence_by_fifths(interval: Interval) -> None:
    # Check table in the handbooks: I-IV-viio-iii-vi-ii-V-I.
    assert numerals(chords(FIFTHS, length=4, interval=interval)) == [
        "I",
        "IV",
        "viio",
        "iii",
        "vi",
        "ii",
        "V",
        "I",
    ]


@moved
def test_broken_chords_read_like_struck_ones(interval: Interval) -> None:
    text = "C3 G3 E4 | F3 A3 C4 | D3 A3 F4 | G2 G3 B3 D4 | G2 F3 B3 D4 | C3 G3 E4"
    block = numerals(chords(text, length=4, interval=interval))
    broken = numerals(chords(text, length=4, interval=interval, broken=True))
    assert block == broken == ["I", "IV", "ii", "V", "V7", "I"]


def test_common_tone_diminished_seventh() -> None:
    # D sharp, F sharp, A, C to C, E, G, with C held: not a dominant of E minor.
    text = "C3 G3 E4 C5 | C3 G3 E4 C5 | C3 F#3 D#4 A4 | C3 G3 E4 G4 | G2 F3 D4 B4 | C3 G3 E4 C5 | C3 G3 E4 C5"
    labels = numerals(chords(text))
    assert labels[0] == "I"
    assert labels[1].startswith("#iio")
    assert labels[-2:] == ["V7", "I"]


def test_suspension_is_foreign_to_the_chord() -> None:
    # Hutchinson, chapter 10: a 4-3 suspension, prepared on C and resolved to B over G.
    whole, held = Fraction(4), Fraction(6)
    notes = [
        *((Fraction(0), whole, n) for n in ("C3", "G3", "E4")),
        (Fraction(0), held, "C5"),
        *((Fraction(4), whole, n) for n in ("G2", "G3", "D4")),
        (Fraction(6), Fraction(2), "B4"),
        *((Fraction(8), whole, n) for n in ("C3", "G3", "E4", "C5")),
    ]
    score = score_of(notes)
    first, dominant, last = read_harmony(score).spans
    assert [str(s.numeral) for s in (first, dominant, last)] == ["I", "V", "I"]
    assert [str(score.note_by_id[i].pitch) for i in dominant.foreign] == ["C5"]
    assert "C 5 is a suspension that resolves down by step" in explain_span(score, dominant)


def test_a_late_seventh_belongs_to_the_whole_broken_chord() -> None:
    # Common practice, no source: one harmony to a held bass, though its seventh is struck last.
    half = Fraction(1, 2)
    figures = {"C3": "G3 C4 E4 G4 E4 C4", "G2": "D3 G3 B3 D4 F4 D4", "C2": "G3 C4 E4 G4 E4 C4"}
    notes = []
    for bar, (bass, figure) in enumerate(figures.items()):
        notes.append((Fraction(3 * bar), Fraction(3), bass))
        notes += [(3 * bar + k * half, half, name) for k, name in enumerate(figure.split())]
    assert numerals(score_of(notes, 3, 4)) == ["I", "V7", "I"]


def transposed(score: Score, interval: Interval) -> list[tuple[str, str, Fraction]]:
    reading = read_harmony(score)
    return [(str((Pitch(s.key.tonic.letter, s.key.tonic.alter, 4) + interval).pitch_class) + s.key.mode,
             str(s.numeral), s.start) for s in reading.spans]  # fmt: skip


@moved
def test_a_transposed_score_gives_the_transposed_reading(interval: Interval) -> None:
    for text, signature, _ in EXAMPLES.values():
        here = transposed(chords(text, signature=signature), interval)
        there = transposed(chords(text, signature=signature, interval=interval), Interval(0, 0))
        assert here == there


def test_bad_spelling_still_gives_the_right_roots() -> None:
    # Every black key spelled the other way: the reading sounds the same at least.
    for name in ("cadential six-four", "applied dominant of V", "mixture", "half-diminished"):
        text, signature, _ = EXAMPLES[name]
        names = [n.strip() for n in text.replace("|", " | ").split()]
        bad = " ".join(_respell(n) for n in names)
        right = read_harmony(chords(text, signature=signature)).spans
        wrong = read_harmony(chords(bad, signature=signature)).spans
        sounds = [(s.start, s.numeral.chord(s.key).root.semitone) for s in right]
        assert [(s.start, s.numeral.chord(s.key).root.semitone) for s in wrong] == sounds


def _respell(name: str) -> str:
    if name == "|":
        return name
    pitch = Pitch.parse(name)
    other = {"F#": "Gb", "Eb": "D#", "Ab": "G#", "Db": "C#", "Bb": "A#"}
    return f"{other.get(str(pitch.pitch_class), pitch.pitch_class)}{pitch.octave}"


def test_reading_is_the_same_every_time() -> None:
    score = chords(FIFTHS)
    assert read_harmony(score) == read_harmony(score)


def test_spans_leave_no_gap_and_beliefs_are_shares() -> None:
    for text, signature, _ in EXAMPLES.values():
        score = chords(text, signature=signature)
        spans = read_harmony(score).spans
        assert spans[0].start == 0
        assert spans[-1].end == score.end
        assert all(a.end == b.start for a, b in pairwise(spans))
        for s in spans:
            beliefs = [s.confidence, *(a.confidence for a in s.alternatives)]
            assert max(beliefs) == s.confidence
            assert all(0 <= b <= 1 for b in beliefs)
            assert sum(beliefs) <= 1 + 1e-9
            assert (s.key, s.numeral) not in {(a.key, a.numeral) for a in s.alternatives}
            sounding = {n.id for n in score.notes if n.onset < s.end and n.end > s.start}
            assert set(s.notes) | set(s.foreign) == sounding


def test_modulation_to_the_dominant() -> None:
    text = (
        "C3 G3 E4 C5 | F3 A3 C4 F4 | G3 B3 D4 G4 | C3 G3 E4 C5 | A2 A3 E4 C5"
        " | D3 A3 D4 F#4 | G2 G3 D4 B4 | E3 G3 E4 B4"
        "| A2 A3 E4 C5 | D3 A3 D4 F#4 | D3 C4 D4 F#4 | G2 B3 D4 G4"
        " | C3 G3 E4 C5 | D3 F#3 C4 A4 | G2 G3 B3 G4 | G2 G3 B3 G4"
    )
    spans = read_harmony(chords(text)).spans
    assert spans[0].key.symbol == "C"
    assert spans[-1].key.symbol == "G"
    assert str(spans[-1].numeral) == "I"


def test_no_sounding_notes_is_one_sentence() -> None:
    silent = chords("C4 E4 G4")
    silent = Score(silent.title, silent.composer, silent.parts, silent.measures, ())
    with pytest.raises(UnderstaveError, match="no sounding notes"):
        read_harmony(silent)


def test_explanation_names_members_and_bass() -> None:
    score = chords("C3 G3 E4 C5 | F3 A3 D4 C5 | G2 F3 D4 B4 | C3 E3 C4 C5")
    span = next(s for s in read_harmony(score).spans if str(s.numeral) == "ii65")
    words = explain_span(score, span)
    assert "D, F, A and C belong to it" in words
    assert "lowest note is F 3, its third" in words


NAMES = st.builds(
    lambda letter, sign, octave: f"{letter}{sign}{octave}",
    st.sampled_from("CDEFGAB"),
    st.sampled_from(["", "#", "b", "##", "bb"]),
    st.integers(1, 7),
)
TIMES = st.fractions(0, 12, max_denominator=6)
LENGTHS = st.sampled_from(
    [Fraction(1, 6), Fraction(1, 4), Fraction(1, 3), Fraction(1), Fraction(3), Fraction(11)]
)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(TIMES, LENGTHS, NAMES), min_size=1, max_size=30),
    st.sampled_from([(4, 4), (3, 4), (6, 8), (5, 8), (2, 2), (1, 8)]),
    st.integers(-7, 7),
)
def test_any_notes_give_a_whole_reading(
    notes: list[tuple[Fraction, Fraction, str]], meter: tuple[int, int], signature: int
) -> None:
    score = score_of(notes, *meter, signature)
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        spans = read_harmony(score).spans
    assert spans[0].start == min(n.onset for n in score.notes)
    assert spans[-1].end >= max(n.end for n in score.notes)
    assert all(a.end == b.start for a, b in pairwise(spans))
    for span in spans:
        assert set(span.notes).isdisjoint(span.foreign)
        assert explain_span(score, span)


def _opinion(score: Score, corrections: tuple[Correction, ...] = ()) -> tuple[Opinion, int]:
    """What the engine believes of a score, and the bytes that it held at most."""
    encoding, keys = encode(score), np.array([key_index(Key.parse(k)) for k in ("Eb", "c", "Bb", "g", "Ab")])
    tracemalloc.start()
    try:
        opinion = opinion_of(score, settle(score, corrections), encoding, keys)
        return opinion, tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_a_long_piece_is_heard_in_stretches_as_it_is_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """But for labels that are faint in a whole stretch; what a teacher settled holds across its edge too."""
    score = read_score(OURS / "lock-water" / "score.musicxml")
    given = Correction("10", Fraction(1), "14", Fraction(1), Key.parse("Eb"), RomanNumeral.parse("V7"))
    _opinion(read_score(opening(2)))  # Loads what is loaded once.
    _, least = _opinion(read_score(opening(2)))
    whole, most = _opinion(score, (given,))
    monkeypatch.setattr("understave.harmony.engine.STRETCH", 60)
    monkeypatch.setattr("understave.harmony.engine.AROUND", 20)
    parted, peak = _opinion(score, (given,))
    for name in whole.chords.keys() | parted.chords.keys():
        none = np.zeros(1)
        assert np.abs(whole.chords.get(name, none) - parted.chords.get(name, none)).max() < 0.02, name
    times = np.array([float(t) for t in encode(score).times[:-1]])
    begin, end = (float(score.time_of(bar, Fraction(1))) for bar in ("10", "14"))
    held = (times >= begin) & (times < end)
    assert parted.chords[-2, "dominant7", 0][held].min() > 0.99
    assert peak - least < 0.8 * (most - least)


def test_a_foreign_note_that_comes_again_is_told_once() -> None:
    score = chords("C3 G3 E4 C5 | F3 A3 D4 C5 | G2 F3 D4 B4 | C3 E3 C4 C5")
    span = read_harmony(score).spans[0]
    note = score.note_by_id[span.notes[-1]]
    twice = replace(span, notes=span.notes[:-1], foreign=(note.id, note.id))
    assert explain_span(score, twice).count("C 5 is") == 1
