import pytest
from hypothesis import given
from hypothesis import strategies as st

from understave.theory.chord import Chord, Quality
from understave.theory.figured_bass import (
    Figure,
    abbreviate,
    chords_of,
    complete,
    figures_of,
    figures_of_chord,
    parse_figures,
    parse_progression,
    pitch_classes_above,
    pitches_above,
    text,
)
from understave.theory.key import Key, all_keys
from understave.theory.pitch import Pitch, PitchClass
from understave.theory.roman import RomanNumeral

CONVENTIONS = [
    ("", "5/3"),
    ("3", "5/3"),
    ("5", "5/3"),
    ("6", "6/3"),
    ("6/4", "6/4"),
    ("7", "7/5/3"),
    ("6/5", "6/5/3"),
    ("4/3", "6/4/3"),
    ("4/2", "6/4/2"),
    ("2", "6/4/2"),
    ("4", "5/4"),
    ("9", "9/5/3"),
    ("9/7", "9/7/5/3"),
    ("9/4", "9/5/4"),
    ("7/4", "7/5/4"),
    ("#", "5/#3"),
    ("n", "5/n3"),
    ("b", "5/b3"),
    ("#6", "#6/3"),
    ("7/#", "7/5/#3"),
    ("#4/2", "6/#4/2"),
    ("6/b5", "6/b5/3"),
]


# Abbreviations of figured bass (Hutchinson, Music Theory for the 21st-Century Classroom, chapter 16; the
# suspensions common practice, no source).
@pytest.mark.parametrize(("short", "full"), CONVENTIONS)
def test_abbreviations_stand_for_complete_figures(short, full):
    assert text(complete(parse_figures(short))) == full


@pytest.mark.parametrize(("short", "full"), CONVENTIONS)
def test_abbreviating_loses_nothing(short, full):
    figures = parse_figures(full)
    assert complete(abbreviate(figures)) == figures
    assert len(abbreviate(figures)) <= max(len(parse_figures(short)), len(figures))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("65", "6/5"),
        ("6 5", "6/5"),
        ("5/6", "6/5"),
        ("642", "6/4/2"),
        ("♯6", "#6"),
        ("7,#", "7/#3"),
        ("7 ♮", "7/n3"),
        ("6+", "+6"),
        ("6\\", "+6"),
        ("6/", "+6"),
        ("6#", "#6"),
        ("6//5", "+6/5"),
    ],
)
def test_ways_of_writing_the_same_figures(one, other):
    assert parse_figures(one) == parse_figures(other)


@pytest.mark.parametrize("wrong", ["0", "55", "y", "1", "6-5", "#6#", "V7", "6.5"])
def test_what_are_no_figures_is_refused(wrong):
    with pytest.raises(ValueError, match="are not bass figures"):
        parse_figures(wrong)


@pytest.mark.parametrize(
    ("moving", "steps"),
    [
        ("4-3", ["4", "3"]),
        ("9-8", ["9", "8"]),
        ("7-6", ["7", "6"]),
        ("6-5/4-3", ["6/4", "5/3"]),
        ("6/4-#3", ["6/4", "6/#3"]),
        ("5-6-5", ["5", "6", "5"]),
        ("7", ["7"]),
    ],
)
def test_figures_that_move_over_one_bass(moving, steps):
    assert [text(step) for step in parse_progression(moving)] == steps


def test_moving_figures_are_written_voice_by_voice():
    with pytest.raises(ValueError, match="voice alone"):
        parse_progression("64-53")


# Worked by hand from the rules (values computed, no source).
@pytest.mark.parametrize(
    ("bass", "figures", "key", "pitches"),
    [
        ("G3", "7", "C", "B3 D4 F4"),
        ("G3", "7/#", "c", "B#3 D4 F4"),
        ("G3", "7/n", "c", "B3 D4 F4"),
        ("Ab2", "#6/5", "c", "C3 Eb3 F#3"),
        ("F3", "b6/b3", "C", "Ab3 Db4"),
        ("C3", "9", "C", "E3 G3 D4"),
        ("D3", "6", "C", "F3 B3"),
        ("F#2", "7", "g", "A2 C3 Eb3"),
        ("E3", "6+", "G", "G3 C#4"),
    ],
)
def test_pitches_above_a_bass(bass, figures, key, pitches):
    found = pitches_above(Pitch.parse(bass), parse_figures(figures), Key.parse(key))
    assert [p.name for p in found] == pitches.split()


