"""A fault of ours gets one sentence that names the log; a reader who has seen enough gets none."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from understave import cli, faults
from understave.cli import showing

PIECE = "X:1\nT:Small\nM:4/4\nL:1/4\nK:C\n" + "c e g e | f a g f | e d c2 |\n" * 40


@pytest.fixture
def log(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(faults.sys, "platform", "linux")
    return tmp_path / "state" / "understave" / "faults.log"


def test_a_fault_of_ours_is_one_sentence_and_an_entry_in_the_log(log, monkeypatch, capsys):
    def broken(*_):
        raise KeyError("no such span")

    monkeypatch.setattr(showing, "_show", broken)
    assert cli.main(["show", "my score.abc"]) == 70
    shown = capsys.readouterr()
    assert shown.err.count("\n") == 1
    assert "Traceback" not in shown.err
    assert str(log) in shown.err
    assert "understave doctor" in shown.err
    kept = log.read_text()
    assert "while: understave show 'my score.abc'" in kept
    assert "KeyError: 'no such span'" in kept
    assert "in broken" in kept


def test_bad_input_is_no_fault_of_ours(log, capsys):
    assert cli.main(["show", "not-there.abc"]) == 2
    assert not log.exists()


def test_a_fault_in_one_score_of_an_index_is_written_down_too(log, tmp_path, monkeypatch):
    from understave.repertoire.worker import read_piece

    (tmp_path / "a.abc").write_text(PIECE)
    monkeypatch.setattr("understave.repertoire.describe.describe", lambda *_: 1 / 0)
    piece = read_piece(tmp_path / "a.abc", "p")
    assert "ZeroDivisionError" in str(piece)
    assert "reading a.abc into an index" in log.read_text()


@pytest.mark.skipif(sys.platform == "win32", reason="pipes")
def test_a_pipe_that_closes_early_is_no_fault(log, tmp_path):
    (tmp_path / "a.abc").write_text(PIECE)
    source = Path(cli.__file__).parents[2]
    shown = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys\nfrom understave.cli import main\nsys.exit(main())",
            "show",
            "a.abc",
        ],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(source), "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert shown.stdout is not None
    assert shown.stderr is not None
    shown.stdout.close()
    assert shown.stderr.read() == b""
    assert shown.wait(60) == 141
    assert not log.exists()
