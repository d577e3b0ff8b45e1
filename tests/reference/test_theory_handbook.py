"""Chromatic harmony checked against handbook facts.

Texts: Hutchinson, Music Theory for the 21st-Century Classroom (chapters 16 to 23); Open Music Theory, second
edition, parts IV and V; Multimodal Musicianship, chapters 41 and 48. Values over C are given there or follow
from the rules stated there; they are from memory unless a chapter is named beside the check.
"""

import itertools

import pytest

from understave.theory.chord import Chord, Quality
from understave.theory.figured_bass import chords_of, parse_figures, pitches_above
from understave.theory.key import Key, all_keys, circle_of_fifths
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral

KEYS = all_keys()


def spelled(text, key):
    chord = RomanNumeral.parse(text).chord(Key.parse(key))
    return chord.bass.name, {p.name for p in chord.members}


def below(pitch, interval):
    return (pitch - Interval.parse(interval)).pitch_class


def above(pitch, interval):
    return (pitch + Interval.parse(interval)).pitch_class


# Augmented sixths (Hutchinson, chapter 21): the lowered sixth degree in the bass, the raised fourth an
# augmented sixth above it, the tonic; the French adds the second degree, the German the lowered third. Both
# outer notes go to the dominant by a semitone.
@pytest.mark.parametrize("key", KEYS, ids=str)
def test_the_three_augmented_sixths_in_every_key(key):
    tonic = Pitch(key.tonic.letter, key.tonic.alter, 4)
    low = below(tonic, "M3")
    high = below(tonic, "d5")
    dominant = above(tonic, "P5")
    assert Interval.from_fifths(high.fifths - low.fifths).name == "A6"
    assert Interval.from_fifths(dominant.fifths - high.fifths).name == "m2"
    assert Interval.from_fifths(low.fifths - dominant.fifths).name == "m2"
    members = {low, high, key.tonic}
    wanted = {"It6": members, "Fr43": members | {above(tonic, "M2")}, "Ger65": members | {above(tonic, "m3")}}
    for text, notes in wanted.items():
        chord = RomanNumeral.parse(text).chord(key)
        assert chord.bass == low
        assert set(chord.members) == notes
        assert RomanNumeral.of(chord, key)[0] == RomanNumeral.parse(text)


@pytest.mark.parametrize(
    ("text", "key", "bass", "notes"),
    [
        ("It6", "C", "Ab", "Ab C F#"),
        ("Fr43", "C", "Ab", "Ab C D F#"),
        ("Ger65", "C", "Ab", "Ab C Eb F#"),
        ("Ger65", "a", "F", "F A C D#"),
        ("Fr43", "f", "Db", "Db F G B"),
        ("It6", "c#", "A", "A C# F##"),
        ("Ger65", "Bb", "Gb", "Gb Bb Db E"),
        ("Ger65/V", "C", "Eb", "Eb G Bb C#"),
    ],
)
def test_augmented_sixths_spelled_out(text, key, bass, notes):
    assert spelled(text, key) == (bass, set(notes.split()))


def test_the_german_sixth_sounds_like_the_dominant_seventh_of_the_neapolitan():
    """Hutchinson, chapter 23 (enharmonic modulation): Ger65 in C is V7 of D flat."""
    for key in KEYS:
        german = RomanNumeral.parse("Ger65").chord(key)
        dominant = RomanNumeral.parse("V7/N").chord(key)
        assert german.semitones == dominant.semitones
        assert german.bass == dominant.bass
        assert set(german.members) != set(dominant.members)
        assert RomanNumeral.parse("Ger65") in RomanNumeral.of(dominant, key, enharmonic=True)


# The Neapolitan sixth (Hutchinson, chapter 20; Multimodal Musicianship, chapter 41): major triad on the
# lowered second degree, the fourth degree in the bass.
@pytest.mark.parametrize("key", KEYS, ids=str)
def test_the_neapolitan_sixth_in_every_key(key):
    tonic = Pitch(key.tonic.letter, key.tonic.alter, 4)
    chord = RomanNumeral.parse("N6").chord(key)
    assert chord.root == above(tonic, "m2")
    assert chord.bass == above(tonic, "P4")
    assert chord.quality is Quality.MAJOR
    assert chord == RomanNumeral.parse("bII6").chord(key)
    figures = parse_figures("b6/b3")
    if key == Key.parse("C"):
        assert chord in chords_of(chord.bass, figures, key)


