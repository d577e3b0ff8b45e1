"""Spelling checked against music21 (general-purpose reference library from PyPI, version 9.3 or later)."""

import itertools

import pytest

from understave.theory.chord import Chord, Quality
from understave.theory.chord_symbol import musicxml_degrees, musicxml_kind
from understave.theory.figured_bass import complete, parse_figures, pitch_classes_above
from understave.theory.key import Key, all_keys
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral

pytest.importorskip("music21")
from music21 import chord as m21chord
from music21 import harmony as m21harmony
from music21 import interval as m21interval
from music21 import key as m21key
from music21 import pitch as m21pitch
from music21 import roman as m21roman
from music21.figuredBass import realizerScale

# In minor music21 offers four readings of the sixth and seventh degree; CAUTIONARY is the RomanText one
# (its documentation of Minor67Default).
CAUTIONARY = m21roman.Minor67Default.CAUTIONARY

HEADS = {
    # head: inversions as music21 writes them
    "": ("", "6", "64"),
    "7": ("7", "65", "43", "42"),
}
TRIADS = [
    "I",
    "i",
    "II",
    "ii",
    "iio",
    "III",
    "iii",
    "III+",
    "IV",
    "iv",
    "V",
    "v",
    "V+",
    "VI",
    "vi",
    "vio",
    "VII",
    "vii",
    "viio",
    "bII",
    "bIII",
    "bVI",
    "bVII",
    "#ivo",
    "#vio",
]
SEVENTHS = [
    "I",
    "i",
    "II",
    "ii",
    "iiø",
    "iio",
    "III",
    "iii",
    "IV",
    "iv",
    "V",
    "v",
    "VI",
    "vi",
    "viø",
    "VII",
    "viio",
    "viiø",
    "bII",
    "#ivo",
    "#ivø",
    "#iio",
    "V+",
    "III+",
]
APPLIED = [
    "V/V",
    "V7/V",
    "V7/ii",
    "V7/IV",
    "V7/vi",
    "V/iii",
    "V7/III",
    "V7/VI",
    "V7/bVI",
    "viio7/V",
    "viiø7/V",
    "viio7/ii",
    "viio/vi",
    "viio7/iv",
    "V9/V",
    "V7/V/V",
    "viio7/V/ii",
    "ii7/V",
    "ii7/IV",
    "iiø7/ii",
    "IV/IV",
    "I/bVI",
    "i/ii",
    "VI/vi",
    "Ger65/V",
    "It6/ii",
    "Fr43/V",
    "V7/v",
    "V/VII",
]
SPECIAL = [
    "It6",
    "Fr43",
    "Ger65",
    "Ger7",
    "Ger43",
    "Ger42",
    "Fr7",
    "Fr42",
    "N6",
    "bII6",
    "Cad64",
    "V54",
    "V9",
    "ii9",
    "V7[no5]",
    "I[add6]",
    "V43[b5]",
]


def numerals_for(turn):
    """Every head, its inversion turning from key to key, and everything else."""
    for heads, figures in ((TRIADS, HEADS[""]), (SEVENTHS, HEADS["7"])):
        for i, head in enumerate(heads):
            yield head + figures[(turn + i) % len(figures)]
    yield from (APPLIED[i] for i in range(turn % 2, len(APPLIED), 2))
    yield from (SPECIAL[i] for i in range(turn % 2, len(SPECIAL), 2))


def in_music21(key):
    tonic = key.tonic.name.replace("b", "-")
    return m21key.Key(tonic, key.mode)


def name(pitch):
    return pitch.name.replace("-", "b")


def theirs(text, key):
    numeral = m21roman.RomanNumeral(text, in_music21(key), sixthMinor=CAUTIONARY, seventhMinor=CAUTIONARY)
    return {name(p) for p in numeral.pitches}, name(numeral.bass())


def ours(text, key):
    chord = RomanNumeral.parse(text).chord(key)
    return {p.name for p in chord.members}, chord.bass.name


