"""Score -> what the composer printed about loudness: marks, swells, accents, and the line they draw.

Velocities of the marks: the MIDI 1.0 Detailed Specification (1996, "Note On") spreads ppp to fff evenly over
the range and puts 64 between mp and mf. Players use the inner part of that range, so the steps here are 10
apart in place of 16 (common practice, no source), and the other amounts follow them, set by ear. Marks mean
more and less than the one before rather than fixed levels (Nakamura, "The communication of dynamics between
musicians and listeners through musical performance", Perception & Psychophysics 41, 1987): the order is what
counts.

A swell leads to the mark printed at its end; without one it moves by a step and stays there until the next
mark or swell; however many follow each other, never more than two steps from the last mark. Printed words
(cresc., dim.) last until the next mark or swell, at most four bars. A sudden accent (sf, fz) is no level; fp
and sfp go on softly after it.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Literal

from understave.findings.printed_words import read_text
from understave.findings.remembered import remembered
from understave.score.model import Direction, Score

MIDDLE, STEP = 64.0, 10.0
"""Velocity between mp and mf, and from one mark to the next."""
MARKS = ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff")
VELOCITIES = {mark: MIDDLE + STEP * (i - 4.5) for i, mark in enumerate(MARKS)}
SOFTEST, LOUDEST = 20.0, 122.0
"""Ends of the line: below, a piano hardly speaks; above, nothing is left for accents."""

ACCENTS = {
    "sforzato": STEP,
    "sff": 1.5 * STEP,
    "forte-piano": STEP,
    "sforzato-piano": STEP,
    "rinforzando": STEP / 2,
}
"""Velocity that an accent adds to the notes it stands at, by the dictionary's term."""
_LEVELS = {
    **{m: m for m in ("pppp", "ppp")},
    "pianissimo": "pp",
    "sempre-pianissimo": "pp",
    "piano": "p",
    "sempre-piano": "p",
    "leise": "p",
    "soft": "p",
    "mezzo-piano": "mp",
    "mezzo-forte": "mf",
    "forte": "f",
    "sempre-forte": "f",
    "loud": "f",
    "fortissimo": "ff",
    "fff": "fff",
}
_SOFT_AFTER = {"forte-piano": "p", "sforzato-piano": "p"}
_RELATIVE = {"piu-forte": STEP, "piu-piano": -STEP}
_RISING = frozenset(("crescendo", "piu-crescendo", "molto-crescendo", "augmentez", "starker"))
_FALLING = frozenset(
    ("diminuendo", "piu-diminuendo", "diminuez", "abnehmend", "calando", "morendo", "smorzando")
)
_ALWAYS = frozenset(("sempre", "immer", "toujours"))
_LOUD = frozenset(("forte", "fortissimo", "fff", "piu-forte"))
_WORD_BARS = 4
"""Bars that a printed word lasts, at most; our own choice."""


@dataclass(frozen=True, slots=True)
class PrintedMark:
    """A mark that holds from its moment on, and its velocity."""

    moment: Fraction
    mark: str
    velocity: float


@dataclass(frozen=True, slots=True)
class PrintedSwell:
    """A printed hairpin or its words, and the velocities it leads from and to."""

    start: Fraction
    end: Fraction
    kind: Literal["crescendo", "diminuendo"]
    before: float
    after: float
    words: bool


@dataclass(frozen=True, slots=True)
class PrintedAccent:
    """A sudden accent on what is struck at a moment, on one staff: velocity added."""

    moment: Fraction
    staff: int
    text: str
    amount: float


@dataclass(frozen=True)
class PrintedLoudness:
    """All that is printed, in order of time, and the line through it as (moment, velocity) points."""

    marks: tuple[PrintedMark, ...]
    swells: tuple[PrintedSwell, ...]
    accents: tuple[PrintedAccent, ...]
    line: tuple[tuple[Fraction, float], ...]

    def at(self, moment: Fraction | float) -> float:
        """Return the velocity of the line at a moment; of two points at one moment the later holds."""
        i = bisect_right(self.line, float(moment), key=lambda p: float(p[0]))
        if i == 0:
            return self.line[0][1]
        if i == len(self.line):
            return self.line[-1][1]
        (t0, v0), (t1, v1) = self.line[i - 1], self.line[i]
        return v0 + (v1 - v0) * (float(moment) - float(t0)) / float(t1 - t0)


@remembered
def printed_loudness(score: Score) -> PrintedLoudness:
    """Read the printed dynamics of a score; without any the line stays at mf."""
    marks: dict[Fraction, tuple[str, float | None]] = {}
    accents: list[PrintedAccent] = []
    swells: list[tuple[Fraction, Fraction | None, bool, bool]] = []
    for direction in sorted(score.directions, key=lambda direction: direction.onset):
        if direction.kind == "wedge":
            swells.append((direction.onset, direction.end, direction.text == "crescendo", False))
        elif direction.kind in ("dynamic", "words", "tempo"):
            _read(direction, marks, accents, swells)
    swells = _overlapped(list(dict.fromkeys(swells)), set(marks))
    return _drawn(score, marks, tuple(dict.fromkeys(accents)), swells)


