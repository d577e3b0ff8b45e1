import os
import stat

import pytest

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
