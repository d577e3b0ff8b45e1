"""The stops of a lesson as data: JSON for programs, in the form that ``lesson.schema.json`` fixes.

In: a Score and the stops of a lesson in their order. Out: text. Moments are given as in the reading's JSON.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

from understave.export.reading_data import moment_values
from understave.score.model import Score
from understave.teaching.stops import Stop
from understave.theory.vocabulary import Language
from understave.wording import Level

FORMAT = "understave-lesson"
VERSION = 1


def lesson_json(score: Score, stops: Sequence[Stop], level: Level, language: Language) -> str:
    """Return the stops of a lesson, in their order, as indented JSON; numerals stand between ⟨ and ⟩."""
    document = {
        "format": FORMAT,
        "version": VERSION,
        "piece": {"title": score.title, "composer": score.composer},
        "level": level,
        "language": language,
        "seconds": round(sum(s.seconds for s in stops), 1),
        "stops": [
            {
                "id": s.id,
                "first_measure": score.measures[s.first].number,
                "last_measure": score.measures[s.last].number,
                "moment": moment_values(score, s.moment),
                "title": s.title,
                "say": dict(s.say),
                "hear": list(s.hear),
                "play": s.play,
                "question": s.question,
                "answer": s.answer,
                "notes": list(s.notes),
                "seconds": round(s.seconds, 1),
                "why": s.why,
                "interest": round(s.interest, 3),
            }
            for s in stops
        ],
    }
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"
