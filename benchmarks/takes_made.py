"""Whether bars are told that were not played: playings made of quartet movements, tied to their scores.

``python -m benchmarks.takes_made`` plays movements that no recorded playing is of (`quartets-unlabelled`),
with uneven time, repeats taken or not; ``jumps``: with a skip, two restarts and a leap elsewhere besides;
``faulty``: two skips, four restarts, 8 % of the notes wrong and 8 % left out; ``edition``: the score lacks
repeat signs and has other notes in one bar of 25. The amounts of `takes.played_bars`, `takes.going_on` and
`takes.tying` were set on other drawings of such playings. A told bar is wrong where more than half of its
beats lie half a second or more from where they were played, unless what was played then has the same notes.
"""

from __future__ import annotations

import argparse
import random
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil, exp

import numpy as np

from benchmarks.data import data_folder
from benchmarks.performances import Performed, Run
from benchmarks.takes_of_sound import measured
from understave.acoustics.performance import Performance, Strike
from understave.score.model import Note, Score
from understave.score.reader import read_score
from understave.takes import Recording

WORKS = (
    "boccherini",
    "haydn-string-quartet-in-a-major",
    "haydn-string-quartet-in-b-flat-major-hob-iii5",
    "haydn-string-quartet-in-b-flat-major-hob-iii67",
    "saint-georges-string-quartet-in-c-major",
)
MOST_NOTES, FEWEST_BARS = 2600, 20


@dataclass(frozen=True, slots=True)
class Way:
    """How it is played: how often a repeat is taken, jumps, and shares of notes wrong and left out."""

    repeats: float = 0.5
    skips: int = 0
    restarts: int = 0
    leaps: int = 0
    wrong: float = 0.012
    left_out: float = 0.012
    edition: bool = False


WAYS = {
    "repeats": Way(repeats=0.6),
    "jumps": Way(skips=1, restarts=2, leaps=1),
    "faulty": Way(skips=2, restarts=4, wrong=0.08, left_out=0.08),
    "edition": Way(repeats=0.6, edition=True),
}


def movements() -> Iterator[Score]:
    """Yield movements of some quartets; a movement begins where bars are counted from one again."""
    for path in sorted((data_folder() / "quartets-unlabelled").glob("*.mxl")):
        if not path.name.startswith(WORKS):
            continue
        score = read_score(path)
        edges = [0]
        for bar in score.measures:
            if bar.number in ("0", "1") and bar.index - edges[-1] > FEWEST_BARS:
                edges.append(bar.index)
        for first, end in zip(edges, [*edges[1:], len(score.measures)], strict=True):
            movement = _cut(score, first, end)
            if len(movement.notes) < MOST_NOTES:
                yield movement


def _cut(score: Score, first: int, end: int) -> Score:
    start = score.measures[first].start
    bars = [replace(b, index=b.index - first, start=b.start - start) for b in score.measures[first:end]]
    notes = [
        replace(n, onset=n.onset - start, measure=n.measure - first)
        for n in score.notes
        if first <= n.measure < end
    ]
    said = [replace(d, onset=d.onset - start) for d in score.directions if d.onset >= start]
    said = [d for d in said if d.onset < bars[-1].end]
    return replace(score, measures=tuple(bars), notes=tuple(notes), directions=tuple(said), source=b"")


def order_played(score: Score, way: Way, chance: random.Random) -> list[int]:
    """Return the bars in the order in which they are played."""
    order: list[int] = []
    start = k = 0
    again = False
    while k < len(score.measures):
        bar = score.measures[k]
        if bar.repeat_start and not again:
            start = k
        if not (again and bar.ending == (1,)):
            order.append(k)
            if bar.repeat_end:
                again = not again and chance.random() < way.repeats
                if again:
                    k = start
                    continue
                start = k + 1
        k += 1
    for _ in range(way.skips):
        a = chance.randrange(2, len(order) - 4)
        order = order[:a] + order[a + chance.randrange(1, 4) :]
    for _ in range(way.restarts):
        a = chance.randrange(3, len(order) - 1)
        order = order[: a + 1] + order[max(0, a - chance.randrange(5)) :]
    for _ in range(way.leaps):
        a, b = chance.randrange(3, len(order) - 4), chance.randrange(len(score.measures) - 2)
        there = range(b, min(len(score.measures), b + chance.randrange(6, 20)))
        order = [*order[: a + 1], *there, *order[a + 1 :]]
    return order