# Figures of the seventh chords and their inversions in minor: the raised leading tone carries its sign
# wherever it lies above the bass (Hutchinson, chapter 16).
@pytest.mark.parametrize(
    ("numeral", "figures"),
    [
        ("i", ""),
        ("i6", "6"),
        ("i64", "6/4"),
        ("V", "n3"),
        ("V6", "6"),
        ("V64", "n6/4"),
        ("V7", "7/n3"),
        ("V65", "6/5"),
        ("V43", "n6/4/3"),
        ("V42", "n4/2"),
        ("iiø65", "6/5"),
        ("iv7", "7"),
        ("viio7", "7"),
        ("N6", "b6"),
        ("It6", "#6"),
        ("Fr43", "#6/4/3"),
        ("Ger65", "#6/5"),
        ("V54", "5/4"),
        ("V9", "9/7/n3"),
    ],
)
def test_figures_of_chords_in_c_minor(numeral, figures):
    key = Key.parse("c")
    assert text(figures_of_chord(RomanNumeral.parse(numeral).chord(key), key)) == figures


def test_every_chord_is_figured_and_found_again_in_every_key():
    qualities = [q for q in Quality if len(q.fifths) <= 4 and q is not Quality.POWER]
    for key in all_keys():
        for place in range(-5, 7):
            for quality in qualities:
                for inversion in range(len(quality.fifths)):
                    chord = Chord(key.tonic.shift(place), quality, inversion)
                    figures = figures_of_chord(chord, key)
                    if [f.number for f in figures] == [7, 4]:
                        continue  # stands for 7/5/4, so a stack of two fourths cannot be figured
                    notes = {chord.bass, *pitch_classes_above(chord.bass, figures, key)}
                    assert notes == set(chord.members), (key.symbol, chord.name, text(figures))


def test_ninths_are_figured_and_found_again():
    key = Key.parse("Eb")
    for quality in Quality:
        if quality.factors == (1, 3, 5, 7, 2):
            chord = Chord(PitchClass("B", -1), quality)
            figures = figures_of_chord(chord, key)
            notes = {chord.bass, *pitch_classes_above(chord.bass, figures, key)}
            assert notes == set(chord.members)


@pytest.mark.parametrize("numeral", ["V7", "ii65", "IV43", "viiø42", "I64", "vi6", "N6", "V54"])
def test_chords_of_figures(numeral):
    for key in all_keys():
        chord = RomanNumeral.parse(numeral).chord(key)
        assert chord in chords_of(chord.bass, figures_of_chord(chord, key), key)


basses = st.builds(Pitch, st.sampled_from("CDEFGAB"), st.integers(-2, 2), st.integers(1, 4))
numbers = st.sets(st.integers(2, 9), min_size=1, max_size=4)
signs = st.sampled_from(["", "#", "b", "n", "+", "##"])


@given(basses, st.sampled_from(all_keys()), st.data())
def test_sounding_pitches_give_their_figures_back(bass, key, data):
    chosen = sorted(data.draw(numbers), reverse=True)
    if {2, 9} <= set(chosen):
        chosen.remove(2)
    figures = tuple(Figure(n, data.draw(signs)) for n in chosen)
    upper = pitches_above(bass, figures, key)
    again = pitches_above(bass, figures_of(bass, upper, key, short=False), key)
    assert {p.pitch_class for p in again} >= {p.pitch_class for p in upper} - {bass.pitch_class}


def test_octaves_of_the_bass_need_no_figure():
    notes = [Pitch.parse(p) for p in ("C3", "G3", "C4", "E5")]
    assert figures_of(notes[0], notes[1:], Key.parse("C")) == ()


def test_what_is_printed():
    assert [f.display for f in parse_figures("7/#")] == ["7", "♯"]
    assert [f.display for f in parse_figures("n6/b5")] == ["♮6", "♭5"]
    assert [f.display for f in parse_figures("6+")] == ["6+"]
