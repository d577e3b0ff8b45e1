"""Progressions, bass lines and key plans as patterns; what numerals mean follows RomanText (ISMIR 2019)."""

import re

import numpy as np
import pytest

from understave.errors import UnderstaveError
from understave.repertoire.matching import Line, locate
from understave.repertoire.patterns import (
    bass_line,
    bass_text,
    chord_text,
    key_plan,
    key_text,
    plain,
    progression,
    root_of,
)
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


def chords_of(numerals):
    return [chord_text(RomanNumeral.parse(n)) for n in numerals.split()]


def places(steps, names):
    """First and last chord of every place in one stretch of named chords."""
    found = sorted(set(names))
    roots = sorted({root_of(n) for n in found})
    line = Line(
        np.array([found.index(n) for n in names], np.uint16),
        np.zeros(len(names), np.int32),
        np.ones(len(names), np.float32),
        found,
        np.array([roots.index(root_of(n)) for n in found], np.int32),
    )
    got = locate(line, steps)
    return list(zip(got.first.tolist(), got.last.tolist(), strict=True))


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
    assert places(progression(asked), chords_of(chords))


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
    assert not places(progression(asked), chords_of(chords))


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
    assert bool(places(progression(asked, inversions=True), chords_of(chords))) is found


@pytest.mark.parametrize("symbol", ["C", "Ab", "f#", "e", "B"])
def test_bass_is_the_same_in_every_key(symbol):
    key = Key.parse(symbol)
    numerals = "i V6 v6 VI V" if key.mode == "minor" else "I V6 vi I64 viio6"
    degrees = "1 #7 7 6 5" if key.mode == "minor" else "1 7 6 5 2"
    assert [bass_text(RomanNumeral.parse(n), key) for n in numerals.split()] == degrees.split()


def test_bass_line_counts_a_note_that_stays_once():
    assert places(bass_line("1 7 6 5"), ["1", "7", "7", "6", "5"]) == [(0, 4)]
    assert places(bass_line("6|b6 5"), ["1", "b6", "5"]) == [(1, 2)]
    assert not places(bass_line("6 5"), ["b6", "5"])
    assert not places(bass_line("7 6"), ["#7", "6"])


@pytest.mark.parametrize(
    ("asked", "chords", "found"),
    [
        ("I V I", "I V I V I", [(0, 2), (2, 4)]),
        ("V I", "V V7 I I6 V6 I", [(0, 2), (4, 5)]),
        ("V", "I V V7 I V", [(1, 1), (4, 4)]),
        ("I * V I", "I IV V I IV V I", [(0, 3), (3, 6)]),
        ("ii ? V", "ii ii6 V ii IV IV6 V", [(3, 6)]),
        ("V ?", "V V7 vi V", [(0, 2)]),
        ("* V I *", "ii V I", [(1, 2)]),
        ("I * ? V", "I V I ii V", [(0, 4), (2, 4)]),
    ],
)
def test_every_beginning_counts_once_and_ends_early(asked, chords, found):
    assert places(progression(asked), chords_of(chords)) == found


@pytest.mark.parametrize(
    "name", ["V65/V", "It6", "Fr43", "Ger65", "N6", "Cad64", "V9", "viio7/V/ii", "ii42", "bVI", "i6", "viiø7"]
)
def test_a_name_can_be_read_again(name):
    assert RomanNumeral.parse(plain(chord_text(RomanNumeral.parse(name)))) == RomanNumeral.parse(name)


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
