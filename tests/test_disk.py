import os
import stat

import pytest
from tests.faulty_disk import FaultyDisk, put

from understave import disk
from understave.disk import write_atomically
from understave.errors import UnderstaveError


def test_a_failed_write_leaves_the_old_file_and_no_rubbish(tmp_path, monkeypatch):
    target = tmp_path / "reading.json"
    write_atomically(target, "old")

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(UnderstaveError, match="No space left"):
        write_atomically(target, "new")
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["reading.json"]


def test_written_files_are_readable_by_others(tmp_path):
    write_atomically(tmp_path / "sub" / "x.txt", "text")
    mode = stat.S_IMODE((tmp_path / "sub" / "x.txt").stat().st_mode)
    assert mode == 0o644


@pytest.mark.parametrize("before", [None, b"old"])
def test_a_loss_of_power_leaves_the_old_file_or_the_new_one(tmp_path, monkeypatch, before):
    folder = tmp_path / "lesson"
    folder.mkdir()
    target = folder / "lesson.toml"
    if before is not None:
        target.write_bytes(before)
    made = FaultyDisk(folder)
    monkeypatch.setattr(disk, "os", made)
    states = []
    made.on_step = lambda: states.extend(made.worlds())
    write_atomically(target, b"what the teacher wrote")
    after = made.worlds()
    monkeypatch.undo()
    found = set()
    for state in states:
        put(state, tmp_path / "after")
        there = tmp_path / "after" / "lesson.toml"
        found.add(there.read_bytes() if there.exists() else None)
    assert found == {before, b"what the teacher wrote"}
    # Once it has returned, it is there whatever happens.
    assert {state.get("lesson.toml") for state in after} == {b"what the teacher wrote"}
