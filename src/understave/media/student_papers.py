"""The papers of a student: what is asked, with room to write, and on another paper the answers.

In: a Score, its Reading, stops and exercises, what the teacher chose (`Look`). Out: PDF bytes of
``student.pdf`` and ``answers.pdf``.
The student's paper shows the music as printed, without any label of ours, and no text that tells what is
asked (`teaching.withheld`). The layout stands in ``student.typ`` and ``answers.typ``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from typing import Any, Literal, TypeAlias, get_args

from lxml import etree

from understave.engraving import Options, excerpt
from understave.engraving.standards import date_of
from understave.harmony.reading import Reading
from understave.media.booklet import folded
from understave.media.setting import set_pages
from understave.media.worksheet import exercise_entries
from understave.score.model import Measure, Part, Score
from understave.score.write import with_source
from understave.teaching.exercises import HEARD, Exercise
from understave.teaching.narrative import Chapter, narrate
from understave.teaching.stops import Stop
from understave.teaching.withheld import asked_at, asked_by, open_story, shown_bars, tells, untold
from understave.theory.vocabulary import Language
from understave.wording import Level, phrasebook
from understave.wording.phrasebook import raised

Paper: TypeAlias = Literal["a4", "us-letter", "booklet"]
PAPERS: tuple[Paper, ...] = get_args(Paper)
Sheet: TypeAlias = Literal["a4", "us-letter", "a5"]

STUDENT_STAFF_MM = 7.0
"""Height of a staff that a hand writes on, as on manuscript paper for pupils (common practice, no source)."""
_READ_STAFF_MM: Mapping[str, float] = {"a4": 6.0, "us-letter": 6.0, "a5": 5.4}
"""Height of a staff that is only read."""
MARGIN_MM: Mapping[str, float] = {"a4": 19.0, "us-letter": 19.0, "a5": 12.0}
_WIDE_MM: Mapping[str, float] = {"a4": 210.0, "us-letter": 215.9, "a5": 148.0}
_NUMBER_MM = 9.0
"""What the number of an exercise takes beside it."""
_MOST_STOPS = 8
"""Stops asked about at most, those of most interest: a student takes home few things, the right ones."""
STORY_WORDS = 650
"""Words of the student's story at most: about a page and a half."""


@dataclass(frozen=True, slots=True)
class Look:
    """What the teacher chose: the paper, and the level and language of the words."""

    paper: Paper = "a4"
    level: Level = "intermediate"
    language: Language = "en"

    @property
    def sheet(self) -> Sheet:
        """The size of one page."""
        return "a5" if self.paper == "booklet" else self.paper

    @property
    def width_mm(self) -> float:
        """The width between the margins."""
        return _WIDE_MM[self.sheet] - 2 * MARGIN_MM[self.sheet]


def engraved_on(paper: Paper) -> Literal["a4", "us-letter"]:
    """Return the paper of engraved pages: those of a score stay whole where the papers are folded."""
    return "a4" if paper == "booklet" else paper


@dataclass(frozen=True)
class Questions:
    """What the papers of one student ask, in order, numbered alike on all of them; `story` tells none of it.

    `exercises` are counted by their `step`. `plays` says how to play at a stop, by its id, where that tells
    nothing.
    """

    stops: tuple[Stop, ...]
    exercises: tuple[Exercise, ...]
    story: tuple[Chapter, ...]
    plays: Mapping[str, str]


def asked_stops(stops: Sequence[Stop]) -> tuple[Stop, ...]:
    """Choose of the stops of a lesson those that papers ask about; their order stays."""
    best = sorted(stops, key=lambda stop: (stop.why != "own", -stop.interest))[:_MOST_STOPS]
    return tuple(stop for stop in stops if stop in best)


def asked_exercises(
    score: Score, stops: Sequence[Stop], found: Sequence[Exercise], language: Language
) -> tuple[Exercise, ...]:
    """Return the exercises that stand on one paper with the stops of a lesson, counted anew."""
    return untold(score, found, asked_stops(stops), language)


