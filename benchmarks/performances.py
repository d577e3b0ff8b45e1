"""Recorded performances laid on their scores: the open data's `performance` folder in, values by beat out.

Each piece is a MusicXML score, the same score as plain MIDI with its beats marked, and performances as
MIDI (continuous pedal) with the same beats marked (Foscarin et al., "ASAP: a dataset of aligned scores
and performances", ISMIR 2020). The plain MIDI tells where each marked beat stands in the score as played,
repeats included; its bars are found again in the written score by pitch. For evaluation only.

- `pieces()` lists what there is, `read_piece(recorded)` gives the score and its performances.
- `Performed.performance` is what was played, in seconds; strikes carry the id of the written note.
- `to_score(performed, seconds)` gives the written moment, in quarter notes, at a moment of the performance;
  `to_seconds(performed, moment)` every moment of the performance at a written one, once for each time played.

Run ``python -m benchmarks.performances`` for how much of each performance was laid.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import product
from pathlib import Path

import mido
import numpy as np

from benchmarks.data import data_folder
from understave.acoustics.performance import Performance, Strike
from understave.score.composers import life_of, period_of_life
from understave.score.model import Measure, Score
from understave.score.reader import read_score

_REACH = 0.75
"""Most quarter notes between where a strike falls and the written note it can be."""
_HELD = 0.03
"""Seconds without a pedal message after which the pedal is taken to have stayed where it was."""


FOLDERS = ("performance", "performance-earlier")
FITTED = frozenset({"chopin-etudes-op-10-3"})
"""Pieces of which a part served to fit the plan's amounts (`training.playing`); means leave them out."""
PERIODS = ("romantic", "classical", "baroque")


@dataclass(frozen=True, slots=True)
class Recorded:
    """Where a piece lies: its score and, in order, the MIDI files of its performances.

    `composer` is the surname; `period` that of the composer's lifetime (`understave.score.composers`).
    """

    name: str
    score: Path
    performances: tuple[Path, ...]
    composer: str = ""
    period: str = ""

    @property
    def set(self) -> str:
        """The folder of the data it belongs to."""
        return self.score.parent.parent.name


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch played without a jump: marked beats by seconds and by written quarter notes, both rising."""

    seconds: tuple[float, ...]
    moments: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Performed:
    """One performance: what was played, and runs of beats that tie it to the score.

    `pedal` holds the raw messages (seconds, depth 0..1), `times` for each strike the written moment it
    falls on, in quarter notes (NaN outside the marked beats).
    """

    name: str
    performance: Performance
    runs: tuple[Run, ...]
    pedal: tuple[tuple[float, float], ...]
    times: tuple[float, ...]

    @property
    def beats(self) -> tuple[tuple[float, float], ...]:
        """Marked beats in order of playing: (seconds, written moment)."""
        return tuple(pair for run in self.runs for pair in zip(run.seconds, run.moments, strict=True))


def pieces() -> tuple[Recorded, ...]:
    """Return the recorded pieces by folder and name; none where the data is absent."""
    folders = (data_folder() / name for name in FOLDERS)
    homes = [home for folder in folders if folder.is_dir() for home in sorted(folder.iterdir())]
    return tuple(_recorded(home) for home in homes if (home / "xml_score.musicxml").exists())


def _recorded(home: Path) -> Recorded:
    composer = home.name.partition("-")[0].title()
    lasting = life_of(composer)
    return Recorded(
        home.name,
        home / "xml_score.musicxml",
        tuple(sorted(home.glob("performance-*.mid"))),
        composer,
        period_of_life(*lasting) if lasting else "",
    )


def read_piece(recorded: Recorded, *, nameless: bool = False) -> tuple[Score, tuple[Performed, ...]]:
    """Read a score and its performances, each laid on it; those whose beats do not fit it are left out.

    The score is given its composer's name where the file has none; `nameless` takes every name away.
    """
    score = read_score(recorded.score)
    score = replace(score, composer="" if nameless else score.composer or recorded.composer)
    laid = []
    for path in recorded.performances:
        try:
            laid.append(read_performance(recorded, path, score))
        except ValueError:
            continue
    return score, tuple(laid)


def read_performance(recorded: Recorded, path: Path, score: Score) -> Performed:
    """Read one performance; raise ValueError where its beats cannot be found in the score."""
    struck, pedal = _played(path)
    runs = _runs(recorded, path, score)
    times = _written(runs, [s.start for s in struck])
    strikes = _named(score, struck, times, runs)
    return Performed(
        path.stem,
        Performance(tuple(strikes), tuple(_line(pedal))),
        runs,
        tuple(pedal),
        tuple(float(t) for t in times),
    )


def played_pedal(path: Path) -> list[tuple[float, float]]:
    """Return the pedal of a MIDI recording as a line through (seconds, depth 0..1) points."""
    return _line(_played(path)[1])


def to_score(performed: Performed, seconds: float) -> float | None:
    """Return the written moment at a moment of the performance, or None outside the marked beats."""
    moment = _written(performed.runs, [seconds])[0]
    return None if np.isnan(moment) else float(moment)


def to_seconds(performed: Performed, moment: float | Fraction) -> tuple[float, ...]:
    """Return every moment of the performance, in seconds, at which a written moment was played."""
    t = float(moment)
    return tuple(
        float(np.interp(t, run.moments, run.seconds))
        for run in performed.runs
        if run.moments[0] <= t <= run.moments[-1]
    )


# --- what was played -------------------------------------------------------------------------------------


def _played(path: Path) -> tuple[list[Strike], list[tuple[float, float]]]:
    """Read strikes in order of start, and the pedal's messages."""
    strikes: list[Strike] = []
    pedal: list[tuple[float, float]] = []
    down: dict[tuple[int, int], list[tuple[float, int]]] = defaultdict(list)
    now = 0.0
    for message in mido.MidiFile(path):
        now += message.time
        if message.type == "control_change" and message.control == 64:
            pedal.append((now, message.value / 127))
        elif message.type in ("note_on", "note_off"):
            key = (message.channel, message.note)
            if message.type == "note_on" and message.velocity:
                down[key].append((now, message.velocity))
            elif down[key]:
                start, velocity = down[key].pop(0)
                strikes.append(Strike(message.note, start, now, float(velocity)))
    strikes.sort(key=lambda s: (s.start, s.midi))
    return strikes, pedal


