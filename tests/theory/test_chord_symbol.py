import pytest

from understave.theory.chord import Chord, Quality
from understave.theory.chord_symbol import (
    ChordSymbol,
    Degree,
    chord_symbol,
    from_musicxml,
    musicxml_degrees,
    musicxml_kind,
)
from understave.theory.pitch import PitchClass

SIXTHS = (Quality.ITALIAN, Quality.FRENCH, Quality.GERMAN)

# All values of kind-value in the MusicXML 4.0 specification.
KINDS = """major minor augmented diminished dominant major-seventh minor-seventh diminished-seventh
    augmented-seventh half-diminished major-minor major-sixth minor-sixth dominant-ninth major-ninth
    minor-ninth dominant-11th major-11th minor-11th dominant-13th major-13th minor-13th suspended-second
    suspended-fourth Neapolitan Italian French German pedal power Tristan other none"""


def every_chord():
    for place in range(-10, 11):
        for quality in Quality:
            for inversion in range(len(quality.fifths)):
                yield Chord(PitchClass.from_fifths(place), quality, inversion)


def test_every_chord_reads_back_its_symbol():
    for chord in every_chord():
        again = ChordSymbol.parse(chord_symbol(chord))
        assert again.bass is None
        if chord.quality in SIXTHS:
            assert again.chord.semitones == chord.semitones
            assert again.chord.bass.semitone == chord.bass.semitone
        else:
            assert again.chord == chord


# Symbols and what they sound, as in lead sheets (common practice, no source).
@pytest.mark.parametrize(
    ("symbol", "members"),
    [
        ("C", "C E G"),
        ("Cm", "C Eb G"),
        ("C-", "C Eb G"),
        ("Cdim", "C Eb Gb"),
        ("C°7", "C Eb Gb Bbb"),
        ("C+", "C E G#"),
        ("C7", "C E G Bb"),
        ("CM7", "C E G B"),
        ("CΔ", "C E G B"),
        ("Cm7", "C Eb G Bb"),
        ("F#m7b5", "F# A C E"),
        ("F♯ø7", "F# A C E"),
        ("Ebm(maj7)", "Eb Gb Bb D"),
        ("C7#5", "C E G# Bb"),
        ("Bb7/D", "Bb D F Ab"),
        ("Csus4", "C F G"),
        ("C7sus", "C F G Bb"),
        ("C6", "C E G A"),
        ("C6/9", "C E G A D"),
        ("Cm69", "C Eb G A D"),
        ("Cmaj9", "C E G B D"),
        ("C7b9", "C E G Bb Db"),
        ("C7#9", "C E G Bb D#"),
        ("C7(#11)", "C E G Bb F#"),
        ("C7b5b9", "C E Gb Bb Db"),
        ("C13", "C E G Bb D F A"),
        ("Cadd9", "C E G D"),
        ("C(no3)", "C G"),
        ("C5", "C G"),
        ("Cmaj7#11", "C E G B F#"),
    ],
)
def test_symbols_sound_what_they_say(symbol, members):
    assert {p.name for p in ChordSymbol.parse(symbol).chord.members} == set(members.split())


def test_a_foreign_bass_is_kept():
    symbol = ChordSymbol.parse("F/G")
    assert (symbol.chord.inversion, symbol.bass, str(symbol)) == (0, PitchClass("G"), "F/G")
    inverted = ChordSymbol.parse("Bb7/D")
    assert (inverted.chord.inversion, inverted.bass, str(inverted)) == (1, None, "Bb7/D")


@pytest.mark.parametrize("text", ["", "H7", "c", "C7/", "C/H", "Cfoo", "C79x", "/C", "m7"])
def test_what_is_no_symbol_is_refused(text):
    with pytest.raises(ValueError, match="is not a chord symbol"):
        ChordSymbol.parse(text)


def test_added_notes_read_back():
    for text in ("C7(add#9)", "C(add9)", "C7(add#11)(addb13)", "Cm(add4)", "C7(no5)", "C6(add9)"):
        assert str(ChordSymbol.parse(text)) == text


def test_kinds_are_those_of_the_standard():
    assert {musicxml_kind(q) for q in Quality} <= set(KINDS.split())


def test_every_chord_reads_back_its_kind_and_degrees():
    for chord in every_chord():
        kind, degrees = musicxml_kind(chord.quality), musicxml_degrees(chord)
        assert from_musicxml(chord.root, kind, degrees, chord.inversion).chord == chord
        assert from_musicxml(chord.root, kind, degrees, bass=chord.bass).chord == chord


def test_degrees_of_added_and_omitted_notes():
    chord = ChordSymbol.parse("C7(add#11)(no5)").chord
    degrees = musicxml_degrees(chord)
    assert degrees == (Degree(11, 1, "add"), Degree(5, 0, "subtract"))
    assert from_musicxml(chord.root, musicxml_kind(chord.quality), degrees).chord == chord


def test_kinds_without_a_chord_of_their_own():
    assert from_musicxml(PitchClass("D", -1), "Neapolitan").chord.quality is Quality.MAJOR
    assert from_musicxml(PitchClass("C"), "major", bass=PitchClass("D")).bass == PitchClass("D")
    for kind in ("none", "other", "pedal", "Tristan", "nonsense"):
        with pytest.raises(ValueError, match="names no chord"):
            from_musicxml(PitchClass("C"), kind)
