"""Numerals made for chords that the table does not name in a key that the teacher holds."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from tests.harmony.small_scores import chords

from understave.harmony.engine import settle
from understave.harmony.model.decoding import TRUST, widened
from understave.harmony.model.further_numerals import further_numerals, name_in
from understave.harmony.model.label_indices import key_index, key_of, reduce
from understave.harmony.model.network import shipped_numerals
from understave.harmony.reading import Correction
from understave.harmony.reread import reread
from understave.harmony.trained import judge_score, read_judged, read_trained
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

EB_MINOR = "C3 E4 G4 C5 | G2 D4 F4 B4 | Eb3 Eb4 Gb4 Bb4 | Ab2 Eb4 Ab4 Cb5 | Bb2 D4 F4 Bb4 | Eb3 Eb4 Gb4 Bb4"
"""C major, then a cadence of E flat minor."""


@pytest.mark.parametrize(
    ("found", "numeral", "held", "called"),
    [
        # Borrowed chords stand on the altered degree; dominants are applied to the degree they were found on
        # (common practice, no source).
        ("eb", "i", "C", "biii"),
        ("Gb", "I", "C", "bV"),
        ("Ab", "vi", "C", "iv"),
        ("E", "ii65", "c", "#iv65"),
        ("F#", "V7", "C", "V7/#IV"),
        ("eb", "viio7", "C", "viio7/bIII"),
        ("eb", "Cad64", "C", "Cad64/biii"),
        ("eb", "N6", "C", "N6/biii"),
        ("Eb", "V65/vi", "C", "V65"),
        # Two accidentals before a numeral are no name that is read.
        ("Bbb", "I", "C", None),
    ],
)
def test_a_chord_found_in_one_key_is_called_in_another(found, numeral, held, called):
    name = name_in(RomanNumeral.parse(numeral), Key.parse(found), Key.parse(held))
    assert (None if name is None else str(name)) == called


def test_what_is_named_is_the_chord_found_and_a_numeral_that_is_read_back():
    """For every numeral of the table, found in any key, held in C major or C minor."""
    numerals, named = shipped_numerals(), 0
    for held in (Key.parse("C"), Key.parse("c")):
        for place in range(key_index(Key.parse("Gb")), key_index(Key.parse("f#")) + 1):
            found = key_of(place)
            for text in filter(None, numerals.texts[place % 2]):
                numeral = RomanNumeral.parse(text)
                name = name_in(numeral, found, held)
                if name is None:
                    continue
                named += 1
                chord = numeral.chord(found)
                assert name.chord(held).members == chord.members, (found, text, held, name)
                assert name.chord(held).bass == chord.bass
                assert RomanNumeral.parse(str(name)) == name
                assert name.words
    assert named > 8000


def test_names_agree_with_a_library():
    """music21 10 builds the same notes from the names (it spells figures of its own otherwise)."""
    roman = pytest.importorskip("music21.roman")
    for found, numeral in (
        ("eb", "i"),
        ("F#", "V7"),
        ("eb", "viio7"),
        ("Gb", "I"),
        ("Ab", "V65/V"),
        ("E", "ii65"),
    ):
        name = name_in(RomanNumeral.parse(numeral), Key.parse(found), Key.parse("C"))
        theirs = {p.midi % 12 for p in roman.RomanNumeral(str(name), "C").pitches}
        assert theirs == {p.semitone for p in RomanNumeral.parse(numeral).chord(Key.parse(found)).members}


def test_rows_are_added_only_for_chords_without_a_name():
    numerals = shipped_numerals()
    at = {(m, t): i for m in (0, 1) for i, t in enumerate(numerals.texts[m]) if t}
    home, far, g = (key_index(Key.parse(k)) for k in ("C", "eb", "G"))
    free = (np.array([far, far, g, far]), np.array([at[1, "i"], at[1, "i"], at[0, "I"], at[1, "iv"]]))
    held, where = np.full(4, home), np.array([True, True, True, False])
    wider = further_numerals(free, held, where, numerals)
    more = len(numerals.reduced)
    assert wider.reduced[:more] == numerals.reduced
    # Twice the same chord is one row; I of G has a name in C, and the last frame is not held.
    assert wider.reduced[more:] == (reduce(Key.parse("C"), RomanNumeral.parse("biii")),)
    assert (wider.texts[0][more], wider.texts[1][more]) == ("biii", None)
    assert wider.seen[:, more].tolist() == [True, False]
    assert wider.places.shape[0] == more + 1
    heads = {"numeral": np.zeros((4, more), np.float32)}
    assert widened(heads, more, TRUST) is heads
    assert (widened(heads, more + 1, TRUST)["numeral"][:, more] == TRUST.further).all()


@pytest.fixture(scope="module")
def held():
    score = chords(EB_MINOR, signature=0)
    key = Correction(*score.anchor(Fraction(0)), *score.anchor(score.end), Key.parse("C"), None)
    return score, (key,)


def test_giving_a_far_key_changes_names_and_no_chord(held):
    score, given = held
    plain, now = read_trained(score).spans, read_trained(score, given).spans
    assert {s.key for s in plain} > {Key.parse("C")}
    assert {s.key for s in now} == {Key.parse("C")}
    assert [s.numeral.chord(s.key) for s in now] == [s.numeral.chord(s.key) for s in plain]
    assert "biii" in [str(s.numeral) for s in now]


def test_a_quick_answer_keeps_such_numerals_outside_its_window(held):
    score, given = held
    judged = judge_score(score, given)
    spans = read_judged(score, judged).spans
    last = spans[-1]
    limits = (*score.anchor(spans[0].start), *score.anchor(spans[0].end))
    step = (*given, Correction(*limits, Key.parse("C"), RomanNumeral.parse("I6")))
    quick = reread(
        score, replace(judged, trust=replace(TRUST, kept=0.0)), spans, settle(score, given), step, bars=0
    )
    assert str(quick.spans[0].numeral) == "I6"
    assert (quick.spans[-1].key, quick.spans[-1].numeral) == (last.key, last.numeral)
