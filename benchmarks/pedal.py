"""How far a planned pedal does what pianists' feet do: ``python -m benchmarks.pedal``.

In: the recorded performances of `benchmarks.performances`. Out: tables by period.

* **changes**: F1 of the changes of pedal at three pairs of thresholds. A change is a release followed by a
  new pressing: the controller falls below the first and later rises to the second (50/70 lie either side of
  64, where the MIDI 1.0 Detailed Specification divides off from on, with room for a trembling foot). It
  counts at its release. A planned change is right when a performer's lies within a third of a (marked) beat
  of it, each used once.
* **depth r**: Pearson's r between the depth that is planned and that a performer has, every twentieth of a
  second, the plan's moves made on the performer's own clock; 0 where the plan never moves.
* **time down**: share of that time with the controller at 64 or more; and **far off**, the mean distance of a
  piece's planned share from its performers'.
* **blur** (with ``--blur``): the mean blur of the first performer's own notes on our concert grand in the
  first 40 seconds, with their own pedal and with the planned one.

Figures are means over a piece's performances, then over pieces. Compared are a change with every chord of our
own reading (pedal down throughout), on every beat, in every bar; and what one performer tells of another
(pieces with one performer have none). ``--nameless`` takes the composer's name away before planning. The
pieces of `FITTED` are printed, not counted.

What the data was used for: the weights of `interpretation.pedal_search` are round numbers that began as
guesses; of some three hundred rows of them, compared by their mean F1 over every second piece of
``performance``, one near the flat top was taken. The figures of all pieces were seen while rules were made:
none
is truly held out. The round numbers of `interpretation.pedal_habit` were taken from some twenty rows with
the means of the three periods in view, so that the shares of time down are agreement after the fact, not
foresight.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from benchmarks import kept
from benchmarks.performances import (
    FITTED,
    PERIODS,
    Performed,
    Recorded,
    Run,
    pieces,
    read_piece,
    to_seconds,
)
from understave.acoustics.blur import measure_blur
from understave.acoustics.performance import Performance
from understave.acoustics.piano import GRAND
from understave.acoustics.ringing import pedal_depth
from understave.acoustics.sound import render
from understave.findings import read
from understave.harmony.reading import Reading
from understave.interpretation.pedal import STYLES, pedals
from understave.interpretation.perform import Clock, clock, pedal_line, perform
from understave.interpretation.plan import PedalMove, Plan
from understave.interpretation.planning import make_plan
from understave.interpretation.sostenuto import sostenuto
from understave.interpretation.tempo import basic_tempo
from understave.score.model import Score
from understave.score.reader import read_score

Array = NDArray[np.float64]
TOLERANCE = 1 / 3
"""Marked beats."""
THRESHOLDS = ((50, 70), (64, 64), (40, 80))
STEP = 0.05
HEARD = 40.0
WAYS = (*(f"plan: {s}" for s in STYLES if s != "none"), "every beat", "every bar")
PLANNED = "plan: planned"
Line = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Foot:
    """How one way of pedalling agrees with the performers of a piece: means over them."""

    f1: tuple[float, ...]
    depth: float | None = None
    down: float | None = None
    blur: float | None = None


@dataclass(frozen=True, slots=True)
class Measured:
    """One piece: every way to pedal, one performer for another, and how the performers pedal.

    `middle` is how often the plan proposes the middle pedal, `flutters` how often it lets the right one
    flutter.
    """

    name: str
    period: str
    ways: Mapping[str, Foot]
    another: Foot | None
    played: Foot
    off: Mapping[str, float]
    seconds: float
    middle: int = 0
    flutters: int = 0


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


def f1(planned: Sequence[float], played: Sequence[float]) -> float:
    """Match two rising rows of beats one to one and return how well the first foretells the second."""
    i = j = hits = 0
    while i < len(planned) and j < len(played):
        if abs(planned[i] - played[j]) <= TOLERANCE:
            hits, i, j = hits + 1, i + 1, j + 1
        elif planned[i] < played[j]:
            i += 1
        else:
            j += 1
    if not planned and not played:
        return 1.0
    return 2 * hits / (len(planned) + len(played))


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


def planned_changes(score: Score, moves: tuple[PedalMove, ...], off: float, on: float) -> list[float]:
    """Return the written moments at which a performed plan changes the pedal, by the same definition."""
    plan = Plan(tempo=basic_tempo(score), pedal=moves)
    time_of = clock(score, plan)
    return [float(time_of.moment(s)) for s in changes(perform(score, plan).pedal, off, on)]


def foot_on(moves: tuple[PedalMove, ...], run: Run) -> Line:
    """Return the way of the foot that makes these moves on a performer's own clock, within one run."""
    own = Clock(tuple(Fraction(m).limit_denominator(960) for m in run.moments), run.seconds)
    line = pedal_line(moves, own, own.moments[0], own.moments[-1], run.seconds[-1])
    # A line that begins with the pedal down is written from 0 seconds on.
    return tuple((max(t, run.seconds[0]), d) for t, d in line)


