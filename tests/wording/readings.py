"""Readings that the tests of the wording share: both examples, and chorales of the music21 corpus."""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

import pytest
from tests.once import once, read, read_score

from understave.findings import with_events
from understave.harmony import adopted
from understave.harmony.reading import Reading
from understave.score.model import Score

ROOT = Path(__file__).parents[2]
EXAMPLES = ("chain-ferry", "lock-water")
CHORALES = (1, 2, 3, 5, 7, 9, 12, 16, 20, 26)
"""Numbers of Riemenschneider's edition."""


@cache
def example(name: str) -> tuple[Score, Reading]:
    score = read_score(ROOT / "examples" / name / "score.musicxml")
    return score, read(score)


@once
def analysed(name: str) -> tuple[Score, Reading]:
    """Return an example read as the analysis says that was written by hand, as its demo lesson is."""
    score, _ = example(name)
    analysis = (ROOT / "examples" / name / "analysis.txt").read_text(encoding="utf-8")
    return score, with_events(score, adopted.read_as(score, (), analysis)[0], True)


@once
def chorale(number: int) -> tuple[Score, Reading]:
    sys.path.insert(0, str(ROOT))
    from benchmarks.corpora import chorale_score

    score = read_score(chorale_score(number))
    return score, read(score)


NAMES = (*EXAMPLES, *(f"chorale-{n}" for n in CHORALES))


def piece(name: str) -> tuple[Score, Reading]:
    """Return a piece by its name in `NAMES`; skip the test where the corpus is absent."""
    if not name.startswith("chorale-"):
        return example(name)
    pytest.importorskip("music21")
    return chorale(int(name.removeprefix("chorale-")))
