"""The stops of a lesson as data: JSON for programs, in the form of `records.LessonFile`.

In: a Score and the stops of a lesson in their order. Out: text. Moments are given as in the reading's JSON.
"""

from __future__ import annotations

from collections.abc import Sequence

from understave.export import records
from understave.export.reading_data import moment
from understave.score.model import Score
from understave.teaching.stops import Stop
from understave.theory.vocabulary import Language
from understave.wording import Level


def lesson_json(score: Score, stops: Sequence[Stop], level: Level, language: Language) -> str:
    """Return the stops of a lesson, in their order, as indented JSON; numerals stand between ⟨ and ⟩."""
    return records.text_of(
        records.LessonFile(
            piece=records.Piece(score.title, score.composer),
            level=level,
            language=language,
            seconds=round(sum(stop.seconds for stop in stops), 1),
            stops=tuple(
                records.Stop(
                    id=stop.id,
                    first_measure=score.measures[stop.first].number,
                    last_measure=score.measures[stop.last].number,
                    moment=moment(score, stop.moment),
                    title=stop.title,
                    say=dict(stop.say),
                    hear=stop.hear,
                    play=stop.play,
                    question=stop.question,
                    answer=stop.answer,
                    notes=stop.notes,
                    seconds=round(stop.seconds, 1),
                    why=stop.why,
                    interest=round(stop.interest, 3),
                )
                for stop in stops
            ),
        )
    )
