"""The questions of a lesson page as data: what `teaching.results` counts the students' answers by.

In: a Score, the tasks of its page; the `Results` of a class. Out: JSON, the questions without their answers.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from understave.export.records import HomeworkFile, HomeworkQuestion, text_of
from understave.score.model import Score
from understave.teaching import story
from understave.teaching.homework import Task, homework_id
from understave.teaching.results import Count, Results
from understave.theory.vocabulary import Language

HOMEWORK = "homework.json"
"""The file of a lesson's exports that holds its questions."""


def homework_json(score: Score, tasks: Sequence[Task], language: Language) -> str:
    """Return the questions as indented JSON, in the order in which they are asked."""
    questions = tuple(
        HomeworkQuestion(
            id=t.id,
            way=t.way,
            device=t.device,
            first_measure=score.measures[t.first].number,
            last_measure=score.measures[t.last].number,
            prompt=story.plain(t.prompt),
        )
        for t in tasks
    )
    return text_of(
        HomeworkFile(homework=homework_id(tasks), title=score.title, language=language, questions=questions)
    )


def results_values(found: Results) -> dict[str, Any]:
    """Return the counts of a class as values for JSON: by question, by device, by student."""
    return {
        "title": found.questions.title,
        "homework": found.questions.homework,
        "questions": [
            {"id": q.id, "way": q.way, "device": q.device, "prompt": q.prompt, **_counted(count)}
            for q, count in zip(found.questions.asked, found.by_question, strict=True)
        ],
        "devices": [{"device": count.name, **_counted(count)} for count in found.by_device],
        "students": [
            {
                "name": student.name,
                "answers": [
                    {
                        "question": a.question,
                        "tries": list(a.tried),
                        "right": a.right,
                        "shown": a.shown,
                        "seconds": a.seconds,
                    }
                    for a in student.answers
                ],
            }
            for student in found.students
        ],
        "notes": list(found.notes),
    }


def _counted(count: Count) -> dict[str, Any]:
    return {
        "at_once": count.at_once,
        "later": count.later,
        "not_found": count.missed,
        "seconds": round(count.seconds, 1),
        "hard": round(count.hard, 3),
    }
