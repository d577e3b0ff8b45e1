"""Whoever opens a lesson whose last correction was never finished is told so, and goes on."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from understave.cli import main
from understave.desk.opened import OpenLesson
from understave.harmony.corrections import load
from understave.lesson.folder import create_folder
from understave.score.reader import read_score

PIECE = "X:1\nT:Small\nM:4/4\nL:1/4\nK:C\nc e g e | f a g f | e d c2 |]\n"


@pytest.fixture
def lesson(tmp_path):
    (tmp_path / "small.abc").write_text(PIECE)
    folder = create_folder(tmp_path / "lesson", tmp_path / "small.abc", "Small", "")
    assert main(["correct", str(folder.path), "--from", "1", "--to", "2", "--chord", "I", "--key", "C"]) == 0
    with folder.corrections.open("ab") as file:
        file.write(b'{"id": 2, "mea' + b"\0" * 40)
    return folder


def test_the_command_says_so_once_and_goes_on(lesson, capsys):
    capsys.readouterr()
    assert main(["correct", str(lesson.path), "--from", "2", "--to", "3", "--chord", "IV", "--key", "C"]) == 0
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "corrections.unfinished-1" in said
    assert (lesson.path / "corrections.unfinished-1").read_bytes().startswith(b'{"id": 2, "mea\0')
    assert [str(c.numeral) for c in load(lesson.corrections)] == ["I", "IV"]
    assert main(["correct", str(lesson.path)]) == 0
    assert capsys.readouterr().err == ""


def test_reading_commands_say_so_too(lesson, capsys):
    capsys.readouterr()
    assert main(["show", str(lesson.path)]) == 0
    shown = capsys.readouterr()
    assert "corrections.unfinished-1" in shown.err
    assert "yours" in shown.out


def test_the_desk_says_so_when_it_opens(lesson):
    score = read_score(lesson.score)
    opened = OpenLesson(lesson, score, ThreadPoolExecutor(1), ThreadPoolExecutor(1))
    assert "corrections.unfinished-1" in opened.unfinished
    assert len(opened.entries) == 1
