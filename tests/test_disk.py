"""Files of the user: whole or not at all, with the mode and the place that the user gave them."""

import os
import stat

import pytest
from tests.faulty_disk import FaultyDisk, put

from understave import disk
from understave.disk import write_atomically
from understave.errors import UnderstaveError

posix = pytest.mark.skipif(os.name == "nt", reason="modes and links as POSIX has them")


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


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


@posix
@pytest.mark.parametrize(("umask", "expected"), [(0o022, 0o644), (0o077, 0o600), (0o002, 0o664)])
def test_a_new_file_gets_what_the_umask_leaves(tmp_path, umask, expected):
    before = os.umask(umask)
    try:
        write_atomically(tmp_path / "sub" / "x.txt", "text")
    finally:
        os.umask(before)
    assert mode(tmp_path / "sub" / "x.txt") == expected


@posix
@pytest.mark.parametrize("given", [0o600, 0o664, 0o640])
def test_a_file_that_is_written_again_keeps_its_mode(tmp_path, given):
    target = tmp_path / "lesson.toml"
    target.write_text("old")
    target.chmod(given)
    write_atomically(target, "new")
    assert target.read_text() == "new"
    assert mode(target) == given


@posix
def test_a_file_protected_against_writing_is_left_alone(tmp_path, monkeypatch):
    target = tmp_path / "lesson.toml"
    target.write_text("old")
    target.chmod(0o444)
    # Root may write everywhere; what an ordinary user is told is asked here.
    monkeypatch.setattr(os, "access", lambda path, how: not (how & os.W_OK and mode(path) == 0o444))
    with pytest.raises(UnderstaveError, match="protected against writing"):
        write_atomically(target, "new")
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["lesson.toml"]


@posix
def test_a_link_stays_a_link_and_the_file_it_names_is_written(tmp_path):
    far = tmp_path / "far" / "mine.toml"
    far.parent.mkdir()
    far.write_text("old")
    for link, goal in (("lesson.toml", far), ("second.toml", "lesson.toml")):
        (tmp_path / link).symlink_to(goal)
    write_atomically(tmp_path / "second.toml", "new")
    assert far.read_text() == "new"
    assert (tmp_path / "second.toml").is_symlink()
    assert (tmp_path / "lesson.toml").is_symlink()
    assert [p.name for p in far.parent.iterdir()] == ["mine.toml"]


@posix
def test_a_link_to_a_file_that_is_not_there_yet_makes_it(tmp_path):
    (tmp_path / "lesson.toml").symlink_to(tmp_path / "far" / "mine.toml")
    write_atomically(tmp_path / "lesson.toml", "new")
    assert (tmp_path / "far" / "mine.toml").read_text() == "new"


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
