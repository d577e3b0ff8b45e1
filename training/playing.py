"""What 22 pianists do in three excerpts: the figures behind the plan's amounts. ``python -m
training.playing``.

In: the excerpts of `benchmarks.pianists` (CC BY 4.0, weights may ship with this credit: Vienna 4x22 Piano
Corpus, Goebl 1999, doi 10.21939/4X22). Out, printed:

* **foot**: how deep the pedal is from half a second before a planned change to 1.2 seconds after, and the
  shape of `interpretation.perform.pedal_line` that goes best with it (mean r of depth over time);
* **voicing**: least squares of the velocity of every note on the height above and below middle C, roles and
  places;
* **time**: least squares of the logarithm of the local tempo on nearness to the end of a phrase and on
  dissonances that the plan leans on; and how much slower beats are in which less moves, and those at the
  edges of bars, excerpt by excerpt.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

import numpy as np
from benchmarks.pedal import correlation, planned_depth, played_depth
from benchmarks.performances import Performed
from benchmarks.pianists import excerpts, read_excerpt
from numpy.typing import NDArray

from understave.acoustics.ringing import pedal_depth
from understave.findings import read
from understave.findings.texture import texture_of
from understave.harmony.reading import Reading
from understave.interpretation import perform
from understave.interpretation import timing as playing
from understave.interpretation.pedal import pedal
from understave.interpretation.plan import PedalMove, Plan
from understave.interpretation.tempo import basic_tempo
from understave.interpretation.tension import tension
from understave.interpretation.voicing import voicing
from understave.score.model import Score

Array = NDArray[np.float64]
AROUND = np.arange(-0.5, 1.21, 0.1)


@dataclass(frozen=True, slots=True)
class Excerpt:
    """One excerpt, read, pedalled and played."""

    name: str
    score: Score
    reading: Reading
    moves: tuple[PedalMove, ...]
    performed: tuple[Performed, ...]


def load() -> tuple[Excerpt, ...]:
    """Read the excerpts; none where the data is absent."""
    found = []
    for home in excerpts():
        score, performed = read_excerpt(home)
        reading = read(score)
        found.append(Excerpt(home.name, score, reading, pedal(score, reading), performed))
    return tuple(found)


def foot(excerpt: Excerpt) -> Array:
    """Return the mean depth of the pianists' pedal round the planned changes, one for each of `AROUND`."""
    rows = []
    for p in excerpt.performed:
        run = p.runs[0]
        at = np.interp([float(m.moment) for m in excerpt.moves[1:] if m.depth > 0], run.moments, run.seconds)
        rows += [pedal_depth(p.performance.pedal, t + AROUND) for t in at]
    return np.asarray(np.mean(rows, axis=0))


def shapes(found: Sequence[Excerpt]) -> list[tuple[float, tuple[float, ...]]]:
    """Return (mean r, shape) for shapes of a change, best first; a shape is (early, up, clear, down) in
    seconds.
    """
    names = ("_EARLY", "_UP", "_CLEAR", "_DOWN")
    kept = {name: getattr(perform, name) for name in names}
    tried = []
    try:
        for shape in product((0.0, 0.05, 0.08), (0.05, 0.12), (0.06, 0.1), (0.1, 0.25)):
            for name, value in zip(names, shape, strict=True):
                setattr(perform, name, value)
            tried.append((float(np.mean([_goes_with(e) for e in found])), shape))
    finally:
        for name, value in kept.items():
            setattr(perform, name, value)
    return sorted(tried, reverse=True)


def _goes_with(excerpt: Excerpt) -> float:
    rows = [correlation(planned_depth(excerpt.moves, p), played_depth(p)) for p in excerpt.performed]
    return float(np.mean(rows))


def voices(found: Sequence[Excerpt]) -> Mapping[str, float]:
    """Return the velocity that each feature of a note adds, over all excerpts and pianists."""
    rows: list[Array] = []
    played: list[Array] = []
    names: tuple[str, ...] = ()
    for e in found:
        features = _features(e)
        names = tuple(next(iter(features.values())))
        for p in e.performed:
            strikes = [s for s in p.performance.strikes if s.note]
            row = np.array([list(features[s.note].values()) for s in strikes], dtype=float)
            velocity = np.array([s.velocity for s in strikes])
            rows.append(row - row.mean(axis=0))
            played.append(velocity - velocity.mean())
    weights, *_ = np.linalg.lstsq(np.vstack(rows), np.concatenate(played), rcond=None)
    return dict(zip(names, (float(w) for w in weights), strict=True))


