"""Labels say what sounds: sevenths that never sound, ninths that belong, thirds that change.

The settings are our own, after what handbooks print: the dominant ninth in root position, with the ninth in
the top voice, resolving down by step (Aldwell and Schachter, "Harmony and Voice Leading", from memory); the
9-8 suspension, which is no ninth chord (Hutchinson, "Music Theory for the 21st-Century Classroom", ch. 10);
the borrowed minor subdominant after the major one (the same, "Mode Mixture").
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.harmony.small_scores import chords, score_of

from understave.claims.chords_and_keys import ChordIs
from understave.claims.facts import Facts
from understave.findings import read
from understave.findings.nonchord import NON_CHORD_TONE
from understave.harmony.engine import sort_notes
from understave.harmony.reading import Alternative, Correction, Reading, Span
from understave.harmony.reread import reread
from understave.harmony.trained import judge_score, read_judged
from understave.harmony.what_sounds import Heard, named_by_notes
from understave.repertoire.patterns import progression
from understave.score.model import Score
from understave.teaching.reduction import faults_of, reduce
from understave.theory.key import Key
from understave.theory.numeral_words import chord_tone_words
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

C, C_MINOR = Key.parse("C"), Key.parse("c")


def span(text: str, start: float, end: float, key: Key = C, *others: str) -> Span:
    alternatives = tuple(Alternative(key, RomanNumeral.parse(o), 0.2) for o in others)
    return Span(Fraction(start), Fraction(end), key, RomanNumeral.parse(text), 0.5, alternatives=alternatives)


def heard(score: Score, here: Span) -> Heard:
    return Heard(
        tuple(n for n in score.struck if n.onset < here.end and n.end > here.start),
        tuple(n for n in score.struck if n.end == here.start),
        score.measure_at(here.start).full_length,
    )


def named(score: Score, *spans: Span) -> list[str]:
    return [str(s.numeral) for s in found(score, *spans)]


def found(score: Score, *spans: Span) -> tuple[Span, ...]:
    whole = [
        replace(s, notes=m, foreign=f)
        for s in spans
        for m, f in [sort_notes(heard(score, s).notes, s.numeral.chord(s.key))]
    ]
    return named_by_notes(whole, [heard(score, s) for s in whole])


# --- sevenths ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("label", "notes", "plain"),
    [
        ("V7", "G2 D4 G4 B4", "V"),
        ("V65", "B2 D4 G4 B4", "V6"),
        ("V42", "G2 D4 G4 B4", "V"),
        ("ii65", "F3 A3 D4 F4", "ii6"),
        ("viiø7", "B2 D4 F4 B4", "viio"),
        ("V7/V", "D3 A3 D4 F#4", "V/V"),
        ("IM7", "C3 E4 G4 C5", "I"),
    ],
)
def test_no_label_claims_a_seventh_that_never_sounds(label: str, notes: str, plain: str) -> None:
    (now,) = found(chords(notes, length=4), span(label, 0, 4))
    assert str(now.numeral) == plain
    assert not now.foreign
    assert now.confidence == 0.5


def test_a_likelier_chord_takes_its_place_where_its_notes_are_there() -> None:
    score = chords("F3 A3 D4 F4", length=4)
    (now,) = found(score, span("IV7", 0, 4, C, "V7", "ii6", "IV"))
    assert str(now.numeral) == "ii6"
    assert [str(a.numeral) for a in now.alternatives] == ["V7", "IV"]


def test_no_alternative_of_another_key_takes_its_place() -> None:
    other = Alternative(Key.parse("G"), RomanNumeral.parse("I"), 0.4)
    score = chords("G2 D4 G4 B4", length=4)
    assert named(score, replace(span("V7", 0, 4), alternatives=(other,))) == ["V"]


@pytest.mark.parametrize("seconds", [Fraction(1, 4), Fraction(4)])
def test_a_seventh_that_sounds_at_all_is_left_to_the_decoder(seconds: Fraction) -> None:
    notes = [(Fraction(0), Fraction(4), n) for n in ("G2", "D4", "B4")]
    assert named(score_of([*notes, (Fraction(0), seconds, "F4")]), span("V7", 0, 4)) == ["V7"]


def test_what_the_teacher_set_stays() -> None:
    score = chords("G2 D4 G4 B4", length=4)
    assert named(score, replace(span("V7", 0, 4), fixed=True)) == ["V7"]


def test_neighbours_that_come_to_say_the_same_are_one() -> None:
    score = chords("G2 D4 G4 B4 | G2 D4 G4 B4", length=2)
    (now,) = found(score, span("V7", 0, 2), span("V", 2, 4))
    assert (now.start, now.end, len(now.notes)) == (0, 4, 8)


# --- ninths -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "label", "notes", "name"),
    [
        (C, "V7", "G2 F3 B3 A4", "V9"),
        (C, "V7", "G2 F3 B3 Ab4", "Vb9"),
        (C_MINOR, "V7", "G2 F3 B3 Ab4", "V9"),
        (C_MINOR, "V7", "G2 F3 B3 A4", "VM9"),
        (C, "V7/V", "D3 C4 F#4 E5", "V9/V"),
        (C, "V7/ii", "A2 G3 C#4 Bb4", "V9/ii"),
        # Over another bass, without third or seventh, or without the root, it is no ninth chord.
        (C, "V65", "B2 F3 G3 A4", "V65"),
        (C, "V65", "G2 F3 B3 A4", "V65"),
        (C, "V7", "D3 F3 G3 B3 A4", "V7"),
        (C, "II7", "D3 C4 F#4 E5", "II7"),
        (C, "V7", "G2 F3 D4 A4", "V7"),
        (C, "V", "G2 D3 B3 A4", "V"),
        (C, "ii7", "D3 C4 F4 E5", "ii7"),
    ],
)
def test_a_ninth_that_belongs_is_named(key: Key, label: str, notes: str, name: str) -> None:
    assert named(chords(notes, length=4), span(label, 0, 4, key)) == [name]


@pytest.mark.parametrize("again", [False, True], ids=["held", "struck again"])
def test_a_suspended_ninth_is_foreign(again: bool) -> None:
    whole = [(Fraction(4), Fraction(4), n) for n in ("G2", "F3", "B3")]
    before = [(Fraction(0), Fraction(4), n) for n in ("F2", "F4", "C4")]
    ninth = [(Fraction(0), Fraction(8), "A4")]
    if again:
        ninth = [(Fraction(0), Fraction(4), "A4"), (Fraction(4), Fraction(4), "A4")]
    score = score_of([*before, *whole, *ninth])
    assert named(score, span("IV", 0, 4), span("V7", 4, 8)) == ["IV", "V7"]


@pytest.mark.parametrize(("until", "name"), [(3, ["V7"]), (Fraction(16, 5), ["V9"])])
def test_it_belongs_from_four_fifths_of_the_chord(until: Fraction, name: list[str]) -> None:
    notes = [(Fraction(0), Fraction(4), n) for n in ("G2", "F3", "B3")]
    score = score_of([*notes, (Fraction(0), Fraction(until), "A4")])
    assert named(score, span("V7", 0, 4)) == name


@pytest.mark.parametrize(("until", "name"), [(Fraction(1, 4), ["V7"]), (Fraction(1, 2), ["V9"])])
def test_its_seventh_sounds_for_a_tenth_at_least(until: Fraction, name: list[str]) -> None:
    notes = [(Fraction(0), Fraction(4), n) for n in ("G2", "B3", "A4")]
    assert named(score_of([*notes, (Fraction(0), until, "F3")]), span("V7", 0, 4)) == name


def test_a_ninth_of_a_bar_that_resolves_is_named_until_then() -> None:
    notes = [(Fraction(0), Fraction(12), n) for n in ("G2", "F3", "B3")]
    score = score_of([*notes, (Fraction(0), Fraction(5), "A4"), (Fraction(5), Fraction(7), "G4")])
    nine, seven = found(score, span("V7", 0, 12))
    assert (str(nine.numeral), nine.start, nine.end) == ("V9", 0, 5)
    assert (str(seven.numeral), seven.start, seven.end) == ("V7", 5, 12)
    assert not nine.foreign
    assert not seven.foreign


def test_what_follows_a_ninth_claims_no_seventh_that_has_gone() -> None:
    notes = [(Fraction(0), Fraction(12), n) for n in ("G2", "D4", "B3")]
    gone = [
        (Fraction(0), Fraction(5), "F3"),
        (Fraction(0), Fraction(5), "A4"),
        (Fraction(5), Fraction(7), "G4"),
    ]
    assert named(score_of([*notes, *gone]), span("V7", 0, 12)) == ["V9", "V"]


def test_a_ninth_that_comes_later_stays_foreign() -> None:
    notes = [(Fraction(0), Fraction(12), n) for n in ("G2", "F3", "B3")]
    score = score_of([*notes, (Fraction(4), Fraction(5), "A4")])
    assert named(score, span("V7", 0, 12)) == ["V7"]


NINTH = "C3 G3 C4 E4 | F3 A3 C4 F4 | D3 A3 C4 F4 | G2 F3 B3 A4 | C3 G3 C4 E4"


def test_a_ninth_goes_through_reading_claims_words_and_search() -> None:
    score = chords(NINTH, length=4)
    reading = read(score)
    ninth = next(s for s in reading.spans if s.start == 12)
    assert str(ninth.numeral) == "V9"
    assert not ninth.foreign
    # A ninth that belongs is no non-chord tone.
    assert not [e for e, _ in NON_CHORD_TONE.all(reading.events) if 12 <= e.start < 16]
    assert ChordIs(ninth.start, ninth.end, C, ninth.numeral).holds(Facts(score, reading.spans))
    assert chord_tone_words(ninth.numeral, C, PitchClass("A")) == "the ninth"
    assert len(progression("V9 I")) == 2
    made = reduce(score, reading)
    assert not faults_of(made, reading)
    assert 9 in {n.midi % 12 for n in made.struck if n.onset == 12}
    assert any(e.kind == "cadence" and e.start >= 12 for e in reading.events)


def test_a_correction_beside_a_ninth_leaves_it() -> None:
    score = chords(NINTH, length=4)
    judged = judge_score(score)
    before: Reading = read_judged(score, judged)
    corrections = [score_correction(score, 4, 8, "IV")]
    after = reread(score, judged, before.spans, judged.fixed, corrections)
    assert [str(s.numeral) for s in after.spans] == [str(s.numeral) for s in before.spans]
    assert "V9" in [str(s.numeral) for s in after.spans]


def score_correction(score: Score, start: int, end: int, numeral: str) -> Correction:
    return Correction(
        *score.anchor(Fraction(start)), *score.anchor(Fraction(end)), C, RomanNumeral.parse(numeral)
    )


# --- thirds -----------------------------------------------------------------------------------------------


def fourth_degree(first: str, second: str, change: Fraction, key: str = "F3") -> Score:
    rest = [(Fraction(0), Fraction(4), n) for n in (key, "C4", "F4")]
    return score_of([*rest, (Fraction(0), change, first), (change, 4 - change, second)])


def test_a_third_that_turns_minor_parts_the_chord() -> None:
    score = fourth_degree("A4", "Ab4", Fraction(2))
    major, minor = found(score, span("IV", 0, 4))
    assert (str(major.numeral), major.end) == ("IV", 2)
    assert (str(minor.numeral), minor.start) == ("iv", 2)
    assert not major.foreign
    assert not minor.foreign


@pytest.mark.parametrize(
    ("first", "second", "change"),
    [
        ("A4", "Ab4", Fraction(1, 2)),
        ("A4", "Ab4", Fraction(7, 2)),
        ("Ab4", "A4", Fraction(2)),
        # Spelled as a raised second, it passes.
        ("A4", "G#4", Fraction(2)),
    ],
)
def test_other_changes_leave_it_whole(first: str, second: str, change: Fraction) -> None:
    assert len(found(fourth_degree(first, second, change), span("IV", 0, 4))) == 1


def test_both_thirds_at_once_leave_it_whole() -> None:
    notes = [(Fraction(0), Fraction(4), n) for n in ("F3", "C4", "A4")]
    score = score_of([*notes, (Fraction(2), Fraction(2), "Ab4")])
    assert len(found(score, span("IV", 0, 4))) == 1
