"""Score -> how far each onset asks for the sustaining pedal at all: by period, texture, touch and tempo.

Pianists leave the pedal alone for long stretches, the more the earlier the music: on instruments whose
dampers were lifted by hand or knee it was an effect, from about 1800 on a habit (Rosenblum, "Performance
Practices in Classic Piano Music", 1988, ch. 4; Banowetz, "The Pianist's Guide to Pedaling", 1985; both from
memory). What fingers can join needs none: runs by step, two or three real parts. What they must leave is
joined by it: broken chords, a bass under chords out of its reach (common practice, no source).

- `habit(score)`: the period's part, from the composer's year of birth; where that is unknown, from what is
  printed and how far the keyboard reaches.
- `texture(...)`: what the fingers can join and what not.
- `wanted(...)`: 0 (fingers alone) .. 1 (pedal throughout) at each onset.

The weights are round numbers; their sign is common practice, their size was chosen from some twenty rows
with the means by period of `benchmarks.pedal` in view.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from understave.interpretation.printed import printed_loudness
from understave.score.composers import life_of
from understave.score.model import Note, Score

Array = NDArray[np.float64]
_YEAR = re.compile(r"\b(1[67]\d\d|1[89]\d\d|20[01]\d)\b")

BORN = (1690, 1732, 1770, 1800, 1815)
HABIT = (0.2, 0.85, 1.7, 2.6, 3.2)
"""Log-odds of the pedal in middling texture, by the composer's year of birth; straight lines between."""
FIVE_OCTAVES = (29, 89)
"""F1 to F6, the keyboard until about 1790 (common practice, no source)."""
HARPSICHORD = (36, 86)
"""C2 to D6: few works for harpsichord go beyond (common practice, no source)."""
GUESSED = {"harpsichord": 1720, "five octaves": 1785, "later": 1815}
"""Year of birth that is taken where none is known; much was written for five octaves later, too."""
ENOUGH = 200
"""Notes from which on what is not printed says something."""
GROWN = 35
"""Years from a composer's birth to a work of which only the year is printed."""
WEIGHTS = {"broken": 2.0, "wide": 1.0, "steps": -3.0, "thin": -2.0, "quick": -1.0, "slow": 1.0}
"""What texture adds to the log-odds, for each of the shares in `Texture`, above or below `MIDDLING`."""
MIDDLING = {"broken": 0.35, "wide": 0.1, "steps": 0.35, "thin": 0.3, "quick": 0.15, "slow": 0.15}
"""What is usual of each share."""
LONG, ARRIVES = 1.5, 1.5
"""Log-odds for each doubling of the time to the next onset over the piece's median (from -1 to 2 of them),
and for an onset that brings a chord."""
CHORDS = 0.3
"""How many of the onsets usually bring one."""
AROUND = 0.5
"""Seconds to either side over which texture is judged."""
STEP = 2
"""Semitones that count as a step, at most."""
THICK = 3.5
"""Keys held at a time from which on music is not thin."""
QUICK = (5.0, 10.0)
"""Onsets a second from which on music counts as quick, and as wholly so."""
SLOW = (1.5, 3.0)
"""Onsets a second up to which it counts as wholly slow, and below which as slow at all."""
HAND = 12
"""Semitones that a hand joins or stretches by itself: an octave (common practice, no source)."""


def habit(score: Score) -> float:
    """Return the log-odds of using the pedal in middling texture, by period."""
    return float(np.interp(born_about(score), BORN, HABIT))


def born_about(score: Score) -> int:
    """Return the composer's year of birth: by name, by a year printed at the beginning, else guessed.

    Without dynamics and within four octaves a work can be for harpsichord; within five and without printed
    pedal it can be early.
    """
    heads = [
        direction.text for direction in score.directions if direction.kind == "words" and direction.onset == 0
    ]
    for text in (score.composer, *heads):
        life = life_of(text) if text else None
        if life is not None:
            return life[0]
    years = [int(y) for text in (score.title, *heads) for y in _YEAR.findall(text)]
    return min(years) - GROWN if years else GUESSED[instrument_of(score)]


def instrument_of(score: Score) -> str:
    """Guess what a score of an unknown hand was written for: a key of `GUESSED`."""
    keys = [note.midi for note in score.struck]
    low, high = min(keys, default=60), max(keys, default=60)
    loudness = printed_loudness(score)
    if len(keys) < ENOUGH or any(direction.kind == "pedal" for direction in score.directions):
        return "later"
    if not (loudness.marks or loudness.swells) and HARPSICHORD[0] <= low and high <= HARPSICHORD[1]:
        return "harpsichord"
    return "five octaves" if FIVE_OCTAVES[0] <= low and high <= FIVE_OCTAVES[1] else "later"


