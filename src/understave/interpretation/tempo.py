"""Score -> the tempo it asks for, in quarter notes a minute: metronome marks, else words, else a guess
from how much is struck within a beat.

Words are guessed at what the old metronome's dial gives them (largo 40-60, larghetto 60-66, adagio 66-76,
andante 76-108, moderato 108-120, allegro 120-168, presto 168-200; from memory), counted in felt beats; German
and French words at the Italian ones they stand for (common practice, no source). Words such as ritardando
bend the tempo until the next mark, at most two bars; how far is our own choice.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction

from understave.findings.printed_words import DICTIONARY, read_text
from understave.score.model import Direction, Score

ORDINARY = 90.0
"""Felt beats a minute where nothing is printed."""
USUAL_RATE = 4.0
"""Onsets a second in middling music (set by reasoning: common tempi with eighths and sixteenths give 3 to
6)."""
SLOWEST_FELT, QUICKEST = 46.0, 168.0
"""Felt beats a minute between which a tempo that nobody printed is guessed."""
BEATS = {
    "grave": 42.0,
    "largo": 48.0,
    "larghetto": 62.0,
    "lento": 54.0,
    "adagio": 66.0,
    "adagietto": 72.0,
    "andante": 80.0,
    "andantino": 88.0,
    "moderato": 108.0,
    "allegretto": 112.0,
    "allegro": 132.0,
    "vivace": 148.0,
    "vivacissimo": 164.0,
    "presto": 176.0,
    "prestissimo": 200.0,
    "lent": 54.0,
    "tres-lent": 46.0,
    "modere": 100.0,
    "anime": 126.0,
    "vif": 144.0,
    "vite": 160.0,
    "langsam": 56.0,
    "massig": 96.0,
    "bewegt": 108.0,
    "lebhaft": 138.0,
    "munter": 126.0,
    "schnell": 152.0,
    "rasch": 150.0,
    "breit": 50.0,
    "gehend": 80.0,
    "slow": 58.0,
    "moderately": 100.0,
    "lively": 132.0,
    "fast": 150.0,
}
"""Felt beats a minute that a tempo word stands for."""
_MORE = frozenset(("molto", "assai", "tres", "sehr", "very"))
_HARDLY = frozenset(("non-troppo", "non", "nicht-zu", "pas"))
_LESS = frozenset(("poco", "peu", "etwas", "ziemlich", "quasi")) | _HARDLY
_NEUTRAL, _DEGREE = 92.0, 1.12
"""Felt beats a minute between slow and quick words, and by how many times *molto* moves the tempo away from
there; our own choice."""
# How many times the tempo a change comes to, when gradual and when at once; our own choice.
_GRADUAL = {
    "ritardando": 0.72,
    "rallentando": 0.7,
    "allargando": 0.75,
    "slargando": 0.75,
    "calando": 0.8,
    "morendo": 0.75,
    "smorzando": 0.8,
    "perdendosi": 0.75,
    "mancando": 0.8,
    "calmando": 0.85,
    "poco-ritardando": 0.85,
    "molto-ritardando": 0.55,
    "cedez": 0.85,
    "ralentir": 0.72,
    "zuruckhaltend": 0.8,
    "accelerando": 1.25,
    "stringendo": 1.25,
    "stretto": 1.15,
    "animando": 1.15,
    "affrettando": 1.2,
    "serrez": 1.15,
    "drangend": 1.15,
}
# As above.
_AT_ONCE = {
    "ritenuto": 0.8,
    "retenu": 0.85,
    "piu-mosso": 1.25,
    "piu-animato": 1.25,
    "bewegter": 1.4,
    "rascher": 1.25,
    "poco-piu-mosso": 1.08,
    "poco-meno-mosso": 0.92,
    "meno-mosso": 0.8,
    "mosso": 1.1,
    "con-moto": 1.05,
    "doppio-movimento": 2.0,
    "langsamer": 0.8,
    "schneller": 1.25,
    "slower": 0.87,
    "faster": 1.15,
}
_PASSING = frozenset(("ritenuto", "retenu"))
"""Held back at once, and only for a while."""
_BACK = frozenset(("a-tempo", "au-mouvement", "in-time", "im-tempo"))
_FIRST = frozenset(("tempo-primo",))
_LONGEST_BEND = 2
"""Bars."""
SLOWEST, FASTEST = 10.0, 600.0
"""Quarter notes a minute beyond which a printed number is no tempo; our own limits."""


@dataclass(frozen=True, slots=True)
class TempoPoint:
    """Quarter notes a minute at a moment; straight to the next point, two points at one moment are a jump."""

    moment: Fraction
    per_minute: float


def basic_tempo(score: Score) -> float:
    """Return the first tempo of a piece in quarter notes a minute."""
    return printed_tempo(score)[0].per_minute


def printed_tempo(score: Score) -> tuple[TempoPoint, ...]:
    """Return the printed tempo as a line through the piece; it has at least one point, at 0."""
    marks = sorted(
        (direction for direction in score.directions if direction.kind in ("tempo", "words", "dynamic")),
        key=lambda direction: direction.onset,
    )
    read = [
        (direction, terms)
        for direction in marks
        if (terms := _tempo_terms(direction)) or (direction.kind == "tempo" and direction.value)
    ]
    opening = next(
        (direction for direction, terms in read if _steady(score, direction, terms) is not None), None
    )
    first = _steady(score, opening, _tempo_terms(opening)) if opening is not None else None
    if opening is None or first is None or opening.onset > _within(score):
        first = unprinted_tempo(score)
    steady, now = first, first
    points = [TempoPoint(Fraction(0), first)]
    for k, (direction, terms) in enumerate(read):
        then = next((e.onset for e, _ in read[k + 1 :] if e.onset > direction.onset), score.end)
        bend = next((t for t in terms if t in _GRADUAL or t in _AT_ONCE), None)
        if direction.onset < points[-1].moment and bend is not None:
            continue
        new = _steady(score, direction, terms)
        if bend in _AT_ONCE and bend not in _PASSING:
            new = steady * _AT_ONCE[bend]
        elif bend is not None:
            until = _bend_end(score, direction, then)
            goal = steady * (_GRADUAL.get(bend) or _AT_ONCE[bend])
            points += [
                TempoPoint(direction.onset, now),
                TempoPoint(direction.onset if bend in _PASSING else until, goal),
            ]
            points.append(TempoPoint(until, goal))
            if until < score.end:
                points.append(TempoPoint(until, steady))
            now = steady
            continue
        elif set(terms) & _BACK:
            new = steady
        elif set(terms) & _FIRST:
            new = first
        if new is None:
            continue
        points += (
            [TempoPoint(direction.onset, now), TempoPoint(direction.onset, new)]
            if direction.onset > 0
            else []
        )
        now = steady = new
    return tuple(sorted(points, key=lambda point: point.moment))


def unprinted_tempo(score: Score) -> float:
    """Return a tempo for a piece that prints none, in quarter notes a minute, from its values and metre.

    At `ORDINARY` so many onsets a second would be struck; the tempo makes up for half of what that is more or
    less than usual (geometrically), as short values are written for a slow beat and long ones for a quick.
    """
    felt = float(score.measures[0].beat_length) if score.measures else 1.0
    onsets = len({note.onset for note in score.struck})
    beats = float(score.end) / felt
    if not onsets or beats <= 0:
        return ORDINARY * felt
    rate = onsets / beats * ORDINARY / 60
    return float(felt * min(QUICKEST, max(SLOWEST_FELT, ORDINARY * (USUAL_RATE / rate) ** 0.5)))


def tempo_at(points: tuple[TempoPoint, ...], moment: Fraction | float) -> float:
    """Return the tempo of a line at a moment; of two points at one moment the later holds."""
    i = bisect_right(points, float(moment), key=lambda point: float(point.moment))
    if i == 0:
        return points[0].per_minute
    if i == len(points):
        return points[-1].per_minute
    a, b = points[i - 1], points[i]
    share = (float(moment) - float(a.moment)) / float(b.moment - a.moment)
    return a.per_minute + (b.per_minute - a.per_minute) * share


def _within(score: Score) -> Fraction:
    """Return until when a tempo counts as the piece's first: the second bar's end."""
    return score.measures[min(1, len(score.measures) - 1)].end if score.measures else Fraction(0)


def _tempo_terms(direction: Direction | None) -> tuple[str, ...]:
    """Return the terms of a text that are about tempo, with the degrees beside them."""
    if direction is None:
        return ()
    terms = read_text(direction.text)[0]
    about = [t for t in terms if DICTIONARY[t].kind in ("tempo", "tempo change") or t in _GRADUAL]
    return terms if about else ()


def _steady(score: Score, direction: Direction, terms: tuple[str, ...]) -> float | None:
    """Return the tempo a mark sets in quarter notes a minute, None where it only bends the one before."""
    if any(t in _GRADUAL or t in _AT_ONCE or t in _BACK or t in _FIRST for t in terms):
        return None
    if direction.kind == "tempo" and direction.value and _stands(direction, terms):
        return min(FASTEST, max(SLOWEST, direction.value))
    words = [_by_degree(BEATS[t], _degrees(terms, i)) for i, t in enumerate(terms) if t in BEATS]
    if not words:
        return None
    beats = sum(words) / len(words)
    return beats * float(score.measure_at(direction.onset).beat_length)


def _degrees(terms: tuple[str, ...], index: int) -> frozenset[str]:
    """Return the degrees that belong to a tempo word: those just before it and just after it.

    In “sehr innig und nicht zu rasch” what is very is the feeling, not the pace.
    """
    known = _MORE | _LESS
    first, last = index, index + 1
    while first and terms[first - 1] in known:
        first -= 1
    while (
        last < len(terms) and terms[last] in known and not any(t in BEATS for t in terms[last + 1 : last + 2])
    ):
        last += 1
    return frozenset(terms[first:index] + terms[index + 1 : last])


def _by_degree(beats: float, degrees: frozenset[str]) -> float:
    """Return a word's tempo with its degrees: further from the middle, nearer to it, or half way back."""
    away = 1.0 if beats > _NEUTRAL else -1.0
    if degrees & _MORE:
        beats *= _DEGREE**away
    if degrees & _HARDLY:
        return float((beats * _NEUTRAL) ** 0.5)
    if degrees & _LESS:
        beats /= _DEGREE**away
    return beats


def _stands(direction: Direction, terms: tuple[str, ...]) -> bool:
    """Tell whether the speed that a file gives beside printed words holds from there on.

    A metronome mark does, words about tempo do, and headings, which are printed with a capital (Trio, Innig;
    common practice, no source). Beside other words (ten., dolce) it is that of the place alone.
    """
    if not direction.text or "=" in direction.text or terms:
        return True
    kinds = {DICTIONARY[t].kind for t in read_text(direction.text)[0]}
    return kinds <= {"character", "how much"} and direction.text[0].isupper()


def _bend_end(score: Score, direction: Direction, then: Fraction) -> Fraction:
    """Return where a bend ends: where its line ends, at the next tempo mark, at most two bars on."""
    measure = score.measure_at(direction.onset)
    last = score.measures[min(measure.index + _LONGEST_BEND, len(score.measures)) - 1]
    end = direction.end if direction.end is not None and direction.end > direction.onset else last.end
    return max(min(end, then, score.end), direction.onset)
