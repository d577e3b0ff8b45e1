"""The commands ``keys`` and ``correct --carry`` on a lesson folder of our own piece."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from understave.cli.program import main
from understave.harmony import corrections
from understave.harmony.key_length import LEAST_PIECES
from understave.lesson.folder import create_folder, open_folder

FERRY = Path(__file__).parents[2] / "examples" / "chain-ferry" / "score.musicxml"


@pytest.fixture
def lesson(tmp_path):
    return create_folder(tmp_path / "ferry", FERRY, "Ferry", "").path


def run(capsys, *words):
    code = main([str(w) for w in words])
    said = capsys.readouterr()
    return code, " ".join((said.out + said.err).split())


def test_the_plan_is_listed_confirmed_and_then_yours(lesson, capsys):
    code, before = run(capsys, "keys", lesson)
    assert code == 0
    assert "yours" not in before
    assert run(capsys, "keys", lesson, "--confirm", "1-2")[0] == 0
    held = corrections.load(lesson / "corrections.jsonl")
    assert [c.numeral for c in held] == [None, None]
    assert len({e.step for e in corrections.read_entries(lesson / "corrections.jsonl")}) == 1
    assert run(capsys, "keys", lesson)[1].count("yours") >= 2


def test_a_key_is_renamed_and_the_reading_follows(lesson, capsys):
    assert run(capsys, "keys", lesson, "--rename", "1=b")[0] == 0
    assert "B minor" in run(capsys, "keys", lesson)[1]
    assert "B minor" in run(capsys, "show", lesson, "--bars", "1-2")[1]


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("--rename", "1"), "--rename 3=f"),
        (("--rename", "1=q"), "is not a key"),
        (("--rename", "99=c"), "There is no stretch 99"),
        (("--confirm", "x"), "names no stretches"),
        (("--confirm", "1-999999999"), "There is no stretch 999999999"),
        (("--move", "2=400"), "There is no bar 400"),
        (("--last", "long"), "write one of: moment, phrase, section, hardly ever"),
    ],
)
def test_what_makes_no_sense_gets_one_sentence_and_keeps_nothing(lesson, capsys, words, part):
    code, said = run(capsys, "keys", lesson, *words)
    assert code == 2
    assert part in said
    assert corrections.load(lesson / "corrections.jsonl") == ()


def test_how_long_a_key_must_last_is_kept_in_the_lesson_and_changes_the_plan(lesson, capsys):
    many = run(capsys, "keys", lesson)[1].count("%")
    settings = lesson / "lesson.toml"
    settings.write_text(settings.read_text() + "# my own remark\n")
    assert run(capsys, "keys", lesson, "--last", "hardly ever")[0] == 0
    assert open_folder(lesson).keys_last == "hardly ever"
    assert "# my own remark" in settings.read_text()
    assert run(capsys, "keys", lesson)[1].count("%") < many
    settings.write_text(settings.read_text().replace("hardly ever", "for a while"))
    code, said = run(capsys, "keys", lesson)
    assert code == 2
    assert "keys_last = 'for a while'" in said


def test_a_length_is_told_from_corrected_lessons_only(lesson, capsys):
    code, said = run(capsys, "keys", lesson, "--learn", lesson, lesson)
    assert code == 2
    assert f"{LEAST_PIECES} or more" in said


def test_a_correction_is_carried_when_asked_marked_and_taken_back_alone(lesson, capsys):
    """Bars 8 and 62 of the piece are the same note for note, both in F minor."""
    words = ("correct", lesson, "--from", "8", "--to", "9", "--key", "f", "--chord", "V7")
    assert run(capsys, *words)[0] == 0
    assert len(corrections.load(lesson / "corrections.jsonl")) == 1
    assert run(capsys, "correct", lesson, "--take-back", "1")[0] == 0
    code, said = run(capsys, *words, "--carry")
    assert code == 0
    own, carried = corrections.load(lesson / "corrections.jsonl")
    assert (carried.measure, carried.beat, str(carried.numeral)) == ("62", Fraction(1), "V7")
    assert "carried over from bar 8" in carried.note
    assert "Also in bar 62" in said
    assert run(capsys, "correct", lesson, "--take-back", "4")[0] == 0
    assert corrections.load(lesson / "corrections.jsonl") == (own,)
    assert "Nowhere else" in run(capsys, "correct", lesson, "--from", "2", "--to", "3", "--key", "f",
                                 "--chord", "i6", "--carry")[1]  # fmt: skip
