"""Notes in beats in, a likely meter and the place of its first downbeat out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from understave.score.readers.midi_time import Played


def guess_meter(notes: Sequence[Played], beats_in_bar: Sequence[int] = (4, 3, 2)) -> tuple[int, int]:
    """Return beats in a bar, and which beat (counted from the first whole beat) is the first downbeat.

    Downbeats are where low, long and many notes start (Temperley 2001, ch. 2): the bar length and phase
    whose downbeats stand out most from the other beats count, longer bars being slightly preferred
    because a two-beat bar fits inside a four-beat one.
    """
    last = int(max(float(played.onset) for played in notes)) + 1
    counts, lengths, lowest = np.zeros(last + 1), np.zeros(last + 1), np.full(last + 1, np.nan)
    for played in notes:
        if played.onset.denominator == 1 and played.onset >= 0:
            at = int(played.onset)
            counts[at] += 1
            lengths[at] = max(lengths[at], min(float(played.duration), 3.0))
            lowest[at] = np.fmin(lowest[at], played.midi)
    if not counts.any():
        return 4, 0
    usual = float(np.nanmedian(lowest))
    low = np.nan_to_num(np.clip((usual - lowest) / 12, -1.0, 2.0), nan=-1.0)
    accents = 0.3 * np.sqrt(counts) + 0.5 * np.sqrt(lengths) + 0.8 * low
    if accents.std() == 0:
        return 4, 0
    accents = (accents - accents.mean()) / accents.std()
    best = (-np.inf, 4, 0)
    for length in beats_in_bar:
        for phase in range(length):
            on = np.zeros(last + 1, dtype=bool)
            on[phase::length] = True
            if not on.any() or on.all():
                continue
            stands_out = accents[on].mean() - accents[~on].mean()
            value = stands_out * np.sqrt(on.mean() * (1 - on.mean())) * 2 - 0.02 * phase
            if value > best[0]:
                best = (value, length, phase)
    return best[1], best[2]


def is_compound(notes: Sequence[Played]) -> bool:
    """Say whether beats are mostly divided in three."""
    thirds = sum(played.onset.denominator in (3, 6) for played in notes)
    halves = sum(played.onset.denominator in (2, 4, 8) for played in notes)
    return thirds > 2 * halves and thirds > len(notes) // 6


def stretched(notes: Sequence[Played], factor: Fraction, shift: Fraction) -> list[Played]:
    """Multiply all written times by a factor, then shift them."""
    return [
        replace(played, onset=played.onset * factor + shift, duration=played.duration * factor)
        for played in notes
    ]
