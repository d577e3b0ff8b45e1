"""Exercises as the papers show them: texts and pictures, and the sounds that they ask for.

In: the exercises, a Score, its Reading. Out: values for templates, SVG pictures, and
``sounds/exercise-3.mp3`` where exercise 3 is to be heard.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from lxml import etree

from understave.acoustics.piano import GRAND, Instrument
from understave.acoustics.tags import tags_of
from understave.engraving import Options, excerpt
from understave.harmony.reading import Reading
from understave.interpretation.perform import perform
from understave.interpretation.plan import Plan
from understave.media.small_sounds import small_mp3, small_sound
from understave.score.model import Score
from understave.score.passage import passage
from understave.score.write import with_source
from understave.teaching.exercises import HEARD, Exercise
from understave.theory.vocabulary import Language
from understave.wording import phrasebook

_WIDTH = 150.0
_STAFF_MM = 5.4


def exercise_sounds(
    found: Sequence[Exercise], score: Score, plan: Plan, language: Language, instrument: Instrument = GRAND
) -> dict[str, bytes]:
    """Return the sounds of the exercises that are to be heard, by path."""
    word = phrasebook(language).cells["exercise"]
    sounds = {}
    for exercise in found:
        if exercise.kind == HEARD:
            if exercise.material is None:
                played = perform(score, plan, first=exercise.first, last=exercise.last)
            else:
                played = perform(exercise.material, Plan(tempo=plan.tempo))
            # No more than its number: a title must not give the answer away.
            tags = tags_of(score, f"{word} {exercise.step}")
            sounds[sound_name(exercise)] = small_mp3(small_sound(played, instrument), tags)
    return sounds


def sound_name(exercise: Exercise) -> str:
    """Return the path of an exercise's sound below the exports."""
    return f"sounds/exercise-{exercise.step}.mp3"


def exercise_entries(
    found: Sequence[Exercise],
    score: Score,
    reading: Reading,
    language: Language = "en",
    staff_mm: float = _STAFF_MM,
    width_mm: float = _WIDTH,
) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """Return the exercises as values for a template, and the SVG pictures that they name.

    `staff_mm` is the height of a staff in what is asked, `width_mm` that of the widest picture.
    """
    full = Options(language=language, legend=False, staff_mm=_STAFF_MM)
    bare = replace(full, staff_mm=staff_mm, numerals=False, keys=False)
    pictures: dict[str, str] = {}
    entries = []
    for exercise in found:
        shown = []
        if exercise.kind != HEARD:  # Seeing what is to be heard would give the answer away.
            shown.append(f"exercise-{exercise.step}.svg")
            bars = (
                (exercise.material, 0, len(exercise.material.measures) - 1)
                if exercise.material
                else (score, exercise.first, exercise.last)
            )
            asked, first, last = _readable(*bars)
            pictures[shown[0]] = excerpt(
                asked, Reading(()), first, last, highlight=exercise.marked, options=bare, width_mm=width_mm
            )
        solutions = []
        for k, (s, r) in enumerate(exercise.solutions, start=1):
            solutions.append(f"answer-{exercise.step}-{k}.svg")
            pictures[solutions[-1]] = excerpt(s, r, 0, len(s.measures) - 1, options=full, width_mm=width_mm)
        entries.append(
            {
                "prompt": exercise.prompt(score, language),
                "answer": exercise.answer(score, language),
                "sound": sound_name(exercise) if exercise.kind == HEARD else "",
                "choices": list(exercise.choice_words(score, language)),
                "correct": exercise.correct,
                "pictures": shown,
                "solutions": solutions,
                "narrow": all(_width(pictures[name]) <= 0.47 * width_mm for name in shown),
                "narrow_answer": len(solutions) < 2
                and all(_width(pictures[name]) <= 0.47 * width_mm for name in solutions),
            }
        )
    return entries, pictures


def _width(svg: str) -> float:
    """The width of a picture of ours in millimetres."""
    found = re.search(r'width="([\d.]+)mm"', svg)
    return float(found[1]) if found else 0.0


_CLEF_CHANGES = 1
"""Changes of clef at most in what a student is asked to read."""


def _readable(score: Score, first: int, last: int) -> tuple[Score, int, int]:
    """Return bars to print, with clefs of our own where the printed ones change more than once."""
    if clef_changes(score, first, last) <= _CLEF_CHANGES:
        return score, first, last
    bars = with_source(replace(passage(score, first, last), source=b""))
    end = last - first
    fewer = clef_changes(bars, 0, end) < clef_changes(score, first, last)
    return (bars, 0, end) if fewer else (score, first, last)


def clef_changes(score: Score, first: int, last: int) -> int:
    """Count how often a clef changes within some bars of a score, both ends included."""
    count = 0
    for part in etree.fromstring(score.source).iter("part"):
        for k, measure in enumerate(part.iterfind("measure")):
            if not first <= k <= last:
                continue
            begun = k > first
            for element in measure:
                begun = begun or element.tag == "note"
                count += len(element.findall("clef")) if element.tag == "attributes" and begun else 0
    return count
