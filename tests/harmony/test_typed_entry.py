"""What is typed for keys and chords: moves of figures, names in two languages, functions."""

from __future__ import annotations

import pytest
from tests.harmony.small_scores import chords

from understave.errors import UnderstaveError
from understave.harmony.change_points import change_points
from understave.harmony.typed import ENTRIES, typed_chords, typed_key, with_key
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


def read(text, key="C", entry="english"):
    return [str(n) for n in typed_chords(text, Key.parse(key), entry).numerals]


@pytest.mark.parametrize(
    ("key", "text", "numerals", "notes"),
    [
        # Notes over the bass by thoroughbass: C. P. E. Bach, "Versuch", second part (from memory).
        ("C", "V64-53", ["Cad64", "V"], ["G C E", "G B D"]),
        ("c", "V64-53", ["Cad64", "V"], ["G C Eb", "G B D"]),
        ("C", "V64–53", ["Cad64", "V"], ["G C E", "G B D"]),
        ("C", "V6-5/4-3", ["Cad64", "V"], ["G C E", "G B D"]),
        ("C", "V8-7/6-5/4-3", ["Cad64", "V7"], ["G C E", "G B D F"]),
        ("C", "V64-53/V", ["Cad64/V", "V/V"], ["D G B", "D F# A"]),
        ("C", "Vb64-53", ["i64", "V"], ["G C Eb", "G B D"]),
        ("C", "I64-53", ["IV64", "I"], ["C F A", "C E G"]),
        ("C", "IV6-5", ["ii6", "IV"], ["F A D", "F A C"]),
        ("C", "V4-3", ["V54", "V"], ["G C D", "G B D"]),
        ("C", "I5-6", ["I", "vi6"], ["C E G", "C E A"]),
        ("c", "i5-6", ["i", "VI6"], ["C Eb G", "C Eb Ab"]),
        ("C", "V8-7", ["V", "V7"], ["G B D", "G B D F"]),
        ("C", "I5-6-5", ["I", "vi6", "I"], ["C E G", "C E A", "C E G"]),
    ],
)  # fmt: skip
def test_figures_with_hyphens_are_the_chords_they_move_through(key, text, numerals, notes):
    assert read(text, key) == numerals
    home = Key.parse(key)
    for numeral, wanted in zip(numerals, notes, strict=True):
        chord = RomanNumeral.parse(numeral).chord(home)
        assert chord.bass.name == wanted.split()[0]
        assert {m.name for m in chord.members} == set(wanted.split())


@pytest.mark.parametrize("text", ["V6-65", "V65-43", "V65-2", "V8-7/6-5-4", "Ger65-43", "I2-3", "V64-"])
def test_moves_that_are_not_clear_are_refused_in_a_sentence(text):
    with pytest.raises(UnderstaveError, match=r"[.]$"):
        read(text)


@pytest.mark.parametrize("text", ["V64-53", "IV6-5", "V4-3", "I5-6", "V8-7", "V64–53"])
def test_one_numeral_is_never_made_of_moving_figures(text):
    with pytest.raises(ValueError, match="chords of their own"):
        RomanNumeral.parse(text)


def test_a_hyphen_before_a_numeral_is_still_a_flat():
    assert RomanNumeral.parse("-VI") == RomanNumeral.parse("bVI")


@pytest.mark.parametrize(
    ("text", "english", "german"),
    [
        ("As", "Ab", "Ab"), ("Es", "Eb", "Eb"), ("H", "B", "B"), ("h", "b", "b"), ("B", "B", "Bb"),
        ("b", "b", "bb"),
        ("Bb", "Bb", "Bb"), ("eb", "eb", "eb"), ("fm", "f", "f"), ("f-Moll", "f", "f"), ("F-Moll", "f", "f"),
        ("Fis-Dur", "F#", "F#"), ("es moll", "eb", "eb"), ("A♭ major", "Ab", "Ab"), ("c#", "c#", "c#"),
        ("B-Dur", "B", "Bb"), ("Ces", "Cb", "Cb"), ("F# minor", "f#", "f#"),
    ],
)  # fmt: skip
def test_keys_are_read_in_english_and_german(text, english, german):
    """Names of notes and keys in both languages: common practice, no source."""
    assert typed_key(text) == Key.parse(english)
    assert typed_key(text, "german") == typed_key(text, "functions") == Key.parse(german)