@dataclass(frozen=True, slots=True, eq=False)
class Texture:
    """What is told of the texture round each onset, shares 0..1 of shape (onsets,).

    `broken` is how much of the chord the fingers have let go by then, `wide` whether its bass is among that
    and out of the hand's reach, `steps` how many notes come by step, `thin` how near the music is to one
    line, `quick` and `slow` its pace.
    """

    broken: Array
    wide: Array
    steps: Array
    thin: Array
    quick: Array
    slow: Array

    def odds(self) -> Array:
        """Return what texture adds to the log-odds of the pedal."""
        parts = [weight * (getattr(self, name) - MIDDLING[name]) for name, weight in WEIGHTS.items()]
        return np.asarray(np.sum(parts, axis=0))


def texture(
    notes: Sequence[Note],
    struck: NDArray[np.intp],
    until: Array,
    at: Array,
    seconds: Array,
    chord: NDArray[np.intp],
) -> Texture:
    """Return the texture round each onset.

    `struck` (notes,) are indices of onsets, `until` (notes,) when the finger lets go, `at` (onsets,) when
    each is, both in quarter notes; `seconds` (onsets + 1,) is the clock, `chord` (onsets,) with which onset
    the chord of each began.
    """
    count = at.size
    first = np.searchsorted(seconds[:count], seconds[:count] - AROUND)
    after = np.searchsorted(seconds[:count], seconds[:count] + AROUND, side="right")
    lasts = np.diff(seconds)
    heard = np.maximum(1e-6, _over(lasts, first, after))
    step = _by_step(notes, struck)
    moving = np.maximum(1.0, _over(np.bincount(struck, minlength=count).astype(float), first, after))
    voices, broken, wide = _held_and_left(notes, struck, until, at, chord)
    rate = (after - first) / np.maximum(heard, AROUND)
    return Texture(
        broken=_over(broken * lasts, first, after) / heard,
        wide=_over(wide * lasts, first, after) / heard,
        steps=_over(np.bincount(struck, step, count), first, after) / moving,
        thin=np.clip((THICK - _over(voices * lasts, first, after) / heard) / (THICK - 1.0), 0.0, 1.0),
        quick=np.clip((rate - QUICK[0]) / (QUICK[1] - QUICK[0]), 0.0, 1.0),
        slow=np.clip((SLOW[1] - rate) / (SLOW[1] - SLOW[0]), 0.0, 1.0),
    )


def wanted(period: float, heard: Texture, seconds: Array, arrives: NDArray[np.bool_]) -> Array:
    """Return how far each onset asks for the pedal, 0..1: the logistic of period, texture and place together.

    Where pianists use little pedal it is for what is long and for what is new: `arrives` (onsets,) tells
    where a chord begins.
    """
    lasts = np.diff(seconds)
    doublings = np.log2(np.maximum(lasts, 1e-6) / np.median(lasts))
    place = LONG * np.clip(doublings, -1.0, 2.0) + ARRIVES * (arrives - CHORDS)
    return np.asarray(1.0 / (1.0 + np.exp(-(period + heard.odds() + place))))


def _over(values: NDArray[Any], first: NDArray[np.intp], after: NDArray[np.intp]) -> Array:
    """Return the sum of values from each first index to before another."""
    total = np.append(0.0, np.cumsum(values))
    return np.asarray(total[after] - total[first])


def _by_step(notes: Sequence[Note], struck: NDArray[np.intp]) -> Array:
    """Whether each note comes by step from one struck just before it in its staff."""
    last: dict[tuple[int, int], tuple[int, list[int]]] = {}
    before: dict[tuple[int, int], list[int]] = {}
    found = np.zeros(len(notes))
    for i in np.argsort(struck, kind="stable"):
        n, index = notes[i], int(struck[i])
        place = (n.part, n.staff)
        begun, keys = last.get(place, (-1, []))
        if begun != index:
            before[place] = keys
            keys = []
            last[place] = (index, keys)
        keys.append(n.midi)
        found[i] = any(1 <= abs(n.midi - k) <= STEP for k in before[place])
    return found


def _held_and_left(
    notes: Sequence[Note],
    struck: NDArray[np.intp],
    until: Array,
    at: Array,
    chord: NDArray[np.intp],
) -> tuple[Array, Array, Array]:
    """Return for each onset: keys held, the share of the chord's keys let go since it began, and whether its
    bass is among them, more than a hand below the rest.
    """
    count = at.size
    voices, broken, wide = np.zeros(count), np.zeros(count), np.zeros(count)
    order = np.argsort(struck, kind="stable")
    edges = np.searchsorted(struck[order], np.arange(count + 1))
    sounding: list[int] = []
    since: list[int] = []
    for index in range(count):
        if chord[index] == index:
            since = []
        now = at[index]
        fresh = [int(i) for i in order[edges[index] : edges[index + 1]]]
        sounding = [i for i in sounding if until[i] > now + 1e-6] + fresh
        since += fresh
        held = {notes[i].midi for i in sounding}
        left = {notes[i].midi for i in since} - held
        voices[index] = len(held)
        broken[index] = len(left) / max(1, len(left) + len(held))
        wide[index] = bool(left) and bool(held) and min(held) - min(left) > HAND
    return voices, broken, wide
