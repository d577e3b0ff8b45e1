"""An analysis by hand taken over as corrections: the reading says the same, and earlier corrections stay."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from understave.errors import UnderstaveError
from understave.findings import read
from understave.harmony.adopted import adopt, read_as
from understave.harmony.reading import Correction
from understave.harmony.romantext import read_romantext
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.mark.parametrize("name", ["chain-ferry", "lock-water"])
def test_the_reading_says_what_the_analysis_says(name: str) -> None:
    score = read_score(EXAMPLES / name / "score.musicxml")
    text = (EXAMPLES / name / "analysis.txt").read_text(encoding="utf-8")
    reading, added = read_as(score, (), text)
    wanted = read_romantext(text, score)
    for span in wanted:
        there = [s for s in reading.spans if s.start < span.end and s.end > span.start]
        assert {(s.key, s.numeral) for s in there} == {(span.key, span.numeral)}
    assert 0 < len(added) < len(wanted) / 2
    assert adopt(score, reading, text) == ()


def test_what_the_teacher_set_before_stays() -> None:
    score = read_score(EXAMPLES / "lock-water" / "score.musicxml")
    text = (EXAMPLES / "lock-water" / "analysis.txt").read_text(encoding="utf-8")
    key, numeral = Key.parse("Eb"), RomanNumeral.parse("iii")
    mine = Correction("1", Fraction(1), "2", Fraction(1), key, numeral)
    reading, added = read_as(score, (mine,), text)
    assert (reading.spans[0].key, reading.spans[0].numeral) == (key, numeral)
    assert all(c.measure != "1" for c in added)


def test_what_is_no_analysis_is_refused_in_one_sentence() -> None:
    score = read_score(EXAMPLES / "lock-water" / "score.musicxml")
    with pytest.raises(UnderstaveError, match="names no chord"):
        adopt(score, read(score), "The quick brown fox.\n")
