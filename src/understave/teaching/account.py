"""Score, Reading and Plan -> every statement that could be made, with its claims and which of them fail.

In: the values of a lesson. Out: one `Statement` for each thing that story, plan or a stop could say, told or
not; the exercises', told only after `verification`. What fails is left out of the lesson by those who word
it, and counted here, so that nothing is dropped in silence.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from understave.claims import Claim, Disagreement, disagreements, facts, failing
from understave.claims.chords_and_keys import KeyIs, Labelled
from understave.findings.catalogue import is_sure, weight
from understave.harmony.reading import Event, Reading
from understave.interpretation.plan import Plan
from understave.score.model import Score
from understave.teaching.contrasts import possible_contrasts
from understave.teaching.exercises import Exercise
from understave.teaching.narrative import LENGTHS, narrate
from understave.teaching.spoken import outer_claim, outer_voices
from understave.teaching.stops import Stop, asked_claims, moment_of, possible_stops
from understave.theory.names import key_name
from understave.theory.vocabulary import Language
from understave.wording import Level, can_say, plain, say, tell
from understave.wording.claiming import claims_of
from understave.wording.gaps import place
from understave.wording.phrasebook import phrasebook

PLACES = ("story", "plan", "stop", "exercise", "contrast", "card", "page")
"""The texts of a lesson that may contradict one another."""


@dataclass(frozen=True, slots=True)
class Statement:
    """Something that could be said: where (one of `PLACES`), at which moment, in which words, what it
    claims, what of that fails, and whether it is told.
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
    exercises = tuple(exercises)
    told = {
        event
        for paragraph in tell(score, reading, level, language)
        for sentence in paragraph.sentences
        for event in sentence.events
    }
    found = [
        *_worded(
            "story",
            score,
            reading,
            [event for event in reading.events if event in told or _could(event)],
            level,
            language,
            told,
        ),
        *_worded(
            "plan",
            score,
            reading,
            sorted(dict.fromkeys(plan.reasons), key=lambda event: event.start),
            level,
            language,
            None,
        ),
        *_narrated(score, reading, level, language),
        *_asked(score, reading, stops, language),
        *_said_at_stops(score, reading, stops, level, language),
        *_exercised(score, reading, exercises, language),
        *_contrasted(score, reading, level, language),
        *_printed(reading, language),
    ]
    # Cards ask what exercises and stops ask; those for the ear are none.
    cards = [
        statement
        for statement in found
        if statement.where in ("exercise", "stop question") and statement.kind != _FOR_THE_EAR
    ]
    found = [
        replace(statement, where="stop") if statement.where == "stop question" else statement
        for statement in found
    ]
    return (*found, *(replace(statement, where="card") for statement in cards))


_FOR_THE_EAR = "hear and choose"


def _narrated(score: Score, reading: Reading, level: Level, language: Language) -> Iterator[Statement]:
    """What the story tells as it flows, in all its lengths; every sentence once."""
    known = facts(score, reading.spans)
    told: set[str] = set()
    for length in LENGTHS:
        for line in (
            x for chapter in narrate(score, reading, length, level, language) for x in chapter.lines
        ):
            if line.text in told or not line.claims:
                continue
            told.add(line.text)
            failed = failing(line.claims, known)
            kind = line.events[0].kind if line.events else line.role
            yield Statement("story", line.start, kind, plain(line.text), line.claims, failed, not failed)


def _said_at_stops(
    score: Score, reading: Reading, stops: Iterable[Stop], level: Level, language: Language
) -> Iterator[Statement]:
    """What is said at the stops, of each event and of the outer voices, before anything is asked."""
    known = facts(score, reading.spans)
    book = phrasebook(language)
    for stop in stops:
        for event in stop.events:
            claims = claims_of(event, score, level, language)
            failed = failing(claims, known)
            text = plain(say(event, score, level, language))
            yield Statement("stop", moment_of(event), event.kind, text, claims, failed, not failed)
        outer = outer_claim(score, reading, stop.moment)
        if outer is not None:
            failed = failing((outer,), known)
            text = " ".join(outer_voices(score, reading, stop.moment, book))
            yield Statement("stop", stop.moment, outer.kind, text, (outer,), failed, not failed)


def _contrasted(score: Score, reading: Reading, level: Level, language: Language) -> Iterator[Statement]:
    known = facts(score, reading.spans)
    for contrast in possible_contrasts(score, reading):
        claims = contrast.claims(score)
        failed = failing(claims, known)
        at = score.measures[contrast.first].start
        yield Statement(
            "contrast",
            at,
            contrast.label,
            plain(contrast.words(score, level, language)),
            claims,
            failed,
            not failed,
        )


def _printed(reading: Reading, language: Language) -> Iterator[Statement]:
    """What stands under the staves: every chord with its key."""
    for span in reading.spans:
        claims = (
            Labelled(span.start, span.start, span.key, span.numeral),
            KeyIs(span.start, span.start, span.key),
        )
        text = f"{span.numeral} ({key_name(span.key, language)})"
        yield Statement("page", span.start, "label", text, claims, (), True)


def _could(event: Event) -> bool:
    """Whether an event is sure and weighty enough to be told, were it so."""
    return is_sure(event) and weight(event) > 0


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
        yield Statement("stop question", stop.moment, stop.events[0].kind, text, claims, failed, not failed)


def _exercised(
    score: Score, reading: Reading, exercises: Iterable[Exercise], language: Language
) -> Iterator[Statement]:
    known = facts(score, reading.spans)
    for exercise in exercises:
        claims = exercise.claims(score)
        failed = failing(claims, known)
        text = plain(f"{exercise.prompt(score, language)} {exercise.answer(score, language)}")
        yield Statement("exercise", exercise.start, exercise.kind, text, claims, failed, not failed)


def contradictions(found: Iterable[Statement], reading: Reading) -> tuple[Disagreement, ...]:
    """Return where two things that are told, in whichever texts, answer one question in two ways.

    What is said of a chord or a key is compared with all that is said of that chord, from whichever of its
    moments.
    """

    def placed(claim: Claim) -> Claim:
        span = reading.span_at(claim.start) if claim.of_chord else None
        return claim if span is None else replace(claim, start=span.start, end=span.start)

    return disagreements(
        (statement.where, placed(claim))
        for statement in found
        if statement.told
        for claim in statement.claims
    )


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
    for statement in found:
        all_of.update(claim.kind for claim in statement.claims)
        failed.update(claim.kind for claim in statement.failed)
        told.update(claim.kind for claim in statement.claims if statement.told)
    order = sorted(all_of, key=lambda k: (-failed[k], k))
    return {k: Count(all_of[k], failed[k], told[k]) for k in order}


def failures(score: Score, found: Iterable[Statement]) -> Iterator[str]:
    """Yield a line for each statement that is not told because something it claims is not so."""
    book = phrasebook("en")
    for statement in found:
        if statement.failed:
            what = ", ".join(dict.fromkeys(claim.kind for claim in statement.failed))
            yield f"{place(score, statement.moment, book)}, {statement.where} ({what}): {statement.text}"
