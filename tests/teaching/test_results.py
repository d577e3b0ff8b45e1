"""The answers of a class: counted as one counts by hand; damaged and foreign files are one sentence each."""

from __future__ import annotations

import json

import pytest

from understave.cli import main
from understave.errors import UnderstaveError
from understave.media.results_picture import sign_of
from understave.teaching.results import LARGEST, read_questions, results

QUESTIONS = {
    "format": "understave-homework",
    "version": 1,
    "homework": "abc",
    "title": "A <piece>",
    "questions": [
        {"id": "key-1", "way": "choose", "device": "keys", "prompt": "In which key?"},
        {"id": "note-2", "way": "place", "device": "a suspension", "prompt": "Which note?"},
        {"id": "key-9", "way": "choose", "device": "keys", "prompt": "And here?"},
    ],
}


def row(question, tries, right, shown=False, seconds=10):
    return {"question": question, "tries": tries, "right": right, "shown": shown, "seconds": seconds}


def saved(name, *answers, **other):
    document = {
        "format": "understave-answers",
        "version": 1,
        "homework": "abc",
        "name": name,
        "answers": answers,
    }
    return json.dumps({**document, **other}).encode()


ANNA = saved("Anna", row("key-1", ["F"], True), row("note-2", ["C", "D"], True, seconds=30))
BEN = saved(
    "Ben",
    row("key-1", ["C", "F"], True),
    row("note-2", ["E"], False, shown=True),
    row("key-9", [], False, True),
)


def counted(files):
    def read(name):
        if isinstance(files[name], OSError):
            raise files[name]
        return files[name]

    return results(read_questions(json.dumps(QUESTIONS), "homework.json"), list(files), read)


def test_a_class_is_counted_by_question_and_by_device():
    found = counted({"a.json": ANNA, "b.json": BEN})
    assert found.notes == ()
    assert [(c.at_once, c.later, c.missed) for c in found.by_question] == [(1, 1, 0), (0, 1, 1), (0, 0, 1)]
    # Keys: one at once, one later, one not; the suspension: one later, one not. Half for a later find.
    assert [(c.name, c.at_once, c.later, c.missed, c.hard) for c in found.by_device] == [
        ("a suspension", 0, 1, 1, 0.75),
        ("keys", 1, 1, 1, 0.5),
    ]
    assert found.by_question[1].seconds == 20
    signs = [[sign_of(s.answer(q.id)) for q in found.questions.asked] for s in found.students]
    assert signs == [["✓", "2", "–"], ["2", "✗", "✗"]]


BROKEN = {
    "half.json": ANNA[:40],
    "text.json": b"\xff\xfe no",
    "list.json": b"[1, 2]",
    "deep.json": b"[" * 100_000,
    "other.json": b'{"format": "something", "version": 1}',
    "newer.json": saved("Zoe", version=7),
    "nothing.json": saved("Zoe", answers="none"),
    "elsewhere.json": saved("Zoe", row("unknown", ["x"], True), title="Another piece"),
    "huge.json": saved("Zoe") + b" " * LARGEST,
    "gone.json": FileNotFoundError(2, "No such file or directory"),
}


def test_what_cannot_be_read_is_one_sentence_and_the_rest_counts():
    found = counted({"a.json": ANNA, **BROKEN, "b.json": BEN})
    assert [s.name for s in found.students] == ["Anna", "Ben"]
    assert len(found.notes) == len(BROKEN)
    for name, note in zip(BROKEN, found.notes, strict=True):
        assert note.startswith(name)
        assert note.endswith("left out.")
        assert note.count(".json") == 1


def test_of_a_file_damaged_in_part_the_rest_counts():
    rows = [
        row("key-1", ["F"], True),
        {"question": "note-2"},
        5,
        row("key-9", ["x"], True, seconds=float("nan")),
    ]
    found = counted({"a.json": saved("Anna", *rows)})
    assert [a.question for a in found.students[0].answers] == ["key-1"]
    assert found.notes == ("a.json is damaged in part; 3 of its 4 answers are left out.",)


def test_answers_of_an_earlier_page_count_where_the_question_is_still_asked():
    found = counted(
        {"a.json": saved("Anna", row("key-1", ["F"], True), row("old-3", ["x"], True), homework="old")}
    )
    assert found.by_question[0].at_once == 1
    assert "1 of its 2 answers" in found.notes[0]


def test_two_students_of_one_name_are_two():
    found = counted({"a.json": ANNA, "c.json": ANNA, "d.json": saved("  ")})
    assert [s.name for s in found.students] == ["Anna (a.json)", "Anna (c.json)", "d"]


def test_the_command_tells_and_draws_and_refuses_in_a_sentence(tmp_path, capsys):
    lesson = tmp_path / "lesson"
    (lesson / "exports").mkdir(parents=True)
    (lesson / "lesson.toml").write_text('[score]\nfile = "score.musicxml"\n')
    (lesson / "score.musicxml").write_text("x")
    files = tmp_path / "saved"
    files.mkdir()
    (files / "anna.json").write_bytes(ANNA)
    (files / "half.json").write_bytes(ANNA[:30])
    assert main(["results", str(lesson), str(files)]) == 2
    assert "make it again" in capsys.readouterr().err
    (lesson / "exports" / "homework.json").write_text(json.dumps(QUESTIONS))
    picture = tmp_path / "class.svg"
    assert main(["results", str(lesson), str(files), "--json", "--picture", str(picture)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [q["at_once"] for q in told["questions"]] == [1, 0, 0]
    assert len(told["notes"]) == 1
    assert picture.read_text(encoding="utf-8").startswith("<svg")
    assert main(["results", str(lesson), str(files)]) == 0
    assert "a suspension" in capsys.readouterr().out
    assert main(["results", str(lesson), str(files), "--picture", "class.gif"]) == 2
    assert main(["results", str(files), str(lesson)]) == 2
    (lesson / "exports" / "homework.json").write_text("{}")
    assert main(["results", str(lesson), str(files)]) == 2


def test_questions_that_are_damaged_are_refused():
    for text in ("", "{}", json.dumps({**QUESTIONS, "questions": [{}]})):
        with pytest.raises(UnderstaveError, match="make the lesson again"):
            read_questions(text, "homework.json")