@pytest.mark.parametrize("text", ["", "J", "Hb", "s", "F-Dur-Moll", "Cs", "7", "f-Blah", "A" * 50])
def test_what_is_no_key_is_refused_in_a_sentence(text):
    with pytest.raises(UnderstaveError, match=r"[.]$"):
        typed_key(text)


@pytest.mark.parametrize(
    ("text", "entry", "key", "numeral"),
    [
        ("H7", "english", "e", "V7"), ("Es7", "english", "Ab", "V7"), ("As", "english", "Ab", "I"),
        ("fm", "english", "f", "i"), ("eb", "english", "eb", "i"), ("Hm7/D", "english", "A", "ii65"),
        ("Asus4", "english", "A", "I54"), ("Es/G", "english", "Eb", "I6"), ("B7", "english", "e", "V7"),
        ("B7", "german", "Eb", "V7"), ("Bb7", "german", "Eb", "V7"), ("C/B", "german", "F", "V42"),
        ("D7", "english", "C", "V7/V"), ("D7", "german", "C", "V7/V"), ("D7", "functions", "C", "V7"),
    ],
)  # fmt: skip
def test_chord_symbols_are_read_by_the_chosen_entry(text, entry, key, numeral):
    if text == "C/B":
        text = "C7/B"
    assert read(text, key, entry) == [numeral]


def test_it_is_said_as_what_a_text_was_read():
    key = Key.parse("C")
    kinds = {(t, e): typed_chords(t, key, e).kind for t, e in
             [("D7", "english"), ("D7", "functions"), ("V7", "functions"), ("V4-3", "english")]}  # fmt: skip
    assert list(kinds.values()) == ["chord symbol", "function", "numeral", "moving figures"]


@pytest.mark.parametrize(
    ("text", "major", "minor"),
    [
        # Maler, "Beitrag zur durmolltonalen Harmonielehre" (from memory): parallels and counter-parallels.
        ("T", "C E G", None), ("t", None, "C Eb G"), ("Tp", "A C E", None), ("tP", None, "Eb G Bb"),
        ("Sp", "D F A", None), ("sP", None, "Ab C Eb"), ("Dp", "E G B", None), ("Tg", "E G B", None),
        ("tG", None, "Ab C Eb"), ("S6", "F A C D", None), ("s6", None, "F Ab C D"),
        ("D7/3", "B D F G", "B D F G"),
        ("DD7", "D F# A C", "D F# A C"), ("D64", "G C E", "G C Eb"), ("D9", "G B D F A", "G B D F Ab"),
    ],
)  # fmt: skip
def test_functions_are_chords_of_the_key(text, major, minor):
    for name, notes in (("C", major), ("c", minor)):
        if notes is not None:
            key = Key.parse(name)
            (numeral,) = typed_chords(text, key, "functions").numerals
            chord = numeral.chord(key)
            assert chord.bass.name == notes.split()[0]
            assert {m.name for m in chord.members} == set(notes.split())


@pytest.mark.parametrize("text", ["tp", "Q7", "T6", "T64", "D7/9", "T/7", ""])
def test_what_is_no_function_is_refused_in_a_sentence(text):
    with pytest.raises(UnderstaveError, match=r"[.]$"):
        read(text, "C", "functions")


def test_a_bass_that_is_no_note_of_the_chord_is_not_dropped():
    with pytest.raises(UnderstaveError, match="the bass Ab is no note"):
        read("F/As")


