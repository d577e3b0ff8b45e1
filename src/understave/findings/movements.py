"""Score -> where its movements begin, and the movement of each bar.

A file of several movements numbers its bars from one again in each (common practice, no source).
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

from understave.score.model import Score

_FIRST = ("0", "1")


def movements_of(score: Score) -> list[Fraction]:
    """Return the moments, in quarters, at which bars are numbered from one again; none for one movement."""
    return [
        bar.start
        for before, bar in pairwise(score.measures)
        if bar.number in _FIRST and before.number not in _FIRST
    ]


def movement_numbers(score: Score) -> list[int]:
    """Return of each bar in which movement it lies, from 0 on."""
    starts = movements_of(score)
    return [sum(start <= bar.start for start in starts) for bar in score.measures]
