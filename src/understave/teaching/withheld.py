"""What a student's paper asks, and so must not tell: the things an answer says and its question does not.

In: the stops and exercises of a lesson. Out: `Withheld` values; `tells` says whether a text gives one of them
away, `untold` keeps of exercises those whose questions leave each other's answers open, and `open_story`
keeps of a story what no question asks.

A text tells an answer when it speaks of the bars that the question is about and says one thing that the
answer says and the question does not: a numeral, a key, a note, or a term of the glossary. A line of the
story tells it also by resting on the very event that is asked about. The rule is ours.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from understave.harmony.reading import Event
from understave.score.model import Score
from understave.teaching.details import NoteToResolve, SequenceToContinue
from understave.teaching.exercises import Exercise
from understave.teaching.narrative import Chapter, Line
from understave.teaching.stops import Stop
from understave.theory.key import Key
from understave.theory.names import key_name, pitch_class_name
from understave.theory.pitch import PitchClass
from understave.theory.vocabulary import Language
from understave.wording import phrasebook


@dataclass(frozen=True, slots=True)
class Withheld:
    """A question of a paper: the stretch of music that it is about, and what it keeps `back`.

    `start` to `end` are quarter notes from the beginning of the piece: whole bars; `moment` is the exact
    place and `events` are what a stop rests on. `answer` is the whole answer.
    """

    start: Fraction
    end: Fraction
    moment: tuple[Fraction, Fraction]
    back: frozenset[str]
    answer: str
    events: tuple[Event, ...] = ()


def asked_at(score: Score, stop: Stop, language: Language) -> Withheld:
    """Return what a stop asks; nothing is kept back where it has no question or no answer."""
    answer = stop.answer if stop.question else ""
    start, end = score.measures[stop.first].start, score.measures[stop.last].end
    exact = (
        min((stop.moment, *(event.start for event in stop.events))),
        max((stop.moment, *(event.end for event in stop.events))),
    )
    back = said(answer, language) - said(stop.question, language)
    return Withheld(start, end, exact, back, answer, stop.events if answer else ())


def asked_by(score: Score, exercise: Exercise, language: Language) -> Withheld:
    """Return what an exercise asks. Of what is to be chosen, the right choice is kept back."""
    answer = exercise.answer(score, language)
    start, end = score.measures[exercise.first].start, score.measures[exercise.last].end
    if exercise.correct is not None:
        back = said(exercise.choice_words(score, language)[exercise.correct], language)
    else:
        back = said(answer, language) - said(exercise.prompt(score, language), language)
    return Withheld(start, end, (exercise.start, exercise.end), back, answer)


def tells(
    score: Score, text: str, start: Fraction, end: Fraction, asked: Withheld, language: Language
) -> bool:
    """Tell whether a text about the music from `start` to `end` gives away what is asked.

    What it says holds also of the bars that it names.
    """
    places = [(start, end), *_named(score, text, language)]
    if not any(_meet(place, (asked.start, asked.end)) for place in places):
        return False
    return (asked.answer != "" and asked.answer in text) or bool(said(text, language) & asked.back)


def _named(score: Score, text: str, language: Language) -> Iterator[tuple[Fraction, Fraction]]:
    """Return the bars that a text names, one by one or as a stretch."""
    word = phrasebook(language).checking["bars"]
    for m in re.finditer(rf"\b(?i:{word}) (\w*\d\w*)(?:[–-](\w*\d\w*))?", text):
        firsts, lasts = score.bars_called(m[1]), score.bars_called(m[2] or m[1])
        if firsts and lasts:
            yield firsts[0].start, lasts[-1].end


_ENOUGH_NOTES = 3
"""Notes of an answer that another question may not name together (set by hand)."""


def _question_tells(question: str, at: Withheld, asked: Withheld, language: Language) -> bool:
    """Tell whether one question gives away the answer to another at the same moment.

    A question may name a note that another answer names; not all of them, and no numeral or key.
    """
    (lo, hi), (start, end) = at.moment, asked.moment
    if not (lo <= start < hi or start <= lo < end or lo == start):
        return False
    both = said(question, language) & asked.back
    notes = {w for w in both if w.startswith(_NOTE)}
    asked_for = {w for w in asked.back if w.startswith(_NOTE)}
    return bool(both - notes) or (bool(notes) and len(notes) >= min(len(asked_for), _ENOUGH_NOTES))


def untold(
    score: Score, exercises: Sequence[Exercise], stops: Sequence[Stop], language: Language
) -> tuple[Exercise, ...]:
    """Return the exercises that may stand on one paper with the stops and each other, steps counted anew.

    Of two of which one tells or shows what the other asks, the first stays: they go from easy to hard.
    Where it is in the piece that one hears is never said, so that what is to be heard tells nothing.
    """
    kept: list[Exercise] = []
    questions = [(stop.question, asked_at(score, stop, language)) for stop in stops if stop.question]
    shown = [shown_bars(score, stop) for stop in stops]
    hidden: list[tuple[Fraction, Fraction]] = []
    for exercise in exercises:
        if exercise.correct is not None:
            kept.append(exercise)
            continue
        own, prompt = asked_by(score, exercise, language), exercise.prompt(score, language)
        gap, bars = _broken_off(exercise), () if exercise.material is not None else ((own.start, own.end),)
        if (
            any(_question_tells(prompt, own, other, language) for _, other in questions)
            or any(_question_tells(question, other, own, language) for question, other in questions)
            or any(_meet(gap, b) for b in shown if gap)
            or any(_meet(g, b) for g in hidden for b in bars)
        ):
            continue
        kept.append(exercise)
        questions.append((prompt, own))
        shown += bars
        hidden += [gap] if gap else []
    return tuple(replace(exercise, step=k) for k, exercise in enumerate(kept, start=1))


LONGEST = 5
"""Bars of an excerpt at most: a longer one would be a score again."""


def shown_bars(score: Score, stop: Stop) -> tuple[Fraction, Fraction]:
    """Return the music that a paper shows at a stop."""
    last = min(stop.last, stop.first + LONGEST - 1)
    return score.measures[stop.first].start, score.measures[last].end


def _broken_off(exercise: Exercise) -> tuple[Fraction, Fraction] | None:
    """Where the piece itself has what is asked for: after the bars broke off."""
    details = exercise.details
    if isinstance(details, NoteToResolve):
        return exercise.end, exercise.end + Fraction(1, 64)
    if isinstance(details, SequenceToContinue):
        return details.times[len(details.given)], exercise.end
    return None


def _meet(one: tuple[Fraction, Fraction], other: tuple[Fraction, Fraction]) -> bool:
    return one[0] < other[1] and other[0] < one[1]


def open_story(
    score: Score, chapters: Sequence[Chapter], asked: Sequence[Withheld], language: Language, words: int
) -> tuple[Chapter, ...]:
    """Return of a story what leaves every question open, in at most so many words."""
    found: list[Chapter] = []
    left = words
    for chapter in chapters:
        # Lines of one moment go together: half of them would hang in the air.
        closed = {line.start for line in chapter.lines if _gives_away(score, line, asked, language)}
        lines = tuple(
            line
            for line in chapter.lines
            if line.start not in closed or (not line.place and not _gives_away(score, line, asked, language))
        )
        count = sum(len(line.text.split()) for line in lines)
        if lines and count <= left:
            left -= count
            found.append(replace(chapter, lines=lines))
    return tuple(found)


def _gives_away(score: Score, line: Line, asked: Sequence[Withheld], language: Language) -> bool:
    if line.place:
        start = min((line.start, *(event.start for event in line.events)))
        end = max((score.measure_at(line.start).end, *(event.end for event in line.events)))
    else:
        start, end = Fraction(0), score.end
    return any(
        tells(score, line.text, start, end, a, language) or any(event in a.events for event in line.events)
        for a in asked
    )


# --- what a text says ------------------------------------------------------------------------------------


@lru_cache(maxsize=4096)
def said(text: str, language: Language) -> frozenset[str]:
    """Return the numerals, keys, notes and terms that a text says."""
    found = set(re.findall("⟨[^⟩]*⟩", text))
    plain = re.sub("⟨[^⟩]*⟩", " ", text.replace("\u00a0", " ").replace("\u2011", "-"))
    found |= {gloss.term for gloss in phrasebook(language).glosses_in(plain)}
    keys, notes = _key_pattern(language), _note_pattern(language)
    found |= {m[0].casefold() for m in keys.finditer(plain)}
    # The name of a key says no note.
    found |= {f"{_NOTE}{m[0]}" for m in notes.finditer(keys.sub(" ", plain))}
    return frozenset(found)


@lru_cache
def _key_pattern(language: Language) -> re.Pattern[str]:
    named = set()
    for signature in range(-12, 13):
        major = Key.from_signature(signature)
        named |= {key_name(key, language) for key in (major, major.relative)}
    longest = sorted((re.escape(n) for n in named), key=len, reverse=True)
    return re.compile(rf"(?<![\w-])(?:{'|'.join(longest)})(?!\w)", re.IGNORECASE)


_NOTE = "note "
_ALSO_WORDS = {"A", "la", "si", "La", "Si"}
"""Names of notes that are other words too: articles, "if"."""


@lru_cache
def _note_pattern(language: Language) -> re.Pattern[str]:
    joints = "|".join(
        map(re.escape, (phrasebook(language).phrases["and"], phrasebook(language).phrases["or"]))
    )
    forms = []
    for name in {pitch_class_name(PitchClass.from_fifths(f), language) for f in range(-15, 20)}:
        # Before a plain word these are no notes; before a sign, the end or "and" they are.
        after = rf"(?=\s*(?:[,.;:)?!–]|$)|\s+(?:{joints})\s|\s*\d)" if name in _ALSO_WORDS else ""
        forms.append((name, re.escape(name) + r"(?!\w)" + after))
    longest = [form for name, form in sorted(forms, key=lambda f: -len(f[0]))]
    return re.compile(rf"(?<![\w-])(?:{'|'.join(longest)})")
