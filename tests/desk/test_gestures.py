"""What the teacher does -> corrections, held where they were meant; nonsense is refused in a sentence."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.desk.desk_lesson import read_once

from understave.desk import gestures
from understave.errors import UnderstaveError
from understave.harmony.engine import settle
from understave.harmony.reread import reread
from understave.harmony.typed import typed_chords
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


@pytest.fixture(scope="module")
def piece():
    return read_once()


def after(piece, step):
    score, judged, spans = piece
    return reread(score, judged, spans, (), step).spans


def at(spans, moment):
    return next(s for s in spans if s.start <= moment < s.end)


@pytest.mark.parametrize("number", [3, 10, 20])
def test_a_typed_numeral_is_set_where_the_chord_stands(piece, number):
    score, _, spans = piece
    old = spans[number]
    new = at(after(piece, gestures.label(score, spans, old.start, "Ger65")), old.start)
    assert (new.start, new.end, str(new.numeral), new.fixed) == (old.start, old.end, "Ger65", True)


@pytest.mark.parametrize(
    ("symbol", "key", "numeral"),
    [("G7/B", "C", "V65"), ("Fm", "C", "iv"), ("D7", "C", "V7/V"), ("Db/F", "C", "N6"), ("Am", "C", "vi"),
     ("Bdim7", "c", "viio7"), ("E♭", "c", "III")],
)  # fmt: skip
def test_a_chord_symbol_is_named_in_the_key(symbol, key, numeral):
    """Numerals of common chords: Hutchinson, "Music Theory for the 21st-Century Classroom", ch. 8 to 18."""
    assert typed_chords(symbol, Key.parse(key)).numerals == (RomanNumeral.parse(numeral),)


def test_a_key_before_the_numeral_sets_both(piece):
    score, _, spans = piece
    new = at(after(piece, gestures.label(score, spans, spans[8].start, "Db: V7")), spans[8].start)
    assert (new.key, str(new.numeral)) == (Key.parse("Db"), "V7")


def test_figures_that_move_part_the_chord_and_are_told_before(piece):
    score, _, spans = piece
    long = next(s for s in spans if s.end - s.start >= 2)
    meant = gestures.spelled(score, spans, long.start, "V64-53")
    assert [(key, str(n)) for _, _, key, n in meant.chords] == [(long.key, "Cad64"), (long.key, "V")]
    new = after(piece, gestures.label(score, spans, long.start, "V64-53"))
    for begin, end, _, numeral in meant.chords:
        span = at(new, begin)
        assert (span.start, span.end, span.numeral, span.fixed) == (begin, end, numeral, True)


def test_split_join_and_move_keep_what_they_do_not_mean(piece):
    score, _, spans = piece
    long = next(s for s in spans if s.end - s.start >= 2)
    middle = long.start + 1
    parts = after(piece, gestures.split(score, spans, long.start, middle))
    assert at(parts, middle).start == middle
    assert {at(parts, t).numeral for t in (long.start, middle)} == {long.numeral}

    joined = after(piece, gestures.join(score, spans, spans[5].start))
    assert at(joined, spans[6].start).start == spans[5].start

    to = spans[6].start + Fraction(1, 2)
    moved = after(piece, gestures.move(score, spans, spans[6].start, to))
    assert at(moved, to).start == to
    assert (at(moved, to).numeral, at(moved, spans[5].start).numeral) == (spans[6].numeral, spans[5].numeral)


def test_a_new_key_keeps_the_sound_of_chords_set_before(piece):
    score, judged, spans = piece
    first = gestures.label(score, spans, spans[10].start, "G7")
    held = reread(score, judged, spans, (), first)
    second = gestures.set_key(score, held.spans, spans[9].start, spans[13].end, "F")
    now = reread(score, judged, held.spans, held.fixed, (*first, *second)).spans
    span = at(now, spans[10].start)
    assert span.key == Key.parse("F")
    assert span.numeral.chord(span.key).semitones == frozenset({7, 11, 2, 5})


def test_nonsense_is_refused_in_a_sentence(piece):
    score, _, spans = piece
    wrong = [
        lambda: gestures.label(score, spans, spans[2].start, "Q7"),
        lambda: gestures.label(score, spans, spans[2].start, ""),
        lambda: gestures.label(score, spans, Fraction(1, 97), "V"),
        lambda: gestures.take(score, spans, spans[2].start, 99),
        lambda: gestures.split(score, spans, spans[2].start, spans[2].start),
        lambda: gestures.join(score, spans, spans[-1].start),
        lambda: gestures.move(score, spans, spans[0].start, spans[0].end),
        lambda: gestures.move(score, spans, spans[3].start, spans[5].end),
        lambda: gestures.set_key(score, spans, spans[2].start, None, "J"),
        lambda: gestures.move_key(score, spans, spans[0].start, spans[1].start),
    ]
    for gesture in wrong:
        with pytest.raises(UnderstaveError, match=r"[.]$"):
            gesture()


def test_every_moment_of_the_score_has_an_anchor_that_finds_it_again(piece):
    score, _, _ = piece
    for n in score.notes:
        assert score.time_of(*score.anchor(n.onset)) == n.onset
    assert (
        settle(score, gestures.set_key(score, piece[2], piece[2][0].start, score.end, "C"))[-1].end
        == score.end
    )


def test_where_bar_numbers_start_again_a_gesture_holds_the_chord_it_means(piece):
    score, _, spans = piece
    twice = replace(score, measures=tuple(replace(m, number=str(m.index % 20 + 1)) for m in score.measures))
    for span in (spans[0], spans[-1], next(s for s in spans if s.start >= twice.measures[20].start)):
        (fixed,) = settle(twice, gestures.take(twice, spans, span.start, -1))
        assert (fixed.start, fixed.end) == (span.start, span.end)
    assert "bar 1#2" in gestures.place(twice, twice.measures[20].start)
