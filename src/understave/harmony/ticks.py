"""Exact times as whole numbers: a score's moments over one common denominator.

In: a Score. Out: how many ticks make a quarter note so that every onset, duration, barline and beat of it
falls on a tick. Whole numbers compare and add as exactly as fractions do, many times faster.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from math import lcm

from understave.score.model import Score


def ticks_per_quarter(score: Score, also: Iterable[Fraction] = ()) -> int:
    """Return the least number of ticks in a quarter note that makes all times whole, those in `also` too."""
    found = {t.denominator for t in also}
    for note in score.notes:
        found.add(note.onset.denominator)
        found.add(note.duration.denominator)
    for measure in score.measures:
        found.update(
            t.denominator
            for t in (measure.start, measure.length, measure.offset, measure.beat_length, measure.full_length)
        )
    return lcm(*found)


def ticks(time: Fraction, per_quarter: int) -> int:
    """Return a time in ticks; `per_quarter` must be a multiple of its denominator."""
    numerator, denominator = time.as_integer_ratio()
    return numerator * (per_quarter // denominator)