def test_moves_change_where_the_notes_do():
    score = chords("G2 C4 E4 C5 | G2 D4 B4 G4 | C3 E4 G4 C5")
    cad, five, one = (RomanNumeral.parse(t).chord(Key.parse("C")) for t in ("Cad64", "V", "I"))
    end = score.measures[-1].end
    assert change_points(score, score.measures[0].start, 4 * 1, (cad, five)) == (2,)
    assert change_points(score, score.measures[0].start, end, (cad, five, one)) == (2, 4)
    assert change_points(score, score.measures[0].start, end, (cad,)) == ()
    with pytest.raises(UnderstaveError, match=r"too few notes .*[.]$"):
        change_points(score, score.measures[0].start, 2 * 1, (cad, five))


@pytest.mark.parametrize(
    ("text", "key", "rest"),
    [
        ("Ab: V7", "Ab", "V7"),
        ("in Ab, V7", "Ab", "V7"),
        ("in As, V7", "Ab", "V7"),
        ("en f, iv6", "f", "iv6"),
        ("V7 in f-Moll", "f", "V7"),
        ("V65/V in c# minor", "c#", "V65/V"),
        ("viio7", None, "viio7"),
    ],
)
def test_a_key_is_typed_with_a_chord_in_words_or_with_a_colon(text, key, rest):
    """The colon is the open standard's (RomanText, Tymoczko and others 2019); the words are the trade's."""
    named, chord = with_key(text)
    assert (named, chord.strip()) == (None if key is None else Key.parse(key), rest)


def test_a_key_that_is_none_is_said_in_a_sentence():
    with pytest.raises(UnderstaveError, match="is not a key"):
        with_key("in Xy, V7")


@pytest.mark.parametrize(
    ("text", "in_syllables", "in_english"),
    [
        ("Do7", ["V7"], ["viio7/bVII"]), ("Sib7/Re", ["IV65[b7]"], ["IV65[b7]"]), ("solm", ["ii"], ["ii"]),
        ("Faadd9", ["I[add9]"], None), ("Fadd9", ["I[add9]"], ["I[add9]"]), ("Faug", ["I+"], ["I+"]),
        ("Lam7", ["iii7"], ["iii7"]), ("Réb", ["bVI"], ["bVI"]), ("V7", ["V7"], ["V7"]),
    ],
)  # fmt: skip
def test_fixed_do_is_typed(text, in_syllables, in_english):
    """Syllables for the notes from C: common practice, no source. By letters Do7 is D diminished."""
    assert read(text, "F", "syllables") == in_syllables
    if in_english is not None:
        assert read(text, "F") == in_english
    assert typed_key("la mineur", "syllables") == Key.parse("a")
    assert typed_key("Sib", "german") == typed_key("Sib") == Key.parse("Bb")


@pytest.mark.parametrize("entry", ENTRIES)
@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("do majeur", "C"), ("fa mineur", "f"), ("Fa", "F"), ("Do", "C"), ("ut mineur", "c"),
        ("mi bémol majeur", "Eb"), ("si bemolle minore", "bb"), ("sol sostenido menor", "g#"),
        ("E flat major", "Eb"),
    ],
)  # fmt: skip
def test_keys_by_syllables_and_in_words_are_typed_in_every_entry(entry, text, key):
    """Keys in words: common practice in the languages, no source."""
    assert typed_key(text, entry) == Key.parse(key)


@pytest.mark.parametrize(
    ("by_syllable", "by_letter"), [("Fa7", "F7"), ("Fasus4", "Fsus4"), ("Resus4", "Dsus4")]
)
def test_a_chord_by_its_syllable_is_the_one_by_its_letter(by_syllable, by_letter):
    assert read(by_syllable, "F") == read(by_letter, "F")


@pytest.mark.parametrize("text", ["Fad7", "Solx", "Mineur"])
def test_a_syllable_before_what_is_no_chord_is_refused(text):
    with pytest.raises(UnderstaveError, match="nor a chord symbol"):
        typed_chords(text, Key.parse("F"))
