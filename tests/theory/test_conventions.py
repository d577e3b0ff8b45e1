"""Harmony in each convention, against what textbooks print (named beside each table; all from memory)."""

from dataclasses import replace

import pytest

from understave.theory.convention_choices import (
    CHOICES,
    STANDARD,
    Conventions,
    conventions_from,
    current,
    departing,
    following,
)
from understave.theory.conventions import key_label, numeral_text, symbol_text, written
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


def line(text, mode=None, **chosen):
    with following(replace(STANDARD, **chosen)):
        return written(RomanNumeral.parse(text), mode).line


# A cadence as each convention prints it: RomanText; Aldwell and Schachter, "Harmony and Voice Leading";
# Piston, "Harmony", whose numerals are all capitals.
CADENCE = ["ii65", "Cad64", "V7", "I"]


@pytest.mark.parametrize(
    ("chosen", "printed"),
    [
        ({}, ["ii⁶₅", "Cad⁶₄", "V⁷", "I"]),
        ({"six_four": "V64-53"}, ["ii⁶₅", "V6–5/4–3", "V⁷", "I"]),
        ({"six_four": "I64"}, ["ii⁶₅", "I⁶₄", "V⁷", "I"]),
        ({"six_four": "I64", "numerals": "capital"}, ["II⁶₅", "I⁶₄", "V⁷", "I"]),
    ],
)
def test_a_cadence(chosen, printed):
    assert [line(n, "major", **chosen) for n in CADENCE] == printed


def test_the_tonic_six_four_is_small_in_minor():
    assert line("Cad64", "minor", six_four="I64") == "i⁶₄"
    assert line("Cad64", "minor", six_four="I64", numerals="capital") == "I⁶₄"
    assert line("Cad64/ii", "major", six_four="I64") == "i⁶₄/ii"
    assert line("Cad64/V", "minor", six_four="I64") == "I⁶₄/V"
    with following(Conventions(six_four="I64"), "minor"):
        assert written(RomanNumeral.parse("Cad64")).line == "i⁶₄"
    assert line("Cad64/V", "major", six_four="V64-53") == "V6–5/4–3/V"


def test_the_moves_stand_above_each_other():
    with following(Conventions(six_four="V64-53")):
        label = written(RomanNumeral.parse("Cad64"), "major")
    assert (label.head, label.figures) == ("V", ("6–5", "4–3"))


@pytest.mark.parametrize(
    ("numeral", "mode", "printed"),
    [
        ("ii", "major", "II"),
        ("viio6", "major", "VII°⁶"),
        ("viiø7", "major", "VIIø⁷"),
        ("V65/ii", "major", "V⁶₅/II"),
        ("iv", "minor", "IV"),
        ("VII", "minor", "VII"),
        ("viio7", "minor", "VII°⁷"),
        ("VI", "minor", "VI"),
        ("vi", "minor", "♯VI"),
        ("vi", "major", "VI"),
        ("bVI", "major", "♭VI"),
        ("Ger65", "minor", "Ger⁶₅"),
    ],
)
def test_capitals_only(numeral, mode, printed):
    """Which degree it is, and nothing of it lost but the size of the letter (common practice, no source)."""
    assert line(numeral, mode, numerals="capital") == printed
    assert line(numeral, mode).lower() == printed.lstrip("♯").lower()


@pytest.mark.parametrize(
    ("english", "german"),
    [("Bb7/D", "B7/D"), ("B", "H"), ("Bm7b5", "Hm7b5"), ("Eb", "Es"), ("Ab/C", "As/C"), ("F#m", "Fism"),
     ("C/Bb", "C/B"), ("G7/B", "G7/H"), ("Abm", "Asm"), ("Dsus4", "Dsus4"), ("C#dim7", "Cisdim7")],
)  # fmt: skip
def test_letters_of_chords(english, german):
    """German names of notes: common practice, no source."""
    assert symbol_text(english) == english
    with following(Conventions(letters="german")):
        assert symbol_text(english) == german


@pytest.mark.parametrize(
    ("english", "syllables"),
    [("Bb7/D", "Sib7/Re"), ("B", "Si"), ("F#m7b5", "Fa#m7b5"), ("Ab/C", "Lab/Do"), ("Gsus4", "Solsus4"),
     ("Eaug", "Miaug")],
)  # fmt: skip
def test_chords_in_fixed_do(english, syllables):
    """Fixed do: common practice, no source."""
    with following(Conventions(letters="syllables")):
        assert symbol_text(english) == syllables
        assert symbol_text("Dm", "fr") == "Rém"
        assert key_label(Key.parse("Ab")) == "La♭ major"
        assert key_label(Key.parse("f#"), "de") == "Fa♯-Moll"
        assert key_label(Key.parse("f#"), "fr") == "fa dièse mineur"
    with following(Conventions(letters="syllables", keys="letters")):
        assert [key_label(Key.parse(k)) for k in ("Ab", "ab", "G")] == ["La♭", "la♭", "Sol"]


@pytest.mark.parametrize(
    ("key", "language", "words", "letters"),
    [
        ("f", "en", "F minor", "f"),
        ("Ab", "en", "A flat major", "A♭"),
        ("c#", "en", "C sharp minor", "c♯"),
        ("fis", "de", "fis-Moll", "fis"),
        ("B", "de", "H-Dur", "H"),
        ("bb", "de", "b-Moll", "b"),
        ("f", "fr", "fa mineur", "fa mineur"),
    ],
)
def test_keys_of_labels(key, language, words, letters):
    """A small letter alone is a minor key: common practice, no source."""
    read = Key.parse({"fis": "f#"}.get(key, key))
    assert key_label(read, language) == words
    with following(Conventions(keys="letters")):
        assert key_label(read, language) == letters
    with following(Conventions(keys="letters", letters="german")):
        assert key_label(Key.parse("Bb"), "en") == "B"


def test_the_standard_form_is_what_is_shown_where_nothing_is_chosen():
    assert current() == STANDARD
    for text in ("Cad64", "viiø43/V", "bII6", "V7[no5]", "Imaj65", "V9"):
        numeral = RomanNumeral.parse(text)
        assert numeral_text(numeral, "major") == text
        assert written(numeral).flat == (numeral.head, numeral.figures, numeral.target)


def test_what_is_in_force_ends_with_what_is_made_in_it():
    with following(Conventions(numerals="capital")):
        with following(Conventions(six_four="I64")):
            assert current() == Conventions(six_four="I64")
        assert current() == Conventions(numerals="capital")
        assert numeral_text(RomanNumeral.parse("vi")) == "VI"
    assert current() == STANDARD


def test_choices_go_over_those_for_all_and_wrong_ones_are_named():
    for_all = Conventions(six_four="I64", letters="german")
    assert conventions_from({"six_four": "V64-53"}, for_all) == Conventions("V64-53", letters="german")
    assert departing(for_all) == {"six_four": "I64", "letters": "german"}
    assert conventions_from(departing(for_all)) == for_all
    with pytest.raises(ValueError, match="six_four = 'K64' is no choice; write one of: Cad64, V64-53, I64"):
        conventions_from({"six_four": "K64"})
    with pytest.raises(ValueError, match="'sixfour' is no convention; there are six_four, numerals"):
        conventions_from({"sixfour": "I64"})
    assert {name: options[0] for name, options in CHOICES.items()} == {
        "six_four": "Cad64", "numerals": "capital and small", "functions": "none", "letters": "english",
        "keys": "words", "bass_figures": "none",
    }  # fmt: skip
