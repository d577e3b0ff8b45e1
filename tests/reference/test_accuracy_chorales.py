"""The engine's reading of chorales against the analyses that the music21 package carries.

Scores and analyses: the music21 corpus (analyses by Andrew Jones, Dmitri Tymoczko and Hamish Robb).
The floors lie a little under what the engine reaches; they guard against getting worse. Most of these
chorales are among the training pieces of the engine's statistics, so the figures say nothing about
music it has not seen: `python -m benchmarks.accuracy` does.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytest.importorskip("music21")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchmarks.accuracy import Tally, compare, engine, tonic
from benchmarks.corpora import chorale_score, coverage, lay

from understave.score.reader import read_score

NUMBERS = (1, 2, 3, 4, 5, 6, 7, 9, 12, 16, 18, 20)


def analysis(number: int) -> str:
    import music21

    home = Path(music21.__file__).parent / "corpus" / "bach" / "choraleAnalyses"
    return (home / f"riemenschneider{number:03d}.rntxt").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def tallies() -> dict[str, Tally]:
    """The engine and the floor (the tonic throughout) over all the chorales."""
    found = {"engine": Tally(), "tonic": Tally()}
    for number in NUMBERS:
        score = read_score(chorale_score(number))
        reference, share, _ = lay(analysis(number), score)
        assert share > 0.85, number
        found["engine"].add(compare(reference.spans, engine(score).spans))
        found["tonic"].add(compare(reference.spans, tonic(score).spans))
    return found


@pytest.mark.parametrize("number", NUMBERS)
def test_the_analyses_fit_their_scores(number: int) -> None:
    """Chord tones cover nearly all that sounds once an analysis lies where it belongs."""
    score = read_score(chorale_score(number))
    reference, share, _ = lay(analysis(number), score)
    assert reference.problems == ()
    assert share == pytest.approx(coverage(score, reference.spans))
    assert share > 0.85


@pytest.mark.parametrize(
    ("measure", "floor"),
    [
        ("key", 86.0),
        ("degree", 80.0),
        ("quality", 88.0),
        ("inversion", 88.0),
        ("root", 90.0),
        ("full", 78.0),
        ("chord", 86.0),
    ],
)
def test_the_engine_agrees_with_the_analysts(tallies: dict[str, Tally], measure: str, floor: float) -> None:
    assert tallies["engine"].figures()[measure] >= floor


def test_few_corrections_are_expected(tallies: dict[str, Tally]) -> None:
    assert tallies["engine"].figures()["fix/100"] <= 27


def test_the_engine_is_far_above_the_floor(tallies: dict[str, Tally]) -> None:
    assert tallies["engine"].figures()["full"] > 2.5 * tallies["tonic"].figures()["full"]
