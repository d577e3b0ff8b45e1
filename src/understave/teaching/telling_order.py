"""What a teacher would tell first: the findings of a piece, ranked by surprise, exposure and kinship.

In: a Score and its Reading. Out: `Thread`s, the most worth telling first. A thread is one idea (`threads`)
with all its places: the events that show it, each with what it is worth. `Weighing` has the few numbers,
fitted on pairs of findings that were judged blind (``python -m benchmarks.told_pairs --fit``);
``python -m benchmarks.toptold`` prints how many of the marks that analysts made the first ten hold.

Surprise is how unlikely a finding is in its place (`surprise`). Exposure is how clearly it is heard: in an
outer voice, long, on a strong beat, high or low, loud, with little else sounding (common practice of ear
training, no source for the shares). What the notes do not bear out is not ranked.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE, PICARDY
from understave.findings.catalogue import is_sure, weight
from understave.findings.chromatic import CHROMATIC_CHORD, COMMON_TONE
from understave.findings.dissonance import SHARP_DISSONANCE
from understave.findings.form import FORM, SECTION
from understave.findings.instructions import INSTRUCTION, PEDAL_MARK
from understave.findings.keyplan import KEY, PIVOT_CHORD
from understave.findings.kinds import Kind
from understave.findings.melody import MELODY
from understave.findings.modes import MODE_SWITCH
from understave.findings.motives import MOTIVE
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.pedalpoints import DRONE, PEDAL_POINT, REPEATED_NOTE
from understave.findings.phrase_forms import PHRASE_FORM
from understave.findings.phrases import PHRASE
from understave.findings.reheard import ENHARMONIC_PIVOT
from understave.findings.remembered import remembered
from understave.findings.returns import DIFFERENCE, RETURN
from understave.findings.rhythm import HARMONIC_RHYTHM
from understave.findings.sequences import CHAIN, SEQUENCE
from understave.findings.sixfours import BASS_SEVENTH, SIX_FOUR
from understave.findings.sounding_notes import soundings
from understave.findings.texture import TEXTURE
from understave.harmony.reading import Event, Reading
from understave.interpretation.tension import home_of
from understave.score.model import Note, Score
from understave.teaching.surprise import MOST_BITS, expectations
from understave.teaching.threads import Idea, idea_of
from understave.theory.vocabulary import Language
from understave.wording.claiming import is_true
from understave.wording.sentences import can_say

PIECE_WIDE = frozenset({(FORM.name, "scheme"), (MELODY.name, "range"), (HARMONIC_RHYTHM.name, "usual pace")})
"""What is said of the whole piece or not at all; it has no place to be pointed at."""
UNTOLD = frozenset(kind.name for kind in (PHRASE, DIFFERENCE, PIVOT_CHORD, PEDAL_MARK))
"""Kinds that only serve others: a phrase is told by its cadence, a difference by its return."""
_LOUD = {"ppp": -3, "pp": -2, "p": -1, "mp": 0, "mf": 0, "f": 1, "ff": 2, "fff": 3}


@dataclass(frozen=True, slots=True)
class Leaning:
    """By what the worth of a finding is multiplied, by the family of its kind (`_FAMILIES`).

    Fitted with the other numbers on pairs judged blind (``python -m benchmarks.told_pairs --fit``).
    """

    made: float = 0.6
    line: float = 1.55
    rub: float = 1.0
    key: float = 1.3
    close: float = 0.75
    again: float = 0.95
    colour: float = 1.25
    ground: float = 0.85


_FAMILIES: Mapping[str, tuple[Kind[Any], ...]] = {
    "made": (TEXTURE, INSTRUCTION, HARMONIC_RHYTHM),
    "line": (MELODY, MOTIVE, NON_CHORD_TONE, PHRASE_FORM),
    "rub": (SHARP_DISSONANCE, BASS_SEVENTH, SIX_FOUR),
    "key": (KEY,),
    "close": (CADENCE, SECTION),
    "again": (RETURN,),
    "colour": (CHROMATIC_CHORD, APPLIED_CHORD, MODE_SWITCH, PICARDY, ENHARMONIC_PIVOT),
    "ground": (PEDAL_POINT, DRONE, REPEATED_NOTE, SEQUENCE, CHAIN),
}
"""How the music is made, its line, what rubs, keys, closes, what comes again, colour, and what goes on below;
kinds of none of them are weighed as they are.
"""
_FAMILY = {kind.name: family for family, members in _FAMILIES.items() for kind in members}


@dataclass(frozen=True, slots=True)
class Weighing:
    """How much each side counts: powers of importance, surprise and exposure, and what each relative adds.

    `importance` is the weight of its kind (`findings.catalogue`), what the trade finds worth a stop;
    `leaning` corrects it by family of kinds.
    """

    importance: float = 1.05
    surprise: float = 1.0
    exposure: float = 0.5
    kinship: float = 0.1
    leaning: Leaning = Leaning()


@dataclass(frozen=True, slots=True)
class Told:
    """An event with what it is worth: `surprise` in bits, `exposure` about 1, `worth` of both."""

    event: Event
    surprise: float
    exposure: float
    worth: float


@dataclass(frozen=True, slots=True)
class Thread:
    """One idea with its places in order of time; `lead` is the most telling of them, `worth` that of all."""

    idea: Idea
    lead: Told
    places: tuple[Told, ...]
    worth: float


def ranked(
    score: Score, reading: Reading, language: Language = "en", weighing: Weighing = Weighing()
) -> tuple[Thread, ...]:
    """Return the threads of a piece, the most worth telling first; of equal ones the earlier."""
    return _ranked(score, reading, language, weighing)


@remembered
def _ranked(score: Score, reading: Reading, language: Language, weighing: Weighing) -> tuple[Thread, ...]:
    return drawn_together(gathered(score, reading, candidates(score, reading, language)), weighing)


@dataclass(frozen=True, slots=True)
class Gathered:
    """The candidates of one idea in order of time, each with how much more it is worth for bringing the
    home key with it; in how many bars they stand, and how much that and their places change their worth.
    """

    idea: Idea
    places: tuple[tuple[Candidate, float], ...]
    bars: int
    common: float


def gathered(score: Score, reading: Reading, found: Sequence[Candidate]) -> tuple[Gathered, ...]:
    """Gather the candidates of a piece by their ideas: all of the ranking that no weighing changes."""
    home = home_of(reading)
    groups: dict[Idea, list[tuple[Candidate, float]]] = defaultdict(list)
    homecomings = {
        score.measure_at(event.start).index
        for event, key in KEY.all(reading.events)
        if event.label == "home" and key.came_from is not None
    }
    for one in found:
        back = RETURN.of(one.event)
        bar = score.measure_at(one.event.start).index
        home_too = back is not None and bar in homecomings and score.measure_at(back.from_start).index <= 1
        groups[idea_of(one.event, home)].append((one, _HOMECOMING if home_too else 1.0))
    return tuple(_gathered(score, idea, places) for idea, places in groups.items())


def _gathered(score: Score, idea: Idea, places: Sequence[tuple[Candidate, float]]) -> Gathered:
    in_time = tuple(sorted(places, key=lambda place: place[0].event.start))
    bars = {score.measure_at(one.event.start).index for one, _ in in_time}
    # What comes everywhere is no event any more.
    share = len(bars) / max(1, len(score.measures))
    common = 0.5 if share > _EVERYWHERE else 1.0
    if idea[0] == "texture" and _is_memory(score, [one.event for one, _ in in_time]):
        common *= _MEMORY
    return Gathered(idea, in_time, len(bars), common)


def drawn_together(ideas: Sequence[Gathered], weighing: Weighing) -> tuple[Thread, ...]:
    """Weigh what was gathered, and draw it together into threads, the most worth telling first."""
    threads = [_thread(idea, weighing) for idea in ideas]
    return tuple(sorted(threads, key=lambda t: (-t.worth, t.lead.event.start)))


_HOMECOMING = 1.5
"""How much more a return of the opening is worth that brings the home key with it (set by ear)."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """An event that may be told, with its surprise in bits and its exposure about 1."""

    event: Event
    surprise: float
    exposure: float


def candidates(score: Score, reading: Reading, language: Language = "en") -> tuple[Candidate, ...]:
    """Return what may be told of a piece: sure enough, more than everyday, in words, and true."""
    known = expectations(reading)
    found = []
    colours = {e.start for e in reading.events if e in CHROMATIC_CHORD and e.label == COMMON_TONE}
    for event in reading.events:
        if event in APPLIED_CHORD and event.start in colours:
            continue  # it goes back where it came from, and points nowhere
        if event.kind in UNTOLD or (event.kind, event.label) in PIECE_WIDE or not is_sure(event):
            continue
        if not can_say(event, language) or _is_everyday(event) or not weight(event):
            continue
        bits = known.of(event)
        if bits > 0 and event.confidence > 0 and is_true(event, score, reading.spans, language=language):
            found.append(Candidate(event, bits, exposure(score, event)))
    return tuple(found)


def _weighed(one: Candidate, weighing: Weighing) -> Told:
    return Told(one.event, round(one.surprise, 3), round(one.exposure, 3), worth_of(one, weighing))


def worth_of(one: Candidate, weighing: Weighing) -> float:
    """Return what a candidate is worth by itself, without its relatives."""
    family = _FAMILY.get(one.event.kind)
    return float(
        weight(one.event) ** weighing.importance
        * (one.surprise / MOST_BITS) ** weighing.surprise
        * one.exposure**weighing.exposure
        * one.event.confidence
        * (getattr(weighing.leaning, family) if family else 1.0)
    )


def _is_everyday(event: Event) -> bool:
    """Whether it is what every piece begins with, does in every bar or could do with a repeat sign."""
    if (key := KEY.of(event)) is not None:
        return key.came_from is None
    if event in SECTION:
        # That a part begins is told by what comes back or is new there, and by the paragraphs.
        return event.label == "section"
    if (back := RETURN.of(event)) is not None and event.label == "literal":
        # Bars said again at once are a repeat that is written out.
        return event.start - back.from_end < event.end - event.start
    printed = INSTRUCTION.of(event)
    return printed is not None and event.label in ("how much", "dynamic") and not printed.extreme


def _thread(idea: Gathered, weighing: Weighing) -> Thread:
    told = [
        replace(t, worth=t.worth * more) if more != 1 else t
        for one, more in idea.places
        for t in (_weighed(one, weighing),)
    ]
    in_time = tuple(sorted(told, key=lambda t: (t.event.start, -t.worth)))
    lead = max(in_time, key=lambda t: (t.worth, -t.event.start))
    worth = lead.worth * shared(idea, weighing)
    return Thread(idea.idea, lead, in_time, worth)


def shared(idea: Gathered, weighing: Weighing) -> float:
    """Return by what the worth of an idea's best place is multiplied for its relatives and its commonness.

    Relatives count up to the fourth.
    """
    return float((1 + weighing.kinship * min(4, idea.bars - 1)) * idea.common)


def _is_memory(score: Score, places: Sequence[Event]) -> bool:
    """Whether figures of the middle come back at the end, when they had been left."""
    first, last = places[0], places[-1]
    if first.label not in _FIGURES:
        return False
    apart = last.start - first.end >= 2 * score.measure_at(first.start).full_length
    return apart and first.start > score.end / 8 and last.start >= 7 * score.end / 10


_FIGURES = frozenset({"broken chords", "rocking", "arpeggios", "Alberti-like", "tremolo", "repeated chords"})
"""Patterns that are known again when they come back; long notes, runs, chords and octaves come everywhere."""
_MEMORY = 5.0
"""How much more figures are worth that come back at the end from the middle of the piece (set by ear)."""


_EVERYWHERE = 0.3
"""Share of the bars from which on an idea is the texture of the piece, not an event (set by ear)."""


# --- exposure --------------------------------------------------------------------------------------------


def exposure(score: Score, event: Event) -> float:
    """Return how clearly an event is heard, about 0.4 to 2; 1 in the middle of everything.

    The six sides are multiplied: outer voice, length, beat, register, loudness, and how little else sounds.
    """
    notes = [note for note in (score.note_by_id.get(i) for i in event.notes) if note is not None]
    if not notes:
        return 1.0
    first = min(notes, key=lambda note: (note.onset, -note.midi))
    return (
        _outer(score, notes)
        * _length(score, event)
        * _beat(score, first)
        * _register(notes)
        * _loudness(score, event.start)
        * _alone(score, first)
    )


def _outer(score: Score, notes: Sequence[Note]) -> float:
    heard = soundings(score)
    outer = 0
    for note in notes[:_FEW]:
        chord = heard.at(note.onset)
        outer += bool(chord) and note.midi in (chord[0].midi, chord[-1].midi)
    return 0.8 + 0.4 * outer / len(notes[:_FEW])


_FEW = 8


def _length(score: Score, event: Event) -> float:
    beats = float((event.end - event.start) / score.measure_at(event.start).beat_length)
    return min(1.25, 0.85 + 0.1 * beats)


def _beat(score: Score, note: Note) -> float:
    beat = score.beat_at(note.onset)
    return 1.15 if beat == 1 else 1.0 if beat.denominator == 1 else 0.85


def _register(notes: Sequence[Note]) -> float:
    """Far from the middle of the keyboard one hears better: a fifth more at two octaves and a half."""
    far = max(abs(note.midi - _MIDDLE) for note in notes)
    return 0.95 + 0.2 * min(1.0, far / 30)


_MIDDLE = 62


def _loudness(score: Score, moment: Fraction) -> float:
    """Loud and very soft are both heard; what lies between is not."""
    marks = [d for d in _dynamics(score) if d[0] <= moment]
    level = abs(marks[-1][1]) if marks else 0
    return 0.95 + 0.06 * level


@remembered
def _dynamics(score: Score) -> tuple[tuple[Fraction, int], ...]:
    found = [
        (direction.onset, _LOUD[direction.text])
        for direction in score.directions
        if direction.kind == "dynamic" and direction.text in _LOUD
    ]
    return tuple(sorted(found))


def _alone(score: Score, note: Note) -> float:
    chord = soundings(score).at(note.onset)
    return 1.15 if len({note.midi for note in chord}) <= 2 else 1.05 if len(chord) <= 4 else 0.95


def anchor(event: Event) -> Fraction:
    """Return where an event is told: a cadence where it arrives, anything else where it begins."""
    cadence = CADENCE.of(event)
    return event.start if cadence is None else cadence.arrival


# --- neighbours ------------------------------------------------------------------------------------------


def foremost(threads: Sequence[Thread], sung: bool = False) -> tuple[Thread, ...]:
    """Put what only this piece has before what every piece has, the usual closes and in a song (`sung`) that
    the voice enters after an introduction; each in the order of worth.

    Of each kind the best idea comes before the second of any, so that three keys do not hide all else. A
    close stays before what is worth little beside the best (`_LITTLE`).
    """
    best = max((t.worth for t in threads), default=0.0)
    usual = [t for t in threads if _is_usual_close(t.lead.event) or (sung and _only_leads_in(t))]
    own = [t for t in threads if t not in usual]
    telling = [t for t in own if t.worth >= _LITTLE * best]
    firsts = {t.lead.event.kind: t for t in reversed(telling)}
    varied = sorted(telling, key=lambda t: firsts[t.lead.event.kind] is not t)
    return (*varied, *usual, *own[len(telling) :])


def _only_leads_in(thread: Thread) -> bool:
    """Whether a thread is about an introduction that has not the tune to come."""
    parts = (SECTION.of(told.event) for told in thread.places)
    return thread.idea[0] == "introduction" and not any(p and p.foretold is not None for p in parts)


def _is_usual_close(event: Event) -> bool:
    """Whether every piece closes so; one that ends on a half cadence does not."""
    found = CADENCE.of(event)
    return found is not None and event.label in _USUAL_CLOSES and not found.ends_piece


_USUAL_CLOSES = ("perfect authentic", "imperfect authentic", "half")
_LITTLE = 0.25
"""Share of the best idea's worth under which an idea gives way to a usual close (set by ear)."""


def spread(score: Score, threads: Sequence[Thread], most: int) -> tuple[Thread, ...]:
    """Choose the most telling threads, no two led from the same bar; in order of worth.

    Of two that begin together, such as a new key and the cadence into it, the better one is told.
    """
    chosen: list[Thread] = []
    taken: set[int] = set()
    for t in threads:
        bar = score.measure_at(anchor(t.lead.event)).index
        if bar in taken:
            continue
        taken.add(bar)
        chosen.append(t)
        if len(chosen) == most:
            break
    return tuple(chosen)
