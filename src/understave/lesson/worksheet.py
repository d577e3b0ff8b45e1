"""Exercises as a PDF for students, the answers on pages of their own, and the sounds that they ask for.

In: the exercises, a Score, its Reading. Out: ``exercises.pdf``, and ``sounds/exercise-3.mp3`` for exercise 3
it is to be heard. The texts are the exercises' own, the layout stands in ``exercises.typ``.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import typst

from understave.acoustics.files import audio_bytes
from understave.acoustics.piano import GRAND, Instrument
from understave.acoustics.sound import render
from understave.engraving import Options, excerpt
from understave.engraving.options import Paper
from understave.harmony.reading import Reading
from understave.interpretation.perform import perform
from understave.interpretation.plan import Plan
from understave.lesson import story
from understave.lesson.exercises import Exercise
from understave.score.model import Score
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording import Level, phrasebook

_RATE = 44_100
_WIDTH = 150.0
HEARD = "hear and choose"


def exercise_sounds(
    found: Sequence[Exercise], score: Score, plan: Plan, instrument: Instrument = GRAND
) -> dict[str, bytes]:
    """Return the sounds of the exercises that are to be heard, by path."""
    sounds = {}
    for e in found:
        if e.kind == HEARD:
            if e.material is None:
                played = perform(score, plan, first=e.first, last=e.last)
            else:
                played = perform(e.material, Plan(tempo=plan.tempo))
            sounds[sound_name(e)] = audio_bytes(".mp3", render(played, instrument, _RATE), _RATE)
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
    bare = Options(language=language, legend=False, numerals=False, keys=False)
    full = Options(language=language, legend=False)
    with tempfile.TemporaryDirectory(prefix="understave-") as folder:
        root = Path(folder)

        def picture(name: str, svg: str) -> str:
            (root / name).write_text(svg, encoding="utf-8")
            return name

        entries: list[dict[str, Any]] = []
        for e in found:
            pictures = []
            if e.kind == HEARD:
                pass  # Seeing it would give the answer away.
            elif e.material is not None:
                shown = excerpt(
                    e.material,
                    Reading(()),
                    0,
                    len(e.material.measures) - 1,
                    highlight=e.marked,
                    options=bare,
                    width_mm=_WIDTH,
                )
                pictures.append(picture(f"exercise-{e.step}.svg", shown))
            else:
                shown = excerpt(
                    score, reading, e.first, e.last, highlight=e.marked, options=bare, width_mm=_WIDTH
                )
                pictures.append(picture(f"exercise-{e.step}.svg", shown))
            solutions = [
                picture(
                    f"answer-{e.step}-{k}.svg",
                    excerpt(s, r, 0, len(s.measures) - 1, options=full, width_mm=_WIDTH),
                )
                for k, (s, r) in enumerate(e.solutions, start=1)
            ]
            entries.append(
                {
                    "prompt": e.prompt(score, language),
                    "answer": e.answer(score, language),
                    "sound": sound_name(e) if e.kind == HEARD else "",
                    "choices": list(e.choice_words(score, language)),
                    "correct": e.correct,
                    "pictures": pictures,
                    "solutions": solutions,
                }
            )
        data: dict[str, Any] = {
            "title": score.title,
            "heading": book.phrases["exercises_title"],
            "answers": book.phrases["exercises_answers"],
            "level": book.phrases["exercises_level"].format(level=book.phrases[f"level_{level}"]),
            "paper": paper,
            "language": language,
            "entries": entries,
        }
        data["numerals"] = _numerals(json.dumps(data, ensure_ascii=False))
        (root / "exercises.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
        template = files("understave.lesson").joinpath("exercises.typ").read_bytes()
        (root / "exercises.typ").write_bytes(template)
        pdf = typst.compile(root / "exercises.typ", root=root, ignore_system_fonts=True)
    assert isinstance(pdf, bytes)
    return pdf


def _numerals(text: str) -> dict[str, dict[str, Any]]:
    """How each numeral in the texts is set: head, figures top to bottom, what it applies to."""
    table = {}
    for mark in set(re.findall("⟨[^⟩]*⟩", text)):
        numeral = RomanNumeral.parse(story.plain(mark))
        table[mark] = {"head": numeral.head, "figures": numeral.figures, "target": numeral.target}
    return table