def test_the_neapolitan_sixth_over_c():
    assert spelled("N6", "c") == spelled("N6", "C") == ("F", {"F", "Ab", "Db"})


# Common-tone diminished seventh (Open Music Theory, part V; Multimodal Musicianship, chapter 48): it keeps
# the root of the chord it embellishes and lies a semitone beside its other notes.
def test_the_common_tone_diminished_seventh():
    bass, notes = spelled("#iio7", "C")
    assert (bass, notes) == ("D#", {"D#", "F#", "A", "C"})
    for key in circle_of_fifths("major"):
        chord = RomanNumeral.parse("#iio7").chord(key)
        third, fifth = key.scale[2], key.scale[4]
        assert key.tonic in chord.members
        assert chord.root + Interval.parse("m2") == third
        assert chord.members[1] + Interval.parse("m2") == fifth
        assert RomanNumeral.parse("#iio7") in RomanNumeral.of(chord, key)


# Diminished sevenths divide the octave evenly: there are three, and each leads to four keys (Hutchinson,
# chapter 23).
def test_diminished_sevenths_are_reinterpreted():
    sounds = {RomanNumeral.parse("viio7").chord(key).semitones for key in KEYS}
    assert len(sounds) == 3
    leading = RomanNumeral.parse("viio7").chord(Key.parse("C")).semitones
    same = [
        k.symbol
        for k in circle_of_fifths("minor")
        if RomanNumeral.parse("viio7").chord(k).semitones == leading
    ]
    assert {Key.parse(k).tonic.semitone for k in same} == {0, 3, 6, 9}
    for other in ("Eb", "Gb", "A"):
        chord = RomanNumeral.parse("viio7").chord(Key.parse(other))
        names = RomanNumeral.of(chord, Key.parse("C"), enharmonic=True)
        assert any(n.degree == 7 and not n.applied and n.quality is Quality.DIMINISHED7 for n in names)


# Secondary dominants and leading-tone sevenths in C (Hutchinson, chapters 17 and 18).
@pytest.mark.parametrize(
    ("text", "notes"),
    [
        ("V7/ii", "A C# E G"),
        ("V7/iii", "B D# F# A"),
        ("V7/IV", "C E G Bb"),
        ("V7/V", "D F# A C"),
        ("V7/vi", "E G# B D"),
        ("viio7/ii", "C# E G Bb"),
        ("viio7/iii", "D# F# A C"),
        ("viiø7/IV", "E G Bb D"),
        ("viio7/V", "F# A C Eb"),
        ("viio7/vi", "G# B D F"),
    ],
)
def test_secondary_chords_in_c(text, notes):
    chord = RomanNumeral.parse(text).chord(Key.parse("C"))
    assert [p.name for p in chord.members] == notes.split()
    assert RomanNumeral.of(chord, Key.parse("C"))[0] == RomanNumeral.parse(text)


@pytest.mark.parametrize("key", KEYS, ids=str)
def test_every_secondary_dominant_leads_to_its_target(key):
    """The leading tone of the target is its third, and its root lies a fifth above the target."""
    targets = ["ii", "iii", "IV", "V", "vi"] if key.mode == "major" else ["III", "iv", "V", "VI", "VII"]
    for target in targets:
        goal = RomanNumeral.parse(target).chord(key)
        dominant = RomanNumeral.parse(f"V7/{target}").chord(key)
        leading = RomanNumeral.parse(f"viio7/{target}").chord(key)
        assert dominant.root == goal.root + Interval.parse("P5")
        assert dominant.members[1] == leading.root == goal.root - Interval.parse("m2")
        assert dominant.members[1:] == leading.members[:3]


