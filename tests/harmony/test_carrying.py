"""Corrections that carry to equal passages. All expectations: common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.harmony.small_scores import score_of

from understave.harmony.carrying import offers, unequal
from understave.harmony.reading import Correction, Span
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

BAR = ("C3", "E4", "G4", "C5")
OTHER = ("F3", "A4", "C5", "F5")
UP = ("G3", "B4", "D5", "G5")


def piece(*bars):
    """One chord of four notes, broken, to each bar of four quarters."""
    return score_of(
        [(Fraction(4 * i + k), Fraction(1), name) for i, bar in enumerate(bars) for k, name in enumerate(bar)]
    )


def reading(*labels):
    """One span to each bar: key and numeral."""
    return tuple(
        Span(Fraction(4 * i), Fraction(4 * i + 4), Key.parse(key), RomanNumeral.parse(text), 0.5)
        for i, (key, text) in enumerate(labels)
    )


def said(bar, key, text):
    return Correction(
        str(bar), Fraction(1), str(bar + 1), Fraction(1), Key.parse(key), RomanNumeral.parse(text)
    )


@pytest.fixture
def music():
    return piece(BAR, OTHER, BAR, UP, BAR, OTHER)


def test_equal_bars_are_offered_the_chord_and_transposed_ones_too(music):
    spans = reading(("C", "I"), ("C", "IV"), ("C", "I"), ("G", "I"), ("F", "V"), ("C", "IV"))
    found = offers(music, spans, [said(1, "C", "vi6")])
    assert [(o.start, o.fifths, o.correction.key.symbol, str(o.correction.numeral)) for o in found] == [
        (8, 0, "C", "vi6"),
        (12, 1, "G", "vi6"),
    ]
    assert (found[0].correction.measure, found[0].correction.end_measure) == ("3", "4")
    assert "bar 1" in found[0].correction.note


def test_nothing_is_offered_in_another_key_or_over_what_the_teacher_set_or_where_it_stands(music):
    spans = reading(("C", "I"), ("C", "IV"), ("C", "vi6"), ("D", "IV"), ("F", "V"), ("C", "IV"))
    assert offers(music, spans, [said(1, "C", "vi6")]) == ()
    spans = reading(("C", "I"), ("C", "IV"), ("C", "I"), ("D", "IV"), ("F", "V"), ("C", "IV"))
    held = tuple(replace(s, fixed=s.start == 8) for s in spans)
    assert [o.start for o in offers(music, spans, [said(1, "C", "vi6")])] == [8]
    assert offers(music, held, [said(1, "C", "vi6")]) == ()


def test_a_key_alone_does_not_carry(music):
    spans = reading(("C", "I"), ("C", "IV"), ("C", "I"), ("G", "I"), ("F", "V"), ("C", "IV"))
    assert offers(music, spans, [replace(said(1, "C", "I"), numeral=None)]) == ()


def test_one_other_note_or_length_makes_another_passage(music):
    spans = reading(("C", "I"), ("C", "IV"), ("C", "I"), ("D", "IV"), ("F", "V"), ("C", "IV"))
    for changed in (
        piece(BAR, OTHER, ("C3", "E4", "G4", "A4"), UP, BAR, OTHER),
        replace(
            music,
            notes=tuple(replace(n, duration=Fraction(1, 2)) if n.onset == 9 else n for n in music.notes),
        ),
    ):
        assert offers(changed, spans, [said(1, "C", "vi6")]) == ()


def test_part_of_a_bar_carries_to_the_same_part(music):
    spans = reading(("C", "I"), ("C", "IV"), ("C", "I"), ("D", "IV"), ("F", "V"), ("C", "IV"))
    half = replace(said(1, "C", "iii6"), beat=Fraction(3))
    assert [(o.start, o.end) for o in offers(music, spans, [half])] == [(10, 12)]


def test_equal_bars_that_are_read_differently_are_told(music):
    spans = reading(("C", "I"), ("C", "IV"), ("C", "I"), ("G", "I"), ("F", "V"), ("C", "ii65"))
    assert unequal(music, spans) == ((0, 16), (4, 20))
