"""Augmented sixths are named after what sounds in them.

The settings are the progressions that handbooks print for the three kinds, in our own voicing: lowered sixth
and raised fourth degrees with the tonic alone (Italian), with the second degree (French), with the lowered
third (German); Hutchinson, "Music Theory for the 21st-Century Classroom", 21.1 to 21.3.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.harmony.small_scores import chords

from understave.findings import read
from understave.harmony.augmented_sixths import as_they_sound
from understave.harmony.reading import Alternative, Correction, Span
from understave.harmony.trained import read_trained
from understave.score.model import Score
from understave.theory.key import Key
from understave.theory.pitch import Interval
from understave.theory.roman import RomanNumeral

# i VI, the sixth, the cadential six-four and its dominant.
CADENCE = "C3 Eb4 G4 C5 | Ab2 C4 Eb4 C5 | {} | G2 Eb4 G4 C5 | G2 D4 G4 B4 | C3 Eb4 G4 C5"
SIXTHS = {"It6": "Ab2 C4 F#4 C5", "Fr43": "Ab2 D4 F#4 C5", "Ger65": "Ab2 Eb4 F#4 C5"}
C_MINOR = Key.parse("c")


def sounding(score: Score, span: Span) -> list:
    return [n for n in score.notes if n.onset < span.end and n.end > span.start]


def named(score: Score, *spans: Span) -> tuple[Span, ...]:
    return as_they_sound(spans, [sounding(score, s) for s in spans])


def span(text: str, start: int = 0, end: int = 2, key: Key = C_MINOR, fixed: bool = False) -> Span:
    return Span(Fraction(start), Fraction(end), key, RomanNumeral.parse(text), 0.6, fixed=fixed)


@pytest.mark.parametrize("label", SIXTHS)
@pytest.mark.parametrize(("name", "notes"), SIXTHS.items())
def test_the_notes_decide_which_augmented_sixth(name: str, notes: str, label: str) -> None:
    score = chords(notes)
    (found,) = named(score, span(label))
    assert str(found.numeral) == name
    members = found.numeral.chord(found.key).semitones
    assert label == name or all(score.note_by_id[i].midi % 12 in members for i in found.notes)
    assert not found.foreign


@pytest.mark.parametrize("interval", ["P1", "M2", "m3", "P4", "-m2", "-P4", "-m3"])
@pytest.mark.parametrize(("name", "notes"), SIXTHS.items())
def test_label_and_told_chord_are_one(name: str, notes: str, interval: str) -> None:
    """The reading's label, and what is told of it. Each would be read as a German sixth after VI."""
    move = Interval.parse(interval)
    score = chords(CADENCE.format(notes), length=1, signature=-3, interval=move)
    reading = read(score)
    label = reading.span_at(Fraction(2))
    assert label is not None
    assert str(label.numeral) == name
    told = [e for e in reading.events if e.kind == "chromatic chord" and "sixth" in e.label]
    kinds = {"It6": "italian sixth", "Fr43": "french sixth", "Ger65": "german sixth"}
    assert [(e.label, str(e.get("chord"))) for e in told] == [(kinds[name], name)]


@pytest.mark.parametrize("label", SIXTHS)
def test_what_the_teacher_set_stays(label: str) -> None:
    score = chords(CADENCE.format(SIXTHS["It6"]), length=1, signature=-3)
    word = Correction("1", Fraction(3), "1", Fraction(4), C_MINOR, RomanNumeral.parse(label))
    (found,) = (s for s in read_trained(score, [word]).spans if s.fixed)
    assert (str(found.numeral), found.start) == (label, 2)


def test_a_note_that_sounds_for_less_than_half_leaves_the_label() -> None:
    """E flat passes: with it the label German stays, but it makes no German sixth of an Italian one."""
    score = chords("Ab2 C4 F#4 C5 | Ab2 C4 F#4 C5 | Ab2 C4 F#4 Eb5", length=1)
    (german,) = named(score, span("Ger65", 0, 3))
    (italian,) = named(score, span("It6", 0, 3))
    assert (str(german.numeral), str(italian.numeral)) == ("Ger65", "It6")


def test_the_bass_and_the_degree_it_belongs_to_stay() -> None:
    """Over the tonic, and as the sixth of the dominant."""
    (over_tonic,) = named(chords("C3 Ab3 F#4 C5"), span("Ger43"))
    assert over_tonic.numeral.chord(C_MINOR).bass.name == "C"
    (applied,) = named(chords("Eb3 G4 C#5"), span("Ger65/V"))
    assert str(applied.numeral) == "It6/V"


def test_neighbours_that_say_the_same_become_one() -> None:
    score = chords("Ab2 C4 F#4 C5 | Ab2 C4 F#4 C5 | G2 D4 G4 B4")
    own = tuple(n.id for n in score.notes if 2 <= n.onset < 4)
    spans = (span("Ger65", 0, 2), replace(span("It6", 2, 4), notes=own), span("V", 4, 6))
    found = named(score, *spans)
    assert [(str(s.numeral), s.start, s.end) for s in found] == [("It6", 0, 4), ("V", 4, 6)]
    assert set(found[0].notes) == {n.id for n in score.notes if n.onset < 4}
    kept = named(score, replace(spans[0], fixed=True), *spans[1:])
    assert [str(s.numeral) for s in kept] == ["Ger65", "It6", "V"]


def test_a_name_that_is_taken_is_no_alternative() -> None:
    rivals = (
        Alternative(C_MINOR, RomanNumeral.parse("It6"), 0.2),
        Alternative(C_MINOR, RomanNumeral.parse("iv6"), 0.1),
    )
    (found,) = named(chords(SIXTHS["It6"]), replace(span("Ger65"), alternatives=rivals))
    assert [str(a.numeral) for a in found.alternatives] == ["iv6"]