def _times(performed: Performed) -> list[Array]:
    return [np.arange(run.seconds[0], run.seconds[-1], STEP) for run in performed.runs]


def played_depth(performed: Performed) -> Array:
    """Return the performer's depth of pedal every `STEP` seconds of all runs."""
    times = np.concatenate(_times(performed))
    return np.asarray(pedal_depth(performed.performance.pedal, times))


def planned_depth(moves: tuple[PedalMove, ...], performed: Performed) -> Array:
    """Return the planned depth at the same moments."""
    parts = [
        pedal_depth(tuple(foot_on(moves, run)), times)
        for run, times in zip(performed.runs, _times(performed), strict=True)
    ]
    return np.concatenate(parts)


def correlation(a: Array, b: Array) -> float:
    """Return Pearson's r, 0 where one of the two never changes."""
    if len(a) < 2 or a.std() < 1e-9 or b.std() < 1e-9:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def down(depth: Array) -> float:
    """Return the share of the time with the pedal down."""
    return float(np.mean(depth >= 64 / 127))


def measure(
    score: Score,
    reading: Reading,
    performed: Sequence[Performed],
    name: str,
    period: str = "",
    blur: bool = False,
) -> Measured:
    """Compare every way to pedal a piece with its performers."""
    begun = time.perf_counter()
    styles = [s for s in STYLES if s != "none"]
    moves = {f"plan: {style}": m for style, m in pedals(score, reading, styles).items()}
    seconds = time.perf_counter() - begun
    limits = [(off / 127, on / 127) for off, on in THRESHOLDS]
    feet = [[in_beats(p, changes(p.pedal, *limit)) for limit in limits] for p in performed]
    depths = [played_depth(p) for p in performed]
    downs = [down(d) for d in depths]
    ways: dict[str, Foot] = {}
    far: dict[str, float] = {}
    for way, made in moves.items():
        at = [planned_changes(score, made, *limit) for limit in limits]
        own = [planned_depth(made, p) for p in performed]
        ways[way] = Foot(
            _mean(
                [_f1s([as_played(p, a) for a in at], foot) for p, foot in zip(performed, feet, strict=True)]
            ),
            float(np.mean([correlation(a, b) for a, b in zip(own, depths, strict=True)])),
            float(np.mean([down(d) for d in own])),
            _blur(reading, performed[0], made) if blur else None,
        )
        far[way] = abs(float(np.mean([down(d) for d in own])) - float(np.mean(downs)))
    for way, beats in (
        ("every beat", [_every_beat(p) for p in performed]),
        ("every bar", [as_played(p, [float(m.start) for m in score.measures]) for p in performed]),
    ):
        ways[way] = Foot(_mean([_f1s([b] * 3, foot) for b, foot in zip(beats, feet, strict=True)]))
    played = Foot((), None, float(np.mean(downs)), _blur(reading, performed[0], None) if blur else None)
    middle = len(sostenuto(score, moves[PLANNED]))
    flutters = sum(move.flutter for move in moves[PLANNED])
    return Measured(name, period, ways, _another(performed, feet), played, far, seconds, middle, flutters)


def _f1s(planned: Sequence[Sequence[float]], played: Sequence[Sequence[float]]) -> tuple[float, ...]:
    return tuple(f1(a, b) for a, b in zip(planned, played, strict=True))


def _mean(rows: Sequence[tuple[float, ...]]) -> tuple[float, ...]:
    return tuple(float(x) for x in np.array(rows).mean(axis=0))


