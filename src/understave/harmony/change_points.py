"""Chords that follow each other within a stretch of the score -> the moments where they change."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import combinations, pairwise

from understave.errors import AnalysisError
from understave.score.model import Score
from understave.theory.chord import Chord

MOST_MOMENTS = 32
"""Moments looked at; of more, those on the strongest places of the bar."""


def change_points(
    score: Score, start: Fraction, end: Fraction, chords: Sequence[Chord]
) -> tuple[Fraction, ...]:
    """Return the moments between `start` and `end` at which the second, third ... chord begins.

    Chosen among the moments at which a note is struck so that most of the sounding time belongs to the
    chords; of equals the strongest place of the bar, then the earliest. Raises UnderstaveError where too few
    notes are struck.
    """
    if len(chords) < 2:
        return ()
    notes = [note for note in score.struck if note.onset < end and note.end > start]
    struck = sorted(
        {note.onset for note in notes if start < note.onset < end}, key=lambda t: (_weakness(score, t), t)
    )
    moments = sorted(struck[:MOST_MOMENTS])
    if len(moments) < len(chords) - 1:
        raise AnalysisError(
            f"Those are {len(chords)} chords, but too few notes are struck there for them to change; "
            "make the chord longer first, or give one chord only."
        )

    def fit(parts: tuple[Fraction, ...]) -> tuple[Fraction, int, tuple[Fraction, ...]]:
        inside = Fraction(0)
        for (a, b), chord in zip(pairwise((start, *parts, end)), chords, strict=True):
            for note in notes:
                shared = min(note.end, b) - max(note.onset, a)
                if shared > 0 and note.midi % 12 in chord.semitones:
                    inside += shared
        return -inside, sum(_weakness(score, t) for t in parts), parts

    return min(combinations(moments, len(chords) - 1), key=fit)


def _weakness(score: Score, moment: Fraction) -> int:
    """0 on the first beat of a bar, 1 on a beat, more the finer the division."""
    beat = score.beat_at(moment) - 1
    return 0 if beat == 0 else beat.denominator
