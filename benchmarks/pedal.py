"""How often a planned pedal changes where pianists change it: ``python -m benchmarks.pedal``.

In: the recorded performances of `benchmarks.performances`. A change is a release followed by a new pressing:
the controller falls below 50 of 127 and later rises to 70 or more (either side of 64, where the MIDI 1.0
Detailed Specification divides off from on, with room for a trembling foot). It counts at its release. The
planned pedal is performed and measured in just the same way.

A planned change is right when a performer's lies within a third of a (marked) beat of it, each used once.
Precision, recall and F1 are means over performances, then over pieces. Compared are: a change on every beat,
in every bar, with every chord of our own reading; and what one performer predicts of another, which is the
ceiling (pieces with one performer have none, and are left out of the last line).

What the data was used for: the weights of `interpretation.pedal_search` are round numbers that began as
guesses; of some three hundred rows of them, compared by their mean F1 over the pieces marked ``*`` alone, one
near the flat top was taken. The other pieces had no say in that, but their figures were seen while the rules
were made, and led to general ones: small print is played, a short gap between printed pedals is no order to
lift, a rest shorter than half a beat is none, half a pedal is only for a bass to keep. So no piece is truly
held out. A half change of the plan counts as none at these thresholds. ``--off 64 --on 64`` and
``--off 40 --on 80`` show how far the figures hang on them.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from rich.console import Console
from rich.progress import track
from rich.table import Table

from benchmarks.performances import Performed, pieces, read_piece
from understave.findings import read
from understave.harmony.reading import Reading
from understave.interpretation.pedal import STYLES, pedal
from understave.interpretation.perform import clock, perform
from understave.interpretation.plan import Plan
from understave.interpretation.tempo import basic_tempo
from understave.score.model import Score

TOLERANCE = 1 / 3
"""Marked beats."""
Line = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Agreement:
    """Precision, recall and their harmonic mean."""

    precision: float
    recall: float
    f1: float


@dataclass(frozen=True, slots=True)
class Measured:
    """One piece: agreement of each way to pedal with its performers, and of these with each other."""

    name: str
    performers: tuple[int, ...]
    changes: int
    ways: dict[str, Agreement]
    ceiling: float | None
    seconds: float


def changes(line: Line, off: float, on: float) -> list[float]:
    """Return the seconds of all releases (depth falls below `off`) that a new pressing (`on`) follows."""
    found: list[float] = []
    down, released = False, None
    for (t0, d0), (t1, d1) in zip([(0.0, 0.0), *line], line, strict=False):
        if down and d1 < off:
            share = (d0 - off) / (d0 - d1) if d0 > d1 else 0.0
            released, down = t0 + min(1.0, max(0.0, share)) * (t1 - t0), False
        elif not down and d1 >= on:
            if released is not None:
                found.append(released)
            down = True
    return found


def agreement(planned: Sequence[float], played: Sequence[float]) -> Agreement:
    """Match two rising rows of beats one to one and return how well the first foretells the second."""
    i = j = hits = 0
    while i < len(planned) and j < len(played):
        if abs(planned[i] - played[j]) <= TOLERANCE:
            hits, i, j = hits + 1, i + 1, j + 1
        elif planned[i] < played[j]:
            i += 1
        else:
            j += 1
    precision, recall = hits / max(1, len(planned)), hits / max(1, len(played))
    return Agreement(precision, recall, 2 * hits / max(1, len(planned) + len(played)))


def in_beats(performed: Performed, seconds: Iterable[float]) -> list[float]:
    """Return moments of a performance as numbers of marked beats; those outside the beats are left out."""
    found: list[float] = []
    first = 0
    for run in performed.runs:
        beats = np.arange(len(run.seconds)) + first
        t = np.array([s for s in seconds if run.seconds[0] - 0.2 <= s <= run.seconds[-1] + 0.2])
        found += [float(x) for x in np.interp(t, run.seconds, beats)]
        first += len(run.seconds) + 2
    return found


def as_played(performed: Performed, moments: Sequence[float]) -> list[float]:
    """Return written moments, in quarter notes, as numbers of marked beats, once for each time played."""
    found: list[float] = []
    first = 0
    for run in performed.runs:
        beats = np.arange(len(run.moments)) + first
        inside = [m for m in moments if run.moments[0] - 1e-6 <= m <= run.moments[-1] + 1e-6]
        found += [float(x) for x in np.interp(inside, run.moments, beats)]
        first += len(run.moments) + 2
    return found


def _every_beat(performed: Performed) -> list[float]:
    found: list[float] = []
    for run in performed.runs:
        first = found[-1] + 3 if found else 0.0
        found += [first + k for k in range(len(run.seconds))]
    return found


def planned_changes(score: Score, reading: Reading, style: str, off: float, on: float) -> list[float]:
    """Return the written moments at which a performed plan changes the pedal, by the same definition."""
    plan = Plan(tempo=basic_tempo(score), pedal=pedal(score, reading, style=style))
    time_of = clock(score, plan)
    return [float(time_of.moment(s)) for s in changes(perform(score, plan).pedal, off, on)]


def measure(score: Score, performed: Sequence[Performed], name: str, off: float, on: float) -> Measured:
    """Compare every way to pedal a piece with its performers."""
    reading = read(score)
    begun = time.perf_counter()
    ways = {f"plan: {s}": planned_changes(score, reading, s, off, on) for s in STYLES if s != "none"}
    seconds = (time.perf_counter() - begun) / len(ways)
    ways["every harmony"] = [float(s.start) for s in reading.spans]
    ways["every bar"] = [float(m.start) for m in score.measures]
    feet = [in_beats(p, changes(p.pedal, off, on)) for p in performed]
    found = {
        way: _mean([agreement(as_played(p, at), foot) for p, foot in zip(performed, feet, strict=True)])
        for way, at in ways.items()
    }
    every = [_every_beat(p) for p in performed]
    found["every beat"] = _mean([agreement(b, foot) for b, foot in zip(every, feet, strict=True)])
    return Measured(
        name,
        tuple(len(f) for f in feet),
        len(ways["plan: planned"]),
        found,
        _ceiling(performed, feet),
        seconds,
    )


def _ceiling(performed: Sequence[Performed], feet: Sequence[Sequence[float]]) -> float | None:
    """Return the mean F1 of one performer against another, over those who play the same bars."""
    pairs = [
        agreement(feet[a], feet[b]).f1
        for a in range(len(feet))
        for b in range(a)
        if [r.moments for r in performed[a].runs] == [r.moments for r in performed[b].runs]
    ]
    return sum(pairs) / len(pairs) if pairs else None


def _mean(found: Sequence[Agreement]) -> Agreement:
    rows = np.array([(a.precision, a.recall, a.f1) for a in found])
    p, r, f = rows.mean(axis=0)
    return Agreement(float(p), float(r), float(f))


def main() -> None:
    """Print a line for each piece, then means."""
    parser = argparse.ArgumentParser(description="How often a planned pedal changes where pianists do.")
    parser.add_argument("--off", type=float, default=50, help="controller value below which it is released")
    parser.add_argument("--on", type=float, default=70, help="controller value from which it is down")
    arguments = parser.parse_args()
    console = Console()
    found = pieces()
    if not found:
        console.print("The recorded performances are not there; see the docstring of benchmarks/data.py.")
        return
    off, on = arguments.off / 127, arguments.on / 127
    measured = [measure(*read_piece(r), r.name, off, on) for r in track(found, "Measuring", console=console)]
    names = list(measured[0].ways)
    console.print(_pieces(measured, names))
    console.print(_means(measured, names))
    both = [m for m in measured if m.ceiling is not None]
    plan = np.mean([m.ways["plan: planned"].f1 for m in both])
    ceiling = np.mean([m.ceiling for m in both if m.ceiling is not None])
    console.print(
        f"Where there are two performers or more ({len(both)} pieces): plan {plan:.3f}, "
        f"one performer for another {ceiling:.3f}, that is {100 * plan / ceiling:.0f} %."
    )


def _pieces(measured: Sequence[Measured], names: Sequence[str]) -> Table:
    table = Table(title="F1 by piece")
    for title in ("piece", "changes", "performers'", "one for another", *names, "s"):
        table.add_column(title)
    for i, m in enumerate(measured):
        table.add_row(
            f"{m.name}{'' if i % 2 else ' *'}",
            str(m.changes),
            " ".join(map(str, m.performers)),
            "" if m.ceiling is None else f"{m.ceiling:.3f}",
            *(f"{m.ways[n].f1:.3f}" for n in names),
            f"{m.seconds:.2f}",
        )
    return table


def _means(measured: Sequence[Measured], names: Sequence[str]) -> Table:
    table = Table(title="Means over pieces: precision, recall, F1")
    groups = {
        "all": measured,
        "weights compared (*)": measured[::2],
        "others": measured[1::2],
        "two performers": [m for m in measured if m.ceiling is not None],
    }
    table.add_column("way")
    for title, group in groups.items():
        table.add_column(f"{title} ({len(group)})")
    for n in names:
        means = [_mean([m.ways[n] for m in group]) for group in groups.values()]
        table.add_row(n, *(f"{a.precision:.3f} {a.recall:.3f} {a.f1:.3f}" for a in means))
    return table


if __name__ == "__main__":
    main()