def _another(performed: Sequence[Performed], feet: Sequence[Sequence[Sequence[float]]]) -> Foot | None:
    """Return what one performer tells of another, over those who play the same bars."""
    pairs = [
        (a, b)
        for a, b in combinations(range(len(performed)), 2)
        if [r.moments for r in performed[a].runs] == [r.moments for r in performed[b].runs]
    ]
    if not pairs:
        return None
    depths = [correlation(*_side_by_side(performed[a], performed[b])) for a, b in pairs]
    return Foot(_mean([_f1s(feet[a], feet[b]) for a, b in pairs]), float(np.mean(depths)))


def _side_by_side(one: Performed, other: Performed) -> tuple[Array, Array]:
    """Return two performers' depths at the same written moments, those of the first one's clock."""
    at = [
        np.interp(times, run.seconds, than.seconds)
        for run, than, times in zip(one.runs, other.runs, _times(one), strict=True)
    ]
    return played_depth(one), np.asarray(pedal_depth(other.performance.pedal, np.concatenate(at)))


def _blur(reading: Reading, performed: Performed, moves: tuple[PedalMove, ...] | None) -> float:
    """Return the mean blur of the first `HEARD` seconds, the performer's own pedal replaced by moves."""
    run = performed.runs[0]
    until = run.seconds[0] + HEARD
    heard = Performance(
        tuple(s for s in performed.performance.strikes if s.start < until),
        performed.performance.pedal if moves is None else tuple(foot_on(moves, run)),
    )
    harmony = [
        (a, b, frozenset(p.semitone for p in s.numeral.chord(s.key).members))
        for s in reading.spans
        for a, b in zip(to_seconds(performed, s.start), to_seconds(performed, s.end), strict=False)
        if a < b and a < until
    ]
    curve, _ = measure_blur(heard, GRAND, sorted(harmony, key=lambda h: h[0]), step=0.25)
    inside = (curve.times >= run.seconds[0]) & (curve.times < until)
    return float(curve.blur[inside].mean()) if inside.any() else 0.0


BANDS = 1000.0 * 2.0 ** ((np.arange(-13, 10) - 0.5) / 3)
"""Edges of the thirds of an octave, Hz: 50 Hz to 6.3 kHz."""
FRAME, HOP = 8192, 4410
"""Samples of a frame and between frames."""
LOUD_ENOUGH, UNLIKE = 25.0, 3.0
"""Decibels below the loudest band of a frame; difference from which on two sounds are unlike."""


def band_levels(sound: NDArray[np.float32]) -> Array:
    """Return the level of each third of an octave, dB, in each tenth of a second of a stereo sound."""
    mono = sound.mean(axis=1).astype(float)
    index = np.searchsorted(np.fft.rfftfreq(FRAME, 1 / 44_100), BANDS)
    frames = np.lib.stride_tricks.sliding_window_view(mono, FRAME)[::HOP] * np.hanning(FRAME)
    power = np.cumsum(np.abs(np.fft.rfft(frames)) ** 2, axis=1)
    return np.asarray(10 * np.log10(power[:, index[1:] - 1] - power[:, index[:-1] - 1] + 1e-12))


def unlike(one: Array, other: Array) -> float:
    """Return the share of the time in which two sounds differ to be heard, from their band levels."""
    count = min(len(one), len(other))
    one, other = one[:count], other[:count]
    top = np.maximum(one, other)
    loud = top > top.max(axis=1, keepdims=True) - LOUD_ENOUGH
    return float(np.mean(np.where(loud, np.abs(one - other), 0.0).max(axis=1) >= UNLIKE))


def ways_apart(score: Score, reading: Reading, first: int, last: int) -> dict[tuple[str, str], float]:
    """Return how unlike each two ways to pedal sound in the bars from index `first` to `last`."""
    plan = make_plan(score, reading)
    heard = {
        way: band_levels(render(perform(score, plan, first=first, last=last, pedal=moves), GRAND))
        for way, moves in pedals(score, reading).items()
    }
    return {(a, b): unlike(heard[a], heard[b]) for a, b in combinations(heard, 2)}