@pytest.mark.parametrize(("turn", "key"), list(enumerate(all_keys())), ids=lambda x: str(x))
def test_numerals_are_spelled_alike_in_every_key(turn, key):
    for text in numerals_for(turn):
        assert ours(text, key) == theirs(text, key), (text, key.name)


# Numerals that the two read differently, each class with its reason and both spellings.
DIFFERENCES = [
    # A Neapolitan without figures: music21 takes it for the sixth chord; analyses write N6 for that and
    # N for root position (When in Rome, chorale 58: "b2 N b3 i6 b4 N6").
    ("N", "C", "Db", "F"),
    # A major seventh asked for by name: music21 ignores the word and takes the key's seventh.
    ("IVmaj7", "c", "F A C E", "F A C Eb"),
    ("imaj7", "c", "C Eb G B", "C Eb G Bb"),
    # An explicit minor ninth: music21 lowers the ninth of the key once more.
    ("Vb9", "c", "G B D F Ab", "G B D F Abb"),
    ("V9[b9]", "c", "G B D F Ab", "G B D F Abb"),
    # A suspended fourth without its fifth in the figures: figures 4 and 7/4 leave the fifth to the player
    # (Hutchinson, chapter 16), music21 sounds only what is written.
    ("V4", "C", "G C D", "G C"),
    ("V74", "C", "G C D F", "G C F"),
    # Two figures for the last inversion of a seventh chord: music21 reads 6/2 as a bass with two notes.
    ("viio62", "C", "B D F Ab", "B C G"),
    # The German sixth with the fifth in the bass: figures 6/4 leave its seventh to the player.
    ("Ger64", "C", "F# Ab C Eb", "C F# Ab"),
    # The figures of a ninth in first inversion: music21 takes the bass for the root.
    ("V765", "C", "G B D F A", "G D E F"),
    # A plus sign after the figures: music21 ignores it.
    ("I6+", "C", "C E G#", "C E G"),
]


@pytest.mark.parametrize(("text", "key", "we", "they"), DIFFERENCES)
def test_classes_of_difference(text, key, we, they):
    key = Key.parse(key)
    if text == "N":
        assert (ours(text, key)[1], theirs(text, key)[1]) == (we, they)
        return
    assert ours(text, key)[0] == set(we.split())
    assert theirs(text, key)[0] == set(they.split())


def test_the_text_written_is_read_alike():
    """What is named from a chord is read by music21 as that chord."""
    for key in (Key.parse("C"), Key.parse("c"), Key.parse("A"), Key.parse("bb")):
        for head, figures in itertools.chain(
            itertools.product(TRIADS, HEADS[""]), itertools.product(SEVENTHS[:12], HEADS["7"])
        ):
            chord = RomanNumeral.parse(head + figures).chord(key)
            written = str(RomanNumeral.of(chord, key)[0])
            if written == "N" or "maj" in written:
                continue
            assert theirs(written, key) == ({p.name for p in chord.members}, chord.bass.name), written


def test_intervals_are_named_alike():
    low = Pitch.parse("F#3")
    for letter, alter, octave in itertools.product("CDEFGAB", range(-3, 4), (2, 3, 4, 5)):
        high = Pitch(letter, alter, octave)
        one = Interval.between(low, high)
        other = m21interval.Interval(m21pitch.Pitch("F#3"), m21pitch.Pitch(high.name.replace("b", "-")))
        assert one.semitones == other.semitones
        if one.steps:
            assert one.kind + str(one.size) == other.name
        if one.steps * one.semitones > 0:
            assert one.name.lstrip("-") == other.directedName.replace("-", "")
            assert one.falling == (other.direction.value < 0)
            assert one.simple.name.lstrip("-") == other.semiSimpleName


def test_keys_have_the_same_signature_scale_and_relative():
    for key in all_keys():
        other = in_music21(key)
        assert key.signature == other.sharps
        assert [p.name for p in key.scale] == [name(other.pitchFromDegree(d)) for d in range(1, 8)]
        assert key.relative.tonic.name == name(other.relative.tonic)
        assert key.parallel.mode == other.parallel.mode


