"""Small scores with the reading written beside them: chords in one line, numerals in another."""

from __future__ import annotations

import sys
from fractions import Fraction
from pathlib import Path

from understave.harmony.reading import Event, Reading, Span
from understave.score.model import Score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

sys.path.insert(0, str(Path(__file__).parents[1] / "harmony"))

from small_scores import chords, score_of

__all__ = ["chords", "read_as", "score_of"]


def read_as(
    music: str, labels: str, length: int = 4, events: tuple[Event, ...] = (), **how: bool
) -> tuple[Score, Reading]:
    """Return chords ``"C3 G3 | G2"`` and their reading ``"C: I | V | a: i"``; a key stays until changed."""
    score = chords(music, length, **how)
    key = Key.parse("C")
    spans = []
    for i, label in enumerate(labels.split("|")):
        named, _, numeral = label.strip().rpartition(":")
        key = Key.parse(named) if named else key
        start = Fraction(length * i)
        spans.append(Span(start, start + length, key, RomanNumeral.parse(numeral.strip()), 0.9))
    return score, Reading(tuple(spans), events)
