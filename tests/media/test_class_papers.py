"""Files of a class: names that every disk can hold, each once."""

from __future__ import annotations

import pytest

from understave.media import class_papers
from understave.media.class_papers import _file_name, sheet_files
from understave.teaching.class_sheets import Sheet, Student
from understave.theory.key import Key


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


def test_with_sounds_each_student_has_a_folder(monkeypatch):
    monkeypatch.setattr(class_papers, "drawn", lambda *_: {})
    for made in ("student_pdf", "answers_pdf"):
        monkeypatch.setattr(class_papers, made, lambda *_: b"paper")
    dealt = [
        Sheet(Student(n, "beginner"), Key.parse(k), None, None, ()) for n, k in (("Zoë", "Eb"), ("Ida", "D"))
    ]
    assert [list(files) for files in sheet_files(dealt, "a4", "en")] == [
        ["zoe.pdf", "answers/zoe.pdf"],
        ["ida.pdf", "answers/ida.pdf"],
    ]
    found = list(sheet_files(dealt, "a4", "en", lambda s: {"sounds/exercise-3.mp3": s.key.symbol.encode()}))
    assert list(found[0]) == ["zoe/zoe.pdf", "answers/zoe.pdf", "zoe/sounds/exercise-3.mp3"]
    assert found[1]["ida/sounds/exercise-3.mp3"] == b"D"
