"""A score -> whether it is built on a ground: a few bars of bass that come again and again.

A ground is a phrase of the bass repeated throughout while what stands above it changes (Hutchinson, "Music
Theory for the 21st-Century Classroom", chapter on ground bass, from memory). The bass is the lowest note that
sounds on each beat, by letter; a turn may be adorned, moved to another voice or left out for a while.
"""

from __future__ import annotations

from understave.findings.remembered import remembered
from understave.findings.sounding_notes import soundings
from understave.score.model import Score

_BARS = range(2, 11)
"""Bars of a ground."""
_TURNS = 5
"""Turns of a ground at least (set by ear; a refrain of four lines is none)."""
_SAME_BEATS = 0.7
_SAME_BARS = 0.55
"""Share of beats that two bars share, and of bars that stand as one ground before: set on Purcell's sonata
Z 807 and chacony Z 730, which have one, and 51 songs of the training folder, which have none.
"""
_NOTES = 4
"""Different notes of a ground at least: less is an ostinato of accompaniment."""


@remembered
def ground_of(score: Score) -> int:
    """Return how many bars the ground of a piece has, 0 where it is built on none."""
    bars = _basses(score)
    for size in _BARS:
        if len(bars) < _TURNS * size:
            return 0
        alike = [_is_same(bars[k], bars[k - size]) for k in range(size, len(bars))]
        if sum(alike) < _SAME_BARS * len(alike):
            continue
        first = next(k for k, same in enumerate(alike) if same)
        if len({note for bar in bars[first : first + size] for note in bar if note is not None}) >= _NOTES:
            return size
    return 0


def _basses(score: Score) -> list[tuple[int | None, ...]]:
    """Return the lowest note that sounds on each beat of every bar, as one of the twelve, None for none."""
    heard = soundings(score)
    found = []
    for measure in score.measures:
        beats = int(measure.length / measure.beat_length) or 1
        chords = [heard.at(measure.start + k * measure.beat_length) for k in range(beats)]
        found.append(tuple(chord[0].midi % 12 if chord else None for chord in chords))
    return found


def _is_same(one: tuple[int | None, ...], other: tuple[int | None, ...]) -> bool:
    if len(one) != len(other) or not any(note is not None for note in one):
        return False
    return sum(a == b for a, b in zip(one, other, strict=True)) >= _SAME_BEATS * len(one)
