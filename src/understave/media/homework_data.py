"""The questions of a lesson page as data: what `teaching.results` counts the students' answers by.

In: a Score, the tasks of its page. Out: JSON, without the answers.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

from understave.score.model import Score
from understave.teaching import story
from understave.teaching.homework import Task, homework_id
from understave.teaching.results import QUESTIONS, VERSION
from understave.theory.vocabulary import Language

HOMEWORK = "homework.json"
"""The file of a lesson's exports that holds its questions."""


def homework_json(score: Score, tasks: Sequence[Task], language: Language) -> str:
    """Return the questions as indented JSON, in the order in which they are asked."""
    questions = [
        {
            "id": t.id,
            "way": t.way,
            "device": t.device,
            "first_measure": score.measures[t.first].number,
            "last_measure": score.measures[t.last].number,
            "prompt": story.plain(t.prompt),
        }
        for t in tasks
    ]
    document = {
        "format": QUESTIONS,
        "version": VERSION,
        "homework": homework_id(tasks),
        "title": score.title,
        "language": language,
        "questions": questions,
    }
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"
