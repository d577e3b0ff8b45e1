"""Tiny scores built in code: chords written as note names, one line a chord."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from understave.score.model import Measure, Note, Part, Score
from understave.theory.pitch import Interval, Pitch


def score_of(
    notes: Sequence[tuple[Fraction, Fraction, str]],
    beats: int = 4,
    beat_type: int = 4,
    signature: int = 0,
    interval: Interval | None = None,
) -> Score:
    """Build a piano score from (onset, duration, pitch) in quarters; below C4 goes to the lower staff."""
    bar = Fraction(4 * beats, beat_type)
    end = max(onset + duration for onset, duration, _ in notes)
    count = -(-end // bar)
    move = interval.fifths if interval else 0
    measures = tuple(
        Measure(f"m{i}", i, str(i + 1), i * bar, bar, beats, beat_type, signature + move)
        for i in range(count)
    )
    made = []
    for i, (onset, duration, name) in enumerate(sorted(notes, key=lambda n: (n[0], Pitch.parse(n[2]).midi))):
        pitch = Pitch.parse(name)
        staff = 1 if pitch.midi >= 60 else 2
        moved = pitch + interval if interval else pitch
        made.append(
            Note(
                id=f"n{i}",
                onset=onset,
                duration=duration,
                pitch=moved,
                written=moved,
                staff=staff,
                voice=str(staff),
                part=0,
                measure=int(onset // bar),
                ids=(f"n{i}",),
            )
        )
    return Score("", "", (Part("P1", "Piano", 1, 2),), measures, tuple(made))


def chords(  # noqa: PLR0913
    text: str,
    length: Fraction | int = 2,
    beats: int = 4,
    beat_type: int = 4,
    signature: int = 0,
    broken: bool = False,
    interval: Interval | None = None,
) -> Score:
    """Build a score from chords, ``"C3 G3 C4 E4 | G2 ..."``, all of one length.

    `broken` plays each chord as eighth notes one after the other, from the lowest up and round again.
    """
    notes: list[tuple[Fraction, Fraction, str]] = []
    time = Fraction(0)
    length = Fraction(length)
    for chord in text.split("|"):
        names = chord.split()
        if broken:
            step = Fraction(1, 2)
            rising = sorted(names, key=lambda n: Pitch.parse(n).midi)
            for k in range(int(length / step)):
                notes.append((time + k * step, step, rising[k % len(rising)]))
        else:
            notes.extend((time, length, n) for n in names)
        time += length
    return score_of(notes, beats, beat_type, signature, interval)
