"""The commands are tested here, not the reader and planner behind them: a piece is read and planned once."""

import pytest


@pytest.fixture(autouse=True)
def read_once(monkeypatch):
    """Let the commands ask for a reading or a plan where the tests before have made the same."""
    from tests.once import make_plan, read

    monkeypatch.setattr("understave.findings.read", read)
    monkeypatch.setattr("understave.interpretation.planning.make_plan", make_plan)
    monkeypatch.setattr("understave.lesson.make.read", read)
    monkeypatch.setattr("understave.lesson.make.make_plan", make_plan)


@pytest.fixture
def one_process(monkeypatch):
    """Let a lesson be made in this process alone: to start others takes longer than a small lesson."""
    monkeypatch.setattr("understave.cli.lessons._PROCESSES", 1)