def _show_ways(path: str, bars: str, console: Console) -> None:
    score = read_score(path)
    first, last = (int(bar) - 1 for bar in bars.split("-"))
    table = Table(title=f"{score.title}, bars {bars}: share of the time in which two ways sound unlike")
    for head in ("one", "other", "unlike"):
        table.add_column(head)
    for (a, b), share in ways_apart(score, read(score), first, last).items():
        table.add_row(a, b, f"{share:.2f}")
    console.print(table)


def _of(recorded: Recorded, nameless: bool, blur: bool) -> Measured:
    score, performed = read_piece(recorded, nameless=nameless)
    return measure(score, read(score), performed, recorded.name, recorded.period, blur)


def main() -> None:
    """Print a line for each piece, then means by period."""
    parser = argparse.ArgumentParser(description="How far a planned pedal does what pianists' feet do.")
    parser.add_argument("--nameless", action="store_true", help="take the composer's name away")
    parser.add_argument("--blur", action="store_true", help="measure blur too (minutes)")
    parser.add_argument("--ways", metavar="SCORE", help="how unlike the ways to pedal sound in this score")
    parser.add_argument(
        "--bars", default="1-8", help="with --ways: which bars, counted from 1 (default: 1-8)"
    )
    kept.add_options(parser)
    arguments = parser.parse_args()
    console = Console(width=150)
    if arguments.ways:
        _show_ways(arguments.ways, arguments.bars, console)
        return
    found = pieces()
    if not found:
        console.print("The recorded performances are not there; see the docstring of benchmarks/data.py.")
        return
    of = partial(_of, nameless=arguments.nameless, blur=arguments.blur)
    show([measured for _, measured in kept.measured(found, of, arguments)], console)


def show(measured: Sequence[Measured], console: Console) -> None:
    """Print the tables."""
    console.print(_pieces(measured))
    middle, flutters = sum(m.middle for m in measured), sum(m.flutters for m in measured)
    console.print(f"The middle pedal is proposed {middle} times, flutter {flutters} times.")
    counted = [m for m in measured if m.name not in FITTED]
    groups = {"all": counted} | {p: [m for m in counted if m.period == p] for p in PERIODS}
    for title, group in groups.items():
        if group:
            console.print(_means(f"{title}: {len(group)} pieces", group))


def _pieces(measured: Sequence[Measured]) -> Table:
    table = Table(title="By piece: the plan, and (in brackets) one performer for another")
    for title in ("piece", "period", *(f"F1 {a}/{b}" for a, b in THRESHOLDS), "depth r", "time down", "s"):
        table.add_column(title)
    for m in measured:
        plan, other = m.ways[PLANNED], m.another
        table.add_row(
            f"{m.name}{' (fitted)' if m.name in FITTED else ''}",
            m.period,
            *(f"{v:.3f}" + (f" ({other.f1[i]:.3f})" if other else "") for i, v in enumerate(plan.f1)),
            _number(plan.depth) + (f" ({_number(other.depth)})" if other else ""),
            f"{_number(plan.down)} ({_number(m.played.down)})",
            f"{m.seconds:.1f}",
        )
    return table


def _means(title: str, group: Sequence[Measured]) -> Table:
    table = Table(title=title)
    heads = (*(f"F1 {a}/{b}" for a, b in THRESHOLDS), "depth r", "time down", "far off", "blur")
    for head in ("way", *heads):
        table.add_column(head)
    for way in WAYS:
        _row(table, way, [m.ways[way] for m in group], [m.off.get(way) for m in group])
    _row(table, "another performer", [m.another for m in group if m.another], [])
    _row(table, "performers", [replace(m.played, f1=()) for m in group], [])
    return table


def _row(table: Table, name: str, feet: Sequence[Foot], far: Sequence[float | None]) -> None:
    if not feet:
        return
    f1s = _mean([f.f1 for f in feet]) if feet[0].f1 else ()
    cells = [f"{v:.3f}" for v in f1s] or [""] * len(THRESHOLDS)
    columns = ([f.depth for f in feet], [f.down for f in feet], far, [f.blur for f in feet])
    table.add_row(name, *cells, *(_number(_known(c)) for c in columns))


def _known(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return float(np.mean(known)) if known else None


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


if __name__ == "__main__":
    main()
