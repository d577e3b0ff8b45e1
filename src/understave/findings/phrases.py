"""Score and spans -> phrases: where each begins and ends, and what says that it ends there.

Every place of `endings` gets a score from its evidence, every phrase one from its length; the best
whole is found by dynamic programming over the places, and how sure each ending is by summing over all
ways to cut the piece. Lengths near two, four and eight bars are preferred, softly.

Events of kind ``"phrase"``:

* label ``"phrase"``: "Bars 5 to 8 are one phrase: it ends with a rest, on a half cadence." Start and end
  lie end to end through the piece. Detail: ``number`` (int, from 1), ``bars`` (Fraction, its length in
  full bars), ``reasons`` (tuple of str, the evidence for its end, strongest first, from `REASONS`; where
  nothing else speaks, ``"new section"``, ``"change of harmony"`` or ``"regular length"``),
  ``arrival`` (Fraction, the moment its last harmony is reached; absent where nothing is labelled), and
  where they apply ``long_note`` (Fraction, felt beats until the melody goes on), ``rest`` (Fraction, felt
  beats), ``upbeat`` (Fraction, felt beats of upbeat with which the next phrase begins), ``last`` (Pitch
  of the last melody note). The last phrase has the reason ``"end of the piece"``.

The confidence is that of the phrase's end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from understave.findings.closes import AUTHENTIC, HALF, PHRYGIAN, Close, find_closes
from understave.findings.endings import CLOSES, NAMES, SHORTEST, Place, find_places, melody_of
from understave.findings.kinds import Kind
from understave.findings.remembered import remembered
from understave.findings.sung_sections import begins_with
from understave.harmony.reading import Details, Event, Span
from understave.harmony.units import Floats
from understave.score.model import Note, Score
from understave.theory.pitch import Pitch


@dataclass(frozen=True, slots=True, kw_only=True)
class PhraseDetails(Details):
    """How long a phrase is and what says that it ends."""

    number: int
    bars: Fraction
    reasons: tuple[str, ...]
    arrival: Fraction | None = None
    last: Pitch | None = None
    rest: Fraction | None = None
    long_note: Fraction | None = None
    upbeat: Fraction | None = None


# Log-odds of each kind of evidence: logistic regression on 296 chorales, 21 songs and 19 sets of
# variations whose analysts marked phrase ends (the training folder of the open data), the fermata fitted
# on top of the rest. Rests, slurs, upbeats and the voice's rests are set by hand: the chorales that teach
# most have none of them, and elsewhere the marks stand at barlines. So is the dotted figure, whose short note
# leads on to the next by nearness (Lerdahl and Jackendoff 1983, grouping preference rule 2; from memory).
WEIGHTS: dict[str, float] = {
    "fermata": 4.95,
    "rest": 0.9,
    "silence": 1.0,
    "held over": -0.3,
    "long value": 1.8,
    "short value": -0.3,
    "slur end": 0.6,
    "inside slur": -0.4,
    "new slur from an upbeat": 2.2,
    "line of text": 3.0,
    "inside word": -2.35,
    "voice enters": 1.9,
    "voice rests": -1.0,
    "double bar": 2.0,
    "new tempo": 0.5,
    "tempo in flux": -0.6,
    "rooted authentic close": 1.15,
    "authentic close": 0.5,
    "half close": 1.0,
    "phrygian close": 2.0,
    "dominant seventh": -1.3,
    "deceptive close": 0.15,
    "plagal close": 0.45,
    "prepared dominant": 0.6,
    "open harmony": -0.95,
    "inverted goal": -0.55,
    "strong arrival": 0.1,
    "change of harmony": 0.5,
    "slow harmony": 0.7,
    "downbeat": 0.6,
    "off the beat": -2.75,
    "short upbeat": -0.8,
    "place of the opening": 0.7,
    "opening returns": 1.35,
    "rhythm of the opening": 1.05,
    "new passage": 0.35,
    "no onset": -0.95,
    "dotted before": -2.5,
}
BIAS = -2.3
FERMATAS_MISSED = -1.5
"""Added everywhere in a piece whose phrases carry fermatas: there a place without one ends none."""
BARS_PER_FERMATA = 6
LENGTH_WEIGHT = 1.5
_LENGTHS = (0.25, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 12.0, 16.0, 20.0, 32.0)
_LENGTH_COSTS = (6.0, 2.0, 0.2, 0.6, 0.0, 0.6, 0.6, 0.7, 0.2, 1.2, 1.8, 2.5, 4.0, 7.0)
_TWO_SHORT_BARS = 1.0
"""Cost of two bars where a bar holds fewer than four beats: there a phrase rather takes four."""
_PART_OF_A_BAR = 0.5
"""Cost of a length that is no whole number of bars: phrases like to begin at the same place of the bar."""
_LONGEST = 24.0
_LEAST = -7.0
SECTION_BEGINS = 4.0
"""Added where a section begins, in pieces of which that is known. Fitted on the 49 songs of the training data
with marks of phrase ends: of 0, 1, 2, 3, 4 and 8 the one chosen most with each composer left out
(`benchmarks.cadences --split train --sets lieder`)."""

REASONS = {
    "fermata": "fermata",
    "rest": "rest",
    "silence": "silence",
    "long value": "long note",
    "slur end": "end of a slur",
    "line of text": "end of a line of text",
    "double bar": "double bar",
    "new tempo": "new tempo",
    "rooted authentic close": "authentic close",
    "authentic close": "authentic close",
    "half close": "half close",
    "phrygian close": "phrygian half close",
    "deceptive close": "deceptive close",
    "plagal close": "plagal close",
    "slow harmony": "harmony stands still",
    "opening returns": "the opening returns",
    "rhythm of the opening": "the opening's rhythm returns",
    "new slur from an upbeat": "a new slur from the upbeat",
    "voice enters": "the voice enters",
    "new passage": "a passage heard elsewhere begins",
}
"""Evidence -> what `reasons` call it."""


@dataclass(frozen=True, slots=True)
class Ending:
    """Where a phrase ends: the moment, the close it ends on (None without one), reasons, confidence 0..1.

    `last` is the last melody note of the phrase and `following` the first of the next, None where there is
    none.
    """

    time: Fraction
    bar: float
    close: Close | None
    reasons: tuple[str, ...]
    confidence: float
    last: Note | None
    following: Note | None


def find_phrases(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the phrases of a piece in order, end to end."""
    return phrases_of(score, endings_of(score, spans))


