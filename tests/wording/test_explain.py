"""The command that tells the story in the terminal."""

from __future__ import annotations

from pathlib import Path

import pytest

from understave.cli import main
from understave.lesson.folder import create_folder

SCORE = "examples/lock-water/score.musicxml"


@pytest.fixture(autouse=True)
def _at_the_root(request, monkeypatch):
    monkeypatch.chdir(request.config.rootpath)


def test_it_is_wrapped_and_headed(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "72")
    assert main(["explain", SCORE, "--bars", "4-15"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Lock-Water")
    assert max(len(line) for line in out.splitlines()) <= 72
    assert "Bars 4–" in out
    assert "⟨" not in out


def test_german_for_beginners(capsys):
    assert main(["explain", SCORE, "--bars", "16-20", "--level", "beginner", "--language", "de"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Takt 16" in out
    assert "es-Moll" in out
    assert "bar " not in out


def test_a_lesson_is_told_with_its_corrections(capsys, tmp_path):
    folder = create_folder(tmp_path / "lesson", Path(SCORE), "Lock-Water", "")
    assert main(["correct", str(folder.path), "--from", "7", "--to", "7:3", "--chord", "I6"]) == 0
    capsys.readouterr()
    assert main(["explain", str(folder.path), "--bars", "7"]) == 0
    out = capsys.readouterr().out
    # Without the correction the dominant of bar 6 is led astray to vi here.
    assert "Deceptive" not in out


@pytest.mark.parametrize(
    ("bars", "sentence"),
    [("99", "There is no bar 99"), ("9-4", "Bar 4 comes before bar 9"), ("x", "There is no bar x")],
)
def test_wrong_bars_give_one_sentence(capsys, bars, sentence):
    assert main(["explain", SCORE, "--bars", bars]) == 2
    captured = capsys.readouterr()
    assert sentence in captured.err
    assert captured.err.count("\n") == 1
    assert captured.out == ""
