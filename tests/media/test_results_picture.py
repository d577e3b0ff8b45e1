"""The answers of a class as a picture, and the questions as data: for any name, and without the answers."""

from __future__ import annotations

import json

import pytest
from lxml import etree
from tests.once import EXAMPLES, read, read_score

from understave.media.homework_data import homework_json
from understave.media.results_picture import results_picture, sign_of
from understave.teaching.homework import homework, homework_id
from understave.teaching.results import Answer, Asked, Questions, Results, Student, read_questions

ASKED = Questions("abc", "A <piece>", (Asked("key-1", "choose", "keys", "In which key?"),))
NAMES = ("<b>&\u202e" + "x" * 200, "Ben", "Cleo", "Dan")
ANSWERS = (
    (Answer("key-1", ("F",), True, False, 3.0),),
    (Answer("key-1", ("C", "F"), True, False, 3.0),),
    (Answer("key-1", ("C",), False, True, 3.0),),
    (),
)


@pytest.mark.parametrize("language", ["en", "de", "fr"])
def test_the_picture_is_drawn_for_any_name(language):
    students = tuple(Student(n, a) for n, a in zip(NAMES, ANSWERS, strict=True))
    drawn = etree.fromstring(results_picture(Results(ASKED, students), language))
    texts = [t.text for t in drawn.iter("{http://www.w3.org/2000/svg}text")]
    assert "A <piece>" in texts
    assert [t for t in texts if t in ("✓", "2", "✗", "–")] == ["✓", "2", "✗", "–"]
    assert texts.count("1") == 4  # the number of the question, and one answer of each kind
    assert etree.fromstring(results_picture(Results(ASKED, ()), language)) is not None
    assert [sign_of(a[0] if a else None) for a in ANSWERS] == ["✓", "2", "✗", "–"]


def test_questions_are_written_without_their_answers_and_read_again():
    score = read_score(EXAMPLES / "lock-water" / "score.musicxml")
    tasks = homework(score, read(score), (), ())
    text = homework_json(score, tasks, "en")
    asked = read_questions(text, "homework.json")
    assert [q.id for q in asked.asked] == [t.id for t in tasks]
    assert asked.homework == homework_id(tasks)
    first = json.loads(text)["questions"][0]
    assert tasks[0].reason not in json.dumps(first)
    assert first["first_measure"] == score.measures[tasks[0].first].number
