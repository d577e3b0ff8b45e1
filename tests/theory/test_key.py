import pytest
from hypothesis import given
from hypothesis import strategies as st

from understave.theory.key import Key, all_keys, circle_of_fifths
from understave.theory.pitch import PitchClass

keys = st.builds(Key, st.integers(-12, 14).map(PitchClass.from_fifths), st.sampled_from(["major", "minor"]))


@given(keys)
def test_a_key_reads_back_its_symbol_and_its_name(key):
    assert Key.parse(key.symbol) == key
    assert Key.parse(key.name) == key
    assert Key.from_signature(key.signature, key.mode) == key


@pytest.mark.parametrize(
    ("text", "symbol"),
    [
        ("F minor", "f"),
        ("f#", "f#"),
        ("Ab", "Ab"),
        ("B- major", "Bb"),
        ("b-", "bb"),
        ("c Major", "C"),
        (" E♭ ", "Eb"),
    ],
)
def test_keys_are_read_in_their_usual_spellings(text, symbol):
    assert Key.parse(text).symbol == symbol


@pytest.mark.parametrize("text", ["", "H", "C dur", "major", "C4", "A minor major", "F#b"])
def test_what_is_no_key_is_refused(text):
    with pytest.raises(ValueError, match="is not a key; write for example"):
        Key.parse(text)


# Circle of fifths (Hutchinson, Music Theory for the 21st-Century Classroom, chapters on major scales and
# key signatures; values from memory).
def test_circle_of_fifths():
    majors = ["Cb", "Gb", "Db", "Ab", "Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#"]
    minors = ["ab", "eb", "bb", "f", "c", "g", "d", "a", "e", "b", "f#", "c#", "g#", "d#", "a#"]
    assert [k.symbol for k in circle_of_fifths("major")] == majors
    assert [k.symbol for k in circle_of_fifths("minor")] == minors
    assert [k.signature for k in circle_of_fifths("minor")] == list(range(-7, 8))
    assert [Key.parse(m).relative.symbol for m in majors] == minors
    assert len(all_keys()) == 30


# Closely related keys: signatures that differ by at most one accidental (Hutchinson, chapter 22).
@pytest.mark.parametrize(
    ("key", "related"),
    [("C", "a G e F d"), ("a", "C e G d F"), ("Eb", "c Bb g Ab f"), ("f#", "A c# E b D")],
)
def test_closely_related_keys(key, related):
    assert [k.symbol for k in Key.parse(key).closely_related] == related.split()


@given(keys)
def test_closely_related_is_mutual(key):
    for other in key.closely_related:
        assert abs(key.fifths_to(other)) <= 1
        assert key in other.closely_related
    assert key.relative.relative == key
    assert key.parallel.parallel == key


# Scales (common practice, no source).
@pytest.mark.parametrize(
    ("key", "scale"),
    [
        ("Ab", "Ab Bb C Db Eb F G"),
        ("C#", "C# D# E# F# G# A# B#"),
        ("f", "F G Ab Bb C Db Eb"),
        ("d#", "D# E# F# G# A# B C#"),
    ],
)
def test_scales(key, scale):
    assert [p.name for p in Key.parse(key).scale] == scale.split()


def test_harmonic_and_melodic_minor():
    key = Key.parse("g#")
    assert [p.name for p in key.harmonic_minor] == ["G#", "A#", "B", "C#", "D#", "E", "F##"]
    assert [p.name for p in key.melodic_minor] == ["G#", "A#", "B", "C#", "D#", "E#", "F##"]
    assert key.leading_tone.name == "F##"
    assert PitchClass.parse("E#") in key
    assert PitchClass.parse("F") not in key
    assert PitchClass.parse("F#") in key


def test_degrees():
    key = Key.parse("c")
    assert key.degree(PitchClass.parse("B")) == (7, 1)
    assert key.degree(PitchClass.parse("Bb")) == (7, 0)
    assert key.degree(PitchClass.parse("F#")) == (4, 1)
    assert Key.parse("C").degree(PitchClass.parse("Ab")) == (6, -1)


def test_enharmonic_keys():
    assert Key.parse("C#").enharmonic == Key.parse("Db")
    assert Key.parse("ab").enharmonic == Key.parse("g#")
    assert Key.parse("G#").simplest == Key.parse("Ab")
    assert Key.parse("F#").simplest == Key.parse("F#")
    assert Key.parse("fb").simplest == Key.parse("e")


@given(keys)
def test_the_enharmonic_key_sounds_the_same(key):
    for other in (key.enharmonic, key.simplest):
        assert other.tonic.semitone == key.tonic.semitone
        assert other.mode == key.mode
    assert abs(key.simplest.signature) <= 6
