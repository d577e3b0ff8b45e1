"""The plan of keys: a reading's keys as a few stretches to confirm, join, move or rename, before any chord.

In: a score and the spans of its reading. Out: `Stretch`es in order, and the `Correction`s that one decision
about them means, as one step. Keys that the teacher has settled hold; the chords in them are found anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from understave.errors import AnalysisError
from understave.harmony.naming import numeral_for
from understave.harmony.reading import Correction, Span
from understave.score.model import Score
from understave.theory.key import Key

MOST = 20
"""Stretches offered at most: what can be gone through in a minute. Set by ear."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One key from a moment to another.

    `sure` (0..1) is the mean confidence of its chords by time; `within` are shorter keys read inside it that
    were left out of the plan to keep it short, in order; `settled` tells that the teacher set all of it.
    """

    start: Fraction
    end: Fraction
    key: Key
    sure: float
    within: tuple[Key, ...] = ()
    settled: bool = False


def key_plan(
    spans: Sequence[Span], settled: Sequence[Correction] = (), score: Score | None = None, most: int = MOST
) -> tuple[Stretch, ...]:
    """Return the keys of a reading, at most `most` stretches: of more, the shortest join the key around them.

    `settled` are the corrections that stand, with the `score` they are anchored in.
    """
    if most < 1:
        raise ValueError("a plan has at least one stretch")
    found: list[Stretch] = []
    for span in spans:
        last = found[-1] if found else None
        length = float(span.end - span.start)
        if last is not None and last.key == span.key and last.end == span.start:
            before = float(last.end - last.start)
            sure = (last.sure * before + span.confidence * length) / (before + length)
            found[-1] = Stretch(last.start, span.end, span.key, sure)
        else:
            found.append(Stretch(span.start, span.end, span.key, span.confidence))
    while len(found) > most:
        shortest = min(range(len(found)), key=lambda i: (found[i].end - found[i].start, i))
        found = _absorbed(found, shortest)
    held = [] if score is None else _held(score, settled)
    return tuple(
        Stretch(
            stretch.start, stretch.end, stretch.key, stretch.sure, stretch.within, _covered(stretch, held)
        )
        for stretch in found
    )


def confirm(score: Score, plan: Sequence[Stretch], numbers: Sequence[int]) -> tuple[Correction, ...]:
    """Say that these stretches (counted from 1) are in the key the plan gives them."""
    return tuple(
        _set(score, stretch.start, stretch.end, stretch.key) for stretch in (_of(plan, n) for n in numbers)
    )


def rename(
    score: Score, spans: Sequence[Span], plan: Sequence[Stretch], number: int, key: Key
) -> tuple[Correction, ...]:
    """Give a stretch another key."""
    stretch = _of(plan, number)
    return _with_chords(score, spans, stretch.start, stretch.end, key)


def join(score: Score, spans: Sequence[Span], plan: Sequence[Stretch], number: int) -> tuple[Correction, ...]:
    """Let a stretch's key last through the stretch after it."""
    stretch = _of(plan, number)
    if number == len(plan):
        raise AnalysisError("No key comes after the last one, so there is nothing to join it to.")
    return _with_chords(score, spans, stretch.start, plan[number].end, stretch.key)


def move(
    score: Score, spans: Sequence[Span], plan: Sequence[Stretch], number: int, to: Fraction
) -> tuple[Correction, ...]:
    """Let a stretch begin at another moment; the one before it ends there."""
    stretch = _of(plan, number)
    if number == 1:
        raise AnalysisError("The first key begins where the music begins; its start cannot be moved.")
    before = plan[number - 2]
    if not before.start < to < stretch.end:
        raise AnalysisError("A key can be moved only between its neighbours; join them instead.")
    return (
        *_with_chords(score, spans, before.start, to, before.key),
        *_with_chords(score, spans, to, stretch.end, stretch.key),
    )


def _absorbed(found: list[Stretch], index: int) -> list[Stretch]:
    """Join a stretch to the key on both its sides, or else to the longer of its neighbours."""
    first, last = max(0, index - 1), min(len(found) - 1, index + 1)
    sides = [found[i] for i in (first, last) if i != index]
    if len({side.key for side in sides}) > 1:
        longer = max(sides, key=lambda side: side.end - side.start)
        first, last = (first, index) if longer is found[first] else (index, last)
        sides = [longer]
    parts = found[first : last + 1]
    inner = [
        key
        for stretch in parts
        for key in (*stretch.within, *((stretch.key,) if stretch is found[index] else ()))
    ]
    time = [float(stretch.end - stretch.start) for stretch in parts]
    sure = sum(stretch.sure * t for stretch, t in zip(parts, time, strict=True)) / sum(time)
    whole = Stretch(parts[0].start, parts[-1].end, sides[0].key, sure, tuple(inner))
    return [*found[:first], whole, *found[last + 1 :]]


def _of(plan: Sequence[Stretch], number: int) -> Stretch:
    if not 1 <= number <= len(plan):
        raise AnalysisError(f"There is no stretch {number}; the plan has 1 to {len(plan)}.")
    return plan[number - 1]


def _set(score: Score, start: Fraction, end: Fraction, key: Key) -> Correction:
    return Correction(*score.anchor(start), *score.anchor(end), key, None)


def _with_chords(
    score: Score, spans: Sequence[Span], start: Fraction, end: Fraction, key: Key
) -> tuple[Correction, ...]:
    """Set a key; chords that the teacher has set inside go on sounding the same, named in the new key."""
    result = [_set(score, start, end, key)]
    for i, span in enumerate(spans):
        if span.fixed and span.start < end and span.end > start and span.key != key:
            following = spans[i + 1].numeral.chord(spans[i + 1].key) if i + 1 < len(spans) else None
            named = numeral_for(span.numeral.chord(span.key), key, following)
            a, b = max(span.start, start), min(span.end, end)
            result.append(Correction(*score.anchor(a), *score.anchor(b), key, named))
    return tuple(result)


def _held(score: Score, settled: Sequence[Correction]) -> list[tuple[Fraction, Fraction, Key]]:
    """Return where the teacher has set a key, by itself or with a chord."""
    result = []
    for correction in settled:
        if correction.key is not None:
            start = score.time_of(correction.measure, correction.beat)
            result.append(
                (start, score.time_of(correction.end_measure, correction.end_beat, start), correction.key)
            )
    return result


def _covered(stretch: Stretch, held: Sequence[tuple[Fraction, Fraction, Key]]) -> bool:
    at = stretch.start
    for start, end, key in sorted(held, key=lambda h: h[0]):
        if key == stretch.key and start <= at < end:
            at = end
    return at >= stretch.end