def _overlapped(
    swells: list[tuple[Fraction, Fraction | None, bool, bool]], marks: set[Fraction]
) -> list[tuple[Fraction, Fraction | None, bool, bool]]:
    """Make one of hairpins, or words with their dashes, that run at once in one direction, as parts have
    them.
    """
    found: list[tuple[Fraction, Fraction | None, bool, bool]] = []
    for swell in swells:
        start, end, up, words = swell
        begun, until, before, worded = found[-1] if found else (start, None, up, True)
        at_once = until is not None and start < until and before == up and worded == words
        if at_once and until is not None and end is not None and not any(begun < t <= start for t in marks):
            found[-1] = (begun, max(until, end), up, words)
        else:
            found.append(swell)
    return found


def _read(
    direction: Direction,
    marks: dict[Fraction, tuple[str, float | None]],
    accents: list[PrintedAccent],
    swells: list[tuple[Fraction, Fraction | None, bool, bool]],
) -> None:
    """Sort the terms of one printed text into marks, accents and swells."""
    for term in read_text(direction.text)[0]:
        if term in ACCENTS:
            accents.append(PrintedAccent(direction.onset, direction.staff, direction.text, ACCENTS[term]))
        if term in _SOFT_AFTER:
            marks[direction.onset] = (_SOFT_AFTER[term], None)
        elif term in _LEVELS:
            marks[direction.onset] = (_LEVELS[term], None)
        elif term in _RELATIVE:
            marks.setdefault(direction.onset, (direction.text, _RELATIVE[term]))
        elif term in _RISING or term in _FALLING:
            end = direction.end if direction.end is not None and direction.end > direction.onset else None
            swells.append((direction.onset, end, term in _RISING, True))


def _drawn(
    score: Score,
    marks: dict[Fraction, tuple[str, float | None]],
    accents: tuple[PrintedAccent, ...],
    swells: list[tuple[Fraction, Fraction | None, bool, bool]],
) -> PrintedLoudness:
    """Draw the line: from mark to mark level, along swells sloping."""
    level = VELOCITIES[_opening(marks)]
    line: list[tuple[Fraction, float]] = [(Fraction(0), level)]
    drawn_marks: list[PrintedMark] = []
    drawn: list[PrintedSwell] = []
    happenings: list[tuple[Fraction, int]] = sorted(
        [(t, -1) for t in marks] + [(s[0], i) for i, s in enumerate(swells)]
    )
    home, busy = level, Fraction(0)
    for k, (t, i) in enumerate(happenings):
        if i < 0:
            text, change = marks[t]
            level = VELOCITIES[text] if change is None else _clamped(level + change)
            drawn_marks.append(PrintedMark(t, text if change is None else nearest_mark(level), level))
            line = [p for p in line if p[0] < t] + _stopped(line, t) + [(t, level)]
            home, busy = level, t
            continue
        start, end, up, words = swells[i]
        if start < busy:
            continue
        later = next((h[0] for h in happenings[k + 1 :] if h[0] > start), score.end)
        if end is None or end <= start:
            bar = score.measure_at(start).full_length
            end = min(later, start + _WORD_BARS * bar, score.end)
        end = min(end, max(later, start)) if later < end else end
        if end <= start:
            continue
        target = _target(score, marks, end, level, home, up)
        line += [(start, level), (end, target)]
        drawn.append(PrintedSwell(start, end, "crescendo" if up else "diminuendo", level, target, words))
        level, busy = target, end
    return PrintedLoudness(tuple(drawn_marks), tuple(drawn), accents, tuple(line))


def _opening(marks: dict[Fraction, tuple[str, float | None]]) -> str:
    """Return the mark a piece begins with: the first printed in its first bars, else mf."""
    first = min((t for t, (_, change) in marks.items() if change is None), default=None)
    return marks[first][0] if first is not None and first <= 4 else "mf"


def _stopped(line: list[tuple[Fraction, float]], t: Fraction) -> list[tuple[Fraction, float]]:
    """Return where the line stands just before a new mark at `t`, so that it jumps there."""
    before = [p for p in line if p[0] < t]
    at = [p for p in line if p[0] >= t]
    if not before:
        return []
    if not at:
        return [(t, before[-1][1])]
    (t0, v0), (t1, v1) = before[-1], at[0]
    return [(t, v0 + (v1 - v0) * float((t - t0) / (t1 - t0)))]


def _target(
    score: Score,
    marks: dict[Fraction, tuple[str, float | None]],
    end: Fraction,
    level: float,
    home: float,
    up: bool,
) -> float:
    """Return the velocity a swell leads to: the mark at its end or within a bar after it, else a step on."""
    near = end + score.measure_at(end).full_length
    after = min((t for t in marks if end <= t <= near), default=None)
    if after is not None and marks[after][1] is None:
        goal = VELOCITIES[marks[after][0]]
        if (goal > level) == up and goal != level:
            return goal
    # However far swells have gone already, none turns back.
    if up:
        return _clamped(max(level, min(home + 2 * STEP, level + STEP)))
    return _clamped(min(level, max(home - 2 * STEP, level - STEP)))


def _clamped(velocity: float) -> float:
    return max(SOFTEST, min(LOUDEST, velocity))


def stays_loud(text: str) -> bool:
    """Whether a printed text keeps the music loud: *sempre f*, *sempre più ff*, *immer f*."""
    terms = [term for term in read_text(text)[0] if term != "piu"]
    return "sempre-forte" in terms or any(a in _ALWAYS and b in _LOUD for a, b in pairwise(terms))


def nearest_mark(velocity: float) -> str:
    """Return the mark whose velocity lies nearest."""
    return min(MARKS, key=lambda m: abs(VELOCITIES[m] - velocity))
