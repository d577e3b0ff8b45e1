"""The teacher's paper: the student's questions with their answers in place, times, and how sure all is.

In: a Score, its Reading and Plan, the stops of the lesson with their times, the questions of the student's
paper. Out: PDF bytes. Every text comes from these, from `story` and from `understave.wording`; the layout
stands in ``teacher.typ``. Numbers are those of the student's paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from understave.engraving import Options, excerpt
from understave.engraving.standards import date_of
from understave.harmony.reading import Reading
from understave.interpretation.plan import Plan
from understave.interpretation.tension import curve, home_of
from understave.media.booklet import folded
from understave.media.setting import set_pages
from understave.media.student_papers import MARGIN_MM, Drawn, Look, Questions
from understave.score.model import Score
from understave.teaching import story
from understave.teaching.cues import Cue
from understave.teaching.narrative import after_minute, narrate
from understave.teaching.stops import Stop
from understave.teaching.withheld import shown_bars
from understave.theory.conventions import key_label
from understave.theory.vocabulary import Language
from understave.wording import Level, Phrasebook, phrasebook
from understave.wording.gaps import place
from understave.wording.playing import Advice, tell_plan
from understave.wording.telling import key_sentence

_ASPECTS = ("dynamics", "voicing", "timing", "pedal")
_EACH = 3
"""Pieces of advice of one kind at most."""
_STAFF_MM = 4.8
"""Height of a staff in excerpts: print small enough for three places on a page."""


@dataclass(frozen=True)
class TaughtStops:
    """The stops of a lesson, `talk` says when each of them comes."""

    stops: tuple[Stop, ...]
    talk: tuple[Cue, ...]


def teacher_pdf(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    plan: Plan,
    taught: TaughtStops,
    asked: Questions,
    drawn: Drawn,
    source_name: str,
    look: Look,
) -> bytes:
    """Return the teacher's paper as PDF bytes."""
    language, level = look.language, look.level
    book = phrasebook(language)
    words = book.phrases
    keys = key_sentence(score, reading, book)
    minute, five = (narrate(score, reading, name, level, language) for name in ("minute", "five"))
    known: set[str] = set()
    lead = _marked(" ".join(chapter.text for chapter in minute), known, book)
    pictures = {f"told-{stop.id}.svg": _excerpt(score, reading, stop, look) for stop in taught.stops}
    exercises = list(drawn.entries)
    advice = playing_advice(score, plan, level, language)
    numbers = {stop.id: k for k, stop in enumerate(asked.stops, start=1)}
    data: dict[str, Any] = {
        "title": score.title,
        "subtitle": _subtitle(score),
        "composer": score.composer or words["unknown_composer"],
        "for_whom": words["paper_teacher"],
        "paper": look.sheet,
        "margin": MARGIN_MM[look.sheet],
        "language": language,
        "level": words["exercises_level"].format(level=words[f"level_{level}"]),
        "headings": book.headings,
        "key_sentence": keys,
        "key_picture": words["handout_key_picture"],
        "keys": _keys(score, reading, language),
        "bars": _bar_ticks(score),
        "tension": _tension(score, plan),
        "tension_name": words["play_aspect_tension"],
        "minute": lead,
        "story": [
            {"bars": chapter.bars, "text": _marked(chapter.text, known, book)}
            for chapter in after_minute(minute, five)
        ],
        "stops": [
            {
                "number": str(numbers.get(stop.id, "")),
                "title": stop.title,
                "when": _when(stop, taught.talk, book),
                "sure": _sure(stop, reading, book),
                "question": stop.question,
                "answer": stop.answer,
                "play": stop.play,
                "picture": f"told-{stop.id}.svg",
            }
            for stop in taught.stops
        ],
        "to_play": words["handout_to_play"],
        "advice": [
            {
                "aspect": words[f"play_aspect_{aspect}"],
                "items": [
                    {"place": place(score, a.moment, book), "what": a.what, "why": a.why} for a in items
                ],
            }
            for aspect, items in advice
        ],
        "exercises": exercises,
        "check_intro": words["check_intro"],
        "doubts": [doubt.text for doubt in story.doubts(score, reading, language)],
        "caution": words["caution_practice"],
        "credit": words["credit"].format(file=source_name),
        "copyright": words["copyright"],
    }
    said = [chapter.text for chapter in (*minute, *five)] + [keys]
    said += [t for stop in taught.stops for t in (stop.title, stop.question, stop.answer, stop.play)]
    said += [t for e in exercises for t in (e["prompt"], e["answer"], *e["choices"])]
    said += [t for _, items in advice for a in items for t in (a.what, a.why)]
    data["glossary"] = [
        {"term": gloss.term, "meaning": gloss.meaning} for gloss in story.glossary(said, book)
    ]
    shown = {name for e in exercises for name in (*e["pictures"], *e["solutions"])}
    pictures |= {name: svg for name, svg in drawn.pictures.items() if name in shown}
    pdf = set_pages("teacher", data, pictures, date_of(score))
    return folded(pdf, language) if look.paper == "booklet" else pdf


