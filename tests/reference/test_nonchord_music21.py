"""Passing and neighbour tones of chorales against music21's own reading of three notes in a line.

music21 (voiceLeading.ThreeNoteLinearSegment) says whether the middle of three notes could be a passing or a
neighbour tone; its parts give the three notes. Our lines and kinds must say the same of every note that
is foreign to the chord from its start to its end.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest

from understave.findings.nonchord import find_nonchord
from understave.harmony.engine import read_harmony
from understave.score.reader import read_score

pytest.importorskip("music21")

WORKS = ("bwv253", "bwv257", "bwv269", "bwv278", "bwv299", "bwv310", "bwv328", "bwv347")
# What is left: lines that leap so much that register is followed, and returns to another accidental.
FLOOR = 0.98


@pytest.mark.corpus
def test_kinds_agree_with_music21():
    same = compared = 0
    for work in WORKS:
        for label, segment in segments(work):
            compared += 1
            same += (label == "passing tone") == segment.couldBePassingTone() and (
                label == "neighbour tone"
            ) == segment.couldBeNeighborTone()
    assert compared >= 100
    assert same / compared >= FLOOR


def segments(work: str) -> Iterator[tuple[str, Any]]:
    """Yield the kind of every simple non-chord tone of a chorale with music21's three notes around it."""
    from music21 import corpus, voiceLeading

    around: dict[tuple[int, Fraction, int], tuple[Any, Any, Any]] = {}
    for number, part in enumerate(corpus.parse(f"bach/{work}").parts):
        notes = [n for n in part.stripTies().flatten().notes if not n.duration.isGrace]
        for before, note, after in zip(notes, notes[1:], notes[2:], strict=False):
            onset = Fraction(note.offset).limit_denominator(64)
            around[number, onset, note.pitch.midi] = (before, note, after)
    score = read_score(corpus.getWork(f"bach/{work}"))
    for event in find_nonchord(score, read_harmony(score).spans):
        note = score.note_by_id[event.notes[0]]
        three = around.get((note.part, note.onset, note.midi))
        whole = (event.start, event.end) == (note.onset, note.end)
        if three is None or not whole or event.get("manner") != "direct" or len(event.notes) > 1:
            continue
        if any(b.offset != a.offset + a.quarterLength for a, b in pairwise(three)):
            continue
        yield event.label, voiceLeading.ThreeNoteLinearSegment(*(n.pitch.nameWithOctave for n in three))
