"""How far planned loudness goes with that of pianists: correlations, piece by piece.

In: the recorded performances of `performances`. Out: a table. Pearson's r is taken between the velocities of
one performance and

* **printed**: what the score prints and no more: marks, hairpins, words, sf and accent signs;
* **line**: the plan's line of loudness, without voicing;
* **plan**: the whole plan, line and voicing;
* **another**: another performance of the same piece, note by note; the ceiling.

*notes* has one value for each note played and found in the score, *beats* the mean of the notes struck within
each felt beat, where voicing counts for little. *top* is how far the highest note of what is struck together
(three notes or more) stands above the mean of the rest, in MIDI velocity: the plan's, and the performers'. A
piece's figure is the mean over its performances; then come median pieces, by period, without those in
`FITTED`.

What the data was used for: what height, roles and the top of a chord add
(`interpretation.voicing`) was chosen from some twenty rows with these pieces in view, in the direction that
`training.playing` gives. One rule of reading print
was chosen with them in view: that a swell without a mark at its end leaves the music where it led, until the
next mark, and that many swells together count at most two steps. It serves the printed baseline too.

Run ``python -m benchmarks.dynamics``; ``--without tension`` plans without tension.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from itertools import combinations
from statistics import mean, median

import numpy as np
import numpy.typing as npt

from benchmarks import kept
from benchmarks.performances import FITTED, PERIODS, Performed, Recorded, pieces, read_piece
from understave.findings import read
from understave.interpretation.dynamics import dynamics
from understave.interpretation.perform import velocities_of
from understave.interpretation.plan import Level, Plan
from understave.interpretation.printed import printed_loudness
from understave.interpretation.tension import tension
from understave.interpretation.voicing import voicing
from understave.score.model import Score

Floats = npt.NDArray[np.float64]
PLANS = ("printed", "line", "plan")


@dataclass(frozen=True, slots=True)
class Figures:
    """One piece: the mean correlation of each kind of plan, by notes and by beats, and of another pianist."""

    piece: str
    performances: int
    notes: Mapping[str, float]
    beats: Mapping[str, float]
    another_notes: float | None
    another_beats: float | None
    period: str = ""
    top: float | None = None
    performers_top: float | None = None


def planned(score: Score, with_tension: bool = True) -> dict[str, dict[str, float]]:
    """Return the velocity of every note under each kind of plan, by id."""
    reading = read(score)
    strain = tension(score, reading) if with_tension else ()
    levels, _, _ = dynamics(score, reading, strain)
    printed = tuple(Level(t, v) for t, v in printed_loudness(score).line)
    return {
        "printed": velocities_of(score, Plan(levels=printed)),
        "line": velocities_of(score, Plan(levels=levels)),
        "plan": velocities_of(score, Plan(levels=levels, voices=voicing(score, reading))),
    }


def correlation(a: Floats, b: Floats) -> float:
    """Return Pearson's r, 0 where one of the two never changes."""
    if len(a) < 2 or a.std() < 1e-9 or b.std() < 1e-9:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def by_beats(score: Score, notes: list[str], values: Floats) -> dict[tuple[int, int], float]:
    """Return the mean value of the notes struck within each felt beat."""
    found: dict[tuple[int, int], list[float]] = defaultdict(list)
    for i, value in zip(notes, values, strict=True):
        n = score.note_by_id[i]
        found[n.measure, int(score.beat_at(n.onset))].append(float(value))
    return {beat: mean(v) for beat, v in found.items()}


def measure(
    score: Score, performed: tuple[Performed, ...], plans: Mapping[str, Mapping[str, float]], name: str
) -> Figures:
    """Return how far the plans of a piece go with its performances."""
    notes: dict[str, list[float]] = defaultdict(list)
    beats: dict[str, list[float]] = defaultdict(list)
    for p in performed:
        strikes = [s for s in p.performance.strikes if s.note]
        ids = [s.note for s in strikes]
        played = np.array([s.velocity for s in strikes])
        played_beats = by_beats(score, ids, played)
        for plan in PLANS:
            values = np.array([plans[plan][i] for i in ids])
            notes[plan].append(correlation(played, values))
            value_beats = by_beats(score, ids, values)
            order = sorted(played_beats)
            beats[plan].append(
                correlation(
                    np.array([played_beats[b] for b in order]), np.array([value_beats[b] for b in order])
                )
            )
    pairs = [_pair(score, a, b) for a, b in combinations(performed, 2)]
    return Figures(
        name,
        len(performed),
        {k: mean(v) for k, v in notes.items()},
        {k: mean(v) for k, v in beats.items()},
        mean(p[0] for p in pairs) if pairs else None,
        mean(p[1] for p in pairs) if pairs else None,
        top=top_of_chords(score, plans["plan"]),
        performers_top=_mean(
            [
                top_of_chords(score, {s.note: s.velocity for s in p.performance.strikes if s.note})
                for p in performed
            ]
        ),
    )


