"""Function symbols of numerals, against the tables of two German textbooks.

Maler, "Beitrag zur durmolltonalen Harmonielehre" (1931), and de la Motte, "Harmonielehre" (1976), both from
memory: the main chords and their relatives in both modes, the added sixth and the sixth for the fifth, the
dominant of the dominant, dominants in between in brackets, dominants without their root, the Neapolitan.
"""

import pytest

from understave.harmony.typed import typed_chords
from understave.theory.convention_choices import Conventions, following
from understave.theory.conventions import written
from understave.theory.function_naming import function_label, numeral_of_function
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

MAJOR = {
    "I": "T", "ii": "Sp", "iii": "Dp", "IV": "S", "V": "D", "vi": "Tp", "V7": "D7", "V65": "D7/3",
    "V42": "D7/7", "I6": "T/3", "ii6": "S6", "ii65": "S65", "ii7": "Sp7", "viio6": "Đ7/5", "viiø7": "Đ97/3",
    "viio7": "Đ♭97/3", "viiø42": "Đ97/9",
    "V7/V": "DD7", "V65/V": "DD7/3", "viio7/V": "DĐ♭97/3", "V7/ii": "(D7)[Sp]",
    "V65/vi": "(D7/3)[Tp]", "V7/IV": "(D7)[S]", "iv": "s", "i": "t", "bVI": "tG", "bIII": "tP", "bVII": "dP",
    "iiø65": "s65", "N6": "sN", "bII": "sG", "Cad64": "D64", "Ger65": "DĐ♭97♭5/5", "V7/V/V": "(D7)[DD]",
    "V54": "D54",
}  # fmt: skip
# A chain of dominants (V7/V/V) is written, but only single ones are read.
MINOR = {
    "i": "t", "iv": "s", "V": "D", "v": "d", "III": "tP", "VI": "tG", "VII": "dP", "iio6": "s6",
    "iiø65": "s65",
    "viio7": "Đ97/3", "viio6": "Đ7/5", "V7/III": "(D7)[tP]", "V7/V": "DD7", "V7/iv": "(D7)[s]", "N6": "sN",
    "I": "T", "IV": "S", "Cad64": "D64", "i6": "t/3",
}  # fmt: skip
TABLE = [(n, "major", f) for n, f in MAJOR.items()] + [(n, "minor", f) for n, f in MINOR.items()]


def said(numeral, mode, **more):
    label = function_label(RomanNumeral.parse(numeral), mode, **more)
    return label and label[0] + "".join(label[1]) + label[2]


@pytest.mark.parametrize(("numeral", "mode", "symbol"), TABLE)
def test_the_symbol_of_a_chord(numeral, mode, symbol):
    assert said(numeral, mode) == symbol


@pytest.mark.parametrize(("numeral", "mode", "symbol"), [t for t in TABLE if t[0] != "V7/V/V"])
def test_what_is_written_is_read_back_as_a_chord_of_the_same_notes(numeral, mode, symbol):
    key = Key.parse("C" if mode == "major" else "c")
    with following(Conventions(functions="instead")):
        (found,) = typed_chords(symbol, key, "functions").numerals
    wanted = RomanNumeral.parse(numeral).chord(key)
    assert (set(found.chord(key).members), found.chord(key).bass) == (set(wanted.members), wanted.bass)
    assert said(str(found), mode) == symbol
    assert numeral_of_function(symbol, mode) == found


def test_what_has_no_symbol_keeps_its_numeral():
    assert said("V+", "major") is None
    with following(Conventions(functions="instead")):
        assert written(RomanNumeral.parse("V+"), "major").line == "V+"
    assert numeral_of_function("X7", "major") is None


def test_beside_or_instead_of_numerals():
    numeral = RomanNumeral.parse("V65/V")
    with following(Conventions(functions="beside")):
        label = written(numeral, "major")
        assert label.line == "V⁶₅/V · DD⁷/3"
        assert label.flat == ("V", ("6", "5"), "/V · DD⁷/3")
    with following(Conventions(functions="instead", six_four="V64-53")):
        assert written(numeral, "major").flat == ("DD", ("7",), "/3")
        assert written(RomanNumeral.parse("Cad64"), "minor").line == "D6–5/4–3"
        assert written(RomanNumeral.parse("viio7/V"), "major").line == "DĐ♭⁹₇/3"


def test_without_a_key_a_numeral_is_taken_where_it_is_usual():
    assert said("VI", None) == "tG"
    assert said("III", None) == "tP"
    assert said("vi", None) == "Tp"
    assert said("V7/III", None) == "(D7)[tP]"


def test_a_sixth_is_added_where_functions_are_only_typed():
    """Riemann's and Maler's S6 has its fifth; where functions are written too, S65 says so."""
    key = Key.parse("C")
    assert str(typed_chords("S6", key, "functions").numerals[0]) == "ii65"
    with following(Conventions(functions="instead")):
        assert str(typed_chords("S6", key, "functions").numerals[0]) == "ii6"
    assert str(typed_chords("(D7)[Sp]", key, "functions").numerals[0]) == "V7/ii"


CAPITALS = [
    ("II", "C", "ii"), ("II7", "C", "ii7"), ("VII7", "C", "viiø7"), ("VII6", "C", "viio6"),
    ("V7/II", "C", "V7/ii"),
    ("IV", "c", "iv"), ("V", "c", "V"), ("VII", "c", "VII"), ("II65", "c", "iiø65"), ("V/IV", "c", "V/iv"),
    ("III", "c", "III"), ("vi", "C", "vi"), ("bVI", "C", "bVI"), ("IV/V", "C", "IV/V"),
    ("II/II", "C", "iio/ii"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "key", "numeral"), CAPITALS)
def test_capitals_mean_the_chord_of_the_key(text, key, numeral):
    """Common practice, no source: where all are capitals the key says whether a chord is minor."""
    with following(Conventions(numerals="capital")):
        assert str(typed_chords(text, Key.parse(key)).numerals[0]) == numeral
    assert str(typed_chords(text, Key.parse(key)).numerals[0]) == str(RomanNumeral.parse(text))