def _when(stop: Stop, talk: Sequence[Cue], book: Phrasebook) -> str:
    """Say from when to when a stop is spoken about, in minutes and seconds of the lesson."""
    own = [cue for cue in talk if cue.stop == stop.id]
    if not own:
        return ""
    return book.phrases["paper_timing"].format(begin=_clock(own[0].start), end=_clock(own[-1].end))


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def _sure(stop: Stop, reading: Reading, book: Phrasebook) -> str:
    """Say how sure the chord of a stop is; what the teacher set needs no word."""
    span = reading.span_at(stop.moment)
    if span is None or span.fixed:
        return ""
    percent = book.phrases["percent"].format(number=round(100 * span.confidence))
    return book.phrases["paper_sure"].format(label=story.label(span, book), percent=percent)


def playing_advice(
    score: Score, plan: Plan, level: Level, language: Language
) -> tuple[tuple[str, tuple[Advice, ...]], ...]:
    """Choose of a plan what a student should know most: by aspect, a few items in order, each with a reason.

    Each reason once, where it is told in full; those that take most words first. What is printed needs
    no advice.
    """
    told = tell_plan(score, plan, level, language, marked=True)
    printed = phrasebook(language).phrases["play_printed"].format(what="")
    result = []
    for aspect in _ASPECTS:
        chosen: dict[str, Advice] = {}
        own = [a for a in told if a.aspect == aspect and a.why and printed.strip() not in a.what]
        for a in sorted(own, key=lambda a: -len(a.why)):
            chosen.setdefault(a.reason, a)
        items = sorted(list(chosen.values())[:_EACH], key=lambda a: a.moment)
        if items:
            result.append((aspect, tuple(items)))
    return tuple(result)


def _subtitle(score: Score) -> str:
    others = (score.metadata.get(name, "") for name in ("subtitle", "movement", "work"))
    return next((words for words in others if words and words not in score.title), "")


def _share(score: Score, moment: Fraction) -> float:
    """Where a moment lies in the piece, 0..1."""
    return round(float(moment / score.end), 5) if score.end else 0.0


def _tension(score: Score, plan: Plan) -> list[list[float]]:
    """The line of tension as shares of the piece and of its highest point."""
    line = curve(plan.tension)
    highest = max((value for _, value in line), default=0.0) or 1.0
    return [[_share(score, moment), round(value / highest, 4)] for moment, value in line]


def _keys(score: Score, reading: Reading, language: Language) -> list[dict[str, Any]]:
    """The stretches of the key plan with their height: steps on the circle of fifths from the home key."""
    home = home_of(reading)
    found = []
    for stretch in story.key_plan(score, reading):
        found.append(
            {
                "name": key_label(stretch.key, language),
                "short": story.short_key(stretch.key, language),
                "minor": stretch.key.mode == "minor",
                "home": stretch.key == home,
                "start": _share(score, stretch.start),
                "end": _share(score, stretch.end),
                "height": stretch.key.simplest.signature - home.simplest.signature,
            }
        )
    return found


def _bar_ticks(score: Score) -> list[dict[str, Any]]:
    """Bars to number below a picture of the whole piece: about ten, at even distances."""
    count = len(score.measures)
    step = next(n for n in (1, 2, 4, 5, 8, 10, 16, 20, 25, 50, 100, count) if count / n <= 12 or n == count)
    numbered = [measure for measure in score.measures if measure.number.isdigit()]
    return [
        {"number": measure.number, "at": _share(score, measure.start)}
        for measure in numbered
        if int(measure.number) % step == 0 or measure.number == "1"
    ]


def _excerpt(score: Score, reading: Reading, stop: Stop, look: Look) -> str:
    options = Options(language=look.language, legend=False, staff_mm=_STAFF_MM)
    first, last = (measure.index for measure in score.measures_over(*shown_bars(score, stop)))
    return excerpt(
        score, reading, first, last, highlight=stop.notes, options=options, width_mm=look.width_mm - 2
    )


def _marked(text: str, known: set[str], book: Phrasebook) -> str:
    """Return a text in which a term not `known` yet stands between ‹ and ›; from now on it is known."""
    shift = 0
    for start, end, gloss in book.terms_in(text):
        if gloss.term not in known and text[start + shift] != "⟨":
            known.add(gloss.term)
            text = f"{text[: start + shift]}‹{text[start + shift : end + shift]}›{text[end + shift :]}"
            shift += 2
    return text
