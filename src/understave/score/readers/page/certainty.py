"""How sure a bar is that was read from a page: from how well it adds up to a probability that it is right.

In: the best and second-best solution of its rhythm. Out: `Signs` of trouble, and from them the confidence.
"""

from __future__ import annotations

from fractions import Fraction
from math import exp
from typing import NamedTuple

from understave.score.readers.page.solving import Solution


class Signs(NamedTuple):
    """What tells of mistakes in a bar, each the larger the worse."""

    cost: float
    """What the rhythm costs, at most 8."""
    rivalled: float
    """How near the second-best rhythm comes: 1 where it is as good, 0 where it is far behind."""
    unfilled: float
    """Voices whose values do not fill the bar, at most 3."""
    small: float
    """1 where small notes stand, which may be grace notes or not."""
    odd: float
    """1 where the bar is longer or shorter than its meter."""


def signs_of(solution: Solution, second: Solution | None, meter: Fraction, small: bool) -> Signs:
    """Return the signs of a bar; `meter` is its due length in quarters."""
    filled: dict[int, Fraction] = {}
    for voice, value in zip(solution.voices, solution.values, strict=True):
        filled[voice] = filled.get(voice, Fraction(0)) + value
    ahead = second.cost - solution.cost if second is not None else 10.0
    return Signs(
        cost=min(solution.cost, 8.0),
        rivalled=exp(-max(0.0, ahead)),
        unfilled=float(min(3, sum(length < solution.length for length in filled.values()))),
        small=float(small),
        odd=float(solution.length != meter),
    )


WEIGHTS = (-4.48, 0.52, 1.74, 0.31, 0.31, 0.20)
"""Log odds that a bar is wrong: without signs, and for each of the `Signs`. Fitted by ``python -m
benchmarks.pages --split build --engravers Leipzig LilyPond --fit``."""
DOUBTFUL = 0.75
"""Confidence below which a bar is named as one to look at. Set by eye: half or more of those are wrong."""


def confidence(signs: Signs) -> float:
    """Return the probability that a bar is right, 0 to 1."""
    odds = WEIGHTS[0] + sum(weight * sign for weight, sign in zip(WEIGHTS[1:], signs, strict=True))
    return 1 / (1 + exp(odds))
