"""Excerpts are engraved from the bars around them alone, and look as if made from the whole score."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from understave.engraving import excerpt, notation
from understave.harmony.reading import Reading
from understave.score.reader import read_score

ROOT = Path(__file__).parents[2]


def _shape(svg: str) -> str:
    """The drawing without the ids that the engraver invents."""
    return re.sub(r' id="[^"]*"| id-\w+', "", svg)


@pytest.mark.parametrize("piece", ["lock-water", "chain-ferry"])  # pedal lines; clefs, long slurs, dynamics
@pytest.mark.parametrize(("first", "count"), [(0, 2), (4, 1), (9, 4), (25, 6), (36, 4)])
def test_an_excerpt_looks_as_in_the_whole(piece, first, count, monkeypatch):
    score = read_score(ROOT / "examples" / piece / "score.musicxml")
    cut = excerpt(score, Reading(()), first, first + count - 1)
    monkeypatch.setattr(notation, "_MARGIN", 10_000)
    assert _shape(excerpt(score, Reading(()), first, first + count - 1)) == _shape(cut)


def test_clefs_of_bars_left_out_still_hold():
    score = read_score(ROOT / "examples" / "chain-ferry" / "score.musicxml")
    root = notation.etree.fromstring(notation.to_mei(score.source))
    before = len(list(root.iter(f"{{{notation.MEI}}}clef")))
    first, last = notation._cut_out(root, score, len(score.measures) - 3, len(score.measures) - 1)
    left = list(root.iter(f"{{{notation.MEI}}}measure"))
    assert len(list(root.iter(f"{{{notation.MEI}}}clef"))) == before
    assert len(left) < len(score.measures)
    assert [m.get(notation.XML_ID) for m in left[first : last + 1]] == [m.id for m in score.measures[-3:]]
