"""How long a key must last before it counts as one: the teacher's taste, as one plain choice.

Where one musician hears a new key for four bars, another hears applied chords in the old one; both are
right. The choice moves what a change of key costs in the decoder, nothing else. No guess from the music
alone told the two apart on music that the guess was not fitted to, so it is the teacher's to make; `proposed`
reads it off pieces that they have corrected.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

from understave.harmony.model.decoding import TRUST, Trust
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.reading import Span
from understave.harmony.trained import Judged, read_judged
from understave.score.model import Score

KeyLength = Literal["moment", "phrase", "section", "hardly ever"]
KEY_LENGTHS: tuple[KeyLength, ...] = get_args(KeyLength)
USUAL: KeyLength = "moment"
COSTS: dict[KeyLength, float] = {
    "moment": TRUST.key_change,
    "phrase": 8.0,
    "section": 25.0,
    "hardly ever": 80.0,
}
"""What a change of key costs, in the decoder's logarithms. Fitted on songs, preludes and variations of the
training split, judged by networks that had not seen their sets: there keys last 24, 32, 47 and 82 quarters by
the mean."""
EXCERPT_BARS = 16
"""Pieces shorter than this keep the moment: in a textbook example of four bars the new key is the point."""
LEAST_PIECES = 3
MARGIN = 0.01
"""Share of the time by which another length must fit the teacher's keys better before it is proposed."""


@dataclass(frozen=True, slots=True)
class Corrected:
    """A piece that the teacher has gone through: what was judged of it without any correction, and the spans
    that stand now.
    """

    score: Score
    judged: Judged
    spans: tuple[Span, ...]


def trust_for(score: Score, length: KeyLength, habits: Habits = NO_HABITS) -> Trust:
    """Return how the decoder weighs a piece when a key must last so long, for a teacher of these habits."""
    cost = TRUST.key_change if len(score.measures) < EXCERPT_BARS else COSTS[length]
    return replace(TRUST, key_change=cost, habits=habits)


def same_key(found: Sequence[Span], wanted: Sequence[Span]) -> tuple[float, float]:
    """Return for how long two readings name the same key, and for how long both name one, in quarters."""
    agreed = total = 0.0
    for span, w, time in shared(found, wanted):
        total += time
        agreed += time * (span.key == w.key)
    return agreed, total


def shared(found: Sequence[Span], wanted: Sequence[Span]) -> Iterator[tuple[Span, Span, float]]:
    """Yield a span of each of two readings for every stretch that both have, and its length in quarters."""
    rest = iter(found)
    span = next(rest, None)
    for w in wanted:
        while span is not None and span.end <= w.start:
            span = next(rest, None)
        while span is not None and span.start < w.end:
            yield span, w, float(min(span.end, w.end) - max(span.start, w.start))
            if span.end > w.end:
                break
            span = next(rest, None)


def proposed(pieces: Sequence[Corrected]) -> KeyLength | None:
    """Return the length that fits the keys of corrected pieces best, None where nothing speaks for a change.

    At least `LEAST_PIECES` must have been corrected, and the length must fit better than the usual one over
    all of them by `MARGIN`, and on more of them than it fits worse.
    """
    if len(pieces) < LEAST_PIECES:
        return None
    shares: dict[KeyLength, list[tuple[float, float]]] = {
        length: [
            same_key(
                read_judged(
                    corrected.score, replace(corrected.judged, trust=trust_for(corrected.score, length))
                ).spans,
                corrected.spans,
            )
            for corrected in pieces
        ]
        for length in KEY_LENGTHS
    }

    def over_all(length: KeyLength) -> float:
        return sum(a for a, _ in shares[length]) / max(sum(t for _, t in shares[length]), 1e-9)

    best = max(KEY_LENGTHS, key=over_all)
    pairs = list(zip(shares[best], shares[USUAL], strict=True))
    better = sum(a > b for (a, _), (b, _) in pairs)
    worse = sum(a < b for (a, _), (b, _) in pairs)
    return best if over_all(best) >= over_all(USUAL) + MARGIN and better > worse else None
