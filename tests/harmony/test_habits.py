"""What corrected pieces prove of a teacher's habits, and what a habit does to a reading.

Leave-one-out cross-validation as in Stone, "Cross-Validatory Choice and Assessment of Statistical
Predictions", J. Royal Statistical Society B 36 (1974).
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from understave.cli.program import main
from understave.errors import UnderstaveError
from understave.findings import read
from understave.harmony.habit_learning import LEAST_PIECES, Learnt, learned, proved, read_file, save, words
from understave.harmony.key_length import Corrected, trust_for
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.trained import judge_score, read_judged
from understave.lesson import own_habits
from understave.lesson.folder import create_folder, open_folder, set_habits
from understave.score.passage import passage
from understave.score.reader import read_score

FERRY = Path(__file__).parents[2] / "examples" / "chain-ferry" / "score.musicxml"
PIECES = 8


@pytest.fixture(scope="module")
def ferry():
    score = read_score(FERRY)
    return score, judge_score(score)


def agreeing(wanted: dict[str, list[float]], noise: float = 0.0):
    """Pieces of 100 quarters; each loses with the distance of a habit from the one it wants."""

    def agreements(habits: Habits) -> np.ndarray:
        found = np.full(PIECES, 80.0)
        for name, values in wanted.items():
            found -= np.abs(getattr(habits, name) - np.array(values))
        return found + noise

    return agreements


def test_a_habit_that_every_piece_shows_is_kept():
    found = proved(agreeing({"seventh": [1.0] * PIECES}), np.full(PIECES, 100.0))
    assert found.habits == Habits(seventh=1.0)
    assert found.gains == (("seventh", pytest.approx(0.01)),)


def test_habits_are_told_one_on_top_of_the_other():
    wanted = {"change": [-2.0] * PIECES, "lowest": [1.0] * PIECES}
    found = proved(agreeing(wanted), np.full(PIECES, 100.0))
    assert found.habits == Habits(change=-2.0, lowest=1.0)


@pytest.mark.parametrize(
    "values",
    [
        # One piece alone asks for it, loudly.
        [40.0, *[0.0] * (PIECES - 1)],
        # Half of them one way, half the other.
        [1.0, -1.0] * (PIECES // 2),
        # As the reader has it.
        [0.0] * PIECES,
    ],
)
def test_what_does_not_hold_on_pieces_left_out_is_not_learnt(values):
    assert proved(agreeing({"inverted": values}), np.full(PIECES, 100.0)).habits == NO_HABITS


def test_a_gain_too_small_to_be_sure_of_is_not_learnt():
    """A quarter of a per cent of the time on each piece, under the margin."""
    small = {"six_four": [0.6] * PIECES}
    assert proved(agreeing(small), np.full(PIECES, 100.0)).habits == NO_HABITS


def test_fewer_pieces_than_eight_say_nothing(ferry):
    score, judged = ferry
    pieces = [Corrected(score, judged, read_judged(score, judged).spans)] * (LEAST_PIECES - 1)
    with pytest.raises(UnderstaveError, match="8 or more"):
        learned(pieces)


def spans_with(ferry, habits):
    score, judged = ferry
    return read_judged(score, replace(judged, trust=trust_for(score, "moment", habits))).spans


@pytest.fixture(scope="module")
def usual(ferry):
    return spans_with(ferry, NO_HABITS)


def seventh_time(spans):
    return sum(s.end - s.start for s in spans if s.numeral.quality.is_seventh)


def inverted_time(spans):
    return sum(s.end - s.start for s in spans if s.numeral.inversion)


def six_four_time(spans):
    return sum(s.end - s.start for s in spans if s.numeral.inversion == 2 and s.numeral.quality.is_triad)


def downbeats(ferry, spans):
    starts = {m.start for m in ferry[0].measures}
    return sum(s.start in starts for s in spans)


def bass_heard(ferry, spans):
    """Quarters in which the lowest note at the start of a chord is its bass."""
    score = ferry[0]
    total = Fraction(0)
    for s in spans:
        low = min((n.midi for n in score.struck if n.onset <= s.start < n.end), default=None)
        total += (s.end - s.start) * (low is not None and low % 12 == s.numeral.chord(s.key).bass.semitone)
    return total


@pytest.mark.parametrize(
    ("name", "measure"),
    [
        ("change", lambda ferry, spans: len(spans)),
        ("downbeat", downbeats),
        ("seventh", lambda ferry, spans: seventh_time(spans)),
        ("inverted", lambda ferry, spans: inverted_time(spans)),
        ("six_four", lambda ferry, spans: six_four_time(spans)),
        ("lowest", bass_heard),
    ],
)
def test_each_habit_moves_what_it_names(ferry, usual, name, measure):
    less, more = (measure(ferry, spans_with(ferry, Habits(**{name: value}))) for value in (-9.0, 9.0))
    own = measure(ferry, usual)
    assert less < more
    assert less <= own <= more


def test_a_reading_with_habits_still_fills_the_piece(ferry, usual):
    spans = spans_with(ferry, Habits(change=2.0, seventh=-2.0, lowest=1.0))
    assert all(a.end == b.start for a, b in pairwise(spans))
    assert spans != usual
    assert read(ferry[0], (), "moment", Habits(change=2.0, seventh=-2.0, lowest=1.0)).spans == spans


def test_what_was_learnt_goes_to_a_file_and_back(tmp_path):
    learnt = Learnt(Habits(change=-1.0, seventh=2.0), (("change", 0.012), ("seventh", 0.004)), 9)
    save(tmp_path / "habits.json", learnt)
    assert read_file(tmp_path / "habits.json") == learnt
    said = words(learnt)
    assert said[0].startswith("You stay on a chord longer than the reader")
    assert "1.2 %" in said[0]
    assert said[1].startswith("You write sevenths more often")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"format": "understave-habits", "version": 2, "habits": {}}',
        '{"format": "understave-habits", "version": 1}',
        '{"format": "understave-habits", "version": 1, "habits": {"volume": 1}}',
        '{"format": "understave-habits", "version": 1, "habits": {"change": "much"}}',
        '{"format": "understave-habits", "version": 1, "habits": {"change": true}}',
        '{"format": "understave-habits", "version": 1, "habits": {"change": NaN}}',
        '{"format": "understave-habits", "version": 1, "habits": {"change": 1e9}}',
        '{"format": "understave-habits", "version": 1, "habits": [1]}',
    ],
)
def test_a_file_that_holds_no_habits_gets_one_sentence(tmp_path, text, capsys):
    path = tmp_path / "habits.json"
    path.write_text(text)
    assert main(["habits", "--take", str(path)]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def run(capsys, *words):
    code = main([str(w) for w in words])
    said = capsys.readouterr()
    return code, " ".join((said.out + said.err).split())


def test_habits_are_kept_in_a_lesson_shown_and_switched_off(tmp_path, capsys):
    lesson = create_folder(tmp_path / "ferry", FERRY, "Ferry", "").path
    settings = lesson / "lesson.toml"
    settings.write_text(settings.read_text() + "# my own remark\n")
    assert "own way" in run(capsys, "habits", lesson)[1]
    usual = run(capsys, "show", lesson)[1]
    save(tmp_path / "mine.json", Learnt(Habits(change=-2.0), (("change", 0.02),), 8))
    assert run(capsys, "habits", lesson, "--take", tmp_path / "mine.json")[0] == 0
    assert open_folder(lesson).habits == Habits(change=-2.0)
    assert "You stay on a chord longer" in run(capsys, "habits", lesson)[1]
    assert run(capsys, "show", lesson)[1] != usual
    assert run(capsys, "habits", lesson, "--save", tmp_path / "again.json")[0] == 0
    assert read_file(tmp_path / "again.json").habits == Habits(change=-2.0)
    assert run(capsys, "habits", lesson, "--off")[0] == 0
    assert open_folder(lesson).habits == NO_HABITS
    assert "# my own remark" in settings.read_text()
    assert run(capsys, "show", lesson)[1] == usual


@pytest.mark.parametrize(
    ("options", "part"),
    [
        (("not there",), "not there"),
        (("somewhere", "--on"), "leave the lesson folder out"),
        (("--on", "--off"), "cannot go together"),
        (("--take", "a.json", "--learn", "b"), "cannot go together"),
        (("--take", "not there.json"), "cannot be read"),
    ],
)
def test_what_makes_no_sense_gets_one_sentence(options, part, capsys):
    code, said = run(capsys, "habits", *options)
    assert (code, part in said) == (2, True)


def test_too_few_corrected_lessons_get_one_sentence(tmp_path, capsys):
    lesson = create_folder(tmp_path / "ferry", FERRY, "Ferry", "").path
    code, said = run(capsys, "habits", "--learn", lesson, lesson)
    assert (code, f"{LEAST_PIECES} or more" in said) == (2, True)


def test_habits_in_the_settings_that_are_none_can_be_taken_out(tmp_path, capsys):
    lesson = create_folder(tmp_path / "ferry", FERRY, "Ferry", "").path
    set_habits(lesson, Habits(seventh=1.0))
    settings = lesson / "lesson.toml"
    settings.write_text(settings.read_text().replace("seventh", "eleventh"))
    code, said = run(capsys, "habits", lesson)
    assert (code, "'eleventh' is no habit" in said) == (2, True)
    assert run(capsys, "habits", lesson, "--off")[0] == 0
    assert open_folder(lesson).habits == NO_HABITS


def test_lessons_are_learnt_from(tmp_path, capsys, monkeypatch, ferry):
    """The command reads the lessons, says what was learnt and keeps it.

    Each of the eight is read twice: bars 1 to 8 are enough.
    """
    seen = []
    bars = tmp_path / "bars.musicxml"
    bars.write_bytes(passage(ferry[0], 0, 7).source)

    def fake(pieces):
        seen.extend(pieces)
        return Learnt(Habits(lowest=1.0), (("lowest", 0.01),), len(pieces))

    monkeypatch.setattr(own_habits, "learned", fake)
    lesson = create_folder(tmp_path / "ferry", bars, "Ferry", "").path
    run(capsys, "correct", lesson, "--from", "2", "--to", "3", "--key", "f", "--chord", "i6")
    # One lesson named often is one.
    assert run(capsys, "habits", "--learn", *[lesson] * LEAST_PIECES)[0] == 2
    others = [shutil.copytree(lesson, tmp_path / f"ferry {n}") for n in range(1, LEAST_PIECES)]
    code, said = run(capsys, "habits", lesson, "--learn", lesson, *others)
    assert (code, len(seen)) == (0, LEAST_PIECES)
    assert "You take the lowest note as the bass" in said
    assert open_folder(lesson).habits == Habits(lowest=1.0)
    assert any(s.fixed for s in seen[0].spans)
    assert seen[0].judged.fixed == ()
