"""Notes in beats in, a likely meter and the place of its first downbeat out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from understave.score.midi_time import Played


def guess_meter(notes: Sequence[Played], beats_in_bar: Sequence[int] = (4, 3, 2)) -> tuple[int, int]:
    """Return beats in a bar, and which beat (counted from the first whole beat) is the first downbeat.

    Downbeats are where low, long and many notes start (Temperley 2001, ch. 2): the bar length and phase
    whose downbeats stand out most from the other beats count, longer bars being slightly preferred
    because a two-beat bar fits inside a four-beat one.
    """
    last = int(max(float(n.onset) for n in notes)) + 1
    accents = np.zeros(last + 1)
    for n in notes:
        if n.onset.denominator == 1 and n.onset >= 0:
            low = max(0.0, (60 - n.midi) / 24)
            accents[int(n.onset)] += 0.3 + 0.5 * min(float(n.duration), 3.0) ** 0.5 + low
    accents = np.sqrt(accents)
    if accents.std() == 0:
        return 4, 0
    accents = (accents - accents.mean()) / accents.std()
    bass = _bass_changes(notes, last + 1)
    best = (-np.inf, 4, 0)
    for length in beats_in_bar:
        for phase in range(length):
            on = np.zeros(last + 1, dtype=bool)
            on[phase::length] = True
            if not on.any() or on.all():
                continue
            stands_out = accents[on].mean() - accents[~on].mean() + 0.5 * (bass[on].mean() - bass[~on].mean())
            value = stands_out * np.sqrt(on.mean() * (1 - on.mean())) * 2 - 0.02 * phase
            if value > best[0]:
                best = (value, length, phase)
    return best[1], best[2]


def _bass_changes(notes: Sequence[Played], beats: int) -> np.ndarray:
    """Return 1 for beats at which the lowest note changes."""
    lowest = np.full(beats, 128.0)
    for n in notes:
        at = int(n.onset)
        if 0 <= at < beats:
            lowest[at] = min(lowest[at], n.midi)
    out = np.zeros(beats)
    out[1:] = (lowest[1:] != lowest[:-1]) & (lowest[1:] < 128)
    return out


def is_compound(notes: Sequence[Played]) -> bool:
    """Say whether beats are mostly divided in three."""
    thirds = sum(n.onset.denominator in (3, 6) for n in notes)
    halves = sum(n.onset.denominator in (2, 4, 8) for n in notes)
    return thirds > 2 * halves and thirds > len(notes) // 6


def stretched(notes: Sequence[Played], factor: Fraction, shift: Fraction) -> list[Played]:
    """Multiply all written times by a factor, then shift them."""
    return [replace(n, onset=n.onset * factor + shift, duration=n.duration * factor) for n in notes]
