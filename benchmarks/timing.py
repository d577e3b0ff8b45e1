"""How far planned tempo goes with that of pianists: ``python -m benchmarks.timing``.

In: the recorded performances of `benchmarks.performances`. Out: a table by piece, and means by period.

* **r**: Pearson's r between the logarithms of the local tempo, beat by (marked) beat, of a performance and
  of the plan, printed changes of tempo, bends and fermatas together; **printed**: without the plan's bends;
  **another**: another performer of the same bars.
* **spread**: standard deviation of these logarithms (0.23 is a tempo that varies by about a quarter).
* **tempo**: how many times faster than the performers' median the plan's basic tempo is.

The pieces of `FITTED` are printed, not counted. Some ten rows
of amounts were compared on these pieces, and misread words about tempo were found in them; how much a
beat with few notes is held was compared in eleven rows, in five looks, after the excerpts of
`benchmarks.pianists` had shown it in one of three: none is held out.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import mean

import numpy as np
import numpy.typing as npt

from benchmarks import kept
from benchmarks.pedal import correlation
from benchmarks.performances import FITTED, PERIODS, Performed, Recorded, pieces, read_piece
from understave.findings import read
from understave.harmony.reading import Reading
from understave.interpretation.perform import Clock, clock
from understave.interpretation.plan import Plan
from understave.interpretation.tempo import basic_tempo
from understave.interpretation.tension import tension
from understave.interpretation.timing import timing
from understave.score.model import Score

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Figures:
    """One piece: r of the plan, of print and of another performer; spreads; tempo over the performers'."""

    piece: str
    period: str
    plan: float
    printed: float
    another: float | None
    spread: float
    performers_spread: float
    pace: float


def played(performed: Performed) -> Floats:
    """Return the logarithm of the local tempo of every marked beat, in quarter notes a minute."""
    rows = [
        np.log(60 * np.diff(run.moments) / np.maximum(1e-3, np.diff(run.seconds))) for run in performed.runs
    ]
    return np.concatenate(rows)


def planned(time: Clock, performed: Performed) -> Floats:
    """Return the same of a clock, over the beats of a performance."""
    rows = []
    for run in performed.runs:
        seconds = np.array([time.at(m) for m in run.moments])
        rows.append(np.log(60 * np.diff(run.moments) / np.diff(seconds)))
    return np.concatenate(rows)


def measure(
    score: Score, reading: Reading, performed: Sequence[Performed], name: str, period: str = ""
) -> Figures:
    """Compare a piece's planned tempo with its performers'."""
    pace = basic_tempo(score)
    bends = timing(score, reading, tension(score, reading))
    with_bends, without = (clock(score, Plan(tempo=pace, timing=t)) for t in (bends, ()))
    beats = [played(p) for p in performed]
    own = [planned(with_bends, p) for p in performed]
    pairs = [
        correlation(beats[a], beats[b])
        for a, b in combinations(range(len(performed)), 2)
        if [r.moments for r in performed[a].runs] == [r.moments for r in performed[b].runs]
    ]
    return Figures(
        name,
        period,
        mean(correlation(a, b) for a, b in zip(own, beats, strict=True)),
        mean(correlation(planned(without, p), b) for p, b in zip(performed, beats, strict=True)),
        mean(pairs) if pairs else None,
        mean(float(a.std()) for a in own),
        mean(float(b.std()) for b in beats),
        float(np.exp(np.log(pace) - mean(float(np.median(b)) for b in beats))),
    )


def show(rows: Sequence[Figures]) -> None:
    """Print the table."""
    print(
        f"{'piece':38} {'period':10} {'plan':>6} {'print':>6} {'other':>6} "
        f"{'spread':>7} {'theirs':>7} {'tempo':>6}"
    )
    for r in rows:
        print(_line(f"{r.piece}{' (fitted)' if r.piece in FITTED else ''}", r.period, [r]))
    counted = [r for r in rows if r.piece not in FITTED]
    for period in ("", *PERIODS):
        group = [r for r in counted if not period or r.period == period]
        if group:
            print(_line(f"mean of {len(group)}", period or "all", group))


def _line(name: str, period: str, rows: Sequence[Figures]) -> str:
    others = [r.another for r in rows if r.another is not None]
    off = float(np.exp(mean(abs(np.log(r.pace)) for r in rows))) if len(rows) > 1 else rows[0].pace
    cells = (
        f"{mean(r.plan for r in rows):6.2f}",
        f"{mean(r.printed for r in rows):6.2f}",
        f"{mean(others):6.2f}" if others else f"{'-':>6}",
        f"{mean(r.spread for r in rows):7.2f}",
        f"{mean(r.performers_spread for r in rows):7.2f}",
        f"{off:6.2f}",
    )
    return f"{name:38} {period:10} {' '.join(cells)}"


def _of(recorded: Recorded) -> Figures | None:
    score, performed = read_piece(recorded)
    if not performed:
        return None
    return measure(score, read(score), performed, recorded.name, recorded.period)


def main() -> None:
    """Print a line for each piece, then means."""
    parser = argparse.ArgumentParser(description="How far planned tempo goes with that of pianists.")
    kept.add_options(parser)
    rows = [row for _, row in kept.measured(pieces(), _of, parser.parse_args()) if row]
    if rows:
        show(rows)
    else:
        print("There are no recorded performances; set UNDERSTAVE_DATA to where the data lies.")


if __name__ == "__main__":
    main()
