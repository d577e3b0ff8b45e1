"""What goes wrong by our own fault is written down, for the user alone, and stays small."""

import os
import stat

import pytest

from understave import faults


@pytest.fixture
def log(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(faults.sys, "platform", "linux")
    return tmp_path / "state" / "understave" / "faults.log"


def fault(text="a chord without a root"):
    try:
        raise ZeroDivisionError(text)
    except ZeroDivisionError as error:
        return error


def test_a_fault_is_written_with_its_place_and_what_was_done(log):
    assert faults.keep_fault(fault(), "understave show") == log
    assert faults.keep_fault(fault("another"), "understave find") == log
    text = log.read_text()
    assert "while: understave show" in text
    assert "ZeroDivisionError: a chord without a root" in text
    assert "test_faults.py" in text
    assert text.index("while: understave find") > text.index("a chord without a root")


@pytest.mark.skipif(os.name == "nt", reason="file modes")
def test_only_the_user_may_read_it(log):
    faults.keep_fault(fault(), "x")
    assert stat.S_IMODE(log.stat().st_mode) == 0o600


def test_the_log_stays_small(log):
    for _ in range(100):
        faults.keep_fault(fault("ä" * 100_000), "x")
    files = sorted(p.name for p in log.parent.iterdir())
    assert files == ["faults.1.log", "faults.log"]
    assert all(p.stat().st_size < faults.FULL + 4 * faults.LONGEST for p in log.parent.iterdir())


def test_what_cannot_be_written_raises_nothing(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setattr(faults, "log_file", lambda: tmp_path / "file" / "faults.log")
    assert faults.keep_fault(fault(), "x") is None
    assert "could not be written down" in faults.fault_sentence(fault(), None)
