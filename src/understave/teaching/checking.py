"""Whether a text about a piece says what the reading says: every chord, key and bar that it names.

In: a text, the bars it is about, the events it rests on, a Score and its Reading. Out: `Fault`s, one sentence
each; none for a true text. A text may name

- a numeral (between ⟨ and ⟩) that a span of its bars, the chord after them, or one of its events has; a
  numeral said to be ``in`` a key must be found in that key;
- a chord in words (``Neapolitan``, ``German sixth`` ...), for which a numeral there must do;
- a key that stands in its bars, is tonicised there, or that one of its events names;
- a bar that the score has and that lies in its bars or that one of its events names.

The rules look only at the text and the reading, not at how the text was made, so that the teacher's own texts
are checked like ours.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import chain
from operator import attrgetter

from understave.findings.cadences import CADENCE
from understave.findings.returns import DIFFERENCE, RETURN
from understave.harmony.reading import Detail, Event, Named, Reading
from understave.score.model import Score
from understave.teaching.contrasts import Contrast
from understave.teaching.exercises import Exercise
from understave.teaching.stops import Stop
from understave.theory.key import Key
from understave.theory.names import key_name
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording import LEVELS, Level, phrasebook, tell

_NUMERAL = re.compile("⟨([^⟩]*)⟩")
_IN_WORDS = ("N", "It", "Fr", "Ger", "Cad", "dominant7", "diminished7", "half-diminished7")
"""Chords that a text may name in words: what a numeral is, by its special name or its quality."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What a text gets wrong: which text (``"b12-half, say.beginner"``), and a sentence that says so."""

    where: str
    sentence: str


@dataclass(frozen=True)
class Facts:
    """What a text may name: numerals, numerals with their keys, keys, indexes of measures."""

    numerals: frozenset[str]
    pairs: frozenset[tuple[str, Key]]
    keys: frozenset[Key]
    bars: frozenset[str]


def facts(
    score: Score,
    reading: Reading,
    start: Fraction,
    end: Fraction,
    events: Iterable[Event] = (),
) -> Facts:
    """Return what a text about a stretch of the piece, resting on some events, may name."""
    return _joined(
        _around(score, reading, start, end), *(_resting_on(score, reading, event) for event in events)
    )


def _joined(*parts: Facts) -> Facts:
    return Facts(
        frozenset().union(*(facts.numerals for facts in parts)),
        frozenset().union(*(facts.pairs for facts in parts)),
        frozenset().union(*(facts.keys for facts in parts)),
        frozenset().union(*(facts.bars for facts in parts)),
    )


def _around(score: Score, reading: Reading, start: Fraction, end: Fraction) -> Facts:
    """What any text about a stretch may name: its bars, its chords and the one that follows."""
    spans = [span for span in reading.spans if span.start < end and span.end > start]
    following = [
        span for span in reading.spans if span.start == max((span.end for span in spans), default=end)
    ]
    named = (*spans, *following)
    return Facts(
        frozenset(str(span.numeral) for span in named),
        frozenset((str(span.numeral), span.key) for span in named),
        frozenset(key for span in named for key in (span.key, span.numeral.local_key(span.key))),
        frozenset(_bars_between(score, start, end)),
    )


def _resting_on(score: Score, reading: Reading, event: Event) -> Facts:
    """What a text may name because it rests on an event, wherever the text stands."""
    own = list(_values(event))
    keys = {v for v in own if isinstance(v, Key)}
    chords = [v for v in own if isinstance(v, RomanNumeral)]
    numerals = {str(numeral) for numeral in chords}
    if event in CADENCE:
        # Its approach may lie before the bars: the chords that it is made of count as named by it.
        numerals |= {
            str(span.numeral) for span in reading.spans if span.start < event.end and span.end > event.start
        }
    pairs = {(str(numeral), key) for numeral in chords for key in keys}
    # Where one numeral is named in the key of the sentence, not in its own: the chord is the same.
    for numeral in chords:
        for a in keys:
            for b in keys - {a}:
                renamed = RomanNumeral.of(numeral.chord(a), b)
                numerals |= {str(numeral) for numeral in renamed[:1]}
                pairs |= {(str(numeral), b) for numeral in renamed[:1]}
    return Facts(
        frozenset(numerals), frozenset(pairs), frozenset(keys), frozenset(_bars_of(score, event, own))
    )


def _values(event: Event) -> Iterator[Detail]:
    waiting: list[Detail] = [value for _, value in event.detail]
    while waiting:
        value = waiting.pop()
        if isinstance(value, tuple):
            waiting += value
        else:
            yield value


