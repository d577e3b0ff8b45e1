import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from understave.theory.chord import Chord, Quality, carries_chord
from understave.theory.pitch import PitchClass


def every_chord(low=-8, high=8):
    for at, quality in itertools.product(range(low, high + 1), Quality):
        for inversion in range(len(quality.fifths)):
            yield Chord(PitchClass.from_fifths(at), quality, inversion)


# Spellings over C from handbook chord tables (common practice, no source).
@pytest.mark.parametrize(
    ("quality", "members"),
    [
        ("major", "C E G"),
        ("minor", "C Eb G"),
        ("diminished", "C Eb Gb"),
        ("augmented", "C E G#"),
        ("dominant7", "C E G Bb"),
        ("major7", "C E G B"),
        ("minor7", "C Eb G Bb"),
        ("half-diminished7", "C Eb Gb Bb"),
        ("diminished7", "C Eb Gb Bbb"),
        ("minor-major7", "C Eb G B"),
        ("augmented-major7", "C E G# B"),
        ("augmented7", "C E G# Bb"),
        ("sus4", "C F G"),
        ("sus2", "C D G"),
        ("dominant7sus4", "C F G Bb"),
        ("dominant9", "C E G Bb D"),
        ("dominant-minor9", "C E G Bb Db"),
        ("major9", "C E G B D"),
        ("minor9", "C Eb G Bb D"),
        ("major6", "C E G A"),
        ("minor6", "C Eb G A"),
        ("dominant13", "C E G Bb D F A"),
        ("power", "C G"),
        ("german", "C Ebb Gb Bbb"),
    ],
)
def test_qualities_are_spelled_as_in_handbooks(quality, members):
    assert [p.name for p in Chord(PitchClass("C"), Quality(quality)).members] == members.split()


def test_every_inversion_has_its_own_bass():
    for chord in every_chord():
        assert chord.bass == chord.members[chord.inversion]
        assert chord.semitones == {p.semitone for p in chord.members}
        assert len(chord.semitones) == len(chord.members) == len(chord.quality.fifths)


def test_every_chord_is_found_again_from_its_notes():
    for chord in every_chord():
        found = Chord.from_pitch_classes(chord.members, chord.bass)
        assert chord in found
        assert all(set(c.members) == set(chord.members) and c.bass == chord.bass for c in found)


def test_a_chord_without_its_fifth_is_found():
    notes = [PitchClass.parse(n) for n in ["G", "B", "F"]]
    first = Chord.from_pitch_classes(notes, PitchClass("B"))[0]
    assert (first.root.name, first.quality, first.inversion) == ("G", Quality.DOMINANT7, 1)
    assert first.omitted == (5,)
    assert set(first.members) == set(notes)


def test_the_plainest_reading_comes_first():
    notes = [PitchClass.parse(n) for n in ["A", "C", "E", "G"]]
    assert [c.description for c in Chord.from_pitch_classes(notes, PitchClass("C"))] == [
        "minor seventh in first inversion",
        "major triad with added sixth in root position",
    ]
    assert Chord.from_pitch_classes([PitchClass.parse(n) for n in ["C", "C#", "D"]]) == ()


def test_augmented_sixths_come_in_their_usual_position():
    for text, quality in (("Ab C F#", "italian"), ("Ab C D F#", "french"), ("Ab C Eb F#", "german")):
        chord = Chord.from_pitch_classes(PitchClass.parse(n) for n in text.split())[0]
        assert (chord.quality, chord.bass.name) == (Quality(quality), "Ab")


def test_names_in_plain_words():
    chord = Chord(PitchClass("F", 1), Quality.DOMINANT7, 1)
    assert chord.description == "dominant seventh in first inversion"
    assert chord.name == "F# dominant seventh in first inversion"


def test_members_by_number():
    chord = Chord(PitchClass("G"), Quality.DOMINANT_MINOR9)
    assert [chord.member(n).name for n in (1, 3, 5, 7, 9)] == ["G", "B", "D", "F", "Ab"]
    assert chord.member(4) is None


def test_omitted_and_added_notes():
    c = PitchClass("C")
    chord = Chord(c, Quality.MAJOR, 0, added=(PitchClass("A"),), omitted=(1, 5))
    assert [p.name for p in chord.members] == ["E", "A"]
    assert chord.bass.name == "E"
    with pytest.raises(ValueError, match="without all its notes"):
        Chord(c, Quality.MAJOR, 0, omitted=(1, 3, 5))
    with pytest.raises(ValueError, match="no inversion 3"):
        Chord(c, Quality.MAJOR, 3)


@given(st.integers(-10, 10), st.sampled_from(list(Quality)), st.integers(-12, 12))
def test_transposing_moves_every_member_alike(at, quality, fifths):
    chord = Chord(PitchClass.from_fifths(at), quality)
    moved = chord.transpose(fifths)
    assert [b.fifths - a.fifths for a, b in zip(chord.members, moved.members, strict=True)] == (
        [fifths] * len(chord.members)
    )


def test_every_quality_has_a_shape_and_words_of_its_own():
    assert len({q.words for q in Quality}) == len(Quality)
    shapes = [q.fifths for q in Quality if q is not Quality.FRENCH]
    assert len(set(shapes)) == len(shapes)
    assert all(q.fifths[0] == 0 for q in Quality)


@pytest.mark.parametrize(
    ("tone", "tones", "carries"),
    [
        ("F", "C Eb A F", True),
        ("A", "C Eb A F", True),
        ("F", "Eb Ab C F", True),
        ("C", "C E G", True),
        # A seventh wants to sink, a six-four to resolve; what lacks its fifth is no whole chord.
        ("Eb", "C Eb A F", False),
        ("C", "G C E", False),
        ("C", "C E Bb", False),
        # A semitone, or a tritone in a diminished chord, does rub.
        ("C", "E G B C", False),
        ("B", "D F A B", False),
        ("F", "C F G", False),
        # A sixth leans on the fifth of a triad.
        ("A", "C E G A", False),
        ("A", "E G C A", False),
    ],
)
def test_root_and_third_carry_a_whole_plain_chord(tone, tones, carries):
    """Common practice, no source: of a seventh chord the seventh is the dissonance."""
    here = [PitchClass.parse(name) for name in tones.split()]
    assert carries_chord(PitchClass.parse(tone), here, here[0]) is carries
