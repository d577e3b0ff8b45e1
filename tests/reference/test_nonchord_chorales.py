"""Non-chord tones of chorales against the analyses that the music21 package carries.

A note counts as a non-chord tone where it is foreign to the analyst's chord (analyses by Andrew Jones,
Dmitri Tymoczko and Hamish Robb). The floors guard against getting worse; most of these chorales are among
the training pieces of the engine's statistics, and `python -m benchmarks.nonchord` measures on the others.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytest.importorskip("music21")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchmarks.corpora import DROP, chorale_score, lay
from benchmarks.nonchord import UNNAMED, Counts, labelled_notes, notes_of

from understave.findings.nonchord import find_nonchord
from understave.harmony.engine import read_harmony
from understave.score.reader import read_score

NUMBERS = (1, 3, 5, 7, 12, 16)


@pytest.mark.corpus
def test_non_chord_tones_are_those_of_the_analysts():
    import music21

    home = Path(music21.__file__).parent / "corpus" / "bach" / "choraleAnalyses"
    counts = Counts()
    kinds: list[str] = []
    for number in NUMBERS:
        score = read_score(chorale_score(number))
        text = (home / f"riemenschneider{number:03d}.rntxt").read_text(encoding="utf-8")
        analysis, share, _ = lay(text, score)
        if share < DROP:
            continue
        within = labelled_notes(score, analysis.spans)
        expected = find_nonchord(score, analysis.spans)
        kinds += [e.label for e in expected]
        found = find_nonchord(score, read_harmony(score).spans)
        counts.add(notes_of(expected, within), notes_of((e for e in found if e.confidence >= 0.5), within))
    assert counts.right + counts.missed >= 80
    assert counts.f1 >= 0.75
    assert kinds.count(UNNAMED) <= 0.02 * len(kinds)