def questions(
    score: Score, reading: Reading, stops: Sequence[Stop], kept: tuple[Exercise, ...], look: Look
) -> Questions:
    """Return what papers ask, of the best stops of a lesson and in `asked_exercises`, and what they tell."""
    language = look.language
    own = asked_stops(stops)
    asked = [asked_at(score, stop, language) for stop in own] + [
        asked_by(score, exercise, language) for exercise in kept
    ]
    told = narrate(score, reading, "whole", look.level, language)
    plays = {
        stop.id: stop.play
        for stop in own
        if stop.play
        and not any(tells(score, stop.play, *shown_bars(score, stop), a, language) for a in asked)
    }
    return Questions(own, kept, open_story(score, told, asked, language, STORY_WORDS), plays)


Pictures: TypeAlias = Mapping[str, str]


@dataclass(frozen=True)
class Drawn:
    """The exercises as values for templates and all pictures that papers share, by file name."""

    entries: tuple[dict[str, Any], ...]
    pictures: Pictures


def drawn(score: Score, reading: Reading, asked: Questions, look: Look) -> Drawn:
    """Engrave what the papers show: once for all of them."""
    clean = without_labels(score)
    width = look.width_mm
    options = Options(
        language=look.language,
        legend=False,
        staff_mm=_READ_STAFF_MM[look.sheet],
        numerals=False,
        keys=False,
    )
    pictures = {}
    for stop in asked.stops:
        first, last = (measure.index for measure in score.measures_over(*shown_bars(score, stop)))
        # What sounds at the moment marks the place; the notes that a stop is about would be the answer.
        marked = _sounding(score, stop.moment) if stop.question and stop.notes else ()
        pictures[f"stop-{stop.id}.svg"] = excerpt(
            clean, Reading(()), first, last, highlight=marked, options=options, width_mm=width
        )
    entries, more = exercise_entries(
        asked.exercises,
        clean,
        reading,
        look.language,
        _READ_STAFF_MM[look.sheet],
        width - _NUMBER_MM,
    )
    for exercise, entry in zip(asked.exercises, entries, strict=True):
        entry["room"] = _room(exercise)
        if entry["room"]["staves"]:
            key = exercise.details.key
            name = f"staves-{key.simplest.signature}-{entry['room']['staves']}.svg"
            more.setdefault(
                name, empty_staves(key.simplest.signature, entry["room"]["staves"], width - _NUMBER_MM)
            )
            entry["room"]["picture"] = name
            entry["room"]["narrow"] = entry["room"]["staves"] == 1 and look.sheet != "a5"
    return Drawn(tuple(entries), pictures | more)


def _sounding(score: Score, moment: Fraction) -> tuple[str, ...]:
    found = tuple(note.id for note in score.notes if not note.grace and note.onset <= moment < note.end)
    return found if len(found) > 1 else ()


_ROOM: Mapping[str, tuple[int, int]] = {
    HEARD: (0, 0),
    "name the chord": (2, 0),
    "spell the chord": (0, 1),
    "find the foreign note": (1, 0),
    "resolve the dissonance": (0, 2),
    "continue the sequence": (1, 2),
    "resolve the chord": (0, 2),
    "play in other keys": (0, 2),
}
"""Lines for words and staves of a system to write on, by the kind of an exercise."""


def _room(exercise: Exercise) -> dict[str, Any]:
    lines, staves = _ROOM.get(exercise.kind, (2, 0))
    return {"lines": lines, "staves": staves, "picture": "", "narrow": False}


