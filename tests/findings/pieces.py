"""The example pieces with their reference analyses, for tests of what is told about them."""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from pathlib import Path

from tests.once import read_score

from understave.harmony.reading import Span
from understave.harmony.romantext import read_romantext
from understave.score.model import Score

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


@cache
def example(name: str) -> tuple[Score, tuple[Span, ...]]:
    """Return an example's score and the spans of its reference analysis."""
    score = read_score(EXAMPLES / name / "score.musicxml")
    text = (EXAMPLES / name / "analysis.txt").read_text(encoding="utf-8")
    return score, tuple(read_romantext(text, score))


def bar(score: Score, moment: object) -> int:
    """Return the printed number of the bar at a moment."""
    assert isinstance(moment, Fraction)
    return int(score.measure_at(moment).number)


def last_bar(score: Score, moment: object) -> int:
    """Return the printed number of the bar that ends at a moment."""
    assert isinstance(moment, Fraction)
    return bar(score, moment - Fraction(1, 64))
