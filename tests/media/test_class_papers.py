"""Files of a class: names that every disk can hold, each once."""

from __future__ import annotations

import pytest

from understave.media.class_papers import _file_name


@pytest.mark.parametrize(
    ("names", "files"),
    [
        (["Zoë", "Zoe!", "zoe"], ["zoe", "zoe-2", "zoe-3"]),
        (["Jean-Luc d'Arc"], ["jean-luc-d-arc"]),
        (["李", "../../etc"], ["student", "etc"]),
        (["x" * 300], ["x" * 60]),
    ],
)
def test_each_student_has_a_file_of_their_own(names, files):
    taken: set[str] = set()
    assert [_file_name(name, taken) for name in names] == files
