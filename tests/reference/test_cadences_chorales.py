"""Phrase ends and cadences of chorales against the marks in the analyses that the music21 package carries.

The marks are those of Andrew Jones, Dmitri Tymoczko and Hamish Robb. The floors guard against getting
worse; most of these chorales are among the pieces that the weights of phrase ends were fitted on, and
`python -m benchmarks.cadences` measures on the others.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytest.importorskip("music21")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchmarks.cadences import Counts, judge, marks_of, without_fermatas
from benchmarks.corpora import DROP, chorale_score

from understave.harmony.engine import read_harmony
from understave.score.reader import read_score

NUMBERS = (1, 3, 5, 7, 12, 16)


@pytest.mark.corpus
@pytest.mark.parametrize(("fermatas", "floor"), [(True, 0.9), (False, 0.65)])
def test_phrases_end_where_the_analysts_mark_them(fermatas: bool, floor: float) -> None:
    import music21

    home = Path(music21.__file__).parent / "corpus" / "bach" / "choraleAnalyses"
    counts = {way: Counts() for way in ("end", "cadence")}
    for number in NUMBERS:
        score = read_score(chorale_score(number))
        marked = marks_of((home / f"riemenschneider{number:03d}.rntxt").read_text(encoding="utf-8"), score)
        if marked.fit < DROP:
            continue
        if not fermatas:
            score = without_fermatas(score)
        judged = judge(score, read_harmony(score).spans, marked)
        for way, count in counts.items():
            count.add(*judged[way])
    assert counts["end"].marked >= 20
    assert counts["end"].f1 >= floor
    assert counts["cadence"].f1 >= floor
