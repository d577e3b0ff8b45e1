"""Exercises as a PDF for students, the answers on pages of their own, and the sounds that they ask for.

In: the exercises, a Score, its Reading. Out: ``exercises.pdf``, and ``sounds/exercise-3.mp3`` for exercise 3
it is to be heard. The texts are the exercises' own, the layout stands in ``exercises.typ``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from understave.acoustics.files import RATE, audio_bytes
from understave.acoustics.piano import GRAND, Instrument
from understave.acoustics.sound import render
from understave.acoustics.tags import tags_of
from understave.engraving import Options, excerpt
from understave.engraving.options import Paper
from understave.harmony.reading import Reading
from understave.interpretation.perform import perform
from understave.interpretation.plan import Plan
from understave.media.setting import set_pages
from understave.score.model import Score
from understave.teaching.exercises import Exercise
from understave.theory.vocabulary import Language
from understave.wording import Level, phrasebook

_WIDTH = 150.0
_STAFF_MM = 5.4
_HALF_MM = 78.0
"""Pictures up to this width stand two in a row."""
HEARD = "hear and choose"


def exercise_sounds(
    found: Sequence[Exercise], score: Score, plan: Plan, language: Language, instrument: Instrument = GRAND
) -> dict[str, bytes]:
    """Return the sounds of the exercises that are to be heard, by path."""
    word = phrasebook(language).cells["exercise"]
    sounds = {}
    for e in found:
        if e.kind == HEARD:
            if e.material is None:
                played = perform(score, plan, first=e.first, last=e.last)
            else:
                played = perform(e.material, Plan(tempo=plan.tempo))
            # No more than its number: a title must not give the answer away.
            tags = tags_of(score, f"{word} {e.step}")
            sounds[sound_name(e)] = audio_bytes(".mp3", render(played, instrument, RATE), RATE, tags=tags)
    return sounds


def sound_name(exercise: Exercise) -> str:
    """Return the path of an exercise's sound below the exports."""
    return f"sounds/exercise-{exercise.step}.mp3"


def worksheet_pdf(
    found: Sequence[Exercise],
    score: Score,
    reading: Reading,
    paper: Paper = "a4",
    level: Level = "intermediate",
    language: Language = "en",
) -> bytes:
    """Return the exercises and their answers as PDF bytes."""
    book = phrasebook(language)
    entries, pictures = exercise_entries(found, score, reading, language, _STAFF_MM)
    data: dict[str, Any] = {
        "title": score.title,
        "heading": book.phrases["exercises_title"],
        "answers": book.phrases["exercises_answers"],
        "level": book.phrases["exercises_level"].format(level=book.phrases[f"level_{level}"]),
        "paper": paper,
        "language": language,
        "entries": entries,
    }
    return set_pages("exercises", data, pictures)


def exercise_entries(
    found: Sequence[Exercise],
    score: Score,
    reading: Reading,
    language: Language = "en",
    staff_mm: float | None = None,
) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """Return the exercises as values for a template, and the SVG pictures that they name."""
    full = Options(language=language, legend=False, staff_mm=staff_mm)
    bare = replace(full, numerals=False, keys=False)
    pictures: dict[str, str] = {}
    entries = []
    for e in found:
        shown = []
        if e.kind != HEARD:  # Seeing what is to be heard would give the answer away.
            shown.append(f"exercise-{e.step}.svg")
            bars = (e.material, Reading(()), 0, len(e.material.measures) - 1) if e.material else None
            pictures[shown[0]] = excerpt(
                *(bars or (score, reading, e.first, e.last)),
                highlight=e.marked,
                options=bare,
                width_mm=_WIDTH,
            )
        solutions = []
        for k, (s, r) in enumerate(e.solutions, start=1):
            solutions.append(f"answer-{e.step}-{k}.svg")
            pictures[solutions[-1]] = excerpt(s, r, 0, len(s.measures) - 1, options=full, width_mm=_WIDTH)
        entries.append(
            {
                "prompt": e.prompt(score, language),
                "answer": e.answer(score, language),
                "sound": sound_name(e) if e.kind == HEARD else "",
                "choices": list(e.choice_words(score, language)),
                "correct": e.correct,
                "pictures": shown,
                "solutions": solutions,
                "narrow": all(_width(pictures[name]) <= _HALF_MM for name in shown),
                "narrow_answer": len(solutions) < 2
                and all(_width(pictures[name]) <= _HALF_MM for name in solutions),
            }
        )
    return entries, pictures


def _width(svg: str) -> float:
    """The width of a picture of ours in millimetres."""
    found = re.search(r'width="([\d.]+)mm"', svg)
    return float(found[1]) if found else 0.0
