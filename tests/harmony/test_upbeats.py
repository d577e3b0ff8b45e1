"""Bars that do not begin on their first beat: an upbeat, and a bar that a repeat divides.

An upbeat of one beat in common time is beat 4 of a bar numbered 0, and what follows a repeat in the middle
of a bar goes on counting that bar (common practice, no source).
"""

from fractions import Fraction
from itertools import pairwise

import pytest

from understave.cli import main
from understave.desk import gestures
from understave.desk.values import bars
from understave.harmony.corrections import load
from understave.harmony.engine import settle
from understave.harmony.reading import Correction, Span
from understave.score.model import Measure
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

HEAD = "X:1\nT:Upbeat\nM:4/4\nL:1/4\nK:C\n"
DIVIDED = HEAD + "G | c e g e | f a g :: f | e d B d | c3 |]\n"
ENDING = HEAD + "G | c e g e | f a g :: f |]\n"
C, ONE = Key.parse("C"), RomanNumeral.parse("I")


@pytest.fixture
def score(tmp_path):
    (tmp_path / "divided.abc").write_text(DIVIDED)
    return read_score(tmp_path / "divided.abc")


@pytest.mark.parametrize(
    ("moment", "bar", "beat"),
    [(0, "0", 4), (1, "1", 1), (2, "1", 2), (5, "2", 1), (8, "2", 4), (9, "3", 1), (13, "4", 1)],
)
def test_a_moment_is_counted_in_its_bar(score, moment, bar, beat):
    assert score.measure_at(Fraction(moment)).number == bar
    assert score.beat_at(Fraction(moment)) == beat
    assert score.time_of(bar, Fraction(beat)) == moment


def test_a_beat_goes_on_where_a_bar_is_divided():
    """The beat of 6/8 is a dotted quarter note (common practice, no source)."""
    rest = Measure("m2", 1, "1", Fraction(2), Fraction(1), 6, 8, 0, offset=Fraction(2))
    late = [rest.past_beat(rest.start + Fraction(k, 2)) for k in range(3)]
    assert late == [Fraction(1, 2), 1, 0]


@pytest.mark.parametrize(
    ("begin", "end", "held"),
    [
        (("0", 4), ("1", 1), (0, 1)),
        (("1", 4), ("2", 2), (4, 6)),
        (("2", 3), ("2", 4), (7, 8)),
        (("2", 4), ("3", 2), (8, 10)),
    ],
)
def test_a_correction_holds_where_it_was_set(score, begin, end, held):
    (fixed,) = settle(score, [Correction(begin[0], Fraction(begin[1]), end[0], Fraction(end[1]), C, ONE)])
    assert (fixed.start, fixed.end) == held


def test_the_desk_anchors_a_chord_where_it_lies(score):
    times = [Fraction(t) for t in (0, 1, 3, 5, 7, 8, 9, 11, 13, 16)]
    spans = [Span(a, b, C, ONE, 0.5) for a, b in pairwise(times)]
    for span in spans:
        step = gestures.label(score, spans, span.start, "V")
        held = settle(score, step)
        assert [(f.start, f.end) for f in held] == [(span.start, span.end)]


def test_the_desk_offers_the_beats_of_an_upbeat_as_boundaries(tmp_path):
    (tmp_path / "long.abc").write_text(HEAD + "G3/2 | c4 |]\n")

    class Clock:
        def at(self, moment):
            return float(moment)

    upbeat, whole = bars(read_score(tmp_path / "long.abc"), Clock())
    assert [m["at"] for m in upbeat["moments"]] == ["0", "1/2"]
    assert [m["beat"] for m in upbeat["moments"]] == ["3.5", "4"]
    assert [m["at"] for m in whole["moments"]] == ["3/2", "5/2", "7/2", "9/2"]


def test_the_end_of_a_piece_is_counted_in_its_last_bar(tmp_path, score):
    assert score.anchor(score.end) == ("4", 4)
    (tmp_path / "ending.abc").write_text(ENDING)
    ending = read_score(tmp_path / "ending.abc")
    assert ending.anchor(ending.end) == ("2", 5)
    assert ending.anchor(Fraction(8)) == ("2", 4)


@pytest.fixture
def lesson(tmp_path):
    (tmp_path / "divided.abc").write_text(DIVIDED)
    from understave.lesson.folder import create_folder

    return create_folder(tmp_path / "lesson", tmp_path / "divided.abc", "Upbeat", "").path


@pytest.mark.parametrize(
    ("begin", "end", "kept"),
    [
        ("0:4", "1", ("0", 4, "1", 1)),
        ("0:4", "0:5", ("0", 4, "0", 5)),
        ("2:3", "3:1", ("2", 3, "3", 1)),
        ("4:1", "4:4", ("4", 1, "4", 4)),
    ],
)
def test_the_command_takes_the_beats_that_a_bar_has(lesson, begin, end, kept):
    assert main(["correct", str(lesson), "--from", begin, "--to", end, "--chord", "I", "--key", "C"]) == 0
    (c,) = load(lesson / "corrections.jsonl")
    assert (c.measure, c.beat, c.end_measure, c.end_beat) == kept


@pytest.mark.parametrize(("end", "last"), [("0:6", "5"), ("4:5", "4"), ("3:5.5", "5")])
def test_the_command_refuses_beats_that_a_bar_has_not(lesson, end, last, capsys):
    assert main(["correct", str(lesson), "--from", "0:4", "--to", end, "--chord", "I", "--key", "C"]) == 2
    assert f"ends at beat {last}" in capsys.readouterr().err
    assert not (lesson / "corrections.jsonl").exists()