def _bars_of(score: Score, event: Event, values: Sequence[Detail]) -> set[str]:
    """Bars that an event covers or that one of its moments lies in; a pair of moments gives all between."""
    moments = [v for v in values if isinstance(v, Fraction)]
    found = _bars_between(score, event.start, event.end)
    found |= {score.measure_at(t).number for t in moments}
    # A passage that ends with a bar is named by that bar, not by the next one.
    found |= {score.measures[score.measure_at(t).index - 1].number for t in moments if t > 0}
    again = RETURN.of(event) or DIFFERENCE.of(event)
    if again is not None:
        found |= _bars_between(score, again.from_start, again.from_end)
    return found


def _bars_between(score: Score, start: Fraction, end: Fraction) -> set[str]:
    """Printed numbers of the bars of which some time lies between two moments."""
    # Bars follow one another in time; asked for every event of every text, looking at each takes minutes.
    first = bisect_right(score.measures, start, key=attrgetter("end"))
    return {
        measure.number
        for measure in score.measures[first : bisect_left(score.measures, end, key=attrgetter("start"))]
    }


def faults_in(
    text: str, known: Facts, score: Score, language: Language, where: str = ""
) -> tuple[Fault, ...]:
    """Return what a text names that is not in the facts."""
    found: list[str] = []
    for m in _NUMERAL.finditer(text):
        if m[1] not in known.numerals and _is_numeral(m[1]):
            found.append(f"it names the chord {m[1]}, which the reading has not there")
    kinds = _kinds(known.numerals)
    words = phrasebook(language).checking
    for kind in _IN_WORDS:
        named = re.search(rf"\b{words[kind]}", text)
        if named and kind not in kinds:
            found.append(f"it names a chord, {named[0]!r}, which the reading has not there")
    for numeral, key in _said_in(text, language):
        if numeral in known.numerals and key is not None and (numeral, key) not in known.pairs:
            found.append(f"it names {numeral} in {key_name(key, language)}, which the reading has not there")
    for key in _keys_named(text, language):
        if key not in known.keys:
            found.append(f"it names {key_name(key, language)}, which the reading has not there")
    printed = {measure.number for measure in score.measures}
    for number in _bars_named(text, language):
        if number not in printed:
            found.append(f"it names bar {number}, which the score has not")
        elif number not in known.bars:
            found.append(f"it names bar {number}, which it is not about")
    return tuple(Fault(where, sentence) for sentence in dict.fromkeys(found))


def _is_numeral(text: str) -> bool:
    """Whether brackets hold a numeral; in a title or a teacher's text they may hold anything."""
    try:
        RomanNumeral.parse(text)
    except ValueError:
        return False
    return True


def _kinds(numerals: Iterable[str]) -> set[str]:
    """What some numerals are in words: a chord may be one thing by name and another by sound."""
    found: set[str] = set()
    for text in numerals:
        numeral = RomanNumeral.parse(text)
        found |= {numeral.special, numeral.quality.value}
        if numeral.special == "Ger":
            found.add("dominant7")
        if numeral.quality.value.startswith("dominant") and numeral.quality.value != "dominant7sus4":
            found.add("dominant7")
        if numeral.degree == 2 and numeral.alter == -1 and numeral.quality.value == "major":
            found.add("N")
    return found


@lru_cache
def _key_pattern(language: Language) -> tuple[re.Pattern[str], dict[str, Key]]:
    names: dict[str, Key] = {}
    for signature in range(-12, 13):
        major = Key.from_signature(signature)
        for key in (major, major.relative):
            named = key_name(key, language)
            names.setdefault(named, key)
            names.setdefault(phrasebook(language).sentence(named), key)
    longest = sorted(names, key=len, reverse=True)
    return re.compile(rf"(?<![\w-])(?:{'|'.join(map(re.escape, longest))})(?!\w)"), names


def _keys_named(text: str, language: Language) -> Iterator[Key]:
    pattern, names = _key_pattern(language)
    for m in pattern.finditer(text):
        yield names[m[0]]


def _said_in(text: str, language: Language) -> Iterator[tuple[str, Key | None]]:
    """Numerals said to stand in a key: ``⟨V7⟩ in F minor``."""
    pattern, names = _key_pattern(language)
    joint = phrasebook(language).checking["in"]
    for m in re.finditer(rf"⟨([^⟩]*)⟩{joint}(?={pattern.pattern})", text):
        named = pattern.match(text, m.end())
        yield m[1], names[named[0]] if named else None


def _bars_named(text: str, language: Language) -> Iterator[str]:
    """Printed numbers of bars that a text names, one by one or as the ends of a stretch."""
    word = phrasebook(language).checking["bars"]
    for m in re.finditer(rf"\b(?i:{word}) (\w*\d\w*)(?:[–-](\w*\d\w*))?", text):
        yield from (n for n in m.groups() if n)


# --- the texts of a lesson -------------------------------------------------------------------------------


