"""The handout: a PDF to give to a student, set by typst from the reading, the plan and the lesson's stops.

In: a Score, its Reading and Plan, the stops of the lesson, exercises, a level and a language. Out: PDF bytes.
Every text comes from these, from `story` and from `understave.wording`; the layout stands in ``handout.typ``.
What is for the teacher alone, answers and places to check, stands on pages of its own at the end.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal

from understave.engraving import Options, excerpt
from understave.harmony.reading import Reading
from understave.interpretation.plan import Plan
from understave.interpretation.tension import curve, home_of
from understave.media.setting import set_pages
from understave.media.worksheet import exercise_entries
from understave.score.model import Score
from understave.teaching import story
from understave.teaching.exercises import Exercise
from understave.teaching.narrative import after_minute, narrate
from understave.teaching.stops import Stop
from understave.theory.conventions import key_label
from understave.theory.vocabulary import Language
from understave.wording import Level, Phrasebook, phrasebook
from understave.wording.gaps import place
from understave.wording.playing import Advice, tell_plan
from understave.wording.telling import key_sentence

Paper = Literal["a4", "us-letter"]

_ASPECTS = ("dynamics", "voicing", "timing", "pedal")
_EACH = 3
"""Pieces of advice of one kind at most."""
_WIDTH = 165.0
_STAFF_MM = 4.8
"""Height of a staff in excerpts: print small enough for three places on a page."""
_MOST_STOPS = 8
"""Stops shown at most, those of most interest: a student takes home few things, the right ones."""
_LONGEST = 5
"""Bars of an excerpt at most: a longer one would be a score again."""


@dataclass(frozen=True, slots=True)
class HandoutOptions:
    """What the teacher chose: the paper, and the level and language of the words."""

    paper: Paper = "a4"
    level: Level = "intermediate"
    language: Language = "en"


def handout_pdf(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    plan: Plan,
    stops: Sequence[Stop],
    found: Sequence[Exercise],
    source_name: str,
    options: HandoutOptions = HandoutOptions(),
    on_step: Callable[[str], None] = lambda _: None,
) -> bytes:
    """Return the handout as PDF bytes; `found` are its exercises, `on_step` hears what is being done."""
    language, level = options.language, options.level
    best = sorted(stops, key=lambda s: (s.why != "own", -s.interest))[:_MOST_STOPS]
    stops = [s for s in stops if s in best]
    book = phrasebook(language)
    words = book.phrases
    keys = key_sentence(score, reading, book)
    minute, five = (narrate(score, reading, name, level, language) for name in ("minute", "five"))
    known: set[str] = set()
    lead = _marked(" ".join(c.text for c in minute), known, book)
    on_step("handout: excerpts")
    pictures = {f"stop-{s.id}.svg": _excerpt(score, reading, s, language) for s in stops}
    on_step("handout: exercises")
    exercises, drawn = exercise_entries(found, score, reading, language, _STAFF_MM)
    advice = playing_advice(score, plan, level, language)
    data: dict[str, Any] = {
        "title": score.title,
        "subtitle": _subtitle(score),
        "composer": score.composer or words["unknown_composer"],
        "paper": options.paper,
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
        "story": [{"bars": c.bars, "text": _marked(c.text, known, book)} for c in after_minute(minute, five)],
        "stops": [
            {
                "title": s.title,
                "question": s.question,
                "answer": s.answer,
                "play": s.play,
                "picture": f"stop-{s.id}.svg",
            }
            for s in stops
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
        "doubts": [d.text for d in story.doubts(score, reading, language)],
        "caution": words["caution_practice"],
        "credit": words["credit"].format(file=source_name),
        "copyright": words["copyright"],
    }
    said = [c.text for c in (*minute, *five)] + [keys]
    said += [t for s in stops for t in (s.title, s.question, s.answer, s.play)]
    said += [t for e in exercises for t in (e["prompt"], e["answer"], *e["choices"])]
    said += [t for _, items in advice for a in items for t in (a.what, a.why)]
    data["glossary"] = [{"term": g.term, "meaning": g.meaning} for g in story.glossary(said, book)]
    on_step("handout: setting the pages")
    return set_pages("handout", data, pictures | drawn)


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
    for k in story.key_plan(score, reading):
        found.append(
            {
                "name": key_label(k.key, language),
                "short": story.short_key(k.key, language),
                "minor": k.key.mode == "minor",
                "home": k.key == home,
                "start": _share(score, k.start),
                "end": _share(score, k.end),
                "height": k.key.simplest.signature - home.simplest.signature,
            }
        )
    return found


def _bar_ticks(score: Score) -> list[dict[str, Any]]:
    """Bars to number below a picture of the whole piece: about ten, at even distances."""
    count = len(score.measures)
    step = next(n for n in (1, 2, 4, 5, 8, 10, 16, 20, 25, 50, 100, count) if count / n <= 12 or n == count)
    numbered = [m for m in score.measures if m.number.isdigit()]
    return [
        {"number": m.number, "at": _share(score, m.start)}
        for m in numbered
        if int(m.number) % step == 0 or m.number == "1"
    ]


def _excerpt(score: Score, reading: Reading, stop: Stop, language: Language) -> str:
    options = Options(language=language, legend=False, staff_mm=_STAFF_MM)
    last = min(stop.last, stop.first + _LONGEST - 1)
    return excerpt(score, reading, stop.first, last, highlight=stop.notes, options=options, width_mm=_WIDTH)


def _marked(text: str, known: set[str], book: Phrasebook) -> str:
    """Return a text in which a term not `known` yet stands between ‹ and ›; from now on it is known."""
    shift = 0
    for start, end, gloss in book.terms_in(text):
        if gloss.term not in known and text[start + shift] != "⟨":
            known.add(gloss.term)
            text = f"{text[: start + shift]}‹{text[start + shift : end + shift]}›{text[end + shift :]}"
            shift += 2
    return text
