"""Onsets of a performance in seconds in, its beats out.

Dynamic programming over the onsets: a chain of beats scores for the weight of what sounds on them and
pays for every change of tempo, after D. Ellis, "Beat tracking by dynamic programming", Journal of New
Music Research 36 (2007), with the period free to drift and beats on which nothing starts allowed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

_SHORTEST, _LONGEST = 0.25, 1.8  # seconds a beat may last
_USUAL = 0.6  # seconds of a middling beat (Fraisse 1982: preferred tempo about 100 a minute)
_TOGETHER = 0.04  # seconds within which onsets are one chord


@dataclass(frozen=True, slots=True)
class Onset:
    """A moment at which notes start, and how much it draws a beat."""

    time: float
    weight: float


def gather(notes: Sequence[tuple[float, float, int, int]]) -> list[Onset]:
    """Return onsets of notes (start, end, MIDI number, velocity), sorted; chords become one onset.

    What is long, loud, low or thick draws a beat (Temperley 2001, ch. 2, after Lerdahl and Jackendoff).
    """
    out: list[Onset] = []
    group: list[tuple[float, float, int, int]] = []
    for note in [*sorted(notes), (float("inf"), 0.0, 0, 0)]:
        if group and note[0] - group[0][0] > _TOGETHER:
            length = max(min(n[1] - n[0], 2.0) for n in group)
            low = max(0.0, (60 - min(n[2] for n in group)) / 24)
            loud = max(n[3] for n in group) / 100
            weight = 0.4 * min(len(group), 5) ** 0.5 + 0.5 * length**0.5 + 0.5 * low + 0.5 * loud
            out.append(Onset(sum(n[0] for n in group) / len(group), weight))
            group = []
        group.append(note)
    return out


def track_beats(
    onsets: Sequence[Onset], tempo_cost: float = 6.0, missed: float = 0.3, prior_weight: float = 0.2
) -> list[float]:
    """Return beat times in seconds from the first onset's beat to past the last onset.

    State: the last two beats with an onset on them, as the onset and the period that led to it. A step
    may skip up to three beats on which nothing starts.
    """
    times = np.array([onset.time for onset in onsets])
    weights = np.array([onset.weight for onset in onsets])
    weights = weights / weights.mean()
    periods = np.geomspace(_SHORTEST, _LONGEST, 64)
    usual = _usual_period(times, weights)
    prior = prior_weight * 0.5 * (np.log(periods / usual) / 0.4) ** 2
    count = len(times)
    score = np.full((count, len(periods)), -np.inf)
    back = np.full((count, len(periods), 2), -1, dtype=int)
    skipped = np.zeros((count, len(periods)), dtype=int)
    score[:, :] = -2.0 * (times - times[0])[:, None]
    for i in range(1, count):
        first = min(int(np.searchsorted(times, times[i] - 4 * _LONGEST)), i - 1)
        before, beats, period = _steps(times, first, i)
        if not len(before):
            continue
        k = np.abs(periods - period[:, None]).argmin(axis=1)
        options = score[before] - tempo_cost * np.log(period[:, None] / periods) ** 2
        best = options.argmax(axis=1)
        # Reward by the second, so that slow and fast beats compete evenly.
        value = options[np.arange(len(best)), best] + period * (weights[i] + missed * (beats - 1))
        value -= (times[i] - times[before]) * prior[k]
        # The best step to each period, the nearest onset of several.
        order = np.lexsort((-value, k))
        order = order[np.diff(k[order], prepend=-1) > 0]
        order = order[value[order] > score[i, k[order]]]
        score[i, k[order]] = value[order]
        back[i, k[order]] = np.stack((before[order], best[order]), axis=1)
        skipped[i, k[order]] = beats[order]
    return _traced(times, periods, score, back, skipped)


def _steps(times: np.ndarray, first: int, i: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what can lead to onset `i`: the onset before (nearest first), beats and seconds a beat."""
    before = np.arange(i - 1, first - 1, -1)
    gap = times[i] - times[before]
    most = np.maximum(4, (gap / _LONGEST).astype(int) + 1)
    beats = np.arange(1, most.max() + 1)
    period = gap[:, None] / beats
    fits = (beats <= most[:, None]) & (period >= _SHORTEST) & (period <= _LONGEST)
    rows, columns = np.nonzero(fits)
    return before[rows], beats[columns], period[fits]


def _usual_period(times: np.ndarray, weights: np.ndarray) -> float:
    """Return the beat's likely length: the strongest gap between onsets near a walking pace."""
    bins = np.geomspace(_SHORTEST, _LONGEST, 48)
    strength = np.zeros(len(bins))
    for i in range(len(times)):
        j = i + 1
        while j < len(times) and times[j] - times[i] <= _LONGEST:
            gap = times[j] - times[i]
            if gap >= _SHORTEST:
                strength += weights[i] * weights[j] * np.exp(-0.5 * (np.log(gap / bins) / 0.06) ** 2)
            j += 1
    strength *= np.exp(-0.5 * (np.log(bins / _USUAL) / 0.6) ** 2)
    return float(bins[int(strength.argmax())])


def _traced(
    times: np.ndarray, periods: np.ndarray, score: np.ndarray, back: np.ndarray, skipped: np.ndarray
) -> list[float]:
    last = max(0, len(times) - 6)
    i, k = np.unravel_index(int(score[last:].argmax()), score[last:].shape)
    at, period = int(i) + last, int(k)
    beats = [float(times[at])]
    while back[at, period][0] >= 0:
        j, before = (int(x) for x in back[at, period])
        step = int(skipped[at, period])
        for n in range(1, step + 1):
            beats.append(float(times[at] + (times[j] - times[at]) * n / step))
        at, period = j, before
    beats.reverse()
    return beats