def student_pdf(
    score: Score, asked: Questions, pictures: Drawn, look: Look, who: str = "", note: str = ""
) -> bytes:
    """Return the student's paper: the story, the stops with their questions, the exercises, room to write.

    `who` is the name of the student; without one there is a line for it. `note` stands below.
    """
    book = phrasebook(look.language)
    words = book.phrases
    data = _head(score, look) | {
        "for_whom": words["paper_student"],
        "name": words["paper_name"],
        "who": who,
        "note": note,
        "staves": words["paper_staves"],
        "headings": book.headings,
        "story": [{"bars": chapter.bars, "text": chapter.text} for chapter in asked.story],
        "to_play": words["handout_to_play"],
        "stops": [
            {
                "bars": raised(
                    book.bars(score.measures[stop.first].number, score.measures[stop.last].number)
                ),
                "question": stop.question,
                "play": asked.plays.get(stop.id, ""),
                "lines": min(4, 2 + len(stop.answer) // 90) if stop.question else 0,
                "picture": f"stop-{stop.id}.svg",
            }
            for stop in asked.stops
        ],
        "exercises": [
            {name: e[name] for name in ("prompt", "sound", "choices", "pictures", "room", "narrow")}
            for e in pictures.entries
        ],
        "caution": words["caution_practice"],
        "copyright": words["copyright"],
    }
    shown = _used(data, pictures.pictures)
    return _on_paper(set_pages("student", data, shown, date_of(score)), look)


def answers_pdf(score: Score, asked: Questions, pictures: Drawn, look: Look, who: str = "") -> bytes:
    """Return the answers, numbered as the questions of the student's paper; `who` is the student's name."""
    book = phrasebook(look.language)
    data = _head(score, look) | {
        "heading": book.phrases["exercises_answers"],
        "who": who,
        "headings": book.headings,
        "stops": [
            {
                "number": k,
                "bars": raised(
                    book.bars(score.measures[stop.first].number, score.measures[stop.last].number)
                ),
                "answer": stop.answer,
            }
            for k, stop in enumerate(asked.stops, start=1)
            if stop.question and stop.answer
        ],
        "exercises": [
            {name: e[name] for name in ("answer", "correct", "solutions", "narrow_answer")}
            for e in pictures.entries
        ],
        "copyright": book.phrases["copyright"],
    }
    return _on_paper(set_pages("answers", data, _used(data, pictures.pictures), date_of(score)), look)


def _head(score: Score, look: Look) -> dict[str, Any]:
    book = phrasebook(look.language)
    level = book.phrases[f"level_{look.level}"]
    return {
        "title": score.title,
        "composer": score.composer or book.phrases["unknown_composer"],
        "paper": look.sheet,
        "margin": MARGIN_MM[look.sheet],
        "language": look.language,
        "level": book.phrases["exercises_level"].format(level=level),
    }


def _used(data: Mapping[str, Any], pictures: Pictures) -> dict[str, str]:
    """Of the pictures, those that a paper shows: nothing else is handed to it."""
    text = repr(data)
    return {name: svg for name, svg in pictures.items() if repr(name) in text}


def _on_paper(pdf: bytes, look: Look) -> bytes:
    return folded(pdf, look.language) if look.paper == "booklet" else pdf


# --- what is printed on the score ------------------------------------------------------------------------


def without_labels(score: Score) -> Score:
    """Return a score without chord symbols and figured bass, which would answer what is asked."""
    if not any(name in score.source for name in (b"<harmony", b"<figured-bass")):
        return score
    root = etree.fromstring(score.source)
    for element in [*root.iter("harmony"), *root.iter("figured-bass")]:
        parent = element.getparent()
        if parent is not None:
            parent.remove(element)
    directions = tuple(direction for direction in score.directions if direction.kind != "chord-symbol")
    return replace(score, source=etree.tostring(root), directions=directions)


_FEW_BARS = 4
_EMPTY_BAR_MM, _CLEF_MM = 15.5, 28.0
"""Widths of an empty bar and of clef and signature at that height of staff (measured)."""


@lru_cache(maxsize=64)
def empty_staves(signature: int, staves: int, width_mm: float) -> str:
    """Return a system of one or two empty staves with clefs and a key signature, as an SVG picture."""
    bar = Fraction(4)
    count = _FEW_BARS if staves == 1 else max(_FEW_BARS, int((width_mm - _CLEF_MM) / _EMPTY_BAR_MM))
    measures = tuple(
        Measure(f"m{k}", k, str(k + 1), k * bar, bar, 4, 4, max(-7, min(7, signature))) for k in range(count)
    )
    made = with_source(Score("", "", (Part("P1", "Piano", 1, staves),), measures, ()))
    root = etree.fromstring(made.source)
    for rest in root.iter("rest"):
        note = rest.getparent()
        if note is not None:
            note.set("print-object", "no")
    for time in root.iter("time"):
        time.set("print-object", "no")
    # No barlines and no numbers: the hand sets what it needs.
    for measure in root.iter("measure"):
        if measure.get("number") != str(count):
            line = etree.SubElement(measure, "barline", location="right")
            etree.SubElement(line, "bar-style").text = "none"
    blank = replace(made, source=etree.tostring(root))
    options = Options(legend=False, staff_mm=STUDENT_STAFF_MM, numerals=False, keys=False)
    return excerpt(blank, Reading(()), 0, count - 1, options=options, width_mm=width_mm)
