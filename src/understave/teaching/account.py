"""Score, Reading and Plan -> every statement that could be made, with its claims and which of them fail.

In: the values of a lesson. Out: one `Statement` for each thing that story, plan or a stop could say, told or
not; the exercises', told only after `verification`. What fails is left out of the lesson by those who word
it, and counted here, so that nothing is dropped in silence.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from understave.claims import Claim, Disagreement, disagreements, facts, failing
from understave.findings.catalogue import weight
from understave.harmony.reading import Event, Reading
from understave.interpretation.plan import Plan
from understave.score.model import Score
from understave.teaching.exercises import Exercise
from understave.teaching.stops import Stop, asked_claims, moment_of, possible_stops
from understave.theory.vocabulary import Language
from understave.wording import Level, can_say, plain, say, tell
from understave.wording.claiming import claims_of, exercise_claims
from understave.wording.gaps import place
from understave.wording.phrasebook import phrasebook
from understave.wording.telling import SURE


@dataclass(frozen=True, slots=True)
class Statement:
    """Something that could be said: where (``"story"``, ``"plan"``, ``"stop"``, ``"exercise"``), at which
    moment, in which words, what it claims, what of that fails, and whether it is told.
    """

    where: str
    moment: Fraction
    kind: str
    text: str
    claims: tuple[Claim, ...]
    failed: tuple[Claim, ...]
    told: bool


def statements(
    score: Score,
    reading: Reading,
    plan: Plan,
    level: Level = "intermediate",
    language: Language = "en",
    exercises: Iterable[Exercise] = (),
) -> tuple[Statement, ...]:
    """Return all that could be said of a piece at a level, in the order of rooms and then of time."""
    stops = possible_stops(score, reading, plan, level=level, language=language)
    told = {e for p in tell(score, reading, level, language) for s in p.sentences for e in s.events}
    found = [
        *_worded(
            "story",
            score,
            reading,
            [e for e in reading.events if e in told or _could(e)],
            level,
            language,
            told,
        ),
        *_worded("plan", score, reading, _reasons(plan), level, language, None),
        *_asked(score, reading, stops, language),
        *_exercised(score, reading, exercises, language),
    ]
    return tuple(found)


def _could(event: Event) -> bool:
    """Whether an event is sure and weighty enough to be told, were it so."""
    return event.confidence >= SURE and weight(event) > 0


def _reasons(plan: Plan) -> list[Event]:
    groups = (plan.tension, plan.hairpins, plan.marks, plan.voices, plan.timing, plan.pedal)
    whys = [item.why for group in groups for item in group if item.why is not None]
    return sorted(dict.fromkeys(whys), key=lambda e: e.start)


def _worded(  # noqa: PLR0913
    where: str,
    score: Score,
    reading: Reading,
    events: Iterable[Event],
    level: Level,
    language: Language,
    told: set[Event] | None,
) -> Iterator[Statement]:
    known = facts(score, reading.spans)
    for event in events:
        if not can_say(event, language):
            continue
        claims = claims_of(event, score, level, language)
        failed = failing(claims, known)
        text = plain(say(event, score, level, language))
        is_told = not failed and (told is None or event in told)
        kind = f"{event.kind}: {event.label}"
        yield Statement(where, moment_of(event), kind, text, claims, failed, is_told)


def _asked(score: Score, reading: Reading, stops: Iterable[Stop], language: Language) -> Iterator[Statement]:
    known = facts(score, reading.spans)
    for stop in stops:
        if not stop.events or not stop.question:
            continue
        claims = asked_claims(score, reading, stop.events[0], language)
        failed = failing(claims, known)
        text = plain(f"{stop.question} {stop.answer}")
        yield Statement("stop", stop.moment, stop.events[0].kind, text, claims, failed, not failed)


def _exercised(
    score: Score, reading: Reading, exercises: Iterable[Exercise], language: Language
) -> Iterator[Statement]:
    known = facts(score, reading.spans)
    for e in exercises:
        claims = exercise_claims(score, e.kind, e.values, (e.start, e.end))
        failed = failing(claims, known)
        text = plain(f"{e.prompt(score, language)} {e.answer(score, language)}")
        yield Statement("exercise", e.start, e.kind, text, claims, failed, not failed)


def contradictions(found: Iterable[Statement]) -> tuple[Disagreement, ...]:
    """Return where two things that are told answer one question in two ways."""
    return disagreements((s.where, c) for s in found if s.told for c in s.claims)


@dataclass(frozen=True, slots=True)
class Count:
    """How many claims of a kind could be made, how many of them fail, how many are told."""

    claims: int
    failed: int
    told: int


def counted_claims(found: Iterable[Statement]) -> dict[str, Count]:
    """Count claims by their kind, those that fail most often first."""
    all_of: Counter[str] = Counter()
    failed: Counter[str] = Counter()
    told: Counter[str] = Counter()
    for s in found:
        all_of.update(c.kind for c in s.claims)
        failed.update(c.kind for c in s.failed)
        told.update(c.kind for c in s.claims if s.told)
    order = sorted(all_of, key=lambda k: (-failed[k], k))
    return {k: Count(all_of[k], failed[k], told[k]) for k in order}


def failures(score: Score, found: Iterable[Statement]) -> Iterator[str]:
    """Yield a line for each statement that is not told because something it claims is not so."""
    book = phrasebook("en")
    for s in found:
        if s.failed:
            what = ", ".join(dict.fromkeys(c.kind for c in s.failed))
            yield f"{place(score, s.moment, book)}, {s.where} ({what}): {s.text}"