@remembered
def endings_of(score: Score, spans: tuple[Span, ...]) -> tuple[Ending, ...]:
    """Return the ends of phrases under given harmony alone, the end of the piece last; sections rest on them.

    What is told are the ends of `ended_sections`, which know the sections too.
    """
    return find_endings(score, find_closes(spans))


def phrases_of(score: Score, endings: tuple[Ending, ...]) -> tuple[Event, ...]:
    """Return the phrases between endings."""
    found = []
    start, bar = (score.notes[0].onset if score.notes else Fraction(0)), 0.0
    for number, ending in enumerate(endings, start=1):
        found.append(_event(score, number, start, bar, ending))
        start, bar = ending.time, ending.bar
    return tuple(found)


def find_endings(
    score: Score, closes: tuple[Close, ...], sections: frozenset[int] = frozenset()
) -> tuple[Ending, ...]:
    """Return the ends of phrases, the end of the piece last; `sections` are the bars that begin one."""
    melody = melody_of(score)
    if not melody or not score.measures:
        return ()
    places = find_places(score, closes, melody)
    length = float(sum(measure.length / measure.full_length for measure in score.measures))
    begins = [begins_with(score, place.time) in sections for place in places]
    welcome = np.where(begins, SECTION_BEGINS, 0.0)
    chosen = segment(places, length, _beats(score), welcome) if places else ()
    endings: list[Ending] = []
    begin = score.notes[0].onset
    for i, confidence in chosen:
        place = places[i]
        following = melody[place.last + 1] if place.last + 1 < len(melody) else None
        close = closes[place.close] if place.close >= 0 and closes[place.close].arrival > begin else None
        if close is not None and _hurries_home(score, closes, place):
            close = None
        begin = place.time
        endings.append(
            Ending(
                place.time,
                place.bar,
                close,
                _reasons(place, close is not None, begins[i]),
                confidence,
                melody[place.last],
                following,
            )
        )
    last = next((close for close in reversed(closes) if begin < close.arrival < score.end), None)
    endings.append(Ending(score.end, length, last, ("end of the piece",), 1.0, melody[-1], None))
    return tuple(endings)


def _hurries_home(score: Score, closes: tuple[Close, ...], place: Place) -> bool:
    """Whether a dominant is no goal: it lasts less than a beat, nothing holds it, and the tonic follows."""
    close = closes[place.close]
    after = closes[place.close + 1] if place.close + 1 < len(closes) else None
    if close.label not in (HALF, PHRYGIAN) or after is None or after.label != AUTHENTIC:
        return False
    held = any(place.get(name) > 0 for name in ("fermata", "rest", "silence", "double bar"))
    return not held and close.reach - close.arrival < SHORTEST * score.measure_at(close.arrival).beat_length


