"""Progressions, bass lines and key plans as patterns; what numerals mean follows RomanText (ISMIR 2019)."""

import re

import pytest

from understave.errors import UnderstaveError
from understave.repertoire.patterns import (
    bass_line,
    bass_text,
    chord_text,
    joined,
    key_plan,
    key_text,
    progression,
)
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


def text(numerals):
    return joined(chord_text(RomanNumeral.parse(n)) for n in numerals.split())


@pytest.mark.parametrize(
    ("asked", "chords"),
    [
        ("ii V I", "I ii V I"),
        ("ii V I", "ii6 V7 I"),
        ("ii V I", "ii ii65 V V42 I6"),
        ("V I", "V9 I"),
        ("V7", "V43"),
        ("viio", "viiø7"),
        ("viio", "viio43"),
        ("ii|IV V I", "IV6 V7 I"),
        ("I ? V", "I vi V"),
        ("I * V", "I V"),
        ("I * V", "I IV ii V"),
        ("V/V V", "V65/V V"),
        ("N V", "bII6 V7"),
        ("N6 V", "N6 V"),
        ("bII", "N6"),
        ("Ger V", "Ger65 V"),
        ("Cad V I", "Cad64 V7 I"),
        ("It V", "It6 V"),
        ("vi ii", "vi7 ii65"),
    ],
)
def test_found(asked, chords):
    assert re.search(progression(asked), text(chords))


@pytest.mark.parametrize(
    ("asked", "chords"),
    [
        ("ii V I", "ii IV V I"),
        ("V7", "V6"),
        ("V I", "V i"),
        ("V", "V/V"),
        ("V/V", "V"),
        ("I", "vi ii"),
        ("i", "ii vi"),
        ("I ? V", "I V"),
        ("I V", "Cad64 V"),
        ("viio7", "viiø7"),
        ("VI", "bVI"),
    ],
)
def test_not_found(asked, chords):
    assert not re.search(progression(asked), text(chords))


@pytest.mark.parametrize(
    ("asked", "chords", "found"),
    [
        ("I6 V", "I6 V", True),
        ("I6 V", "I V", False),
        ("V65 I", "V65 I", True),
        ("V65 I", "V7 I", False),
        ("V I", "V V I", True),
        ("V I", "V6 I", False),
        ("I64 V", "Cad64 V", True),
    ],
)
def test_inversions_count_where_wanted(asked, chords, found):
    assert bool(re.search(progression(asked, inversions=True), text(chords))) is found


@pytest.mark.parametrize("symbol", ["C", "Ab", "f#", "e", "B"])
def test_bass_is_the_same_in_every_key(symbol):
    key = Key.parse(symbol)
    numerals = "i V6 v6 VI V" if key.mode == "minor" else "I V6 vi I64 viio6"
    degrees = "1 #7 7 6 5" if key.mode == "minor" else "1 7 6 5 2"
    assert [bass_text(RomanNumeral.parse(n), key) for n in numerals.split()] == degrees.split()


def test_bass_line_counts_a_note_that_stays_once():
    assert re.search(bass_line("1 7 6 5"), "1 7 7 6 5 ")
    assert re.search(bass_line("6|b6 5"), "1 b6 5 ")
    assert not re.search(bass_line("6 5"), "b6 5 ")
    assert not re.search(bass_line("7 6"), "#7 6 ")


@pytest.mark.parametrize(
    ("home", "key", "seen"),
    [
        ("C", "G", "V"),
        ("C", "a", "vi"),
        ("c", "Eb", "III"),
        ("c", "Ab", "VI"),
        ("C", "Ab", "bVI"),
        ("c", "C", "I"),
        ("Db", "E", "bIII"),
        ("f#", "A", "III"),
        ("G", "Eb", "bVI"),
    ],
)
def test_keys_are_seen_from_home(home, key, seen):
    assert key_text(Key.parse(key), Key.parse(home)) == seen


def test_key_plan_is_about_the_whole_piece():
    assert re.search(key_plan("I V ? I"), "I V vi I ")
    assert not re.search(key_plan("I V"), "I V I ")
    assert re.search(key_plan("I * bVI * I"), "I V bVI I ")


@pytest.mark.parametrize("make", [progression, bass_line, key_plan])
@pytest.mark.parametrize("asked", ["", "?", "* ?", "hello", "9", "I|", "(I"])
def test_nonsense_gets_one_sentence(make, asked):
    with pytest.raises(UnderstaveError) as caught:
        make(asked)
    assert len(str(caught.value)) > 20