def _mean(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return mean(known) if known else None


def top_of_chords(score: Score, velocities: Mapping[str, float]) -> float | None:
    """Return how far tops stand above the mean of what is struck with them; None without chords."""
    struck: dict[Fraction, list[tuple[int, float]]] = defaultdict(list)
    for i, velocity in velocities.items():
        note = score.note_by_id[i]
        if not note.grace:
            struck[note.onset].append((note.midi, velocity))
    chords = [sorted(c) for c in struck.values() if len(c) > 2]
    return mean(c[-1][1] - mean(v for _, v in c[:-1]) for c in chords) if chords else None


def _pair(score: Score, one: Performed, other: Performed) -> tuple[float, float]:
    """Return how far two performances go together, over the notes both were found to play."""
    a, b = ({s.note: s.velocity for s in p.performance.strikes if s.note} for p in (one, other))
    both = sorted(a.keys() & b.keys())
    first, second = np.array([a[i] for i in both]), np.array([b[i] for i in both])
    beats_a, beats_b = by_beats(score, both, first), by_beats(score, both, second)
    order = sorted(beats_a)
    return correlation(first, second), correlation(
        np.array([beats_a[k] for k in order]), np.array([beats_b[k] for k in order])
    )


def _row(name: str, count: str, notes: list[float | None], beats: list[float | None]) -> str:
    cells = [f"{v:8.3f}" if v is not None else f"{'-':>8}" for v in (*notes, *beats)]
    return f"{name:34} {count:>4} {''.join(cells[:4])}  {''.join(cells[4:])}"


def _of(recorded: Recorded, with_tension: bool) -> Figures | None:
    score, performed = read_piece(recorded)
    if not performed:
        return None
    figures = measure(score, performed, planned(score, with_tension), recorded.name)
    return replace(figures, period=recorded.period)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="How far planned loudness goes with that of pianists.")
    parser.add_argument("--without", choices=["tension"], help="plan without this")
    kept.add_options(parser)
    arguments = parser.parse_args()
    measured = kept.measured(pieces(), partial(_of, with_tension=not arguments.without), arguments)
    rows = [row for _, row in measured if row]
    if not rows:
        print("There are no recorded performances; set UNDERSTAVE_DATA to where the data lies.")
        return
    show(rows)


def show(rows: Sequence[Figures]) -> None:
    """Print the table and its medians."""
    heads = "".join(f"{h:>8}" for h in (*PLANS, "another"))
    print(f"{'':39} {'notes':^32}  {'beats':^32}  {'top':^12}")
    print(f"{'piece':34} {'perf':>4} {heads}  {heads}  {'plan':>6}{'theirs':>7}")
    for r in rows:
        print(_summed(f"{r.piece}{' (fitted)' if r.piece in FITTED else ''}", [r]))
    counted = [r for r in rows if r.piece not in FITTED]
    for period in ("", *PERIODS):
        group = [r for r in counted if not period or r.period == period]
        if group:
            print(_summed(f"median of {len(group)} {period}", group))
    for what in ("notes", "beats"):
        better = sum(getattr(r, what)["plan"] > getattr(r, what)["printed"] for r in counted)
        print(
            f"By {what} the plan is nearer to the pianists than print in {better} of {len(counted)} pieces."
        )


def _summed(name: str, rows: Sequence[Figures]) -> str:
    tops = (_median([r.top for r in rows]), _median([r.performers_top for r in rows]))
    row = _row(
        name,
        str(sum(r.performances for r in rows)),
        [*(median(r.notes[k] for r in rows) for k in PLANS), _median([r.another_notes for r in rows])],
        [*(median(r.beats[k] for r in rows) for k in PLANS), _median([r.another_beats for r in rows])],
    )
    return f"{row}  {''.join(f'{t:6.1f} ' if t is not None else '     - ' for t in tops)}"


def _median(values: list[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return median(known) if known else None


if __name__ == "__main__":
    main()
