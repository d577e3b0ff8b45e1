"""Held keys -> numerals: what sounds on a keyboard is named in a key, the most usual name first.

Chords by their notes: Hutchinson, "Music Theory for the 21st-Century Classroom", ch. 8 to 27 (from memory).
"""

from __future__ import annotations

import pytest

from understave.harmony.played_chord import MOST_NAMES, named_from_keys
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


@pytest.mark.parametrize(
    ("key", "held", "first"),
    [
        ("C", [48, 52, 55], "I"), ("C", [43, 53, 59, 62], "V7"), ("C", [59, 62, 65, 67], "V65"),
        ("C", [43, 48, 52], "I64"), ("C", [44, 48, 51, 54], "Ger65"), ("c", [44, 48, 54], "It6"),
        ("a", [44, 47, 50, 53], "viio7"), ("c", [53, 56, 61], "N6"), ("C", [42, 45, 48, 50], "V65/V"),
        ("f#", [49, 53, 56, 59], "V7"), ("Db", [44, 48, 51, 54], "V7"), ("G", [50, 54, 57, 60, 64], "V9"),
        ("Ab", [55, 58, 61, 65], "viiø7"), ("C", [55, 59, 65], "V7[no5]"),
    ],
)  # fmt: skip
def test_what_is_held_is_named(key, held, first):
    assert str(named_from_keys(held, Key.parse(key))[0]) == str(RomanNumeral.parse(first))


def test_octaves_and_order_say_nothing_and_the_lowest_key_is_the_bass():
    key = Key.parse("C")
    assert named_from_keys([76, 67, 60, 48, 64], key) == named_from_keys([48, 64, 67], key)
    assert str(named_from_keys([52, 55, 72], key)[0]) == "I6"


def test_an_enharmonic_chord_has_its_other_names_after_the_first():
    names = [str(n) for n in named_from_keys([44, 48, 51, 54], Key.parse("C"))]
    assert names == ["Ger65", "V7/N"]
    assert len(names) <= MOST_NAMES


@pytest.mark.parametrize("held", [[], [60], [60, 67], [60, 72, 84], [60, 61, 62], [60, 62, 64, 65, 67, 69]])
def test_what_is_no_chord_has_no_name(held):
    assert named_from_keys(held, Key.parse("C")) == ()