# Mode mixture in C major (Hutchinson, chapter 19).
@pytest.mark.parametrize(
    ("text", "notes"),
    [
        ("i", "C Eb G"),
        ("iio", "D F Ab"),
        ("iiø7", "D F Ab C"),
        ("bIII", "Eb G Bb"),
        ("iv", "F Ab C"),
        ("v", "G Bb D"),
        ("bVI", "Ab C Eb"),
        ("bVII", "Bb D F"),
        ("viio7", "B D F Ab"),
    ],
)
def test_borrowed_chords_in_c(text, notes):
    major, minor = Key.parse("C"), Key.parse("c")
    chord = RomanNumeral.parse(text).chord(major)
    assert [p.name for p in chord.members] == notes.split()
    assert RomanNumeral.of(chord, major)[0].text == text
    assert RomanNumeral.of(chord, minor)[0].text == text.lstrip("b")


# The sequence of falling fifths through all seven chords of a key (Hutchinson, on harmonic sequences).
def test_the_sequence_by_fifths():
    for mode, text in (("major", "I IV viio iii vi ii V I"), ("minor", "i iv VII III VI iio V i")):
        for key in circle_of_fifths(mode):
            chords = [RomanNumeral.parse(t).chord(key) for t in text.split()]
            letters = ["CDEFGAB".index(c.root.letter) for c in chords]
            assert all((a - b) % 7 == 4 for a, b in itertools.pairwise(letters))
            assert all(note in key for chord in chords for note in chord.members)


# The cadential six-four (Hutchinson, chapter 16.3): the notes of the tonic over the dominant.
@pytest.mark.parametrize("key", KEYS, ids=str)
def test_the_cadential_six_four(key):
    chord = RomanNumeral.parse("Cad64").chord(key)
    dominant = RomanNumeral.parse("V").chord(key)
    assert chord.bass == dominant.root
    assert set(chord.members) == {key.scale[0], key.scale[2], key.scale[4]}
    bass = Pitch(chord.bass.letter, chord.bass.alter, 3)
    assert {p.pitch_class for p in pitches_above(bass, parse_figures("6/4"), key)} == {
        key.scale[0],
        key.scale[2],
    }


# Figures and inversions (Hutchinson, chapter 16): what lies in the bass.
@pytest.mark.parametrize(
    ("figures", "quality", "inversion"),
    [
        *(("", "triad", 0), ("6", "triad", 1), ("6/4", "triad", 2), ("7", "seventh", 0)),
        *(("6/5", "seventh", 1), ("4/3", "seventh", 2), ("4/2", "seventh", 3), ("2", "seventh", 3)),
    ],
)
def test_figures_and_inversions(figures, quality, inversion):
    for key in circle_of_fifths("major"):
        for bass in key.scale:
            chords = chords_of(bass, parse_figures(figures), key)
            wanted = [
                c for c in chords if (c.quality.is_triad if quality == "triad" else c.quality.is_seventh)
            ]
            assert wanted[0].inversion == inversion
            assert wanted[0].root == key.scale[(key.scale.index(bass) - 2 * inversion) % 7]


# Triads and sevenths on the degrees of the scale (Open Music Theory, part IV).
@pytest.mark.parametrize(
    ("key", "numerals"),
    [
        ("C", "I ii iii IV V vi viio"),
        ("a", "i iio III iv v VI VII"),
        ("Db", "I7 ii7 iii7 IV7 V7 vi7 viiø7"),
        ("g#", "i7 iiø7 III7 iv7 v7 VI7 VII7"),
    ],
)
def test_chords_on_the_degrees_of_the_scale(key, numerals):
    key = Key.parse(key)
    scale = key.scale
    for i, text in enumerate(numerals.split()):
        size = 4 if "7" in text else 3
        notes = [scale[(i + 2 * j) % 7] for j in range(size)]
        chord = Chord.from_pitch_classes(notes, notes[0])[0]
        assert list(RomanNumeral.parse(text).chord(key).members) == notes
        names = [str(n) for n in RomanNumeral.of(chord, key)]
        assert text in names
        assert names[0] == text or (text == "VII7" and names[0] == "V7/III")


def test_enharmonic_spelling_of_a_badly_spelled_chord_is_recovered():
    """G sharp for A flat: the supertonic half-diminished seventh of C minor and its like."""
    key = Key.parse("c")
    written = Chord(PitchClass("G", 1), Quality.MAJOR)
    assert "VI" in [str(n) for n in RomanNumeral.of(written, key, enharmonic=True)]
