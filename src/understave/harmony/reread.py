"""A reading and changed corrections -> the reading around them anew, fast enough to answer at once.

In: what was judged of the whole score (`trained.Judged`), the spans read so far, the corrections that hold
now. Out: `Renewed` spans. Only some bars on either side of what changed are decoded again; the path outside
is held as it was. The networks are not asked again, so a full reading (`trained.judge_score`) may still
differ a little; whoever answers with this one asks for that one afterwards.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

import numpy as np

from understave.harmony.engine import Fixed, settle
from understave.harmony.model.confidence import ROUND_ABOUT
from understave.harmony.model.decoding import Settled, Trust
from understave.harmony.model.encoding import Encoding
from understave.harmony.model.label_indices import key_index, reduce
from understave.harmony.model.network import Numerals, shipped_numerals
from understave.harmony.reading import Correction, Span
from understave.harmony.trained import Judged, Opinion, settled_frames, spans_found, with_further
from understave.score.model import Score

BARS = 8
"""Bars on either side of a change that are decoded again."""
UNLIKELY_START = 0.01
"""Chance of a chord, key or phrase beginning in the middle of what the networks saw as one frame."""


@dataclass(frozen=True, slots=True)
class Renewed:
    """All spans, and where they differ: `before` old ones from index `first` gave way to `after` new ones."""

    spans: tuple[Span, ...]
    fixed: tuple[Fixed, ...]
    first: int = 0
    before: int = 0
    after: int = 0


def reread(
    score: Score,
    judged: Judged,
    spans: Sequence[Span],
    fixed_before: Sequence[Fixed],
    corrections: Iterable[Correction],
    bars: int = BARS,
) -> Renewed:
    """Read again what lies around the corrections that are new or gone.

    `fixed_before` is what was settled when `spans` were read. Raises UnderstaveError where a correction
    names a place that the score does not have.
    """
    spans, fixed = tuple(spans), settle(score, corrections)
    changed = set(fixed) ^ set(fixed_before)
    if not changed:
        return Renewed(spans, fixed)
    first, last = _reach(score, spans, changed, bars)
    outer_first, outer_last = max(0, first - ROUND_ABOUT), min(len(spans) - 1, last + ROUND_ABOUT)
    outer = spans[outer_first : outer_last + 1]
    start, end = outer[0].start, outer[-1].end
    inside = tuple(f for f in fixed if f.end > start and f.start < end)
    moments = {t for span in outer for t in (span.start, span.end)} | {
        t for fixed in inside for t in (fixed.start, fixed.end)
    }
    window = _window(judged, inside, start, end, moments)
    settled, _, _ = settled_frames(window.encoding, inside, shipped_numerals())
    settled, numerals = with_further(window, settled)
    for span in (*spans[outer_first:first], *spans[last + 1 : outer_last + 1]):
        _pin(settled, window.encoding, span, numerals)
    found = spans_found(score, window, settled, 0, _trust_in(window, judged, judged.trust), numerals)
    change = difference(outer, found)
    new = found[change.first : change.first + change.after]
    begin = outer_first + change.first
    whole = (*spans[:begin], *new, *spans[begin + change.before :])
    return Renewed(whole, fixed, begin, change.before, change.after)


def _reach(score: Score, spans: Sequence[Span], changed: Iterable[Fixed], bars: int) -> tuple[int, int]:
    """Return the first and the last span that may change."""
    changed = tuple(changed)
    low = score.measure_at(min(fixed.start for fixed in changed)).index - bars
    high = score.measure_at(max(fixed.end for fixed in changed)).index + bars
    since = score.measures[max(0, low)].start
    until = score.measures[min(len(score.measures) - 1, high)].end
    touched = [i for i, span in enumerate(spans) if span.end > since and span.start < until]
    return (touched[0], touched[-1]) if touched else (0, len(spans) - 1)


def _window(
    judged: Judged, fixed: tuple[Fixed, ...], start: Fraction, end: Fraction, moments: Iterable[Fraction]
) -> Judged:
    """Cut frames out of what was judged; a moment inside a frame parts it in two that say the same."""
    whole = judged.encoding
    low, high = bisect_right(whole.times, start) - 1, bisect_left(whole.times, end)
    known = {t for t in whole.times[low : high + 1] if start <= t <= end}
    times = sorted(known | {t for t in moments if start <= t <= end} | {start, end})
    source = np.array([bisect_right(whole.times, t) - 1 for t in times[:-1]], dtype=np.int64)
    frames = whole.frames[source].copy()
    frames[:, 0] = [float(b - a) for a, b in pairwise(times)]
    encoding = Encoding(
        tuple(times), whole.codes[source], whole.values[source], frames, whole.signature[source]
    )
    heads = {name: head[source] for name, head in judged.heads.items()}
    parted = [i for i, t in enumerate(times[:-1]) if t not in known]
    heads["starts"][parted] = UNLIKELY_START
    opinion = Opinion(
        {name: row[source] for name, row in judged.opinion.chords.items()},
        {key: row[source] for key, row in judged.opinion.keys.items()},
    )
    free = judged.free
    if free is not None:
        free = (free[0][source], free[1][source])
    return Judged(fixed, encoding, heads, opinion, judged.trust, free)


def _pin(settled: Settled, encoding: Encoding, span: Span, numerals: Numerals) -> None:
    """Hold a span as it was; a label outside the table is the teacher's and held by their word."""
    key = key_index(span.key)
    wanted = reduce(span.key, span.numeral)
    number = next((i for i, reduced in enumerate(numerals.reduced) if reduced == wanted), None)
    if key is None or number is None:
        return
    part = slice(bisect_left(encoding.times, span.start), bisect_left(encoding.times, span.end))
    settled.keys[part] = False
    settled.keys[part, key] = True
    settled.numerals[part] = False
    settled.numerals[part, number] = True


def _trust_in(window: Judged, whole: Judged, trust: Trust) -> Trust:
    """Frames weigh by their length against the mean of the piece, not against that of the window."""

    def mean(judged: Judged) -> float:
        lengths = np.clip(judged.encoding.frames[:, 0], 0.05, 4.0)
        return float((lengths**trust.length_power).mean())

    return replace(trust, scale=trust.scale * mean(window) / mean(whole))


def difference(before: tuple[Span, ...], after: tuple[Span, ...], fixed: tuple[Fixed, ...] = ()) -> Renewed:
    """Tell where two readings differ; `confidences alone make no difference."""

    def same(a: Span, b: Span) -> bool:
        return (a.start, a.end, a.key, a.numeral, a.fixed) == (b.start, b.end, b.key, b.numeral, b.fixed)

    shorter = min(len(before), len(after))
    head = next((k for k in range(shorter) if not same(before[k], after[k])), shorter)
    tail = next((k for k in range(shorter - head) if not same(before[-1 - k], after[-1 - k])), shorter - head)
    return Renewed(after, fixed, head, len(before) - head - tail, len(after) - head - tail)