def played(score: Score, order: Sequence[int], way: Way, chance: random.Random) -> Performed:
    """Play bars in this order, in uneven time: an eighth after another, each a little longer or shorter."""
    of_bar: list[list[Note]] = [[] for _ in score.measures]
    for note in score.notes:
        if not note.cue:
            of_bar[note.measure].append(note)
    beat = min(1.4, max(0.25, 60 / (90 * 2 ** chance.gauss(0, 0.5))))
    now, wander, before = 1.0, 0.0, order[0] - 1
    strikes: list[Strike] = []
    beats: list[list[tuple[float, float]]] = [[]]
    for k in order:
        bar = score.measures[k]
        if k != before + 1:
            beats.append([])
            now += chance.uniform(0.1, 1.2) if k <= before and chance.random() < 0.3 else 0.0
        before = k
        steps = max(1, round(float(bar.length) * 2))
        clock = [now]
        for _ in range(steps):
            wander = 0.9 * wander + chance.gauss(0, 0.05)
            clock.append(clock[-1] + float(bar.length) / steps * beat * exp(wander))
        quarters = np.linspace(0, float(bar.length), steps + 1)
        count = ceil(bar.length / bar.beat_length)
        for moment in (float(bar.beat_length) * b for b in range(count)):
            beats[-1].append((float(np.interp(moment, quarters, clock)), float(bar.start) + moment))
        for note in of_bar[k]:
            at = float(np.interp(float(note.onset - bar.start), quarters, clock)) - 0.08 * note.grace
            dice = chance.random()
            if dice >= way.left_out:
                off = chance.choice((-2, -1, 1, 2)) if dice < way.left_out + way.wrong else 0
                at += chance.gauss(0, 0.012)
                end = at + max(0.05, float(note.duration) * beat)
                strikes.append(Strike(note.midi + off, at, end, 60.0))
        now = clock[-1]
    strikes.sort(key=lambda s: (s.start, s.midi))
    runs = tuple(Run(tuple(s for s, _ in b), tuple(m for _, m in b)) for b in beats if len(b) > 1)
    return Performed("made", Performance(_single(strikes), ()), runs, (), ())


def _single(strikes: Sequence[Strike]) -> tuple[Strike, ...]:
    """Return strikes without those of a key that is already down."""
    last: dict[int, float] = {}
    kept = []
    for strike in strikes:
        if strike.start - last.get(strike.midi, -1.0) >= 0.03:
            kept.append(strike)
            last[strike.midi] = strike.start
    return tuple(kept)


def other_edition(score: Score, chance: random.Random) -> Score:
    """Return the score with a third of its repeat signs lost and other notes in one bar of 25."""
    bars = [replace(b, repeat_end=b.repeat_end and chance.random() > 0.3) for b in score.measures]
    odd = {b.index for b in bars if chance.random() < 0.04}
    notes = []
    for note in score.notes:
        dice = chance.random() if note.measure in odd else 1.0
        if dice < 0.25:
            continue
        later = min(note.duration, Fraction(1, 2)) / 2 if dice < 0.5 else Fraction(0)
        up = 1 if dice < 0.6 else 0
        pitch = replace(note.pitch, octave=note.pitch.octave + up)
        notes.append(replace(note, pitch=pitch, onset=note.onset + later))
    notes.sort(key=lambda n: (n.onset, not n.grace, n.midi))
    return replace(score, measures=tuple(bars), notes=tuple(notes))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--way", choices=[*WAYS], help="which, else all")
    parser.add_argument("--seed", type=int, default=100)
    asked = parser.parse_args()
    scores = list(movements())
    if not scores:
        print("The open data is not there; see benchmarks/README.md.")
        return
    for name in [asked.way] if asked.way else WAYS:
        way = WAYS[name]
        started = time.process_time()
        rows = []
        for k, score in enumerate(scores):
            chance = random.Random(1000 * asked.seed + k)
            performed = played(score, order_played(score, way, chance), way, chance)
            written = other_edition(score, chance) if way.edition else score
            recording = Recording(performed.performance, (), "midi", "made")
            rows.append(measured(written, recording, performed, lambda t: (t,)))
        print(
            f"{name:10} {len(rows)} takes: {sum(row.wrong for row in rows)} wrong bars, "
            f"{100 * np.mean([row.near for row in rows]):.1f} % of beats within 50 ms, "
            f"{sum(not row.told for row in rows)} refused, {time.process_time() - started:.0f} s CPU",
            flush=True,
        )


if __name__ == "__main__":
    main()
