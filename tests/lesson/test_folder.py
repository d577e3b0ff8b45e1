import tomllib
from dataclasses import replace

import pytest

from understave.errors import UnderstaveError
from understave.lesson import folder
from understave.score.model import Score

A_CHORD = Score("A Chord", "", (), (), ())


def test_folder_keeps_the_score_as_imported(tmp_path):
    source = tmp_path / "Étude “no 1”.musicxml"
    source.write_bytes(b"<score/>")
    made = folder.create_folder(tmp_path / "lesson", source, 'A "quoted" \\ title\n', "N. N.")
    assert made.score.read_bytes() == b"<score/>"
    settings = tomllib.loads((made.path / folder.SETTINGS).read_text(encoding="utf-8"))
    assert settings["title"] == 'A "quoted" \\ title\n'
    assert settings["score"]["imported_from"] == source.name
    assert folder.open_folder(made.path) == made


def test_making_it_again_keeps_corrections_and_settings(tmp_path):
    source = tmp_path / "piece.mei"
    source.write_bytes(b"<mei/>")
    made = folder.create_folder(tmp_path / "lesson", source, "t", "c")
    made.corrections.write_text("{}\n")
    settings = (made.path / folder.SETTINGS).read_bytes() + b"# mine\n"
    (made.path / folder.SETTINGS).write_bytes(settings)
    folder.create_folder(tmp_path / "lesson", source, "other", "c")
    assert made.corrections.read_text() == "{}\n"
    assert (made.path / folder.SETTINGS).read_bytes() == settings


def test_another_score_never_overwrites_a_lesson(tmp_path):
    first, second = tmp_path / "a.mei", tmp_path / "b.mei"
    first.write_bytes(b"<mei/>")
    second.write_bytes(b"<mei></mei>")
    made = folder.create_folder(tmp_path / "lesson", first, "t", "c")
    with pytest.raises(UnderstaveError, match="another score"):
        folder.create_folder(tmp_path / "lesson", second, "t", "c")
    assert made.score.read_bytes() == b"<mei/>"


def test_a_newer_version_replaces_the_score_on_request_and_keeps_corrections(tmp_path):
    first, second = tmp_path / "a.mei", tmp_path / "b.mei"
    first.write_bytes(b"<mei/>")
    second.write_bytes(b"<mei></mei>")
    made = folder.create_folder(tmp_path / "lesson", first, "t", "c")
    made.corrections.write_text("{}\n")
    again = folder.create_folder(tmp_path / "lesson", second, "new title", "c", replace_score=True)
    assert again.score.read_bytes() == b"<mei></mei>"
    assert again.corrections.read_text() == "{}\n"
    assert 'title = "new title"' in (again.path / folder.SETTINGS).read_text()


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("title = ", "cannot be read"),
        ("title = 'x'", "cannot be read"),
        ('[score]\nfile = "../secret.xml"', "outside the lesson folder"),
        ('[score]\nfile = "gone.xml"', "missing"),
    ],
)
def test_a_damaged_folder_is_explained(tmp_path, text, sentence):
    (tmp_path / "secret.xml").write_text("x")
    lesson = tmp_path / "lesson"
    lesson.mkdir()
    (lesson / folder.SETTINGS).write_text(text)
    with pytest.raises(UnderstaveError, match=sentence):
        folder.open_folder(lesson)


def test_no_lesson_folder_is_explained(tmp_path):
    with pytest.raises(UnderstaveError, match="not a lesson folder"):
        folder.open_folder(tmp_path)


@pytest.mark.parametrize("below", ["", "lesson", "lesson/of/mine"])
def test_a_place_under_a_file_is_refused(tmp_path, below):
    (tmp_path / "notes").write_text("mine")
    with pytest.raises(UnderstaveError, match=r"notes is a file, not a folder"):
        folder.check_place(tmp_path / "notes" / below, tmp_path / "score.mei")


def test_a_place_that_may_not_be_written_to_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(folder.os, "access", lambda place, mode: place != tmp_path)
    with pytest.raises(UnderstaveError, match="may not be written to"):
        folder.check_place(tmp_path / "new" / "lesson", tmp_path / "score.mei")
    assert not (tmp_path / "new").exists()


def test_a_score_without_a_title_is_called_after_its_file():
    nameless = replace(A_CHORD, title="")
    assert folder.titled(nameless, "Evening_piece no 2.mid").title == "Evening piece no 2"
    assert folder.titled(replace(A_CHORD, title="Untitled"), "tune.abc").title == "tune"
    named = replace(A_CHORD, title="Lock-Water")
    assert folder.titled(named, "score.mid") is named