def _features(e: Excerpt) -> dict[str, dict[str, float]]:
    roles = texture_of(e.score, e.reading.spans).roles
    struck: dict[Fraction, list[int]] = defaultdict(list)
    for n in e.score.struck:
        struck[n.onset].append(n.midi)
    return {
        n.id: {
            "above middle C": max(0, n.midi - 60),
            "below middle C": min(0, n.midi - 60),
            **{role: float(roles.get(n.id) == role) for role in ("melody", "bass", "accompaniment")},
            "top of a chord": float(len(struck[n.onset]) > 1 and n.midi == max(struck[n.onset])),
            "first beat": float(e.score.beat_at(n.onset) == 1),
            "off the beat": float(e.score.beat_at(n.onset).denominator != 1),
            "doubling of length": float(
                np.log2(max(0.125, float(n.duration / e.score.measures[n.measure].beat_length)))
            ),
        }
        for n in e.score.notes
    }


def endings(found: Sequence[Excerpt]) -> Mapping[str, float]:
    """Return how the logarithm of the tempo changes in the last and the last but one beat of a phrase, and
    where a dissonance is leant on.
    """
    rows: list[list[float]] = []
    tempi: list[float] = []
    for e in found:
        ends = sorted({float(v.end) for v in e.reading.events if v.kind == "phrase"})
        beat = float(e.score.measures[0].beat_length)
        leant = [float(e.score.note_by_id[v.note].onset) for v in voicing(e.score, e.reading) if v.lean]
        for p in e.performed:
            run = p.runs[0]
            grid = np.arange(np.ceil(run.moments[0] / beat) * beat, run.moments[-1], beat)
            tempo = -np.log(np.diff(np.interp(grid, run.moments, run.seconds)))
            tempi += list(tempo - np.median(tempo))
            for m in grid[:-1]:
                left = min((end - m for end in ends if end > m + 1e-6), default=99.0) / beat
                rubs = any(m - 1e-6 <= onset < m + beat - 1e-6 for onset in leant)
                rows.append([float(left <= 1), float(1 < left <= 2), float(rubs), 1.0])
    weights, *_ = np.linalg.lstsq(np.array(rows), np.array(tempi), rcond=None)
    return {
        "last beat": float(weights[0]),
        "last but one": float(weights[1]),
        "leant on": float(weights[2]),
    }


def held(excerpt: Excerpt) -> Mapping[str, float]:
    """Return by how much the logarithm of the tempo, beside the plan's bends but for what is held, falls for
    each halving of what moves in a beat, and in the first and the last beat of a bar; each alone.
    """
    score, reading = excerpt.score, excerpt.reading
    strain, own = tension(score, reading), (playing._SPARSE, playing._FIRST, playing._LAST)
    try:
        playing._SPARSE, playing._FIRST, playing._LAST = 0.0, 0.0, 0.0
        bends = playing.timing(score, reading, strain, 1.0, voicing(score, reading))
    finally:
        playing._SPARSE, playing._FIRST, playing._LAST = own
    time = perform.clock(score, Plan(tempo=basic_tempo(score), timing=bends))
    beats = playing.beats_of(score)
    rows = {
        "halving": np.array([max(0.0, b.halvings) for b in beats]),
        "first beat": np.array([float(b.first) for b in beats]),
        "last beat": np.array([float(b.last) for b in beats]),
    }
    planned = np.array([time.at(b.end) - time.at(b.start) for b in beats])
    over: dict[str, list[float]] = defaultdict(list)
    for p in excerpt.performed:
        run = p.runs[0]
        inside = np.array([run.moments[0] <= b.start and b.end <= run.moments[-1] for b in beats])
        edges = np.array([[float(b.start), float(b.end)] for b in beats])[inside]
        lasts = np.diff(np.interp(edges, run.moments, run.seconds), axis=1)[:, 0]
        slower = np.log(np.maximum(lasts, 1e-3) / planned[inside])
        for name, row in rows.items():
            x = row[inside] - row[inside].mean()
            over[name].append(float(x @ slower / max(1e-9, x @ x)))
    return {name: float(np.mean(values)) for name, values in over.items()}


def main() -> None:
    """Print the figures."""
    found = load()
    if not found:
        print("The excerpts are not there; see the docstring of benchmarks/data.py.")
        return
    print("depth round a planned change, from 0.5 s before to 1.2 s after")
    for e in found:
        print(f"  {e.name:22} {' '.join(f'{d:.2f}' for d in foot(e))}")
    print("shapes (early, up, clear, down), best first")
    for r, shape in shapes(found)[:3]:
        print(f"  r {r:.3f}  {shape}")
    print("velocity that each adds")
    for name, weight in voices(found).items():
        print(f"  {name:18} {weight:+.2f}")
    print("logarithm of the tempo")
    for name, weight in endings(found).items():
        print(f"  {name:18} {weight:+.2f}")
    print("slower (logarithm), beside the plan's other bends")
    for e in found:
        print(f"  {e.name:22} {'  '.join(f'{name} {much:+.3f}' for name, much in held(e).items())}")


if __name__ == "__main__":
    main()