@pytest.mark.parametrize("quality", list(Quality), ids=str)
def test_chord_kinds_sound_alike(quality):
    """MusicXML kind and degrees give music21 the notes of the chord."""
    if quality in (Quality.ITALIAN, Quality.FRENCH, Quality.GERMAN):
        pytest.skip("music21 builds augmented sixths on the lowered sixth degree, the standard names no root")
    if quality is Quality.DOMINANT7_SUS4:
        pytest.skip("music21 adds the major seventh here; the standard counts it as in a dominant chord")
    root = PitchClass("E", -1)
    symbol = m21harmony.ChordSymbol(root="E-", kind=musicxml_kind(quality))
    for degree in musicxml_degrees(Chord(root, quality)):
        step = m21harmony.ChordStepModification(degree.type, degree.value, degree.alter)
        symbol.addChordStepModification(step, updatePitches=True)
    expected = {p.semitone for p in Chord(root, quality).members}
    assert {p.pitchClass for p in symbol.pitches} == expected


@pytest.mark.parametrize("quality", [q for q in Quality if q.factors in ((1, 3, 5), (1, 3, 5, 7))], ids=str)
def test_roots_are_found_alike(quality):
    if quality in (Quality.ITALIAN, Quality.FRENCH, Quality.GERMAN):
        pytest.skip("music21 takes the bass of some augmented sixths for the root")
    for inversion in range(len(quality.fifths)):
        members = Chord(PitchClass("A", -1), quality).members
        turned = members[inversion:] + members[:inversion]
        bass = Pitch(turned[0].letter, turned[0].alter, 3)
        pitches = [bass, *(Pitch.above(bass, p) for p in turned[1:])]
        other = m21chord.Chord([p.name.replace("b", "-") for p in pitches])
        first = Chord.from_pitch_classes([p.pitch_class for p in pitches], turned[0])[0]
        assert (first.root.name, first.inversion) == (name(other.root()), other.inversion())


FIGURES = [
    "",
    "6",
    "6,4",
    "7",
    "6,5",
    "4,3",
    "4,2",
    "#",
    "#6",
    "b",
    "b6",
    "6,b5",
    "#4,2",
    "b7",
    "6,#4,3",
]


def letter_above(bass, number):
    return "CDEFGAB"[("CDEFGAB".index(bass.letter) + number - 1) % 7]


def test_figured_bass_asks_for_the_same_notes():
    """Signs on letters that the signature alters are left out: see the next test.

    So is 7 over a sign, which music21 plays without a fifth.
    """
    for key in all_keys():
        scale = realizerScale.FiguredBassScale(key.tonic.name.replace("b", "-"), key.mode)
        signature = {p.letter: p.alter for p in key.scale}
        for bass, figures in itertools.product(key.scale, FIGURES):
            signed = [f for f in complete(parse_figures(figures)) if f.sign]
            if any(signature[letter_above(bass, f.number)] for f in signed):
                continue
            wanted = scale.getPitchNames(bass.name.replace("b", "-") + "3", figures)
            found = pitch_classes_above(bass, parse_figures(figures), key)
            assert {bass.name, *(p.name for p in found)} == {n.replace("-", "b") for n in wanted}, (
                key.name,
                bass.name,
                figures,
            )


def test_a_sign_means_what_it_means_on_the_staff():
    """A difference of convention: music21's sharp raises a flat of the signature to a natural."""
    key = Key.parse("Eb")
    scale = realizerScale.FiguredBassScale("E-", "major")
    assert "E" in scale.getPitchNames("C3", "#")
    assert [p.name for p in pitch_classes_above(PitchClass("C"), parse_figures("#"), key)][-1] == "E#"
    assert [p.name for p in pitch_classes_above(PitchClass("C"), parse_figures("n"), key)][-1] == "E"
    assert [p.name for p in pitch_classes_above(PitchClass("C"), parse_figures("3+"), key)][-1] == "E"
