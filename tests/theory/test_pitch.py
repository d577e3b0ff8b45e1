import pytest
from hypothesis import given
from hypothesis import strategies as st

from understave.theory.pitch import LETTERS, Interval, Pitch, PitchClass

alters = st.integers(-5, 5)
pitch_classes = st.builds(PitchClass, st.sampled_from(LETTERS), alters)
pitches = st.builds(Pitch, st.sampled_from(LETTERS), alters, st.integers(-2, 9))
rising = st.builds(Interval, st.integers(1, 30), st.integers(-6, 60))


# Standard tuning of scientific pitch notation: A4 is MIDI 69, C4 is 60 (MIDI 1.0 specification).
@pytest.mark.parametrize(
    ("name", "midi"),
    [("C4", 60), ("A4", 69), ("B#3", 60), ("Cb4", 59), ("C-1", 0), ("G9", 127), ("F##2", 43), ("Bbb4", 69)],
)
def test_scientific_pitch_names_sound_as_in_the_midi_specification(name, midi):
    assert Pitch.parse(name).midi == midi


@given(pitches)
def test_a_pitch_reads_back_its_own_name(pitch):
    assert Pitch.parse(pitch.name) == pitch


@given(pitch_classes)
def test_a_pitch_class_reads_back_its_own_name(pitch_class):
    assert PitchClass.parse(pitch_class.name) == pitch_class
    assert PitchClass.from_fifths(pitch_class.fifths) == pitch_class


@pytest.mark.parametrize(
    ("text", "name"),
    [("B-", "Bb"), ("e♭", "Eb"), ("Fx", "F##"), ("Gx#", "G###"), ("A𝄫", "Abb"), ("C𝄪", "C##"), ("D♮", "D")],
)
def test_other_accidentals_are_read(text, name):
    assert PitchClass.parse(text).name == name


@pytest.mark.parametrize("text", ["", "H", "C4", "F#b", "#F", "Cbx", "do", "C--#"])
def test_what_is_no_pitch_class_is_refused(text):
    with pytest.raises(ValueError, match="is not a pitch name"):
        PitchClass.parse(text)


@pytest.mark.parametrize("text", ["", "C", "4", "H4", "C4.5", "C#b4"])
def test_what_is_no_pitch_is_refused(text):
    with pytest.raises(ValueError, match="is not a pitch"):
        Pitch.parse(text)


# The order of sharps and flats (common practice, no source).
def test_the_line_of_fifths_is_in_the_order_of_the_signatures():
    assert [PitchClass.from_fifths(i).name for i in range(-8, 14)] == (
        [
            "Fb",
            "Cb",
            "Gb",
            "Db",
            "Ab",
            "Eb",
            "Bb",
            "F",
            "C",
            "G",
            "D",
            "A",
            "E",
            "B",
            "F#",
            "C#",
            "G#",
            "D#",
            "A#",
            "E#",
            "B#",
            "F##",
        ]
    )


# Interval sizes in semitones (common practice, no source).
@pytest.mark.parametrize(
    ("name", "semitones", "words"),
    [
        ("P1", 0, "perfect unison"),
        ("m2", 1, "minor second"),
        ("A1", 1, "augmented unison"),
        ("M2", 2, "major second"),
        ("d3", 2, "diminished third"),
        ("A2", 3, "augmented second"),
        ("m3", 3, "minor third"),
        ("M3", 4, "major third"),
        ("d4", 4, "diminished fourth"),
        ("P4", 5, "perfect fourth"),
        ("A4", 6, "augmented fourth"),
        ("d5", 6, "diminished fifth"),
        ("P5", 7, "perfect fifth"),
        ("A5", 8, "augmented fifth"),
        ("m6", 8, "minor sixth"),
        ("M6", 9, "major sixth"),
        ("d7", 9, "diminished seventh"),
        ("A6", 10, "augmented sixth"),
        ("m7", 10, "minor seventh"),
        ("M7", 11, "major seventh"),
        ("d8", 11, "diminished octave"),
        ("P8", 12, "perfect octave"),
        ("m9", 13, "minor ninth"),
        ("M10", 16, "major tenth"),
        ("dd7", 8, "doubly diminished seventh"),
        ("AAA4", 8, "triply augmented fourth"),
        ("P15", 24, "perfect fifteenth"),
        ("M17", 28, "major 17th"),
        ("P22", 36, "perfect 22nd"),
    ],
)
def test_intervals_have_their_usual_sizes_and_names(name, semitones, words):
    interval = Interval.parse(name)
    assert (interval.semitones, interval.name, interval.words) == (semitones, name, words)


@given(st.integers(-20, 20), st.integers(-60, 60))
def test_an_interval_reads_back_its_own_name(steps, semitones):
    interval = Interval(steps, semitones)
    assert Interval.parse(interval.name) == interval


@pytest.mark.parametrize("text", ["", "5", "P3", "M5", "m8", "d1", "dd1", "P0", "X5", "AD4", "5P"])
def test_what_is_no_interval_is_refused(text):
    with pytest.raises(ValueError, match="is not an interval"):
        Interval.parse(text)


# Inversion: the numbers add up to nine, major and minor, augmented and diminished change places
# (common practice, no source).
@pytest.mark.parametrize(
    ("name", "inverted"),
    [
        *(("P4", "P5"), ("m3", "M6"), ("A6", "d3"), ("d5", "A4"), ("m2", "M7"), ("P1", "P8"), ("P8", "P1")),
        *(("M10", "m6"), ("P15", "P1"), ("A8", "d8"), ("d8", "A1"), ("-m3", "-M6"), ("AA4", "dd5")),
    ],
)
def test_inversion(name, inverted):
    assert Interval.parse(name).inversion.name == inverted


@given(rising)
def test_inverting_twice_gives_the_simple_interval(interval):
    simple = interval.simple
    assert abs(simple.steps) <= 7
    assert (simple.steps - interval.steps) % 7 == 0
    if simple.steps < 7:
        assert interval.inversion.inversion == simple


@given(rising, st.integers(1, 3))
def test_a_compound_interval_is_made_simple_again(interval, octaves):
    simple = interval.simple
    compound = simple.compound(octaves)
    assert compound.is_compound
    assert compound.fifths == interval.fifths
    assert compound.simple in (simple, simple.compound(1))


@given(pitches, pitches)
def test_the_interval_between_two_pitches_leads_from_one_to_the_other(low, high):
    interval = Interval.between(low, high)
    assert low + interval == high
    assert high - interval == low
    assert low.pitch_class + interval == high.pitch_class
    assert high.pitch_class - interval == low.pitch_class
    assert interval.fifths == high.fifths - low.fifths


@given(st.integers(-40, 40))
def test_intervals_from_the_line_of_fifths(fifths):
    interval = Interval.from_fifths(fifths)
    assert interval.fifths == fifths
    assert 0 <= interval.steps <= 7
    assert not interval.falling


@given(pitch_classes, st.integers(-10, 10))
def test_respelling_keeps_the_sound_and_comes_near(pitch_class, centre):
    other = pitch_class.respell(centre)
    assert other.is_enharmonic(pitch_class)
    assert -6 <= other.fifths - centre < 6


@given(pitches, pitch_classes)
def test_the_pitch_above_a_bass_lies_within_an_octave(bass, pitch_class):
    above = Pitch.above(bass, pitch_class)
    assert above.pitch_class == pitch_class
    assert 1 <= above.diatonic - bass.diatonic <= 7