def segment(
    places: tuple[Place, ...], length: float, beats: float, welcome: Floats | float = 0.0
) -> tuple[tuple[int, float], ...]:
    """Choose the places where phrases end; return their indices and how sure each is, 0..1.

    `length` is that of the piece in bars, `beats` the felt beats in a usual bar, `welcome` what else speaks
    for each place, in log-odds.
    """
    scores = place_scores(places) + welcome
    kept = np.flatnonzero(scores > _LEAST)
    bars = np.array([0.0, *(places[i].bar for i in kept), length])
    gain = np.array([0.0, *scores[kept], 0.0])
    n = len(bars)
    arrived = np.array([-1.0, *(places[i].arrived for i in kept), -1.0])
    harmony = np.array([0.0, *(_harmony_gain(places[i]) for i in kept), 0.0])
    first = np.minimum(np.searchsorted(bars, bars - _LONGEST), np.arange(n) - 1).clip(0)
    best, forward = np.zeros(n), np.zeros(n)
    back = np.zeros(n, dtype=np.int64)
    links: list[Floats] = [np.zeros(0)]
    for j in range(1, n):
        before = bars[first[j] : j]
        # A close counts only if the motion to its goal lies inside the phrase.
        cut = np.where(before >= arrived[j] - 1e-9, harmony[j], 0.0)
        links.append(length_scores(bars[j] - before, beats) - cut)
        reach = best[first[j] : j] + links[j]
        k = int(np.argmax(reach))
        best[j], back[j] = reach[k] + gain[j], first[j] + k
        forward[j] = np.logaddexp.reduce(forward[first[j] : j] + links[j]) + gain[j]
    backward = np.full(n, -np.inf)
    backward[-1] = 0.0
    for j in range(n - 1, 0, -1):
        here = slice(first[j], j)
        backward[here] = np.logaddexp(backward[here], links[j] + gain[j] + backward[j])
    chosen = []
    j = int(back[n - 1])
    while j > 0:
        share = float(np.exp(forward[j] + backward[j] - forward[-1]))
        chosen.append((int(kept[j - 1]), min(1.0, share)))
        j = int(back[j])
    return tuple(reversed(chosen))


def _harmony_gain(place: Place) -> float:
    """Return how much more a place's close speaks for an ending than harmony that closes nothing would."""
    closed = sum(WEIGHTS[name] * place.get(name) for name in CLOSES)
    return max(0.0, closed - WEIGHTS["open harmony"]) if closed else 0.0


def place_scores(places: tuple[Place, ...]) -> Floats:
    """Return the log-odds that a phrase ends at each place, its length apart."""
    values = np.array([place.values for place in places])
    weights = np.array([WEIGHTS.get(name, 0.0) for name in NAMES])
    scores: Floats = values @ weights + BIAS
    held = float(values[:, NAMES.index("fermata")].sum())
    if held and held * BARS_PER_FERMATA >= places[-1].bar:
        scores = scores + FERMATAS_MISSED
    return scores


def length_scores(bars: Floats, beats: float) -> Floats:
    """Return how welcome phrases of so many bars are, 0 at best."""
    costs = list(_LENGTH_COSTS)
    if beats < 4:
        costs[2] = _TWO_SHORT_BARS
    cost: Floats = np.interp(np.log2(np.maximum(bars, 1e-3)), np.log2(_LENGTHS), costs)
    uneven = np.abs(bars - np.round(bars)) > 0.02
    return -LENGTH_WEIGHT * cost - _PART_OF_A_BAR * uneven


def _beats(score: Score) -> float:
    lengths = sorted(float(measure.full_length / measure.beat_length) for measure in score.measures)
    return lengths[len(lengths) // 2]


def _reasons(place: Place, closed: bool, before_section: bool) -> tuple[str, ...]:
    """Return what says that a phrase ends at a place; `closed` tells whether its close lies in the phrase."""
    given = sorted(
        ((WEIGHTS[name] * place.get(name), said) for name, said in REASONS.items() if place.get(name) > 0),
        reverse=True,
    )
    always = ("rest", "end of a slur", *(said for said in REASONS.values() if said.endswith("close")))
    named = [said for weight, said in given if weight >= 0.3 or said in always]
    if not closed:
        named = [said for said in named if not said.endswith("close")]
    # A note of a quarter of the longest is no long note.
    strong = tuple(dict.fromkeys(s for s in named if s != "long note" or place.get("long value") >= 0.5))
    if strong:
        return strong
    if before_section:
        return ("new section",)
    return ("change of harmony",) if place.get("change of harmony") else ("regular length",)


def _event(score: Score, number: int, start: Fraction, bar: float, ending: Ending) -> Event:
    beat = score.measure_at(start).beat_length
    detail = PhraseDetails(
        number=number, bars=Fraction(ending.bar - bar).limit_denominator(48), reasons=ending.reasons
    )
    notes: list[str] = []
    if ending.close is not None:
        detail = replace(detail, arrival=ending.close.arrival)
    if ending.last is not None:
        notes.append(ending.last.id)
        detail = replace(detail, last=ending.last.pitch)
    if ending.last is not None and ending.following is not None:
        if ending.following.onset > ending.last.end:
            detail = replace(detail, rest=(ending.following.onset - ending.last.end) / beat)
        if "long note" in ending.reasons:
            detail = replace(detail, long_note=(ending.following.onset - ending.last.onset) / beat)
        measure = score.measure_at(ending.time)
        at = ending.time - measure.start + measure.offset
        if at and measure.full_length - at <= measure.full_length / 2:
            detail = replace(detail, upbeat=(measure.full_length - at) / measure.beat_length)
    return PHRASE.event("phrase", start, ending.time, tuple(notes), round(ending.confidence, 3), detail)


def _weigh(base: float, event: Event, details: PhraseDetails) -> float:
    """That the last phrase ends with the piece needs no telling."""
    return 0.0 if details.reasons == ("end of the piece",) else base


PHRASE: Kind[PhraseDetails] = Kind(
    "phrase",
    PhraseDetails,
    weight=2.0,
    weigh=_weigh,
    of_passage=True,
)
