"""The benchmark's own measures, on small cases worked out by hand, and its equivalences."""

from __future__ import annotations

import sys
from fractions import Fraction
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchmarks.accuracy import MEASURES, Tally, compare, intervals, label_of

from understave.harmony.reading import Alternative, Span
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


def spans(*parts: tuple[float, float, str, str]) -> list[Span]:
    """(start, end, key, numeral) in quarter notes."""
    return [
        Span(Fraction(a), Fraction(b), Key.parse(key), RomanNumeral.parse(numeral), 1.0)
        for a, b, key, numeral in parts
    ]


def label(key: str, numeral: str) -> object:
    return label_of(Key.parse(key), RomanNumeral.parse(numeral))


@pytest.mark.parametrize(
    ("key", "one", "other"),
    [
        ("C", "Cad64", "I64"),
        ("c", "Cad64", "i64"),
        ("c", "Ger65", "Ger7"),
        ("c", "Ger", "Ger6"),
        ("C", "Fr43", "Fr6"),
        ("C", "It6", "It"),
        ("C", "V9", "V7"),
        ("C", "V7[add9]", "V7"),
        ("C", "V[no3][add4]", "V"),
        ("C", "V54", "V"),
        ("C", "V74", "V7"),
        ("C", "V7/vi", "V7/VI"),
        ("C", "N6", "bII6"),
        ("c", "bVI", "VI"),
        ("C", "vi/I", "vi"),
    ],
)
def test_labels_that_count_as_the_same(key: str, one: str, other: str) -> None:
    assert label(key, one) == label(key, other)


@pytest.mark.parametrize(
    ("key", "one", "other"),
    [
        ("C", "V", "V7"),
        ("C", "V6", "V"),
        ("C", "V/V", "II"),
        ("C", "Ger65", "It6"),
        ("C", "Ger65", "Ger43"),
        ("C", "viio7", "viiø7"),
        ("c", "VII", "viio"),
        ("C", "iv", "IV"),
    ],
)
def test_labels_that_differ(key: str, one: str, other: str) -> None:
    assert label(key, one) != label(key, other)


def test_agreement_is_weighted_by_time() -> None:
    reference = spans((0, 6, "C", "I"), (6, 8, "C", "V7"))
    predicted = spans((0, 3, "C", "I"), (3, 6, "C", "I6"), (6, 8, "G", "I"))
    figures = compare(reference, predicted).figures()
    assert figures["key"] == 75
    assert figures["degree"] == 75
    assert figures["quality"] == 75
    assert figures["inversion"] == pytest.approx(100 * 5 / 8)
    assert figures["root"] == 100
    assert figures["full"] == pytest.approx(100 * 3 / 8)
    assert figures["chord"] == pytest.approx(100 * 3 / 8)


def test_time_without_a_prediction_is_wrong_and_time_without_a_reference_does_not_count() -> None:
    figures = compare(spans((2, 4, "C", "I")), spans((0, 3, "C", "I"))).figures()
    assert figures["full"] == 50


def test_spelling_counts_for_the_root_and_not_for_its_sound() -> None:
    figures = compare(spans((0, 1, "Db", "I")), spans((0, 1, "C#", "I"))).figures()
    assert (figures["root"], figures["sound"], figures["key"]) == (0, 100, 0)


def test_either_reading_of_a_pivot_chord_is_right() -> None:
    pivot = Span(
        Fraction(0),
        Fraction(2),
        Key.parse("C"),
        RomanNumeral.parse("vi"),
        1.0,
        alternatives=(Alternative(Key.parse("G"), RomanNumeral.parse("ii"), 0.0),),
    )
    for key, numeral in (("C", "vi"), ("G", "ii")):
        assert compare([pivot], spans((0, 2, key, numeral))).figures()["full"] == 100
    assert compare([pivot], spans((0, 2, "F", "iii"))).figures()["full"] == 0


def test_the_readers_own_alternatives_win_nothing() -> None:
    guess = Span(
        Fraction(0),
        Fraction(2),
        Key.parse("C"),
        RomanNumeral.parse("I"),
        0.6,
        alternatives=(Alternative(Key.parse("a"), RomanNumeral.parse("III"), 0.4),),
    )
    assert compare(spans((0, 2, "a", "III")), [guess]).figures()["full"] == 0


def test_expected_corrections() -> None:
    reference = spans((0, 4, "C", "I"), (4, 8, "C", "V"), (8, 12, "C", "I"), (12, 16, "C", "IV"))
    right = compare(reference, reference)
    assert right.figures()["fix/100"] == 0
    # Bar 2 wrong for most of its time; bar 3 right but for a quarter note; bar 4 for a thirty-second.
    predicted = spans(
        (0, 4, "C", "I"),
        (4, 7, "C", "iii"),
        (7, 8, "C", "V"),
        (8, 9, "C", "I"),
        (9, 10, "C", "vi"),
        (10, 12.125, "C", "I"),
        (12.125, 16, "C", "IV"),
    )
    assert compare(reference, predicted).fixes == 2
    assert compare(reference, predicted).figures()["fix/100"] == 50


def test_a_chord_restated_is_one_reference_chord() -> None:
    assert compare(spans((0, 4, "C", "I"), (4, 8, "C", "I")), spans((0, 8, "C", "V"))).chords == 1


def test_boundaries_match_one_to_one_within_a_sixteenth() -> None:
    reference = spans((0, 4, "C", "I"), (4, 8, "C", "V"), (8, 12, "C", "I"))
    predicted = spans((0, 4.25, "C", "I"), (4.25, 6, "C", "V"), (6, 12, "C", "vi"))
    tally = compare(reference, predicted)
    assert (tally.matched, tally.reference_bounds, tally.predicted_bounds) == (1, 2, 2)
    assert tally.figures()["bounds"] == 50


def test_intervals_are_those_of_drawing_pieces_again() -> None:
    """Two pieces of 10 quarters, all right and all wrong: a quarter of the draws of two holds each alone."""
    whole = Tally()
    for right in (10.0, 0.0):
        whole.add(Tally(pieces=1, time=10.0, right=[right] * len(MEASURES)))
    assert intervals([whole])["full"] == (0.0, 100.0)
    many = Tally()
    for k in range(100):
        many.add(Tally(pieces=1, time=10.0, right=[10.0 * (k % 2)] * len(MEASURES)))
    low, high = intervals([many])["full"]
    # A mean of 100 fair coins: 50 less and more 1.96 times 5.
    assert low == pytest.approx(40.2, abs=1.5)
    assert high == pytest.approx(59.8, abs=1.5)
    # Each set keeps its number of pieces.
    sure = Tally()
    sure.add(Tally(pieces=1, time=2000.0, right=[2000.0] * len(MEASURES)))
    assert intervals([many, sure])["full"][0] > 75