def check_stops(
    score: Score,
    reading: Reading,
    stops: Iterable[Stop],
    language: Language,
    plan_events: Iterable[Event] = (),
) -> tuple[Fault, ...]:
    """Check every text of every stop, at every level, the teacher's too."""
    found: list[Fault] = []
    # Hundreds of reasons of a plan reach into every stop: what each lets a text name is worked out once.
    reasons = [(event.start, event.end, _resting_on(score, reading, event)) for event in plan_events]
    for stop in stops:
        start, end = score.measures[stop.first].start, score.measures[stop.last].end
        related = [
            event
            for event in reading.events
            if event in DIFFERENCE and event.start < end and event.end > start
        ]
        planned = (known for e_start, e_end, known in reasons if e_start < end and e_end > start)
        known = _joined(facts(score, reading, start, end, [*stop.events, *related]), *planned)
        texts = {"title": stop.title, "question": stop.question, "answer": stop.answer, "play": stop.play}
        texts.update({f"say.{level}": stop.say[level] for level in LEVELS})
        said = stop.spoken
        aloud = {"question": said.question, "answer": said.answer, "told": said.told, "hands": said.hands}
        texts.update({f"{name}, aloud": text for name, text in aloud.items()})
        for name, text in texts.items():
            found += faults_in(text, known, score, language, f"{stop.id}, {name}")
    return tuple(found)


def check_story(score: Score, reading: Reading, level: Level, language: Language) -> tuple[Fault, ...]:
    """Check every sentence of the story against its own events and passage."""
    found: list[Fault] = []
    words = phrasebook(language).headings["story"]
    for paragraph in tell(score, reading, level, language):
        for sentence in paragraph.sentences:
            whole = not sentence.place
            start = min(chain([sentence.start], (event.start for event in sentence.events)))
            end = (
                score.end
                if whole
                else max(chain([sentence.start + Fraction(1, 64)], (event.end for event in sentence.events)))
            )
            known = facts(score, reading, Fraction(0) if whole else start, end, sentence.events)
            where = f"{words}, {paragraph.heading}"
            found += faults_in(sentence.text, known, score, language, where)
    return tuple(found)


_OWN = ("chord", "home")
"""Values of contrasts and exercises that must stand in the reading; the others are made from them."""


def check_contrasts(
    score: Score, reading: Reading, found: Iterable[Contrast], language: Language
) -> tuple[Fault, ...]:
    """Check what is said to listen for, at every level: what is written against the reading, what is put in
    its place against what is sounded.
    """
    faults: list[Fault] = []
    for contrast in found:
        start, end = score.measures[contrast.first].start, score.measures[contrast.last].end
        values = tuple((name, v) for name, v in contrast.values if name not in _OWN)
        put = Event("contrast", contrast.label, start, end, (), 1.0, Named(values))
        known = facts(score, reading, start, end, [*_here(reading, start, end), put])
        sounded = frozenset(str(span.numeral) for span in contrast.other_reading.spans)
        known = replace(known, numerals=known.numerals | sounded)
        for level in LEVELS:
            bar = score.measures[contrast.first].number
            faults += faults_in(
                contrast.words(score, level, language), known, score, language, f"bar {bar}, {contrast.label}"
            )
    return tuple(faults)


def check_exercises(
    score: Score, reading: Reading, found: Iterable[Exercise], language: Language
) -> tuple[Fault, ...]:
    """Check the question and the answer of every exercise; wrong choices are meant to be wrong."""
    faults: list[Fault] = []
    for exercise in found:
        values = tuple((name, v) for name, v in exercise.values if name not in _OWN)
        own = Event("exercise", exercise.kind, exercise.start, exercise.end, (), 1.0, Named(values))
        start, end = score.measures[exercise.first].start, score.measures[exercise.last].end
        known = facts(score, reading, start, end, [*_here(reading, start, end), own])
        # A chord to spell may be asked for in another key than the piece's.
        shown = {str(span.numeral) for _, reading in exercise.solutions for span in reading.spans}
        known = replace(known, numerals=known.numerals | shown, pairs=known.pairs | _moved(known, exercise))
        for text in (exercise.prompt(score, language), exercise.answer(score, language)):
            faults += faults_in(text, known, score, language, f"exercise {exercise.step}")
    return tuple(faults)


def _here(reading: Reading, start: Fraction, end: Fraction) -> list[Event]:
    return [event for event in reading.events if event.start < end and event.end > start]


def _moved(known: Facts, exercise: Exercise) -> frozenset[tuple[str, Key]]:
    """The chords of an exercise in the keys that it is to be played in."""
    keys = [v for _, value in exercise.values for v in (value if isinstance(value, tuple) else (value,))]
    return frozenset((n, k) for n in known.numerals for k in keys if isinstance(k, Key))