def _line(pedal: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Make of messages a line that stays level while nothing was sent."""
    line: list[tuple[float, float]] = []
    for t, depth in pedal:
        if line and t - line[-1][0] > _HELD:
            line.append((t - _HELD / 2, line[-1][1]))
        line.append((t, depth))
    return line


# --- where the marked beats stand ------------------------------------------------------------------------


def _beats(path: Path) -> list[float]:
    return [float(line.split()[0]) for line in path.read_text().splitlines() if line.strip()]


def _runs(recorded: Recorded, path: Path, score: Score) -> tuple[Run, ...]:
    """Pair the beats of a performance with the written moments of the same beats of the plain score."""
    home = recorded.score.parent
    seconds = _beats(path.with_name(f"{path.stem}_annotations.txt"))
    order, moments = _score_beats(home, score)
    if len(seconds) != len(moments):
        moments = _shorter(score, order, moments, len(seconds), recorded.name)
    runs: list[Run] = []
    first = 0
    written = [m for _, m in moments]
    for i in range(1, len(seconds) + 1):
        if i == len(seconds) or written[i] <= written[i - 1] or seconds[i] <= seconds[i - 1]:
            runs.append(Run(tuple(seconds[first:i]), tuple(written[first:i])))
            first = i
    return tuple(run for run in runs if len(run.seconds) > 1)


@lru_cache(maxsize=4)
def _plain(home: Path) -> tuple[dict[float, frozenset[int]], tuple[float, ...]]:
    """Read the plain MIDI score: pitches by onset, and its marked beats, all in quarter notes."""
    midi = mido.MidiFile(home / "midi_score.mid")
    onsets: dict[float, set[int]] = defaultdict(set)
    clock, ticks, tempo = 0.0, 0, 500000
    points = [(0.0, 0.0)]
    for message in mido.merge_tracks(midi.tracks):
        clock += mido.tick2second(message.time, midi.ticks_per_beat, tempo)
        ticks += message.time
        if message.time:
            points.append((clock, ticks / midi.ticks_per_beat))
        if message.type == "set_tempo":
            tempo = message.tempo
        elif message.type == "note_on" and message.velocity:
            onsets[ticks / midi.ticks_per_beat].add(message.note)
    beats = _beats(home / "midi_score_annotations.txt")
    quarters = np.interp(beats, [s for s, _ in points], [q for _, q in points])
    return {q: frozenset(p) for q, p in onsets.items()}, tuple(float(q) for q in quarters)


def _score_beats(home: Path, score: Score) -> tuple[tuple[int, ...], list[tuple[int, float]]]:
    """Find each marked beat in the written score.

    Returns the bars in the order the plain score plays them, and for each beat its place in that order
    and its written moment. Of the ways to take the repeats the one whose pitches fit best is taken.
    """
    onsets, beats = _plain(home)
    repeats = repeats_of(score.measures)

    def fit(taken: tuple[bool, ...]) -> float:
        order = order_of(score.measures, repeats, taken)
        starts, hits = _place(score, order, onsets)
        return hits - abs(starts[-1] - max(onsets)) - 0.01 * len(order)

    order = order_of(score.measures, repeats, best_taken(len(repeats), fit))
    starts, _ = _place(score, order, onsets)
    found = []
    for beat in beats:
        k = max(0, bisect_right(starts, beat + 1e-6) - 1)
        m = score.measures[order[k]]
        found.append((k, float(m.start) + min(beat - starts[k], float(m.length))))
    return order, found


Repeat = tuple[int, int]


def repeats_of(measures: Sequence[Measure]) -> list[Repeat]:
    """Return the first and last bar of each repeated passage, in order."""
    repeats: list[Repeat] = []
    start = 0
    for m in measures:
        if m.repeat_start:
            start = m.index
        if m.repeat_end:
            repeats.append((start, m.index))
            start = m.index + 1
    return repeats


def order_of(
    measures: Sequence[Measure], repeats: Sequence[Repeat], taken: Sequence[bool]
) -> tuple[int, ...]:
    """Return the bars as played where some repeats are taken; a first ending only where its repeat is."""
    order: list[int] = []
    done = 0
    for (a, b), take in zip(repeats, taken, strict=True):
        first_ending = {i for i in range(a, b + 1) if measures[i].ending == (1,)}
        once = range(done, b + 1)
        again = [i for i in range(a, b + 1) if i not in first_ending]
        order += [*once, *again] if take else [i for i in once if i not in first_ending]
        done = b + 1
    return (*order, *range(done, len(measures)))


def best_taken(count: int, fit: Callable[[tuple[bool, ...]], float]) -> tuple[bool, ...]:
    """Return which of so many repeats are taken so that `fit` is best.

    All ways are tried of few repeats; of more, one repeat after the other is changed, from all taken and from
    none, until nothing gets better: at most 2 * `_ROUNDS` * `count` ways instead of two to that power.
    """
    if count <= _FEW:
        return max(product((True, False), repeat=count), key=fit)
    found = []
    for start in (True, False):
        taken = (start,) * count
        best = fit(taken)
        for _ in range(_ROUNDS):
            before = taken
            for i in range(count):
                other = (*taken[:i], not taken[i], *taken[i + 1 :])
                if (value := fit(other)) > best:
                    taken, best = other, value
            if taken == before:
                break
        found.append((best, taken))
    return max(found, key=lambda f: f[0])[1]


_FEW, _ROUNDS = 5, 4


def left_out(sizes: Sequence[int], surplus: int) -> tuple[bool, ...] | None:
    """Return which parts of these sizes to leave out so that `surplus` goes, late ones first; None if none.

    The sums that the parts from each on can reach are kept, so that the work grows with count times surplus.
    """
    reach: list[set[int]] = [{0}]
    for size in reversed(sizes):
        reach.append(reach[-1] | {r + size for r in reach[-1] if r + size <= surplus})
    reach.reverse()
    if surplus not in reach[0]:
        return None
    out = []
    for size, after in zip(sizes, reach[1:], strict=True):
        out.append(surplus not in after)
        surplus -= size if out[-1] else 0
    return tuple(out)


def _place(
    score: Score, order: Sequence[int], onsets: dict[float, frozenset[int]]
) -> tuple[list[float], int]:
    """Lay bars one after another on the plain score, each nudged to where its pitches fit best.

    Returns the start of each bar in the plain score and the number of pitches found.
    """
    written: dict[int, list[tuple[float, int]]] = defaultdict(list)
    for n in score.notes:
        if not n.grace:
            written[n.measure].append((float(n.onset - score.measures[n.measure].start), n.midi))
    by_time = sorted(onsets)
    rounded = {round(q, 1): set(onsets[q]) for q in by_time}
    for q in by_time:
        rounded[round(q, 1)] |= onsets[q]

    def fit(index: int, start: float) -> int:
        return sum(p in rounded.get(round(start + at, 1), ()) for at, p in written[index])

    starts: list[float] = []
    expected, total = 0.0, 0
    for index in order:
        shifts: Counter[float] = Counter({0.0: 1})
        for at, p in written[index]:
            low = bisect_left(by_time, expected + at - 1.5)
            for q in by_time[low : bisect_right(by_time, expected + at + 1.5)]:
                if p in onsets[q]:
                    shifts[round(q - expected - at, 3)] += 1
        straight = fit(index, expected)
        shift = max((s for s, _ in shifts.most_common(4)), key=lambda s: (fit(index, expected + s), -abs(s)))
        if fit(index, expected + shift) <= straight + max(1, 0.2 * len(written[index])):
            shift = 0.0
        start = expected + shift
        total += fit(index, start)
        starts.append(start)
        expected = start + float(score.measures[index].length)
    return starts, total


def _shorter(
    score: Score, order: tuple[int, ...], moments: list[tuple[int, float]], beats: int, name: str
) -> list[tuple[int, float]]:
    """Return the beats of a performance that leaves out repeats which the plain score plays."""
    # Where each repeat that is played begins its first time, and how many of its beats are marked there; of a
    # passage played once the last playing is kept: it goes on to what follows.
    marked = Counter(k for k, _ in moments)
    first_times: list[range] = []
    k = 0
    for a, b in repeats_of(score.measures):
        start = order.index(a, k)
        k = start + b - a + 1
        if order[start : k + 1] == (*range(a, b + 1), a):
            first_times.append(range(start, k))
        else:
            k = start
    out = left_out([sum(marked[i] for i in r) for r in first_times], len(moments) - beats)
    if out is not None:
        dropped = {i for r, gone in zip(first_times, out, strict=True) if gone for i in r}
        return [m for m in moments if m[0] not in dropped]
    raise ValueError(f"The {beats} beats marked in a performance of {name} fit no way to play its repeats.")


# --- strikes and written notes ---------------------------------------------------------------------------


def _written(runs: Sequence[Run], seconds: Sequence[float]) -> np.ndarray:
    """Return the written moment at each moment of the performance; NaN outside the runs.

    One beat before the first and after the last of a run is reckoned at the pace of its nearest beat.
    """
    t = np.asarray(seconds, dtype=float)
    found = np.full(len(t), np.nan)
    for i, run in enumerate(runs):
        s, q = np.array(run.seconds), np.array(run.moments)
        s = np.concatenate([[2 * s[0] - s[1]], s, [2 * s[-1] - s[-2]]])
        q = np.concatenate([[2 * q[0] - q[1]], q, [2 * q[-1] - q[-2]]])
        low = s[0] if i == 0 else run.seconds[0]
        high = runs[i + 1].seconds[0] if i + 1 < len(runs) else s[-1]
        inside = (t >= low - 0.05) & (t < high)
        found[inside] = np.interp(t[inside], s, q)
    return found


def _named(score: Score, strikes: list[Strike], times: np.ndarray, runs: Sequence[Run]) -> list[Strike]:
    """Give strikes the ids of the written notes they are: same key, nearest in time, each note once a run."""
    by_key: dict[int, list[tuple[float, str]]] = defaultdict(list)
    for n in score.notes:
        by_key[n.midi].append((float(n.onset), n.id))
    run_of = np.searchsorted([run.seconds[0] for run in runs[1:]], [s.start + 0.05 for s in strikes])
    pairs: list[tuple[float, int, str, int]] = []
    for i, (strike, t) in enumerate(zip(strikes, times, strict=True)):
        if np.isnan(t):
            continue
        notes = by_key[strike.midi]
        low = bisect_left(notes, (float(t) - _REACH, ""))
        for onset, note in notes[low : bisect_right(notes, (float(t) + _REACH, "￿"))]:
            pairs.append((abs(onset - float(t)), i, note, int(run_of[i])))
    names: dict[int, str] = {}
    used: set[tuple[int, str]] = set()
    for _, i, note, run in sorted(pairs):
        if i not in names and (run, note) not in used:
            names[i] = note
            used.add((run, note))
    return [Strike(s.midi, s.start, s.end, s.velocity, names.get(i, "")) for i, s in enumerate(strikes)]


def main() -> None:
    """Print how much of each performance was laid on its score."""
    print(f"{'piece':36} {'performance':14} {'runs':>4} {'strikes':>8} {'named':>6}")
    for recorded in pieces():
        _, performed = read_piece(recorded)
        for p in performed:
            strikes = p.performance.strikes
            named = sum(bool(s.note) for s in strikes)
            print(
                f"{recorded.name:36} {p.name:14} {len(p.runs):4} {len(strikes):8} "
                f"{100 * named / max(1, len(strikes)):5.1f}%"
            )
        for path in recorded.performances:
            if path.stem not in {p.name for p in performed}:
                print(f"{recorded.name:36} {path.stem:14} left out: its beats do not fit the score")


if __name__ == "__main__":
    main()
