"""Flash cards of a piece: its exercises, the chords of its stops and the terms that its texts use.

In: a Score, its Exercises, the stops of the lesson and the glossary. Out: `cards_csv.Card`s. What an
exercise asks is proved already (`verification`); stops bring the question they have.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from understave.engraving import Options, excerpt
from understave.harmony.reading import Reading
from understave.media.cards_csv import Card
from understave.score.model import Score
from understave.teaching.exercises import HEARD, Exercise
from understave.teaching.stops import Stop
from understave.theory.vocabulary import Language
from understave.wording import Gloss, in_a_line, phrasebook

_WIDTH = 110.0


def flash_cards(
    score: Score,
    exercises: Sequence[Exercise],
    stops: Sequence[Stop] = (),
    terms: Iterable[Gloss] = (),
    language: Language = "en",
    pictures: Mapping[int | str, str] = {},
) -> tuple[Card, ...]:
    """Return the cards; `pictures` are paths of excerpts by the step of an exercise or the id of a stop.

    Exercises for the ear are left out: a card cannot sound.
    """
    book = phrasebook(language)
    cards = []

    def tags(*names: str) -> tuple[str, ...]:
        return tuple(book.cells.get(name, name) for name in names)

    for exercise in exercises:
        if exercise.kind == HEARD:
            continue
        bars = book.bars(score.measures[exercise.first].number, score.measures[exercise.last].number)
        question = f"{bars[0].upper()}{bars[1:]}. {exercise.prompt(score, language)}"
        cards.append(
            _card(
                question,
                exercise.answer(score, language),
                pictures.get(exercise.step, ""),
                tags("exercise", exercise.kind, exercise.level),
            )
        )
    for stop in stops:
        if stop.question and stop.answer:
            bars = book.bars(score.measures[stop.first].number, score.measures[stop.last].number)
            question = f"{bars[0].upper()}{bars[1:]}. {stop.question}"
            cards.append(_card(question, stop.answer, pictures.get(stop.id, ""), tags("stop", stop.why)))
    for gloss in terms:
        question = book.phrases["card_term"].format(term=gloss.term)
        cards.append(_card(question, gloss.meaning, "", tags("term")))
    return tuple(cards)


def card_pictures(
    score: Score,
    exercises: Sequence[Exercise],
    stops: Sequence[Stop] = (),
    language: Language = "en",
) -> tuple[dict[int | str, str], dict[str, str]]:
    """Return the paths of the cards' excerpts, by step or id, and the SVG documents by path.

    No numerals stand under them: a card asks for what they would tell.
    """
    bare = Options(language=language, legend=False, numerals=False, keys=False)
    paths: dict[int | str, str] = {}
    drawn: dict[str, str] = {}

    def draw(key: int | str, bars: Score, first: int, last: int, marked: tuple[str, ...]) -> None:
        paths[key] = f"cards/{f'exercise-{key}' if isinstance(key, int) else key}.svg"
        drawn[paths[key]] = excerpt(
            bars, Reading(()), first, last, highlight=marked, options=bare, width_mm=_WIDTH
        )

    for exercise in exercises:
        if exercise.kind != HEARD:
            if exercise.material is None:
                draw(exercise.step, score, exercise.first, exercise.last, exercise.marked)
            else:
                draw(
                    exercise.step, exercise.material, 0, len(exercise.material.measures) - 1, exercise.marked
                )
    for stop in stops:
        if stop.question and stop.answer:
            draw(stop.id, score, stop.first, stop.last, stop.notes)
    return paths, drawn


def _card(question: str, answer: str, picture: str, tags: Iterable[str]) -> Card:
    return Card(
        in_a_line(question), in_a_line(answer), picture, tuple(re.sub(r"\W+", "-", tag) for tag in tags)
    )
